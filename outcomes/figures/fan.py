"""Expected against reached over the courses: the fan of each prediction, and where the tooth stood."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from outcomes.domain.names import direction, movement_name
from outcomes.domain.teeth import arch, tooth_class
from outcomes.errors import InputError
from outcomes.figures.base import (
    CHANCES,
    COLOURS,
    FULL_WIDTH,
    GUIDE,
    INK,
    PAPER,
    TINT,
    lines_of,
    panels,
    records,
    set_alt_text,
    style,
    text_width,
)
from outcomes.words.english import counted
from outcomes.words.numbers import number
from outcomes.words.units import unit_mark, unit_symbol

if TYPE_CHECKING:
    from outcomes.ahead.hindsight import Hindsight

_FANS = (("95", TINT), ("80", CHANCES[1]), ("50", CHANCES[2]))
"""Level and shade, the widest and lightest first."""
_MOST_PANELS = 12
_PANEL = 1.6
"""Least width of a panel, inches."""


def prediction_fan(
    result: Hindsight,
    movements: str | Sequence[str] | None = None,
    teeth: Sequence[int] | None = None,
    *,
    width: float | None = None,
) -> np.ndarray:
    """A panel for each tooth: what each course was expected to bring, and what the scan showed.

    Before each course a fan opens from where the tooth stood: 50, 80 and 95 % of the results of such
    a course lie within it. Dots are what was measured; the dashed line is the aim in force. All is
    counted from where the tooth stood before the first course with an aim for it.

    Parameters
    ----------
    result
        What ``outcomes.hindsight`` returns.
    movements, teeth
        Which; by default all, those with the largest aims first where they are more than 12.
    width
        Inches; a full page by default.

    Returns
    -------
    ndarray of Axes, a panel for each tooth and movement

    Raises
    ------
    InputError
        If no such tooth has a prediction from where it stood.
    """
    rows = result.table[result.table["expected"].notna() & result.table["start"].notna()]
    if movements is not None:
        rows = rows[rows["movement"].isin([movements] if isinstance(movements, str) else movements)]
    if teeth is not None:
        rows = rows[rows["tooth"].isin(teeth)]
    if not len(rows):
        raise InputError(
            f"No prediction of {result.patient} can be drawn: none was made, or where the tooth stood "
            "before the course is not known. The table says why."
        )
    width = width or FULL_WIDTH
    sites = _chosen(rows)
    left_out = len(rows.groupby(["tooth", "movement"])) - len(sites)
    columns = min(len(sites), max(1, int(width / _PANEL)))
    with style():
        height = lines_of(len(sites), columns) * 1.9 + 0.75
        across = width if columns > 1 else min(width, 4.2)
        axes = panels(len(sites), across, height, columns)
        last = int(rows["course"].max())
        for (tooth, movement), ax in zip(sites, axes, strict=True):
            part = rows[(rows["tooth"] == tooth) & (rows["movement"] == movement)]
            _draw(part, last, 72 * across / columns - 34, ax)
        _legend(axes[0].get_figure(root=True), left_out, columns)
    return axes


def _chosen(rows: pd.DataFrame) -> list[tuple[int, str]]:
    """Teeth and movements, in their order; where there are too many, those with the largest aims."""
    order = rows.groupby(["movement", "tooth"], sort=False)["aim"].agg(lambda a: a.abs().max())
    names = list(dict.fromkeys(rows["movement"]))
    if len(order) > _MOST_PANELS:
        # aims in mm and degrees are ranked within their movement
        rank = order.groupby(level="movement").rank(ascending=False, method="first")
        order = order[rank.sort_values(kind="stable").index[:_MOST_PANELS]]
    found = [(int(str(tooth)), str(movement)) for movement, tooth in order.index]
    return sorted(found, key=lambda site: (names.index(site[1]), site[0]))


def _draw(part: pd.DataFrame, last: int, room: float, ax: Axes) -> None:
    """The courses of one movement of one tooth; ``room`` is for words, points."""
    for row in records(part):
        here = [row.course - 1, row.course]
        for level, shade in _FANS:
            low, high = (row.start + getattr(row, f"{end}_{level}") for end in ("low", "high"))
            ax.fill_between(
                here, [row.start, low], [row.start, high], color=shade, lw=0, zorder=1,
                label=f"_fan_{level}",
            )  # fmt: skip
        ax.plot(
            here, [row.start, row.start + row.expected], color=COLOURS[0], lw=1.1, zorder=2,
            label="_expected",
        )  # fmt: skip
        if pd.notna(row.end):
            ax.plot(here, [row.start, row.end], color=INK, lw=0.7, zorder=3, label="_path")
            ax.plot(
                row.course, row.end, "o", ms=4.5, mfc=INK, mec=PAPER, mew=0.6, zorder=4,
                label="_reached", clip_on=False,
            )  # fmt: skip
    _draw_aims(part, ax)
    first = int(part["course"].min())
    tooth, movement = int(part["tooth"].iloc[0]), str(part["movement"].iloc[0])
    start = float(part.loc[part["course"] == first, "start"].iloc[0])
    ax.plot(
        first - 1, start, "o", ms=4, mfc=PAPER, mec=INK, zorder=4, label="_start", clip_on=False
    )
    ax.set_xlim(first - 1, last)
    ax.set_xticks(range(first - 1, last + 1), _visits(first, last))
    ax.grid(axis="x", visible=False)
    ax.margins(y=0.08)
    unit = unit_symbol(str(part["unit"].iloc[0]))
    title = f"{tooth} {movement_name(movement)}, {unit}".removesuffix(", ")
    ax.set_title(_broken(title, room, 8, bold=True), fontsize=8)
    kind, side = str(tooth_class(tooth)), str(arch(tooth))
    ways = [(sign, direction(v, movement, kind, side)) for sign, v in (("+", 1), ("−", -1))]
    said = [_broken(f"{sign} {way}", room + 8, 6.5) for sign, way in ways if way]
    ax.set_xlabel("\n".join(["after course", *said]), fontsize=6.5, labelpad=2, linespacing=1.25)
    set_alt_text(ax, _words(part, tooth, movement))


def _broken(text: str, room: float, size: float, *, bold: bool = False) -> str:
    """Words in two lines where one has no room: at the comma, else before the last word."""
    if text_width(text, size, bold=bold) <= room:
        return text
    if ", root" in text:
        return text.replace(", root", ",\nroot")
    head, _, tail = text.rpartition(" ")
    head, _, more = head.rpartition(" ") if len(tail) < 4 else (head, "", "")
    return f"{head}\n{f'{more} {tail}'.strip()}"


def _draw_aims(part: pd.DataFrame, ax: Axes) -> None:
    """The aim in force, a line for each run of courses that share it."""
    rows = part.dropna(subset="aim").sort_values("course")
    same = rows["aim"].eq(rows["aim"].shift()) & rows["course"].eq(rows["course"].shift() + 1)
    for _, run in rows.groupby((~same).cumsum()):
        ends = [run["course"].min() - 1, run["course"].max()]
        ax.plot(ends, [run["aim"].iloc[0]] * 2, zorder=2.5, label="_aim", **GUIDE)


def _visits(first: int, last: int) -> list[str]:
    """Names of the times between courses."""
    return ["start" if k == 0 else str(k) for k in range(first - 1, last + 1)]


def _legend(figure: Any, left_out: int, columns: int) -> None:
    handles = [
        *(Patch(facecolor=shade, label=f"{level} %") for level, shade in reversed(_FANS)),
        Line2D([], [], color=COLOURS[0], lw=1.1, label="expected"),
        Line2D([], [], color=INK, lw=0.7, marker="o", ms=4, label="reached"),
        Line2D([], [], label="aim in force", **GUIDE),
    ]
    title = f"{counted(left_out, 'further movement')} not drawn" if left_out else None
    figure.legend(
        handles=handles, loc="outside lower center", ncols=6 if columns > 2 else 3, title=title,
        handlelength=2.2, columnspacing=1.2, fontsize=7, title_fontsize=7,
    )  # fmt: skip


def _words(part: pd.DataFrame, tooth: int, movement: str) -> str:
    """What a panel shows, course by course."""
    mark = unit_mark(str(part["unit"].iloc[0]))
    said = []
    for row in records(part):
        low, high = number(row.low_80), number(row.high_80)
        reached = (
            f"the scan showed {number(row.achieved)}{mark}"
            if pd.notna(row.achieved)
            else "not measured"
            if "not measured" in row.note
            else "still to come"
        )
        said.append(
            f"course {row.course}, plan {number(row.planned)}{mark}: expected {number(row.expected)}"
            f"{mark} (80 % range {low} to {high}), {reached}"
        )
    return f"Tooth {tooth}, {movement_name(movement)}: {'; '.join(said)}."
