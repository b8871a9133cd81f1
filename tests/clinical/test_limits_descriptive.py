"""Described achievement exactly at its limits, and every message."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from outcomes.clinical.achieved import achievement
from outcomes.errors import CannotAnswer


def frame(planned, achieved, patient=None, **columns):
    patient = [f"P{i:03d}" for i in range(len(planned))] if patient is None else patient
    return pd.DataFrame(
        {"patient": patient, "planned": planned, "achieved": achieved, "movement": "rotation"}
        | columns
    )


def row(table, **options):
    return achievement(table, **{"by": "movement", **options}).iloc[0]


def test_exactly_the_tolerance_is_within_it():
    # 2 degrees and 0.5 mm: Angle Orthod 2017;87(6):809-815
    table = frame([10.0, 10.0, 10.0], [8.0, 12.0, 12.01])
    assert row(table)["within_tolerance"] == pytest.approx(2 / 3)
    table = frame([3.0, 3.0, 3.0], [2.5, 3.5, 2.49], movement="vertical")
    assert row(table)["within_tolerance"] == pytest.approx(2 / 3)


def test_exactly_the_smallest_plan_has_a_ratio():
    # 1 degree and 0.2 mm: common practice, no source
    assert row(frame([1.0, 0.99, -1.0], [1.0, 1.0, 1.0]))["ratio_rows"] == 2
    assert row(frame([0.2, 0.19, -0.2], [1.0, 1.0, 1.0], movement="tip"))["ratio_rows"] == 0
    assert row(frame([0.2, 0.19, -0.2], [1.0, 1.0, 1.0], movement="vertical"))["ratio_rows"] == 2


def test_exactly_the_plan_is_not_overshot_and_nothing_is_not_the_wrong_way():
    found = row(frame([5.0, 5.0, -5.0, -5.0, 5.0], [5.0, 5.01, -5.0, 0.0, -0.01]))
    assert found["overshot"] == pytest.approx(0.2)
    assert found["wrong_way"] == pytest.approx(0.2)


def test_limits_of_zero_are_allowed_and_below_zero_are_not():
    found = row(frame([5.0, 6.0], [5.0, 6.1]), tolerance=0, smallest_plan=0)
    assert (found["within_tolerance"], found["ratio_rows"]) == (0.5, 2)
    for name in ("tolerance", "smallest_plan"):
        with pytest.raises(CannotAnswer, match=f"{name} is -0.1: give a number"):
            row(frame([5.0], [5.0]), **{name: -0.1})


def test_two_patients_have_an_interval_and_one_has_none():
    assert np.isfinite(
        row(frame([5.0, 6.0], [2.0, 3.0]))[["pooled_low", "pooled_high"]].tolist()
    ).all()
    one = row(frame([0.5, 0.6], [0.2, 0.3], ["A", "A"]))
    assert one["note"] == "one patient: no interval; all plans too small for a ratio"
    assert np.isnan(one["pooled_low"])
    none = row(frame([5.0, 6.0], [2.0, 3.0]), n_boot=0)
    assert np.isnan(none["pooled_low"])
    assert none["note"] == ""
    # From one resample the limits are that resample.
    single = row(frame([5.0, 6.0], [2.0, 3.0]), n_boot=1)
    assert single["pooled_low"] == single["pooled_high"]


def test_one_row_has_a_mean_and_no_sd():
    found = row(frame([-5.0], [-2.0]))
    assert (found["planned_mean"], found["achieved_mean"]) == (5.0, 2.0)
    assert np.isnan(found[["planned_sd", "achieved_sd"]].tolist()).all()


def test_the_level_of_the_interval():
    # Two patients, rates 0 and 1 of equal plans: a resample gives 0, 1/2, 1 with 1/4, 1/2, 1/4.
    table = frame([5.0, 5.0], [0.0, 5.0])
    wide = row(table, level=0.95)
    assert (wide["pooled_low"], wide["pooled_high"]) == (0.0, 1.0)
    narrow = row(table, level=0.4)
    assert (narrow["pooled_low"], narrow["pooled_high"]) == (0.5, 0.5)
    many = frame([5.0] * 40, list(np.linspace(0, 5, 40)))
    by_level = [row(many, level=level, n_boot=4000) for level in (0.5, 0.8, 0.95)]
    mean, se = 0.5, np.std(np.linspace(0, 1, 40)) / np.sqrt(40)
    for found, z in zip(by_level, (0.6745, 1.2816, 1.96), strict=True):
        assert found["pooled_low"] == pytest.approx(mean - z * se, abs=0.008)
        assert found["pooled_high"] == pytest.approx(mean + z * se, abs=0.008)


def test_the_seed_and_number_of_resamples_by_default():
    table = frame(list(range(1, 21)), list(range(20)))
    default = row(table)
    said = row(table, seed=1, n_boot=1000, level=0.95)
    assert default["pooled_low"] == said["pooled_low"]
    assert default["pooled_high"] == said["pooled_high"]
    assert row(table, n_boot=999)["pooled_low"] != said["pooled_low"]


def test_by_default_movements_and_classes():
    table = frame([5.0, 5.0], [2.0, 3.0], tooth=[11, 36])
    assert achievement(table).columns[:2].tolist() == ["movement", "tooth_class"]
    assert achievement(table)["tooth_class"].tolist() == ["incisor", "molar"]


def test_groups_stand_in_the_order_of_the_schema():
    movements = ["tip", "rotation", "vertical", "mesiodistal"]
    table = pd.concat([frame([5.0], [2.0], movement=name, site="South") for name in movements])
    table.loc[:, "site"] = ["South", "North", "East", "West"]
    assert achievement(table, by="movement")["movement"].tolist() == [
        "mesiodistal", "vertical", "tip", "rotation",
    ]  # fmt: skip
    known = {"tolerance": 1, "smallest_plan": 1}
    of_site = achievement(table[table["movement"] != "x"], by=["site", "movement"], **known)
    assert of_site["site"].tolist() == ["East", "North", "South", "West"]
    other = pd.concat([table, frame([5.0], [2.0], movement="chin", site="X")])
    names = achievement(other, by=["movement", "site"], **known)["movement"].tolist()
    assert names == sorted(names)


def test_the_unit_may_stand_in_a_column_of_its_own():
    table = frame([3.0, 3.0], [2.4, 1.4], unit=["mm", "degree"], kind=["a", "b"]).drop(
        columns="movement"
    )
    assert achievement(table, by="kind")["within_tolerance"].tolist() == [0.0, 1.0]
    with pytest.raises(CannotAnswer, match=r"A group would add up mm and degrees: put 'movement'"):
        achievement(table, by=[])
    assert len(achievement(table, by="unit")) == 2


def test_limits_by_movement_go_before_those_by_unit_and_those_before_the_usual():
    table = pd.concat([frame([3.0], [1.5], movement=name) for name in ("rotation", "tip")])

    def within(limit):
        return achievement(table, by="movement", tolerance=limit)["within_tolerance"].tolist()

    assert within(None) == [1.0, 1.0]  # tip first, then rotation
    assert within({"degree": 1.0}) == [0.0, 0.0]
    assert within({"degree": 1.0, "tip": 1.5}) == [1.0, 0.0]
    assert within({"mm": 0.1}) == [1.0, 1.0]


def test_a_detectable_change_goes_before_the_usual_smallest_plan_only_where_there_is_one():
    movements = pd.concat([frame([5.0], [2.0]), frame([5.0], [2.0], movement="tip")])
    repeats = pd.DataFrame(
        {"patient": ["A", "A", "B", "B"], "tooth": 11, "movement": "rotation", "reader": "R",
         "reading": [1, 2, 1, 2], "value": [0.0, 3.0, 3.0, 0.0]}
    )  # fmt: skip
    cohort = SimpleNamespace(movements=movements, repeats=repeats, frame=lambda: movements)
    assert achievement(cohort, by="movement")["ratio_rows"].tolist() == [1, 0]
    given = achievement(cohort, by="movement", smallest_plan={"rotation": 5.0})
    assert given["ratio_rows"].tolist() == [1, 1]


@pytest.mark.parametrize(
    ("change", "options", "message"),
    [
        (
            {},
            {"by": ["colour", "size"]},
            "No column 'colour', 'size'. The data have: patient, planned, achieved, movement.",
        ),
        (
            {"planned": [np.nan, 6.0]},
            {},
            "patient, planned or achieved is blank in 1 of 2 rows. Read the table with read_cohort "
            "or from_frames, which list such rows in the ledger, or drop them.",
        ),
        (
            {"movements": 1, "note": "x"},
            {"by": ["movements", "note"]},
            "movements, note: a result column has that name; rename the column to group by.",
        ),
        (
            {"movement": ["vertical", "rotation"]},
            {"by": []},
            "A group would add up mm and degrees: put 'movement' (or 'unit') into by, or choose one "
            "movement first.",
        ),
        (
            {"movement": "wiggling"},
            {"tolerance": 1},
            "No smallest_plan is known for some rows: give smallest_plan as a number, or add a "
            "column 'movement' or 'unit' (mm, degree).",
        ),
        ({}, {"tolerance": -1}, "tolerance is -1: give a number that is not negative."),
    ],
)
def test_messages(change, options, message):
    table = frame([5.0, 6.0], [2.0, 3.0]).assign(**change)
    with pytest.raises(CannotAnswer) as error:
        achievement(table, **{"by": "movement", **options})
    assert str(error.value) == message


def test_a_frame_without_columns_says_so():
    with pytest.raises(CannotAnswer, match=r"The data have: none\."):
        achievement(pd.DataFrame())


def test_unplanned_movements_may_be_of_any_unit():
    table = frame([5.0, 0.0], [2.0, 3.0], movement=["rotation", "vertical"])
    assert achievement(table, by=[])["movements"].tolist() == [1]
