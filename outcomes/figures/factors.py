"""Overcorrection factors with their intervals."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.domain.names import patients_counted
from outcomes.errors import InputError
from outcomes.figures.base import FULL_WIDTH, GUIDE, QUIET, canvas, records, set_alt_text
from outcomes.figures.rows import draw_interval, names_and_numbers

_WIDEST_FACTOR = 4.0


def factors_forest(factors: pd.DataFrame, ax: Axes | None = None, cap: float = 2.0) -> Axes:
    """A row for each factor: dot and Fieller interval, hollow where it is not supported.

    Parameters
    ----------
    factors
        What ``outcomes.overcorrection`` returns.
    ax
        Where to draw; a new figure if None.
    cap
        The largest factor given out, drawn as a line.

    Raises
    ------
    InputError
        If there is no factor.

    Examples
    --------
    >>> import outcomes as oc
    >>> factors = oc.overcorrection(oc.fit_rate(oc.simulate_rates(15, seed=1)))
    >>> factors_forest(factors).get_xlabel()
    'Factor: plan over aim'
    """
    if not len(factors):
        raise InputError("No factors to draw.")
    table = factors.reset_index(drop=True)
    if "movement" not in table:
        table = table.assign(movement="")
    names = [" ".join(filter(None, (row.movement, str(row.group)))) for row in records(table)]
    with canvas(ax, FULL_WIDTH, 0.9 + 0.22 * len(table), trim=True) as ax:
        ax.set_xlim(0.8, _WIDEST_FACTOR + 0.1)
        ax.set_ylim(len(table) - 0.4, -0.9)
        ax.axvline(1, zorder=0.9, **GUIDE)
        ax.axvline(cap, zorder=0.9, **GUIDE | {"dashes": (1.5, 1.5)})
        top = ax.get_xaxis_transform()
        for at, word in ((1, "the aim itself"), (cap, f"cap {cap:g}")):
            ax.text(at, 1.01, word, transform=top, ha="center", fontsize=7, color=QUIET)
        for place, row in enumerate(records(table)):
            # an unbounded interval runs from its upper root to infinity
            low, high = (row.high, np.inf) if row.kind == "unbounded" else (row.low, row.high)
            hollow = row.verdict == "not supported"
            draw_interval(low, row.factor, high, place, ax, hollow=hollow, label=str(row.group))
        numbers = [_factor_words(row) for row in records(table)]
        names_and_numbers(names, numbers, ax)
        ax.set_xlabel("Factor: plan over aim")
        words = [
            f"{name}: {number}, {patients_counted(patients)}"
            for name, number, patients in zip(names, numbers, table["patients"], strict=True)
        ]
        set_alt_text(ax, f"Overcorrection factors with intervals. {'; '.join(words)}.")
    return ax


def _factor_words(row: Any) -> str:
    if row.verdict == "not supported":
        return "not supported"
    words = f"{row.factor:.2f} ({row.low:.2f} to {row.high:.2f}) {row.verdict}"
    return words + (f", use {row.use:.2f}" if row.use < row.factor - 0.005 else "")
