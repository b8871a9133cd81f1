"""When another try is unlikely to help: by the normal distribution, by hand."""

import pandas as pd
import pytest
from scipy import stats

from outcomes.ahead.asks import empty
from outcomes.ahead.result import SO_FAR, UNLIKELY
from outcomes.ahead.tried import tried_already
from outcomes.ahead.unlikely import unlikely
from outcomes.errors import InputError
from outcomes.overcorrect.plan import PlanLimits
from tests.ahead.invented import Normal, ask

NONE = empty(SO_FAR)


def helps(aim, planned, share, spread=0.1, sigma=0.2, least=0.5):
    one = ask(aim=-aim, planned=planned, outlook=Normal(share=share, spread=spread, sigma=sigma))
    return unlikely([one], NONE, least)


def test_the_chance_of_a_gain_by_hand():
    # aim 2, plan 4, rate 0.1: mean 0.4, SD sqrt(0.4² + 0.2²); nearer by 0.5 is a result of 0.5 to 3.5
    table = helps(2.0, 4.0, 0.1)
    sd = (0.16 + 0.04) ** 0.5
    chance = stats.norm.cdf((3.5 - 0.4) / sd) - stats.norm.cdf((0.5 - 0.4) / sd)
    assert tuple(table.columns) == UNLIKELY
    row = table.iloc[0]
    assert row["helps"] == pytest.approx(chance)
    assert row[["planned", "expected"]].tolist() == pytest.approx([-4.0, -0.4])
    assert row["within"] == pytest.approx(
        stats.norm.cdf((2.5 - 0.4) / sd) - stats.norm.cdf((1.5 - 0.4) / sd)
    )
    assert "0.40\u00a0mm of 2.00\u00a0mm" in row["why"]
    assert "another attachment" in row["choices"]


def test_the_limit_on_both_sides():
    # mean at 0.5: half of the results gain 0.5 mm and more (those past 3.5 are none to speak of)
    chance = helps(2.0, 4.0, 0.125, least=0.9)["helps"].iloc[0]
    assert chance == pytest.approx(0.5, abs=1e-6)
    assert len(helps(2.0, 4.0, 0.125, least=chance + 1e-6)) == 1
    assert len(helps(2.0, 4.0, 0.125, least=chance - 1e-6)) == 0
    assert len(helps(2.0, 4.0, 0.125, least=chance)) == 0


def test_a_large_aim_that_is_only_approached_is_helped():
    # 3 of 6 mm to be expected: never within 0.5 mm of the aim, and yet worth it
    assert len(helps(6.0, 6.0, 0.5)) == 0


def test_a_small_aim_just_past_the_tolerance_is_judged_by_landing():
    # 0.6 to go: a gain of 0.5 is not needed to land within 0.5; a result of 0.1 to 1.1 lands
    table = helps(0.6, 0.6, 0.0, spread=0.0, sigma=0.2, least=0.99)
    landing = stats.norm.cdf(1.1 / 0.2) - stats.norm.cdf(0.1 / 0.2)
    assert table["helps"].iloc[0] == pytest.approx(landing)
    assert len(helps(0.5, 0.6, 0.0, least=0.99)) == 0  # within the tolerance already: not asked


def test_what_was_planned_and_reached_is_said():
    so_far = pd.DataFrame(
        {
            "tooth": [41],
            "movement": ["vertical"],
            "courses": [2],
            "planned_total": [-4.0],
            "reached": [-0.1],
        }
    )
    one = ask(aim=-2.0, planned=4.0, own_movements=5, outlook=Normal(share=0.05))
    why = unlikely([one], so_far)["why"].iloc[0]
    assert why.startswith("Past cases and 5 own results let expect")
    assert why.endswith(
        "So far 2 courses planned −4.00\u00a0mm in all, and −0.10\u00a0mm was reached."
    )
    # a tooth whose courses were not measured has reached nothing that is known
    lost = so_far.assign(courses=0, reached=float("nan"))
    assert "So far" not in unlikely([one], lost)["why"].iloc[0]


def test_a_chance_that_is_none():
    for wrong in (0, 1, 1.5):
        with pytest.raises(InputError, match="between 0 and 1"):
            unlikely([], NONE, wrong)


def tried(*records, aim=-2.0, limits=None):
    """What is said of 41 vertical after courses of (planned, achieved)."""
    rows = pd.DataFrame(records, columns=["planned", "achieved"])
    rows = rows.assign(tooth=41, movement="vertical", course=range(1, len(rows) + 1))
    aims = pd.DataFrame({"tooth": [41], "movement": "vertical", "unit": "mm", "aim": aim})
    return tried_already(aims, rows, limits or PlanLimits()).get(0, "")


def test_two_courses_that_brought_nothing_are_said():
    said = tried((-1.0, -0.1), (-1.0, -0.2))
    assert said.startswith(
        "Tried already: 2 courses planned 2.00\u00a0mm in all (intrusion), and 0.30\u00a0mm came."
    )
    assert "it went 0.30\u00a0mm the other way" in tried((-1.0, 0.1), (-1.0, 0.2))
    assert "none of it came" in tried((-1.0, 0.0), (-1.0, 0.0))


def test_the_limits_of_a_try_on_both_sides():
    assert tried((-0.5, 0.0), (-0.5, 0.0))  # two tolerances in all
    assert not tried((-0.5, 0.0), (-0.49, 0.0))
    assert tried((-1.0, -0.2), (-1.0, -0.29))
    assert not tried((-1.0, -0.2), (-1.0, -0.3))  # a tolerance came
    assert not tried((-2.0, 0.0))  # one course
    # a course without a result says nothing; nor does one the other way
    assert not tried((-1.0, 0.0), (-1.0, float("nan")))
    assert not tried((-1.0, 0.0), (1.0, 0.0))
    assert not tried((-1.0, 0.0), (-1.0, 0.0), aim=2.0)
    assert not tried((-1.0, 0.0), (-1.0, 0.0), limits=PlanLimits(tolerance={"vertical": 1.1}))
