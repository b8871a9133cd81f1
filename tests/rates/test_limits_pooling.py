"""Pooling against plain loops over tau, and the table of single teeth by hand."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.errors import CannotAnswer
from outcomes.rates.fit import fit_rate
from outcomes.rates.intervals import degrees_of_freedom
from outcomes.rates.pooling import LARGEST_SD, pool, tooth_rates
from outcomes.simulate import simulate_rates


def by_loops(b, v, code, largest):
    """tau by tau: restricted likelihood from contrasts, conditional mean from the joint normal."""
    w = np.eye(code.max() + 1)[code]
    full, _ = np.linalg.qr(w, mode="complete")
    k = full[:, w.shape[1] :]
    taus = np.linspace(0, largest, 161)
    likelihood, theta, theta_v, mu, mu_v, own = [], [], [], [], [], []
    for tau in taus:
        total = v + tau**2 * np.eye(len(b))
        likelihood.append(
            stats.multivariate_normal.logpdf(k.T @ b, np.zeros(k.shape[1]), k.T @ total @ k)
        )
        solve = np.linalg.inv(total)
        mean_v = np.linalg.inv(w.T @ solve @ w)
        mean = mean_v @ w.T @ solve @ b
        gain = tau**2 * solve
        theta.append(w @ mean + gain @ (b - w @ mean))
        left = (np.eye(len(b)) - gain) @ w
        theta_v.append(tau**2 * np.eye(len(b)) - tau**2 * gain + left @ mean_v @ left.T)
        mu.append(mean)
        mu_v.append(mean_v)
        own.append(np.diag(gain))
    weight = np.exp(np.array(likelihood) - max(likelihood))
    weight[0] /= 2
    weight[-1] /= 2
    weight /= weight.sum()

    def mixed(means, variances):
        middle = sum(s * m for s, m in zip(weight, means, strict=True))
        spread = sum(
            s * (c + np.outer(m - middle, m - middle))
            for s, m, c in zip(weight, means, variances, strict=True)
        )
        return middle, spread

    return {
        "estimate": mixed(theta, theta_v)[0],
        "covariance": mixed(theta, theta_v)[1],
        "class_estimate": mixed(mu, mu_v)[0],
        "class_covariance": mixed(mu, mu_v)[1],
        "own": weight @ np.array(own),
        "between_sd": weight @ taus,
        "between_variance": weight @ taus**2,
        "between_sd_reml": taus[np.argmax(likelihood)],
    }


@pytest.mark.parametrize("largest", [0.5, 0.2])
def test_every_number_is_that_of_plain_loops(largest):
    rng = np.random.default_rng(4)
    code = np.array([0, 0, 0, 1, 1, 1, 1])
    root = rng.normal(size=(7, 7)) * 0.05
    v = root @ root.T + 0.004 * np.eye(7)
    b = rng.normal(0.5, 0.15, 7)
    pooled = pool(b, v, code, largest_sd=largest)
    for name, value in by_loops(b, v, code, largest).items():
        np.testing.assert_allclose(
            getattr(pooled, name), value, rtol=1e-9, atol=1e-12, err_msg=name
        )
    np.testing.assert_allclose(pooled.weights @ b, pooled.estimate, rtol=1e-12)
    np.testing.assert_allclose(pooled.class_weights @ b, pooled.class_estimate, rtol=1e-12)


def test_the_largest_spread_considered_by_default():
    b, v = np.array([-3.0, 0.0, 3.0]), np.full(3, 0.01)
    assert LARGEST_SD == 0.5
    assert pool(b, v, [0, 0, 0]).between_sd_reml == 0.5


@pytest.mark.parametrize(
    ("v", "classes", "words"),
    [
        (np.array([1.0, 1.0, 0.0]), [0, 0, 0], "Every estimate needs a positive variance."),
        (np.ones(2), [0, 0, 0], "must agree in length"),
        (np.ones((3, 2)), [0, 0, 0], "must agree in length"),
        (np.ones(3), [0, 0, 0, 0], "must agree in length"),
    ],
)
def test_refusals(v, classes, words):
    with pytest.raises(ValueError, match=words):
        pool([0.5, 0.4, 0.3], v, classes)


@pytest.fixture(scope="module")
def fit():
    return fit_rate(simulate_rates(9, seed=2, teeth_per_patient=7), group="tooth", level=0.9)


def test_the_table_of_teeth_by_hand(fit):
    found = tooth_rates(fit)
    table, g = found.rates, len(fit.groups)
    classes = {1: "incisor", 2: "incisor", 3: "canine", 4: "premolar", 5: "premolar"}
    names = [classes.get(tooth % 10, "molar") for tooth in table["tooth"]]
    assert table["tooth_class"].tolist() == names
    assert table["group"].tolist() == [str(tooth) for tooth in table["tooth"]]
    code = pd.factorize(pd.Series(names))[0]
    pooled = pool(fit.mixed.beta[:g], fit.mixed.covariance[:g, :g], code)
    np.testing.assert_allclose(table["rate"], pooled.estimate)
    np.testing.assert_allclose(table["own_rate"], fit.rates["rate"])
    np.testing.assert_allclose(table["own_weight"], pooled.own)
    np.testing.assert_allclose(table["se"], np.sqrt(np.diag(pooled.covariance)))
    half = stats.t.ppf(0.95, table["df"]) * table["se"]  # level 0.9
    np.testing.assert_allclose(table["low"], table["rate"] - half)
    np.testing.assert_allclose(table["high"], table["rate"] + half)
    np.testing.assert_allclose(
        table["df"], degrees_of_freedom(fit.mixed, fit.design, pooled.weights)
    )
    rows = fit.data.assign(name=np.array(names)[fit.design.group_code])
    people = rows.groupby("name")["patient"].nunique()
    assert table["class_patients"].tolist() == people.reindex(names).tolist()
    assert table["patients"].tolist() == fit.rates["patients"].tolist()
    kinds = found.classes.set_index("tooth_class")
    assert kinds["teeth"].to_dict() == pd.Series(names).value_counts().to_dict()
    assert kinds["patients"].to_dict() == people.to_dict()
    np.testing.assert_allclose(kinds["rate"], pooled.class_estimate)
    wider = np.diag(pooled.class_covariance) + pooled.between_variance
    np.testing.assert_allclose(kinds["se"], np.sqrt(wider))
    np.testing.assert_allclose(
        kinds["df"], degrees_of_freedom(fit.mixed, fit.design, pooled.class_weights)
    )
    assert found.between_sd == pooled.between_sd


def test_classes_by_arch(fit):
    names = tooth_rates(fit, towards=["arch", "tooth_class"]).rates["tooth_class"]
    assert set(names) <= {
        f"{a} {c}" for a in ("upper", "lower") for c in ("incisor", "canine", "premolar", "molar")
    }
    assert tooth_rates(fit, towards="arch").classes["tooth_class"].isin(["upper", "lower"]).all()


def test_covariates_do_not_enter_the_pooling():
    fit = fit_rate(
        simulate_rates(9, seed=2, teeth_per_patient=7, attachment_effect=0.1),
        group="tooth",
        covariates="attachment",
    )
    g = len(fit.groups)
    assert len(fit.mixed.beta) > g
    table = tooth_rates(fit).rates
    assert len(table) == g
    np.testing.assert_allclose(table["own_rate"], fit.mixed.beta[:g])
    assert np.isfinite(table["df"]).all()


@pytest.mark.parametrize("group", ["tooth_class", ["tooth_class", "tooth"], None])
def test_a_fit_that_is_not_by_tooth_is_refused(group):
    fit = fit_rate(simulate_rates(6, seed=1, teeth_per_patient=4), group=group)
    with pytest.raises(CannotAnswer) as error:
        tooth_rates(fit)
    assert str(error.value) == (
        'Single-tooth rates need a fit by tooth: fit_rate(..., group="tooth"), or a list of columns '
        "that begins with tooth."
    )
