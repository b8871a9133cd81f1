"""Headings that stand more than once: tables beside each other, or courses beside each other.

What the second of two columns of one heading is only the owner knows: it is asked, for a column
that is not read is lost without a trace.
"""

from __future__ import annotations

import itertools
from dataclasses import replace

from outcomes.cohort.mapping.layout import Column, Layout
from outcomes.cohort.mapping.questions import Asked, Question
from outcomes.cohort.mapping.spec import NUMBERS
from outcomes.words.english import listed

KEYS = {"patient", "tooth", "movement"}

_TABLES = "a table of its own, beside the first: its rows are records too"
_OF_COURSES = "the next course of the same teeth"
_OWN = "columns of your own: no record is made from them"


def sides(layout: Layout, key: str, asked: Asked) -> list[tuple[Layout, int]]:
    """The tables that stand beside each other in a sheet, each with the course it is of, or 0.

    Parameters
    ----------
    layout
        The sheet.
    key
        Of the question, where one has to be asked.
    asked
        Answers given and questions found.
    """
    again = [c for c in layout.columns if c.again]
    keys = [c for c in again if not c.wide and KEYS & set(c.meanings)]
    numbers = [c for c in again if _is_number(c)]
    named = any(c.course for c in layout.columns)
    if not (keys and (numbers or named)) and not _as_often(layout, numbers):
        return [(layout, 0)]
    options = {"tables": _TABLES} if keys else {}
    if not layout.having("course") and not named:
        options["courses"] = _OF_COURSES
    options["own"] = _OWN
    shown = listed([repr(c.bare) for c in (*keys, *numbers)][:4])
    answer = asked.ask(
        Question(
            key,
            f"{shown} stand more than once in the row of headings. What are the later ones?",
            options,
            "tables" if keys else "",
            "several columns have the same heading",
        )
    )
    if answer == "own":
        return [(replace(layout, columns=tuple(_own(c) for c in layout.columns)), 0)]
    if answer == "courses" and not keys:
        return [(replace(layout, columns=tuple(_in_course(c) for c in layout.columns)), 0)]
    if not keys:
        return [(layout, 0)]
    return [
        (replace(layout, columns=columns), count if answer == "courses" else 0)
        for count, columns in enumerate(_blocks(layout, keys), 1)
    ]


def _is_number(column: Column) -> bool:
    return column.wide or bool({*NUMBERS, "number"} & set(column.meanings))


def _as_often(layout: Layout, numbers: list[Column]) -> bool:
    """Whether two columns of numbers or more are repeated, each as often as the others."""
    last = [c for c in numbers if c.again == max(n.again for n in numbers)]
    first = [c for c in layout.columns if _is_number(c) and not c.again]
    kinds = {c.number or c.meanings for c in last}
    return len(last) > 1 and len(kinds) > 1 and {c.number or c.meanings for c in first} >= kinds


def _own(column: Column) -> Column:
    if not column.again:
        return column
    return replace(column, meanings=(), movement="", tooth="", number="", course=0, why="told")


def _in_course(column: Column) -> Column:
    """A column of numbers as one of the course that its place among its like gives."""
    if not _is_number(column):
        return column
    number = column.number or next((m for m in column.meanings if m in NUMBERS), "")
    if not number and not column.wide:
        return column
    return replace(column, meanings=(), number=number, course=column.again + 1)


def _blocks(layout: Layout, keys: list[Column]) -> list[tuple[Column, ...]]:
    """Columns of each of the tables; those left of the first stand for all."""
    columns = list(layout.columns)
    repeated = {k.bare for k in keys}
    found: dict[int, int] = {}
    for place, column in enumerate(columns):
        if column.bare in repeated and not column.wide:
            found.setdefault(column.again, place)
    starts = [*sorted(found.values()), len(columns)]
    shared = columns[: starts[0]]
    return [(*shared, *columns[a:b]) for a, b in itertools.pairwise(starts)]
