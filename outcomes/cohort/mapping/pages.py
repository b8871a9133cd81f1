"""The sheets of a file as found, whatever they are called, and the rows of one with its headings."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.cohort.cells import blank_cells, clean_text
from outcomes.domain.languages import arch_meaning, course_meaning, heading_meanings

Pages = dict[str, pd.DataFrame]
"""Name of the sheet or file -> its cells, row i of the frame being row i + 1 of the spreadsheet."""

#: Between the two headings of a column whose headings stand in two rows.
BETWEEN = " / "

#: Between the title of a block and that of a block within it.
WITHIN = ", "

#: Of the frame of a sheet (``attrs``): its blocks of merged cells, as in ``sources.Sheet``.
MERGED = "merged"


@dataclass(frozen=True)
class Grid:
    """The rows of a sheet below its headings: n rows not blank, k columns.

    Attributes
    ----------
    headings
        One text for each column, made unique; "" where there is none.
    cells
        As typed, (n, k).
    rows
        Row of each in the spreadsheet, (n,).
    titles
        Last title of a block above each row, "" where there is none; (n,).
    set_aside
        Rows that are titles of blocks or repeat the headings.
    """

    headings: tuple[str, ...]
    cells: pd.DataFrame
    rows: np.ndarray
    titles: np.ndarray
    set_aside: dict[int, str]

    def column(self, heading: str) -> pd.Series:
        """Cells under a heading; KeyError if there is none."""
        if heading not in self.headings:
            raise KeyError(heading)
        return self.cells.iloc[:, self.headings.index(heading)]


def headings_at(cells: pd.DataFrame, rows: Sequence[int]) -> tuple[str, ...]:
    """Headings that stand in one or two rows of a sheet, counted from 1, made unique."""
    found = [list(cells.iloc[row - 1]) for row in rows]
    goes_on = _merged_across(cells, rows[0]) if len(rows) == 2 else None
    return joined_headings(found, goes_on)


def _merged_across(cells: pd.DataFrame, row: int) -> set[int] | None:
    """Columns whose cell in a row is merged into the one to its left; None if none is."""
    blocks = cells.attrs.get(MERGED, ())
    found = {
        column
        for top, left, bottom, right in blocks
        if top <= row - 1 <= bottom
        for column in range(left + 1, right + 1)
    }
    return found or None


def joined_headings(
    rows: Sequence[Sequence[object]], goes_on: set[int] | None = None
) -> tuple[str, ...]:
    """Headings of one or two rows as one text for each column, made unique.

    In the upper of two rows a blank cell goes on with the heading before it, as merged cells do:
    in the columns ``goes_on``, or wherever it is blank if nothing is known of merged cells.

    Examples
    --------
    >>> joined_headings([["Patient", "Rotation", None, None], ["", "planned", "achieved", "note"]], {2})
    ('Patient', 'Rotation / planned', 'Rotation / achieved', 'note')
    >>> joined_headings([["Patient", "Rotation", None], ["", "planned", "achieved"]])
    ('Patient', 'Rotation / planned', 'Rotation / achieved')
    >>> joined_headings([["a", "a", ""]])
    ('a', 'a (2)', '')
    """
    texts = [[clean_text(cell) for cell in row] for row in rows]
    lower = texts[-1]
    if len(texts) == 1:
        names = lower
    else:
        names, last = [], ""
        for i, (above, below) in enumerate(zip(texts[0], lower, strict=True)):
            known = goes_on is None or i in goes_on
            last = above or (last if below and known else "")
            names.append(BETWEEN.join(part for part in (last, below) if part))
    used: set[str] = set()
    unique = []
    for name in names:
        free, count = name, 2
        while free and free in used:
            free, count = f"{name} ({count})", count + 1
        used.add(free)
        unique.append(free)
    return tuple(unique)


def without_count(names: Sequence[str]) -> list[str]:
    """Headings as they stand in the sheet, without what made them unique.

    Examples
    --------
    >>> without_count(["planned", "planned (2)", "note (2)"])
    ['planned', 'planned', 'note (2)']
    """
    found = [_COUNTED.fullmatch(name) for name in names]
    return [m[1] if m and m[1] in names else n for m, n in zip(found, names, strict=True)]


_COUNTED = re.compile(r"(.+) \((?:[2-9]|[1-9]\d+)\)")


def grid(cells: pd.DataFrame, headings: Sequence[int], *, titled: bool = False) -> Grid:
    """The rows below the headings of a sheet.

    Parameters
    ----------
    cells
        The whole sheet; its first row is row 1.
    headings
        Rows of the headings.
    titled
        Whether a row with text in one cell only is the title of the rows below it, and the
        headings may be repeated below a title. Where some of these say "patient", only those are
        titles; a course or an arch below one is of a block within it, and others belong to none.
    """
    at = [row - 1 for row in headings]
    if at[-1] >= len(cells):
        empty = cells.iloc[:0]
        return Grid((), empty, np.array([], int), np.array([], object), {})
    names = headings_at(cells, headings)
    blank = _blank(cells)
    body = np.arange(at[-1] + 1, len(cells))
    body = body[~blank[body].all(axis=1)]
    titles = np.full(len(cells), "", dtype=object)
    aside: dict[int, str] = {}
    if titled:
        filled = (~blank).sum(axis=1)
        repeats = _repeats(cells, at)
        alone = {
            row: clean_text(cells.iloc[row, int(np.argmax(~blank[row]))])
            for row in np.flatnonzero(filled == 1).tolist()
            if row not in at
        }
        named = {row for row, text in alone.items() if of_patient(text)}
        last = patient = ""
        for row in range(len(cells)):
            if row in at or row in repeats:
                if row in repeats and row > at[-1]:
                    aside[row + 1] = "headings again"
            elif filled[row] == 1:
                text = alone.get(row, "")
                if row in named or not named:
                    last = patient = text or last
                elif course_meaning(text) or arch_meaning(text):
                    last = WITHIN.join(part for part in (patient, text) if part)
                if row > at[-1]:
                    aside[row + 1] = "title of a block"
            titles[row] = last
        body = np.array([row for row in body if row + 1 not in aside], dtype=int)
    return Grid(names, cells.iloc[body].reset_index(drop=True), body + 1, titles[body], aside)


def of_patient(text: str) -> bool:
    """Whether a title begins with a word for the patient.

    Examples
    --------
    >>> of_patient("Paciente 7"), of_patient("second phase"), of_patient("P007")
    (True, False, False)
    """
    return "patient" in heading_meanings(re.split(r"[\s:]", text.strip(), maxsplit=1)[0])


def _blank(cells: pd.DataFrame) -> np.ndarray:
    blank = np.ones(cells.shape, dtype=bool)
    for i in range(cells.shape[1]):
        blank[:, i] = blank_cells(cells.iloc[:, i])
    return blank


def _repeats(cells: pd.DataFrame, at: Sequence[int]) -> set[int]:
    """Rows that say what the rows of the headings say."""
    said = {tuple(clean_text(cell) for cell in cells.iloc[row]) for row in at}
    texts = cells.map(clean_text)
    return {i for i, row in enumerate(texts.itertuples(index=False, name=None)) if row in said}
