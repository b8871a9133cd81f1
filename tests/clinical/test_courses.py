"""Courses: arithmetic, bookkeeping of who stopped, and the distribution of courses needed."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.clinical.courses import courses
from outcomes.clinical.courses_needed import courses_needed, share_reached
from outcomes.cohort.read import from_frames
from outcomes.errors import CannotAnswer
from outcomes.rates.fit import fit_rate
from outcomes.simulate import simulate_rates


@pytest.mark.parametrize(
    ("rate", "two", "three"),
    # arithmetic 1 - (1 - r)^k; that one course gives 50-60 % is common practice, no source
    [(0.50, 0.75, 0.875), (0.60, 0.84, 0.936)],
)
def test_arithmetic(rate, two, three):
    assert share_reached(rate, 1) == pytest.approx(rate)
    assert share_reached(rate, 2) == pytest.approx(two)
    assert share_reached(rate, 3) == pytest.approx(three)
    assert share_reached([rate, rate, rate]) == pytest.approx(three)


def test_rates_and_courses_must_agree():
    with pytest.raises(CannotAnswer, match="2 rates for 3 courses"):
        share_reached([0.5, 0.5], 3)


def small() -> pd.DataFrame:
    return pd.DataFrame(
        [
            # patient, tooth, course, planned, achieved, aim
            ("P1", 31, 1, -2.0, -1.0, -2.0),
            ("P1", 31, 2, -1.5, -0.6, -1.0),
            ("P1", 41, 1, -1.0, -0.8, -1.0),  # done after one course
            ("P2", 31, 1, -2.0, -0.5, -2.0),  # stopped
            ("P3", 31, 1, 1.0, 0.6, 1.0),
            ("P3", 31, 2, 0.4, 0.4, 0.4),
            ("P3", 31, 3, 0.1, -0.2, 0.1),
            ("P3", 42, 2, 1.0, 0.5, 1.0),  # began late: counts from there
        ],
        columns=["patient", "tooth", "course", "planned", "achieved", "aim"],
    ).assign(movement="vertical")


def test_by_hand():
    found = courses(small(), n_boot=0)
    table = found.overall.set_index("course")
    # first aims 2, 1, 2 and 1; from course 2 that of 42 as well; in course 3 that of 31 of P3 is
    # 0.1 from 1.0 on, so 1.1
    first, second, third = 2 + 1 + 2 + 1, 2 + 1 + 2 + 1 + 1, 2 + 1 + 2 + 1.1 + 1
    assert table["reached"].tolist() == pytest.approx(
        [(1.0 + 0.8 + 0.5 + 0.6) / first, (2.9 + 0.6 + 0.4 + 0.5) / second, (4.4 - 0.2) / third]
    )
    assert table["reached_first"].tolist() == pytest.approx([2.9 / 6, 4.4 / 7, 4.2 / 7])
    assert table["still_treated"].tolist() == [3, 2, 1]
    assert table["stopped"].tolist() == [0, 1, 2]
    assert table["teeth"].tolist() == table["teeth_measured"].tolist() == [4, 5, 5]
    treated = [2.9 / 6, (2.4 + 1.0 + 0.5) / (3 + 1 + 1), (0.8 + 0.5) / (1.1 + 1)]
    assert table["reached_of_treated"].tolist() == pytest.approx(treated)
    r = 2.9 / 6
    once, twice, thrice = (1 - (1 - r) ** k for k in (1, 2, 3))
    assert table["arithmetic"].tolist() == pytest.approx(
        [once, (6 * twice + once) / 7, (6.1 * thrice + twice) / 7.1]
    )
    assert any("1 tooth movements that began in a later course" in note for note in found.notes)
    assert any("keep the state of their last one" in note for note in found.notes)


def test_per_patient():
    found = courses(small(), n_boot=0).patients
    p2 = found[found["patient"] == "P2"]
    assert p2["share"].tolist() == pytest.approx([0.25] * 3)
    assert p2["treated"].tolist() == [True, False, False]


def test_aim_blank_means_planned_and_unmeasured_rows_are_said():
    rows = small().assign(aim=np.nan)
    rows.loc[1, "achieved"] = np.nan
    found = courses(rows, n_boot=0)
    assert found.overall["reached"].iloc[0] == pytest.approx(2.9 / 6)
    assert any("1 movements not measured yet" in note for note in found.notes)


@pytest.mark.parametrize("as_cohort", [False, True])
def test_a_further_course_without_a_result_is_not_a_stop(as_cohort):
    """P1 measured twice, P2 and P3 have a second course, P2's is blank; P4 stopped."""
    rows = pd.DataFrame(
        [
            ("P1", 1, -2.0, -1.0),
            ("P1", 2, -1.0, -0.5),
            ("P2", 1, -2.0, -0.5),
            ("P2", 2, -1.5, np.nan),
            ("P3", 1, -1.0, -0.5),
            ("P3", 2, -0.5, -0.5),
            ("P4", 1, -1.0, -0.8),
            ("P5", 1, -1.0, np.nan),  # first course not measured: not followed
            ("P5", 2, -1.0, -0.9),
        ],
        columns=["patient", "course", "planned", "achieved"],
    ).assign(tooth=31, movement="vertical")
    found = courses(from_frames(rows, notation="fdi") if as_cohort else rows, n_boot=0)
    table = found.overall.set_index("course")
    assert table["patients"].tolist() == [4, 4]
    assert table["still_treated"].tolist() == [4, 3]
    assert table["not_measured"].tolist() == [0, 1]
    assert table["stopped"].tolist() == [0, 1]
    assert table["reached_of_treated"].iloc[1] == pytest.approx((1.5 + 1.0) / 3)
    notes = " ".join(found.notes)
    assert "1 tooth movements whose first course is not measured are not followed" in notes
    assert "began in a later course" not in notes
    waits = found.patients.query("patient == 'P2' and course == 2").iloc[0]
    assert waits["treated"]
    assert waits["waits"]


def test_from_a_cohort_and_by_a_column():
    found = courses(from_frames(small()), by="tooth_class", n_boot=50)
    assert list(found.overall.columns[:3]) == ["movement", "tooth_class", "course"]
    assert (found.overall["low"] <= found.overall["reached"] + 1e-9).all()


def test_bootstrap_limits_cover_the_true_share():
    """First-course share of 60 practices with rate 0.5: 95 % limits hold it about as often."""
    held = []
    for seed in range(60):
        rows = simulate_rates(25, seed=seed, movement="vertical", rates=0.5, teeth_per_patient=8)
        row = courses(rows, seed=seed, n_boot=400).overall.iloc[0]
        held.append(row["low"] <= 0.5 <= row["high"])
    assert 0.84 <= np.mean(held) <= 1.0


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (small().drop(columns="course"), "course"),
        (pd.concat([small(), small().head(1)]), "two records"),
        (small().query("course == 1").assign(course=2), "first course"),
    ],
)
def test_refusals(rows, words):
    with pytest.raises(CannotAnswer, match=words):
        courses(rows)


@pytest.fixture(scope="module")
def fit():
    return fit_rate(simulate_rates(40, seed=2, movement="vertical", rates=0.55), group=None)


def test_distribution_adds_up_and_grows(fit):
    table = courses_needed(fit, -2.0, most=8)
    assert table["within"].is_monotonic_increasing
    assert table["chance"].cumsum().to_numpy() == pytest.approx(table["within"].to_numpy())
    assert table["within"].iloc[-1] > 0.98
    rate = fit.rates["rate"].iloc[0]
    left = 2.0 * (1 - rate) ** table["courses"]
    assert table["arithmetic_left"].to_numpy() == pytest.approx(left.to_numpy())


def test_without_any_variation_the_distribution_is_the_arithmetic():
    rows = simulate_rates(
        60, seed=1, movement="vertical", rates=0.5, patient_sd=0, tooth_sd=0, residual_sd=0.001
    )
    table = courses_needed(fit_rate(rows, group=None), 3.9, 0.5, most=5, draws=2000)
    # 3.9, 1.95, 0.975, 0.4875: three courses, for everybody
    assert table.set_index("courses")["chance"].tolist() == pytest.approx([0, 0, 0, 1, 0, 0])


def test_patients_who_lag_need_more_than_the_arithmetic_says(fit):
    """Spread between patients makes some need more courses than the average rate suggests."""
    table = courses_needed(fit, 4.0, most=8).set_index("courses")
    mean_rate_says = int((table["arithmetic_left"] <= 0.5).idxmax())
    assert 0 < table.loc[mean_rate_says, "within"] < 0.95


def test_overcorrection_saves_courses(fit):
    plain = courses_needed(fit, 4.0, most=6).set_index("courses")["within"]
    more = courses_needed(fit, 4.0, most=6, factor=1.6).set_index("courses")["within"]
    assert more[2] > plain[2] + 0.1


@given(st.floats(0.6, 6), st.integers(0, 2**31))
def test_any_aim(fit, aim, seed):
    table = courses_needed(fit, aim, most=3, draws=200, seed=seed)
    assert table["within"].between(0, 1).all()
    assert table["courses"].tolist() == [0, 1, 2, 3]


@pytest.mark.parametrize("bad", [{"aim": 0.0}, {"aim": 1.0, "tolerance": 0}, {"aim": 1, "most": 0}])
def test_refusals_of_numbers(fit, bad):
    with pytest.raises(CannotAnswer, match="must"):
        courses_needed(fit, **bad)
