"""From which cost of going too far another plan would be better than the usual one."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, NullLocator

from outcomes.errors import InputError, require_columns
from outcomes.figures.base import (
    BAND,
    COLOURS,
    FULL_WIDTH,
    GUIDE,
    new_axes,
    set_alt_text,
    style,
)
from outcomes.overcorrect.decision import LITTLE
from outcomes.words.numbers import bare_percent, number
from outcomes.words.units import unit_mark, unit_symbol

COLUMNS = ("over_cost", "planned", "expected_cost", "default_planned", "default_cost", "extra")
_FINE = 400


def decision_curve(
    table: pd.DataFrame,
    unit: str = "",
    *,
    little: float = LITTLE,
    width: float = FULL_WIDTH,
    ax: Any = None,
) -> np.ndarray:
    """The plan of least expected cost, and what the default plan costs more, by the cost of overshoot.

    Above: the plan of least expected cost against what a mm or degree too far costs, as times one too
    short; dashed: the default plan. Below: by how much the default plan costs more. Shaded is where
    that is less than ``little``, so that the cost need not be known any better.

    Parameters
    ----------
    table
        What ``outcomes.decision_curve`` returns, of two costs or more.
    unit
        "mm" or "degree".
    little
        Share of extra cost that does not matter.
    width
        Inches, of a new figure.
    ax
        Two Axes; a new figure if None.

    Returns
    -------
    ndarray of two Axes

    Raises
    ------
    InputError
        If there are fewer than two costs, or not two Axes.

    Examples
    --------
    >>> table = pd.DataFrame({"over_cost": [1.0, 2.0, 4.0], "planned": [1.9, 1.7, 1.5],
    ...     "expected_cost": [0.30, 0.38, 0.46], "default_planned": 1.7,
    ...     "default_cost": [0.31, 0.38, 0.49], "extra": [0.03, 0.0, 0.07]})
    >>> decision_curve(table, "mm")[1].get_ylabel()
    'Default costs more (%)'
    """
    require_columns(table, COLUMNS, "The decision curve")
    rows = table.sort_values("over_cost", ignore_index=True).astype(dict.fromkeys(COLUMNS, float))
    if len(rows) < 2 or not (rows["over_cost"] > 0).all():
        raise InputError("A curve needs two costs or more, all above 0.")
    with style():
        drawn = new_axes(width, min(4.4, 0.62 * width + 1.3), rows=2) if ax is None else ax
        axes = np.ravel(np.asarray(drawn, dtype=object))
        if len(axes) != 2:
            raise InputError(f"A decision curve takes two Axes, not {len(axes)}.")
        log_cost = np.log2(rows["over_cost"].to_numpy())
        x = np.linspace(log_cost[0], log_cost[-1], _FINE)
        extra = np.interp(x, log_cost, rows["extra"])
        upper, lower = axes
        _draw_plans(rows, log_cost, upper)
        upper.set_ylabel(f"Plan ({unit_symbol(unit)})" if unit else "Plan")
        lower.plot(log_cost, 100 * rows["extra"], color=COLOURS[0], lw=1.5, label="_extra")
        lower.axhline(100 * little, **GUIDE)
        lower.set_ylim(0, max(1.15 * 100 * float(rows["extra"].max()), 300 * little))
        lower.set_ylabel("Default costs more (%)")
        for panel in axes:
            top = panel.get_ylim()
            panel.fill_between(
                x, *top, where=list(extra < little), color=BAND, lw=0, zorder=0, label="_little"
            )
            panel.set_ylim(top)
            _cost_axis(log_cost, panel)
        one = f"1{unit_mark(unit)}" if unit else "1 unit"
        lower.set_xlabel(f"Cost of {one} too far, as times that of {one} too short")
        set_alt_text(upper, _words(rows, unit, little))
    return axes


def _draw_plans(rows: pd.DataFrame, log_cost: np.ndarray, ax: Axes) -> None:
    ax.plot(log_cost, rows["planned"], color=COLOURS[0], lw=1.5, label="plan of least cost")
    ax.plot(log_cost, rows["default_planned"], label="default plan", **GUIDE)
    low, high = ax.get_ylim()
    ax.set_ylim(low, high + 0.25 * (high - low))
    ax.legend(loc="upper right", ncols=2, fontsize=7)


def _cost_axis(log_cost: np.ndarray, ax: Axes) -> None:
    """Costs on a scale of doublings."""
    ticks = np.arange(np.ceil(log_cost[0] - 1e-9), np.floor(log_cost[-1] + 1e-9) + 1)
    if len(ticks) < 2:
        ticks = log_cost[[0, -1]]
    ax.xaxis.set_major_locator(FixedLocator(list(ticks)))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.set_xticklabels([f"{2.0**tick:.3g}" for tick in ticks])
    ax.set_xlim(log_cost[0], log_cost[-1])


def _words(rows: pd.DataFrame, unit: str, little: float) -> str:
    mark = unit_mark(unit)
    log_cost = np.log2(rows["over_cost"].to_numpy())
    x = np.linspace(log_cost[0], log_cost[-1], _FINE)
    good = 2.0 ** x[np.interp(x, log_cost, rows["extra"]) < little]
    where = (
        f"Less than {bare_percent(little)} % more from {good.min():.2g} to {good.max():.2g} times"
        if len(good)
        else f"At none of these costs less than {bare_percent(little)} % more"
    )
    first, last = rows.iloc[0], rows.iloc[-1]
    ends = [
        f"at {row['over_cost']:.2g} times {number(row['planned'])}{mark} "
        f"({bare_percent(row['extra'])} % more)"
        for row in (first, last)
    ]
    return (
        "What the default plan costs more than the plan of least expected cost, by the cost of going "
        f"too far. Default plan {number(first['default_planned'])}{mark}; plan of least cost "
        f"{' and '.join(ends)}. {where}."
    )
