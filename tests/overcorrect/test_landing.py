"""Chances against scipy's t distribution and draws; the best plan against a fine grid."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from outcomes.overcorrect.landing import Outlook, best_plan, plan_for_mean

PLAN = np.linspace(0, 8, 25)


def outlook(rate=0.5, spread=0.13, sigma=0.22, df=15.0, bend=0.0) -> Outlook:
    return Outlook.through(
        PLAN,
        (rate + bend * PLAN) * PLAN,
        spread**2 * PLAN**2 + sigma**2,
        np.full(len(PLAN), df),
    )


def test_chances_are_those_of_the_t_distribution():
    plan, aim, tolerance = np.array([3.0]), np.array([1.6]), 0.5
    sd = np.sqrt(0.13**2 * 9 + 0.22**2)
    dist = stats.t(15, loc=1.5, scale=sd)
    chances = outlook().chances(plan, aim, tolerance)
    assert chances.within[0] == pytest.approx(dist.cdf(2.1) - dist.cdf(1.1), abs=1e-9)
    assert chances.over[0] == pytest.approx(dist.sf(2.1), abs=1e-9)
    assert chances.under[0] == pytest.approx(dist.cdf(1.1), abs=1e-9)
    low, high = outlook().range(plan, 0.8)
    assert (low[0], high[0]) == pytest.approx(dist.interval(0.8), abs=1e-9)


def test_chances_are_shares_of_draws():
    rng = np.random.default_rng(1)
    n, plan, aim = 200_000, 4.0, 2.0
    result = (0.5 + 0.13 * rng.standard_normal(n)) * plan + 0.22 * rng.standard_normal(n)
    chances = outlook(df=1e6).chances(np.array([plan]), np.array([aim]), 0.5)
    assert chances.within[0] == pytest.approx(np.mean(np.abs(result - aim) <= 0.5), abs=0.004)
    assert chances.over[0] == pytest.approx(np.mean(result > aim + 0.5), abs=0.004)


@settings(deadline=None, max_examples=60)
@given(
    st.floats(0.15, 0.95),
    st.floats(0.0, 0.3),
    st.floats(0.05, 0.6),
    st.floats(0.1, 3.5),
    st.floats(0.03, 0.5),
)
def test_no_allowed_plan_is_better(rate, spread, sigma, aim, cap):
    look = outlook(rate, spread, sigma)
    most = np.array([2 * aim])
    plan, _ = best_plan(look, np.array([aim]), 0.5, most, cap)
    grid = np.linspace(0, 2 * aim, 4001)
    every = look.chances(grid, np.full_like(grid, aim), 0.5)
    found = look.chances(plan, np.array([aim]), 0.5)
    allowed = every.over <= cap
    assert 0 <= plan[0] <= 2 * aim
    if allowed.any():
        assert found.over[0] <= cap + 1e-9
        assert found.within[0] >= every.within[allowed].max() - 1e-4
    else:
        assert found.over[0] <= every.over.min() + 1e-4


def test_spread_that_grows_asks_for_less_than_aim_over_rate():
    """Stated in the design: because the spread grows with the plan, the best plan is smaller."""
    aim, most = np.array([2.0]), np.array([8.0])
    best, held = best_plan(outlook(), aim, 0.5, most, 0.99)
    assert best[0] < plan_for_mean(outlook(), aim, most)[0] == pytest.approx(4.0)
    assert not held[0]
    constant, _ = best_plan(outlook(spread=0.0), aim, 0.5, most, 0.99)
    assert constant[0] == pytest.approx(4.0, abs=0.02)


def test_cap_on_overshooting_is_said():
    plan, held = best_plan(outlook(), np.array([2.0]), 0.5, np.array([8.0]), 0.02)
    assert held[0]
    assert outlook().chances(plan, np.array([2.0]), 0.5).over[0] == pytest.approx(0.02, abs=2e-3)


@given(st.floats(0.3, 0.9), st.floats(-0.05, 0.05), st.floats(0.2, 2.5))
def test_plan_for_mean_solves_the_bent_rate(rate, bend, aim):
    look = outlook(rate, bend=bend)
    plan = plan_for_mean(look, np.array([aim]), np.array([8.0]))[0]
    reached = (rate + bend * plan) * plan
    x = np.linspace(0, 8, 2001)
    most = ((rate + bend * x) * x).max()  # by trying them all
    if aim < most - 0.01:
        assert reached == pytest.approx(aim, abs=1e-6)
    elif aim > most:
        assert reached == pytest.approx(most, abs=0.01)


def test_plan_for_mean_is_held_at_the_most():
    plan = plan_for_mean(outlook(), np.array([3.0, 1.0]), np.array([4.0, 4.0]))
    assert plan == pytest.approx([4.0, 2.0])


def test_an_aim_out_of_reach_gets_the_plan_that_comes_nearest():
    """Mean 0.8 x - 0.2 x²: at most 0.8, at x = 2 (calculus), whatever larger plan is allowed."""
    plan = np.linspace(0, 5, 25)
    flat = np.ones(25)
    bent = Outlook.through(plan, 0.8 * plan - 0.2 * plan**2, 0.1 * flat, 20 * flat)
    got = plan_for_mean(bent, np.array([1.5, 0.6]), np.array([5.0, 5.0]))
    assert got == pytest.approx([2.0, 1.0], abs=0.05)
