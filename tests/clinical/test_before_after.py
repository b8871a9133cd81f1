"""Measures before and after, against Student's sleep data, Hollander & Wolfe, pingouin and scipy."""

import numpy as np
import pandas as pd
import pingouin as pg
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from outcomes.clinical.measures import before_after
from outcomes.clinical.paired import effect_size
from outcomes.cohort.read import from_frames
from outcomes.errors import CannotAnswer

# Student, Biometrika 1908;6:1-25: extra hours of sleep under two drugs, 10 patients (from memory).
SLEEP = (
    [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
    [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4],
)
# Hollander & Wolfe 1973, depression scale before and after a tranquilliser, 9 patients; also in
# the help page of R's wilcox.test (from memory).
DEPRESSION = (
    [1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30],
    [0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29],
)


def measured(*visits, measure="overbite", target=None, tooth=None, unit="mm"):
    """One value for each patient at each visit; None where it was not measured."""
    rows = [
        (f"P{p:03d}", visit, measure, value, tooth, unit, target)
        for visit, values in enumerate(visits)
        for p, value in enumerate(values, 1)
        if value is not None
    ]
    names = ["patient", "after_course", "measure", "value", "tooth", "unit", "target"]
    return pd.DataFrame(rows, columns=names)


def total(frame, **options):
    return before_after(frame, **options).table.set_index("period").loc["total"]


def cohort_with(measures, patients=None, courses=None):
    people = sorted(set(measures["patient"]))
    rows = pd.DataFrame(
        {"patient": people, "tooth": 11, "movement": "tip", "planned": 5.0, "achieved": 3.0}
    )
    return from_frames(rows, patients, courses, measures, notation="fdi")


def test_student_1908():
    # t = 4.0621, 9 df, p = 0.002833, 95 % 0.7001142 to 2.4598858, as R's t.test(paired) prints
    row = total(measured(*SLEEP))
    assert row["difference"] == pytest.approx(1.58)
    assert row["difference"] / row["se"] == pytest.approx(4.0621, abs=5e-5)
    assert row["p"] == pytest.approx(0.002833, abs=5e-7)
    assert [row["low"], row["high"]] == pytest.approx([0.7001142, 2.4598858], abs=5e-8)


def test_hollander_wolfe_signed_ranks():
    # one-sided exact p = 0.01953 in R's help page, so 0.03906 two-sided
    assert total(measured(*DEPRESSION))["wilcoxon_p"] == pytest.approx(0.03906, abs=5e-6)


def test_pingouin_teffect_size_and_interval():
    start, end = map(np.array, SLEEP)
    row = total(measured(*SLEEP), level=0.9)
    t = pg.ttest(end, start, paired=True, confidence=0.9).iloc[0]
    assert row["p"] == pytest.approx(t["p_val"])
    assert row["df"] == t["dof"]
    assert abs(row["effect_size"]) == pytest.approx(t["cohen_d"])
    by_hand = 1.58 / np.sqrt((start.var(ddof=1) + end.var(ddof=1)) / 2)  # Cohen 1988
    assert row["effect_size"] == pytest.approx(by_hand)
    assert row["effect_low"] < row["effect_size"] < row["effect_high"]


def test_limits_of_theeffect_size_are_those_of_the_noncentral_t():
    start, end = map(np.array, SLEEP)
    row = total(measured(*SLEEP), level=0.9)
    t = stats.ttest_rel(end, start).statistic
    scale = row["effect_size"] / t
    # the t seen lies at the upper 5 % of the lower limit's distribution, at the lower 5 % of the other
    assert stats.nct.sf(t, 9, row["effect_low"] / scale) == pytest.approx(0.05, abs=1e-6)
    assert stats.nct.cdf(t, 9, row["effect_high"] / scale) == pytest.approx(0.05, abs=1e-6)


@pytest.mark.parametrize("rho", [0.0, 0.8])
def test_the_interval_of_theeffect_size_holds_whatever_the_correlation(rho):
    """12 patients, effect 0.5, 800 series: 95 % intervals; without the correlation of start and end
    they would hold it in 86 % at none."""
    rng = np.random.default_rng(12)
    held = []
    for _ in range(800):
        z = rng.standard_normal((2, 12))
        start, end = z[0], rho * z[0] + np.sqrt(1 - rho**2) * z[1] + 0.5
        _, low, high = effect_size(start, end, 0.95)
        held.append(low <= 0.5 <= high)
    assert 0.93 <= np.mean(held) <= 0.98


def test_the_wilcoxon_stands_beside_t_only_where_n_is_small():
    rng = np.random.default_rng(1)
    start, end = rng.normal(4, 1, 35), rng.normal(2, 1, 35)
    assert np.isnan(total(measured(start, end))["wilcoxon_p"])
    row = total(measured(start, end), small=36)
    assert row["wilcoxon_p"] == pytest.approx(stats.wilcoxon(np.round(end - start, 9)).pvalue)


def test_rounded_readings_that_change_alike_are_ties():
    # 4.6 - 3.4 and 3.2 - 2.0 differ in the last bit only
    row = total(measured([4.6, 3.2, 4.0, 5.0], [3.4, 2.0, 4.5, 3.0]))
    assert row["wilcoxon_p"] == pytest.approx(stats.wilcoxon([-1.2, -1.2, 0.5, -2.0]).pvalue)


def test_courses_and_total_add_up():
    frame = measured([5.0, 4.0, 6.0], [4.0, 3.5, 4.0], [3.0, 3.0, 2.5])
    table = before_after(frame).table.set_index("period")
    assert list(table.index) == ["course 1", "course 2", "total"]
    parts = table.loc["course 1", "difference"] + table.loc["course 2", "difference"]
    assert parts == pytest.approx(table.loc["total", "difference"])


def test_the_last_value_ends_the_total_and_gaps_are_listed():
    frame = measured([5.0, 4.0, 6.0, 5.0], [4.0, None, 4.5, None], [3.0, 2.0, None, None])
    result = before_after(frame)
    table = result.table.set_index("period")
    ends = result.patients.query("period == 'total'").set_index("patient")["after_course"]
    assert ends.to_dict() == {"P001": 2, "P002": 2, "P003": 1}
    assert table.loc["total", ["patients", "missing"]].tolist() == [3, 1]
    assert table.loc["course 1", ["patients", "missing"]].tolist() == [2, 1]
    assert table.loc["course 2", ["patients", "missing"]].tolist() == [1, 1]
    said = result.missing.set_index(["patient", "period"])["reason"].to_dict()
    assert said == {
        ("P002", "course 1"): "not measured after course 1",
        ("P002", "course 2"): "not measured before course 2",
        ("P004", "total"): "not measured after any course",
    }


def test_a_course_that_was_begun_and_never_measured_is_listed():
    courses = pd.DataFrame({"patient": ["P001", "P002", "P002"], "course": [1, 1, 2]})
    cohort = cohort_with(measured([5.0, 4.0], [4.0, 3.0]), courses=courses)
    result = before_after(cohort)
    assert result.missing[["patient", "period", "reason"]].to_numpy().tolist() == [
        ["P002", "course 2", "not measured after course 2"]
    ]
    row = result.table.set_index("period").loc["course 2"]
    assert (row["patients"], row["missing"]) == (0, 1)
    assert row["note"] == "nobody was measured at both times"


def test_patients_without_the_measure_are_listed_too():
    patients = pd.DataFrame({"patient": ["P001", "P002", "P003"]})
    result = before_after(cohort_with(measured([5.0, 4.0], [4.0, 3.0]), patients))
    assert result.missing[["patient", "reason"]].to_numpy().tolist() == [
        ["P003", "not recorded in this patient"]
    ]
    assert result.table["not_recorded"].tolist() == [1, 1]


def test_target_met_nearer_and_distance():
    frame = measured([5.0, 2.3, -1.0, 4.0], [2.5, 2.6, 1.6, 4.2], target=2.0)
    row = total(frame)  # ends 0.5, 0.6, -0.4, 2.2 from target; tolerance 0.5 mm
    assert row[["with_target", "met", "met_at_start", "nearer"]].tolist() == [4, 2, 1, 2]
    assert row["distance_at_start"] == pytest.approx((3.0 + 0.3 + 3.0 + 2.0) / 4)
    assert row["distance"] == pytest.approx((0.5 + 0.6 + 0.4 + 2.2) / 4)
    assert total(frame, tolerance=0.6)["met"] == 3
    assert total(frame, tolerance={"overbite": 0.3})["met"] == 0
    note = " ".join(before_after(frame).notes)
    assert "overbite should rise" in note


def test_no_target_no_verdict():
    result = before_after(measured(*SLEEP))
    assert result.patients["met"].isna().all()
    assert result.table["with_target"].tolist() == [0, 0]


def test_teeth_are_averaged_within_the_patient():
    one = measured([1.0, 0.0], [2.0, 0.2], measure="recession", tooth=31)
    other = measured([3.0, None], [3.0, None], measure="recession", tooth=41)
    row = total(pd.concat([one, other]))
    assert row[["patients", "teeth"]].tolist() == [2, 3]
    assert row["difference"] == pytest.approx((0.5 + 0.2) / 2)
    # a tooth measured once only does not shift the mean
    lost = measured([9.0], measure="recession", tooth=42)
    result = before_after(pd.concat([one, other, lost]))
    again = result.table.set_index("period").loc["total"]
    assert again["difference"] == pytest.approx(row["difference"])
    assert again["missing"] == 0  # the patient is in; the tooth is listed
    assert result.missing["tooth"].tolist() == [42]


def test_by_a_column_of_the_patients():
    frame = measured([5.0, 6.0, -1.0, -2.0], [3.0, 3.5, 1.0, 0.5], target=2.0)
    patients = pd.DataFrame(
        {
            "patient": ["P001", "P002", "P003", "P004"],
            "malocclusion": ["deep", "deep", "open", None],
        }
    )
    result = before_after(cohort_with(frame, patients), by="malocclusion")
    row = result.table.query("period == 'total'").set_index("malocclusion")["difference"]
    assert row.to_dict() == pytest.approx({"deep": -2.25, "open": 2.0, "not recorded": 2.5})
    assert set(result.patients["malocclusion"]) == {"deep", "open", "not recorded"}
    with pytest.raises(CannotAnswer, match="no column of the patients table"):
        before_after(cohort_with(frame, patients), by="clinician")


def test_one_patient_has_a_change_and_no_interval():
    row = total(measured([5.0], [3.0], target=2.0))
    assert (row["difference"], row["nearer"], row["note"]) == (-2.0, 1, "one patient: no interval")
    assert np.isnan(row[["low", "high", "p", "effect_size", "wilcoxon_p"]].astype(float)).all()


def test_the_same_change_in_everybody_has_no_interval():
    row = total(measured([4.6, 3.2, 5.1], [3.4, 2.0, 3.9]))
    assert row["difference"] == pytest.approx(-1.2)
    assert row["note"] == "every change is the same: no interval"
    assert np.isnan(row[["se", "low", "p", "effect_size"]].astype(float)).all()
    still = total(measured([4.0, 3.0], [4.0, 3.0]))
    assert still["difference"] == 0
    assert np.isnan(still["wilcoxon_p"])


def test_nobody_measured_twice():
    result = before_after(measured([5.0, 4.0]))
    row = result.table.iloc[0]
    assert (row["period"], row["patients"], row["missing"]) == ("total", 0, 2)
    assert row["note"] == "nobody was measured at both times"
    assert len(result.patients) == 0
    assert set(result.missing["reason"]) == {"not measured after any course"}


def test_no_measures_at_all():
    empty = from_frames(
        pd.DataFrame(
            {"patient": ["P1"], "tooth": [11], "movement": ["tip"], "planned": 1.0, "achieved": 0.5}
        ),
        notation="fdi",
    )
    result = before_after(empty)
    assert len(result.table) == len(result.patients) == len(result.missing) == 0
    assert "difference" in result.table
    assert result.notes == ("The cohort holds no measures.",)
    assert "no measures" in repr(result)
    result._repr_html_()


@pytest.mark.parametrize(
    ("frame", "options", "says"),
    [
        (measured(*SLEEP), {"measures": "overjet"}, "Recorded: overbite"),
        (measured(*SLEEP).drop(columns="value"), {}, "No column 'value'"),
        (pd.concat([measured(*SLEEP)] * 2), {}, "Two values of overbite for P001 after course 0"),
        (pd.concat([measured([1.0]), measured([None, 2.0], unit="cm")]), {}, "cm and mm"),
        (measured(*SLEEP), {"tolerance": -1.0}, "not negative"),
        (measured(*SLEEP), {"level": 95}, "level"),
        (measured(*SLEEP).assign(after_course=np.nan), {}, "blank"),
    ],
)
def test_what_cannot_be_answered_says_what_to_change(frame, options, says):
    with pytest.raises(CannotAnswer, match=says):
        before_after(frame, **options)


def test_a_unit_without_a_tolerance_is_said():
    frame = measured([80.0, 70.0], [90.0, 95.0], measure="wear", unit="percent", target=90.0)
    result = before_after(frame)
    assert result.table["note"].str.contains("no tolerance known").all()
    assert result.patients["met"].isna().all()
    assert total(frame, tolerance={"wear": 5.0})["met"] == 2


values = st.one_of(st.none(), st.floats(-9, 9).map(lambda v: round(v, 1)))


@settings(max_examples=50, deadline=None)
@given(st.lists(st.lists(values, min_size=1, max_size=6), min_size=1, max_size=4))
def test_everybody_is_in_the_table_or_listed(visits):
    frame = measured(*visits, target=2.0)
    result = before_after(frame)
    for row in result.table.itertuples():
        pairs = result.patients.query("period == @row.period")
        listed = result.missing.query("period == @row.period")
        assert len(pairs) == row.patients
        assert len(listed) == row.missing
        assert not set(pairs["patient"]) & set(listed["patient"])
        if row.period == "total":
            assert row.patients + row.missing == frame["patient"].nunique()
        if row.low == row.low:
            assert row.low <= row.difference <= row.high
