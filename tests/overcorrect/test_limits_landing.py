"""Outlooks at the ends of what they hold, and plans at the cap, the most and the first that reaches."""

import numpy as np
import pytest
from scipy import stats

from outcomes.overcorrect.landing import Outlook, best_plan, plan_for_mean

PLAN = np.linspace(0, 8, 25)
FLAT = np.ones(25)


def outlook(rate=0.5, sd=0.3, df=15.0):
    return Outlook.through(PLAN, rate * PLAN, sd**2 * FLAT, df * FLAT)


def test_what_an_outlook_holds():
    mean, sd, df = outlook().at(np.array([3.0]))
    assert (mean[0], sd[0], df[0]) == pytest.approx((1.5, 0.3, 15.0))
    assert outlook().largest == 8.0
    # Infinite df would make no spline; a million is the normal distribution to 6 digits.
    assert outlook(df=np.inf).at(np.array([3.0]))[2][0] == pytest.approx(1e6)
    assert outlook(df=0.2).at(np.array([3.0]))[2][0] == 1.0
    assert outlook(sd=0.0).at(np.array([3.0]))[1][0] == pytest.approx(1e-150)


@pytest.mark.parametrize("level", [0.5, 0.8, 0.95])
def test_the_range_of_a_level(level):
    low, high = outlook().range(np.array([3.0]), level)
    assert (low[0], high[0]) == pytest.approx(stats.t.interval(level, 15, 1.5, 0.3))


def test_chances_add_up_and_follow_the_tolerance():
    found = outlook().chances(np.array([3.0, 3.0]), np.array([1.6, 1.6]), np.array([0.5, 0.2]))
    t = stats.t(15, 1.5, 0.3)
    for i, tolerance in enumerate((0.5, 0.2)):
        assert found.over[i] == pytest.approx(t.sf(1.6 + tolerance))
        assert found.under[i] == pytest.approx(t.cdf(1.6 - tolerance))
    assert found.within + found.over + found.under == pytest.approx([1, 1])


def test_the_smallest_plan_that_reaches_the_aim():
    # mean 3 x - 0.5 x²: reaches 2.5 at x = 1 and again at x = 5 (a quadratic by hand)
    bent = Outlook.through(PLAN, 3 * PLAN - 0.5 * PLAN**2, 0.01 * FLAT, 20 * FLAT)
    assert plan_for_mean(bent, np.array([2.5]), np.array([8.0])) == pytest.approx([1.0])
    assert plan_for_mean(bent, np.array([4.5]), np.array([8.0])) == pytest.approx([3.0], abs=0.05)
    assert plan_for_mean(bent, np.array([4.6]), np.array([8.0])) == pytest.approx([3.0], abs=0.05)
    # Held at the most, and at the largest plan there are values for.
    assert plan_for_mean(bent, np.array([2.5]), np.array([0.5])) == pytest.approx([0.5])
    assert plan_for_mean(outlook(), np.array([9.0]), np.array([50.0])) == pytest.approx([8.0])
    assert plan_for_mean(outlook(), np.array([4.0]), np.array([8.0])) == pytest.approx([8.0])
    assert plan_for_mean(outlook(), np.array([0.0]), np.array([8.0])) == pytest.approx([0.0])


def over(plan, aim, tolerance=0.5):
    return stats.t.sf(aim + tolerance, 15, 0.5 * plan, 0.3)


def test_a_cap_that_is_just_kept_does_not_hold_the_plan_down():
    # With the same scatter everywhere the best plan is aim / rate = 4; its chance of too much:
    free = over(4.0, 2.0)
    plan, held = best_plan(outlook(), np.array([2.0]), 0.5, np.array([8.0]), free + 0.01)
    assert plan[0] == pytest.approx(4.0, abs=0.01)
    assert not held[0]
    plan, held = best_plan(outlook(), np.array([2.0]), 0.5, np.array([8.0]), free - 0.01)
    assert held[0]
    assert over(plan[0], 2.0) <= free - 0.01
    assert over(plan[0] + 0.02, 2.0) > free - 0.01


def test_a_cap_that_cannot_be_kept_gives_the_least_overshooting():
    look = Outlook.through(PLAN, 1.0 + 0.5 * PLAN, 0.09 * FLAT, 15 * FLAT)
    plan, held = best_plan(look, np.array([0.1]), 0.2, np.array([4.0]), 0.05)
    assert (plan[0], held[0]) == (0.0, True)


def test_plans_are_held_at_the_most_and_each_aim_at_its_own():
    plan, held = best_plan(
        outlook(), np.array([2.0, 1.0, 6.0]), 0.5, np.array([3.0, 8.0, 50.0]), 0.5
    )
    assert plan == pytest.approx([3.0, 2.0, 8.0], abs=0.01)
    assert held.tolist() == [False, False, False]


@pytest.mark.parametrize("aim", [0.37, 1.234, 2.9])
def test_the_plan_is_found_to_a_thousandth_of_the_most(aim):
    plan, _ = best_plan(outlook(), np.array([aim]), 0.4, np.array([8.0]), 0.9)
    assert plan[0] == pytest.approx(aim / 0.5, abs=8 / 1000)
