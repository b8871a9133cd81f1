"""Descriptive achievement: arithmetic by hand, invariances, and cohorts."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.clinical.achieved import MEASURES, achievement
from outcomes.errors import CannotAnswer

NUMBERS = [name for name in MEASURES if name != "note"]


def frame(planned, achieved, patient=None, **columns):
    n = len(planned)
    patient = [f"P{i:03d}" for i in range(n)] if patient is None else patient
    return pd.DataFrame(
        {"patient": patient, "planned": planned, "achieved": achieved, "movement": "rotation"}
        | columns
    )


def one(table: pd.DataFrame) -> pd.Series:
    assert len(table) == 1
    return table.iloc[0]


def test_every_column_by_hand():
    # Planned direction: 10 -> 6 short, -4 -> -4.2 overshot, 5 -> -1 wrong way, -0.5 -> -1 overshot.
    row = one(achievement(frame([10, -4, 5, -0.5], [6, -4.2, -1, -1], ["A", "A", "B", "B"]), by=[]))
    assert (row["patients"], row["movements"], row["ratio_rows"]) == (2, 4, 3)
    assert row["planned_mean"] == pytest.approx(19.5 / 4)
    assert row["achieved_mean"] == pytest.approx((6 + 4.2 - 1 + 1) / 4)
    assert row["planned_sd"] == pytest.approx(np.std([10, 4, 5, 0.5], ddof=1))
    assert row["achieved_sd"] == pytest.approx(np.std([6, 4.2, -1, 1], ddof=1))
    assert row["pooled_rate"] == pytest.approx(10.2 / 19.5)
    assert row["median_ratio"] == pytest.approx(0.6)  # of 0.6, 1.05, -0.2: 0.5 degrees is too small
    assert row["mean_absolute_error"] == pytest.approx((4 + 0.2 + 6 + 0.5) / 4)
    assert row["within_tolerance"] == pytest.approx(0.5)  # 2 degrees
    assert row["wrong_way"] == pytest.approx(0.25)
    assert row["overshot"] == pytest.approx(0.5)
    assert row["accuracy_percent"] == pytest.approx(100 - 100 * np.mean([0.4, 0.05, 1.2]))


def test_the_ratio_trap():
    # Planned 0.1 mm, achieved 0.3 mm is not "300 %" (product.md): the pooled rate hardly moves and
    # the ratio leaves the row out.
    table = frame([2.0, 2.0, 0.1], [1.0, 1.0, 0.3], movement="vertical")
    row = one(achievement(table, by="movement"))
    assert row["pooled_rate"] == pytest.approx(2.3 / 4.1)
    assert (row["median_ratio"], row["ratio_rows"]) == (0.5, 2)


# Whole hundredths keep sums of the two hands of an equation the same to rounding.
hundredths = st.integers(-3000, 3000).map(lambda n: n / 100)
plans = st.integers(1, 3000).map(lambda n: n / 100)


@st.composite
def cohorts(draw):
    n = draw(st.integers(2, 25))
    sign = draw(st.lists(st.sampled_from([-1, 1]), min_size=n, max_size=n))
    size = draw(st.lists(plans, min_size=n, max_size=n))
    achieved = draw(st.lists(hundredths, min_size=n, max_size=n))
    patient = draw(st.lists(st.sampled_from("ABCDE"), min_size=n, max_size=n))
    tooth_class = draw(st.lists(st.sampled_from(["incisor", "molar"]), min_size=n, max_size=n))
    planned = [s * p for s, p in zip(sign, size, strict=True)]
    return frame(planned, achieved, patient, tooth_class=tooth_class)


@settings(deadline=None)
@given(cohorts(), st.lists(st.booleans(), min_size=25, max_size=25))
def test_turning_the_sign_of_rows_changes_nothing(table, turned):
    sign = np.where(turned[: len(table)], -1, 1)
    other = table.assign(planned=table["planned"] * sign, achieved=table["achieved"] * sign)
    pd.testing.assert_frame_equal(
        achievement(table, by="tooth_class", n_boot=50),
        achievement(other, by="tooth_class", n_boot=50),
    )


@settings(deadline=None)
@given(cohorts(), st.sampled_from([0.25, 2.0, 8.0]))
def test_scaling_changes_lengths_and_leaves_shares(table, factor):
    limits = {"tolerance": 2.0, "smallest_plan": 1.0}
    larger = {name: factor * value for name, value in limits.items()}
    before = achievement(table, by="tooth_class", n_boot=50, **limits)
    scaled = table.assign(planned=table["planned"] * factor, achieved=table["achieved"] * factor)
    after = achievement(scaled, by="tooth_class", n_boot=50, **larger)
    lengths = [n for n in NUMBERS if n.startswith(("planned_", "achieved_", "mean_"))]
    before[lengths] *= factor
    pd.testing.assert_frame_equal(before, after, check_dtype=False)


@settings(deadline=None)
@given(cohorts())
def test_pooled_rate_lies_between_the_row_rates(table):
    rows = table["achieved"] / table["planned"]
    rate = one(achievement(table, by=[], n_boot=0))["pooled_rate"]
    assert rows.min() - 1e-9 <= rate <= rows.max() + 1e-9


@settings(deadline=None)
@given(cohorts())
def test_all_of_the_plan_achieved(table):
    row = one(achievement(table.assign(achieved=table["planned"]), by=[], n_boot=50))
    assert row["pooled_rate"] == pytest.approx(1)
    assert (row["mean_absolute_error"], row["within_tolerance"]) == (0, 1)
    assert (row["wrong_way"], row["overshot"]) == (0, 0)
    if row["patients"] > 1:
        assert row["pooled_low"] == pytest.approx(1)
        assert row["pooled_high"] == pytest.approx(1)
    if row["ratio_rows"]:
        assert row["accuracy_percent"] == pytest.approx(100)


@settings(deadline=None)
@given(cohorts(), st.randoms())
def test_the_order_of_rows_does_not_matter(table, random):
    order = list(range(len(table)))
    random.shuffle(order)
    pd.testing.assert_frame_equal(
        achievement(table, by="tooth_class", n_boot=50),
        achievement(table.iloc[order], by="tooth_class", n_boot=50),
    )


@settings(max_examples=20, deadline=None)
@given(cohorts())
def test_a_group_has_the_same_row_alone_or_among_others(table):
    together = achievement(table, by="tooth_class", n_boot=50)
    for name in together["tooth_class"]:
        alone = achievement(table[table["tooth_class"] == name], by="tooth_class", n_boot=50)
        pd.testing.assert_frame_equal(
            alone,
            together[together["tooth_class"] == name].reset_index(drop=True),
            check_dtype=False,
        )


def test_groups_add_up_and_blanks_are_a_group():
    table = frame([5] * 4, [2] * 4, attachment=["none", None, "none", "rectangular"])
    found = achievement(table, by="attachment")
    assert found["movements"].sum() == 4
    assert found["attachment"].isna().sum() == 1


def test_bootstrap_interval_agrees_with_resampling_rows_of_patients():
    # The same interval the slow way: draw patients with replacement and add up their rows.
    rng = np.random.default_rng(7)
    patient = np.repeat([f"P{i:02d}" for i in range(15)], 6)
    planned = rng.normal(0, 6, 90)
    achieved = (0.5 + rng.normal(0, 0.2, 15).repeat(6)) * planned + rng.normal(0, 1, 90)
    table = frame(planned, achieved, patient)
    row = one(achievement(table, by=[], seed=3, n_boot=4000))
    parts = [part for _, part in table.groupby("patient")]
    rates = []
    for _ in range(2000):
        drawn = pd.concat([parts[i] for i in rng.integers(0, 15, 15)])
        moved = (drawn["achieved"] * np.sign(drawn["planned"])).sum()
        rates.append(moved / drawn["planned"].abs().sum())
    assert row["pooled_low"] == pytest.approx(np.quantile(rates, 0.025), abs=0.01)
    assert row["pooled_high"] == pytest.approx(np.quantile(rates, 0.975), abs=0.01)


def test_seeded_and_chunked_alike(monkeypatch):
    table = frame(range(1, 21), range(20))
    first = achievement(table, by=[], seed=5)
    pd.testing.assert_frame_equal(first, achievement(table, by=[], seed=5))
    assert first["pooled_low"][0] != achievement(table, by=[], seed=6)["pooled_low"][0]
    monkeypatch.setattr("outcomes.clinical.achieved._CHUNK", 100)
    pd.testing.assert_frame_equal(first, achievement(table, by=[], seed=5))


def test_one_patient_has_a_rate_and_no_interval():
    row = one(achievement(frame([5, 6], [2, 3], ["P001", "P001"]), by="movement"))
    assert row["pooled_rate"] == pytest.approx(5 / 11)
    assert np.isnan(row["pooled_low"])
    assert np.isnan(row["pooled_high"])
    assert row["note"] == "one patient: no interval"


def test_unplanned_movements_are_no_rate():
    row = one(achievement(frame([5, 0], [2, 3]), by="movement"))
    assert (row["movements"], row["pooled_rate"]) == (1, 0.4)


def test_only_unplanned_or_nothing_gives_an_empty_table():
    for table in (frame([0], [3]), frame([], [])):
        for by in ("movement", []):
            found = achievement(table, by=by)
            assert len(found) == 0
            assert found.columns.tolist() == [*([by] if by else []), *MEASURES]


def test_all_plans_too_small_for_a_ratio():
    row = one(achievement(frame([0.4, 0.5], [0.1, 0.4]), by="movement"))
    assert np.isnan(row["median_ratio"])
    assert np.isnan(row["accuracy_percent"])
    assert row["ratio_rows"] == 0
    assert row["note"] == "all plans too small for a ratio"


def test_schema_order_and_derived_columns():
    table = frame([5] * 4, [2] * 4, tooth=[16, 11, 34, 43])
    assert achievement(table, by="tooth_class")["tooth_class"].tolist() == [
        "incisor",
        "canine",
        "premolar",
        "molar",
    ]
    assert achievement(table, by="arch")["arch"].tolist() == ["upper", "lower"]


def test_tolerance_by_unit_and_by_movement():
    both = pd.concat(
        [
            frame([3], [2.4], movement="vertical"),
            frame([3], [1.4]),
            frame([3], [2.8], movement="tip"),
        ]
    )
    assert achievement(both, by="movement")["within_tolerance"].tolist() == [0, 1, 1]
    wide = achievement(both, by="movement", tolerance={"vertical": 0.7, "degree": 1.0})
    assert wide["within_tolerance"].tolist() == [1, 1, 0]


def test_smallest_plan_is_the_detectable_change_where_there_are_repeats():
    # d = 2 and -2: SEM sqrt(residual variance) = sqrt(4), so 1.96 x 2 = 3.92 degrees: the reading of
    # a movement is a change already.
    repeats = pd.DataFrame(
        {
            "patient": ["A", "A", "B", "B"],
            "tooth": 11,
            "movement": "rotation",
            "reader": "R",
            "reading": [1, 2, 1, 2],
            "value": [0, 2, 2, 0],
        }
    )
    movements = frame([3.91, 3.93], [2, 3])
    cohort = SimpleNamespace(movements=movements, repeats=repeats, frame=lambda: movements)
    assert one(achievement(cohort, by="movement"))["ratio_rows"] == 1
    without = SimpleNamespace(movements=movements, repeats=repeats[:0], frame=lambda: movements)
    assert one(achievement(without, by="movement"))["ratio_rows"] == 2
    assert one(achievement(cohort, by="movement", smallest_plan=1.0))["ratio_rows"] == 2


def test_columns_of_the_patients_table():
    outcomes = pytest.importorskip("outcomes.cohort.read")
    movements = pd.DataFrame(
        {
            "patient": ["P001", "P001", "P002"],
            "tooth": [11, 12, 11],
            "movement": "rotation",
            "planned": [5.0, 6.0, 7.0],
            "achieved": [2.0, 3.0, 4.0],
        }
    )
    patients = pd.DataFrame({"patient": ["P001", "P002"], "site": ["North", "South"]})
    cohort = outcomes.from_frames(movements, patients)
    found = achievement(cohort, by=["site", "movement"])
    assert found[["site", "movements"]].to_numpy().tolist() == [["North", 2], ["South", 1]]


@pytest.mark.parametrize(
    ("change", "options", "message"),
    [
        ({}, {"by": "wardrobe"}, "No column 'wardrobe'. The data have: patient, planned, achieved"),
        ({"achieved": [2.0, np.nan]}, {}, "blank in 1 of 2 rows"),
        ({"movement": ["vertical", "rotation"]}, {"by": []}, "add up mm and degrees"),
        ({"movement": "wiggling"}, {}, "No tolerance is known"),
        ({}, {"tolerance": -1}, "not negative"),
        ({"patients": 1}, {"by": "patients"}, "rename the column"),
    ],
)
def test_errors_name_the_remedy(change, options, message):
    table = frame([5.0, 6.0], [2.0, 3.0]).assign(**change)
    with pytest.raises(CannotAnswer, match=message):
        achievement(table, **{"by": "movement", **options})


def test_limits_as_numbers_need_no_unit():
    table = frame([5, 6], [2, 3]).drop(columns="movement")
    assert one(achievement(table, by=[], tolerance=3, smallest_plan=5.5))["ratio_rows"] == 1
