"""What the tables of a series share: drafts before they have a number, and cells of a kind."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from outcomes.reports.table import Cell, Table, row
from outcomes.words.numbers import count, p_value
from outcomes.words.units import unit_symbol

Tables = dict[str, Table]
"""Short name ("patients", "achievement", ...) to table."""


Cells = dict[str, Cell | str]
"""Heading of a column to the cell of a line."""


@dataclass(frozen=True)
class Line:
    """A line of a draft: its name, its cells by heading, and how many patients it rests on."""

    key: str
    cells: Cells
    patients: int | None = None
    heading: bool = False


Draft = tuple[str, list[Line], list[str]]
"""Title, lines, footnotes; the columns are the headings of the lines, blank where a line has none."""

INDENT = "\u00a0\u00a0"
"""Before the name of a line that belongs to the one above it."""


def numbered(drafts: Mapping[str, Draft], *, one: bool, mark: str = "") -> Tables:
    """The drafts that have lines as tables, numbered in turn: Table 1, or Table S1.

    Lines of few patients are marked, but where the whole series is ``one`` patient.
    """
    made: Tables = {}
    for short, (title, lines, notes) in drafts.items():
        if not lines:
            continue
        number = f"{mark}{len(made) + 1}"
        columns = tuple(dict.fromkeys(name for line in lines for name in line.cells))
        rows = tuple(
            row(
                line.key,
                (line.cells.get(name, "") for name in columns),
                heading=line.heading,
                patients=None if one else line.patients,
            )
            for line in lines
        )
        name = f"table_{number.lower()}_{short}"
        made[short] = Table(name, f"Table {number}", title, columns, rows, tuple(notes))
    return made


def whole(n: Any) -> Cell:
    """A count.

    Examples
    --------
    >>> whole(1204).text
    '1,204'
    """
    return Cell(count(n), int(n))


def p_cell(p: float, missing: str = "–") -> Cell:
    """A p value; what stands in its place where nothing was tested."""
    return Cell(missing) if pd.isna(p) else Cell(p_value(p), float(p))


def titled(name: str, unit: str, *more: str) -> str:
    """The name of a line with the unit of its numbers, then what else tells it apart.

    Examples
    --------
    >>> titled("Tip", "degree", "canines"), titled("Age", "years", "")
    ('Tip, °; canines', 'Age, years')
    """
    return "; ".join(filter(None, (f"{name}, {unit_symbol(unit) or unit}", *more)))
