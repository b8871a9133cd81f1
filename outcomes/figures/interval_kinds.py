"""Kinds of interval side by side, group by group."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.domain.names import movement_name
from outcomes.figures.base import FULL_WIDTH, canvas, look, records, set_alt_text
from outcomes.figures.rows import group_rows
from outcomes.words.numbers import bare_percent, interval_words, range_words

if TYPE_CHECKING:
    from outcomes.rates.bootstrap import Bootstrap
    from outcomes.rates.result import RateFit


def intervals(fit: RateFit, bootstraps: Mapping[str, Bootstrap], ax: Axes | None = None) -> Axes:
    """The model's intervals beside those of bootstraps, group by group.

    Parameters
    ----------
    fit
        A fitted rate model.
    bootstraps
        Name to result, such as ``{"patient bootstrap": fit.bootstrap()}``.
    ax
        Where to draw; a new figure if None.
    """
    tables = {"model (Satterthwaite t)": fit.rates}
    tables |= {name: b.rates for name, b in bootstraps.items()}
    with canvas(ax, FULL_WIDTH, 0.9 + 0.2 * len(fit.groups) * (len(tables) + 0.7)) as ax:
        step = 0.8 / len(tables)
        for k, (name, table) in enumerate(tables.items()):
            place = np.arange(len(table)) + (k - (len(tables) - 1) / 2) * step
            low, centre, high = 100 * table[["low", "rate", "high"]].to_numpy().T
            error = [centre - low, high - centre]
            ax.errorbar(
                centre, place, xerr=error, ls="none", ms=4, elinewidth=1.3, label=name, **look(k)
            )
        group_rows(fit.rates, ax)
        ax.set_xlabel(
            f"Achieved share of planned {movement_name(fit.movement)} (%), with "
            f"{interval_words(fit.level, space=' ')}"
        )
        ax.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=len(tables))
        words = [f"{name}: {_intervals_words(table)}." for name, table in tables.items()]
        set_alt_text(ax, f"Intervals of the rates by method. {' '.join(words)}")
    return ax


def _intervals_words(rates: pd.DataFrame) -> str:
    return ", ".join(
        f"{row.group} {range_words(row.low, row.high, bare_percent)} %" for row in records(rates)
    )
