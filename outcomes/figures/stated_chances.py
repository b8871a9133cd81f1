"""Do stated chances come true? The share that did, against what was stated."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes

from outcomes.figures.base import GUIDE, canvas, look, records, set_alt_text
from outcomes.words.numbers import bare_percent


def reliability(table: pd.DataFrame, ax: Axes | None = None, label: str = "chance") -> Axes:
    """Stated chances against the share that came true, with two standard errors.

    Parameters
    ----------
    table
        stated, landed (shares), se, n, perhaps series.
    ax
        Where to draw; a new figure if None.
    label
        What the chance is of.

    Examples
    --------
    >>> table = pd.DataFrame({"stated": [0.5, 0.9], "landed": [0.52, 0.88], "se": 0.02, "n": 90})
    >>> reliability(table).get_ylabel()
    'Came true (%)'
    """
    series = table["series"] if "series" in table else pd.Series("", index=table.index)
    with canvas(ax, 4.2, 4.0) as ax:
        ax.plot([0, 100], [0, 100], zorder=1, **GUIDE)
        for k, (name, part) in enumerate(table.groupby(series, sort=False)):
            ax.errorbar(
                100 * part["stated"], 100 * part["landed"], yerr=200 * part["se"],
                linestyle="none", ms=4, elinewidth=1.1, label=str(name) or None, **look(k),
            )  # fmt: skip
        ax.set(xlim=(0, 100), ylim=(0, 100), aspect="equal")
        ax.set(xlabel=f"Stated {label} (%)", ylabel="Came true (%)")
        if series.nunique() > 1:
            ax.legend(loc="upper left", fontsize=7)
        words = [f"{bare_percent(r.stated)} %: {bare_percent(r.landed)} %" for r in records(table)]
        set_alt_text(ax, f"Stated {label} and the share that came true: {', '.join(words)}.")
    return ax
