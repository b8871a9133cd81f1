"""Apex displacement against the design's worked example and scipy's rigid motion."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from outcomes.clinical.apex import apex_motion, tooth_lengths
from outcomes.clinical.roots import CAUTION, apex_displacement
from outcomes.cohort.read import from_frames
from outcomes.domain.teeth import LOWER_INCISORS
from outcomes.errors import CannotAnswer
from outcomes.simulate import simulate_cohort


def movements(tooth=41, patient="P001", course=1, planned=None, **achieved):
    return pd.DataFrame(
        {
            "patient": patient,
            "tooth": tooth,
            "movement": list(achieved),
            "planned": [2 * v for v in achieved.values()] if planned is None else planned,
            "achieved": list(achieved.values()),
            "course": course,
        }
    )


def test_ten_degrees_of_torque_about_the_incisal_edge():
    # 2 * (9.0 + 12.5) * sin 5 degrees = 3.75 mm (arithmetic; lengths from Wheeler's, from memory)
    row = apex_displacement(movements(torque=10.0), reference="incisal edge").table.iloc[0]
    assert row["arm"] == 21.5
    assert row["apex_distance"] == pytest.approx(2 * 21.5 * np.sin(np.radians(5)))
    assert row["apex_distance"] == pytest.approx(3.75, abs=0.005)
    assert row["apex_buccal"] == pytest.approx(-21.5 * np.sin(np.radians(10)))  # lingually
    assert row["apex_vertical"] > 0  # towards the crown


def test_lengths_that_the_design_names():
    table = tooth_lengths().set_index("tooth")
    assert len(table) == 32
    assert table.loc[31].tolist() == [9.0, 12.5]
    assert table.loc[11].tolist() == [10.5, 13.0]
    # the upper canine is the longest tooth, and the two sides are alike (Wheeler's, from memory)
    assert (table.sum(axis=1)).idxmax() in (13, 23, 33, 43)
    assert table.loc[13].sum() == 27.0
    for right, left in ((1, 2), (4, 3)):
        np.testing.assert_array_equal(
            table.loc[[10 * right + n for n in range(1, 9)]],
            table.loc[[10 * left + n for n in range(1, 9)]],
        )
    assert (table["root"] > table["crown"]).all()


small = st.floats(-3, 3)
turns = st.floats(-25, 25)


@settings(max_examples=60, deadline=None)
@given(st.tuples(small, small, small), st.tuples(turns, turns, turns), st.floats(5, 30))
def test_crown_and_apex_move_as_one_body(translation, angles, arm):
    """scipy recovers the motion of the crown from its surface; the apex must follow it."""
    rng = np.random.default_rng(1)
    crown = rng.normal(0, 3, (20, 3))  # about the reference point
    tip, torque, rotation = angles
    turn = Rotation.from_rotvec([-torque, tip, rotation], degrees=True)
    after = turn.apply(crown) + translation
    found, left = Rotation.align_vectors(after - after.mean(0), crown - crown.mean(0))
    assert left < 1e-5
    shift = after.mean(0) - found.apply(crown.mean(0))
    apex = np.array([0.0, 0.0, -arm])
    expected = found.apply(apex) + shift - apex
    ours = apex_motion(np.array(translation), np.array(angles), arm)
    np.testing.assert_allclose(ours, expected, atol=1e-6)
    # a rigid body keeps the distance from the reference point
    end = apex + ours - translation
    assert np.linalg.norm(end) == pytest.approx(arm)


@pytest.mark.parametrize(
    ("angles", "apex"),
    [
        ((5, 0, 0), (-1, 0)),  # the crown tips mesially, the apex goes distally
        ((-5, 0, 0), (1, 0)),
        ((0, 5, 0), (0, -1)),  # the crown turns labially, the apex lingually
        ((0, -5, 0), (0, 1)),
        ((0, 0, 20), (0, 0)),  # turning about the long axis leaves the apex where it is
    ],
)
def test_signs_of_the_data_model(angles, apex):
    moved = apex_motion(np.zeros(3), np.array(angles, dtype=float), 17.0)
    assert np.sign(moved[:2].round(9)).tolist() == list(apex)


def test_translation_takes_the_apex_along():
    row = apex_displacement(
        movements(mesiodistal=0.3, buccolingual=-0.4, vertical=-1.2)
    ).table.iloc[0]
    assert row[["apex_mesial", "apex_buccal", "apex_vertical"]].tolist() == pytest.approx(
        [0.3, -0.4, -1.2]
    )
    assert row["apex_distance"] == pytest.approx(1.3)
    assert row["recorded"] == "mesiodistal, buccolingual, vertical"


def test_the_centre_of_the_crown_is_half_a_crown_nearer():
    edge, centre = (
        apex_displacement(movements(torque=6.0), reference=r).table["arm"].iloc[0]
        for r in ("incisal edge", "crown centre")
    )
    assert edge - centre == 4.5
    own = apex_displacement(movements(torque=6.0), lengths={41: (8.0, 10.0)}).table
    assert own["arm"].tolist() == [14.0]


def test_small_turns_hardly_depend_on_how_they_are_put_together():
    """Against turning one axis after the other, for the sizes that occur: within 0.3 mm."""
    angles = np.array([4.0, 8.0, 10.0])
    one = apex_motion(np.zeros(3), angles, 17.0)
    root = np.array([0.0, 0.0, -17.0])
    for order in ("xyz", "zyx", "yxz"):
        by_axis = {"x": -angles[1], "y": angles[0], "z": angles[2]}
        turn = Rotation.from_euler(order, [by_axis[a] for a in order], degrees=True)
        assert np.linalg.norm(one - (turn.apply(root) - root)) < 0.3


def test_courses_add_up_and_teeth_not_at_risk_stay_out():
    frame = pd.concat(
        [
            movements(torque=3.0),
            movements(torque=2.0, buccolingual=0.5, course=2),
            movements(tooth=11, torque=9.0),
            movements(tooth=32, patient="P002", torque=-4.0),
        ]
    )
    result = apex_displacement(frame)
    row = result.table.set_index("tooth").loc[41]
    assert (row["torque"], row["courses"]) == (5.0, 2)
    assert result.table["tooth"].tolist() == [41, 32]
    assert result.summary["tooth"].tolist() == [32, 41]
    assert set(apex_displacement(frame, teeth=[11]).table["tooth"]) == {11}
    assert 11 not in LOWER_INCISORS


def test_what_a_plan_would_do():
    planned = apex_displacement(movements(torque=5.0), of="planned").table["torque"]
    assert planned.tolist() == [10.0]


def test_the_measured_distance_to_the_plate_agrees_in_invented_cases():
    """The invented films hold what the crowns did, with reading errors of 0.2 mm twice and of the
    movements; lengths as the simulator has them (9.0 + 12.5 mm for every lower incisor)."""
    cohort = simulate_cohort(patients=150, seed=8, drop_out=0.0).cohort()
    table = apex_displacement(cohort, lengths=dict.fromkeys(LOWER_INCISORS, (9.0, 12.5))).table
    seen = table.dropna(subset=["plate_measured"])
    seen = seen[seen["plate_expected"] > 0.5]  # below zero the film shows zero
    off = seen["plate_measured"] - seen["plate_expected"]
    assert len(seen) > 100
    assert abs(off.mean()) < 3 * off.std() / np.sqrt(len(off)) + 0.01
    assert off.std() < 0.45
    moved = seen["plate_measured"] - seen["plate_start"]
    assert off.std() < 0.5 * moved.std()


def test_the_plate_is_compared_at_the_last_course_only():
    rows = pd.concat([movements(buccolingual=0.5), movements(buccolingual=0.4, course=2)])
    plate = pd.DataFrame(
        {
            "patient": "P001",
            "after_course": [0, 1],
            "measure": "apex_to_plate",
            "tooth": 41,
            "value": [0.6, 0.1],
        }
    )
    result = apex_displacement(from_frames(rows, measures=plate, notation="fdi"))
    row = result.table.iloc[0]
    assert row["plate_expected"] == pytest.approx(-0.3)
    assert np.isnan(row["plate_measured"])
    assert (row["plate_last"], row["plate_last_course"]) == (0.1, 1)
    assert any("P001 41: 0.1 mm after course 1" in note for note in result.notes)
    assert any("beyond the plate" in note for note in result.notes)


def test_caution_and_what_is_not_recorded_are_said():
    result = apex_displacement(movements(buccolingual=0.5))
    assert result.caution == CAUTION
    assert "neither the root nor the bone was seen" in repr(result)
    assert CAUTION in result._repr_html_()
    assert any("1 tooth has no row for torque" in note for note in result.notes)
    assert result.summary["sd"].isna().all()  # one patient


def test_nothing_recorded():
    result = apex_displacement(movements(tooth=11, torque=4.0))
    assert len(result.table) == len(result.summary) == 0
    assert "apex_distance" in result.table
    assert result.notes == ("No movement of these teeth was recorded.",)
    assert "no tooth" in repr(result)


def test_a_tooth_with_a_blank_first_course_has_no_apex():
    frame = pd.concat([movements(torque=4.0), movements(tooth=31, tip=np.nan, torque=2.0)])
    result = apex_displacement(frame)
    rows = result.table.set_index("tooth")
    assert rows.loc[31, "courses"] == 0
    assert np.isnan(rows.loc[31, ["apex_buccal", "apex_distance"]].astype(float)).all()
    assert rows.loc[31, "missing"] == "tip not measured in course 1"
    assert np.isfinite(rows.loc[41, "apex_buccal"])
    assert result.summary.set_index("tooth")["patients"].to_dict() == {31: 0, 41: 1}
    assert any("P001 31: tip not measured in course 1" in note for note in result.notes)


def two_courses(second):
    """Torque 3 and 0.2 mm labially, then 0.3 mm and what is given for torque."""
    return pd.concat(
        [
            movements(torque=3.0, buccolingual=0.2),
            movements(buccolingual=0.3, course=2),
            second,
        ]
    )


@pytest.mark.parametrize("as_cohort", [False, True])
def test_torque_blank_in_a_later_course_is_said_and_the_apex_ends_before(as_cohort):
    blank = movements(torque=3.0, course=2).assign(achieved=np.nan)
    rows = two_courses(blank)
    plate = pd.DataFrame(
        {
            "patient": "P001",
            "after_course": [0, 1, 2],
            "measure": "apex_to_plate",
            "tooth": 41,
            "value": [2.0, 2.6, 2.9],
        }
    )
    given = from_frames(rows, measures=plate, notation="fdi") if as_cohort else rows
    result = apex_displacement(given)
    row = result.table.iloc[0]
    first = apex_displacement(movements(torque=3.0, buccolingual=0.2)).table.iloc[0]
    assert (row["courses"], row["torque"]) == (1, 3.0)
    assert row["apex_buccal"] == pytest.approx(first["apex_buccal"])
    assert row["missing"] == "torque not measured in course 2"
    assert any("P001 41: torque not measured in course 2" in note for note in result.notes)
    if as_cohort:
        # after the course that counts, and the last there is
        assert row["plate_expected"] == pytest.approx(2.0 - row["apex_buccal"])
        assert (row["plate_measured"], row["plate_last"], row["plate_last_course"]) == (2.6, 2.9, 2)


def test_a_course_without_a_row_for_torque_is_said_and_in_no_mean():
    result = apex_displacement(two_courses(movements(tip=1.0, course=2)))
    row = result.table.iloc[0]
    assert row["missing"] == "no row for torque in course 2"
    assert not row["torque_measured"]
    assert result.summary[["patients", "without_torque"]].values.tolist() == [[0, 1]]
    assert result.summary["mean"].isna().all()


def test_torque_measured_as_zero_is_measured():
    result = apex_displacement(two_courses(movements(torque=0.0, course=2)))
    row = result.table.iloc[0]
    assert (row["courses"], row["torque"], row["missing"]) == (2, 3.0, "")
    assert row["torque_measured"]
    assert result.summary[["patients", "without_torque"]].values.tolist() == [[1, 0]]


@settings(max_examples=30, deadline=None)
@given(st.sets(st.integers(0, 7)), st.booleans())
def test_torque_that_is_lost_never_pulls_the_mean_towards_zero(lost, blank):
    rows = [movements(patient=f"P{k:03d}", torque=6.0, buccolingual=0.4) for k in range(8)]
    frame = pd.concat(rows, ignore_index=True)
    gone = frame["patient"].isin([f"P{k:03d}" for k in lost]) & (frame["movement"] == "torque")
    frame = frame.assign(achieved=frame["achieved"].mask(gone)) if blank else frame[~gone]
    row = apex_displacement(frame).summary.iloc[0]
    assert row["patients"] == 8 - len(lost)
    assert row["without_torque"] == len(lost)
    alone = apex_displacement(rows[0]).table["apex_buccal"].iloc[0]
    assert np.isnan(row["mean"]) if len(lost) == 8 else row["mean"] == pytest.approx(alone)


def test_a_plan_holds_the_courses_that_are_not_measured_yet():
    rows = pd.concat([movements(torque=3.0), movements(torque=2.0, course=2).assign(achieved=None)])
    planned = apex_displacement(from_frames(rows, notation="fdi"), of="planned").table.iloc[0]
    assert (planned["torque"], planned["courses"]) == (10.0, 2)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"teeth": [71]}, "permanent teeth"),
        ({"teeth": [19]}, "No root length is known for 19"),
        ({"reference": "bracket"}, "'crown centre' or 'incisal edge'"),
        ({"of": "aim"}, "'achieved' or 'planned'"),
        ({"lengths": {41: (9.0, 0.0)}}, "above 0"),
    ],
)
def test_what_cannot_be_placed_says_what_to_change(options, says):
    with pytest.raises(CannotAnswer, match=says):
        apex_displacement(movements(torque=4.0), **options)
    with pytest.raises(CannotAnswer, match="No column 'movement'"):
        apex_displacement(movements(torque=4.0).drop(columns="movement"))
