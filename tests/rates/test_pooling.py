"""Partial pooling: published schools, a dense formula, limits, and gain on simulated teeth."""

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

from outcomes.rates.fit import fit_rate
from outcomes.rates.pooling import pool, tooth_rates
from outcomes.simulate import simulate_rates

# Rubin, J Educ Stat 1981;6:377-401: coaching effects in eight schools and their standard errors
EFFECT = np.array([28, 8, -3, 7, -1, 1, 18, 12.0])
SE = np.array([15, 10, 16, 11, 9, 11, 10, 18.0])


def test_eight_schools():
    """Posterior means with a flat prior on tau: 11.4, 7.9, 6.2, 7.7, 5.1, 6.1, 10.5, 8.4; mean of
    tau 6.6, of mu 7.9 (from memory; published runs differ in the first decimal)."""
    pooled = pool(EFFECT, SE**2, [0] * 8, largest_sd=100)
    expected = [11.4, 7.9, 6.2, 7.7, 5.1, 6.1, 10.5, 8.4]
    assert pooled.estimate == pytest.approx(expected, abs=0.35)
    assert pooled.class_estimate[0] == pytest.approx(7.9, abs=0.2)
    assert pooled.between_sd == pytest.approx(6.6, abs=0.4)
    assert pooled.between_sd_reml < 0.7  # the famous zero: the grid's step


def test_between_sd_is_the_optimum_of_the_dense_restricted_likelihood():
    rng = np.random.default_rng(3)
    classes = np.repeat([0, 1, 2], [6, 5, 9])
    root = rng.normal(size=(20, 20)) * 0.02
    v = root @ root.T + 0.001 * np.eye(20)
    truth = np.array([0.6, 0.5, 0.4])[classes] + 0.15 * rng.normal(size=20)
    b = rng.multivariate_normal(truth, v)
    w = np.eye(3)[classes]

    def deviance(tau):
        # residual contrasts: the restricted likelihood is that of any full set of them
        full, _ = np.linalg.qr(w, mode="complete")
        k = full[:, 3:]
        return -stats.multivariate_normal.logpdf(
            k.T @ b, np.zeros(17), k.T @ (v + tau**2 * np.eye(20)) @ k
        )

    best = optimize.minimize_scalar(deviance, bounds=(0, 0.5), method="bounded").x
    assert pool(b, v, classes).between_sd_reml == pytest.approx(best, abs=0.5 / 160)


def test_given_tau_the_estimate_is_the_conditional_mean_of_the_joint_normal():
    """Flat prior on the class means as a wide normal one; conditioning by scipy-free algebra."""
    rng = np.random.default_rng(5)
    classes = np.array([0, 0, 0, 1, 1])
    root = rng.normal(size=(5, 5)) * 0.1
    v, b, tau = root @ root.T + 0.01 * np.eye(5), rng.normal(0.5, 0.2, 5), 0.2
    w = np.eye(2)[classes]
    prior = w @ (1e6 * np.eye(2)) @ w.T + tau**2 * np.eye(5)
    mean = prior @ np.linalg.solve(prior + v, b)
    covariance = prior - prior @ np.linalg.solve(prior + v, prior)
    narrow = pool(b, v, classes, largest_sd=tau)
    # with tau held in [0, tau] the mixture must lie between tau = 0 and tau
    zero = w @ np.linalg.solve(w.T @ np.linalg.solve(v, w), w.T @ np.linalg.solve(v, b))
    between = (narrow.estimate - zero) / (mean - zero)
    assert ((between > 0) & (between < 1)).all()
    assert (np.diag(narrow.covariance) < 1.5 * np.diag(covariance)).all()


def test_limits_no_information_and_full_information():
    b = np.array([0.2, 0.5, 0.8, 0.5, 0.3, 0.7])
    sure = pool(b, np.full(6, 1e-8), [0] * 6)
    assert sure.estimate == pytest.approx(b, abs=1e-4)
    assert sure.own == pytest.approx(np.ones(6), abs=1e-3)
    vague = pool(b, np.full(6, 100.0), [0] * 6)
    assert vague.estimate == pytest.approx(np.full(6, b.mean()), abs=1e-2)
    assert (vague.own < 0.01).all()


def test_a_tooth_with_few_records_borrows_more():
    b, v = np.array([0.2, 0.6, 0.62, 0.58, 0.61]), np.array([0.04, 0.001, 0.001, 0.001, 0.001])
    pooled = pool(b, v, [0] * 5)
    assert pooled.own[0] == pooled.own.min()
    assert pooled.estimate[0] > 0.45


def test_a_second_grouping_column_makes_classes_of_its_own():
    rows = simulate_rates(15, seed=4)
    fit = fit_rate(rows, group=["tooth", "direction"])
    pooled = tooth_rates(fit)
    assert set(pooled.classes["tooth_class"]) >= {"incisor positive", "incisor negative"}
    assert len(pooled.rates) == len(fit.groups)


def made(seed: int) -> tuple[pd.DataFrame, dict[int, float]]:
    """Teeth that differ within their class by 0.12 SD; few records for each."""
    rng = np.random.default_rng(seed)
    rows = simulate_rates(
        10, seed=rng, movement="rotation", rates=0.5, teeth_per_patient=10, effects=True
    )
    own = {int(t): 0.12 * rng.standard_normal() for t in np.unique(rows["tooth"])}
    shift = rows["tooth"].map(own)
    rows["achieved"] += shift * rows["planned"]
    return rows, {t: 0.5 + v for t, v in own.items()}


def test_pooled_rates_are_nearer_the_truth_and_their_intervals_cover():
    """30 practices of 10 patients: smaller error than raw rates; 95 % intervals near 95 %."""
    raw_error, error, covered = [], [], []
    for seed in range(30):
        rows, truth = made(seed)
        fit = fit_rate(rows, group="tooth")
        table = tooth_rates(fit).rates
        real = table["tooth"].map(truth).to_numpy()
        raw_error.append(np.mean((table["own_rate"] - real) ** 2))
        error.append(np.mean((table["rate"] - real) ** 2))
        covered.append(np.mean((table["low"] <= real) & (real <= table["high"])))
    better = np.array(error) < np.array(raw_error)
    assert better.mean() > 0.9  # by chance alone 0.5, with a standard error of 0.09
    assert np.median(error) < 0.7 * np.median(raw_error)
    assert np.mean(covered) == pytest.approx(0.95, abs=0.03)
