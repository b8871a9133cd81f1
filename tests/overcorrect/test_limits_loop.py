"""Before and after at its limits: counts of patients, the day, tolerance, and every sentence."""

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import CannotAnswer
from outcomes.overcorrect.loop import _direction, _period, _rows, _sentence, closing_loop
from outcomes.words.units import NBSP

DAY = pd.Timestamp("2025-01-01")


def rows(**columns):
    base = {
        "patient": ["P1", "P2", "P3", "P4"],
        "tooth": 11,
        "movement": "vertical",
        "planned": [2.0, -2.0, 3.0, -3.0],
        "achieved": [1.0, -1.5, 2.0, -3.6],
        "start": ["2024-12-31", "2024-01-01", "2025-01-01", "2025-06-01"],
    }
    return pd.DataFrame(base | columns)


def test_the_day_itself_is_after():
    used, notes = _rows(rows(), DAY)
    assert used["after"].tolist() == [0, 0, 1, 1]
    assert notes == []
    assert used["aim"].tolist() == used["planned"].tolist()


def test_a_blank_aim_is_the_plan():
    used, _ = _rows(rows(aim=[1.0, np.nan, 2.0, -3.0]), DAY)
    assert used["aim"].tolist() == [1.0, -2.0, 2.0, -3.0]


def test_undated_courses_are_counted():
    table = pd.concat([rows()] * 3, ignore_index=True).astype({"start": object})
    table.loc[[0, 4, 8], "start"] = None
    _, notes = _rows(table, DAY)
    assert notes == ["3 movements of courses without a start are left out."]


@pytest.mark.parametrize(
    ("column", "value"), [("aim", 0.0), ("planned", 0.0), ("achieved", np.nan), ("start", None)]
)
def test_what_is_left_out(column, value):
    table = rows(aim=[2.0, -2.0, 3.0, -3.0]).astype({"start": object})
    table.loc[0, column] = value
    used, notes = _rows(table, DAY)
    assert used["patient"].tolist() == ["P2", "P3", "P4"]
    said = ["1 movement of a course without a start is left out."]
    assert notes == (said if column == "start" else [])


def test_patients_on_both_sides_are_counted():
    _, notes = _rows(rows(patient=["P1", "P2", "P1", "P4"]), DAY)
    assert notes == [
        "1 patient has courses on both sides of the date: the later courses hold the teeth that "
        "lagged."
    ]
    _, notes = _rows(rows(patient=["P1", "P2", "P1", "P2"]), DAY)
    assert notes[0].startswith("2 patients have")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"start": [None] * 4}, "No course has a start date: fill in the column start of the table courses."),
        ({"start": ["2024-12-31"] * 4}, "No measured course began on or after 2025-01-01: nothing to compare."),
        ({"start": ["2025-01-01"] * 4}, "No measured course began before 2025-01-01: nothing to compare."),
        ({"achieved": [np.nan] * 4}, "No measured course began before 2025-01-01: nothing to compare."),
    ],
)  # fmt: skip
def test_refusals(change, message):
    with pytest.raises(CannotAnswer) as error:
        closing_loop(rows(**change), DAY)
    assert str(error.value) == message


def test_which_side_is_missing():
    for start, side in (("2024-12-31", "on or after"), ("2025-01-01", "before")):
        with pytest.raises(CannotAnswer, match=rf"began {side} 2025-01-01"):
            _rows(rows(start=[start] * 4), DAY)


def test_columns_that_are_needed():
    with pytest.raises(CannotAnswer, match=r"^No column 'movement'\. The data have: patient, "):
        _rows(rows().drop(columns="movement"), DAY)
    with pytest.raises(CannotAnswer, match="No course has a start date"):
        _rows(rows().drop(columns="start"), DAY)


def test_a_period_by_hand():
    used, _ = _rows(rows(aim=[2.0, -1.0, 2.5, -3.0]), DAY)
    before = _period(used, "vertical", "mm", 0.5, "before")
    # misses of the aim: 2 - 1 = 1 short, 1 - 1.5 = 0.5 too far (the tolerance: within, not over)
    assert before == {
        "movement": "vertical",
        "unit": "mm",
        "period": "before",
        "patients": 2,
        "movements": 2,
        "aim": 1.5,
        "plan": pytest.approx(4 / 3),
        "reached": pytest.approx(2.5 / 3),
        "shortfall": 0.75,
        "within": 0.5,
        "over": 0.0,
    }
    after = _period(used, "vertical", "mm", 0.5, "after")
    # 2.5 - 2 = 0.5 short (within), 3 - 3.6 = 0.6 too far (over)
    assert (after["within"], after["over"], after["shortfall"]) == (0.5, 0.5, pytest.approx(0.55))
    degrees = _period(used, "tip", "degree", 2.0, "after")
    assert (degrees["within"], degrees["over"]) == (1.0, 0.0)
    empty = _period(used[used["after"] == 0], "vertical", "mm", 0.5, "after")
    assert empty["movements"] == 0
    assert np.isnan([empty["plan"], empty["reached"]]).all()


@pytest.mark.parametrize(
    ("name", "unit"), [("tip", "degree"), ("vertical", "mm"), ("chin", "degree")]
)
def test_the_unit_of_a_movement(name, unit):
    told = closing_loop(rows(movement=name, unit="degree"), DAY)
    assert set(told.periods["unit"]) == {unit}
    assert set(closing_loop(rows(movement="chin"), DAY).periods["unit"]) == {"mm"}


@pytest.mark.parametrize(
    ("low", "high", "which"),
    [(0.1, 0.2, 1), (0.0, 0.2, 0), (-0.1, 0.1, 0), (-0.2, 0.0, 0), (-0.2, -0.1, -1), (np.nan, np.nan, 0)],
)  # fmt: skip
def test_an_interval_that_touches_nothing_says_nothing(low, high, which):
    assert _direction(low, high) == which


UP, DOWN, OPEN = (0.05, 0.15), (-0.15, -0.05), (-0.05, 0.15)


def said(share, miss, unit="mm", level=0.95):
    change = {
        "reached": sum(share) / 2, "reached_low": share[0], "reached_high": share[1],
        "shortfall": 3 * sum(miss) / 2, "shortfall_low": 3 * miss[0], "shortfall_high": 3 * miss[1],
    }  # fmt: skip
    text = _sentence("vertical", unit, change, "", level, [{"aim": 1.5}, {"aim": 2.25}])
    return text.replace(NBSP, " ")


MORE = "10 percentage points more of the aim reached after than before (95 % interval +5 to +15)"
LESS = "10 percentage points less of the aim reached after than before (95 % interval −15 to −5)"
UNCLEAR = (
    "no clear change of the share of the aim reached (95 % interval −5 to +15 percentage points)"
)
AIMS = "; aims were 1.50 mm on average before and 2.25 mm after; at the same size of the aim"
FALLEN = "(95 % interval −0.45 to −0.15 mm)"
RISEN = "(95 % interval +0.15 to +0.45 mm)"
AGREE = ": the two do not agree, and more of the aim can mean too far."
ALONE = ", but no clear change of the share goes with it."


@pytest.mark.parametrize(
    ("share", "miss", "words"),
    [
        (UP, DOWN, f"{MORE}{AIMS} 0.30 mm less shortfall {FALLEN}."),
        (DOWN, UP, f"{LESS}{AIMS} 0.30 mm more shortfall {RISEN}."),
        (UP, UP, f"{MORE}{AIMS} the shortfall is larger by 0.30 mm {RISEN}{AGREE}"),
        (DOWN, DOWN, f"{LESS}{AIMS} the shortfall is smaller by 0.30 mm {FALLEN}{AGREE}"),
        (OPEN, DOWN, f"{UNCLEAR}{AIMS} the shortfall is smaller by 0.30 mm {FALLEN}{ALONE}"),
        (OPEN, UP, f"{UNCLEAR}{AIMS} the shortfall is larger by 0.30 mm {RISEN}{ALONE}"),
        (
            UP,
            OPEN,
            f"{MORE}{AIMS} no clear change of the shortfall (95 % interval −0.15 to +0.45 mm).",
        ),
    ],
)
def test_every_sentence(share, miss, words):
    assert said(share, miss) == f"Vertical: {words}"


def test_units_levels_and_reasons_in_sentences():
    text = said(UP, DOWN, unit="degree", level=0.9)
    assert "aims were 1.50° on average before and 2.25° after" in text
    assert text.count("90 % interval") == 2
    assert "0.30° less shortfall" in text
    assert said((0.5, 0.7), DOWN).startswith("Vertical: 60 percentage points more of the aim")
    reason = _sentence("tip", "degree", {}, "only 4 patients after the date", 0.95, [])
    assert reason == "Tip: no comparison (only 4 patients after the date)."
