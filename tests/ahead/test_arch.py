"""The arch of a course and the trade-off of its interval: counted by hand."""

import numpy as np
import pandas as pd
import pytest

from outcomes.ahead.arch import arch_of
from outcomes.ahead.intervals import NOT_ALLOTTED, intervals_of
from outcomes.ahead.records import records_of
from outcomes.ahead.result import ARCH, INTERVALS
from outcomes.cohort.read import from_frames
from outcomes.overcorrect.plan import BEST, OPTIONS, Plan, PlanLimits
from outcomes.overcorrect.rules import Rules

NAN = float("nan")


def plan_of(*rows) -> Plan:
    """tooth, movement, unit, aim, planned, aligners of the plan with the best chance."""
    names = ["tooth", "movement", "unit", "aim", "planned", "aligners"]
    table = pd.DataFrame(rows, columns=names)
    aims = table[["tooth", "movement", "unit", "aim"]].assign(patient="NEW")
    parts = [
        table[["tooth", "movement", "aim"]].assign(
            at=table.index,
            option=option,
            # other ways need more: they must not count
            planned=table["planned"] * (1 if option == BEST else 3),
            aligners=table["aligners"] * (1 if option == BEST else 3),
        )
        for option in OPTIONS
    ]
    none = pd.DataFrame()
    return Plan(aims, pd.concat(parts), none, PlanLimits(), Rules(), {}, "aims")


def test_the_slowest_sets_the_number_and_the_rest_is_staged():
    table, number = arch_of(
        plan_of(
            (11, "vertical", "mm", -0.5, -0.6, 3.0),
            (12, "rotation", "degree", 9.0, 16.0, 8.0),
            (12, "tip", "degree", 2.0, 3.0, 3.0),
            (13, "vertical", "mm", 0.7, NAN, NAN),
            (14, "vertical", "mm", 0.3, 0.0, 0.0),
        )
    )
    assert number == 8
    assert tuple(table.columns) == ARCH
    rows = table.set_index("at")
    assert rows.index.tolist()[0] == 1  # what needs most stands first
    assert rows.loc[1, ["start", "end", "latest_start", "sets_number"]].tolist() == [1, 8, 1, True]
    assert rows.loc[0, ["start", "end", "latest_start", "sets_number"]].tolist() == [1, 3, 6, False]
    assert rows["step"].tolist() == pytest.approx([2.0, -0.075, 0.375, NAN, NAN], nan_ok=True)
    assert "Tooth 12 moves in 2 ways at once" in rows.loc[1, "note"]
    assert rows.loc[0, "note"] == ""
    # no plan is no plan of 0
    assert rows.loc[3, "note"] == "No plan, and so not counted."
    assert rows.loc[3, ["aligners", "start"]].isna().all()
    assert rows.loc[4, "note"] == "The plan leaves it where it is."
    assert rows.loc[4, "aligners"] == 0


def test_two_that_need_as_many_both_set_it():
    table, _ = arch_of(
        plan_of((11, "vertical", "mm", 1.0, 1.0, 4.0), (21, "vertical", "mm", 1.0, 1.0, 4.0))
    )
    assert table["sets_number"].tolist() == [True, True]


def test_nothing_to_move_has_no_number():
    assert arch_of(None)[1] is None
    table, number = arch_of(plan_of((11, "vertical", "mm", 1.0, NAN, NAN)))
    assert number is None
    assert not table["sets_number"].any()


def recorded(patients=20, days=(7.0, 14.0), effect=0.0, wear=None, seed=1):
    """Patients whose rate changes by ``effect`` from the first interval to the second."""
    rng = np.random.default_rng(seed)
    rows, courses = [], []
    for i in range(patients):
        at = i % len(days)
        rate = 0.6 + effect * at + rng.normal(0, 0.05)
        for tooth in (13, 23, 33, 43):
            planned = rng.uniform(5, 20)
            rows.append((f"P{i}", tooth, "rotation", planned, rate * planned + rng.normal(0, 0.5)))
        courses.append((f"P{i}", 1, days[at], NAN if wear is None else wear[at]))
    names = ["patient", "tooth", "movement", "planned", "achieved"]
    table = pd.DataFrame(courses, columns=["patient", "course", "days_per_aligner", "wear_hours"])
    if wear is None:
        table = table.drop(columns="wear_hours")
    return records_of(
        from_frames(pd.DataFrame(rows, columns=names), courses=table, strict=False, notation="fdi")
    )


def intervals(records, movements=("rotation",), aligners=10, days=7.0):
    table = intervals_of(records, movements, aligners, days)
    assert tuple(table.columns) == INTERVALS
    return table


def test_days_of_the_course_at_each_recorded_interval():
    table = intervals(recorded(), days=10.0)
    rows = table[table["value"].notna()].set_index("value")
    assert rows["days"].to_dict() == {7.0: 70, 10.0: 100, 14.0: 140}
    assert rows["patients"].to_dict() == {7.0: 10, 10.0: 0, 14.0: 10}
    assert rows.loc[10.0, "note"] == "The plan's interval."
    assert intervals(recorded(), aligners=None)["days"].isna().all()


def evidence(table, column="days_per_aligner"):
    return table[(table["column"] == column) & table["value"].isna()].iloc[0]


def test_the_cohorts_own_evidence_is_told_with_its_warning():
    row = evidence(intervals(recorded(effect=0.2)))
    # 0.2 more for seven days more (built so)
    assert row["difference"] == pytest.approx(0.2 / 7, abs=0.01)
    assert row["low"] > 0
    assert row["told"]
    assert row["note"].endswith(NOT_ALLOTTED)
    row = evidence(intervals(recorded()))
    assert not row["told"]
    assert row["low"] < 0 < row["high"]
    assert row["note"].endswith("The cohort does not tell whether it matters.")


def test_intervals_of_several_movements_hold_together():
    one = evidence(intervals(recorded()))
    both = intervals(recorded(), movements=("rotation", "tip"))
    first, second = both[both["value"].isna() & (both["column"] == "days_per_aligner")].index
    assert both.loc[first, "low"] < one["low"]
    assert both.loc[second, "note"].startswith("0 patients with planned tip")


def test_no_evidence_says_so():
    none = intervals_of(
        records_of(
            pd.DataFrame(
                {
                    "patient": ["P1"],
                    "tooth": [13],
                    "movement": "rotation",
                    "planned": 5.0,
                    "achieved": 3.0,
                }
            )
        ),
        ("rotation",),
        10,
        7.0,
    )
    assert none["value"].dropna().tolist() == [7.0]
    assert "does not record days per aligner" in evidence(none)["note"]
    assert "does not record hours of wear" in evidence(none, "wear_hours")["note"]
    same = intervals(recorded(days=(7.0,)))
    assert evidence(same)["note"].startswith("All courses were recorded with 7 days per aligner")


@pytest.mark.parametrize(("patients", "told"), [(9, False), (10, True)])
def test_from_how_many_patients_evidence_is_looked_at(patients, told):
    row = evidence(intervals(recorded(patients, effect=0.2)))
    assert pd.notna(row["difference"]) == told
    assert ("too few to tell" in row["note"]) != told
