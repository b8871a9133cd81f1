"""The audit behind the notebook: any cohort that passes the check can be audited."""

import re

import numpy as np
import pandas as pd
import pytest
from everything import sentences, shown_tables
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from outcomes.cohort.read import from_frames
from outcomes.domain.movements import MOVEMENTS
from outcomes.errors import CohortError
from outcomes.reports.audit.results import run_audit

TEETH = [11, 13, 14, 16, 21, 23, 35, 36, 41, 43, 46]

amounts = st.one_of(st.just(0.0), st.floats(-5, 5).map(lambda x: round(x, 2)))


@st.composite
def movement_tables(draw):
    n = draw(st.integers(1, 14))

    def column(strategy):
        return draw(st.lists(strategy, min_size=n, max_size=n))

    frame = pd.DataFrame(
        {
            "patient": column(st.sampled_from(["P001", "P002", "P003", "P004"])),
            "tooth": column(st.sampled_from(TEETH)),
            "movement": column(st.sampled_from(sorted(MOVEMENTS)[: draw(st.integers(1, 3))])),
            "planned": column(amounts),
            "achieved": column(st.one_of(amounts, st.none())),
        }
    )
    if draw(st.booleans()):
        frame["attachment"] = column(st.sampled_from(["none", "rectangular", "ellipsoid"]))
    return frame


@st.composite
def patient_tables(draw):
    names = draw(st.permutations(["P001", "P002", "P003", "P004"]))
    return pd.DataFrame(
        {
            "patient": names,
            "clinician": draw(st.lists(st.sampled_from(["A", "B"]), min_size=4, max_size=4)),
            "site": draw(st.lists(st.sampled_from(["North", "South"]), min_size=4, max_size=4)),
        }
    )


@settings(
    max_examples=50, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)
@given(movement_tables(), st.one_of(st.none(), patient_tables()))
def test_any_cohort_that_passes_the_check_can_be_audited(movements, patients):
    try:
        cohort = from_frames(movements, patients)
    except CohortError:
        return
    audit = run_audit(cohort)
    words = sentences(audit)
    for name, said in words.items():
        for sentence in said:
            assert_english(sentence, name)
    assert words["summary"]
    for html in shown_tables(audit):
        assert "nan" not in re.sub(r"<[^>]+>", " ", html).lower().split()


def test_a_second_opinion_without_a_finite_likelihood_is_none():
    """Three rows on which statsmodels reaches an infinite likelihood; found by the test above."""
    rows = [("P004", 35, -0.78, 0.0), ("P001", 14, 1.78, 0.0), ("P004", 14, 1.78, -0.7)]
    frame = pd.DataFrame(rows, columns=["patient", "tooth", "planned", "achieved"])
    cohort = from_frames(frame.assign(movement="buccolingual"))
    for name, said in sentences(run_audit(cohort)).items():
        for sentence in said:
            assert_english(sentence, name)


def assert_english(sentence, where):
    message = f"{where}: {sentence!r}"
    assert sentence[0].isupper() or sentence[0] in "0123456789'−", message
    assert sentence[-1] in ".:?", message
    assert not re.search(r"\bnan\b|\bNone\b(?! of| was|\.)|\binf\b|  |\{|\}", sentence), message
    assert not re.search(r"\b1 (patients|rows|movements|teeth|comparisons|pairs)\b", sentence), (
        message
    )


def test_the_numbers_of_the_summary_are_those_of_the_tables(small_cohort):
    audit = run_audit(small_cohort)
    rate = audit.fits["rotation"].rates.iloc[0]
    said = " ".join(sentences(audit)["summary"]).replace("\u00a0", " ")
    assert "6 planned movements of 5 teeth in 3 patients" not in said  # P001 and P002: 11 and 21
    assert "6 planned movements of 6 teeth in 3 patients; no row was left out." in said
    assert f"{100 * rate['rate']:.0f} %" in said
    assert f"{100 * rate['low']:.0f} to {100 * rate['high']:.0f} %" in said


def test_the_smallest_cohort_says_what_it_cannot_answer(small_cohort):
    said = sentences(run_audit(small_cohort))
    assert "attachment, auxiliary, growing, clinician and site" in " ".join(said["differences"])
    assert "no repeated readings" in " ".join(said["measurement"])
    assert "cannot be judged" in " ".join(said["unplanned"])
    assert "fewer than 5 patients" in " ".join(said["summary"])


def test_one_patient_is_described_and_not_generalised():
    frame = pd.DataFrame(
        {
            "patient": "P001",
            "tooth": [11, 12],
            "movement": "torque",
            "planned": [4.0, 5.0],
            "achieved": [2.0, 2.0],
        }
    )
    audit = run_audit(from_frames(frame))
    assert not len(audit.fits)
    said = sentences(audit)
    assert "No achievement rate can be estimated." in " ".join(said["summary"])
    assert "2 teeth in 1 patient;" in said["summary"][0]


def test_nothing_measured_yet_is_refused_at_reading():
    frame = pd.DataFrame(
        {
            "patient": ["P001", "P002"],
            "tooth": [11, 12],
            "movement": "torque",
            "planned": [4.0, 5.0],
            "achieved": [np.nan, np.nan],
        }
    )
    with pytest.raises(CohortError):
        from_frames(frame)


def test_only_unplanned_movements():
    frame = pd.DataFrame(
        {
            "patient": ["P001", "P002", "P003"],
            "tooth": [16, 26, 36],
            "movement": "vertical",
            "planned": 0.0,
            "achieved": [0.1, 0.7, 0.2],
        }
    )
    said = sentences(run_audit(from_frames(frame)))
    assert "nothing to audit" in said["summary"][0]
    assert "3 movements were not planned but measured; 1 moved by more than 0.5" in said[
        "unplanned"
    ][0].replace("\u00a0", " ")


def made(effect: float, seed: int = 3) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    rows = []
    for p in range(16):
        clinician = "AB"[p % 2]
        rate = 0.5 + (effect if clinician == "B" else 0.0) + rng.normal(0, 0.03)
        for tooth in (11, 12, 21, 22):
            planned = rng.uniform(5, 15)
            achieved = rate * planned + rng.normal(0, 0.8)
            rows.append((f"P{p:03}", tooth, "rotation", planned, achieved, clinician))
    return pd.DataFrame(
        rows, columns=["patient", "tooth", "movement", "planned", "achieved", "clinician"]
    ).round(2)


@pytest.mark.parametrize(("effect", "found"), [(0.25, True), (-0.25, True), (0.0, False)])
def test_a_difference_is_found_where_it_is_and_worded_the_right_way_round(effect, found):
    frame = made(effect)
    patients = frame[["patient", "clinician"]].drop_duplicates()
    audit = run_audit(from_frames(frame.drop(columns="clinician"), patients))
    row = audit.differences.table.iloc[0]
    assert (row["p_holm"] < 0.05) == found
    said = " ".join(sentences(audit)["differences"])
    if not found:
        assert "not evidence that they are the same" in said
        return
    b_more = effect > 0
    assert row["difference"] == pytest.approx(effect if row["level"] == "B" else -effect, abs=0.06)
    level_more = (row["level"] == "B") == b_more
    word = "more" if level_more else "less"
    assert f"{word} rotation for clinician {row['level']} than for clinician" in said


def test_holm_is_over_the_whole_table():
    """Holm: the smallest p times the number of comparisons (Scand J Stat 1979;6:65-70)."""
    frame = made(0.1)
    frame["attachment"] = np.where(np.arange(len(frame)) % 3 == 0, "none", "rectangular")
    patients = frame[["patient", "clinician"]].drop_duplicates()
    table = run_audit(from_frames(frame.drop(columns="clinician"), patients)).differences.table
    assert set(table["factor"]) == {"attachment", "clinician"}
    smallest = table.loc[table["p"].idxmin()]
    assert smallest["p_holm"] == pytest.approx(min(1, smallest["p"] * len(table)))
