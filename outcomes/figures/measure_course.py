"""One measure of one patient after each course, its target dashed, the tolerance as a band."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.domain.limits import TOLERANCE
from outcomes.domain.names import measure_name
from outcomes.figures.base import COLOURS, FAINT, GUIDE
from outcomes.words.english import capital
from outcomes.words.numbers import number
from outcomes.words.units import unit_symbol


def measure_title(rows: pd.DataFrame) -> str:
    """Name and unit of the measure of these rows: ``Overbite, mm``."""
    unit = unit_symbol(str(rows["unit"].iloc[0]))
    name = capital(measure_name(str(rows["measure"].iloc[0])))
    return f"{name}, {unit}" if unit else name


def draw_target(aim: float, unit: str, ax: Axes) -> None:
    """The target as a dashed line in the band of its tolerance."""
    if band := TOLERANCE.get(unit):
        ax.axhspan(aim - band, aim + band, color=FAINT, alpha=0.35, lw=0, zorder=0.5)
    ax.axhline(aim, zorder=0.9, **GUIDE)


def draw_course_of(rows: pd.DataFrame, ax: Axes, *, labels: bool = True) -> None:
    """Draw a measure of one patient; ``labels`` writes each value above its dot."""
    x, y = rows["after_course"].to_numpy(float), rows["value"].to_numpy(float)
    target = rows["target"].dropna()
    if len(target):
        draw_target(float(target.iloc[-1]), str(rows["unit"].iloc[0]), ax)
    ax.plot(x, y, marker="o", color=COLOURS[0], zorder=3)
    last = int(max(1, x.max()))
    ax.set_xlim(-0.35, last + 0.35)
    spread = [*y, *target]
    room = max(0.6, 0.28 * float(np.ptp(spread)))
    ax.set_ylim(min(spread) - room, max(spread) + room)
    ax.set_xticks(range(last + 1), ["start", *map(str, range(1, last + 1))])
    ax.grid(axis="x", visible=False)
    if labels:
        for place, value in zip(x, y, strict=True):
            ax.annotate(
                number(value, 1), (place, value), (0, 4.5), textcoords="offset points",
                ha="center", fontsize=6.5, zorder=4,
            )  # fmt: skip
