"""Sentences of the audit: what they may and may not claim."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from everything import sentences

from outcomes.cohort.read import from_frames
from outcomes.reports.audit import words
from outcomes.reports.audit.results import run_audit
from outcomes.reports.audit.words.reading import left_out, left_words
from outcomes.words.english import rate_words


def rows(patients=8, teeth=(11, 21, 16, 26), movement="vertical", seed=1, rate=0.6, signs=(1, -1)):
    rng = np.random.default_rng(seed)
    made = [
        (f"P{p:03}", tooth, movement, signs[(p + i) % len(signs)] * rng.uniform(1, 3))
        for p in range(patients)
        for i, tooth in enumerate(teeth)
    ]
    frame = pd.DataFrame(made, columns=["patient", "tooth", "movement", "planned"]).round(2)
    share = rng.normal(rate, 0.1, len(frame))
    return frame.assign(achieved=(frame["planned"] * share).round(2))


def plain(text):
    return " ".join([text] if isinstance(text, str) else text).replace("\u00a0", " ")


def with_faults(correct, await_scan, example):
    base = rows()
    bad = base.head(correct).assign(tooth=99)
    later = rows(patients=20, seed=5).head(await_scan).assign(achieved=None, movement="tip")
    shown = base.head(example).assign(patient="EXAMPLE")
    return from_frames(pd.concat([shown, base, bad, later], ignore_index=True))


@pytest.mark.parametrize(
    ("faults", "expected"),
    [
        ((0, 0, 0), "no row was left out"),
        ((0, 0, 1), "no row was left out"),
        ((1, 0, 1), "1 row was left out: it can be corrected"),
        ((0, 1, 0), "1 row was left out: it awaits a scan"),
        ((3, 0, 0), "3 rows were left out: all can be corrected"),
        ((3, 9, 1), "12 rows were left out: 3 can be corrected, 9 await a scan"),
        ((2, 1, 0), "3 rows were left out: 2 can be corrected, 1 awaits a scan"),
    ],
)
def test_what_is_left_out_and_what_can_be_done_about_it(faults, expected):
    cohort = with_faults(*faults)
    left = left_out(cohort)
    assert (left.correctable, left.awaiting, left.no_record) == faults
    excluded = cohort.ledger.query("table == 'movements' and step == 'excluded'")["rows"].sum()
    assert left.records + left.no_record == excluded
    assert left_words(cohort) == expected
    said = sentences(run_audit(cohort))
    assert expected in said["summary"][0]
    assert expected.capitalize() in plain(said["reading"])
    assert ("1 example row of no patient" in plain(said["reading"])) == bool(faults[2])


def test_the_list_of_problems_holds_what_the_step_says_it_holds():
    cohort = with_faults(3, 9, 1)
    steps = plain(words.next_steps(run_audit(cohort)))
    assert (cohort.problems["severity"] == "exclude").sum() == 3
    assert "Put right what can be of the 3 rows with a fault (problems.csv gives each" in steps
    assert "9 rows await a scan: fill in" in steps
    assert "Put right" not in plain(words.next_steps(run_audit(with_faults(0, 9, 0))))


def test_a_table_is_named_only_where_it_follows():
    cohort = with_faults(3, 0, 0)
    assert "below" not in plain(words.reading(cohort))
    assert "below" in plain(words.reading(cohort, table=True))
    assert "below" not in plain(words.reading(with_faults(0, 0, 1), table=True))
    assert "below" not in words.summary(run_audit(cohort))[0]


def test_most_and_least_are_of_those_with_a_rate():
    both = pd.concat([rows(), rows(movement="torque", rate=0.4)])
    lone = rows(patients=1, movement="tip", teeth=(11, 12))
    full = plain(words.summary(run_audit(from_frames(both))))
    assert "Most was achieved of vertical movement" in full
    less = run_audit(from_frames(pd.concat([both, lone], ignore_index=True)))
    assert "tip" in less.fits.failed
    assert "Of the movements with a rate, most was achieved of" in plain(words.summary(less))


def test_flagged_values_in_the_rates_are_counted():
    frame = rows(patients=10)
    assert "flagged" not in plain(words.summary(run_audit(from_frames(frame))))
    frame.loc[0, ["planned", "achieved"]] = [7.0, 8.0]
    frame.loc[1, "achieved"] = -frame.loc[1, "planned"]
    frame.loc[2, ["planned", "achieved"]] = [0.0, 9.0]  # not planned: in no rate
    audit = run_audit(from_frames(frame))
    assert (
        "3 values flagged by the check (2 larger than 6 mm or 60° and 1 opposite in sign to the plan) "
        "enter the rates; see problems.csv."
    ) in plain(words.summary(audit))
    frame.loc[0, ["planned", "achieved"]] = [2.0, 1.0]
    assert "1 value flagged by the check (1 opposite in sign to the plan) enters the rates" in (
        plain(words.summary(run_audit(from_frames(frame))))
    )


def test_where_most_went_the_other_way_and_what_overlaps():
    frame = rows()
    frame.loc[0, "achieved"] = -frame.loc[0, "planned"]
    frame.loc[1, "achieved"] = frame.loc[1, "planned"] * 1.1
    said = plain(words.wrong_way(run_audit(from_frames(frame))))
    assert "The largest share that went the other way is in vertical movement of" in said
    assert said.count("'too far' and 'on target' overlap") == 1


@pytest.mark.parametrize(("patients", "mark"), [(4, "; only 4 patients)"), (5, "")])
def test_next_steps_mark_small_groups(patients, mark):
    frame = rows(patients=patients, teeth=(11, 21))
    frame["achieved"] = frame["achieved"].where(frame["tooth"] != 11, -frame["planned"])
    steps = plain(words.next_steps(run_audit(from_frames(frame))))
    assert "vertical movement of tooth 11 (100 % of" in steps
    assert mark in steps
    assert ("only" in steps) == bool(mark)


@pytest.mark.parametrize("high", [3.5, 1e6, np.inf, np.nan])
def test_an_interval_that_says_nothing_is_not_written(high):
    row = SimpleNamespace(rate=0.5, low=0.1, high=high)
    assert plain(rate_words(row)) == "50 % (interval not known)"
    row = SimpleNamespace(rate=0.5, low=0.1, high=0.9)
    assert plain(rate_words(row)) == "50 % (95 % interval 10 to 90 %)"


def test_the_pooled_rate_is_explained_once(small_cohort):
    said = sentences(run_audit(small_cohort))
    assert plain(said["movement_rates"]).count("The pooled rate in the table is the sum of") == 1


def test_kinds_of_tooth_that_cannot_be_compared_are_not_called_alike():
    frame = pd.concat([rows(), rows(patients=1, movement="tip")], ignore_index=True)
    audit = run_audit(from_frames(frame))
    assert "tip" in audit.class_fits.failed
    said = words.class_rates(audit)
    assert sum("kinds of tooth cannot be compared" in s for s in said) == 1
    assert any(s.startswith("Tip: kinds of tooth cannot be compared. ") for s in said)
    assert any(s.startswith("Vertical movement: no difference between kinds") for s in said)


@pytest.mark.parametrize(("few", "compared"), [(3, False), (4, False), (5, True)])
def test_directions_of_few_patients_are_not_contrasted(few, compared):
    frame = rows(patients=9, signs=(1,))
    less = frame["patient"].isin(sorted(frame["patient"].unique())[:few]) & (frame["tooth"] > 15)
    frame.loc[less, ["planned", "achieved"]] *= -1
    said = plain(words.directions(run_audit(from_frames(frame))))
    assert ("percentage point" in said or "no more in one" in said) == compared
    told = f"Vertical movement: intrusion rests on {few} patients only, so the directions are not"
    assert (told in said) != compared


def test_an_interval_too_wide_is_not_read_out_in_points(small_cohort):
    audit = run_audit(small_cohort)
    audit.fits["rotation"].rates.loc[0, ["low", "high"]] = [-42833.15, 42834.1]
    said = plain(words.movement_rates(audit))
    assert "4,283" not in said
    assert "For rotation it is too wide to say anything" in said
