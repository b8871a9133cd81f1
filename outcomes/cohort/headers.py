"""Headings: which row they stand in, and which column of the schema each one means."""

from __future__ import annotations

import difflib
import re
import unicodedata
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from outcomes.cohort.cells import clean_text, distinct, unit_written
from outcomes.domain.table_types import PERSONAL, TableSchema
from outcomes.domain.tables import TABLES
from outcomes.domain.teeth import NOTATIONS

#: Titles and notes may stand above the headings, but no more rows than this.
SEARCH_ROWS = 25

_BRACKETS = re.compile(r"[\(\[](.*?)[\)\]]")


@dataclass(frozen=True)
class Heading:
    """A heading as written, and what is left of it without its unit or notation."""

    written: str
    name: str
    unit: str = ""
    notation: str = ""


@dataclass(frozen=True)
class Headings:
    """Headings of a sheet: the row they stand in, and the column each schema name was found in."""

    at: int
    headings: tuple[Heading, ...]
    known: dict[str, int] = field(default_factory=dict)
    twice: dict[str, tuple[int, ...]] = field(default_factory=dict)


def heading(cell: object) -> Heading:
    """Read one heading.

    Examples
    --------
    >>> heading("Planned (mm)")
    Heading(written='Planned (mm)', name='planned', unit='mm', notation='')
    >>> heading("Tooth FDI").notation
    'fdi'
    """
    written = clean_text(cell)
    unit = notation = ""
    rest = written
    for match in _BRACKETS.finditer(written):
        inside = match[1].strip().casefold()
        unit = unit or unit_written(inside)
        if inside.split(" ")[0] in NOTATIONS:
            notation = inside.split(" ")[0]
        if unit_written(inside) or inside.split(" ")[0] in NOTATIONS or not inside.isalnum():
            rest = rest.replace(match[0], " ")
    name = re.sub(r"[^\w]+", "_", rest.casefold()).strip("_")
    for known in NOTATIONS:
        if name in (f"tooth_{known}", f"{known}_tooth", f"tooth_number_{known}", known):
            name, notation = "tooth", known
    for suffix, meaning in (("_mm", "mm"), ("_deg", "degree"), ("_degree", "degree")):
        if name.endswith(suffix) and not any(name == c.name for c in _all_columns()):
            name, unit = name.removesuffix(suffix), unit or meaning
    return Heading(written, name, unit, notation)


def _all_columns() -> list:
    return [column for table in TABLES.values() for column in table.columns]


def match_headings(cells: list[object], table: TableSchema, at: int = 0) -> Headings:
    """Match headings to the columns of a table: by name first, else by a trade word for it."""
    found = tuple(heading(cell) for cell in cells)
    known: dict[str, int] = {}
    twice: dict[str, tuple[int, ...]] = {}
    taken: set[int] = set()
    for names_of in (lambda c: (c.name,), lambda c: c.synonyms):
        for column in table.columns:
            if column.name in known:
                continue
            places = [
                i for i, h in enumerate(found) if h.name in names_of(column) and i not in taken
            ]
            if places:
                known[column.name] = places[0]
                taken.update(places)
            if len(places) > 1:
                twice[column.name] = tuple(places)
    return Headings(at, found, known, twice)


def find_headings(cells: pd.DataFrame, table: TableSchema) -> Headings:
    """Find the row of headings in a sheet: the one with most of the table's columns.

    Where headings stand in two rows (cells merged downwards), a blank heading is taken from the
    row above it.

    Parameters
    ----------
    cells
        The sheet without headings, one row for each row of the sheet.
    table
        The table it should be.
    """
    top = cells.iloc[:SEARCH_ROWS]
    rows = list(top.itertuples(index=False, name=None))
    best = Headings(0, (), {})
    for at, row in enumerate(rows):
        candidate = match_headings(list(row), table, at)
        if at and match_headings(list(rows[at - 1]), table).known:
            merged = [
                below if clean_text(below) else above
                for below, above in zip(row, rows[at - 1], strict=True)
            ]
            joined = match_headings(merged, table, at)
            if candidate.known and len(joined.known) > len(candidate.known):
                candidate = joined
        if len(candidate.known) > len(best.known):
            best = candidate
    return best


def near(name: str, candidates: list[str]) -> str:
    """Closest spelling among candidates, ``""`` if none is close.

    Examples
    --------
    >>> near("achieved", ["acheived", "tooth"])
    'acheived'
    """
    lowered = {candidate.casefold(): candidate for candidate in candidates}
    close = difflib.get_close_matches(name.casefold(), list(lowered), n=1, cutoff=0.7)
    return lowered[close[0]] if close else ""


def looks_personal(name: str) -> bool:
    """Whether a heading points to a person: a name, a birth date, an address.

    Examples
    --------
    >>> looks_personal("date_of_birth"), looks_personal("name"), looks_personal("site_name")
    (True, True, False)
    >>> looks_personal("actual_name"), looks_personal("förnamn"), looks_personal("nombre_de_citas")
    (True, True, False)
    """
    plain = _plain_words(name)
    if plain in PERSONAL["full"] or any(part in plain for part in PERSONAL["part"]):
        return True
    words = set(plain.split("_"))
    return bool(words & set(PERSONAL["word"])) and not words & set(PERSONAL["thing"])


def _plain_words(name: str) -> str:
    """A heading without accents, its words joined by underscores."""
    bare = "".join(c for c in unicodedata.normalize("NFKD", name) if not unicodedata.combining(c))
    return re.sub(r"[^\w]+", "_", bare.casefold()).strip("_")


def repeats_headings(frame: pd.DataFrame, known: list[str]) -> np.ndarray:
    """Rows that repeat the headings, or give units below them, instead of holding data."""
    written = {name: distinct(frame[name]) for name in known}
    like = {n: [_like_a_heading(cell, n) for cell in cells] for n, (_, cells) in written.items()}
    if sum(any(flags) for flags in like.values()) < 2:
        return np.zeros(len(frame), dtype=bool)
    hits = np.zeros(len(frame), dtype=int)
    filled = np.zeros(len(frame), dtype=int)
    for name, (codes, cells) in written.items():
        hits += np.array([*like[name], False])[codes]
        filled += np.array([*(clean_text(cell) != "" for cell in cells), False])[codes]
    return (hits >= 2) & (hits == filled)


def _like_a_heading(cell: object, name: str) -> bool:
    word = cell.strip() if isinstance(cell, str) else ""
    if not word or not (word[0].isalpha() or word[0] in "°("):
        return False
    folded = word.casefold()
    if folded in _UNIT_ROW:
        return True
    may_be = name.split("_")[0] in folded or any(known in folded for known in NOTATIONS)
    return may_be and heading(word).name == name


_UNIT_ROW = {
    "mm",
    "degree",
    "degrees",
    "deg",
    "°",
    "mm/°",
    "mm/deg",
    "mm or degrees",
    "mm or degree",
    "fdi",
    "id",
    "code",
    "text",
    "number",
    "unit",
    "units",
}
