"""What is left after the courses so far, by hand; what has no result is never a tooth that stayed."""

import numpy as np
import pandas as pd
import pytest

from outcomes.ahead.records import records_of
from outcomes.ahead.result import LEFT, NOT_KNOWN, SO_FAR, WITHIN
from outcomes.ahead.so_far import aims_left, so_far
from outcomes.cohort.read import from_frames
from outcomes.overcorrect.plan import PlanLimits

NAN = float("nan")


def rows(*records, patient="P001"):
    """tooth, movement, course, planned, achieved, aim."""
    names = ["tooth", "movement", "course", "planned", "achieved", "aim"]
    return pd.DataFrame(records, columns=names).assign(patient=patient)


def state(*records, limits=None, as_cohort=False):
    frame = rows(*records)
    given = from_frames(frame, notation="fdi", strict=False) if as_cohort else frame
    past = records_of(given)
    table = so_far(past.of("P001"), limits or PlanLimits(), past.last_course("P001"))
    assert tuple(table.columns) == SO_FAR
    return table


@pytest.mark.parametrize("as_cohort", [False, True])
def test_two_courses_of_one_tooth(as_cohort):
    table = state(
        (41, "vertical", 1, -2.0, -0.9, -2.0),
        (41, "vertical", 2, -1.8, -0.5, -1.1),
        as_cohort=as_cohort,
    )
    row = table.iloc[0]
    # 0.9 + 0.5 reached of 2.0: 0.6 left (arithmetic)
    assert row[["first_aim", "latest_aim", "planned_total", "reached", "left"]].tolist() == (
        pytest.approx([-2.0, -2.0, -3.8, -1.4, -0.6])
    )
    assert row[["begun", "last", "courses", "not_measured"]].tolist() == [1, 2, 2, 0]
    assert (row["state"], row["note"]) == (LEFT, "")


@pytest.mark.parametrize(("achieved", "expected"), [(1.5, WITHIN), (1.49, LEFT), (2.51, LEFT)])
def test_the_tolerance_decides_what_is_left_on_both_sides(achieved, expected):
    assert state((41, "vertical", 1, 2.0, achieved, 2.0))["state"].tolist() == [expected]


def test_the_tolerance_given_counts_also_for_one_movement_only():
    limits = PlanLimits(tolerance={"vertical": 0.2})
    record = (41, "vertical", 1, 2.0, 1.7, 2.0)
    assert state(record)["state"].tolist() == [WITHIN]
    table = state(record, limits=limits)
    assert (table["state"].tolist(), table["tolerance"].tolist()) == ([LEFT], [0.2])


@pytest.mark.parametrize("as_cohort", [False, True])
def test_a_course_that_is_not_measured_leaves_nothing_known(as_cohort):
    table = state(
        (41, "vertical", 1, -2.0, -0.9, -2.0),
        (41, "vertical", 2, -1.8, NAN, -1.1),
        (31, "vertical", 1, -2.0, NAN, -2.0),
        (31, "vertical", 2, -1.0, -0.4, -1.0),
        (11, "vertical", 1, 1.0, 0.2, 1.0),
        as_cohort=as_cohort,
    ).set_index("tooth")
    assert table["state"].to_dict() == {11: LEFT, 31: NOT_KNOWN, 41: NOT_KNOWN}
    assert np.isnan(table.loc[[31, 41], "left"]).all()
    # what course 1 reached stays on record, and what was left then is said in words
    assert table.loc[41, "reached"] == pytest.approx(-0.9)
    assert "After course 1, 1.10\u00a0mm was left." in table.loc[41, "note"]
    assert table.loc[41, "note"].startswith("Course 2 has no result")
    # the first course of 31 is not measured: nothing it reached is known, and that is not 0
    assert np.isnan(table.loc[31, "reached"])
    assert table.loc[31, "courses"] == 0
    assert table.loc[31, "not_measured"] == 2
    assert table.loc[31, "note"].startswith("Courses 1 and 2 have no result")
    past = records_of(rows((41, "vertical", 2, -1.8, NAN, -1.1)))
    assert aims_left(table.reset_index(), past.rows, "P001")["tooth"].tolist() == [11]


def test_a_tooth_without_a_record_in_the_last_course_says_as_of_when():
    table = state(
        (41, "vertical", 1, -2.0, -0.9, -2.0),
        (11, "vertical", 1, 1.0, 0.8, 1.0),
        (11, "vertical", 2, 0.0, 0.1, NAN),
        (36, "vertical", 2, 0.5, 0.4, 0.5),
    ).set_index("tooth")
    assert table.loc[41, "note"] == "No record in course 2: this is the state after course 1."
    # within the tolerance it needs no word
    assert table.loc[[11, 36], "note"].tolist() == ["", ""]


def test_past_the_aim_what_is_left_goes_back():
    row = state((13, "rotation", 1, 10.0, 13.0, 10.0)).iloc[0]
    assert (row["left"], row["state"]) == (-3.0, LEFT)
    assert row["note"] == "It went 3.0° past the aim: what is left goes back the other way."


def test_the_wrong_way_is_said():
    row = state((13, "rotation", 1, 10.0, -2.5, 10.0)).iloc[0]
    assert row["left"] == 12.5
    assert row["note"] == "It went the other way than aimed at."


def test_several_movements_of_one_tooth_are_rows_of_their_own():
    table = state(
        (13, "rotation", 1, 10.0, 4.0, 10.0),
        (13, "vertical", 1, 1.0, 0.9, 1.0),
        (13, "tip", 1, 0.0, 3.0, NAN),
    )
    # a plan of 0 aimed at nothing, though it went 3 degrees
    assert table[["movement", "left", "state"]].values.tolist() == [
        ["rotation", 6.0, LEFT],
        ["vertical", pytest.approx(0.1), WITHIN],
    ]


def test_what_is_left_becomes_the_aim_with_the_last_attachment():
    frame = rows(
        (13, "rotation", 1, 10.0, 4.0, 10.0),
        (13, "rotation", 2, 8.0, 3.0, 6.0),
        (23, "rotation", 1, 10.0, 9.0, 10.0),
    ).assign(attachment=["none", "ellipsoid", "none"])
    past = records_of(frame)
    own = past.of("P001")
    aims = aims_left(so_far(own, PlanLimits(), 2), own, "P001")
    assert aims.to_dict("records") == [
        {
            "patient": "P001",
            "tooth": 13,
            "movement": "rotation",
            "aim": 3.0,
            "attachment": "ellipsoid",
        }
    ]
