"""What differs between attachments, growing and grown patients, clinicians, sites, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from outcomes.report.tables import NBSP, count, number, range_words
from outcomes.report.words.english import (
    capital,
    equals,
    listed,
    movement_name,
    number_of,
    points_of,
)
from outcomes.report.words.rows import lines

if TYPE_CHECKING:
    from outcomes.report.audit import Audit


def differences(audit: Audit) -> list[str]:
    """What was compared, what stands out, what could not be asked."""
    table, result = audit.differences.table, audit.differences
    sentences = []
    if len(table):
        sentences.append(
            "Patients were not allocated at random. Clinicians and sites see different patients, "
            "and attachments go where trouble is expected, so a difference here is a question to "
            "look into. An audit is not a ranking."
        )
        sentences.append(compared(table))
        found = table[table["p_holm"] < 0.05].sort_values("p_holm")
        for row in lines(found):
            interval = range_words(100 * row.low, 100 * row.high, lambda v: number(v, 0))
            sentences.append(
                f"{capital(difference_words(row))} (95{NBSP}% interval {interval}; adjusted p "
                f"{equals(row.p_holm)}; {number_of(row.patients, 'patient')} against "
                f"{count(row.reference_patients)})."
            )
    if len(table) and table["not_recorded"].any():
        blank = table.groupby("factor", sort=False)["not_recorded"].max()
        parts = [f"{factor} in {count(n)}" for factor, n in blank.items() if n]
        sentences.append(
            f"Rows without the factor are left out of its comparison: up to {listed(parts)} of a "
            "movement's rows."
        )
    if result.not_recorded:
        sentences.append(
            f"Not compared, because not recorded or the same everywhere: "
            f"{listed(result.not_recorded)}."
        )
    for factor in dict.fromkeys(factor for _, factor in result.unanswered):
        without = [movement_name(m) for m, name in result.unanswered if name == factor]
        sentences.append(
            f"{capital(plural(factor))} cannot be compared for {listed(without)}: the cohort "
            "holds too little of it, or the levels are tied up with the kinds of tooth."
        )
    return sentences


def compared(table: pd.DataFrame) -> str:
    """How many comparisons, and how many stand out."""
    tried = number_of(len(table), "comparison")
    factors = listed(plural(f) for f in dict.fromkeys(table["factor"]))
    found = int((table["p_holm"] < 0.05).sum())
    if len(table) == 1:
        verb = "stands out" if found else "does not stand out"
        close = "" if found else ". That is not evidence that they are the same"
        return f"The one comparison that could be made, between {factors}, {verb}{close}."
    if not found:
        return (
            f"None of {tried} between {factors} stands out once their number is allowed for. "
            "That is not evidence that they are the same."
        )
    verb = "stands" if found == 1 else "stand"
    return (
        f"Of {tried} between {factors}, {count(found)} {verb} out after allowing for their number."
    )


def difference_words(row: Any) -> str:
    """``15 percentage points more vertical movement with bevelled attachments than with none``."""
    more = "more" if row.difference > 0 else "less"
    a, b = (_level_words(row.factor, level) for level in (row.level, row.reference))
    if b == f"with no {row.factor}":
        b = "with none"
    return f"{points_of(row.difference)} {more} {movement_name(row.movement)} {a} than {b}"


def _level_words(factor: str, level: str) -> str:
    if factor in ("attachment", "auxiliary"):
        return f"with no {factor}" if level == "none" else f"with {level} {plural(factor)}"
    if factor == "growing":
        return f"in {_GROWTH.get(level, level)} patients"
    return f"{'at' if factor == 'site' else 'for'} {factor} {level}"


_GROWTH = {"yes": "growing", "no": "grown"}
_PLURALS = {"auxiliary": "auxiliaries", "growing": "growing or grown patients"}


def plural(factor: str) -> str:
    """
    >>> plural("site"), plural("auxiliary")
    ('sites', 'auxiliaries')
    """
    return _PLURALS.get(factor, f"{factor.replace('_', ' ')}s")
