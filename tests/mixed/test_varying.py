"""Rates that vary within patients, and cluster-robust covariances.

Outside values: tests/reference/varying.json, made by varying.R with lme4 1.1.31, lmerTest 3.1.3 and
clubSandwich 0.5.8 (versions in the file) on varying_cohort.csv, invented by make_varying.py.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes import fit_rate
from outcomes.errors import CannotAnswer
from outcomes.mixed.cluster import ClusterRobust
from outcomes.mixed.fit import at_optimum
from outcomes.mixed.likelihood import as_observed, evaluate
from outcomes.rates.design import rate_design
from outcomes.simulate import simulate_rates

REFERENCE = Path(__file__).parents[1] / "reference"
R = json.loads((REFERENCE / "varying.json").read_text())
FACTORS = {
    "course": ("course",),
    "direction": ("direction",),
    "tooth_class": ("tooth_class",),
    "all": ("course", "direction", "tooth_class"),
}
CONTRAST = np.array([1.0, 0.0, 0.0, -1.0])


@pytest.fixture(scope="module")
def cohort():
    return pd.read_csv(REFERENCE / "varying_cohort.csv")


@pytest.mark.parametrize("name", FACTORS)
def test_reproduces_lmer(cohort, name):
    fit, expected = fit_rate(cohort, "rotation", varies_by=FACTORS[name]), R[name]
    assert fit.log_likelihood == pytest.approx(expected["loglik"], abs=2e-6)
    np.testing.assert_allclose(fit.rates["rate"], expected["estimate"], rtol=2e-5)
    np.testing.assert_allclose(fit.rates["se"], expected["se"], rtol=2e-5)
    variance = (fit.variance.set_index("component")["sd"] ** 2).to_dict()
    for theirs, value in expected["variance"].items():
        ours = {"patient": "patient", "site": "tooth", "Residual": "residual"}.get(
            theirs, theirs.replace("p_", "patient x ")
        )
        # lme4 stops within a relative step of its own tolerance
        assert variance[ours] == pytest.approx(value, rel=1e-3, abs=1e-7)
    effects = fit.patient_effects.set_index("patient")["effect"]
    for row in expected["patient"]:
        assert effects[row["patient"]] == pytest.approx(row["effect"], abs=2e-5)


@pytest.mark.parametrize("name", ["course", "direction"])
def test_degrees_of_freedom_are_those_of_lmertest(cohort, name):
    """Where no variance is zero; at zero lmerTest differentiates past the boundary."""
    fit, expected = fit_rate(cohort, "rotation", varies_by=FACTORS[name]), R[name]
    assert expected["variance"]["patient"] > 0
    np.testing.assert_allclose(fit.rates["df"], expected["df"], rtol=2e-3)
    found = fit.contrast_table(CONTRAST, covariance="model").iloc[0]
    for key in ("estimate", "se", "df"):
        assert found[key] == pytest.approx(expected["contrast"][key], rel=2e-3)


def _covariance(design, blocks, theta):
    """The n x n covariance of the rows over sigma2, from its definition."""
    z = design.effect_columns / blocks.z_scale
    same_patient = design.patient[:, None] == design.patient
    v = np.eye(len(z)) + same_patient * ((z * theta[list(design.variances)] ** 2) @ z.T)
    if blocks.has_inner:
        same_site = design.site_row[:, None] == design.site_row
        plan = design.planned / blocks.inner_scale
        v += same_site * theta[-1] ** 2 * np.outer(plan, plan)
    return v


@settings(max_examples=25, deadline=None)
@given(
    st.integers(0, 10**6),
    st.lists(st.sampled_from(["course", "direction", "tooth_class"]), unique=True, min_size=1),
    st.booleans(),
    st.lists(st.floats(0, 2), min_size=5, max_size=5),
)
def test_likelihood_and_gradient_are_the_textbook_ones(seed, factors, site, point):
    """Searle, Casella & McCulloch, Variance Components, 1992, section 6.6 (from memory)."""
    frame = simulate_rates(4, seed=seed, teeth_per_patient=4, rows_per_tooth=3)
    design = rate_design(frame, None, group=None, covariates=(), intercept=True, varies_by=factors)
    blocks = design.blocks(site=site)
    theta = np.array(point[: blocks.parameters])
    x, y = design.x / blocks.x_scale, design.achieved / blocks.y_scale

    def deviance(at):
        v = _covariance(design, blocks, at)
        inverse = np.linalg.inv(v)
        gram = x.T @ inverse @ x
        rest = y - x @ np.linalg.solve(gram, x.T @ inverse @ y)
        m = len(y) - x.shape[1]
        return (
            np.linalg.slogdet(v)[1]
            + np.linalg.slogdet(gram)[1]
            + m * (1 + np.log(2 * np.pi * (rest @ inverse @ rest) / m))
        )

    e = evaluate(theta[None], blocks, as_observed(blocks), reml=True)
    assert e.deviance[0] == pytest.approx(deviance(theta), abs=1e-6)
    step = 1e-5
    for j in range(blocks.parameters):
        move = step * (np.arange(len(theta)) == j)
        slope = (deviance(theta + move) - deviance(theta - move)) / (2 * step)
        assert e.gradient[0, j] == pytest.approx(slope, abs=2e-4 * max(1, abs(slope)))


def test_predictions_of_known_patients_are_those_of_the_whole_covariance(cohort):
    """Best linear unbiased prediction from the n x n covariance (Robinson, Stat Sci 1991;6:15-32)."""
    fit = fit_rate(cohort, "rotation", varies_by=FACTORS["all"])
    design, m = fit.design, fit.mixed
    new = pd.DataFrame(
        {
            "patient": ["P001", "P001", "P001", "P999", "P002"],
            "tooth": [12, 12, 47, 12, 31],
            "tooth_class": ["incisor", "incisor", "molar", "incisor", "incisor"],
            "course": [1, 4, 2, 1, 2],
            "direction": ["negative", "positive", "negative", "negative", "positive"],
            "planned": [-3.0, 2.0, -5.0, -4.0, 6.0],
        }
    )
    found = fit.predict(new)
    sd = fit.variance.set_index("component")["sd"]
    factors = ["patient x course", "patient x direction", "patient x tooth_class"]
    columns = ["course", "direction", "tooth_class"]

    def covariance(a, b):
        """Of achieved in two frames, without measurement."""
        same = np.equal.outer(a["patient"].to_numpy(), b["patient"].to_numpy())
        rate = same * sd["patient"] ** 2
        for name, column in zip(factors, columns, strict=True):
            alike = np.equal.outer(
                a[column].astype(str).to_numpy(), b[column].astype(str).to_numpy()
            )
            rate = rate + (same & alike) * sd[name] ** 2
        tooth = np.equal.outer(a["tooth"].to_numpy(), b["tooth"].to_numpy())
        rate = rate + (same & tooth) * sd["tooth"] ** 2
        return rate * np.outer(a["planned"], b["planned"])

    used = cohort.loc[design.index]
    inverse = np.linalg.inv(covariance(used, used) + m.sigma2 * np.eye(len(used)))
    cross = covariance(new, used)
    x_new = np.zeros((len(new), 4))
    x_new[np.arange(5), [design.groups.index(c) for c in new["tooth_class"]]] = new["planned"]
    expected = x_new @ m.beta + cross @ inverse @ (design.achieved - design.x @ m.beta)
    np.testing.assert_allclose(found["expected"], expected, rtol=1e-6)
    loading = x_new - cross @ inverse @ design.x
    variance = (
        np.diag(covariance(new, new))
        + m.sigma2
        - np.einsum("ij,jk,ik->i", cross, inverse, cross)
        + np.einsum("ij,jk,ik->i", loading, m.covariance, loading)
    )
    np.testing.assert_allclose(found["sd"], np.sqrt(variance), rtol=1e-6)


def test_fitted_values_hold_the_effects_within_patients(cohort):
    fit = fit_rate(cohort, "rotation", varies_by="course")
    within = fit.varying_effects.set_index(["patient", "level"])["effect"]
    effects = fit.patient_effects.set_index("patient")["effect"]
    teeth = fit.site_effects.set_index(["patient", "tooth"])["effect"]
    row = fit.data.iloc[7]
    course = str(cohort.loc[row.name, "course"])
    rate = effects[row["patient"]] + within[row["patient"], course]
    rate += teeth[row["patient"], row["tooth"]]
    assert row["fitted"] == pytest.approx(row["fixed"] + rate * row["planned"])


def test_a_factor_that_does_not_vary_within_patients_is_refused(cohort):
    with pytest.raises(CannotAnswer, match="no patient has rows of more than one clinician"):
        fit_rate(cohort.assign(clinician=cohort["patient"]), "rotation", varies_by="clinician")


def test_bootstraps_and_influence_know_the_effects_within_patients(cohort):
    fit = fit_rate(cohort, "rotation", varies_by="course")
    for kind in ("patient", "parametric"):
        assert fit.bootstrap(100, kind=kind, seed=1).rates["se"].between(0.02, 0.12).all()
    without = fit.influence()
    one = without[(without["patient"] == "P003") & (without["group"] == "incisor")]["rate"].iloc[0]
    again = fit_rate(cohort[cohort["patient"] != "P003"], "rotation", varies_by="course")
    assert one == pytest.approx(again.rates["rate"].iloc[0], abs=1e-4)


# ----------------------------------------------------------------------------- cluster-robust


def test_cr2_of_independent_rows_is_that_of_clubsandwich(cohort):
    design = rate_design(cohort, None, group="tooth_class", covariates=(), intercept=False)
    blocks = design.blocks(site=False)
    robust = ClusterRobust(at_optimum(blocks, np.zeros(1), reml=True))
    expected = R["cr2_independent"]
    np.testing.assert_allclose(robust.standard_error(np.eye(4)), expected["se"], rtol=1e-8)
    np.testing.assert_allclose(robust.df(np.eye(4)), expected["df"], rtol=1e-8)
    assert robust.standard_error(CONTRAST)[0] == pytest.approx(expected["contrast_se"], rel=1e-8)
    assert robust.df(CONTRAST)[0] == pytest.approx(expected["contrast_df"], rel=1e-8)


def test_cr2_of_a_mixed_model_is_near_the_other_root_of_its_equation(cohort):
    robust = ClusterRobust(fit_rate(cohort, "rotation").mixed)
    np.testing.assert_allclose(robust.standard_error(np.eye(4)), R["cr2_mixed"]["se"], rtol=0.03)


@pytest.mark.parametrize("factors", [(), ("course",), ("course", "tooth_class")])
def test_cr2_is_the_dense_formula(factors):
    """Bell & McCaffrey 2002 on the rows themselves, with the symmetric root of V_p."""
    frame = simulate_rates(6, seed=3, teeth_per_patient=5, rows_per_tooth=2)
    fit = fit_rate(frame, varies_by=factors)
    design, m = fit.design, fit.mixed
    v = _covariance(design, m.blocks, m.theta) * m.sigma2
    x, n = design.x, len(design.planned)
    inverse = np.linalg.inv(v)
    bread = np.linalg.inv(x.T @ inverse @ x)
    residual = design.achieved - x @ m.beta
    hat = np.eye(n) - x @ bread @ x.T @ inverse

    def power(a, exponent):
        values, vectors = np.linalg.eigh(a)
        kept = values > 1e-9
        return (vectors[:, kept] * values[kept] ** exponent) @ vectors[:, kept].T

    contrasts = np.vstack([np.eye(4), CONTRAST])
    for row, contrast in enumerate(contrasts):
        total, parts = 0.0, []
        for patient in range(6):
            mine = design.patient == patient
            root, back = power(v[np.ix_(mine, mine)], 0.5), power(v[np.ix_(mine, mine)], -0.5)
            u = back @ x[mine]
            adjust = root @ power(np.eye(mine.sum()) - u @ bread @ u.T, -0.5) @ back
            loading = contrast @ bread @ x[mine].T @ inverse[np.ix_(mine, mine)] @ adjust
            total += (loading @ residual[mine]) ** 2
            parts.append(loading @ hat[mine])
        moments = np.array(parts) @ v @ np.array(parts).T
        df = np.trace(moments) ** 2 / (moments**2).sum()
        robust = ClusterRobust(m)
        assert robust.standard_error(contrasts)[row] ** 2 == pytest.approx(total, rel=1e-8)
        assert robust.df(contrasts)[row] == pytest.approx(df, rel=1e-8)
        # unbiased when the model is right: the reason for the adjustment
        assert np.trace(moments) == pytest.approx(contrast @ bread @ contrast, rel=1e-8)


def test_contributions_of_patients_add_up(cohort):
    fit = fit_rate(cohort, "rotation", varies_by="course").mixed
    parts = fit.shares.c
    p = fit.blocks.p
    whole = np.linalg.inv(parts.sum(0)[:p, :p])
    unit = fit.blocks.y_scale / fit.blocks.x_scale
    scaled = fit.sigma2 / fit.blocks.y_scale**2 * whole * np.outer(unit, unit)
    np.testing.assert_allclose(scaled, fit.covariance, rtol=1e-9)


def test_comparisons_are_cluster_robust_unless_asked_otherwise(cohort):
    fit = fit_rate(cohort, "rotation", covariates="direction")
    robust = ClusterRobust(fit.mixed)
    last = np.eye(5)[-1]
    assert fit.covariates["se"].iloc[0] == pytest.approx(robust.standard_error(last)[0])
    assert fit.covariates["df"].iloc[0] == pytest.approx(robust.df(last)[0])
    pairs = fit.contrasts()
    first = robust.standard_error(np.array([1.0, -1, 0, 0, 0]))[0]
    assert pairs["se"].iloc[0] == pytest.approx(first)
    assert fit.rates["se"].iloc[0] == pytest.approx(fit.mixed.standard_error(np.eye(5)[0])[0])
    model = fit_rate(cohort, "rotation", covariates="direction", covariance="model")
    assert model.covariates["se"].iloc[0] == pytest.approx(model.mixed.standard_error(last)[0])
    whole = fit_rate(cohort, "rotation", covariance="CR2")
    assert whole.rates["se"].iloc[0] == pytest.approx(
        ClusterRobust(whole.mixed).standard_error(np.eye(4)[0])[0]
    )
    with pytest.raises(CannotAnswer, match="covariance"):
        fit_rate(cohort, "rotation", covariance="HC3")


def test_what_one_patient_alone_tells_has_no_robust_variance(cohort):
    """The effect of that patient would be taken for the covariate, with hardly an error."""
    only = cohort.assign(new=(cohort["patient"] == "P004").astype(int))
    fit = fit_rate(only, "rotation", covariates="new")
    robust, last = ClusterRobust(fit.mixed), np.eye(5)[-1]
    assert robust.rests_on_single_groups(last)[0]
    assert not robust.rests_on_single_groups(np.eye(5)[:4]).any()
    assert robust.standard_error(last)[0] < 0.5 * fit.mixed.standard_error(last)[0]
    assert fit.covariates["se"].iloc[0] == pytest.approx(fit.mixed.standard_error(last)[0])
    assert fit.covariates["df"].iloc[0] <= 1
    two = cohort.assign(new=cohort["patient"].isin(["P004", "P005"]).astype(int))
    assert not ClusterRobust(
        fit_rate(two, "rotation", covariates="new").mixed
    ).rests_on_single_groups(last)[0]


def test_statsmodels_gives_the_same_variances(cohort):
    ours = fit_rate(cohort, "rotation", varies_by="course")
    theirs = fit_rate(cohort, "rotation", varies_by="course", engine="statsmodels")
    assert theirs.log_likelihood == pytest.approx(ours.log_likelihood, abs=1e-4)
    np.testing.assert_allclose(theirs.variance["sd"], ours.variance["sd"], atol=2e-3)
    np.testing.assert_allclose(theirs.rates["se"], ours.rates["se"], rtol=0.02)
