"""Tables that come with scans, read cell by cell like the records of a cohort.

The cohort's own steps find the separator, the sheet and the headings, and understand numbers and
coded words; every cell that cannot be used is listed with its row and what to do.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.cohort import cells
from outcomes.cohort.books.pages import WORKBOOKS, Page, read_pages
from outcomes.cohort.delimited import TEXT_FILES, read_delimited
from outcomes.cohort.headers import Headings, find_headings, match_headings, near
from outcomes.cohort.problems import Sieve, gather
from outcomes.cohort.sources import bytes_at
from outcomes.domain.table_types import Column, TableSchema
from outcomes.errors import CohortError, InputError, Unreadable

__all__ = ["CannotMeasure", "Rows", "open_table", "sheet_at", "table_of_frame"]


class CannotMeasure(CohortError):
    """Scans or landmarks cannot be measured; lists every problem with its row and remedy."""

    cannot_be = "measured"


@dataclass(frozen=True)
class Rows:
    """A table as read: one row each, cells as typed under the schema's names.

    Attributes
    ----------
    table
        Its schema.
    cells
        Cells as typed, one column for each column of the schema that is there.
    sieve
        Problems, and rows set aside.
    name, sha256
        Of the file, "" of a frame.
    """

    table: TableSchema
    cells: pd.DataFrame
    sieve: Sieve
    name: str = ""
    sha256: str = ""

    def problems(self) -> pd.DataFrame:
        """All problems found so far, the gravest first."""
        return gather(self.sieve.found)

    def texts(self, name: str) -> np.ndarray:
        """Tidy text of each cell of a column, "" where blank or absent."""
        if name not in self.cells:
            return np.full(len(self.cells), "", dtype=object)
        return cells.texts(self.cells[name])

    def codes(self, name: str, *, blank: str = "") -> np.ndarray:
        """Coded column: the code of each cell, ``blank`` where it is; unknown words are listed."""
        column = self.table.column(name)
        known = cells.code_lookup(column.codes)
        words = self.texts(name)
        read = np.array([known.get(cells.word_key(w), "") for w in words], dtype=object)
        unknown = (words != "") & (read == "")
        names = ", ".join(code.name for code in column.codes)
        self.sieve.exclude(unknown, name, words, f"no {name} of that name", f"Use {names}.")
        read[words == ""] = blank
        if column.required:
            self._require(name, words == "")
        return read

    def numbers(self, name: str) -> np.ndarray:
        """Numbers of a column, NaN where unreadable (listed) or blank (listed where required)."""
        column = self.table.column(name)
        if name not in self.cells:
            return np.full(len(self.cells), np.nan if column.default is None else column.default)
        read = cells.numbers(self.cells[name])
        values, trouble = read.values.copy(), read.trouble.copy()
        whole = column.kind == "integer"
        trouble[whole & np.isfinite(values) & (values != np.floor(values))] = "whole"
        for kind in pd.unique(trouble[trouble != ""]):
            problem, remedy = cells.TROUBLE[kind]
            at = trouble == kind
            self.sieve.exclude(at, name, self.cells[name], problem, remedy)
            values[trouble == kind] = np.nan
        self._hold(column, values)
        if column.default is not None:
            values[read.blank] = column.default
        elif column.required:
            self._require(name, read.blank)
        return values

    def _hold(self, column: Column, values: np.ndarray) -> None:
        if column.hard_low is not None:
            low = values < column.hard_low
            problem = f"{column.name} cannot be below {column.hard_low:g}"
            self.sieve.exclude(
                low, column.name, self.cells[column.name], problem, "Correct the number."
            )

    def require_text(self, name: str) -> np.ndarray:
        """Texts of a column that may not be blank."""
        words = self.texts(name)
        self._require(name, words == "")
        return words

    def _require(self, name: str, blank: np.ndarray) -> None:
        if name in self.cells:
            self.sieve.exclude(
                blank,
                name,
                np.full(len(blank), "", dtype=object),
                f"{name} is blank",
                "Fill it in on every row: a merged cell holds its value in its first row only.",
            )


def open_table(path: str | Path, table: TableSchema) -> Rows:
    """A table at a path: a text file, or the sheet of that name of a workbook.

    Raises
    ------
    FileNotFoundError
        If there is nothing at ``path``.
    CannotMeasure
        If the file cannot be read, or lacks a column that is required.
    """
    path = Path(path)
    if not path.exists():
        raise FileNotFoundError(
            f"There is no file {str(path)!r}: check the spelling and the folder."
        )
    try:
        if path.is_dir():
            raise Unreadable("a folder, not a file", f"Give the file with the {table.name} table.")
        data = bytes_at(path)
        sheet = sheet_at(path, data, table)
    except Unreadable as error:
        stopped = Sieve(table.name, np.empty(0, dtype=int))
        stopped.note("", error.problem, error.remedy, severity="stop", value=path.name)
        raise CannotMeasure(gather(stopped.found), path.name) from None
    headings = find_headings(sheet, table)
    body = sheet.iloc[headings.at + 1 :] if headings.headings else sheet
    return _rows(
        body,
        body.index.to_numpy() + 1,
        headings,
        table,
        path.name,
        hashlib.sha256(data).hexdigest(),
    )


def table_of_frame(frame: pd.DataFrame, table: TableSchema) -> Rows:
    """A frame whose columns are the headings, as a table; rows are counted as in a file."""
    if not isinstance(frame, pd.DataFrame):
        raise InputError(
            f"{type(frame).__name__}: give a frame or the path of a file with the {table.name}."
        )
    headings = match_headings(list(frame.columns), table)
    body = pd.DataFrame(
        {i: frame.iloc[:, i].astype(object) for i in range(frame.shape[1])}
    ).reset_index(drop=True)
    return _rows(body, np.arange(len(frame)) + 2, headings, table, "", "")


def sheet_at(path: Path, data: bytes, table: TableSchema) -> pd.DataFrame:
    """Cells of the table in a file's bytes.

    Raises
    ------
    Unreadable
        If they cannot be read.
    """
    suffix = path.suffix.lower()
    if not data:
        raise Unreadable("the file is empty", "Save it anew, or copy it again from its source.")
    if suffix in WORKBOOKS:
        return _page(read_pages(data), table).cells
    if suffix in TEXT_FILES:
        return read_delimited(data)
    raise Unreadable(
        f"a {suffix or 'file without an ending'} file cannot be read as the {table.name} table",
        "Save the table as .csv or .xlsx.",
    )


def _page(pages: list[Page], table: TableSchema) -> Page:
    names = (table.name, *table.synonyms)
    called = [p for p in pages if cells.word_key(p.label) in names]
    filled = called or [p for p in pages if p.cells.size and not p.hidden]
    if len(filled) != 1:
        labels = ", ".join(p.label for p in pages)
        raise Unreadable(
            f"no single sheet called {table.name} (there are: {labels})",
            f"Call the sheet with the {table.name} table {table.name}.",
        )
    return filled[0]


def _rows(
    body: pd.DataFrame,
    rows: np.ndarray,
    headings: Headings,
    table: TableSchema,
    name: str,
    sha256: str,
) -> Rows:
    blank = np.ones(len(body), dtype=bool)
    for i in range(body.shape[1]):
        blank &= cells.blank_cells(body.iloc[:, i])
    body, rows = body.iloc[np.flatnonzero(~blank)].reset_index(drop=True), rows[~blank]
    sieve = Sieve(table.name, rows)
    for column, places in headings.twice.items():
        written = ", ".join(repr(headings.headings[i].written) for i in places)
        sieve.stop(column, f"several columns could be {column}: {written}", "Leave one of them.")
    unused = [
        h.written
        for i, h in enumerate(headings.headings)
        if i not in headings.known.values() and h.written
    ]
    for column in table.required:
        if column not in headings.known and not _optional(column, table):
            close = near(column, unused)
            hint = f"The column {close!r} looks like it: rename it to {column}. " if close else ""
            sieve.stop(
                column,
                f"the {table.name} table has no column {column}",
                f"{hint}Add it: {table.column(column).description}.",
                value=name,
            )
    for written in unused:
        sieve.note(written, "this column is not read", "Nothing, if it is meant for people.")
    held = pd.DataFrame({c: body.iloc[:, i] for c, i in headings.known.items()}, index=body.index)
    for there in table.columns:
        if there.name in held and there.kind not in ("number", "integer"):
            words = cells.texts(held[there.name])
            errors = np.array([cells.is_error(w) for w in words], dtype=bool)
            problem, remedy = cells.TROUBLE["error"]
            sieve.exclude(errors, there.name, words, problem, remedy)
    found = Rows(table, held, sieve, name, sha256)
    if sieve.stopped:
        raise CannotMeasure(gather(sieve.found), name or f"The {table.name} table")
    return found


def _optional(column: str, table: TableSchema) -> bool:
    """The patient stands in the rows of scans; a table of points need not name one."""
    return column == "patient" and table.name == "landmarks"
