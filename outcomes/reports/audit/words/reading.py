"""What was read, left out and found wrong, in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from outcomes.cohort.problems import EXAMPLE_ROW, HEADINGS_ROW, NOT_MEASURED, STOPPED
from outcomes.cohort.suspicion import LOST
from outcomes.words.english import capital, is_, listed, number_of, verb, was
from outcomes.words.numbers import count

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort


def ledger_sum(cohort: Cohort, step: str, table: str = "movements") -> int:
    return int(cohort.ledger.query("table == @table and step == @step")["rows"].sum())


@dataclass(frozen=True)
class LeftOut:
    """Rows of movements that were read and not analysed, by what can be done about them.

    Attributes
    ----------
    correctable
        Something is wrong with the row, and the list of problems says what to do.
    awaiting
        Nothing is wrong: the result is not measured yet.
    stopped
        The whole cohort waits for a problem that stops it.
    no_record
        The template's example row and repeated headings: never left out, because never records.
    """

    correctable: int
    awaiting: int
    stopped: int
    no_record: int

    @property
    def records(self) -> int:
        return self.correctable + self.awaiting + self.stopped


def left_out(cohort: Cohort) -> LeftOut:
    """Count the excluded rows of movements by what can be done about them.

    Examples
    --------
    >>> from outcomes.cohort.read import from_frames
    >>> rows = pd.DataFrame({"patient": ["EXAMPLE", "P1", "P2", "P3"], "tooth": [11, 11, 99, 12],
    ...     "movement": "tip", "planned": 5.0, "achieved": [1.0, 3.0, 2.0, None]})
    >>> left_out(from_frames(rows))
    LeftOut(correctable=1, awaiting=1, stopped=0, no_record=1)
    """
    excluded = cohort.ledger.query("table == 'movements' and step == 'excluded'")
    by = excluded.groupby("reason")["rows"].sum()
    no_record = sum(int(by.get(reason, 0)) for reason in (EXAMPLE_ROW, HEADINGS_ROW))
    awaiting, stopped = int(by.get(NOT_MEASURED, 0)), int(by.get(STOPPED, 0))
    correctable = int(by.sum()) - no_record - awaiting - stopped
    return LeftOut(correctable, awaiting, stopped, no_record)


def left_words(cohort: Cohort) -> str:
    """``272 rows were left out: 14 can be corrected, 258 await a scan``; no full stop."""
    left = left_out(cohort)
    if not left.records:
        return "no row was left out"
    kinds = {
        "can be corrected": left.correctable,
        f"{verb(left.awaiting, 'await')} a scan": left.awaiting,
        f"{verb(left.stopped, 'wait')} for what stops the analysis": left.stopped,
    }
    kinds = {what: n for what, n in kinds.items() if n}
    if len(kinds) == 1:
        parts = f"{'it' if left.records == 1 else 'all'} {next(iter(kinds))}"
    else:
        parts = ", ".join(f"{count(n)} {what}" for what, n in kinds.items())
    return f"{number_of(left.records, 'row')} {was(left.records)} left out: {parts}"


def _no_record_words(cohort: Cohort) -> str:
    found = cohort.ledger.query("table == 'movements'").set_index("reason")["rows"]
    kinds = {EXAMPLE_ROW: "example row", HEADINGS_ROW: "repeated heading"}
    parts = [number_of(int(found[why]), one) for why, one in kinds.items() if why in found.index]
    return f", among them {listed(parts)} of no patient" if parts else ""


def reading(cohort: Cohort, *, table: bool = False) -> list[str]:
    """What was read, and what was left out.

    Parameters
    ----------
    cohort
        What was read.
    table
        Whether the table of reasons (the ledger) follows.
    """
    read, left = ledger_sum(cohort, "read"), left_out(cohort)
    planned = cohort.movements[cohort.movements["planned"] != 0]
    aside = len(cohort.movements) - len(planned)
    apart = (
        f" {capital(number_of(aside, 'movement'))} with a plan of zero {is_(aside)} reported apart, "
        f"as unplanned {'movement' if aside == 1 else 'movements'}."
    )
    sentences = [
        f"{capital(number_of(read, 'row'))} of movements {was(read)} read from {cohort.source}"
        f"{_no_record_words(cohort)}. {capital(left_words(cohort))}."
        + (" The table below gives the reason for each." if table and left.records else ""),
        f"{capital(number_of(len(planned), 'planned movement'))} of "
        f"{number_of(planned['tooth_site'].nunique(), 'tooth', 'teeth')} in "
        f"{number_of(planned['patient'].nunique(), 'patient')} "
        f"{verb(len(planned), 'enter')} the rates.{apart if aside else ''}",
    ]
    if cohort.invented:
        sentences.insert(0, "This practice is invented, for demonstration.")
    return sentences


def ledger_words(cohort: Cohort) -> pd.DataFrame:
    """The ledger without its empty lines: table, step, reason, rows, patients."""
    return cohort.ledger[cohort.ledger["rows"] > 0].reset_index(drop=True)


CAN_BE_ANALYSED = "The cohort can be analysed."


def checked(cohort: Cohort) -> list[str]:
    """After a check: can it be analysed, and what deserves a look?"""
    by = cohort.problems["severity"].value_counts()
    stop, left, look = (int(by.get(name, 0)) for name in ("stop", "exclude", "check"))
    if stop:
        return [
            f"{capital(number_of(stop, 'problem'))} {verb(stop, 'stop')} the "
            "analysis. Put right what says 'stop', then check again."
        ]
    lost = cohort.problems["problem"].iloc[:1].tolist()
    sentences = [CAN_BE_ANALYSED]
    if lost and lost[0].endswith(LOST):
        # Said first: what is left may not stand for the whole.
        sentences = [f"{lost[0]}: what is left may not stand for the whole.", *sentences]
        look -= 1
    if left:
        sentences.append(
            f"{capital(number_of(left, 'problem'))} {'takes a row' if left == 1 else 'take rows'} "
            "out of the analysis; put right what can be."
        )
    if look:
        sentences.append(
            f"{capital(number_of(look, 'entry', 'entries'))} {is_(look)} kept but "
            f"{verb(look, 'look')} unusual: compare {'it' if look == 1 else 'them'} "
            "with the record."
        )
    return sentences


def problems_found(cohort: Cohort) -> list[str]:
    """Problems in words, with where to find them."""
    if not len(cohort.problems):
        return ["No problems were found in the cohort as it was read."]
    where = "The file problems.csv and the notebook check_your_cohort give each with its remedy."
    return [*(said for said in checked(cohort) if said != CAN_BE_ANALYSED), where]


def problem_words(cohort: Cohort) -> list[str]:
    """Above the list of problems: what the severities mean."""
    if not len(cohort.problems):
        return ["No problems were found."]
    return [
        "'stop': the cohort cannot be analysed until it is put right. 'exclude': that row is left "
        "out, and stands in the ledger. 'check': kept as it is, but unusual enough to compare with "
        "the record. Rows are numbered as the spreadsheet shows them."
    ]


def tables_read(cohort: Cohort) -> list[str]:
    """What each table holds, and what the absent ones would add."""
    absent = {
        "patients": "clinician, site, age and growth cannot be looked at",
        "courses": "aligners, wear and elastics cannot be looked at",
        "measures": "the bite before and after cannot be looked at",
        "repeats": "it is not known how well movements were measured",
    }
    sentences = [f"movements: {number_of(len(cohort.movements), 'row')} kept"]
    for name, without in absent.items():
        rows = len(getattr(cohort, name))
        sentences.append(
            f"{name}: {number_of(rows, 'row')} kept" if rows else f"{name}: none; {without}"
        )
    return [f"{capital(sentence)}." for sentence in sentences]


def plausibility(cohort: Cohort) -> list[str]:
    """Above the plots of plausibility."""
    if not len(cohort.movements):
        return ["No movement is left to draw."]
    look = int((cohort.problems["severity"] == "check").sum())
    return [
        "Most points should lie between the line of nothing achieved and the line of all achieved. "
        "A cloud along the other diagonal is a sign convention turned round; points ten times too "
        "far out are a misplaced decimal or the wrong unit.",
        f"{capital(number_of(look, 'entry', 'entries'))} {is_(look)} listed above as unusual."
        if look
        else "No entry is listed as unusual.",
    ]
