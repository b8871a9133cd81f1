"""Caps and costs of going too far: by tooth and movement, against closed forms, on both sides."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

import outcomes as oc
from outcomes.errors import CannotAnswer, InputError
from outcomes.overcorrect.cautions import safer
from outcomes.overcorrect.costs import expected_cost, least_cost_plan, losses
from outcomes.overcorrect.decision import COSTS, decision_curve, default_holds
from outcomes.overcorrect.factors import overcorrection
from outcomes.overcorrect.landing import Outlook
from outcomes.overcorrect.plan import BEST, LEAST, OPTIONS, PlanLimits
from outcomes.overcorrect.prescribe import prescribe
from outcomes.overcorrect.rules import Rules
from outcomes.rates.fit import fit_rate
from outcomes.simulate import simulate_rates
from outcomes.words.units import NBSP
from tests.invented_expectation import Invented, NormalOutlook, with_counts

TORQUE = Invented(movement="torque", unit="degree", share=0.6, spread=0.1, sigma=1.0)


def aims(**columns) -> pd.DataFrame:
    return pd.DataFrame({"tooth": [31, 41], "aim": [1.0, 1.0]} | columns)


def option(plan, name) -> pd.DataFrame:
    return plan.options[plan.options["option"] == name].set_index("tooth")


# Expected losses ---------------------------------------------------------------------------------


@settings(deadline=None, max_examples=40)
@given(st.floats(0.0, 6.0), st.floats(0.1, 3.0), st.floats(0.02, 0.4), st.floats(0.05, 0.5))
def test_losses_of_a_normal_result(plan, aim, spread, sigma):
    """E(X - a)+ = (m - a) Φ(z) + s φ(z), z = (m - a) / s: the expected shortage of an inventory,
    as in any handbook (from memory)."""
    look = NormalOutlook(9.0, 0.6, 0.1, spread, sigma)
    (mean,), (sd,), _ = look.at(np.array([plan]))
    z = (mean - aim) / sd
    too_far = (mean - aim) * stats.norm.cdf(z) + sd * stats.norm.pdf(z)
    far, short = losses(look, np.array([plan]), aim)
    assert far[0] == pytest.approx(too_far, abs=1e-9)
    assert short[0] == pytest.approx(too_far - (mean - aim), abs=1e-9)


@pytest.mark.parametrize("df", [3.0, 15.0])
def test_losses_of_a_t_result_are_those_of_its_integral(df):
    grid = np.linspace(0, 8, 25)
    look = Outlook.through(grid, 0.5 * grid, (0.13 * grid) ** 2 + 0.2**2, np.full(25, df))
    sd = np.sqrt((0.13 * 3) ** 2 + 0.2**2)
    t = stats.t(df, loc=1.5, scale=sd)
    far, short = losses(look, np.array([3.0]), 1.2)
    assert far[0] == pytest.approx(
        t.expect(lambda x: np.maximum(x - 1.2, 0), epsabs=1e-9), rel=1e-5
    )
    assert short[0] == pytest.approx(far[0] - 0.3, abs=1e-9)


@pytest.mark.parametrize("cost", [0.25, 1.0, 3.0, 16.0])
def test_with_one_spread_for_all_plans_the_least_cost_is_at_the_critical_ratio(cost):
    """P(X > aim) = 1 / (1 + cost): Arrow, Harris and Marschak, Econometrica 1951;19:250-272 (from
    memory). Source of the value: scipy's normal quantile."""
    look = NormalOutlook(9.0, 0.5, 0.1, 0.0, 0.4)
    plan = least_cost_plan(look, np.array([1.5]), np.array([9.0]), np.array([cost]))[0]
    assert 0.5 * plan == pytest.approx(1.5 + 0.4 * stats.norm.isf(cost / (1 + cost)), abs=3e-3)


def test_no_other_plan_costs_less():
    look = NormalOutlook(9.0, 0.6, 0.1, 0.15, 0.2)
    (plan,) = least_cost_plan(look, np.array([1.5]), np.array([5.0]), np.array([3.0]))
    every = expected_cost(look, np.linspace(0, 5, 2001), 1.5, 3.0)
    assert expected_cost(look, np.array([plan]), 1.5, 3.0)[0] <= every.min() + 1e-6


def test_the_plan_of_least_cost_keeps_to_the_largest_allowed():
    look = NormalOutlook(9.0, 0.3, 0.1, 0.1, 0.2)
    plan = least_cost_plan(look, np.array([1.0, 1.0]), np.array([2.0, 9.0]), np.array([0.5, 0.5]))
    assert plan[0] == pytest.approx(2.0)
    assert plan[1] > 2.0


# Caps and costs by tooth and movement ------------------------------------------------------------


def test_the_cap_of_a_tooth_reaches_its_plan_alone():
    plan = prescribe(Invented(), aims(), limits=PlanLimits(over_cap={31: 0.01}))
    best = option(plan, BEST)
    assert best.loc[31, "over"] == pytest.approx(0.01, abs=5e-4)
    assert best.loc[41, "over"] > 0.0115
    assert plan.aims["over_cap"].tolist() == [0.01, 0.10]
    said = plan.aims["cautions"].str.replace(NBSP, " ").tolist()
    assert "The cap of 1 % on overshooting holds the safer plan down" in said[0]
    assert "The cap of" not in said[1]
    alone = prescribe(Invented(), aims(), limits=PlanLimits(over_cap=0.01))
    assert option(alone, BEST).loc[31, "planned"] == pytest.approx(best.loc[31, "planned"])


def test_the_most_exact_name_goes_first():
    limits = PlanLimits(
        over_cap={"degree": 0.2, "torque": 0.05, 31: 0.04, (31, "torque"): 0.02},
        over_cost={(31, "torque"): 5.0},
    )
    asked = [(31, "torque"), (31, "tip"), (41, "torque"), (41, "tip")]
    caps = [limits.cap(tooth, movement, "degree") for tooth, movement in asked]
    assert caps == [0.02, 0.04, 0.05, 0.2]
    assert limits.cap(41, "vertical", "mm") == 0.10
    assert limits.cost(31, "torque", "degree") == 5.0
    assert np.isnan(limits.cost(41, "torque", "degree"))
    assert PlanLimits(over_cost=2.0).cost(41, "tip", "degree") == 2.0


def test_caps_are_named_from_the_lowest_to_the_highest():
    said = [safer(cap) for cap in (0.1, {31: 0.02}, {31: 0.25, "tip": 0.05}, {31: 0.1})]
    caps = ["10", "2 to 10", "5 to 25", "10"]
    assert said == [f"safer plan (at most {cap} % risk of going too far)" for cap in caps]


@pytest.mark.parametrize(
    "bad",
    [
        {"over_cap": 0.0},
        {"over_cap": 1.0},
        {"over_cap": {31: 1.0}},
        {"over_cap": {31: True}},
        {"over_cap": "0.1"},
        {"over_cap": np.nan},
        {"over_cost": 0.0},
        {"over_cost": True},
        {"over_cost": {"torque": -1.0}},
    ],
)
def test_caps_and_costs_that_make_no_sense(bad):
    (name,) = bad
    with pytest.raises(InputError, match=f"{name} must"):
        PlanLimits(**bad)


@pytest.mark.parametrize("key", ["torqe", 99, 0, "31", (31, "torqe"), (99, "tip"), (31,), "", None])
@pytest.mark.parametrize("name", ["over_cap", "over_cost"])
def test_caps_and_costs_of_names_nobody_knows(name, key):
    with pytest.raises(InputError, match=f"{name} names .*: use a tooth"):
        PlanLimits(**{name: {key: 0.5}})


@pytest.mark.parametrize("good", [1e-9, 1 - 1e-9, np.float64(0.2), {"tip": 0.1, np.int64(31): 0.1}])
def test_caps_that_are_just_possible(good):
    assert PlanLimits(over_cap=good).over_cap == good


def test_least_cost_is_an_option_only_where_a_cost_is_given():
    none = prescribe(Invented(), aims())
    assert set(none.options["option"]) == set(OPTIONS)
    plan = prescribe(Invented(), aims(), limits=PlanLimits(over_cost={31: 4.0}))
    least = option(plan, LEAST)
    assert least.index.tolist() == [31]
    look = NormalOutlook(9.0, 0.6, 0.1, 0.12, 0.15)
    wanted = least_cost_plan(look, np.array([1.0]), np.array([2.0]), np.array([4.0]))[0]
    assert least.loc[31, "planned"] == pytest.approx(wanted)
    said = plan.aims["cautions"].str.replace(NBSP, " ").tolist()
    assert "Where 1 mm too far costs 4 times as much as 1 mm too short" in said[0]
    assert "too short" not in said[1]
    assert plan.aims["over_cost"].tolist() == pytest.approx([4.0, np.nan], nan_ok=True)


def test_the_dearer_too_far_is_the_less_is_planned():
    plans = [
        option(prescribe(TORQUE, aims(aim=2.0), limits=PlanLimits(over_cost=cost)), LEAST)
        for cost in (0.5, 1.0, 4.0)
    ]
    planned = [plan.loc[31, "planned"] for plan in plans]
    assert planned[0] > planned[1] > planned[2] > 0
    assert plans[0].loc[31, "over"] > plans[2].loc[31, "over"]


def test_a_cost_in_the_aims_goes_first_and_an_odd_one_is_listed():
    costs = ["3", 0, "", "dear"]
    asked = pd.DataFrame({"tooth": [31, 41, 32, 42], "aim": 1.0, "Over_cost": costs})
    plan = prescribe(Invented(), asked, limits=PlanLimits(over_cost=2.0))
    assert plan.aims["over_cost"].tolist() == [3.0, 2.0, 2.0, 2.0]
    odd = plan.problems
    assert odd["row"].tolist() == [3, 5]
    assert odd["problem"].str.startswith("not a cost above 0").all()
    assert set(odd["severity"]) == {"check"}


def test_the_plan_of_least_cost_is_left_out_by_itself_beyond_the_records():
    """Largest past plan 0.8: the last plan is 1.6; a cost of 1/4 asks for more."""
    tight = with_counts(largest=0.8)
    limits = PlanLimits(over_cost={31: 0.25, 41: 4.0}, over_cap=0.01)
    plan = prescribe(tight, aims(), limits=limits)
    least = option(plan, LEAST)
    assert np.isnan(least.loc[31, "planned"])
    assert 0 < least.loc[41, "planned"] <= 1.6
    assert option(plan, BEST)["planned"].notna().all()
    assert "The plan of least cost is more than twice" in plan.aims["cautions"].iloc[0]
    assert plan.aims["verdict"].nunique() == 1


# The decision curve ------------------------------------------------------------------------------


LOOK = NormalOutlook(9.0, 0.5, 0.1, 0.0, 0.4)


def test_the_curve_by_hand():
    """One spread for all plans: plan, cost and extra from the critical ratio and the closed form."""
    curve = decision_curve(LOOK, 1.5, 0.5, most=9.0, costs=[1.0, 3.0])
    assert list(curve) == [
        "over_cost", "planned", "expected_cost", "default_planned", "default_cost", "extra",
    ]  # fmt: skip
    # the best chance without a cap in the way: the middle of the tolerance, unless P(X > 2) > 0.1
    default = 2 * min(1.5, 2.0 - 0.4 * stats.norm.isf(0.1))
    assert curve["default_planned"].to_numpy() == pytest.approx(default, abs=0.01)
    for row in curve.itertuples():
        z = stats.norm.isf(row.over_cost / (1 + row.over_cost))
        assert row.planned == pytest.approx((1.5 + 0.4 * z) / 0.5, abs=0.01)
        # cost at the critical ratio: s (1 + c) φ(z), as of an inventory (from memory)
        least = 0.4 * (1 + row.over_cost) * stats.norm.pdf(z)
        assert row.expected_cost == pytest.approx(least, rel=1e-4)
        assert row.extra == pytest.approx(row.default_cost / row.expected_cost - 1)
    assert curve["extra"].iloc[1] > curve["extra"].iloc[0]


def test_no_plan_costs_less_than_the_least():
    curve = decision_curve(LOOK, 1.5, 0.5)
    assert curve["over_cost"].tolist() == list(COSTS)
    assert (curve["extra"] >= 0).all()
    assert (np.diff(curve["planned"]) <= 0).all()
    assert curve["planned"].max() == pytest.approx(3.0)  # twice the aim


def test_the_curve_of_a_plan_is_that_of_its_outlook():
    limits = PlanLimits(over_cap={31: 0.02})
    plan = prescribe(Invented(), aims(tooth=[31, 42], aim=[-1.0, -0.6]), limits=limits)
    look = NormalOutlook(9.0, 0.6, 0.1, 0.12, 0.15)
    for at, size, cap in ((0, 1.0, 0.02), (1, 0.6, 0.10)):
        own = decision_curve(plan, at=at)
        other = decision_curve(look, size, 0.5, most=2 * size, over_cap=cap)
        pd.testing.assert_frame_equal(own, other, rtol=1e-6)
    with pytest.raises(InputError, match="Say which aim"):
        decision_curve(plan)
    with pytest.raises(InputError, match="Say which aim"):
        decision_curve(plan, at=7)
    assert len(oc.decision_curve(plan.of_patient("NEW"), at=0, costs=[2.0])) == 1


def test_the_curve_of_a_fit_and_of_an_aim_without_a_plan():
    past = simulate_rates(20, seed=1, movement="vertical", rates=0.6)
    plan = prescribe(fit_rate(past), pd.DataFrame({"tooth": [31, 32], "aim": [-1.0, -5.9]}))
    curve = decision_curve(plan, at=0)
    chosen = plan.options[(plan.options["at"] == 0) & (plan.options["option"] == BEST)]
    assert curve["default_planned"].iloc[0] == pytest.approx(-chosen["planned"].iloc[0])
    with pytest.raises(CannotAnswer, match=r"Tooth 32 has no plan \(beyond the records\)"):
        decision_curve(plan, at=1)


@pytest.mark.parametrize("bad", [{"costs": []}, {"costs": [0.0]}, {"costs": [1.0, np.nan]}])
def test_costs_of_a_curve(bad):
    with pytest.raises(InputError, match="costs must be numbers above 0"):
        decision_curve(LOOK, 1.5, 0.5, **bad)


def test_an_outlook_alone_says_neither_aim_nor_tolerance():
    with pytest.raises(InputError, match="say the aim and the tolerance"):
        decision_curve(LOOK, 1.5)


# extra on a scale of doublings: 0.05 is crossed a quarter of the way from 0 to 0.2, half from 0 to 0.1
@pytest.mark.parametrize(
    ("extra", "said"),
    [
        ([0.2, 0.0, 0.1], "as long as 1 mm too far costs 1.7 to 2.8 times as much"),
        ([0.0, 0.0, 0.1], "as long as 1 mm too far costs at most 2.8 times as much"),
        ([0.2, 0.0, 0.049], "as long as 1 mm too far costs at least 1.7 times as much"),
        ([0.049, 0.0, 0.049], "whatever 1 mm too far costs, from 1 to 4 times as much"),
        ([0.05, 0.06, 0.3], "At no cost of going too far from 1 to 4 times"),
        ([0.2, 0.0, 0.05], "as long as 1 mm too far costs 1.7 to 4 times as much"),
    ],
)
def test_where_the_default_holds_in_words(extra, said):
    curve = pd.DataFrame({"over_cost": [1.0, 2.0, 4.0], "extra": extra})
    words = default_holds(curve, "mm").replace(NBSP, " ")
    assert said in words
    assert default_holds(curve.iloc[::-1], "mm").replace(NBSP, " ") == words
    assert "give over_cost" in words or "whatever" in words


# Factors -----------------------------------------------------------------------------------------


def test_rules_together_with_a_limit_they_hold():
    fit = fit_rate(simulate_rates(20, seed=1, movement="vertical"))
    for both, named in (
        ({"max_factor": 2.0}, "max_factor"),
        ({"level": 0.9}, "level"),
        ({"level": 0.9, "max_factor": 3.0}, "level and max_factor"),
    ):
        for past in (fit, {"vertical": fit}):
            with pytest.raises(InputError, match=f"Give {named} inside rules"):
                overcorrection(past, rules=Rules(), **both)
    assert overcorrection(fit, max_factor=1.1)["use"].max() == pytest.approx(1.1)
    assert overcorrection(fit)["use"].max() <= 2.0
    with pytest.raises(InputError, match="not of a DataFrame"):
        overcorrection(pd.DataFrame())
