"""Each rate with each patient left out: whose records it hangs on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.domain.names import movement_name
from outcomes.figures.base import (
    COLOURS,
    FAINT,
    FULL_WIDTH,
    INK,
    QUIET,
    canvas,
    records,
    set_alt_text,
)
from outcomes.figures.rows import group_rows
from outcomes.words.english import counted
from outcomes.words.numbers import bare_percent, interval_words

if TYPE_CHECKING:
    from outcomes.rates.result import RateFit

_WORTH_NAMING = 0.25  # standard errors that a rate must move for its patient to be named


def influence(fit: RateFit, ax: Axes | None = None) -> Axes:
    """Each rate with each patient left out, one dot a patient, over the interval of all.

    Parameters
    ----------
    fit
        A fitted rate model.
    ax
        Where to draw; a new figure if None.
    """
    table = fit.influence().dropna(subset="rate")
    groups = list(fit.groups)
    with canvas(ax, FULL_WIDTH, 0.9 + 0.55 * len(groups)) as ax:
        for place, row in enumerate(records(fit.rates)):
            interval = interval_words(fit.level, space=" ") if place == 0 else None
            ends = [row.low * 100, row.high * 100]
            ax.plot(ends, [place] * 2, color=FAINT, lw=5, alpha=0.55, label=interval)
            ax.plot([row.rate * 100] * 2, [place - 0.22, place + 0.22], color=INK, linewidth=1.2)
            mine = table[table["group"] == row.group]
            ax.plot(
                mine["rate"] * 100, place + 0.16 * _apart(mine["rate"].to_numpy()), "o", ms=2.8,
                color=COLOURS[0], alpha=0.65, label="one patient left out" if place == 0 else None,
            )  # fmt: skip
            _name_outermost(mine, place, ax)
        group_rows(fit.rates, ax)
        ax.set_xlabel(f"Achieved share of planned {movement_name(fit.movement)} (%)")
        ax.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=2)
        worst = table.iloc[0]
        set_alt_text(
            ax,
            f"Rates of {counted(len(groups), 'group')} with each of {fit.patients} patients left "
            f"out in turn. The largest change: without {worst['patient']}, the rate of "
            f"{worst['group']} is {bare_percent(worst['rate'])} %, "
            f"{abs(worst['change_se']):.1f} standard errors from that of all patients.",
        )
    return ax


def _name_outermost(mine: pd.DataFrame, place: int, ax: Axes) -> None:
    """Name the patient at either end, if leaving that one out moves the rate at all."""
    ordered = mine.sort_values("change", kind="stable")
    for side, end in ((-1, ordered.iloc[0]), (1, ordered.iloc[-1])):
        if side * end["change_se"] < _WORTH_NAMING:
            continue
        ax.annotate(
            str(end["patient"]), (float(end["rate"]) * 100, place + 0.16), (3 * side, -8),
            textcoords="offset points", ha="left" if side > 0 else "right", va="center",
            fontsize=6.5, color=QUIET,
        )  # fmt: skip


def _apart(values: np.ndarray) -> np.ndarray:
    """Small vertical offsets, the same for the same values, so that near dots stay apart."""
    offsets = np.zeros(len(values))
    offsets[np.argsort(values, kind="stable")] = np.resize([-1, 0, 1], len(values))
    return offsets
