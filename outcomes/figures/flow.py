"""The flow of records: read, excluded and why, analysed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from outcomes.domain.limits import FEW_PATIENTS
from outcomes.domain.names import patients_counted
from outcomes.errors import InputError
from outcomes.figures.base import (
    ASIDE,
    COLOURS,
    FULL_WIDTH,
    INK,
    PAPER,
    QUIET,
    TINT,
    bare_axes,
    records,
    set_alt_text,
    style,
    text_width,
)
from outcomes.words.english import capital, counted

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

_LEADING = 1.32
_SMALLEST = 5.0
_COLOURS = {"read": (PAPER, INK), "excluded": (PAPER, ASIDE), "analysed": (TINT, COLOURS[0])}
"""Ground and edge of the boxes."""


@dataclass(frozen=True)
class _Line:
    """A wrapped line: what stands before it in a column of its own, the text, and its weight."""

    lead: str
    text: str
    bold: bool = False


@dataclass(frozen=True)
class _Box:
    """A box in points from the upper left corner of the drawing."""

    name: str
    lines: list[_Line]
    x: float
    y: float
    width: float
    height: float
    indent: float = 0.0


@dataclass(frozen=True)
class _Plan:
    boxes: tuple[_Box, ...]
    size: float
    height: float


def record_flow(cohort: Cohort, ax: Axes | None = None, *, table: str = "movements") -> Axes:
    """Boxes from the rows read to the rows analysed, with every reason for exclusion.

    Parameters
    ----------
    cohort
        A cohort; its ledger is drawn.
    ax
        Where to draw; a new figure as high as needed if None. On given Axes the type shrinks
        until all fits.
    table
        Which table's rows.

    Raises
    ------
    InputError
        If the ledger has no such table, or the Axes are too small to hold it legibly.
    """
    ledger = cohort.ledger[cohort.ledger["table"] == table]
    if not len(ledger):
        tables = ", ".join(cohort.ledger["table"].unique())
        raise InputError(f"The ledger has no table {table!r}; it has {tables}.")
    with style():
        if ax is None:
            plan = _plan(ledger, FULL_WIDTH * 72, 8.0)
            ax = bare_axes(FULL_WIDTH, plan.height / 72)
            width, height = FULL_WIDTH * 72, plan.height
        else:
            width, height = _size_in_points(ax)
            plan = _fitting_plan(ledger, width, height)
        ax.set(xlim=(0, width), ylim=(height, 0))
        ax.set_axis_off()
        _draw_arrows(plan, ax)
        for box in plan.boxes:
            _draw_box(box, plan.size, ax)
        set_alt_text(ax, _words(ledger, table))
    return ax


def _size_in_points(ax: Axes) -> tuple[float, float]:
    figure: Any = ax.get_figure(root=True)
    ax.set_axis_off()
    figure.draw_without_rendering()
    extent = ax.get_window_extent()
    scale = 72 / figure.dpi
    return extent.width * scale, extent.height * scale


def _fitting_plan(ledger: pd.DataFrame, width: float, height: float) -> _Plan:
    size = 8.0
    plan = _plan(ledger, width, size)
    while plan.height > height:
        size -= 0.25
        if size < _SMALLEST:
            raise InputError(
                f"The flow of records needs Axes at least {plan.height / 72:.1f} inches high at "
                f"this width; these have {height / 72:.1f}. Make the figure higher."
            )
        plan = _plan(ledger, width, size)
    return plan


def _plan(ledger: pd.DataFrame, width: float, size: float) -> _Plan:
    """Wrap the words and place the boxes, all in points."""
    read, excluded, analysed = (ledger[ledger["step"] == step] for step in _COLOURS)
    edge, gap = 4.0, 2.6 * size
    room = width - 2 * edge
    each = (room - gap * max(len(analysed) - 1, 1)) / max(len(analysed), 2)

    lines = _heading("Read", read.iloc[0], each, size)
    first = _Box("read", lines, edge, edge, each, _height(lines, size))
    x, y = edge + each / 2 + 1.4 * gap, first.y + first.height + 0.7 * gap
    lines, indent = _reasons(excluded, width - edge - x, size)
    side = _Box("excluded", lines, x, y, width - edge - x, _height(lines, size), indent)

    y = side.y + side.height + 0.9 * gap
    kept = []
    for row in records(analysed):
        # "planned movement: enters the rates" is a name and what happens to it
        name, _, rest = str(row.reason or "analysed").partition(": ")
        kept.append(_heading(capital(name), row, each, size, *filter(None, [rest])))
    tallest = max(_height(lines, size) for lines in kept)
    last = [
        _Box("analysed", lines, edge + i * (each + gap), y, each, tallest)
        for i, lines in enumerate(kept)
    ]
    return _Plan((first, side, *last), size, y + tallest + edge)


def _height(lines: list[_Line], size: float) -> float:
    return (len(lines) * _LEADING + 1.1) * size


def _heading(name: str, row: Any, width: float, size: float, *more: str) -> list[_Line]:
    room = width - 1.4 * size
    counts = _counts(row) + ("*" if 0 < row.patients < FEW_PATIENTS else "")
    lines = [_Line("", text, bold=True) for text in _wrap(name, room, size, bold=True)]
    for words in (counts, *more):
        lines += [_Line("", text) for text in _wrap(words, room, size)]
    return lines


def _reasons(excluded: pd.DataFrame, width: float, size: float) -> tuple[list[_Line], float]:
    """Lines of the excluded box, and how far the reasons are set in behind their numbers."""
    total = int(excluded["rows"].sum())
    lines = [_Line("", f"Excluded: {counted(total, 'row')}", bold=True)]
    numbers = [f"{n:,}" for n in excluded["rows"]]
    indent = max((text_width(number, size) for number in numbers), default=0) + 0.7 * size
    for number, reason in zip(numbers, excluded["reason"], strict=True):
        first, *others = _wrap(str(reason), width - 1.4 * size - indent, size)
        lines.append(_Line(number, first))
        lines += [_Line("", other) for other in others]
    return lines, indent


def _wrap(text: str, room: float, size: float, *, bold: bool = False) -> list[str]:
    """Lines no wider than ``room`` points, broken at spaces, and within words only if need be."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        longer = f"{line} {word}".strip()
        if text_width(longer, size, bold=bold) <= room:
            line = longer
            continue
        if line:
            lines.append(line)
        while text_width(word, size, bold=bold) > room and len(word) > 1:
            cut = len(word) - 1
            while cut > 1 and text_width(word[:cut], size, bold=bold) > room:
                cut -= 1
            lines.append(word[:cut])
            word = word[cut:]
        line = word
    return [*lines, line] if line else lines or [""]


def _draw_box(box: _Box, size: float, ax: Axes) -> None:
    face, edge = _COLOURS[box.name]
    look: dict[str, Any] = {"facecolor": face, "edgecolor": edge, "lw": 0.8, "zorder": 2}
    ax.add_patch(Rectangle((box.x, box.y), box.width, box.height, label=box.name, **look))
    left = box.x + 0.7 * size
    for i, line in enumerate(box.lines):
        look = {"fontsize": size, "va": "baseline", "color": INK, "zorder": 3}
        y = box.y + (0.45 + _LEADING * (i + 0.76)) * size
        inset = 0.0 if line.bold else box.indent
        if line.lead:
            ax.text(left + inset - 0.7 * size, y, line.lead, ha="right", **look)
        weight = "bold" if line.bold else "normal"
        ax.text(left + inset, y, line.text, fontweight=weight, **look)


def _draw_arrows(plan: _Plan, ax: Axes) -> None:
    first, side, *last = plan.boxes
    x = first.x + first.width / 2
    middle = side.y + side.height / 2
    fork = side.y + side.height + (last[0].y - side.y - side.height) / 2
    thin: dict[str, Any] = {"color": QUIET, "lw": 0.8}
    head = "-|>,head_width=0.16,head_length=0.32"
    arrow = {"arrowstyle": head, "shrinkA": 0, "shrinkB": 0, **thin}
    targets = [box.x + box.width / 2 for box in last]
    line = thin | {"zorder": 1, "solid_capstyle": "projecting"}
    ax.plot([x, x], [first.y + first.height, fork], **line)
    ax.annotate("", (side.x, middle), (x, middle), arrowprops=arrow)
    ax.plot([min(x, *targets), max(x, *targets)], [fork, fork], **line)
    for box, target in zip(last, targets, strict=True):
        ax.annotate("", (target, box.y), (target, fork), arrowprops=arrow)


def _words(ledger: pd.DataFrame, table: str) -> str:
    read, excluded, analysed = (ledger[ledger["step"] == step] for step in _COLOURS)
    reasons = "; ".join(f"{row.rows:,} {row.reason}" for row in records(excluded))
    kept = [
        f"{_counts(row)}{f' ({row.reason})' if row.reason else ''}" for row in records(analysed)
    ]
    total = int(excluded["rows"].sum())
    return (
        f"Flow of records, {table}: {_counts(read.iloc[0])} read; {counted(total, 'row')} excluded"
        f"{f' ({reasons})' if reasons else ''}; analysed: {'; '.join(kept)}."
    )


def _counts(row: Any) -> str:
    return f"{counted(int(row.rows), 'row')} of {patients_counted(row.patients)}"
