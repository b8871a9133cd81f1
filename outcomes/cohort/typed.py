"""The fourth step of reading: every column as the schema has it; unreadable cells are listed."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import cast

import numpy as np
import pandas as pd

from outcomes.cohort import cells, checks, headers
from outcomes.cohort.cells import by_word
from outcomes.cohort.dates import dates
from outcomes.cohort.named import Named
from outcomes.cohort.problems import NOT_MEASURED, Sieve
from outcomes.domain import teeth
from outcomes.domain.movements import DIRECTION_WORDS, MOVEMENTS
from outcomes.domain.table_types import BY_MEASURE, BY_MOVEMENT, Column
from outcomes.domain.tables import MEASURES
from outcomes.domain.teeth import Notation
from outcomes.words.units import unit_in_full


@dataclass(frozen=True)
class Typed:
    """A table of all rows read: the schema's columns and types, and what was found wrong so far.

    Attributes
    ----------
    named
        The cells it was read from.
    frame
        Typed columns, then the user's own, then row; unreadable cells are blank.
    sieve
        Problems, and rows set aside.
    """

    named: Named
    frame: pd.DataFrame
    sieve: Sieve

    @property
    def kept(self) -> pd.DataFrame:
        """Rows not set aside."""
        return self.sieve.left(self.frame)

    def further(self) -> Typed:
        """The same for the next step, whose findings leave this one as it is."""
        return Typed(self.named, self.frame, self.sieve.further())


def type_columns(named: Named) -> Typed:
    """Read the cells of every column; set aside the rows whose outcome is not measured yet."""
    raw = named.further()
    frame = _typed_columns(raw)
    if raw.table.name == "movements":
        frame = checks.stated_units(_with_aim(frame, raw), raw.sieve)
    if raw.table.name == "measures":
        settled = "tooth" not in raw.frame or raw.notation != ""
        frame = checks.measures(frame, raw.sieve, teeth_read=settled)
    for outcome in OUTCOMES:
        if outcome in raw.frame:
            raw.sieve.set_aside(frame[outcome].isna().to_numpy(), NOT_MEASURED)
    return Typed(named, frame, raw.sieve)


OUTCOMES = ("achieved", "value")
"""Columns that may be blank: such a row is not wrong, only not measured yet."""


def blank_aims(named: Named) -> np.ndarray:
    """True for each row of movements in which no aim was written; shape (n,)."""
    if "aim" not in named.frame:
        return np.ones(len(named.frame), dtype=bool)
    return np.asarray(cells.numbers(named.frame["aim"]).blank, dtype=bool)


def _with_aim(frame: pd.DataFrame, raw: Named) -> pd.DataFrame:
    """Where no aim was written, what was planned is the aim."""
    aim = frame["aim"].where(~blank_aims(raw), frame["planned"]) if "aim" in frame else None
    return frame.assign(aim=frame["planned"] if aim is None else aim)


def _typed_columns(raw: Named) -> pd.DataFrame:
    typed: dict[str, pd.Series] = {}
    order = sorted(raw.table.columns, key=lambda c: c.unit in (BY_MOVEMENT, BY_MEASURE))
    for column in order:
        if column.name in raw.frame:
            typed[column.name] = _typed(raw, column, typed)
        elif column.default is not None:
            typed[column.name] = pd.Series(column.default, index=raw.frame.index)
        elif column.required:
            typed[column.name] = pd.Series(np.nan, index=raw.frame.index, dtype=object)
    names = [c.name for c in raw.table.columns if c.name in typed]
    frame = pd.DataFrame({name: typed[name] for name in names}, index=raw.frame.index, copy=False)
    for name in raw.extras:
        frame[name] = _extra(raw, name)
    frame["row"] = raw.sieve.rows
    return frame


def _typed(raw: Named, column: Column, typed: dict[str, pd.Series]) -> pd.Series:
    if column.kind in ("number", "integer"):
        return _number_column(raw, column, typed)
    if column.kind == "tooth":
        return _tooth_column(raw, column)
    if column.kind == "code":
        return _code_column(raw, column)
    if column.kind == "date":
        return _date_column(raw, column)
    return _text_column(raw, column)


def _report(raw: Named, column: Column, where: np.ndarray, problem: str, remedy: str) -> None:
    if not (where & raw.live).any():
        return
    values = raw.frame[column.name]
    if column.if_bad == "exclude":
        raw.sieve.exclude(where & raw.live, column.name, values, problem, remedy)
    else:
        remedy = f"{remedy} Until then the cell counts as blank."
        raw.sieve.check(where & raw.live, column.name, values, problem, remedy)


def _require(raw: Named, column: Column, blank: np.ndarray) -> None:
    if not column.required or not blank.any():
        return
    if column.name in OUTCOMES:
        # After all else, so that the ledger shows what is wrong with a row before what it lacks.
        return
    merged = raw.merged.get(column.name)
    if merged is not None:
        _blank_merged(raw, column, blank & (merged > 0), merged)
        blank = blank & (merged == 0)
    remedy = "Fill it in."
    if column.name == "patient":
        remedy = "Fill it in on every row: a merged cell holds its value in its first row only."
    if column.name == "planned":
        remedy = "Write the planned movement; 0 if none was planned."
    _report(raw, column, blank, f"{column.name} is blank", remedy)


def _blank_merged(raw: Named, column: Column, where: np.ndarray, merged: np.ndarray) -> None:
    """Blank cells of a merged block: each says which row holds the value."""
    if not where.any():
        return
    problem = f"{column.name} is blank: its cell is merged with the one above"
    remedy = (
        "Fill it in on every row, or confirm in `outcomes map` that the value above holds: a "
        "merged cell holds its value in its first row only."
    )
    of_row = dict(zip(raw.sieve.rows.tolist(), cells.texts(raw.frame[column.name]), strict=True))
    each = np.full(len(where), "", dtype=object)
    each[where] = [
        f"{column.name} is blank: its cell is merged with row {row}"
        + (f", which says {of_row[row]!r}" if of_row.get(row) else "")
        for row in merged[where].tolist()
    ]
    nothing = np.full(len(where), "", dtype=object)
    raw.sieve.exclude(where & raw.live, column.name, nothing, problem, remedy, each=each)


def _trouble(raw: Named, column: Column, trouble: np.ndarray) -> None:
    bad = trouble.astype(bool)
    if not bad.any():
        return
    for kind in pd.unique(trouble[bad]):
        problem, remedy = cells.TROUBLE[kind]
        _report(raw, column, trouble == kind, problem, remedy)


def _number_column(raw: Named, column: Column, typed: dict[str, pd.Series]) -> pd.Series:
    read = cells.numbers(raw.frame[column.name])
    values = read.values.copy()
    if column.kind == "integer":
        part = np.isfinite(values) & (values != np.floor(values))
        values[part] = np.nan
        _trouble(raw, column, np.where(part, "whole", read.trouble))
    elif read.trouble_of.any():
        _trouble(raw, column, read.trouble)
    if raw.units.get(column.name) or read.unit_of.any():
        expected = _expected_units(column, typed, len(values))
        _check_units(raw, column, read.units, expected, values)
    if column.hard_low is not None:
        low = values < column.hard_low
        problem = f"{column.name} cannot be below {column.hard_low:g}"
        _report(raw, column, low, problem, "Correct the number.")
        values[low] = np.nan
    odd = np.zeros(len(values), dtype=bool)
    if column.low is not None:
        odd |= values < column.low
    if column.high is not None:
        odd |= values > column.high
    if odd.any():
        raw.sieve.check(
            odd & raw.live,
            column.name,
            raw.frame[column.name],
            f"{column.name} outside what is usual ({_usual(column)})",
            "Correct the number, or leave it if it is right.",
        )
    if column.default is not None:
        values = np.where(read.blank, column.default, values)
    else:
        _require(raw, column, read.blank)
    return pd.Series(values, index=raw.frame.index)


def _usual(column: Column) -> str:
    low = column.low if column.low is not None else column.hard_low
    if low is None:
        return f"up to {column.high:g}"
    return f"{low:g} to {column.high:g}" if column.high is not None else f"from {low:g}"


def _expected_units(column: Column, typed: dict[str, pd.Series], size: int) -> np.ndarray:
    if column.unit == BY_MOVEMENT:
        units = {name: movement.unit for name, movement in MOVEMENTS.items()}
        return _mapped(typed.get("movement"), units, size)
    if column.unit == BY_MEASURE:
        known = _mapped(typed.get("measure"), MEASURES, size)
        given = typed.get("unit")
        if given is None:
            return known
        spoken = cells.by_unique(given, lambda v: cells.unit_written(cells.clean_text(v)))
        return np.where(known == "", spoken, known)
    return np.full(size, column.unit, dtype=object)


def _mapped(column: pd.Series | None, to: dict[str, str], size: int) -> np.ndarray:
    if column is None:
        return np.full(size, "", dtype=object)
    return cells.by_unique(column, lambda v: to.get(str(v), ""))


def _check_units(
    raw: Named, column: Column, written: np.ndarray, expected: np.ndarray, values: np.ndarray
) -> None:
    """A unit in the cell or the heading, or in a unit column, must be the unit of the row."""
    says = np.where(written == "", raw.units.get(column.name, ""), written)
    for unit in pd.unique(expected[expected != ""]):
        wrong = (expected == unit) & (says != "") & (says != unit) & np.isfinite(values)
        source = "cell" if (written != "")[wrong].any() else "heading"
        problem = f"the {source} gives another unit; this number is in {unit_in_full(unit) or unit}"
        remedy = (
            f"Correct the number, its unit or the movement: {unit} is expected here."
            if column.unit == BY_MOVEMENT
            else f"Give the number in {unit}."
        )
        _report(raw, column, wrong, problem, remedy)
        values[wrong] = np.nan


def _tooth_column(raw: Named, column: Column) -> pd.Series:
    cell = raw.frame[column.name]
    blank = cells.blank_cells(cell)
    if not raw.notation:
        return pd.Series(np.nan, index=cell.index)
    notation = cast("Notation", raw.notation)
    codes, uniques = cells.distinct(cell)
    numbers = teeth.parse_teeth([*uniques, None], notation)[codes]
    unknown = np.isnan(numbers) & ~blank
    remedy = f"Use {teeth.describe_notation(notation)}."
    _report(raw, column, unknown, f"no {teeth.NOTATION_NAMES[notation]} tooth number", remedy)
    _require(raw, column, blank)
    return pd.Series(numbers, index=cell.index)


def _code_column(raw: Named, column: Column) -> pd.Series:
    cell = raw.frame[column.name]
    lookup = cells.code_lookup(column.codes)

    def read(cell: object) -> str:
        text = cells.clean_text(cell)
        bare = headers.heading(text).name if column.name == "movement" else text
        return lookup.get(cells.word_key(text), lookup.get(cells.word_key(bare), ""))

    def kept(cell: object) -> str:
        """A word not known by name as it is kept."""
        text = cells.clean_text(cell)
        if column.name == "measure":
            return read(cell) or headers.heading(text).name
        if column.other_codes and not cells.is_error(text):
            return read(cell) or text.casefold()
        return read(cell)

    blank = cells.blank_cells(cell)
    unknown = cells.where(cell, lambda v: not read(v)) & ~blank
    words = cells.texts(cell) if unknown.any() else np.empty(0, dtype=object)
    if column.name == "measure" or not unknown.any():
        pass
    elif column.other_codes:
        errors = cells.where(cell, lambda v: cells.is_error(cells.clean_text(v)))
        _trouble(raw, column, np.where(errors, "error", ""))
        unknown &= ~errors
        raw.sieve.check_values(
            unknown & raw.live,
            column.name,
            words,
            f"no {column.name} known by name; kept as it is",
            f"Known: {', '.join(code.name for code in column.codes)}. Correct a slip, or leave it.",
        )
    else:
        _unknown_codes(raw, column, words, unknown)
    _require(raw, column, blank)
    return cells.words_of(cell, kept)


def _unknown_codes(raw: Named, column: Column, words: np.ndarray, unknown: np.ndarray) -> None:
    names = [code.name for code in column.codes]

    def remedy(word: str) -> str:
        axis = DIRECTION_WORDS.get(cells.word_key(word))
        if column.name == "movement" and axis:
            movement = MOVEMENTS[axis]
            return (
                f"That is a direction. Write {axis}, with positive numbers for "
                f"{movement.positive} and negative ones for {movement.negative}; or let "
                f"`outcomes map` read such words."
            )
        close = headers.near(word, names)
        mapped = " Words of your own: `outcomes map FILE`." if column.name == "movement" else ""
        return f"{f'Is it {close}? ' if close else ''}Use one of: {', '.join(names)}.{mapped}"

    for word in pd.unique(words[unknown & raw.live]):
        problem = f"no {column.name} of that name"
        _report(raw, column, unknown & (words == word), problem, remedy(word))


def _date_column(raw: Named, column: Column) -> pd.Series:
    days, trouble = dates(raw.frame[column.name])
    _trouble(raw, column, trouble)
    return days


def _text_column(raw: Named, column: Column) -> pd.Series:
    cell = raw.frame[column.name]
    dated = cells.where(cell, lambda v: isinstance(v, dt.date))
    if column.kind == "identifier" and dated.any():
        raw.sieve.check_values(
            dated & raw.live,
            column.name,
            cells.texts(cell),
            "a date where a code belongs; kept as it is",
            "The spreadsheet may have turned a code such as 3-5 into a date: format the column as "
            "text and type the codes again.",
        )
    errors = cells.where(cell, lambda v: cells.is_error(cells.clean_text(v)))
    if errors.any():
        _trouble(raw, column, np.where(errors, "error", ""))
    _require(raw, column, cells.blank_cells(cell))
    return cells.words_of(cell, _no_error)


def _no_error(cell: object) -> str:
    text = cells.clean_text(cell)
    return "" if cells.is_error(text) else text


def _string(words: np.ndarray, index: pd.Index) -> pd.Series:
    return pd.Series([w or None for w in words.tolist()], index=index, dtype="str")


def _extra(raw: Named, name: str) -> pd.Series:
    """A column of the user's own: numbers if all its cells are, dates if all are, else text."""
    cell = raw.frame[name]
    if pd.api.types.is_datetime64_any_dtype(cell):
        return cell
    words = cells.texts(cell)
    live = raw.live & (words != "")
    read = cells.numbers(cell)
    padded = by_word(words, lambda w: len(w) > 1 and w[0] == "0" and w.isdigit()).astype(bool)
    fine = (read.trouble[live] == "") & (read.units[live] == "") & ~padded[live]
    if fine.all() and np.isfinite(read.values[live]).any():
        return pd.Series(read.values, index=cell.index)
    days, trouble = dates(cell)
    if (trouble[live] == "").all() and days[live].notna().any():
        return days
    errors = by_word(words, cells.is_error).astype(bool) & raw.live
    raw.sieve.check_values(
        errors,
        name,
        words,
        "a spreadsheet error; the cell counts as blank",
        "Correct the formula, or type the value in its place.",
    )
    return _string(np.where(errors, "", words), cell.index)
