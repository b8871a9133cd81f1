"""Did factors help? Each patient's mean shortfall with them, against as it happened."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.axes import Axes

from outcomes.figures.base import COLOURS, GUIDE, PAPER, QUIET, canvas, set_alt_text
from outcomes.words.english import counted
from outcomes.words.units import unit_symbol

if TYPE_CHECKING:
    from outcomes.overcorrect.validate import Validation


def shortfall_change(validation: Validation, ax: Axes | None = None) -> Axes:
    """Each patient's mean shortfall, with the others' factors against as it happened.

    Points below the line: less shortfall with factors.

    Parameters
    ----------
    validation
        What ``outcomes.validate`` returns.
    ax
        Where to draw; a new figure if None.

    Examples
    --------
    >>> import outcomes as oc
    >>> result = oc.validate(oc.fit_rate(oc.simulate_rates(15, seed=1)))
    >>> shortfall_change(result).get_xlabel()
    'Mean shortfall as it happened (°)'
    """
    table = validation.predictions
    before = (table["aim"] - table["achieved"]).abs().groupby(table["patient"]).mean()
    after = (table["aim"] - table["new_achieved"]).abs().groupby(table["patient"]).mean()
    symbol = unit_symbol(validation.unit) or "unit"
    with canvas(ax, 4.4, 4.0) as ax:
        most = 1.08 * max(before.max(), after.max())
        ax.plot([0, most], [0, most], zorder=1, **GUIDE)
        ax.plot(before, after, "o", ms=4, mfc=COLOURS[0], mec=PAPER, mew=0.4, alpha=0.8)
        ax.set(xlim=(0, most), ylim=(0, most), aspect="equal")
        ax.annotate(
            "less shortfall\nwith factors", (0.97, 0.05), xycoords="axes fraction", ha="right",
            fontsize=7, color=QUIET,
        )  # fmt: skip
        ax.set_xlabel(f"Mean shortfall as it happened ({symbol})")
        ax.set_ylabel(f"With factors learnt from the others ({symbol})")
        better = int((after < before - 1e-9).sum())
        set_alt_text(
            ax,
            f"Mean shortfall of {counted(len(before), 'patient')} with factors of the other "
            f"patients against as it happened; less for {better}. {validation.sentence}",
        )
    return ax
