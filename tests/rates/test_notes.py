"""Notes on the data behind a fit: each is met where it was planted, and not in clean data."""

import numpy as np
import pytest

from outcomes.rates import notes
from outcomes.rates.fit import fit_rate
from outcomes.simulate import simulate_rates


def _fit(patients=30, seed=1, **options):
    rows = simulate_rates(patients, seed=seed, teeth_per_patient=8, rows_per_tooth=2, **options)
    return fit_rate(rows)


@pytest.mark.parametrize("site", [True, False])
def test_weight_shares_are_those_of_the_dense_formula(site):
    fit = fit_rate(simulate_rates(9, seed=3, teeth_per_patient=7, rows_per_tooth=3), site=site)
    d, psi, tau = fit.design, fit.mixed.psi[0, 0], fit.mixed.inner_variance or 0.0
    expected = []
    for p in range(fit.patients):
        own = d.patient == p
        x, z = d.x[own], d.planned[own]
        same_tooth = d.site_row[own][:, None] == d.site_row[own]
        v = np.outer(z, z) * (psi + tau * same_tooth) + fit.mixed.sigma2 * np.eye(len(z))
        expected.append(np.diag(x.T @ np.linalg.solve(v, x)))
    expected = np.array(expected)
    np.testing.assert_allclose(
        fit.mixed.shares.weights(), expected / expected.sum(0), rtol=1e-8, atol=1e-12
    )


def test_residuals_are_those_of_the_table():
    fit = fit_rate(
        simulate_rates(10, seed=2, attachment_effect=0.1),
        covariates="attachment",
        intercept=True,
    )
    np.testing.assert_allclose(
        notes.residuals(fit.mixed, fit.design), fit.data["residual"], rtol=1e-10, atol=1e-12
    )


def test_scatter_around_a_tooth_holds_neither_patient_nor_tooth():
    fit = _fit()
    residual = notes.residuals(fit.mixed, fit.design)
    rate_of_tooth = np.random.default_rng(1).normal(size=fit.sites)[fit.design.site_row]
    moved = residual + rate_of_tooth * fit.design.planned
    np.testing.assert_allclose(
        notes.spread_growth(moved, fit.design),
        notes.spread_growth(residual, fit.design),
        rtol=1e-8,
    )


def test_spread_that_grows_with_the_plan_is_said():
    growing = _fit(60, heteroscedastic=1.0)
    assert any("scatter more where more was planned" in n for n in growing.notes)
    ratio, p = notes.spread_growth(notes.residuals(growing.mixed, growing.design), growing.design)
    assert ratio > 1.25
    assert p < 0.01


def test_the_p_value_of_growth_is_honest():
    # 400 even cohorts: at most 1 in 20 below 0.05, up to three binomial standard errors
    below = 0
    for seed in range(400):
        fit = _fit(12, seed)
        below += notes.spread_growth(notes.residuals(fit.mixed, fit.design), fit.design)[1] < 0.05
    assert below / 400 < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 400)


def test_growth_needs_teeth_with_several_records():
    fit = fit_rate(simulate_rates(20, seed=1, rows_per_tooth=1))
    ratio, p = notes.spread_growth(notes.residuals(fit.mixed, fit.design), fit.design)
    assert np.isnan(ratio)
    assert np.isnan(p)


def test_a_stray_result_is_named():
    rows = simulate_rates(12, seed=4, rows_per_tooth=2)
    at = 40
    rows.loc[at, "achieved"] += 40.0
    fit = fit_rate(rows)
    note = next(n for n in fit.notes if "far from what the fit expects" in n)
    assert f"{rows.patient[at]} tooth {rows.tooth[at]}" in note
    assert note.startswith("1 result lies")
    np.testing.assert_array_equal(notes.stray_rows(fit.data["residual"].to_numpy()), [at])


def test_a_patient_with_half_of_the_rows_is_named():
    fit = _fit(dominant=0.5)
    note = next(n for n in fit.notes if "of the rows" in n)
    assert note.startswith("Patient P001 has 50\u00a0% of the rows")
    # a patient's weight levels off: far from half of a rate of 30 patients
    assert fit.mixed.shares.weights()[0].max() < 0.3


def test_a_rate_resting_on_one_patient_is_said():
    rows = simulate_rates(8, seed=5, teeth_per_patient=20, rows_per_tooth=2)
    few = rows[(rows.tooth_class != "molar") | (rows.patient == "P003") | (rows.tooth == 16)]
    notes = fit_rate(few).notes
    assert any(n.startswith("Patient P003 carries") and "the rate of molar" in n for n in notes)


def test_clean_data_get_no_such_note():
    notes = [n for seed in range(20) for n in _fit(40, seed).notes]
    assert not [n for n in notes if "scatter more" in n or "of the rows" in n or "carries" in n]
