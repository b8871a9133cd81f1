"""What the tables of a series share: drafts before they have a number, and cells of a kind."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from outcomes.reports.table import Cell, Row, Table
from outcomes.words.numbers import count, p_value
from outcomes.words.units import unit_symbol

__all__ = ["INDENT", "Draft", "Tables", "numbered", "p_cell", "titled", "whole"]

Tables = dict[str, Table]
"""Short name ("patients", "achievement", ...) to table."""

Draft = tuple[str, tuple[str, ...], list[Row], list[str]]
"""Title, columns, lines, footnotes."""

INDENT = "\u00a0\u00a0"
"""Before the name of a line that belongs to the one above it."""


def numbered(drafts: Mapping[str, Draft], mark: str = "") -> Tables:
    """The drafts that have lines as tables, numbered in turn: Table 1, or Table S1."""
    filled = {short: draft for short, draft in drafts.items() if draft[2]}
    return {
        short: Table(
            f"table_{mark.lower()}{place}_{short}",
            f"Table {mark}{place}",
            title,
            columns,
            tuple(rows),
            tuple(notes),
        )
        for place, (short, (title, columns, rows, notes)) in enumerate(filled.items(), start=1)
    }


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
