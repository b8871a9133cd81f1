"""Plans from an expectation: numbers by hand, verdicts by the spread, each limit on both sides."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.figures.chances import chance_map
from outcomes.overcorrect.plan import DIRECT
from outcomes.overcorrect.prescribe import prescribe
from tests.invented_expectation import Invented


def aims(size=-1.0, **columns) -> pd.DataFrame:
    return pd.DataFrame({"tooth": 31, "aim": np.atleast_1d(size)} | columns)


def row(plan, option) -> pd.Series:
    return plan.options.set_index("option").loc[option]


def only(plan) -> pd.Series:
    return plan.aims.iloc[0]


def test_numbers_are_those_of_the_outlook():
    """Normal by construction: aim / rate, its range and its chances by scipy."""
    direct = row(prescribe(Invented(), aims()), DIRECT)
    assert direct["planned"] == pytest.approx(-1 / 0.6)
    normal = stats.norm(-1.0, np.hypot(0.12 / 0.6, 0.15))
    assert (direct["low_80"], direct["high_80"]) == pytest.approx(normal.interval(0.8))
    assert direct["within"] == pytest.approx(normal.cdf(-0.5) - normal.cdf(-1.5))
    assert direct["over"] == pytest.approx(normal.cdf(-1.5))


def test_several_expectations_by_movement():
    both = {"vertical": Invented(), "tip": Invented(movement="tip", unit="degree", share=0.5)}
    plan = prescribe(both, aims([-1.0, 2.0], tooth=[31, 31], movement=["vertical", "tip"]))
    direct = plan.options[plan.options["option"] == DIRECT]["planned"]
    assert direct.tolist() == pytest.approx([-1 / 0.6, 4.0])


def test_a_past_patient_has_the_own_outlook_and_a_new_one_has_not():
    past = Invented(own={"share": 0.8})
    plan = prescribe(past, aims([-1.0, -1.0], tooth=[31, 31], patient=["P001", "new"]))
    direct = plan.options[plan.options["option"] == DIRECT]["planned"]
    assert direct.tolist() == pytest.approx([-1 / 0.8, -1 / 0.6])
    assert "3 past movements" in plan.aims["cautions"].iloc[0]
    assert "past movements of this patient" in plan.aims["why"].iloc[0]
    assert "this patient" not in plan.aims["why"].iloc[1]


def test_the_map_of_chances_is_drawn_of_an_expectation():
    plan = prescribe(Invented(), aims([-1.0, -0.6], tooth=[31, 42]))
    (ax,) = chance_map(plan)
    assert "lower incisor intrusion" in ax.get_title(loc="left")
