"""The mixed-model core against R and statsmodels, and on designs that could break it.

Outside values: tests/reference/reference.json, made by reference.R with lme4 1.1-31,
lmerTest 3.1-3, emmeans 1.8.4-1 and performance 0.10.2 (versions in the file). Data sources in
tests/reference/README.md.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.errors import ModelError
from outcomes.mixed.blocks import cross_products
from outcomes.mixed.fit import fit_mixed
from outcomes.mixed.likelihood import as_observed, evaluate, reweighted

REFERENCE = Path(__file__).parents[1] / "reference"
R = json.loads((REFERENCE / "reference.json").read_text())


def _codes(values):
    return pd.factorize(values)[0]


def _growth(slope):
    d = pd.read_csv(REFERENCE / "dental_growth.csv")
    one, age = np.ones(len(d)), d["age"].to_numpy(float)
    female = (d["Sex"] == "Female").to_numpy(float)
    x = [one, age, female, age * female] if slope else [one, age, female]
    z = [one, age] if slope else [one]
    return cross_products(
        np.stack(x, 1), d["distance"].to_numpy(float), np.stack(z, 1), _codes(d["Subject"])
    )


def _sleep():
    d = pd.read_csv(REFERENCE / "sleep_deprivation.csv")
    x = np.stack([np.ones(len(d)), d["Days"].to_numpy(float)], 1)
    return cross_products(x, d["Reaction"].to_numpy(float), x, _codes(d["Subject"]))


def _paste():
    d = pd.read_csv(REFERENCE / "paste_strength.csv")
    one = np.ones(len(d))
    return cross_products(
        one[:, None],
        d["strength"].to_numpy(float),
        one[:, None],
        _codes(d["batch"]),
        inner=_codes(d["cask"]),
        inner_z=one,
    )


BUILD = {
    "dental_growth_intercept": lambda: _growth(False),
    "dental_growth_slope": lambda: _growth(True),
    "sleep_deprivation": _sleep,
    "paste_strength_nested": _paste,
}


@pytest.mark.parametrize("name", BUILD)
def test_reproduces_lme4(name):
    fit, expected = fit_mixed(BUILD[name]()), R[name]
    eye = np.eye(len(fit.beta))
    assert fit.log_likelihood == pytest.approx(expected["loglik"], rel=1e-6)
    for j, term in enumerate(expected["fixed"]):
        assert fit.beta[j] == pytest.approx(term["estimate"], rel=1e-6)
        assert fit.standard_error(eye)[j] == pytest.approx(term["se"], rel=1e-6)
        assert fit.df(eye)[j] == pytest.approx(term["df_satterthwaite"], rel=1e-3)
    inner = [] if fit.inner_variance is None else [fit.inner_variance]  # lme4 has it first
    # lme4 stops at a relative step near 1e-7; the estimates above are held to 1e-6
    assert [*inner, *np.diag(fit.psi), fit.sigma2] == pytest.approx(
        [v["vcov"] for v in expected["variance"]], rel=1e-5, abs=1e-9
    )


def _random_design(rng, patients, sites, per_site, p, slope):
    """Nested design with unbalanced sizes; z is the first column times a plan-like number."""
    rows = []
    for i in range(patients):
        for s in range(rng.integers(1, sites + 1)):
            rows += [(i, s)] * int(rng.integers(1, per_site + 1))
    patient, site = np.array(rows).T
    n = len(rows)
    plan = rng.normal(0, 3, n)
    group = rng.integers(0, p, n)
    x = np.stack([np.where(group == g, plan, 0) for g in range(p)], 1)
    site_key = pd.factorize(patient * 1000 + site)[0]
    u, v = rng.normal(0, 0.2, patients), rng.normal(0, 0.15, site_key.max() + 1)
    y = (0.5 + u[patient] + v[site_key]) * plan + rng.normal(0, 1, n)
    z = np.stack([np.ones(n), plan], 1) if slope else plan[:, None]
    return x, y, z, plan, patient, site


@pytest.mark.parametrize("seed", range(6))
def test_agrees_with_statsmodels_on_random_nested_designs(seed):
    """Same model by statsmodels MixedLM: groups, one random slope and one variance component."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    rng = np.random.default_rng(seed)
    x, y, z, plan, patient, site = _random_design(rng, 25, 5, 4, 3, slope=False)
    ours = fit_mixed(cross_products(x, y, z, patient, inner=site, inner_z=plan))

    scale = plan.std()
    columns = {}
    for i in np.unique(patient):
        mine = patient == i
        block = np.zeros((mine.sum(), site[mine].max() + 1))
        block[np.arange(mine.sum()), site[mine]] = plan[mine] / scale
        columns[i] = block[:, block.any(0)]
    from statsmodels.regression.mixed_linear_model import VCSpec

    names = [list(map(str, range(columns[i].shape[1]))) for i in columns]
    spec = VCSpec(["tooth"], [names], [list(columns.values())])
    model = MixedLM(y, x / scale, patient, exog_re=z / scale, exog_vc=spec)
    theirs = model.fit(reml=True, method="lbfgs", maxiter=2000)
    # the log-likelihood of scaled columns differs by log|X'X| scaling: p log(scale)
    p = x.shape[1]
    assert ours.log_likelihood == pytest.approx(theirs.llf - p * np.log(scale), abs=2e-3)
    assert ours.log_likelihood >= theirs.llf - p * np.log(scale) - 1e-6
    np.testing.assert_allclose(ours.beta, theirs.fe_params / scale, atol=2e-4)
    np.testing.assert_allclose(
        np.sqrt(np.diag(ours.covariance)), theirs.bse_fe / scale, rtol=0.02, atol=1e-5
    )


def _dense_deviance(x, y, v_matrix, reml):
    """The textbook formula on the full n x n matrix (Searle, Casella & McCulloch 1992, from
    memory), with the residual variance profiled out."""
    n, p = x.shape
    inverse = np.linalg.inv(v_matrix)
    xvx = x.T @ inverse @ x
    beta = np.linalg.solve(xvx, x.T @ inverse @ y)
    r = y - x @ beta
    m = n - p if reml else n
    value = np.linalg.slogdet(v_matrix)[1] + m * (1 + np.log(2 * np.pi * (r @ inverse @ r) / m))
    return value + (np.linalg.slogdet(xvx)[1] if reml else 0.0)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**31),
    slope=st.booleans(),
    use_site=st.booleans(),
    reml=st.booleans(),
    theta=st.lists(st.floats(0.05, 3), min_size=3, max_size=3),
)
def test_deviance_and_gradient_equal_the_dense_formula(seed, slope, use_site, reml, theta):
    rng = np.random.default_rng(seed)
    x, y, z, plan, patient, site = _random_design(rng, 6, 3, 3, 2, slope)
    if np.linalg.matrix_rank(x) < 2 or len(y) < 6:
        return
    blocks = cross_products(
        x, y, z, patient, inner=site if use_site else None, inner_z=plan if use_site else None
    )
    t = np.array(theta[: blocks.parameters])
    at = evaluate(t[None], blocks, as_observed(blocks), reml=reml)

    zs = z / blocks.z_scale * t[: blocks.q]
    same_patient = patient[:, None] == patient[None]
    v_matrix = np.eye(len(y)) + same_patient * (zs @ zs.T)
    if use_site:
        same_site = same_patient & (site[:, None] == site[None])
        ps = plan / blocks.inner_scale
        v_matrix = v_matrix + same_site * t[-1] ** 2 * np.outer(ps, ps)
    dense = _dense_deviance(x / blocks.x_scale, y / blocks.y_scale, v_matrix, reml)
    assert at.deviance[0] == pytest.approx(dense, rel=1e-8, abs=1e-7)

    for j in range(len(t)):
        move = np.zeros(len(t))
        move[j] = 1e-6
        ends = evaluate(
            np.stack([t + move, t - move]), blocks, as_observed(blocks), reml=reml
        ).deviance
        slope_found = (ends[0] - ends[1]) / 2e-6
        assert at.gradient[0, j] == pytest.approx(slope_found, rel=1e-4, abs=1e-4)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**31))
def test_no_better_optimum_on_a_grid(seed):
    rng = np.random.default_rng(seed)
    x, y, z, plan, patient, site = _random_design(rng, 8, 4, 3, 2, slope=False)
    if np.linalg.matrix_rank(x) < 2:
        return
    blocks = cross_products(x, y, z, patient, inner=site, inner_z=plan)
    best = fit_mixed(blocks)
    level = np.concatenate([[0.0], np.geomspace(0.01, 20, 25)])
    grid = np.stack(np.meshgrid(level, level), -1).reshape(-1, 2)
    observed = as_observed(blocks)
    here = evaluate(best.theta[None], blocks, observed, reml=True).deviance[0]
    assert here <= evaluate(grid, blocks, observed, reml=True).deviance.min() + 1e-6


def test_weights_equal_copies_of_patients():
    """A patient with weight 2 counts as two patients with the same rows."""
    rng = np.random.default_rng(3)
    x, y, z, plan, patient, site = _random_design(rng, 7, 3, 3, 2, slope=True)
    blocks = cross_products(x, y, z, patient, inner=site, inner_z=plan)
    weights = np.array([[2, 0, 1, 3, 1, 1, 0.0]])
    theta = np.array([[0.6, 0.4, 0.5]])
    weighted = evaluate(theta, blocks, reweighted(blocks, weights), reml=True)

    rows, who = [], []
    for i, w in enumerate(weights[0]):
        for _ in range(int(w)):
            rows.append(np.flatnonzero(patient == i))
            who.append(np.full(len(rows[-1]), len(who)))
    rows, who = np.concatenate(rows), np.concatenate(who)
    copied = cross_products(x[rows], y[rows], z[rows], who, inner=site[rows], inner_z=plan[rows])
    # each set of rows has scales of its own: bring theta to the scales of the copies
    other = theta * [
        *copied.z_scale / blocks.z_scale,
        copied.inner_scale / blocks.inner_scale,
    ]
    copy = evaluate(other, copied, as_observed(copied), reml=True)
    np.testing.assert_allclose(
        (weighted.beta[0] + blocks.y_shift) * blocks.y_scale / blocks.x_scale,
        (copy.beta[0] + copied.y_shift) * copied.y_scale / copied.x_scale,
        rtol=1e-9,
    )
    np.testing.assert_allclose(
        weighted.r2 * blocks.y_scale**2, copy.r2 * copied.y_scale**2, rtol=1e-9
    )


def test_row_order_does_not_matter():
    rng = np.random.default_rng(4)
    x, y, z, plan, patient, site = _random_design(rng, 12, 4, 3, 2, slope=False)
    a = fit_mixed(cross_products(x, y, z, patient, inner=site, inner_z=plan))
    o = rng.permutation(len(y))
    b = fit_mixed(cross_products(x[o], y[o], z[o], patient[o], inner=site[o], inner_z=plan[o]))
    np.testing.assert_allclose(a.beta, b.beta, rtol=1e-9)
    assert a.log_likelihood == pytest.approx(b.log_likelihood, rel=1e-12)


def test_zero_patient_variance_is_returned_as_zero():
    """Patient means made exactly equal: the between-patient mean square is below expectation."""
    rng = np.random.default_rng(5)
    patient = np.repeat(np.arange(10), 6)
    plan = np.ones(60)
    y = rng.normal(0, 1, 60)
    y -= pd.Series(y).groupby(patient).transform("mean").to_numpy()
    fit = fit_mixed(cross_products(plan[:, None], y + 0.5, plan[:, None], patient))
    assert fit.psi[0, 0] == 0
    assert fit.singular
    # then the model is ordinary least squares: 59 degrees of freedom, se = sd / sqrt(n)
    assert fit.df(np.eye(1))[0] == pytest.approx(59, rel=1e-6)
    assert fit.standard_error(np.eye(1))[0] == pytest.approx((y + 0.5).std(ddof=1) / 60**0.5)


def test_balanced_one_way_layout_equals_the_analysis_of_variance():
    """Patient means: se^2 = MSB/(Jn) on J - 1 df (Snedecor & Cochran, from memory)."""
    rng = np.random.default_rng(6)
    patient = np.repeat(np.arange(12), 5)
    y = rng.normal(0, 1, 12)[patient] + rng.normal(0, 1, 60)
    one = np.ones((60, 1))
    fit = fit_mixed(cross_products(one, y, one, patient))
    means = pd.Series(y).groupby(patient).mean()
    assert fit.beta[0] == pytest.approx(y.mean())
    assert fit.standard_error(np.eye(1))[0] == pytest.approx(means.std() / 12**0.5, rel=1e-6)
    assert fit.df(np.eye(1))[0] == pytest.approx(11, rel=1e-5)


def test_aliased_columns_are_named():
    rng = np.random.default_rng(7)
    x = rng.normal(size=(30, 2))
    x = np.column_stack([x, x.sum(1), np.zeros(30)])
    with pytest.raises(ModelError, match=r"Aliased columns: total, empty"):
        cross_products(
            x,
            rng.normal(size=30),
            x[:, :1],
            np.repeat(np.arange(6), 5),
            names=("a", "b", "total", "empty"),
        )


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda x, y, z: y.__setitem__(0, np.nan), "y holds missing"),
        (lambda x, y, z: x.__setitem__((0, 0), np.inf), "x holds missing"),
        (lambda x, y, z: y.__setitem__(slice(None), 0.4 * x[:, 0]), "explain the response exactly"),
    ],
)
def test_clear_errors(change, match):
    rng = np.random.default_rng(8)
    x = rng.normal(size=(20, 1))
    y, z = rng.normal(size=20), x.copy()
    change(x, y, z)
    with pytest.raises(ModelError, match=match):
        fit_mixed(cross_products(x, y, z, np.repeat(np.arange(4), 5)))


@pytest.mark.parametrize("factor", [1e-6, 1e6])
def test_units_do_not_matter(factor):
    rng = np.random.default_rng(9)
    x, y, z, plan, patient, site = _random_design(rng, 15, 4, 3, 2, slope=False)
    a = fit_mixed(cross_products(x, y, z, patient, inner=site, inner_z=plan))
    b = fit_mixed(
        cross_products(
            x * factor, y * factor, z * factor, patient, inner=site, inner_z=plan * factor
        )
    )
    np.testing.assert_allclose(a.beta, b.beta, rtol=1e-7)
    np.testing.assert_allclose(a.df(np.eye(2)), b.df(np.eye(2)), rtol=1e-4)
    assert b.sigma2 == pytest.approx(a.sigma2 * factor**2, rel=1e-6)
