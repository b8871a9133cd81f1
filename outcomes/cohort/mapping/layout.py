"""What a sheet looks like: where its headings stand, and what its columns may mean.

Headings are read by the words of the trade in seven languages (``domain.languages``); what their
spelling does not settle is told from the cells, as a guess.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from outcomes.cohort.cells import clean_text, numbers, texts
from outcomes.cohort.headers import SEARCH_ROWS
from outcomes.cohort.headers import heading as bare
from outcomes.cohort.mapping.pages import BETWEEN, Grid, grid, headings_at, without_count
from outcomes.cohort.mapping.spec import MEANINGS, NUMBERS
from outcomes.cohort.mapping.units import are_percentages, without_percent
from outcomes.domain.languages import (
    course_meaning,
    direction_meaning,
    heading_meanings,
    movement_heading,
    movement_meaning,
    word_form,
)
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.teeth import TOKENS, quadrant_number, tooth_token

#: Concepts of ``heading_meanings`` as meanings of columns; the others keep their names.
AS_MEANING = {
    "start_position": "start",
    "planned_position": "planned",
    "achieved_position": "achieved",
    "personal": "drop",
}

#: Fewer columns headed by tooth numbers than this make no table with a column for each tooth.
ENOUGH_TEETH = 3

#: From this score of the first column on, a table without headings above stands on its side.
TURNED = 8

#: Headings of columns that hold the number of a long table, whatever it is.
NUMBER_WORDS = ("value", "values", "number", "amount", "wert", "werte", "valeur", "valor", "valore",
                "varde")  # fmt: skip

SAMPLES = 3

#: A cell of nothing but one of these is the other way than "+".
MINUS_SIGNS = ("-", "\u2212", "\u2013")

#: A heading with one of these may mean a share of the plan (common words, no source).
_PERCENT = re.compile(r"%|per ?cent|prozent|pourcent|por ?ciento|por ?cento|procent", re.I)


@dataclass(frozen=True)
class Column:
    """One column of a sheet and what its heading may mean.

    ``meanings`` has one entry where the heading settles it, several where only the owner knows,
    none where the heading says nothing. ``position`` says that the heading speaks of positions,
    ``bare`` is the heading as it stands in the sheet, and ``again`` how many alike stand before it.
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
    course: int = 0
    bare: str = ""
    again: int = 0

    @property
    def wide(self) -> bool:
        """Whether the heading names a movement, tooth or course, so that its cells are numbers."""
        return bool(self.movement or self.tooth or self.course)


@dataclass(frozen=True)
class Layout:
    """A sheet with its headings found: columns, rows below, and what its name says.

    ``number`` is "planned", "achieved" or another number that the name of the sheet means;
    ``turned`` says that the headings stand below each other in the first column.
    """

    label: str
    headings: tuple[int, ...]
    columns: tuple[Column, ...]
    rows: Grid
    titled: bool = False
    number: str = ""
    score: int = 0
    turned: bool = False
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
    columns = _numbered(
        _of_course(name, plain, rows.cells.iloc[:, i])
        for i, (name, plain) in enumerate(
            zip(rows.headings, without_count(rows.headings), strict=True)
        )
        if name and (texts(rows.cells.iloc[:, i]) != "").any()
    )
    teeth = [c for c in columns if c.tooth]
    if len(teeth) < ENOUGH_TEETH:
        columns = tuple(_as_known(c) if c.tooth else c for c in columns)
    columns = _with_quadrant(_with_kind(columns, rows), rows)
    number = [m for m in _meanings(label) if m in NUMBERS]
    named = number[0] if len(number) == 1 else ""
    side = cells.iloc[:SEARCH_ROWS, :SEARCH_ROWS].T if cells.size else cells
    known = sum(bool(column.meanings) for column in columns)
    turned = known <= 2 and bool(cells.size) and _score(side, (1,)) >= TURNED
    return Layout(label, headings, columns, rows, titled, named, score, turned, cells)


def _score(cells: pd.DataFrame, headings: tuple[int, ...]) -> int:
    names = without_count(headings_at(cells, headings))
    known: set[str] = set()
    named: set[str] = set()
    wide: set[str] = set()
    repeated = 0
    for name in names:
        plain = without_course(name)[0]
        meanings = ("tooth",) if bare(plain).name == "tooth" else _meanings(plain)
        if len(headings) == 2 and not meanings:
            meanings = _meanings(plain.rpartition(BETWEEN)[2]) if BETWEEN in plain else ()
        number = bool(meanings) and meanings[0] in NUMBERS
        if (plain != name and number) or _names_numbers(plain, two=BETWEEN in plain):
            repeated += name in wide
            wide.add(name)
        elif meanings:
            repeated += name in named
            named.add(name)
            known.add(meanings[0])
    return len(known) * 2 + len(wide) - repeated if known else 0


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


def without_course(heading: str) -> tuple[str, int]:
    """A heading without the course it names, and that course; 0 where it names none.

    Examples
    --------
    >>> without_course("planned course 2"), without_course("Course 1 / Torque planned")
    (('planned', 2), ('Torque planned', 1))
    >>> without_course("course"), without_course("planned 2")
    (('course', 0), ('planned 2', 0))
    """
    upper, between, lower = heading.partition(BETWEEN)
    for name, rest in ((upper, lower), (lower, upper)):
        if between and course_meaning(name):
            return rest, course_meaning(name) or 0
    words = [] if between else word_form(heading).split(" ")
    for i in range(1, len(words)):
        start, end = " ".join(words[:i]), " ".join(words[i:])
        for name, rest in ((end, start), (start, end)):
            if course_meaning(name) and (heading_meanings(rest) or movement_heading(rest)):
                return rest, course_meaning(name) or 0
    return heading, 0


def _of_course(heading: str, plain: str, cells: pd.Series) -> Column:
    """A column, its heading read without the course it names."""
    rest, course = without_course(plain)
    column = replace(_column(rest, cells), heading=heading, bare=rest)
    if not course:
        return column
    number = [m for m in column.meanings if m in NUMBERS]
    if column.wide:
        return replace(column, course=course)
    if len(number) == 1 and column.numeric:
        why = "names a course and a number"
        return replace(column, meanings=(), number=number[0], course=course, why=why)
    return column


def _numbered(columns: Iterable[Column]) -> tuple[Column, ...]:
    """Columns that mean the same by their headings, counted from the left."""
    seen: dict[tuple, int] = {}
    found = []
    for column in columns:
        said = (column.movement, column.sign, column.number, column.tooth, column.course)
        key = said if column.wide else (word_form(column.bare),)
        found.append(replace(column, again=seen.get(key, 0)))
        seen[key] = seen.get(key, 0) + 1
    return tuple(found)


def _column(heading: str, cells: pd.Series) -> Column:
    """What a heading and its cells say, by the first of the ways of knowing that says anything."""
    said = texts(cells)
    words = [w for w in dict.fromkeys(said.tolist()) if w]
    filled = said != ""
    shares = are_percentages(cells)
    read = numbers(without_percent(cells) if shares else cells).values
    numeric = bool(filled.any()) and bool(np.isfinite(read[filled]).mean() > 0.8)
    column = Column(heading, (), "", samples=tuple(words[:SAMPLES]), numeric=numeric)
    known = heading_meanings(heading) or (("tooth",) if bare(heading).name == "tooth" else ())
    if known:
        position = all(m.endswith("_position") for m in known) and "start_position" not in known
        meanings, why = _meanings(heading) or known, "by its heading"
        if "achieved" in meanings and shares:
            meanings, why = ("percent",), "its cells are percentages"
        elif "achieved" in meanings and _PERCENT.search(heading):
            meanings = ("percent", *meanings)
        return replace(column, meanings=meanings, why=why, position=position)
    if BETWEEN in heading:
        of, way, number, tooth = _two_rows(heading)
        if number:
            why = "two headings, one of a movement or tooth"
            return replace(column, why=why, movement=of, sign=way, number=number, tooth=tooth)
        last = _meanings(heading.rpartition(BETWEEN)[2])
        if last:
            return replace(column, meanings=last, why="by its lower heading")
    both = movement_heading(heading)
    if both and AS_MEANING.get(both[2], both[2]) in NUMBERS:
        of, way, concept = both
        position = concept.endswith("_position") and concept != "start_position"
        number, why = AS_MEANING.get(concept, concept), "names a movement and a number"
        return replace(column, why=why, movement=of, sign=way, number=number, position=position)
    movement = movement_meaning(heading)
    if movement and numeric:
        return replace(column, why="names a movement", movement=movement[0], sign=movement[1])
    token = tooth_token(heading)
    if numeric and (token in TOKENS["fdi"] or token in TOKENS["quadrant"]):
        return replace(column, why="is a tooth", tooth=token)
    if numeric and clean_text(heading).casefold() in NUMBER_WORDS:
        return replace(column, meanings=("number",), why="by its heading")
    if words and all(_is_direction(word) for word in words):
        return replace(column, meanings=("direction",), why="its cells are directions")
    return column


def is_share(column: Column) -> bool:
    """Whether a heading or the cells below it speak of percentages."""
    cells = pd.Series(column.samples, dtype=object)
    return bool(_PERCENT.search(column.heading)) or are_percentages(cells)


def _is_direction(word: str) -> bool:
    if word in ("+", *MINUS_SIGNS):
        return True
    return any(direction_meaning(word, movement) for movement in MOVEMENTS)


def _as_known(column: Column) -> Column:
    return replace(column, tooth="", why="")


def _with_kind(columns: tuple[Column, ...], rows: Grid) -> tuple[Column, ...]:
    """Find a column of words such as planned and achieved: it says what the number beside it is."""
    found = []
    for column in columns:
        words = set(texts(rows.column(column.heading)).tolist()) - {""}
        kinds = [[m for m in _meanings(w) if m in NUMBERS] for w in words]
        known = sum(len(k) == 1 for k in kinds)
        if not column.numeric and not column.wide and known >= 2 and known >= 0.6 * len(words):
            column = replace(column, meanings=("kind",), why="its words name numbers")
        found.append(column)
    if not any(column.meanings == ("kind",) for column in found):
        return columns
    open_ones = [c for c in found if c.numeric and not c.wide and len(c.meanings) != 1]
    if len(open_ones) == 1:
        number = replace(open_ones[0], meanings=("number",), why="beside the words for numbers")
        found = [number if c is open_ones[0] else c for c in found]
    return tuple(found)


def _with_quadrant(columns: tuple[Column, ...], rows: Grid) -> tuple[Column, ...]:
    """A column of quadrants beside one of teeth: "quadrant" alone also names a notation."""
    teeth = [c for c in columns if c.meanings == ("tooth",)]
    found = []
    for column in teeth if len(teeth) > 1 else ():
        words = set(texts(rows.column(column.heading)).tolist()) - {""}
        if bare(column.bare).notation == "quadrant" and all(quadrant_number(w) for w in words):
            found.append(column)
    if len(found) != 1 or len(found) == len(teeth):
        return columns
    told = replace(found[0], meanings=("quadrant",), why="beside a column of teeth")
    return tuple(told if c is found[0] else c for c in columns)


def _titled(cells: pd.DataFrame, headings: tuple[int, ...]) -> bool:
    """Whether rows with one cell only stand above blocks of rows, the headings repeated or not."""
    filled = (cells.map(clean_text) != "").sum(axis=1).to_numpy()
    below = filled[headings[-1] :]
    single = np.flatnonzero(below == 1)
    above = headings[0] >= 2 and filled[headings[0] - 2] == 1
    return len(single) > 0 and above and int(np.median(below[below > 0])) > 1
