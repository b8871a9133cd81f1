"""Do recorded movements look right? Achieved against planned, one panel a movement."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes

from outcomes.figures.base import (
    COLOURS,
    QUIET,
    cross_at_zero,
    lines_of,
    panels,
    set_alt_text,
    style,
)
from outcomes.words.units import unit_symbol

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort


def plausibility(cohort: Cohort | pd.DataFrame, axes: np.ndarray | None = None) -> np.ndarray:
    """Every recorded movement as a point, before any model: signs, units and slips show.

    Parameters
    ----------
    cohort
        A cohort, or its movements table: movement, unit, planned, achieved.
    axes
        Array of Axes, one for each movement present; a new figure if None.

    Examples
    --------
    >>> frame = pd.DataFrame({"movement": ["tip", "tip"], "unit": "degree",
    ...     "planned": [5.0, -4.0], "achieved": [3.0, -2.5]})
    >>> [ax.get_title(loc="left") for ax in plausibility(frame)]
    ['tip, 2 rows']
    """
    frame = cohort if isinstance(cohort, pd.DataFrame) else cohort.movements
    names = list(dict.fromkeys(frame["movement"].astype(str)))
    with style():
        if axes is None:
            columns = min(len(names), 3)
            size = 2.4 * columns, 2.4 * lines_of(len(names), columns)
            axes = panels(len(names), *size, columns)
        for ax, name in zip(np.ravel(axes), names, strict=True):
            _draw(frame[frame["movement"] == name], name, ax)
    return np.ravel(axes)


def _draw(rows: pd.DataFrame, name: str, ax: Axes) -> None:
    planned, achieved = rows["planned"].to_numpy(float), rows["achieved"].to_numpy(float)
    unit = unit_symbol(rows["unit"].iloc[0])
    reach = 1.05 * max(float(np.abs(planned).max()), float(np.abs(achieved).max()), 1e-9)
    cross_at_zero(ax, zorder=0.5)
    ax.plot([-reach, reach], [-reach, reach], color=QUIET, lw=0.8, ls=(0, (4, 3)))
    look: dict[str, Any] = {"s": 9, "color": COLOURS[1], "alpha": 0.55, "linewidth": 0}
    sns.scatterplot(rows, x="planned", y="achieved", ax=ax, **look)
    ax.set(xlim=(-reach, reach), ylim=(-reach, reach), aspect="equal")
    ax.set(xlabel=f"planned, {unit}", ylabel=f"achieved, {unit}", title=f"{name}, {len(rows)} rows")
    against = int(((planned * achieved) < 0).sum())
    set_alt_text(
        ax,
        f"{name.capitalize()}: achieved against planned for {len(rows)} rows, planned from "
        f"{planned.min():.3g} to {planned.max():.3g} and achieved from {achieved.min():.3g} to "
        f"{achieved.max():.3g} {unit}; {against} with opposite signs.",
    )
