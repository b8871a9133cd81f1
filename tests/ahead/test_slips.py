"""Aims of a known patient that were counted from another start, or have the wrong sign."""

import pandas as pd
import pytest

from outcomes.ahead.result import LEFT, NOT_KNOWN, WITHIN
from outcomes.ahead.slips import aims_that_do_not_fit
from outcomes.overcorrect.plan import PlanLimits


def found(aim, first=-2.0, latest=-2.0, left=-0.8, state=LEFT, tooth=41):
    aims = pd.DataFrame(
        {"row": [7], "patient": "P1", "tooth": 41, "movement": "vertical", "unit": "mm", "aim": aim}
    )
    so_far = pd.DataFrame(
        {
            "tooth": [tooth],
            "movement": "vertical",
            "first_aim": first,
            "latest_aim": latest,
            "left": left,
            "state": state,
        }
    )
    parts = aims_that_do_not_fit(aims, so_far, PlanLimits())
    return [part["problem"].iloc[0] for part in parts]


def test_an_aim_of_an_earlier_course_again():
    (said,) = found(-2.0)
    assert said == "the aim is that of an earlier course, of which −0.80\u00a0mm is left"
    assert found(-1.6, first=-1.6) == [said]  # the first of two aims
    assert found(-2.05) == [said]  # a tenth of the tolerance
    assert found(-2.06) == []
    # the same again is asked about also where the tooth has arrived
    assert len(found(-2.0, left=-0.1, state=WITHIN)) == 1


def test_an_aim_that_is_what_is_left_is_fine():
    assert found(-0.8) == []
    assert found(-1.1) == []
    # nothing was reached: the earlier aim is what is left
    assert found(-2.0, left=-2.0) == []
    # differing by the tolerance, and just past it
    assert found(-2.0, left=-1.5) == []
    assert len(found(-2.0, left=-1.49)) == 1


def test_an_aim_the_other_way():
    assert found(0.8) == ["the aim goes the other way than what is left (−0.80\u00a0mm)"]
    assert found(0.8, left=-0.1, state=WITHIN) == []


@pytest.mark.parametrize("aim", [-2.0, 0.8])
def test_of_what_is_not_known_nothing_is_said(aim):
    assert found(aim, state=NOT_KNOWN, left=float("nan")) == []
    assert found(aim, tooth=31) == []


def test_where_it_stands_and_what_to_do():
    aims = pd.DataFrame(
        {
            "row": [7],
            "patient": "P1",
            "tooth": 41,
            "movement": "vertical",
            "unit": "mm",
            "aim": -2.0,
        }
    )
    so_far = pd.DataFrame(
        {
            "tooth": [41],
            "movement": "vertical",
            "first_aim": -2.0,
            "latest_aim": -2.0,
            "left": -0.8,
            "state": LEFT,
        }
    )
    row = aims_that_do_not_fit(aims, so_far, PlanLimits())[0].iloc[0]
    assert row[["row", "column", "severity", "tooth", "patient"]].tolist() == [
        7, "aim", "check", "41", "P1",
    ]  # fmt: skip
    assert row["remedy"].startswith("Aims count from where the tooth stands now")
