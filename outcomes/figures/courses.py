"""Share of the aim reached after each course of aligners."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.domain.names import heading
from outcomes.figures.base import GUIDE, look, records, set_alt_text, style, three_in_a_line
from outcomes.words.english import listed
from outcomes.words.numbers import bare_percent

if TYPE_CHECKING:
    from outcomes.clinical.courses import Courses


def courses_curve(courses: Courses, ax: Any = None) -> np.ndarray:
    """Share of the latest aim reached after each course, a panel a movement.

    Dots with intervals: all teeth measured, with the last state of whoever stopped. Dotted: what the
    first course's rate, repeated, would give.

    Parameters
    ----------
    courses
        What ``outcomes.courses`` returns.
    ax
        As many Axes as movements; a new figure if None.
    """
    table = courses.overall
    movements = list(dict.fromkeys(table["movement"]))
    by = [c for c in table.columns[: list(table.columns).index("course")] if c != "movement"]
    with style():
        axes = three_in_a_line(ax, len(movements), single=4.0, line=2.2, more=0.2)
        for panel, movement in zip(axes, movements, strict=False):
            _courses_panel(table[table["movement"] == movement], str(movement), by, panel)
    return axes


def _courses_panel(table: pd.DataFrame, movement: str, by: list[str], ax: Axes) -> None:
    key = table[by].astype(str).agg(" ".join, axis=1) if by else pd.Series("", index=table.index)
    said = []
    for k, (name, part) in enumerate(table.groupby(key, sort=False)):
        colour = look(k)["color"]
        x = np.r_[0, part["course"]]
        ax.plot(x, 100 * np.r_[0, part["arithmetic"]], color=colour, lw=1, dashes=(1.2, 1.5))
        ax.plot(x, 100 * np.r_[0, part["reached"]], color=colour, lw=1.4)
        error = np.abs(part[["low", "high"]].T.to_numpy() - part["reached"].to_numpy())
        ax.errorbar(
            part["course"], 100 * part["reached"], yerr=100 * error, linestyle="none",
            ms=4, elinewidth=1.1, label=str(name) or None, **look(k),
        )  # fmt: skip
        parts = [f"{bare_percent(r.reached)} % after course {r.course}" for r in records(part)]
        said.append(" ".join(filter(None, (str(name), listed(parts)))))
    treated = table.groupby("course")["still_treated"].max()
    labels = [f"{c}\n{n}" for c, n in treated.items()]
    ax.set_xticks([0, *treated.index], ["", *labels])
    ax.axhline(100, **GUIDE)
    ax.set_ylim(0, max(108, 100 * float(table["high"].fillna(0).max()) + 4))
    ax.set(title=heading(movement), ylabel="Share of the aim (%)")
    ax.set_xlabel("Course (patients with it below)")
    if by:
        ax.legend(loc="lower right", fontsize=6.5)
    set_alt_text(ax, f"{heading(movement)}, share of the aim: {'; '.join(said)}.")
