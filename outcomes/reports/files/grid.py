"""Tables laid out for slides: every text fits its cell."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from outcomes.reports.files.text_size import (
    break_words,
    line_height,
    longest_word,
    narrowest,
    text_width,
    wrap,
)
from outcomes.reports.table import Table


@dataclass(frozen=True)
class Grid:
    """A table laid out: texts, type, and the size of every column and line in points.

    A line feed in a text is where a word that is wider than its column was ``broken``.
    ``headings`` are the lines, from 0 for that of the columns, that only name a group.
    """

    texts: tuple[tuple[str, ...], ...]
    size: float
    widths: tuple[float, ...]
    heights: tuple[float, ...]
    right: tuple[bool, ...]
    headings: frozenset[int]
    broken: bool

    @property
    def height(self) -> float:
        return sum(self.heights)


def grids(table: Table, width: float, sizes: Iterable[float]) -> Iterator[Grid]:
    """The table at each of these sizes of type at which it fits the width."""
    for size in sizes:
        try:
            yield grid_layout(table, width, size)
        except ValueError:
            continue


def grid_layout(table: Table, width: float, size: float) -> Grid:
    """Widths of columns and heights of lines of a table, so that every text fits its cell.

    Where the longest words do not fit side by side, those of more than ``WHOLE`` characters are
    broken over up to about ``PIECES`` lines; shorter words, and so all usual numbers, stay whole.
    The caption and the notes of the table are not laid out; width and size of type are in points.

    Raises
    ------
    ValueError
        If the words do not fit side by side even so: take a smaller type or fewer columns.
    """
    texts = [table.columns, *map(tuple, table.texts())]
    pad = 0.35 * size
    groups = frozenset(number for number, line in enumerate(table.rows, start=1) if line.heading)
    least, wish, floor = [], [], []
    for place in range(len(table.columns)):
        cells = [
            (text[place], number == 0) for number, text in enumerate(texts) if number not in groups
        ]
        least.append(max(longest_word(text, size, bold=bold) for text, bold in cells) + 2 * pad)
        floor.append(max(narrowest(text, size, bold=bold) for text, bold in cells) + 2 * pad)
        # A heading may take two lines; other texts should take one.
        wide = [text_width(text, size, head) / (1.8 if head else 1) for text, head in cells]
        wish.append(max(least[-1], max(wide) + 2 * pad + 0.5))
    if sum(floor) > width:
        raise ValueError(f"The table needs {sum(floor):.0f} pt of {width:.0f}.")
    broken = sum(least) > width
    if broken:
        least, wish = floor, least
    widths = _shared_out(least, wish, width)
    heights = []
    for number, text in enumerate(texts):
        bold, rooms = number == 0 or number in groups, [w - 2 * pad for w in widths]
        if number in groups:
            text, rooms = text[:1], [width - 2 * pad]
        elif broken:
            text = tuple(
                break_words(cell, size, room, bold=bold)
                for cell, room in zip(text, rooms, strict=True)
            )
            texts[number] = text
        lines = max(
            len(wrap(cell, size, room, bold=bold)) for cell, room in zip(text, rooms, strict=True)
        )
        heights.append(lines * line_height(size) + 2 * 0.22 * size)
    right = tuple(table.numeric())
    return Grid(tuple(texts), size, widths, tuple(heights), right, groups, broken)


def _shared_out(least: list[float], wish: list[float], width: float) -> tuple[float, ...]:
    """Widths that fill the whole: what is spared goes to wishes, then half of it to the first."""
    more = [b - a for a, b in zip(least, wish, strict=True)]
    share = min(1.0, (width - sum(least)) / sum(more)) if sum(more) else 0.0
    widths = [a + share * m for a, m in zip(least, more, strict=True)]
    if len(widths) == 1:
        return (width,)
    half = (width - sum(widths)) / 2
    return (widths[0] + half, *(w + half / (len(widths) - 1) for w in widths[1:]))
