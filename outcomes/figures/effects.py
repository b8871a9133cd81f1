"""How far each patient's rate lies from the average, after shrinkage."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from scipy import stats

from outcomes.domain.names import movement_name
from outcomes.figures.base import COLOURS, GUIDE, canvas, set_alt_text
from outcomes.words.english import counted
from outcomes.words.numbers import interval_words

if TYPE_CHECKING:
    from outcomes.rates.result import RateFit

_NAMED = 60
"""More patients than this and they are not named along the axis."""


def shrinkage(fit: RateFit, ax: Axes | None = None) -> Axes:
    """Predicted patient effects, from lowest to highest, with prediction intervals.

    A dot is the difference of a patient's rate from the average, in points of per cent of plan,
    drawn towards zero the more the fewer movements stand behind it; its area follows their number.

    Parameters
    ----------
    fit
        A fit of one movement.
    ax
        Where to draw; a new figure as high as the patients need if None.

    Examples
    --------
    >>> import outcomes as oc
    >>> shrinkage(oc.fit_rate(oc.simulate_rates(15, seed=1))).get_xlabel()
    "Patient's rate minus the average (points of % of plan)"
    """
    table = fit.patient_effects.sort_values(["effect", "patient"], ignore_index=True)
    n = len(table)
    half = 100 * (stats.norm.ppf(0.5 + fit.level / 2) * table["se"])
    effect = 100 * table["effect"]
    with canvas(ax, 5.0, float(np.clip(0.9 + 0.13 * n, 1.6, 8.5)), trim=True) as ax:
        place = np.arange(n)
        ax.hlines(place, effect - half, effect + half, color=COLOURS[0], lw=0.9, alpha=0.55)
        area = 4 + 22 * table["movements"] / table["movements"].max()
        ax.scatter(effect, place, s=area, color=COLOURS[0], linewidths=0, zorder=3)
        ax.axvline(0, zorder=1.5, **GUIDE)
        ax.set_xlabel("Patient's rate minus the average (points of % of plan)")
        ax.set_ylim(-0.8, n - 0.2)
        ax.grid(axis="y", visible=False)
        ax.spines["left"].set_visible(False)
        if n <= _NAMED:
            ax.set_yticks(place, table["patient"].astype(str), fontsize=6 if n > 20 else 7.5)
            ax.tick_params(axis="y", length=0)
        else:
            ax.set_yticks([])
            ax.set_ylabel(f"{n:,} patients, lowest to highest")
        clear = int((effect.abs() > half).sum())
        ends = f"from {effect.iloc[0]:+.0f} to {effect.iloc[-1]:+.0f}" if n else "none"
        set_alt_text(
            ax,
            f"Dot plot of predicted patient effects on the {movement_name(fit.movement)} rate, "
            f"{counted(n, 'patient')}, ordered, with {interval_words(fit.level, space=' ')}s: "
            f"{ends} points of per cent of plan. {counted(clear, 'interval')} of {n} "
            f"{'does' if clear == 1 else 'do'} not reach zero.".replace("-", "−"),
        )
    return ax
