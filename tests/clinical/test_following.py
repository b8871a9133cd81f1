"""Which aim a tooth follows, by hand; what is not measured is never a tooth that stayed."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.clinical.courses import courses
from outcomes.clinical.following import first_not_measured, remaining
from outcomes.cohort.read import from_frames

NAN = float("nan")


def site(*records, tooth=31, movement="torque", patient="P001"):
    """Records of one tooth: course, aim, planned, achieved."""
    frame = pd.DataFrame(records, columns=["course", "aim", "planned", "achieved"])
    unit = "mm" if movement == "vertical" else "degree"
    return frame.assign(patient=patient, tooth=tooth, movement=movement, unit=unit)


def left(*records, **more):
    table = remaining(site(*records, **more))
    assert len(table) == 1
    return table.iloc[0]


def incisors():
    """One root torqued in course 1, then all four incisors in course 2 (invented)."""
    return pd.concat(
        [
            site((1, 8.0, 10.0, 5.0), (2, -6.0, -7.0, -4.0), tooth=31),
            *[site((2, -6.0, -7.0, -4.0), tooth=tooth) for tooth in (32, 41, 42)],
        ],
        ignore_index=True,
    )


@pytest.mark.parametrize("as_cohort", [False, True])
def test_a_root_torqued_first_and_all_four_after(as_cohort):
    rows = incisors()
    given = from_frames(rows.drop(columns="unit"), notation="fdi") if as_cohort else rows
    table = remaining(given).set_index("tooth")
    assert table.index.tolist() == [31, 32, 41, 42]
    one = table.loc[31]
    # 5 - 6 = -1 from the start; there it stands at 5 - 4 = 1: 2 degrees short (arithmetic)
    assert one[["first_aim", "aims", "aim", "achieved", "left", "begun"]].tolist() == [
        8,
        2,
        -1,
        1,
        -2,
        1,
    ]
    assert one["within"]
    for tooth in (32, 41, 42):
        row = table.loc[tooth]
        assert row[["begun", "first_aim", "aim", "achieved", "left"]].tolist() == [
            2,
            -6,
            -6,
            -4,
            -2,
        ]


def test_the_first_aim_stays_where_a_later_course_asks_for_what_was_left():
    row = left((1, 2.0, 2.0, 1.2), (2, 0.8, 1.2, 0.7), movement="vertical")
    assert row[["aims", "first_aim", "aim"]].tolist() == [1, 2.0, 2.0]
    # an aim written with one decimal less is the same aim; a tenth of the tolerance, and just past
    same = left((1, 2.0, 2.0, 1.2), (2, 0.85, 1.2, 0.7), movement="vertical")
    other = left((1, 2.0, 2.0, 1.2), (2, 0.86, 1.2, 0.7), movement="vertical")
    assert (same["aims"], same["aim"]) == (1, 2.0)
    assert (other["aims"], other["aim"]) == (2, pytest.approx(2.06))


@pytest.mark.parametrize("as_cohort", [False, True])
@pytest.mark.parametrize(
    ("planned", "aim"),
    [
        (0.8, 2.0),  # what was left
        (1.6, 2.0),  # overcorrected up to twice
        (1.61, 2.81),  # more than that: the plan is the aim
        (0.3, 2.0),  # part of it
        (-0.9, 0.3),  # the other way
        (0.0, 2.0),  # nothing more
    ],
)
def test_a_plan_without_an_aim_keeps_the_aim_it_serves(planned, aim, as_cohort):
    rows = site((1, 2.0, 2.2, 1.2), (2, NAN, planned, 0.1), movement="vertical")
    given = from_frames(rows.drop(columns="unit"), notation="fdi") if as_cohort else rows
    assert remaining(given)["aim"].tolist() == pytest.approx([aim])


def test_without_any_written_aim_the_plan_of_the_first_course_is_the_aim():
    rows = site((1, NAN, 2.0, 1.2), (2, NAN, 1.2, 0.7), movement="vertical").drop(columns="aim")
    assert remaining(rows)["aim"].tolist() == [2.0]
    read = from_frames(rows.drop(columns="unit"), notation="fdi")
    assert remaining(read)["aim"].tolist() == [2.0]
    assert set(read.blank_aims) == {2, 3}


def test_a_small_plan_the_other_way_keeps_the_aim_up_to_the_tolerance():
    # 0.1 mm past the aim; taken back by 0.6: 0.5 mm from it, then just past
    keeps = left((1, 2.0, 2.0, 2.0), (2, NAN, -0.5, -0.3), movement="vertical")
    turns = left((1, 2.0, 2.0, 2.0), (2, NAN, -0.51, -0.3), movement="vertical")
    assert (keeps["aim"], turns["aim"]) == (2.0, pytest.approx(1.49))


def test_a_planned_zero_begins_nothing():
    row = left((1, 0.0, 0.0, 0.4), (2, -6.0, -7.0, -4.0))
    assert row[["begun", "aim", "achieved"]].tolist() == [2, -6, -4]


def test_a_course_not_measured_between_two_ends_what_is_known():
    row = left((1, 8.0, 8.0, 5.0), (2, 3.0, 4.0, NAN), (3, 2.0, 2.0, 1.5))
    assert row[["courses", "last", "not_followed", "achieved", "left"]].tolist() == [1, 1, 2, 5, 3]
    # nor is a course without a record one in which the tooth stayed
    row = left((1, 8.0, 8.0, 5.0), (3, 2.0, 2.0, 1.5))
    assert row[["courses", "last", "not_followed", "left"]].tolist() == [1, 1, 1, 3]
    # measured as zero, it is known
    row = left((1, 8.0, 8.0, 5.0), (2, 3.0, 4.0, 0.0), (3, 3.0, 2.0, 1.5))
    assert row[["courses", "last", "not_followed", "left"]].tolist() == [3, 3, 0, 1.5]


def test_a_movement_begun_later_and_not_measured_is_listed():
    rows = site((1, 0.0, 0.0, 0.4), (2, -6.0, -7.0, NAN))
    assert len(remaining(rows)) == 0
    assert first_not_measured(rows)[["course", "aim"]].values.tolist() == [[2, -6.0]]


# ------------------------------------------------------------------------------- several courses


def test_courses_follow_the_new_aim_and_show_the_first():
    rows = pd.concat([incisors(), site((1, 4.0, 4.0, 4.0), tooth=33)], ignore_index=True)
    found = courses(rows, n_boot=0)
    table = found.overall.set_index("course")
    assert table["teeth"].tolist() == [2, 5]
    # course 1: 31 reached 5 of 8 and 33 4 of 4; course 2: four incisors 4 of 6 from where they
    # stood, 33 as it was
    assert table["reached"].tolist() == pytest.approx([9 / 12, 20 / 28])
    # first aims: 31 at 1 of 8, three at 4 of 6, 33 at 4 of 4
    assert table["reached_first"].tolist() == pytest.approx([9 / 12, 17 / 30])
    rate = 9 / 12
    once, twice = rate, 1 - (1 - rate) ** 2
    assert table["arithmetic"].tolist() == pytest.approx([once, (24 * once + 4 * twice) / 28])
    notes = " ".join(found.notes)
    assert "3 tooth movements that began in a later course count from it on." in notes
    assert "1 tooth movements got a new aim in a later course, which is followed." in notes


def test_a_new_aim_on_the_same_way_counts_from_the_start():
    found = courses(site((1, 8.0, 8.0, 5.0), (2, 1.0, 2.0, 0.5)), n_boot=0).overall
    assert found["reached"].tolist() == pytest.approx([5 / 8, 5.5 / 6])
    assert found["reached_first"].tolist() == pytest.approx([5 / 8, 5.5 / 8])


def test_a_course_not_measured_is_in_no_share():
    rows = pd.concat(
        [
            site((1, 8.0, 8.0, 4.0), (2, 4.0, 4.0, 4.0), patient="P001"),
            site((1, 8.0, 8.0, 4.0), (2, 4.0, 4.0, NAN), patient="P002"),
        ],
        ignore_index=True,
    )
    found = courses(rows, n_boot=200)
    table = found.overall.set_index("course")
    assert table["reached"].tolist() == pytest.approx([0.5, 1.0])
    assert table["teeth"].tolist() == [2, 2]
    assert table["teeth_measured"].tolist() == [2, 1]
    assert table["not_measured"].tolist() == [0, 1]
    assert table["reached_of_treated"].tolist() == pytest.approx([0.5, 1.0])
    waits = found.patients.query("patient == 'P002' and course == 2").iloc[0]
    assert np.isnan(waits["share"])
    assert any("1 movements not measured yet" in note for note in found.notes)


@settings(max_examples=30, deadline=None)
@given(st.sets(st.tuples(st.integers(0, 3), st.integers(1, 3)), max_size=10), st.booleans())
def test_records_taken_away_never_pull_the_share_towards_zero(gone, blank):
    """Every tooth does half of its aim, then half of the rest: a share of those measured stays."""
    steps = [(1, 8.0, 8.0, 4.0), (2, 4.0, 4.0, 2.0), (3, 2.0, 2.0, 1.0)]
    parts = []
    for p in range(4):
        rows = site(*steps, patient=f"P{p}")
        lost = rows["course"].isin([k for q, k in gone if q == p])
        # only blanks and gaps: without a row at the end a tooth is taken as finished
        dropped = lost & (rows["course"] == 2)
        parts.append(rows.assign(achieved=rows["achieved"].mask(lost)) if blank else rows[~dropped])
    rows = pd.concat(parts, ignore_index=True)
    whole = {1: 0.5, 2: 0.75, 3: 0.875}
    if not rows.query("course == 1")["achieved"].notna().any():
        return
    table = courses(rows, n_boot=0).overall
    known = table[table["teeth_measured"] > 0]
    if blank:
        shares = known["course"].map(whole)
        np.testing.assert_allclose(known["reached"], shares)
    last = table.set_index("course")["teeth_measured"]
    first = [p for p in range(4) if not (blank and (p, 1) in gone)]
    for course in last.index:
        lost = {p for p, k in gone if k <= course and (blank or (k == 2 and course == 3))}
        assert last[course] == len([p for p in first if p not in lost])
