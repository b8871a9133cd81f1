"""Later courses alone, and patients not rescanned: closed forms and known truth."""

import numpy as np
import pandas as pd
import pytest

from outcomes.cohort.read import from_frames
from outcomes.errors import CannotAnswer
from outcomes.rates.fit import fit_rate
from outcomes.rates.later_courses import later_course_notes, later_courses_alone
from outcomes.rates.missing_rescans import missing_rescans
from outcomes.reports.audit import tables
from outcomes.reports.common.missing import later_alone
from outcomes.reports.common.missing import missing as missing_words
from outcomes.simulate import simulate_rates

# Later courses alone


def courses(*rows) -> pd.DataFrame:
    columns = ["patient", "tooth", "course", "planned", "achieved"]
    return pd.DataFrame(rows, columns=columns).assign(movement="rotation")


def test_a_later_course_with_its_earlier_one_is_not_alone():
    whole = courses(("P1", 11, 1, 9.0, 5.0), ("P1", 11, 2, 4.0, 2.0))
    assert later_courses_alone(whole)[["later", "alone"]].to_numpy().tolist() == [[1, 0]]
    assert later_course_notes(whole) == []


def test_teeth_and_patients_without_the_earlier_course():
    frame = courses(
        ("P1", 11, 1, 9.0, 5.0),
        ("P1", 12, 2, 4.0, 2.0),  # this tooth alone
        ("P2", 11, 2, 4.0, 2.0),  # this patient alone
        ("P2", 11, 3, 2.0, 1.0),  # follows course 2
        ("P3", 11, 1, 0.0, 0.1),  # measured, nothing planned: a record all the same
        ("P3", 11, 2, 5.0, 3.0),
        ("P4", 11, 1, 6.0, np.nan),  # planned but never measured: no result of it
        ("P4", 11, 2, 6.0, 3.0),
    )
    row = later_courses_alone(frame).iloc[0]
    assert (row["movements"], row["later"]) == (6, 5)
    assert (row["alone"], row["alone_patients"]) == (3, 3)
    assert (row["without_first"], row["without_first_patients"]) == (2, 2)
    note = later_course_notes(frame, "rotation")[0]
    assert note.startswith("3 of 6 rows lack the earlier course of the tooth (2 of patients")
    assert "too low" in note


def test_without_a_course_column_nothing_is_said():
    assert later_course_notes(courses(("P1", 11, 2, 4.0, 2.0)).drop(columns="course")) == []


def test_the_bias_that_is_warned_of_is_there():
    """Courses of the teeth that lagged most, alone, against all courses: known truth 0.55."""
    frame = simulate_rates(
        60, seed=5, rates=0.55, rows_per_tooth=2, patient_sd=0.1, tooth_sd=0.15, residual_sd=0.5
    )
    first = frame[frame["course"] == 1]
    ratio = (first["achieved"] / first["planned"]).rename("ratio")
    lagged = first.assign(ratio=ratio)[ratio < 0.55][["patient", "tooth"]]
    second = frame[frame["course"] == 2].merge(lagged, on=["patient", "tooth"])
    low = fit_rate(second, group=None).rates.iloc[0]
    whole = fit_rate(pd.concat([first, second], ignore_index=True), group=None).rates.iloc[0]
    assert low["high"] < 0.55
    assert whole["low"] < 0.55 < whole["high"]
    assert any("too low" in note for note in fit_rate(second, group=None).notes)
    assert not any("too low" in note for note in fit_rate(frame, group=None).notes)
    assert later_course_notes(second)
    assert not later_course_notes(frame)


# Patients not rescanned


def balanced(patients: int = 12, missing: int = 3) -> pd.DataFrame:
    """Every patient with the same plans; the last ones not rescanned."""
    frame = simulate_rates(patients, seed=8, teeth_per_patient=6, rates=0.6)
    planned = np.tile([4.0, 6.0, 8.0, -5.0, 3.0, 7.0], patients)
    frame = frame.assign(
        achieved=frame["achieved"] / frame["planned"] * planned,
        planned=planned,
        tooth=np.tile([11, 12, 13, 21, 22, 23], patients),
    )
    gone = frame["patient"].isin(frame["patient"].unique()[-missing:])
    return frame.assign(achieved=frame["achieved"].mask(gone))


def test_balanced_patients_have_a_closed_form():
    """With equal plans every patient weighs the same, so the rate of all is
    (1 - m) rate + m share rate, m the share of patients not rescanned."""
    table = missing_rescans(balanced(12, 3))
    rate = fit_rate(balanced(12, 3), group=None).rates.iloc[0]
    for row in table.itertuples():
        expected = rate["rate"] * (0.75 + 0.25 * row.achieved_share)
        assert row.rate == pytest.approx(expected, rel=1e-9)
        assert row.high - row.low == pytest.approx(rate["high"] - rate["low"])
        assert row.low == pytest.approx(rate["low"] + row.change)
    assert table["missing_patients"].tolist() == table["never_patients"].tolist() == [3] * 3
    assert table["missing_movements"].tolist() == [18] * 3
    assert table["missing_share"].to_numpy() == pytest.approx(0.25)
    assert table["achieved_share"].tolist() == [0.0, 0.5, 1.0]


def test_rates_of_all_rows_by_dense_algebra():
    """Generalised least squares over all rows with one covariance matrix: with conditional
    expectations in the place of the missing it is the estimate of the measured rows (so share 1
    changes nothing); with zeros it is share 0."""
    frame = simulate_rates(10, seed=4, rows_per_tooth=2)
    rng = np.random.default_rng(1)
    gone = rng.random(len(frame)) < 0.3
    seen = frame.assign(achieved=frame["achieved"].mask(gone))
    fit = fit_rate(seen)
    z = frame["planned"].to_numpy()
    x = (frame["tooth_class"].astype(str).to_numpy()[:, None] == np.array(fit.groups)) * z[:, None]
    patient = frame["patient"].to_numpy()[:, None] == frame["patient"].to_numpy()
    tooth = patient & (frame["tooth"].to_numpy()[:, None] == frame["tooth"].to_numpy())
    v = np.outer(z, z) * (fit.mixed.psi[0, 0] * patient + fit.mixed.inner_variance * tooth)
    v += fit.mixed.sigma2 * np.eye(len(z))
    y = frame["achieved"].to_numpy().copy()
    left = np.linalg.solve(v[np.ix_(~gone, ~gone)], (y - x @ fit.mixed.beta)[~gone])
    y[gone] = x[gone] @ fit.mixed.beta + v[np.ix_(gone, ~gone)] @ left

    def rates(y):
        weighted = np.linalg.solve(v, np.column_stack([x, y]))
        return np.linalg.solve(x.T @ weighted[:, :-1], x.T @ weighted[:, -1])

    table = missing_rescans(seen, group="tooth_class").set_index("achieved_share")
    np.testing.assert_allclose(rates(y), fit.rates["rate"], rtol=1e-8)
    for share in (0.0, 0.5, 1.0):
        expected = rates(np.where(gone, share * y, y))
        np.testing.assert_allclose(table.loc[share, "rate"], expected, rtol=1e-8)
    assert (table["missing_patients"] > 0).all()
    assert (table["never_patients"] < table["missing_patients"]).any()


def test_patients_with_other_results_are_expected_to_do_as_they_do():
    """A patient far below the rest is filled with a lower result than a patient without any."""
    frame = balanced(12, 1)
    first = frame["patient"] == frame["patient"].iloc[0]
    frame["achieved"] = frame["achieved"].mask(first, 0.1 * frame["planned"])
    half_gone = first & (frame["tooth"] > 20)
    partly = frame.assign(achieved=frame["achieved"].mask(half_gone))
    lost = missing_rescans(partly, shares=[0.0])["change"][0]
    elsewhere = frame["patient"] == frame["patient"].unique()[5]
    other = frame.assign(achieved=frame["achieved"].mask(elsewhere & (frame["tooth"] > 20)))
    lost_other = missing_rescans(other, shares=[0.0])["change"][0]
    assert abs(lost) < abs(lost_other)


def test_known_truth_of_those_who_did_half():
    """A quarter did half as well: over 25 cohorts the rate with share 0.5 is that of all patients,
    and the rate of those rescanned is too high by about 0.6 x 0.5 / 4 = 0.075."""
    error, naive = [], []
    for seed in range(25):
        frame = simulate_rates(24, seed=seed, teeth_per_patient=8, rates=0.6, plan_mean=6)
        worse = frame["patient"].isin(frame["patient"].unique()[:6])
        half = frame["achieved"].where(~worse, frame["achieved"] - 0.3 * frame["planned"])
        truth = fit_rate(frame.assign(achieved=half), group=None).rates["rate"][0]
        seen = frame.assign(achieved=frame["achieved"].mask(worse))
        table = missing_rescans(seen).set_index("achieved_share")
        error.append(table.loc[0.5, "rate"] - truth)
        naive.append(table.loc[1.0, "rate"] - truth)
    spread = np.std(error) / np.sqrt(len(error))
    assert abs(np.mean(error)) < 3 * spread + 0.002
    assert np.mean(naive) > 0.05


def test_a_cohort_tells_who_was_not_measured():
    frame = balanced(12, 3).assign(course=1)
    cohort = from_frames(frame.drop(columns=["tooth_class", "attachment"]), answered=("positions",))
    table = missing_rescans(cohort)
    assert table["missing_movements"].tolist() == [18] * 3
    complete = frame[frame["achieved"].notna()].drop(columns=["tooth_class", "attachment"])
    assert len(missing_rescans(from_frames(complete, answered=("positions",)))) == 0


def test_a_group_nobody_measured_has_no_rate():
    frame = simulate_rates(8, seed=2)
    frame["achieved"] = frame["achieved"].mask(frame["tooth_class"] == "canine")
    table = missing_rescans(frame, group="tooth_class")
    canine = table[table["group"] == "canine"]
    assert len(table) == len(canine) == 1
    assert np.isnan(canine["rate"].iloc[0])
    assert "nothing of it was measured" in canine["note"].iloc[0]


def test_one_measured_patient_is_said():
    frame = simulate_rates(3, seed=2)
    frame["achieved"] = frame["achieved"].mask(frame["patient"] != "P001")
    table = missing_rescans(frame)
    assert table["rate"].isna().all()
    assert "One patient only" in table["note"][0]


def test_errors():
    with pytest.raises(CannotAnswer, match="No column 'planned', 'achieved'"):
        missing_rescans(pd.DataFrame({"patient": ["P1"], "tooth": [11]}))
    with pytest.raises(CannotAnswer, match="shares must be numbers"):
        missing_rescans(balanced(), shares=[])
    with pytest.raises(CannotAnswer, match="No rows of movement"):
        missing_rescans(balanced(), "tip")


# Words


def test_words_for_who_is_missing():
    table = missing_rescans(balanced(12, 3))
    words = " ".join(missing_words(table)).replace("\u00a0", " ")
    assert words.startswith("18 planned movements have no rescan yet.")
    lost = table.iloc[0]
    assert (
        f"rotation: −{abs(100 * lost['change']):.0f} percentage points, to "
        f"{100 * lost['rate']:.0f} %, if 18 missing movements of 3 patients (25 % of what was "
        "planned) had achieved nothing" in words
    )
    assert "none is missing" in missing_words(table.iloc[:0])[0]


def test_table_for_who_is_missing():
    shown = tables.missing(missing_rescans(balanced(12, 3)))
    assert shown["If they achieved, of the expected"].str[:-2].tolist() == ["0", "50", "100"]
    assert shown["Change, points"].tolist()[-1] == "0"
    assert shown["Patients missing"].tolist() == shown["of them never measured"].tolist()


def test_words_for_later_courses():
    alone = later_courses_alone(courses(("P1", 11, 1, 9.0, 5.0), ("P1", 12, 2, 4.0, 2.0)))
    assert "1 row of 2 in rotation. These patients have earlier records" in later_alone(alone)[0]
    absent = later_courses_alone(courses(("P1", 11, 1, 9.0, 5.0), ("P2", 12, 2, 4.0, 2.0)))
    assert "In 1 row the patient has no earlier record at all" in later_alone(absent)[0]
    whole = later_courses_alone(courses(("P1", 11, 1, 9.0, 5.0), ("P1", 11, 2, 4.0, 2.0)))
    assert later_alone(whole)[0].startswith("Every movement of a later course has")
    assert later_alone(later_courses_alone(courses(("P1", 11, 1, 9.0, 5.0)))) == []
