"""Two staged courses against simulation of the same rule with known truth, written anew here."""

import numpy as np
import pytest
from scipy import stats

from outcomes.ahead.result import STAGES
from outcomes.ahead.staged import learnt, stages
from outcomes.overcorrect.plan import PlanLimits
from tests.ahead.invented import Normal, ask

SHARE, STAYS, VARIES, SIGMA = 0.6, 0.15, 0.1, 0.15
"""Rate; SD of the rate of the tooth, of one course; SD of a result."""
TOLERANCE = 0.5


def one_ask(**changed):
    spread = np.hypot(STAYS, VARIES)
    outlook = Normal(share=SHARE, spread=spread, sigma=SIGMA)
    return ask(outlook=outlook, of_course=VARIES**2, **changed)


def simulated(aim, planned, n=20_000, cap=0.10, factor=2.0, seed=1):
    """within after one, within after two, over after two, left after two; brute force."""
    rng = np.random.default_rng(seed)
    d = rng.normal(0, STAYS, n)
    first = (SHARE + d + rng.normal(0, VARIES, n)) * planned + rng.normal(0, SIGMA, n)
    left = aim - first
    short = left > TOLERANCE
    # the rate of the second course given the first result: two normal numbers, by their covariance
    variance = (STAYS**2 + VARIES**2) * planned**2 + SIGMA**2
    gain = STAYS**2 * planned / variance
    rate = SHARE + gain * (first - SHARE * planned)
    rate_variance = STAYS**2 + VARIES**2 - gain * STAYS**2 * planned
    share = np.linspace(0, 1, 401)
    plans = share * factor * left[short, None]
    sd = np.sqrt(rate_variance * plans**2 + SIGMA**2)
    mean = rate[short, None] * plans
    over = stats.norm.sf((left[short, None] + TOLERANCE - mean) / sd)
    under = stats.norm.cdf((left[short, None] - TOLERANCE - mean) / sd)
    best = np.where(over <= cap, 1 - over - under, -1 - over).argmax(axis=1)
    plan = plans[np.arange(len(best)), best]
    second = (SHARE + d[short] + rng.normal(0, VARIES, len(plan))) * plan
    second += rng.normal(0, SIGMA, len(plan))
    end = left.copy()
    end[short] -= second
    aligners = np.ceil(planned / 0.25)
    return {
        "within_one": (np.abs(left) <= TOLERANCE).mean(),
        "over_one": (left < -TOLERANCE).mean(),
        "left_one": np.abs(left).mean(),
        "again": short.mean(),
        "within_two": (np.abs(end) <= TOLERANCE).mean(),
        "over_two": (end < -TOLERANCE).mean(),
        "left_two": np.abs(end).mean(),
        "second_planned": np.median(plan),
        "aligners_two": aligners + np.ceil(plan / 0.25).sum() / n,
    }


@pytest.mark.parametrize(("aim", "planned"), [(2.0, 3.0), (1.0, 1.5), (4.0, 4.0)])
def test_stages_agree_with_simulation(aim, planned):
    table = stages([one_ask(aim=-aim, planned=planned)], PlanLimits(), 2.0)
    assert tuple(table.columns) == STAGES
    row = table.iloc[0]
    truth = simulated(aim, planned)
    for name in ("within_one", "over_one", "again", "within_two", "over_two"):
        # Monte-Carlo error of a share of 20,000 is at most 0.0036
        assert row[name] == pytest.approx(truth[name], abs=0.015), name
    for name in ("left_one", "left_two"):
        assert row[name] == pytest.approx(truth[name], abs=0.02), name
    # signed as the aim
    assert row["planned"] == -planned
    assert -row["second_planned"] == pytest.approx(truth["second_planned"], abs=0.06)
    assert row["aligners_one"] == np.ceil(planned / 0.25)
    assert row["aligners_two"] == pytest.approx(truth["aligners_two"], abs=0.15)
    assert row["within_two"] > row["within_one"]


def test_a_result_as_expected_moves_nothing_and_sharpens():
    outlook = Normal(share=SHARE, spread=np.hypot(STAYS, VARIES), sigma=SIGMA)
    later = learnt(outlook, 3.0, np.array([1.8, 0.9]), VARIES**2, 3.0)
    # by hand: g = 0.15² 3 / (0.0325 9 + 0.0225) = 0.0675 / 0.315; the second result is 0.9 below
    gain = 0.0675 / 0.315
    assert later.shift == pytest.approx([0.0, -0.9 * gain])
    assert later.told == pytest.approx(0.0225 * gain * 3)
    sd = later.at(np.array([2.0, 2.0]))[1]
    assert sd == pytest.approx([np.sqrt((0.0325 - 0.0225 * gain * 3) * 4 + 0.0225)] * 2)


def test_where_all_varies_by_course_one_result_tells_nothing_of_the_next():
    outlook = Normal(spread=0.1)
    later = learnt(outlook, 3.0, np.array([0.5, 2.5]), 0.1**2, 3.0)
    assert later.shift == pytest.approx([0.0, 0.0])
    assert later.told == pytest.approx(0.0)


def test_no_plan_teaches_nothing():
    later = learnt(Normal(), 0.0, np.array([0.1]), 0.01, 3.0)
    assert later.shift.tolist() == [0.0]


def test_aligners_allowed_bound_the_second_course_too():
    few = stages([one_ask(aim=-4.0, planned=1.0)], PlanLimits(aligners=4), 2.0).iloc[0]
    assert -few["second_planned"] <= 4 * 0.25 + 1e-9
    assert few["note"] == "Two courses, too, leave it more likely than not outside the tolerance."


def test_an_aim_within_the_tolerance_says_so():
    at, past = (stages([one_ask(aim=a, planned=0.5)], PlanLimits(), 2.0) for a in (-0.5, -0.51))
    assert at["note"].iloc[0].startswith("The aim is within the tolerance")
    assert past["note"].iloc[0] == ""


def test_nothing_asked_gives_a_table_without_rows():
    assert tuple(stages([], PlanLimits(), 2.0).columns) == STAGES
