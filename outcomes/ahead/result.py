"""The next course of one patient: its tables, complete and named, whoever fills or shows them."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import Any

import pandas as pd

from outcomes.overcorrect.plan import Plan, PlanLimits
from outcomes.plot_hook import plot
from outcomes.words.cautions import PLANNING
from outcomes.words.cautions import cautions as standing_cautions
from outcomes.words.shown import as_html, as_text

__all__ = [
    "ALTERNATIVES",
    "ARCH",
    "EXPECTED",
    "FLAGS",
    "HOLDS",
    "INTERVALS",
    "LEFT",
    "NOT_KNOWN",
    "SO_FAR",
    "STAGES",
    "UNLIKELY",
    "WITHIN",
    "NextCourse",
]

LEFT, WITHIN, NOT_KNOWN = "left", "within tolerance", "not known"
"""States of a movement that was aimed at, after the courses so far."""

SO_FAR = (
    "tooth",
    "movement",
    "unit",
    "first_aim",
    "latest_aim",
    "begun",
    "last",
    "courses",
    "not_measured",
    "planned_total",
    "reached",
    "left",
    "tolerance",
    "state",
    "note",
)
EXPECTED = (
    "at",
    "tooth",
    "movement",
    "unit",
    "aim",
    "rate",
    "low_80",
    "high_80",
    "cohort_rate",
    "cohort_low_80",
    "cohort_high_80",
    "own_movements",
    "own_tooth",
    "note",
)
HOLDS = (
    "tooth",
    "movement",
    "unit",
    "asked",
    "expected",
    "low_80",
    "high_80",
    "low_95",
    "high_95",
    "tolerance",
    "within",
    "beyond_positive",
    "beyond_negative",
    "so_far",
    "own_movements",
    "patients",
    "movements",
    "verdict",
    "neighbours",
    "why",
    "cautions",
)
STAGES = (
    "at",
    "tooth",
    "movement",
    "unit",
    "aim",
    "planned",
    "within_one",
    "over_one",
    "left_one",
    "aligners_one",
    "again",
    "second_planned",
    "within_two",
    "over_two",
    "left_two",
    "aligners_two",
    "note",
)
UNLIKELY = (
    "at",
    "tooth",
    "movement",
    "unit",
    "aim",
    "planned",
    "expected",
    "helps",
    "within",
    "own_movements",
    "why",
    "choices",
)
ALTERNATIVES = (
    "at",
    "tooth",
    "movement",
    "unit",
    "aim",
    "column",
    "level",
    "planned",
    "expected",
    "low_80",
    "high_80",
    "within",
    "over",
    "patients",
    "movements",
    "told",
    "note",
)
ARCH = (
    "at",
    "tooth",
    "movement",
    "unit",
    "aim",
    "planned",
    "aligners",
    "start",
    "end",
    "latest_start",
    "step",
    "sets_number",
    "note",
)
INTERVALS = (
    "column",
    "value",
    "aligners",
    "days",
    "patients",
    "courses",
    "movement",
    "difference",
    "low",
    "high",
    "told",
    "note",
)
FLAGS = (
    "tooth",
    "flag",
    "measure",
    "value",
    "unit",
    "after_course",
    "limit",
    "why",
)


@dataclass(frozen=True)
class NextCourse:
    """What is left for one patient, what to expect of the coming course, and what to look at.

    All movements in mm or degrees, signed as in the cohort; chances and rates are shares of 1; what
    is not known is missing, never 0.

    Attributes
    ----------
    patient
        Code, as in the cohort; "NEW" for one who is not named.
    known
        Whether the cohort has records of this patient.
    course
        Number of the coming course: one more than the last one recorded, measured or not.
    plan
        The plan (``Plan``) for what is left, or for the aims that were given; its ``aims`` carry
        the cautions of ``flags`` beside their rows. None where no aim is to be planned. ``at`` in
        the tables below is the index of ``plan.aims``.
    so_far
        A row for each movement that a course aimed at, in order of teeth: tooth, movement, unit;
        first_aim, latest_aim (from where the tooth stood before the course ``begun``); begun, last
        (that course, and the last that is known); courses (how many were measured); not_measured
        (courses with a record and no result, or after such a one); planned_total and reached (sums
        over the measured courses); left (latest_aim - reached, missing where not known);
        tolerance; state ("left", "within tolerance", "not known"); note (a sentence, or "").
    expected
        The rate expected now. A row for each aim that past cases answer: at, tooth, movement, unit,
        aim; rate, low_80, high_80 (share of the plan that the coming course is expected to bring,
        given all own results, with the range of it); cohort_rate, cohort_low_80, cohort_high_80
        (the same for a patient who is not known); own_movements (results of this patient used),
        own_tooth (of this very tooth); note (a sentence that compares the two).
    holds
        Teeth to keep where they are. tooth, movement, unit; asked ("aim 0", or "planned 0 in course
        k"); expected (side movement in the coming course), low_80, high_80, low_95, high_95;
        tolerance, within (chance of staying within it), beyond_positive, beyond_negative (chances of
        going further, by sign); so_far (own side movement up to now, missing where not measured);
        own_movements; patients, movements (measured side movements of this class and arch); verdict
        ("supported", "wide", "not supported": no numbers); neighbours (what the plans of the teeth
        beside it change, or why that is not told); why; cautions. The least likely to stay first.
    stages
        One course more against two staged ones, for each aim with a plan: at, tooth, movement,
        unit, aim; planned (in the first of them: the plan with the best chance); within_one,
        over_one, left_one (expected size of what is left), aligners_one; again (chance that the
        scan asks for a second course); second_planned (its median plan, for those who need it);
        within_two, over_two, left_two, aligners_two (mean of both courses together); note.
    unlikely
        Aims for which another try is unlikely to help: at, tooth, movement, unit, aim; planned,
        expected (plan with the best chance); helps (chance of getting nearer by the tolerance at
        least, or into it), within; own_movements; why; choices (what remains, for the clinician
        to weigh).
    alternatives
        Attachments and auxiliaries, where the cohort can tell: at, tooth, movement, unit, aim;
        column ("attachment", "auxiliary"), level; planned, expected, low_80, high_80, within, over
        (plan with the best chance for that level); patients, movements (with this level, in this
        direction and class); told (whether the cohort tells the levels apart); note. Where it
        cannot, one row without level and numbers whose note says so.
    arch
        All movements of the course: at, tooth, movement, unit, aim, planned; aligners (at the
        largest step), start, end (first and last aligner), latest_start (may begin so late and
        still end in time), step (of one aligner when spread over the whole course); sets_number
        (needs most, and so sets the number); note.
    aligners
        Number of aligners of the coming course; missing (None) where nothing is planned.
    intervals
        Days for each aligner, and wear, as a trade-off: column ("days_per_aligner", "wear_hours"),
        value (as recorded; missing in the row that says there is no evidence); aligners, days (of
        this course at that interval; missing for wear); patients, courses (recorded with it);
        movement, difference, low, high (change of the rate for one day or hour more, with intervals
        that hold together with 95 %); told (whether the interval leaves out 0); note.
    flags
        What measures say of gum, bone and smile: tooth (missing: of the patient), flag
        ("recession", "narrow keratinised tissue", "deep pocket", "thin bone", "gummy smile",
        "not measured"), measure, value, unit, after_course, limit (from which it is flagged), why.
    problems
        What was wrong with the aims: table, row, column, value, problem, remedy, severity.
    notes
        Sentences on the whole: what was not measured, left out or assumed.
    limits
        The limits that were kept.
    source
        Name of the cohort.
    """

    patient: str
    known: bool
    course: int
    plan: Plan | None
    so_far: pd.DataFrame
    expected: pd.DataFrame
    holds: pd.DataFrame
    stages: pd.DataFrame
    unlikely: pd.DataFrame
    alternatives: pd.DataFrame
    arch: pd.DataFrame
    aligners: int | None
    intervals: pd.DataFrame
    flags: pd.DataFrame
    problems: pd.DataFrame
    notes: tuple[str, ...]
    limits: PlanLimits
    source: str

    @property
    def done(self) -> pd.DataFrame:
        """Rows of ``so_far`` that ended within the tolerance: no row of the plan is for them."""
        return self.so_far[self.so_far["state"] == WITHIN]

    @property
    def not_known(self) -> pd.DataFrame:
        """Rows of ``so_far`` whose state is not known, as a course was not measured."""
        return self.so_far[self.so_far["state"] == NOT_KNOWN]

    @property
    def standing(self) -> tuple[str, ...]:
        """The cautions that go with every plan."""
        return tuple(standing_cautions(*PLANNING))

    def plot(self, ax: Any = None) -> Any:
        """What the course is expected to bring of each aim, with 80 % ranges; returns the Axes."""
        return plot(self, ax=ax)

    @property
    def _head(self) -> str:
        return f"{self.patient}, course {self.course}"

    @property
    def _shown(self) -> list[tuple[str, pd.DataFrame]]:
        """Headings and tables, without those that have no row."""
        plan = pd.DataFrame() if self.plan is None else self.plan.table
        columns = ["tooth", "movement", "aim", "verdict", "best_planned", "best_expected"]
        columns += ["best_within", "best_over"]
        holds = [c for c in HOLDS if c not in ("neighbours", "why", "cautions")]
        parts = [
            ("So far:", self.so_far.drop(columns=["note"])),
            ("Plan:", plan[columns] if len(plan) else plan),
            ("To hold:", self.holds[holds]),
            ("Unlikely to help:", self.unlikely.drop(columns=["at", "why", "choices"])),
        ]
        return [(name, table) for name, table in parts if len(table)]

    def __repr__(self) -> str:
        parts = [part for pair in self._shown for part in pair]
        return as_text(self._head, *parts, *self.notes, *self.standing, blank="–")

    def _repr_html_(self) -> str:
        parts = [part for pair in self._shown for part in pair]
        said = as_html(escape(self._head), *parts, notes=map(escape, self.notes), blank="–")
        return said + as_html("Always:", notes=map(escape, self.standing))
