"""What was read, left out and found wrong, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from outcomes.report.words.english import capital, is_, number_of, was

if TYPE_CHECKING:
    from outcomes.cohort.read import Cohort


def ledger_sum(cohort: Cohort, step: str, table: str = "movements") -> int:
    rows = cohort.ledger
    return int(rows.loc[(rows["table"] == table) & (rows["step"] == step), "rows"].sum())


def reading(cohort: Cohort) -> list[str]:
    """What was read, and what was left out."""
    read, left = ledger_sum(cohort, "read"), ledger_sum(cohort, "excluded")
    movements = cohort.movements
    planned = movements[movements["planned"] != 0]
    aside = len(movements) - len(planned)
    sentences = [
        f"{capital(number_of(read, 'row'))} of movements {was(read)} read from {cohort.source}. "
        + (
            "None was left out."
            if left == 0
            else f"{capital(number_of(left, 'row'))} {was(left)} left out, each for a reason in "
            "the table below; no row disappears without one."
        ),
        f"{capital(number_of(len(planned), 'planned movement'))} of "
        f"{number_of(planned['tooth_site'].nunique(), 'tooth', 'teeth')} in "
        f"{number_of(planned['patient'].nunique(), 'patient')} "
        f"{'enters' if len(planned) == 1 else 'enter'} the rates."
        + (
            f" {capital(number_of(aside, 'movement'))} with a plan of zero "
            f"{is_(aside)} reported apart, as unplanned {'movement' if aside == 1 else 'movements'}."
            if aside
            else ""
        ),
    ]
    if cohort.invented:
        sentences.insert(0, "This practice is invented, for demonstration.")
    return sentences


def ledger_words(cohort: Cohort) -> pd.DataFrame:
    """The ledger without its empty lines: table, step, reason, rows, patients."""
    return cohort.ledger[cohort.ledger["rows"] > 0].reset_index(drop=True)


def checked(cohort: Cohort) -> list[str]:
    """After a check: can it be analysed, and what deserves a look?"""
    by = cohort.problems["severity"].value_counts()
    stop, left, look = (int(by.get(name, 0)) for name in ("stop", "exclude", "check"))
    if stop:
        return [
            f"{capital(number_of(stop, 'problem'))} {'stops' if stop == 1 else 'stop'} the "
            "analysis. Put right what says 'stop', then check again."
        ]
    sentences = ["The cohort can be analysed."]
    if left:
        sentences.append(
            f"{capital(number_of(left, 'problem'))} {'takes a row' if left == 1 else 'take rows'} "
            "out of the analysis; put right what can be."
        )
    if look:
        sentences.append(
            f"{capital(number_of(look, 'entry', 'entries'))} {is_(look)} kept but "
            f"{'looks' if look == 1 else 'look'} unusual: compare {'it' if look == 1 else 'them'} "
            "with the record."
        )
    return sentences


def problems_found(cohort: Cohort) -> list[str]:
    """Problems in words, with where to find them."""
    if not len(cohort.problems):
        return ["No problems were found in the cohort as it was read."]
    where = "The file problems.csv and the notebook check_your_cohort give each with its remedy."
    return [*checked(cohort)[1:], where]


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
