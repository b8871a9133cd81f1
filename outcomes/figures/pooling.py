"""Single-tooth rates before and after pooling towards their class."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes

from outcomes.figures.base import FULL_WIDTH, QUIET, canvas, look, records, set_alt_text
from outcomes.words.numbers import bare_percent

if TYPE_CHECKING:
    from outcomes.rates.pooling import ToothRates


def pooled_teeth(teeth: ToothRates, ax: Axes | None = None) -> Axes:
    """Single-tooth rates before and after pooling towards their class.

    Parameters
    ----------
    teeth
        Result of ``outcomes.rates.pooling.tooth_rates``.
    ax
        Where to draw; a new figure if None.
    """
    rates = teeth.rates.reset_index(drop=True)
    with canvas(ax, FULL_WIDTH, 3.0) as ax:
        place = np.arange(len(rates))
        classes = list(dict.fromkeys(rates["tooth_class"]))
        for k, name in enumerate(classes):
            mine = (rates["tooth_class"] == name).to_numpy()
            colour = look(k)["color"]
            level = float(teeth.classes.set_index("tooth_class").loc[name, "rate"]) * 100
            for start, stop in _runs(mine):
                ax.plot([start - 0.45, stop + 0.45], [level] * 2, color=colour, linewidth=0.9)
            low, rate, high = 100 * rates.loc[mine, ["low", "rate", "high"]].to_numpy().T
            error = [rate - low, high - rate]
            ax.errorbar(
                place[mine], rate, error, ls="none", ms=4, elinewidth=1, label=name, **look(k)
            )
        ax.plot(
            place, rates["own_rate"] * 100, "o", ms=4.5, mfc="none", mec=QUIET, mew=0.8,
            label="tooth on its own", zorder=3,
        )  # fmt: skip
        ax.set_xticks(place, [str(t) for t in rates["tooth"]], rotation=90)
        ax.set_xlim(-0.7, len(rates) - 0.3)
        ax.grid(axis="x", visible=False)
        ax.set_xlabel("Tooth (FDI)")
        ax.set_ylabel("Achieved share of the plan (%)")
        ax.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=len(classes) + 1)
        parts = ", ".join(
            f"{row.tooth} {bare_percent(row.own_rate)} to {bare_percent(row.rate)} %"
            for row in records(rates)
        )
        set_alt_text(ax, f"Rate of each tooth on its own and pooled towards its class: {parts}.")
    return ax


def _runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """First and last position of every run of True."""
    edges = np.flatnonzero(np.diff(np.r_[0, mask.astype(int), 0]))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
