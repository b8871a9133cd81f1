"""Rows of a forest plot: an interval cut off at the edges, names and numbers beside it."""

from __future__ import annotations

from typing import Any

import pandas as pd
from matplotlib.axes import Axes

from outcomes.domain.names import patients_counted
from outcomes.figures.base import COLOURS, PAPER, name_rows, records, text_width
from outcomes.words.english import counted

SIZE = 7.5
"""Type of the words beside the rows, points."""


def draw_interval(
    low: float, dot: float, high: float, place: float, ax: Axes, *, hollow: bool, label: str
) -> None:
    """A dot and its interval in a row; an interval that goes beyond the axis ends in an arrow.

    Parameters
    ----------
    low, dot, high
        In units of the axis; an interval with an end that is not known is not drawn.
    place
        Of the row.
    hollow
        Whether the dot is open.
    label
        Of the dot.
    """
    left, right = ax.get_xlim()
    if low <= high:
        if high > left and low < right:
            ends = [max(low, left), min(high, right)]
            ax.plot(ends, [place] * 2, color=COLOURS[0], lw=1.5, zorder=3, label="_interval")
        for beyond, edge, arrow in ((low < left, left, "<"), (high > right, right, ">")):
            if beyond:
                ax.plot(edge, place, arrow, color=COLOURS[0], ms=4, clip_on=False, label="_beyond")
    if left <= dot <= right:
        face = PAPER if hollow else COLOURS[0]
        ax.plot(dot, place, "o", ms=5, mfc=face, mec=COLOURS[0], mew=1.1, zorder=4, label=label)


def no_scale(ax: Axes) -> None:
    """Take away the scale of the rows, which have names instead."""
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    ax.grid(axis="y", visible=False)


def write_beside(text: str, x: float, place: float, points: float, ax: Axes, **look: Any) -> None:
    """Write beside a row: ``points`` right of the left (x = 0) or right (x = 1) end of the axis."""
    ax.annotate(
        text, (x, place), (points, 0), xycoords=ax.get_yaxis_transform(),
        textcoords="offset points", va="center_baseline", fontsize=SIZE, annotation_clip=False,
        **look,
    )  # fmt: skip


def names_and_numbers(names: list[str], numbers: list[str], ax: Axes) -> None:
    """Names left of the rows, numbers right of them."""
    no_scale(ax)
    start = -8 - max(text_width(name, SIZE) for name in names)
    for place, (name, number) in enumerate(zip(names, numbers, strict=True)):
        write_beside(name, 0, place, start, ax, ha="left")
        write_beside(number, 1, place, 8, ax, ha="left")


def group_rows(rates: pd.DataFrame, ax: Axes) -> None:
    """A row for each group of ``RateFit.rates``, with its patients and movements."""
    labels = [
        f"{row.group}\n{patients_counted(row.patients)}, {counted(row.movements, 'movement')}"
        for row in records(rates)
    ]
    name_rows(labels, ax, top=0.55, bottom=0.55)
