"""The third step of reading: the columns of a headed sheet under the schema's names.

Cells stay as typed. What is wrong with the headings is listed here, and rows that are no records
are set aside.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from outcomes.cohort import cells, headers
from outcomes.cohort.headed import Headed
from outcomes.cohort.problems import (
    EXAMPLE_ROW,
    HEADINGS_ROW,
    OTHER_LAYOUT,
    TOTALS_ROW,
    Sieve,
)
from outcomes.cohort.totals import set_totals_aside
from outcomes.domain.languages import heading_meanings
from outcomes.domain.table_types import TableSchema
from outcomes.domain.tables import DERIVED, EXAMPLE_PATIENT
from outcomes.domain.teeth import NOTATIONS


@dataclass(frozen=True)
class Named:
    """The cells of a table, n rows, under the schema's names, and what was found wrong so far.

    Attributes
    ----------
    table
        Which one.
    frame
        Cells as typed: columns of the schema, then ``extras``, the user's own.
    extras
        Names of the user's own columns.
    units
        Column -> the unit its heading gives.
    notation
        How teeth are numbered: as the heading says, later as settled; "" where it stays open.
    sieve
        Problems, and rows set aside.
    merged
        Column -> the spreadsheet row (n,) whose cell each cell is merged into, 0 where none.
    live
        False (n,) for rows that are no records (the example, repeated headings) or that have
        slipped out of their columns: nothing more is said about them.
    """

    table: TableSchema
    frame: pd.DataFrame
    extras: tuple[str, ...]
    units: dict[str, str]
    notation: str
    sieve: Sieve
    live: np.ndarray = field(repr=False)
    merged: dict[str, np.ndarray] = field(default_factory=dict, repr=False)

    @functools.cached_property
    def patient_codes(self) -> tuple[np.ndarray, list[str]]:
        """Which patient each row names, (n,) with -1 for none; and their codes as text."""
        if "patient" not in self.frame:
            return np.full(len(self.frame), -1), []
        written = cells.words_of(self.frame["patient"], cells.clean_text)
        codes = written.cat.codes.to_numpy().astype(np.int64)
        out = np.flatnonzero(~self.sieve.kept)
        no_record = (EXAMPLE_ROW, HEADINGS_ROW, TOTALS_ROW)
        codes[out[[reason in no_record for reason in self.sieve.reasons_of(out)]]] = -1
        return codes, written.cat.categories.tolist()

    @property
    def patients(self) -> np.ndarray:
        """Patient of each row as text, ``""`` where the row names none."""
        codes, names = self.patient_codes
        return np.array([*names, ""], dtype=object)[codes]

    def further(self) -> Named:
        """The same for the next step, whose findings leave this one as it is."""
        return replace(self, sieve=self.sieve.further())


def name_columns(headed: Headed) -> Named:
    """Put the columns under the schema's names; list what is wrong with the headings."""
    table, found = headed.table, headed.headings
    sieve = Sieve(table.name, headed.rows)
    _check_headings(headed, sieve)
    for aside in headed.sheet.aside:
        value_of = dict(zip(aside.rows, aside.values, strict=True))
        values = np.array([value_of.get(int(row), "") for row in headed.rows], dtype=object)
        where = np.isin(headed.rows, aside.rows)
        sieve.exclude(where, aside.column, values, aside.problem, aside.remedy)
    frame, extras = _columns(headed, sieve)
    units = {n: found.headings[i].unit for n, i in found.known.items() if found.headings[i].unit}
    notation = found.headings[found.known["tooth"]].notation if "tooth" in found.known else ""
    if "tooth" in found.known and not notation:
        notation, column = _notation_said(frame, extras)
        if column:
            frame, extras = frame.drop(columns=column), tuple(e for e in extras if e != column)
    if "patient" in frame:
        example = EXAMPLE_PATIENT.casefold()
        is_example = cells.where(
            frame["patient"], lambda v: cells.clean_text(v).casefold() == example
        )
        sieve.set_aside(is_example, EXAMPLE_ROW)
        sieve.set_aside(headers.repeats_headings(frame, list(found.known)), HEADINGS_ROW)
        set_totals_aside(frame, table, sieve)
    if headed.sheet.delimited and found.headings:
        _check_width(headed, sieve)
    return Named(table, frame, extras, units, notation, sieve, sieve.kept, _merged(headed))


def _notation_said(frame: pd.DataFrame, extras: tuple[str, ...]) -> tuple[str, str]:
    """What a column headed notation says of all rows alike, and the name of that column."""
    for name in extras:
        if headers.heading(name).name in ("notation", "tooth_notation"):
            words = {str(word).casefold() for word in cells.texts(frame[name])} - {""}
            if len(words) == 1 and words <= set(NOTATIONS):
                return words.pop(), name
    return "", ""


def _merged(headed: Headed) -> dict[str, np.ndarray]:
    """Of each column of the schema, the row whose cell holds the value of a merged block."""
    merged: dict[str, np.ndarray] = {}
    for top, left, bottom, _ in headed.sheet.merged:
        first, last = np.searchsorted(headed.rows, (top + 1, bottom + 1), side="right")
        if first == last:
            continue
        for name, column in headed.headings.known.items():
            if left == column:
                into = merged.setdefault(name, np.zeros(len(headed.rows), dtype=int))
                into[first:last] = top + 1
    return merged


def _check_headings(headed: Headed, sieve: Sieve) -> None:
    table, found = headed.table, headed.headings
    for name, places in found.twice.items():
        written = ", ".join(repr(found.headings[i].written) for i in places)
        remedy = (
            f"Leave one column for {name}, with one {table.one_row.split(' of ')[0]} in each row."
        )
        sieve.stop(name, f"several columns could be {name}: {written}", remedy)
    unused = [
        h.written for i, h in enumerate(found.headings) if i not in found.known.values() and h.name
    ]
    for name in table.required:
        if name in found.known:
            continue
        close = headers.near(name, unused)
        foreign = [w for w in unused if heading_meanings(w) == (name,)]
        wide = [w for w in unused if name in headers.heading(w).name.split("_")]
        if len(wide) > 1:
            remedy = (
                f"Columns such as {wide[0]!r} and {wide[1]!r} look like one column for each "
                f"movement: put one movement in each row instead, with columns "
                f"{', '.join(table.required)}; or let `outcomes map` read them as they are."
            )
        elif foreign:
            remedy = (
                f"The column {foreign[0]!r} means {name}: rename it, or have `outcomes map FILE` "
                "read it as it is."
            )
        elif close:
            remedy = f"The column {close!r} looks like it: rename it to {name}."
        else:
            remedy = (
                f"Add a column headed {name}: {table.column(name).description}. "
                f"`outcomes template` writes an empty workbook with all columns. {OTHER_LAYOUT}"
            )
        sieve.stop(
            name, f"the {table.name} table has no column {name}", remedy, value=headed.sheet.label
        )


def _columns(headed: Headed, sieve: Sieve) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Columns of the schema under its names, then the user's own under theirs."""
    body, table, found = headed.body, headed.table, headed.headings
    columns = {name: body.iloc[:, i] for name, i in found.known.items()}
    extras = []
    used = {i for places in found.twice.values() for i in places} | set(found.known.values())
    for i, heading in enumerate(found.headings):
        if i in used or headed.blank[:, i].all():
            continue
        if not heading.written:
            sieve.note(
                "",
                f"values in column {i + 1} have no heading and are not read",
                "Give the column a heading, or empty it.",
            )
            continue
        if headers.looks_personal(heading.name):
            sieve.note(
                heading.written,
                "this column looks like personal data: it is left out of the cohort",
                "Remove names, birth dates and contact data from the file; use codes.",
            )
            continue
        name = _free_name(heading.written, {*columns, *(c.name for c in table.columns)}, table)
        if name != heading.written:
            sieve.note(
                heading.written,
                f"this heading is taken: the column is kept as {name}",
                "Nothing, or give the column another heading.",
            )
        columns[name] = body.iloc[:, i]
        extras.append(name)
    return pd.DataFrame(columns, index=body.index), tuple(extras)


def _free_name(written: str, taken: set[str], table: TableSchema) -> str:
    derived = DERIVED if table.name == "movements" else ("row",)
    name = f"{written}_given" if written in derived else written
    count = 2
    while name in taken:
        name, count = f"{written}_{count}", count + 1
    return name


def _check_width(headed: Headed, sieve: Sieve) -> None:
    last = max((i for i, h in enumerate(headed.headings.headings) if h.written), default=-1)
    spilled = ~headed.blank[:, last + 1 :].all(axis=1) & sieve.kept
    if spilled.any():
        beyond = np.array(
            [cells.clean_text(v) for v in headed.body.iloc[:, last + 1].to_numpy(object)],
            dtype=object,
        )
        sieve.exclude(
            spilled,
            "",
            beyond,
            "more cells than headings",
            "A decimal comma in a file separated by commas? Save it with semicolons, put such "
            'numbers in quotation marks ("0,8"), or use decimal points.',
        )
