"""Bootstrap, influence, prediction, tests and explained variance of the rate model."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import CannotAnswer
from outcomes.mixed import resample
from outcomes.mixed.blocks import cross_products
from outcomes.mixed.fit import fit_mixed
from outcomes.rates.fit import fit_rate, opinion_on, second_opinion
from outcomes.rates.predict import rate_moments
from outcomes.rates.questions import likelihood_ratio_test
from outcomes.simulate import simulate_rates

REFERENCE = Path(__file__).parents[1] / "reference"
R = json.loads((REFERENCE / "reference.json").read_text())  # lme4 and friends, see its README


@pytest.fixture(scope="module")
def rotation():
    return pd.read_csv(REFERENCE / "rotation_cohort.csv")


@pytest.fixture(scope="module")
def fit(rotation):
    return fit_rate(rotation)


# ---------------------------------------------------------------------------------- tests


def test_likelihood_ratio_equals_lme4(rotation, fit):
    test = likelihood_ratio_test(fit, fit_rate(rotation, covariates="attachment"))
    expected = R["rotation_rate_lrt"]
    assert test["chisq"] == pytest.approx(expected["chisq"], rel=1e-5)
    assert test["df"] == expected["df"]
    assert test["p"] == pytest.approx(expected["p"], rel=1e-4)


def test_likelihood_ratio_needs_nested_fits_to_the_same_rows(rotation, fit):
    with pytest.raises(CannotAnswer, match="not nested"):
        likelihood_ratio_test(fit_rate(rotation, group=None, covariates="attachment"), fit)
    with pytest.raises(CannotAnswer, match="different rows"):
        likelihood_ratio_test(fit_rate(rotation.iloc[5:]), fit_rate(rotation, covariates="age"))


def test_marginal_and_conditional_r2_equal_performance():
    """R performance 0.10.2 on the growth data; its model is this one with planned = 1."""

    d = pd.read_csv(REFERENCE / "dental_growth.csv")
    one = np.ones(len(d))
    x = np.stack([one, d["age"].to_numpy(float), (d["Sex"] == "Female").to_numpy(float)], 1)
    m = fit_mixed(
        cross_products(
            x, d["distance"].to_numpy(float), one[:, None], pd.factorize(d["Subject"])[0]
        )
    )
    from types import SimpleNamespace

    from outcomes.rates.questions import r_squared

    stand_in = SimpleNamespace(
        design=SimpleNamespace(x=x, planned=one, variances=(0,)),
        mixed=m,
        nobs=len(d),
        tooth_level="not asked",
    )
    found, expected = r_squared(stand_in), R["dental_growth_intercept"]["r2"]
    assert found["marginal"] == pytest.approx(expected["marginal"], rel=1e-5)
    assert found["conditional"] == pytest.approx(expected["conditional"], rel=1e-5)


def test_linearity_finds_a_bend_and_its_absence(rotation, fit):
    assert fit.linearity()["p"] > 0.01
    bent = rotation.assign(
        achieved=rotation["achieved"] - 0.01 * rotation["planned"] * rotation["planned"].abs()
    )
    found = fit_rate(bent).linearity()
    assert found["p"] < 1e-4
    assert found["change"] == pytest.approx(-0.01 + fit.linearity()["change"], abs=1e-4)
    assert "smaller share" in found["sentence"]


# -------------------------------------------------------------------------- second opinion


def test_statsmodels_gives_the_same_rates(fit):
    table = second_opinion(fit).set_index("quantity")
    assert table.loc["log-likelihood", "statsmodels"] == pytest.approx(
        R["rotation_rate"]["loglik"], abs=1e-4
    )
    rates = table.filter(like="rate ", axis=0)
    assert rates["difference"].abs().max() < 1e-4
    errors = table.filter(like="standard error", axis=0)
    assert errors["difference"].abs().max() < 1e-4


@pytest.mark.parametrize(
    "rows",
    [
        # an infinite likelihood
        [("P004", 35, -0.78, 0.0), ("P001", 14, 1.78, 0.0), ("P004", 14, 1.78, -0.7)],
        # a finite one without standard errors
        [("P1", 11, 1.94, -0.1), ("P0", 35, 1.51, -0.2), ("P1", 11, -4.07, 0.0),
         ("P0", 12, -2.83, 0.1)],
    ],
)  # fmt: skip
def test_an_opinion_without_finite_numbers_is_none(rows):
    """Rows on which statsmodels says it converged."""
    fit = fit_rate(
        pd.DataFrame(rows, columns=["patient", "tooth", "planned", "achieved"]), group=None
    )
    with pytest.raises(CannotAnswer, match="no finite likelihood or standard errors"):
        second_opinion(fit)
    table, reason = opinion_on(fit)
    assert table.empty
    assert reason


def test_unknown_engine_is_refused(rotation):
    with pytest.raises(CannotAnswer, match="engine"):
        fit_rate(rotation, engine="abacus")


# ------------------------------------------------------------------------------ bootstrap


@pytest.mark.parametrize("kind", ["patient", "parametric"])
def test_bootstrap_errors_agree_with_the_model(fit, kind):
    """The cohort follows the model, so both standard errors estimate the same thing."""
    result = fit.bootstrap(600, kind=kind, seed=3)
    ratio = result.rates["se"] / fit.rates["se"]
    assert ratio.between(0.75, 1.25).all()
    assert (result.rates["bias"].abs() < 4 * result.rates["se"] / 600**0.5).all()
    assert result.failed == 0
    assert (
        (result.rates["low"] < fit.rates["rate"]) & (fit.rates["rate"] < result.rates["high"])
    ).all()


def test_parametric_bootstrap_centres_on_the_variances(fit):
    found = fit.bootstrap(600, kind="parametric", seed=4).replicates
    for component, sd in fit.variance.set_index("component")["sd"].items():
        values = found[f"sd_{component}"] ** 2
        error = values.std() / len(values) ** 0.5
        assert values.mean() == pytest.approx(sd**2, abs=4 * error)


def test_bootstrap_is_seeded(fit):
    a, b = fit.bootstrap(20, seed=5), fit.bootstrap(20, seed=5)
    pd.testing.assert_frame_equal(a.replicates, b.replicates)
    assert not a.replicates.equals(fit.bootstrap(20, seed=6).replicates)


def test_patient_bootstrap_equals_refits_of_copied_patients(rotation, fit):
    """The weights of one replicate, made real as rows of a longer table."""
    weights = np.random.default_rng(11).multinomial(40, np.full(40, 1 / 40), size=1)[0]
    rows = []
    for label, w in zip(fit.design.patient_labels, weights, strict=True):
        mine = rotation[rotation["patient"] == label]
        rows += [mine.assign(patient=f"{label}-{copy}") for copy in range(w)]
    again = fit_rate(pd.concat(rows))
    first = resample.over_outer(fit.mixed, n=1, seed=11)
    np.testing.assert_allclose(first.beta[0], again.mixed.beta, rtol=1e-6)
    assert first.sigma2[0] == pytest.approx(again.mixed.sigma2, rel=1e-5)
    assert first.outer_variance[0] == pytest.approx(again.mixed.psi[0, 0], rel=1e-4)


def test_a_group_missing_from_a_replicate_is_left_blank(rotation):
    few = rotation["patient"].isin(["P001", "P002"])
    frame = rotation[(rotation["tooth_class"] != "molar") | few]
    result = fit_rate(frame).bootstrap(200, seed=1)
    counts = result.rates.set_index("group")["replicates"]
    assert counts["incisor"] == 200
    # both patients absent from 40 draws: (38/40)^40 = 0.129 (arithmetic)
    assert counts["molar"] == pytest.approx(200 * (1 - 0.95**40), abs=25)


@pytest.mark.parametrize(("n", "kind"), [(1, "patient"), (10, "teeth")])
def test_bootstrap_refuses_nonsense(fit, n, kind):
    with pytest.raises(CannotAnswer):
        fit.bootstrap(n, kind=kind)


# ------------------------------------------------------------------------------ influence


def test_leaving_a_patient_out_equals_a_refit(rotation, fit):
    left = fit.leave_one_out()
    for i in (0, 17, 39):
        without = rotation[rotation["patient"] != fit.design.patient_labels[i]]
        again = fit_rate(without)
        np.testing.assert_allclose(left.beta[i], again.mixed.beta, rtol=1e-7)
        np.testing.assert_allclose(left.covariance[i], again.mixed.covariance, rtol=1e-5)


@pytest.mark.parametrize(("patients", "varies_by", "near"), [(250, (), 1), (120, "direction", 20)])
def test_expanded_leave_one_out_agrees_with_the_search_in_full(patients, varies_by, near):
    frame = simulate_rates(patients, seed=2, varying={"direction": 0.1} if varies_by else {})
    many = fit_rate(frame, varies_by=varies_by)
    full = resample.without_each_outer(many.mixed, exact=True)
    quick = resample.without_each_outer(many.mixed, exact=False)
    np.testing.assert_allclose(quick.beta, full.beta, atol=near * 5e-6)
    np.testing.assert_allclose(quick.covariance, full.covariance, rtol=near * 5e-3)
    np.testing.assert_allclose(quick.outer_variance, full.outer_variance, rtol=near * 5e-3)


def test_influence_finds_the_odd_patient(rotation):
    odd = rotation["patient"] == "P020"
    frame = rotation.assign(achieved=rotation["achieved"].where(~odd, rotation["planned"] * 2))
    table = fit_rate(frame).influence()
    assert table["patient"].iloc[0] == "P020"
    assert table["change"].iloc[0] < 0  # without P020 the rate falls
    assert len(table) == 40 * 4


# ----------------------------------------------------------------------------- prediction


def test_new_patient_follows_the_formula(fit):
    """statistics: rate x +/- t sqrt(Var(b) x^2 + (s2_patient + s2_tooth) x^2 + s2)."""
    x = np.array([2.0, -5.0, 12.0])
    new = pd.DataFrame({"tooth": [11, 23, 46], "planned": x})
    table = fit.predict(new)
    rate, se = (fit.rates.set_index("group")[c] for c in ("rate", "se"))
    classes = ["incisor", "canine", "molar"]
    sd = fit.variance.set_index("component")["sd"]
    spread = sd["patient"] ** 2 + sd["tooth"] ** 2
    np.testing.assert_allclose(table["expected"], rate[classes] * x)
    np.testing.assert_allclose(
        table["sd"], np.sqrt((se[classes].to_numpy() ** 2 + spread) * x**2 + sd["residual"] ** 2)
    )
    assert (table["low_95"] < table["low_80"]).all()
    moments = rate_moments(fit, new)
    np.testing.assert_allclose(moments["variance_estimate"], se[classes] ** 2)
    np.testing.assert_allclose(moments["rate"], rate[classes])


def test_known_patient_and_tooth_equal_the_mixed_model_equations(rotation, fit):
    """Henderson's equations for b, u and v written out in full, and their inverse: the error
    covariance of every combination of effects (Henderson, Biometrics 1975;31:423-447)."""
    d, m = fit.design, fit.mixed
    zu = np.eye(40)[d.patient] * d.planned[:, None]
    zv = np.eye(fit.sites)[d.site_row] * d.planned[:, None]
    everything = np.hstack([d.x, zu, zv])
    ridge = np.r_[
        np.zeros(4),
        np.full(40, m.sigma2 / m.psi[0, 0]),
        np.full(fit.sites, m.sigma2 / m.inner_variance),
    ]
    inverse = np.linalg.inv(everything.T @ everything + np.diag(ridge))
    solution = inverse @ everything.T @ d.achieved

    who = pd.DataFrame({"patient": ["P003", "P003", "P777"], "tooth": [11, 48, 11]})
    who["planned"] = [4.0, -3.0, 4.0]
    site = d.site_labels.reset_index().set_index(["patient", "tooth"])["index"]
    found = fit.predict(who.assign(tooth_class=["incisor", "molar", "incisor"]))
    assert ("P003", 11) in site.index
    assert ("P003", 48) not in site.index
    loading = np.zeros((3, everything.shape[1]))
    loading[0, [0, 4 + 3, 44 + site["P003", 11]]] = 1
    loading[1, [3, 4 + 3]] = 1
    loading[2, 0] = 1
    new_spread = [0, m.inner_variance, m.psi[0, 0] + m.inner_variance]
    error = np.einsum("ni,ij,nj->n", loading, inverse, loading) * m.sigma2 + new_spread
    x = who["planned"].to_numpy()
    np.testing.assert_allclose(found["expected"], loading @ solution * x, rtol=1e-6)
    np.testing.assert_allclose(found["sd"], np.sqrt(error * x**2 + m.sigma2), rtol=1e-6)
    assert found["sd"][0] < found["sd"][2]


def test_prediction_ranges_hold_the_next_patient():
    """95 and 80 % ranges from 12 patients, over 150 seeded cohorts and 10 new patients each."""
    from outcomes.simulate import simulate_rates

    inside = {80: [], 95: []}
    for seed in range(150):
        frame = simulate_rates(22, seed=seed)
        patients = frame["patient"].unique()
        fit = fit_rate(frame[frame["patient"].isin(patients[:12])])
        new = frame[frame["patient"].isin(patients[12:])]
        new = new.groupby("patient").sample(1, random_state=seed)
        ranges = fit.predict(new.assign(patient="new"))
        for level in inside:
            low, high = ranges[f"low_{level}"], ranges[f"high_{level}"]
            inside[level] += ((new["achieved"] >= low) & (new["achieved"] <= high)).tolist()
    # Monte-Carlo error about 1 % and 0.6 %
    assert np.mean(inside[80]) == pytest.approx(0.80, abs=0.03)
    assert np.mean(inside[95]) == pytest.approx(0.95, abs=0.02)


def test_prediction_errors_name_the_remedy(rotation, fit):
    with pytest.raises(CannotAnswer, match="No column 'planned'"):
        fit.predict(pd.DataFrame({"tooth": [11]}))
    with pytest.raises(CannotAnswer, match="No rate for wisdom"):
        fit.predict(pd.DataFrame({"tooth_class": ["wisdom"], "planned": [1.0]}))
    text = rotation.assign(attachment=rotation["attachment"].map({0: "none", 1: "bevelled"}))
    with pytest.raises(CannotAnswer, match="attachment = round"):
        fit_rate(text, covariates="attachment").predict(
            pd.DataFrame({"tooth": [11], "planned": [1.0], "attachment": ["round"]})
        )


def test_covariates_enter_predictions(rotation):
    fit = fit_rate(rotation, covariates=["attachment", "age"])
    rows = rotation.head(3)
    expected = fit.predict(rows.assign(patient="someone new"))["expected"]
    np.testing.assert_allclose(expected, fit.data["fixed"].head(3), rtol=1e-9)


# ------------------------------------------------------------- effects carried by few patients


@pytest.mark.parametrize("exact", [True, False])
def test_a_covariate_that_one_patient_decides(rotation, exact):
    """Without that patient the effect cannot be told from the rates: blank, and no crash."""
    few = rotation[rotation["patient"].isin(rotation["patient"].unique()[:8])]
    frame = few.assign(helped=(few["patient"] != "P003").astype(int))
    fit = fit_rate(frame, covariates="helped")
    left = resample.without_each_outer(fit.mixed, exact=exact)
    lone = list(fit.design.patient_labels).index("P003")
    assert np.isnan(left.beta[lone]).all()
    others = np.delete(left.beta, lone, axis=0)
    assert np.isfinite(others).all()
    again = fit_rate(frame[frame["patient"] != "P000"], covariates="helped")
    np.testing.assert_allclose(left.beta[0], again.mixed.beta, atol=1e-7 if exact else 0.02)


def test_bootstrap_counts_samples_that_cannot_be_fitted(rotation):
    few = rotation[rotation["patient"].isin(rotation["patient"].unique()[:8])]
    frame = few.assign(helped=few["patient"].isin(["P003", "P004"]).astype(int))
    result = fit_rate(frame, covariates="helped").bootstrap(300, seed=2)
    # all or none of 8 draws from the two helped patients: (6/8)^8 + (2/8)^8 = 0.100 (arithmetic)
    lost = 300 - result.covariates["replicates"][0]
    assert lost == pytest.approx(300 * 0.1001, abs=18)


def test_zero_patient_variance_keeps_to_the_number_of_patients():
    """Patients made alike: rows are no longer counted as independent evidence."""
    from outcomes.simulate import simulate_rates

    found = 0
    for seed in range(12):
        fit = fit_rate(simulate_rates(4, seed=seed, patient_sd=0.0), group=None)
        if fit.mixed.psi[0, 0] == 0:
            found += 1
            assert fit.rates["df"][0] == 3
            assert any("kept to the degrees of freedom" in note for note in fit.notes)
    assert found >= 3


# --------------------------------------------------- likelihood-ratio tests use one pair of models


def _with_sex(seed):
    frame = simulate_rates(8, seed=seed, teeth_per_patient=3, tooth_sd=0.3, residual_sd=0.4)
    sex = np.resize(["f", "m"], frame["patient"].nunique())
    return frame.assign(sex=sex[pd.factorize(frame["patient"])[0]])


def test_likelihood_ratio_tests_have_the_tooth_level_in_both_fits_or_in_none():
    """Small cohorts in which the tooth level drops out of one fit are not refused."""

    levels = set()
    for seed in range(60):
        frame = _with_sex(seed)
        smaller = fit_rate(frame, group=None)
        larger = fit_rate(frame, group=None, covariates="sex")
        test = likelihood_ratio_test(smaller, larger)
        levels.add((smaller.tooth_level, larger.tooth_level))
        fits = [
            fit_mixed(f.design.blocks(site=bool(test["tooth_level"])), reml=False)
            for f in (smaller, larger)
        ]
        assert test["log_likelihood_smaller"] == pytest.approx(fits[0].log_likelihood, abs=1e-8)
        assert test["log_likelihood_larger"] == pytest.approx(fits[1].log_likelihood, abs=1e-8)
        assert test["chisq"] == pytest.approx(
            2 * (fits[1].log_likelihood - fits[0].log_likelihood), abs=1e-6
        )
    assert len(levels) > 1  # some fits of these lost the level, some did not


def test_likelihood_ratio_tests_refuse_other_random_effects(rotation):
    smaller = fit_rate(rotation)
    with pytest.raises(CannotAnswer, match="tooth level"):
        likelihood_ratio_test(smaller, fit_rate(rotation, covariates="attachment", site=False))
    with pytest.raises(CannotAnswer, match="varies_by"):
        likelihood_ratio_test(
            smaller, fit_rate(rotation, covariates="attachment", varies_by="course")
        )
