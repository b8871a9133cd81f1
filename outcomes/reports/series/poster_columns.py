"""The columns of a poster: most of the material at the largest type, divided as evenly as can be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from typing import Any

from outcomes.errors import InputError
from outcomes.reports.files.grid import Grid, grids
from outcomes.reports.files.slides import QUIET, STRONG
from outcomes.reports.files.text_size import Line, text_height
from outcomes.reports.series.deck import Block
from outcomes.reports.table import Table

SMALLEST = 24.0
"""No type on a poster is smaller, points; body text is 28 or more."""


@dataclass(frozen=True)
class Format:
    """A poster format; lengths in points."""

    name: str
    width: float
    height: float
    columns: int
    margin: float = 84.0
    gap: float = 66.0

    @property
    def column(self) -> float:
        """Width of a column."""
        return (self.width - 2 * self.margin - (self.columns - 1) * self.gap) / self.columns


MM = 72 / 25.4
A0 = Format("a0_portrait", 841 * MM, 1189 * MM, 2)
WIDE = Format("48x36_landscape", 48 * 72, 36 * 72, 3)
FORMATS = {form.name: form for form in (A0, WIDE)}

SIZES = (38.0, 36.0, 34.0, 32.0, 30.0, 28.0)
LARGER = 0.15
"""What a point of larger type is worth, beside the worth of a block."""


@dataclass(frozen=True)
class Room:
    """A marked place that grows with its column."""


@dataclass(frozen=True)
class Placed:
    """Parts of a block and their heights, from top to bottom."""

    block: Block
    parts: tuple[tuple[Any, float], ...]

    @property
    def height(self) -> float:
        return sum(height for _, height in self.parts)


def fit(
    found: Sequence[Block], form: Format, height: float
) -> tuple[list[list[Placed]], float, float]:
    """Most of the material at the largest type: what is left out is weighed against its size.

    Blocks of each column with the sizes of their parts, size of the text, least gap (points).

    Raises
    ------
    InputError
        If it does not fit.
    """
    optional = [block.name for block in found if block.worth]
    worth = {block.name: block.worth for block in found}
    best: tuple[float, list[list[Placed]], float, float] | None = None
    for left_out in _subsets(optional):
        kept = [block for block in found if block.name not in left_out]
        for size in SIZES:
            score = LARGER * (size - SIZES[-1]) - sum(worth[name] for name in left_out)
            if best is not None and score <= best[0]:
                break
            gap = 1.1 * size
            placed = [_lay_out(block, form.column, size) for block in kept]
            columns = _divide(placed, form.columns, gap)
            if all(height_of(column, gap) <= height for column in columns):
                best = (score, columns, size, gap)
                break
    if best is not None:
        return best[1:]
    raise InputError(
        f"The poster does not fit at {SIZES[-1]:g} pt: make it from fewer measures, or shorten the text in the "
        "slide deck instead."
    )


def _subsets(names: Sequence[str]) -> list[set[str]]:
    """All subsets, small ones first."""
    return [set(chosen) for size in range(len(names) + 1) for chosen in combinations(names, size)]


def height_of(column: Sequence[Placed], gap: float) -> float:
    """Points that the blocks of a column need, with the gaps between them."""
    return sum(placed.height for placed in column) + gap * max(0, len(column) - 1)


def _divide(placed: Sequence[Placed], columns: int, gap: float) -> list[list[Placed]]:
    """Cut the sequence into columns so that the tallest is as short as can be."""

    if len(placed) <= columns:
        return [[block] for block in placed]

    def rank(parts: list[list[Placed]]) -> list[tuple[float, int]]:
        heights = [height_of(part, gap) for part in parts]
        return [(max(heights[place:]), len(part)) for place, part in enumerate(parts)]

    ways = (
        [list(placed[a:b]) for a, b in pairwise((0, *cuts, len(placed)))]
        for cuts in combinations(range(1, len(placed)), columns - 1)
    )
    return min(ways, key=rank)


def _lay_out(block: Block, width: float, size: float) -> Placed:
    """Heading, body and caption with the height of each at this size of type."""
    pad = 0.7 * size if block.tint else 0.0
    inner = width - 2 * pad
    heading = Line(block.heading, round(1.3 * size), bold=True, colour=STRONG)
    parts: list[tuple[Any, float]] = [(None, pad)]
    parts.append(((heading,), text_height([heading], inner) + 0.35 * size))
    if block.text:
        lines = tuple(replace(line, size=size) for line in block.text)
        parts.append((lines, text_height(lines, inner)))
    if block.picture is not None:
        parts.append((block.picture, block.picture.height))
    if block.table is not None:
        grid = _grid(block.table, inner, size)
        parts.append((grid, grid.height))
    if block.room:
        parts.append((Room(), block.room))
    if block.caption:
        note = (Line(block.caption, max(SMALLEST, size - 6), colour=QUIET),)
        parts += [(None, 0.3 * size), (note, text_height(note, inner))]
    return Placed(block, (*parts, (None, pad)))


def _grid(table: Table, width: float, size: float) -> Grid:
    """The table at the largest type of one line a row; where none is, the largest that fits."""
    sizes = [size - less for less in range(2, int(size - SMALLEST) + 1)]
    fits: list[Grid] = []
    for grid in grids(table, width, sizes):
        fits.append(grid)
        if len(set(grid.heights[1:])) == 1 and not grid.broken:
            return grid
    if not fits:
        raise InputError(f"{table.label} is too wide for a column, even at {SMALLEST:g} pt.")
    return next((grid for grid in fits if not grid.broken), fits[0])
