"""What the coming course is expected to bring of each aim, as shares of the aims."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.errors import CannotAnswer
from outcomes.figures.base import BAND, FULL_WIDTH, GUIDE, canvas, look, records, set_alt_text
from outcomes.overcorrect.plan import BEST
from outcomes.words.numbers import bare_percent, signed
from outcomes.words.units import unit_mark

if TYPE_CHECKING:
    from outcomes.ahead.result import NextCourse

__all__ = ["course_ahead"]


def course_ahead(course: NextCourse, ax: Axes | None = None) -> Axes:
    """Where each tooth is expected after the coming course: 0 where it stands now, 100 % its aim.

    A row for each aim with a plan: the result expected of the plan with the best chance, its 80 %
    range, and the band within the tolerance of the aim. Aims without a plan are named below.

    Parameters
    ----------
    course
        What ``outcomes.next_course`` returns.
    ax
        Where to draw; a new figure if None.

    Raises
    ------
    CannotAnswer
        If no aim has a plan.
    """
    rows, without = _rows(course)
    if rows.empty:
        raise CannotAnswer(f"No aim of {course.patient} has a plan: there is nothing to draw.")
    place = np.arange(len(rows))
    with canvas(ax, FULL_WIDTH, 0.9 + 0.32 * len(rows)) as ax:
        # what lies within the tolerance of each aim
        ax.barh(
            place,
            200 * rows["near"],
            left=100 * (1 - rows["near"]),
            height=0.8,
            color=BAND,
            zorder=0,
        )
        ax.axvline(0, **{**GUIDE, "dashes": (1, 2)})
        ax.axvline(100, **GUIDE)
        ends = 100 * rows[["low", "high"]].to_numpy(float)
        middle = 100 * rows["expected"].to_numpy(float)
        error = np.abs(np.stack([middle - ends.min(axis=1), ends.max(axis=1) - middle]))
        ax.errorbar(middle, place, xerr=error, ls="none", ms=4.5, elinewidth=1.2, **look(0))
        ax.set_yticks(place, rows["name"].tolist())
        ax.set_ylim(len(rows) - 0.4, -0.6)
        ax.grid(axis="y", visible=False)
        below = f"\nWithout a plan: {', '.join(without)}" if without else ""
        ax.set_xlabel(
            f"Share of the aim after course {course.course} (%), with 80 % range; shaded: near enough{below}"
        )
        said = "; ".join(
            f"{row.name} expected {bare_percent(row.expected)} % of the aim, "
            f"{bare_percent(min(row.low, row.high))} to {bare_percent(max(row.low, row.high))} %"
            for row in records(rows)
        )
        none = f" Without a plan: {', '.join(without)}." if without else ""
        head = f"Expected after course {course.course} of {course.patient}"
        set_alt_text(ax, f"{head}: {said}.{none}")
    return ax


def _rows(course: NextCourse) -> tuple[pd.DataFrame, list[str]]:
    """Aims with a plan as shares of the aim; the names of those without."""
    if course.plan is None:
        return pd.DataFrame(), []
    best = course.plan.options[course.plan.options["option"] == BEST].set_index("at")
    shown: dict[Any, dict[Any, Any]] = best.to_dict("index")
    found: list[dict[str, Any]] = []
    without = []
    for at, aim in course.plan.aims.iterrows():
        name = f"{aim['tooth']} {aim['movement']} {_aim(aim['aim'], str(aim['unit']))}"
        row, size = shown[at], float(aim["aim"])
        if np.isnan(float(row["planned"])):
            without.append(name)
            continue
        shares = {"expected": row["expected"], "low": row["low_80"], "high": row["high_80"]}
        found.append(
            {
                "name": name,
                "near": float(aim["tolerance"]) / abs(size),
                **{key: float(value) / size for key, value in shares.items()},
            }
        )
    return pd.DataFrame(found), without


def _aim(size: float, unit: str) -> str:
    return f"{signed(size, 2 if unit == 'mm' else 1)}{unit_mark(unit)}"
