"""Fieller's interval: against its definition on a grid, the t interval, and simulation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from outcomes.overcorrect.rules import fieller, fieller_reciprocal

number = st.floats(-3, 3).filter(lambda v: abs(v) > 0.01)
spread = st.floats(0.01, 1.5)


@given(number, number, spread, spread, st.floats(-0.95, 0.95), st.floats(3, 60))
def test_holds_exactly_the_ratios_the_estimates_do_not_contradict(a, b, sa, sb, r, df):
    """The definition: |a - f b| <= t se(a - f b), for any f (Fieller 1954)."""
    cov = r * sa * sb
    interval = fieller(a, b, variances=(sa**2, sb**2), covariance=cov, df=df)
    t = stats.t.ppf(0.975, df)
    for f in np.tan(np.linspace(-1.57, 1.57, 401)):
        se = np.sqrt(sa**2 - 2 * f * cov + f**2 * sb**2)
        gap = abs(a - f * b) - t * se
        if abs(gap) > 1e-6 * (1 + abs(f)):  # not on the very limit
            assert interval.contains(f) == (gap < 0)


@pytest.mark.parametrize(("rate", "se", "df"), [(0.5, 0.05, 9), (0.9, 0.3, 30), (-0.4, 0.1, 20)])
def test_reciprocal_limits_are_those_of_the_t_interval(rate, se, df):
    low, high = stats.t.interval(0.95, df, rate, se)
    interval = fieller_reciprocal(rate, se, df=df)
    assert interval.kind == "bounded"
    assert (interval.low, interval.high) == pytest.approx(sorted((1 / high, 1 / low)))


def test_unbounded_when_the_rate_may_be_zero():
    interval = fieller_reciprocal(0.2, 0.15, df=10)
    low, high = stats.t.interval(0.95, 10, 0.2, 0.15)
    assert interval.kind == "unbounded"
    assert (interval.low, interval.high) == pytest.approx((1 / low, 1 / high))
    assert interval.contains(1e9)
    assert interval.contains(-1e9)
    assert not interval.contains(0.0)


def test_everything_fits_when_both_may_be_zero():
    assert fieller(0.1, 0.1, variances=(1.0, 1.0)).kind == "everything"


def test_ratio_limits_near_the_delta_method_when_precise():
    """Large-sample limit: the delta method's variance of a ratio (textbook formula, from memory)."""
    a, b, va, vb, cov = 2.0, 4.0, 1e-6, 4e-6, 5e-7
    interval = fieller(a, b, variances=(va, vb), covariance=cov)
    se = np.sqrt((va - 2 * a / b * cov + (a / b) ** 2 * vb) / b**2)
    assert (interval.high - interval.low) / 2 == pytest.approx(1.959964 * se, rel=1e-3)


def test_covers_with_normal_estimates():
    """200 000 draws: 95 % within 4 Monte-Carlo standard errors, the unbounded ones counted in."""
    rng = np.random.default_rng(1)
    n, df, rate, se = 200_000, 8, 0.3, 0.12
    estimate = rate + se * rng.standard_normal(n)
    seen = se * np.sqrt(rng.chisquare(df, n) / df)
    sample = rng.choice(n, 4000, replace=False)
    held, unbounded = [], []
    for i in sample:
        interval = fieller_reciprocal(estimate[i], seen[i], df=df)
        held.append(interval.contains(1 / rate))
        unbounded.append(interval.kind == "unbounded")
    assert np.mean(held) == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / 4000))
    # the rate's interval reaches 0 where t < t_crit: a noncentral t probability
    share = stats.nct.cdf(stats.t.ppf(0.975, df), df, rate / se)
    assert np.mean(unbounded) == pytest.approx(share, abs=0.03)


@pytest.mark.parametrize("bad", [{"variances": (-1.0, 1.0)}, {"variances": (np.nan, 1.0)}])
def test_refuses_what_is_no_variance(bad):
    with pytest.raises(ValueError, match=r"variance"):
        fieller(1.0, 0.5, **bad)
