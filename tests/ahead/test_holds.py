"""Teeth to hold: planned zeros, zeros that were not recorded, missing rescans, neighbours."""

import numpy as np
import pandas as pd
import pytest

from outcomes.ahead.beside import beside_of, neighbours, plans_beside
from outcomes.ahead.holds import Learnt, asked_of_records, holds_of, learn_side_movement
from outcomes.ahead.records import records_of
from outcomes.ahead.result import HOLDS
from outcomes.overcorrect.plan import PlanLimits
from outcomes.overcorrect.rules import Rules

NAN = float("nan")
ASKED = {"tooth": 36, "movement": "vertical", "unit": "mm", "asked": "aim 0"}


def cohort(patients=12, slope=0.0, seed=1, own=0.0) -> pd.DataFrame:
    """Lower first molars without a plan beside second molars and premolars with one."""
    rng = np.random.default_rng(seed)
    found = []
    for i in range(patients):
        beside = float(rng.choice([-1.0, 1.0]) * rng.uniform(0.5, 1.5))
        side = 0.2 + slope * beside + rng.normal(0, 0.1) + (own if i == 0 else 0.0)
        found += [
            (f"P{i:03d}", 36, "vertical", 1, 0.0, side),
            (f"P{i:03d}", 37, "vertical", 1, beside, 0.5 * beside),
            (f"P{i:03d}", 11, "vertical", 1, 0.0, rng.normal(0, 0.05)),
        ]
    names = ["patient", "tooth", "movement", "course", "planned", "achieved"]
    return pd.DataFrame(found, columns=names)


def held(frame, asked=ASKED, patient="NEW", plans=None, limits=None, rules=None) -> pd.Series:
    past = records_of(frame)
    rules = rules or Rules()
    learnt = {"vertical": learn_side_movement(past, "vertical", rules.fewest)}
    own = past.rows[past.rows["patient"] == patient]
    table = holds_of(
        pd.DataFrame([asked]), learnt, own, patient, plans or {}, limits or PlanLimits(), rules
    )
    assert tuple(table.columns) == HOLDS
    return table.iloc[0]


def test_a_tooth_to_hold_says_where_it_will_go():
    row = held(cohort())
    assert row["expected"] == pytest.approx(0.2, abs=0.08)
    assert row["low_95"] < row["low_80"] < row["expected"] < row["high_80"] < row["high_95"]
    assert row["within"] + row["beyond_positive"] + row["beyond_negative"] == pytest.approx(1)
    assert row["beyond_positive"] > row["beyond_negative"]
    assert (row["patients"], row["movements"], row["own_movements"]) == (12, 12, 0)
    assert np.isnan(row["so_far"])
    assert row["verdict"] == "supported"
    assert row["why"] == "Rests on 12 side movements of 12 patients (lower molar)."


def test_own_side_movement_counts():
    frame = cohort(own=0.6)
    new, own = held(frame), held(frame, patient="P000")
    assert own["own_movements"] == 1
    assert own["so_far"] == pytest.approx(frame["achieved"].iloc[0])
    assert own["expected"] > new["expected"] + 0.05
    assert own["within"] < new["within"]


def test_zeros_that_were_not_recorded_are_not_teeth_that_stayed():
    frame = cohort()
    row = held(frame[frame["planned"] != 0])
    assert row["verdict"] == "not supported"
    assert "does not mean that it stayed" in row["why"]
    assert row[["expected", "low_80", "within", "beyond_positive"]].isna().all()
    assert row["patients"] == 0


@pytest.mark.parametrize(("patients", "verdict"), [(4, "not supported"), (5, "supported")])
def test_from_how_many_patients_an_answer_is_given(patients, verdict):
    limits = PlanLimits(tolerance={"mm": 2.0})  # so that few patients are not wide as well
    assert held(cohort(patients), limits=limits)["verdict"] == verdict


def test_an_answer_that_leans_on_other_teeth_is_wide():
    row = held(cohort(), asked={**ASKED, "tooth": 13})
    assert row["verdict"] == "wide"
    assert row["why"].startswith(
        "No patient with a plan of 0 in this class and arch (upper canine)"
    )


def test_the_range_against_the_tolerance_on_both_sides():
    row = held(cohort())
    half = (row["high_80"] - row["low_80"]) / 2
    for factor, verdict in ((1.001, "supported"), (0.999, "wide")):
        limits = PlanLimits(tolerance={"vertical": half * factor})
        assert held(cohort(), limits=limits)["verdict"] == verdict


def test_a_result_that_is_missing_is_no_side_movement_of_zero():
    frame = cohort()
    lost = frame.assign(achieved=frame["achieved"].mask(frame["patient"] == "P000"))
    row = held(lost, patient="P000")
    assert (row["patients"], row["own_movements"]) == (11, 0)
    assert np.isnan(row["so_far"])


def test_side_movements_of_several_courses_add_up_unless_one_is_missing():
    frame = cohort()
    more = pd.DataFrame(
        [("P000", 36, "vertical", 2, 0.0, 0.3), ("P001", 36, "vertical", 2, 0.0, NAN)],
        columns=list(frame.columns),
    )
    both = pd.concat([frame, more], ignore_index=True)
    first = frame.loc[frame["tooth"] == 36, "achieved"].iloc[0]
    assert held(both, patient="P000")["so_far"] == pytest.approx(first + 0.3)
    assert np.isnan(held(both, patient="P001")["so_far"])


def test_the_least_likely_to_stay_comes_first():
    past = records_of(cohort())
    learnt = {"vertical": learn_side_movement(past, "vertical", 5)}
    asked = pd.DataFrame([{**ASKED, "tooth": 11}, ASKED])
    table = holds_of(asked, learnt, past.rows[:0], "NEW", {}, PlanLimits(), Rules())
    assert table["tooth"].tolist() == [36, 11]


def test_neighbours_by_hand():
    assert neighbours(11) == (12, 21)
    assert neighbours(48) == (47,)
    assert neighbours(85) == (84,)
    assert neighbours(99) == ()
    assert plans_beside(36, {37: 1.0, 35: -0.4, 26: 9.0}) == pytest.approx(0.6)
    # a neighbour without a record is not one with a plan of 0
    assert np.isnan(plans_beside(36, {26: 1.0}))
    assert plans_beside(36, {35: 0.0}) == 0.0


def beside(frame):
    past = records_of(frame).rows
    still = past[past["planned"] == 0]
    return beside_of(still, past)


def test_the_slope_of_plans_beside_by_hand():
    """Least squares and a sandwich by hand: two classes, of which one has plans beside."""
    frame = cohort(slope=-0.3)
    found = beside(frame)
    molars = frame[frame["tooth"] == 36]["achieved"].to_numpy()
    x = frame[frame["tooth"] == 37]["planned"].to_numpy()
    slope, _ = np.polyfit(x, molars, 1)
    assert found.slope == pytest.approx(slope)
    dx, r = x - x.mean(), molars - molars.mean() - slope * (x - x.mean())
    se = np.sqrt((dx**2 * r**2).sum() * 12 / 11) / (dx**2).sum()
    assert found.se == pytest.approx(se)
    assert found.told
    assert "the other way" in found.said
    assert "not allotted at random" in found.said


def test_plans_beside_count_only_where_the_cohort_tells_it():
    frame = cohort(slope=-0.3)
    plans = {("vertical", 37): 1.0, ("tip", 35): 9.0}
    alone, added = held(frame), held(frame, plans=plans)
    assert added["expected"] - alone["expected"] == pytest.approx(beside(frame).slope)
    assert added["neighbours"].startswith("The plans beside it (37) add −0.")
    assert alone["neighbours"] == ""
    # not told: nothing is added, and that is said
    plain = cohort(slope=0.0)
    assert not beside(plain).told
    same = held(plain, plans=plans)
    assert same["expected"] == pytest.approx(held(plain)["expected"])
    assert "does not tell" in same["neighbours"]


@pytest.mark.parametrize(("patients", "told"), [(9, False), (10, True)])
def test_from_how_many_patients_plans_beside_are_told(patients, told):
    found = beside(cohort(patients, slope=-0.3))
    assert found.told == told
    assert ("9 of 10 patients needed" in found.said) != told


def test_what_the_last_course_left_alone_is_asked_for():
    rows = pd.DataFrame(
        [
            (11, "vertical", "mm", 1, 0.0, 0.1),
            (12, "vertical", "mm", 2, 0.0, 0.1),
            (13, "vertical", "mm", 2, 0.0, 0.1),
            (14, "vertical", "mm", 2, 1.0, 0.1),
        ],
        columns=["tooth", "movement", "unit", "course", "planned", "achieved"],
    )
    asked = asked_of_records(rows, {(13, "vertical")})
    assert asked.to_dict("records") == [
        {"tooth": 12, "movement": "vertical", "unit": "mm", "asked": "planned 0 in course 2"}
    ]
    assert asked_of_records(rows[:0], set()).empty


def test_no_rows_learn_nothing():
    past = records_of(cohort())
    learnt = learn_side_movement(past, "tip", 5)
    assert isinstance(learnt, Learnt)
    assert (learnt.patients, learnt.drift) == (0, None)
