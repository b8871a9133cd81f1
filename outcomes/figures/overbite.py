"""Where each way to reach an overbite may end: the overbite wanted, and what to expect."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from outcomes.errors import InputError
from outcomes.figures.base import (
    BAND,
    COLOURS,
    FAINT,
    FULL_WIDTH,
    GUIDE,
    INK,
    PAPER,
    canvas,
    records,
    set_alt_text,
    text_width,
)
from outcomes.figures.rows import SIZE, names_and_numbers
from outcomes.overcorrect.plan import BEST
from outcomes.words.english import wrapped
from outcomes.words.numbers import bare_percent, number
from outcomes.words.units import unit_mark

if TYPE_CHECKING:
    from outcomes.ahead.bite_target import BiteTarget


def bite_options(
    result: BiteTarget, plan: str = BEST, ax: Axes | None = None, *, width: float | None = None
) -> Axes:
    """A row for each option: expected overbite with its 80 and 95 % range, against that wanted.

    Thick bars are 80 % ranges, thin ones 95 %; the dashed line is the overbite now. Rows are in the
    order of the table; numbers beside them are chances of an overbite on target, and beyond it.

    Parameters
    ----------
    result
        What ``outcomes.bite_target`` returns.
    plan
        "best chance", "aim / rate" or "as aimed".
    ax
        Where to draw; a new figure if None.
    width
        Inches, of a new figure; a full page by default.

    Raises
    ------
    InputError
        If there is nothing to plan, or no such plan.
    """
    rows = result.options[result.options["plan"] == plan]
    if not len(rows):
        made = ", ".join(dict.fromkeys(result.options["plan"]))
        raise InputError(
            f"No plan is called {plan!r}; there are {made}."
            if made
            else "The overbite is within the tolerance of that wanted: no plan to draw."
        )
    width = width or FULL_WIDTH
    mm = unit_mark("mm")
    room = (0.36 if width >= 5 else 0.27) * 72 * width
    names = [_name(str(name), room) for name in rows["option"]]
    numbers = [_numbers(row, narrow=width < 5) for row in records(rows)]
    tallest = max(text.count("\n") + 1 for text in (*names, *numbers))
    with canvas(ax, width, 1.0 + (0.13 + 0.13 * tallest) * len(rows), trim=True) as ax:
        ax.set_ylim(len(rows) - 0.4, -0.8)
        near = result.tolerance
        ax.add_patch(
            Rectangle(
                (result.wanted - near, -0.5), 2 * near, len(rows), facecolor=BAND, lw=0,
                label="_tolerance", zorder=1,
            )
        )  # fmt: skip
        ax.axvline(0, color=FAINT, lw=0.8, zorder=0.9)
        ax.plot([result.wanted] * 2, [-0.5, len(rows) - 0.5], color=INK, lw=1.3, zorder=2)
        ax.plot([result.now] * 2, [-0.5, len(rows) - 0.5], zorder=2, label="_now", **GUIDE)
        for place, row in enumerate(records(rows)):
            if pd.isna(row.expected):
                continue
            for level, thick in (("95", 0.9), ("80", 3)):
                ends = [getattr(row, f"{end}_{level}") for end in ("low", "high")]
                ax.plot(
                    ends, [place] * 2, color=COLOURS[0], lw=thick, zorder=3,
                    solid_capstyle="butt", label=f"_range_{level}",
                )  # fmt: skip
            face = COLOURS[0] if row.verdict == "supported" else PAPER
            ax.plot(row.expected, place, "o", ms=4.5, mfc=face, mec=COLOURS[0], zorder=4)
        names_and_numbers(names, numbers, ax)
        key = (
            "│ wanted, shaded: within tolerance;  ┆ now;  expected with 80 % and 95 % range:  "
            "● supported  ○ wide"
        )
        lines = (
            key if width >= 5 else key.replace(";  expected", ";\nexpected").replace(":  ●", ":\n●")
        )
        ax.set_xlabel(f"Overbite after the course (mm), {plan} plan\n{lines}", fontsize=7)
        set_alt_text(ax, _words(result, rows, plan, mm))
    return ax


def _name(name: str, room: float) -> str:
    """The name of an option in as many lines as it needs."""
    if text_width(name, SIZE) <= room:
        return name
    return wrapped(name, max(8, int(len(name) * room / text_width(name, SIZE))))


def _numbers(row: object, *, narrow: bool) -> str:
    """The chances beside a row."""
    within = getattr(row, "on_target", float("nan"))
    if pd.isna(within):
        return wrapped(str(getattr(row, "verdict", "")), 14 if narrow else 40)
    gap = "\n" if narrow else ", "
    beyond = bare_percent(getattr(row, "beyond", float("nan")))
    return f"on target {bare_percent(within)} %{gap}beyond {beyond} %"


def _words(result: BiteTarget, rows: pd.DataFrame, plan: str, mm: str) -> str:
    said = []
    for row in records(rows):
        if pd.isna(row.expected):
            said.append(f"{row.option}: {row.verdict}, {row.why}".rstrip("., "))
            continue
        said.append(
            f"{row.option}: expected {number(row.expected, 1)}{mm} (80 % range {number(row.low_80, 1)} "
            f"to {number(row.high_80, 1)}), on target {bare_percent(row.on_target)} %, beyond "
            f"{bare_percent(row.beyond)} %, {row.verdict}"
        )
    return (
        f"Overbite {number(result.now, 1)}{mm} now, {number(result.wanted, 1)}{mm} wanted, within "
        f"{number(result.tolerance, 1)}{mm}; {plan} plans. {'; '.join(said)}."
    )
