"""Fieller's limits where their shape changes, at every level, and in full against the definition."""

import numpy as np
import pytest
from scipy import stats
from scipy.special import stdtrit

from outcomes.overcorrect.rules import FiellerInterval, fieller, fieller_reciprocal


def not_contradicted(f, a, b, va, vb, cov, t):
    """The definition: (a - f b)² <= t² (va - 2 f cov + f² vb)."""
    return (a - f * b) ** 2 <= t**2 * (va - 2 * f * cov + f**2 * vb)


CASES = [
    (1.0, 0.5, 0.0, 0.0025, 0.0),
    (1.0, -0.5, 0.0, 0.0025, 0.0),
    (1.0, 0.1, 0.0, 0.04, 0.0),
    (0.3, 0.2, 0.01, 0.04, 0.015),
    (-0.3, 0.5, 0.01, 0.02, -0.005),
    (0.0, 0.5, 0.04, 0.0025, 0.0),
    (0.05, 0.1, 1.0, 1.0, 0.0),
    (-1.0, 0.1, 0.02, 0.04, 0.01),
]


@pytest.mark.parametrize(("a", "b", "va", "vb", "cov"), CASES)
@pytest.mark.parametrize(("df", "level"), [(np.inf, 0.95), (7.0, 0.95), (7.0, 0.8), (np.inf, 0.5)])
def test_exactly_the_ratios_not_contradicted(a, b, va, vb, cov, df, level):
    t = stats.norm.ppf(0.5 + level / 2) if np.isinf(df) else stats.t.ppf(0.5 + level / 2, df)
    found = fieller(a, b, variances=(va, vb), covariance=cov, df=df, level=level)
    ratios = np.concatenate([np.linspace(-40, 40, 4001), np.linspace(-4, 4, 4001)])
    held = not_contradicted(ratios, a, b, va, vb, cov, t)
    assert [found.contains(r) for r in ratios] == held.tolist()
    far = not_contradicted(np.array([-1e8, 1e8]), a, b, va, vb, cov, t)
    assert far.all() == (found.kind != "bounded")
    for limit in (found.low, found.high):
        if np.isfinite(limit):
            assert (a - limit * b) ** 2 == pytest.approx(
                t**2 * (va - 2 * limit * cov + limit**2 * vb), rel=1e-8, abs=1e-12
            )


def test_limits_belong_to_the_interval():
    bounded = FiellerInterval(1.0, 2.0, "bounded")
    assert [bounded.contains(r) for r in (1.0, 2.0, 0.999, 2.001)] == [True, True, False, False]
    unbounded = FiellerInterval(1.0, 2.0, "unbounded")
    assert [unbounded.contains(r) for r in (1.0, 2.0, 1.001, 1.999)] == [True, True, False, False]


T = float(stdtrit(7.0, 0.975))


def test_a_denominator_whose_interval_ends_exactly_at_zero():
    # The denominator is t standard errors of 1: its interval is 0 to 2 t.
    up = fieller(1.0, T, variances=(0.0, 1.0), df=7.0)
    assert (up.kind, up.high) == ("bounded", np.inf)
    assert up.low == pytest.approx(1 / (2 * T))
    down = fieller(-1.0, T, variances=(0.0, 1.0), df=7.0)
    assert (down.kind, down.low) == ("bounded", -np.inf)
    assert down.high == pytest.approx(-1 / (2 * T))


def test_nothing_is_known_of_zero_over_zero():
    none = fieller(0.0, T, variances=(1.0, 1.0), df=7.0)
    assert (none.kind, none.low, none.high) == ("everything", -np.inf, np.inf)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("place", range(5))
def test_only_finite_numbers(bad, place):
    numbers = [1.0, 0.5, 0.1, 0.1, 0.0]
    numbers[place] = bad
    a, b, va, vb, cov = numbers
    with pytest.raises(ValueError, match=r"^fieller needs finite estimates and variances\.$"):
        fieller(a, b, variances=(va, vb), covariance=cov)


def test_a_variance_of_zero_is_allowed_and_a_negative_one_is_not():
    sure = fieller(1.0, 0.5, variances=(0.0, 0.0))
    assert (sure.low, sure.high, sure.kind) == (2.0, 2.0, "bounded")
    for variances in ((-1e-9, 0.0), (0.0, -1e-9)):
        with pytest.raises(ValueError, match=r"^A variance cannot be negative\.$"):
            fieller(1.0, 0.5, variances=variances)


def test_the_reciprocal_is_that_of_the_t_interval():
    found = fieller_reciprocal(0.5, 0.05, df=12, level=0.9)
    low, high = stats.t.interval(0.9, 12, 0.5, 0.05)
    assert (found.low, found.high) == pytest.approx((1 / high, 1 / low))
    default = fieller_reciprocal(0.5, 0.05)
    low, high = stats.norm.interval(0.95, 0.5, 0.05)
    assert (default.low, default.high) == pytest.approx((1 / high, 1 / low))
