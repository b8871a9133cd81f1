"""What a sheet looks like: where its headings stand, and what its columns may mean.

Headings are read by the words of the trade in seven languages (``domain.languages``); what their
spelling does not settle is told from the cells, as a guess.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from outcomes.cohort.cells import clean_text, numbers, texts
from outcomes.cohort.headers import SEARCH_ROWS
from outcomes.cohort.headers import heading as bare
from outcomes.cohort.mapping.pages import BETWEEN, Grid, grid, joined_headings
from outcomes.cohort.mapping.spec import MEANINGS, NUMBERS
from outcomes.domain.languages import heading_meanings, movement_heading, movement_meaning
from outcomes.domain.teeth import TOKENS, tooth_token

#: Concepts of ``heading_meanings`` as meanings of columns; the others keep their names.
AS_MEANING = {
    "start_position": "start",
    "planned_position": "planned",
    "achieved_position": "achieved",
    "personal": "drop",
}

#: Fewer columns headed by tooth numbers than this make no table with a column for each tooth.
ENOUGH_TEETH = 3

#: Headings of columns that hold the number of a long table, whatever it is.
NUMBER_WORDS = ("value", "values", "number", "amount", "wert", "werte", "valeur", "valor", "valore",
                "varde")  # fmt: skip

SAMPLES = 3

#: A heading with one of these may mean a share of the plan (common words, no source).
_PERCENT = re.compile(r"%|per ?cent|prozent|pourcent|por ?ciento|por ?cento|procent", re.I)


@dataclass(frozen=True)
class Column:
    """One column of a sheet and what its heading may mean.

    ``meanings`` has one entry where the heading settles it, several where only the owner knows,
    none where the heading says nothing. ``position`` says that the heading speaks of positions.
    """

    heading: str
    meanings: tuple[str, ...]
    why: str
    movement: str = ""
    sign: int = 0
    tooth: str = ""
    number: str = ""
    position: bool = False
    samples: tuple[str, ...] = ()
    numeric: bool = False

    @property
    def wide(self) -> bool:
        """Whether the heading names a movement or a tooth, so that its cells are numbers."""
        return bool(self.movement or self.tooth)


@dataclass(frozen=True)
class Layout:
    """A sheet with its headings found: columns, rows below, and what its name says.

    ``number`` is "planned", "achieved" or another number that the name of the sheet means.
    """

    label: str
    headings: tuple[int, ...]
    columns: tuple[Column, ...]
    rows: Grid
    titled: bool = False
    number: str = ""
    score: int = 0
    cells: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False)

    def having(self, meaning: str) -> list[Column]:
        """Columns whose heading can mean ``meaning``."""
        return [c for c in self.columns if meaning in c.meanings]

    @property
    def holds_movements(self) -> bool:
        """Whether teeth and at least one number of a movement are found."""
        wide = [c for c in self.columns if c.wide]
        of_number = [n for n in (*NUMBERS, "number", "kind") if self.having(n)]
        teeth = self.having("tooth") or any(c.tooth for c in wide)
        return bool(teeth) and bool(wide or of_number)


def layout_of(label: str, cells: pd.DataFrame) -> Layout:
    """Find the headings of a sheet and what they may mean.

    Of the first rows the one, or the two below each other, that most columns are known from.
    """
    best: tuple[int, tuple[int, ...]] = (0, (1,))
    top = min(len(cells), SEARCH_ROWS)
    for row in range(1, top + 1):
        one = _score(cells, (row,))
        if one > best[0]:
            best = (one, (row,))
        if row < top:
            two = _score(cells, (row, row + 1))
            if two > max(best[0], one, _score(cells, (row + 1,))) + 1:
                best = (two, (row, row + 1))
    score, headings = best
    titled = bool(score) and _titled(cells, headings)
    rows = grid(cells, headings, titled=titled)
    columns = tuple(
        _column(name, rows.cells.iloc[:, i])
        for i, name in enumerate(rows.headings)
        if name and (texts(rows.cells.iloc[:, i]) != "").any()
    )
    teeth = [c for c in columns if c.tooth]
    if len(teeth) < ENOUGH_TEETH:
        columns = tuple(_as_known(c) if c.tooth else c for c in columns)
    columns = _with_kind(columns, rows)
    number = [m for m in _meanings(label) if m in NUMBERS]
    named = number[0] if len(number) == 1 else ""
    return Layout(label, headings, columns, rows, titled, named, score, cells)


def _score(cells: pd.DataFrame, headings: tuple[int, ...]) -> int:
    names = joined_headings([list(cells.iloc[row - 1]) for row in headings])
    known: set[str] = set()
    wide = 0
    for name in names:
        meanings = ("tooth",) if bare(name).name == "tooth" else _meanings(name)
        if meanings:
            known.add(meanings[0])
        elif _names_numbers(name, two=len(headings) == 2):
            wide += 1
    return len(known) * 2 + wide if known else 0


def _names_numbers(heading: str, *, two: bool) -> bool:
    """Whether a heading is one of a wide table: a movement or a tooth."""
    token = tooth_token(heading)
    if token in TOKENS["fdi"] or token in TOKENS["quadrant"]:
        return True
    if two:
        return bool(_two_rows(heading)[2])
    return bool(movement_heading(heading) or movement_meaning(heading))


def _meanings(heading: str) -> tuple[str, ...]:
    found = heading_meanings(heading)
    known = tuple(dict.fromkeys(AS_MEANING.get(m, m) for m in found))
    return tuple(m if m in MEANINGS else "own" for m in known)


def _two_rows(heading: str) -> tuple[str, int, str, str]:
    """Movement, sign, number and tooth that two rows of headings name together."""
    upper, _, lower = heading.partition(BETWEEN)
    for name, rest in ((upper, lower), (lower, upper)):
        number = [m for m in _meanings(rest) if m in NUMBERS]
        if len(number) != 1:
            continue
        movement = movement_meaning(name)
        if movement is not None:
            return (*movement, number[0], "")
        if tooth_token(name) in TOKENS["fdi"] or tooth_token(name) in TOKENS["quadrant"]:
            return "", 0, number[0], tooth_token(name)
    return "", 0, "", ""


def _column(heading: str, cells: pd.Series) -> Column:
    words = [w for w in dict.fromkeys(texts(cells).tolist()) if w]
    samples = tuple(words[:SAMPLES])
    read = numbers(cells)
    filled = texts(cells) != ""
    numeric = bool(filled.any()) and bool(np.isfinite(read.values[filled]).mean() > 0.8)
    known = heading_meanings(heading) or (("tooth",) if bare(heading).name == "tooth" else ())
    position = bool(known) and all(m.endswith("_position") for m in known)
    if known:
        meanings = _meanings(heading) or known
        if "achieved" in meanings and _PERCENT.search(heading):
            meanings = ("percent", *meanings)
        return Column(
            heading,
            meanings,
            "by its heading",
            position=position and "start_position" not in known,
            samples=samples,
            numeric=numeric,
        )
    if BETWEEN in heading:
        of, way, number, tooth = _two_rows(heading)
        if number:
            why = "two headings, one of a movement or tooth"
            return Column(
                heading, (), why, of, way, tooth, number, samples=samples, numeric=numeric
            )
        last = heading.rpartition(BETWEEN)[2]
        if _meanings(last):
            return Column(
                heading, _meanings(last), "by its lower heading", samples=samples, numeric=numeric
            )
    both = movement_heading(heading)
    if both and numeric:
        number = AS_MEANING.get(both[2], both[2])
        position = both[2].endswith("_position") and both[2] != "start_position"
        if number in NUMBERS:
            why = "names a movement and a number"
            return Column(
                heading, (), why, both[0], both[1], "", number, position, samples, numeric
            )
    movement = movement_meaning(heading)
    if movement and numeric:
        return Column(heading, (), "names a movement", *movement, samples=samples, numeric=numeric)
    token = tooth_token(heading)
    if numeric and (token in TOKENS["fdi"] or token in TOKENS["quadrant"]):
        return Column(heading, (), "is a tooth", tooth=token, samples=samples, numeric=numeric)
    if numeric and clean_text(heading).casefold() in NUMBER_WORDS:
        return Column(heading, ("number",), "by its heading", samples=samples, numeric=numeric)
    return Column(heading, (), "", samples=samples, numeric=numeric)


def _as_known(column: Column) -> Column:
    return Column(column.heading, (), "", samples=column.samples, numeric=column.numeric)


def _with_kind(columns: tuple[Column, ...], rows: Grid) -> tuple[Column, ...]:
    """Find a column of words such as planned and achieved: it says what the number beside it is."""
    found = []
    for column in columns:
        words = set(texts(rows.column(column.heading)).tolist()) - {""}
        kinds = [[m for m in _meanings(w) if m in NUMBERS] for w in words]
        known = sum(len(k) == 1 for k in kinds)
        if not column.numeric and not column.wide and known >= 2 and known >= 0.6 * len(words):
            column = Column(
                column.heading, ("kind",), "its words name numbers", samples=column.samples
            )
        found.append(column)
    if not any(column.meanings == ("kind",) for column in found):
        return columns
    open_ones = [c for c in found if c.numeric and not c.wide and len(c.meanings) != 1]
    if len(open_ones) == 1:
        number = replace(open_ones[0], meanings=("number",), why="beside the words for numbers")
        found = [number if c is open_ones[0] else c for c in found]
    return tuple(found)


def _titled(cells: pd.DataFrame, headings: tuple[int, ...]) -> bool:
    """Whether rows with one cell only stand above blocks of rows, the headings repeated or not."""
    filled = (cells.map(clean_text) != "").sum(axis=1).to_numpy()
    below = filled[headings[-1] :]
    single = np.flatnonzero(below == 1)
    above = headings[0] >= 2 and filled[headings[0] - 2] == 1
    return len(single) > 0 and above and int(np.median(below[below > 0])) > 1
