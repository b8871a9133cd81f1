"""What is readable and yet probably read wrongly: each suspicion is a question to the owner.

A mapping answers a question once (``outcomes map FILE``); an answered one is not asked again.
Columns, blanks and teeth are looked at here, the numbers in ``doubtful_numbers``. The limits stand
in ``domain.limits``; how often they cry wolf, and what they find, is simulated in
``benchmarks/suspicion.py``.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterator, Mapping

import numpy as np
import pandas as pd

from outcomes.cohort import cells
from outcomes.cohort.doubtful_numbers import Suspicion, ask, of_numbers
from outcomes.cohort.join import TWICE
from outcomes.cohort.problems import (
    COPY,
    EXAMPLE_ROW,
    HEADINGS_ROW,
    NOT_MEASURED,
    STOPPED,
    TOTALS_ROW,
    problem_frame,
)
from outcomes.cohort.typed import Typed
from outcomes.domain.languages import direction_meaning, heading_meanings, movement_heading
from outcomes.domain.limits import LARGEST_LOSS, SUSPICIOUS_ROWS
from outcomes.domain.table_types import OTHER_UNITS
from outcomes.words.english import counted

__all__ = ["KEYS", "Suspicion", "find", "lost_rows", "note"]

#: Keys of all questions, and of what is said first of a cohort that loses many rows ("lost").
KEYS = frozenset(
    {"blocks", "courses", "cumulative", "directions", "lost", "positions", "remaining"}
    | {"running numbers", "signed teeth", "signs", "units"}
)

#: Columns without which a row is lost, often written once for several rows.
_ONCE = ("patient", "tooth", "movement")

#: How the problem ends that tells of many rows lost.
LOST = "left out because of problems"

_SIGNED = re.compile(r"[+\-−–—﹣－‐‑]\s*\d{1,2}|\d{1,2}\s*[+\-−–—﹣－‐‑]")


def find(tables: Mapping[str, Typed], answered: Collection[str] = frozenset()) -> list[Suspicion]:
    """Everything suspicious about the movements.

    Parameters
    ----------
    tables
        By name, cells read and records checked.
    answered
        Keys of the questions that have an answer: they are not asked.

    Returns
    -------
    list of Suspicion
    """
    table = tables.get("movements")
    if table is None:
        return []
    kept = table.kept
    found = [
        *_once_a_block(table),
        *_blank_courses(table),
        *_signed_teeth(table),
        *_running_numbers(table),
        *_columns_left_over(table),
        *of_numbers(kept),
    ]
    return [suspicion for suspicion in found if suspicion.key not in answered]


def note(tables: Mapping[str, Typed], answered: Collection[str] = frozenset()) -> None:
    """List what :func:`find` finds among the problems."""
    for suspicion in find(tables, answered):
        tables["movements"].sieve.note(
            suspicion.column,
            suspicion.problem,
            suspicion.remedy,
            severity=suspicion.severity,
            value=suspicion.value,
            row=suspicion.row,
        )


def lost_rows(
    tables: Mapping[str, Typed], answered: Collection[str] = frozenset()
) -> list[pd.DataFrame]:
    """The first thing to say of a cohort that loses many rows to problems; else nothing.

    Rows that await a scan and copies of a row are not lost, and what is no record was none.
    """
    if "movements" not in tables or "lost" in answered:
        return []
    sieve = tables["movements"].sieve
    rows_of = Counter(sieve.reasons_of(~sieve.kept).tolist())
    none = (EXAMPLE_ROW, HEADINGS_ROW, TOTALS_ROW, COPY, *TWICE)
    records = len(sieve.rows) - sum(rows_of.pop(reason, 0) for reason in none)
    lost = sum(rows_of.values()) - sum(rows_of[reason] for reason in (NOT_MEASURED, STOPPED))
    if lost <= LARGEST_LOSS * records:
        return []
    return [
        problem_frame(
            "movements",
            None,
            "",
            f"{lost} of {records}",
            f"{lost:,} of {counted(records, 'row')} {LOST}",
            "What is left may not stand for the whole: put right what is marked exclude, or say "
            "with every result how many rows are missing.",
            "check",
        )
    ]


# Blanks -------------------------------------------------------------------------------------------


def _once_a_block(table: Typed) -> Iterator[Suspicion]:
    """The patient (tooth, movement) stands in the first row of a block only."""
    raw = table.named.frame
    records = table.named.live & _with_numbers(raw)
    for column in _ONCE:
        if column not in raw:
            continue
        blank = cells.blank_cells(raw[column]) & records
        count, total = int(blank.sum()), int(records.sum())
        if count < SUSPICIOUS_ROWS["blank"] or count <= LARGEST_LOSS * total:
            continue
        yield ask(
            "blocks",
            "stop",
            column,
            f"{column} is blank in {count:,} of {counted(total, 'row')}",
            f"Is the {column} written once for several rows?",
            f"write the {column} in every row",
            row=int(table.sieve.rows[np.argmax(blank)]),
        )


def _with_numbers(raw: pd.DataFrame) -> np.ndarray:
    """Rows in which something is planned or achieved."""
    filled = np.zeros(len(raw), dtype=bool)
    for name in ("planned", "achieved"):
        if name in raw:
            filled |= ~cells.blank_cells(raw[name])
    return filled


def _blank_courses(table: Typed) -> Iterator[Suspicion]:
    """A blank course below a later one of the same patient would be read as the first."""
    raw = table.named.frame
    if "course" not in raw:
        return
    live = np.flatnonzero(table.named.live)
    blank = cells.blank_cells(raw["course"])[live]
    patient = pd.Series(table.named.patients[live]).replace("", None).ffill()
    course = table.frame["course"].iloc[live].reset_index(drop=True).where(~blank)
    above = course.astype(float).groupby(patient).ffill()
    doubtful = blank & (above > 1).to_numpy()
    if doubtful.any():
        yield ask(
            "courses",
            "stop" if doubtful.sum() >= SUSPICIOUS_ROWS["blank"] else "check",
            "course",
            f"course is blank in {counted(int(doubtful.sum()), 'row')} below a later course",
            "Is the course written once for several rows?",
            "write the course in every row: a blank one is read as course 1",
            row=int(table.sieve.rows[live[np.argmax(doubtful)]]),
        )


# Teeth --------------------------------------------------------------------------------------------


def _signed_teeth(table: Typed) -> Iterator[Suspicion]:
    """A plus or minus beside a tooth number is a quadrant in one notation, and would be lost."""
    raw = table.named.frame
    if "tooth" not in raw:
        return
    signed = cells.where(raw["tooth"], _is_signed) & table.named.live
    if signed.any():
        first = int(np.argmax(signed))
        yield ask(
            "signed teeth",
            "stop",
            "tooth",
            f"a plus or minus beside the tooth number in {counted(int(signed.sum()), 'row')}",
            "Does the sign name the quadrant?",
            "write FDI numbers such as 31 for the lower left central incisor",
            value=raw["tooth"].iloc[first],
            row=int(table.sieve.rows[first]),
        )


def _is_signed(cell: object) -> bool:
    return bool(_SIGNED.fullmatch(cells.clean_text(cell)))


def _running_numbers(table: Typed) -> Iterator[Suspicion]:
    """Small whole numbers that only count: 1, 2, 3 ... in every patient, or down the table."""
    if table.named.notation != "universal":
        return
    raw = table.named.frame[table.named.live]
    number = pd.to_numeric(pd.Series(cells.texts(raw["tooth"])), errors="coerce").to_numpy()
    patient = pd.Series(table.named.patients[table.named.live])
    if len(number) < SUSPICIOUS_ROWS["column"] or patient.nunique() < 2:
        return
    each = pd.Series(number).groupby(patient)
    counts = (each.nunique() == each.max()) & (each.min() == 1) & (each.max() < 16)
    down = np.array_equal(number, np.arange(1, len(number) + 1))
    if counts.all() or down:
        yield ask(
            "running numbers",
            "stop",
            "tooth",
            "the tooth numbers only count: 1, 2, 3 and so on"
            + (" down the table" if down else " in every patient"),
            "Are these Universal tooth numbers, or running numbers?",
            "write the tooth numbers in this column; head it 'tooth (Universal)' if they are "
            "Universal",
        )


# Columns left over --------------------------------------------------------------------------------


def _columns_left_over(table: Typed) -> Iterator[Suspicion]:
    """Columns nobody reads whose headings say how the numbers are meant."""
    for name in table.named.extras:
        heading = re.sub(r"_(given|\d+)$", "", name)
        several = movement_heading(heading)
        meanings = (several[2],) if several else heading_meanings(heading)
        if "direction" in meanings:
            yield from _direction_left_over(table, name)
        elif "start_position" in meanings or "remaining" in meanings or "position" in str(meanings):
            yield from _position_left_over(table, name, meanings)
        elif meanings == ("unit",):
            yield from _unit_left_over(table, name)


def _unit_left_over(table: Typed, name: str) -> Iterator[Suspicion]:
    """Units that are not those in which planned and achieved are read."""
    rows = table.kept
    if name not in rows:  # held against the movements, and found to agree
        return
    words = cells.texts(rows[name])
    wrong = cells.by_unique(rows[name], lambda v: cells.clean_text(v).casefold() in OTHER_UNITS)
    wrong = wrong.astype(bool)
    if wrong.any():
        first = int(np.argmax(wrong))
        yield ask(
            "units",
            "stop",
            name,
            f"the column of units says something else than mm and degrees in "
            f"{counted(int(wrong.sum()), 'row')}",
            "In which unit are planned and achieved?",
            "write lengths in mm and angles in degrees",
            value=words[first],
            row=int(rows["row"].iloc[first]),
        )


def _position_left_over(table: Typed, name: str, meanings: tuple[str, ...]) -> Iterator[Suspicion]:
    if not pd.api.types.is_numeric_dtype(table.frame[name]):
        return
    if meanings == ("remaining",):
        yield ask(
            "remaining",
            "check",
            name,
            "a column of what remains is not read",
            "Is achieved what the teeth moved, and not what was left to do?",
            "make sure that achieved is a change from the start of the course",
        )
    else:
        yield ask(
            "positions",
            "stop",
            name,
            "a column of positions stands beside planned and achieved",
            "Are planned and achieved changes from the start of the course, or positions?",
            "take positions at the start off both, or give this column a heading of another meaning",
        )


def _direction_left_over(table: Typed, name: str) -> Iterator[Suspicion]:
    """A direction beside numbers without a sign, or one that contradicts their signs."""
    rows = table.kept[table.kept["planned"] != 0]
    words = cells.texts(rows[name])
    if not (words != "").any():
        return
    sign = np.sign(rows["planned"].to_numpy(float))
    pairs = zip(words, rows["movement"], strict=True)
    meant = np.array([direction_meaning(word, str(movement)) for word, movement in pairs])
    known = meant != 0
    against = known & (meant != sign)
    if not against.any() and known.sum() == (words != "").sum():
        return
    signed = bool((sign < 0).any())
    yield ask(
        "directions",
        "check" if signed and not against.any() else "stop",
        name,
        f"a column of directions is not read, and {_how(against, signed=signed)}",
        "Which word or sign means which direction?",
        "write the direction as the sign of planned and achieved (see the codebook)",
        value=words[np.argmax(against if against.any() else words != "")],
        row=int(rows["row"].iloc[int(np.argmax(against if against.any() else words != ""))]),
    )


def _how(against: np.ndarray, *, signed: bool) -> str:
    if not signed:
        return "no planned movement has a minus"
    if against.any():
        return f"it contradicts the sign of planned in {counted(int(against.sum()), 'row')}"
    return "some of its words are not known"
