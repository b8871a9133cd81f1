"""Where each plan should end: the aim with its tolerance, the expected result and its ranges."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.names import direction, heading, movement_name
from outcomes.errors import InputError
from outcomes.figures.base import (
    BAND,
    COLOURS,
    FAINT,
    FULL_WIDTH,
    INK,
    PAPER,
    QUIET,
    canvas,
    set_alt_text,
)
from outcomes.figures.rows import names_and_numbers
from outcomes.overcorrect.cautions import safer
from outcomes.overcorrect.plan import BEST
from outcomes.words.numbers import bare_percent, size
from outcomes.words.units import unit_mark, unit_symbol

if TYPE_CHECKING:
    from outcomes.overcorrect.plan import Plan


def landing_ranges(plan: Plan, movement: str, ax: Axes | None = None) -> Axes:
    """For each tooth: the aim with its tolerance, and where the safer plan should end.

    Thick bars are 80 % ranges, thin ones 95 %; dots are expected results, small crosses the plans.
    An arrow says to which end of the axis a tooth goes; sizes stand without a sign.

    Parameters
    ----------
    plan
        What ``outcomes.prescribe`` returns.
    movement
        Which movement.
    ax
        Where to draw; a new figure if None.

    Raises
    ------
    InputError
        If the plan has no aim of that movement.
    """
    aims = plan.aims[plan.aims["movement"] == movement]
    if not len(aims):
        raise InputError(f"The plan has no aim of {movement}.")
    unit = str(aims["unit"].iloc[0])
    several = len(plan.patients) > 1
    best: Any = plan.options[plan.options["option"] == BEST].set_index("at")
    with canvas(ax, FULL_WIDTH, 0.9 + 0.24 * len(aims), trim=True) as ax:
        ax.set_ylim(len(aims) - 0.4, -0.8)
        ax.axvline(0, color=FAINT, lw=0.8, zorder=0.9)
        left, right, said = [], [], []
        for place, (at, aim) in enumerate(aims.iterrows()):
            _draw_landing(aim, best.loc[at], place, ax)
            whose = f"{aim['patient']}  " if several else ""
            asked = f"{abs(aim['aim']):.3g}{unit_mark(unit)}"
            left.append(f"{whose}{aim['tooth']}  aim {asked} {'←' if aim['aim'] < 0 else '→'}")
            right.append(_landing_words(best.loc[at], unit, str(aim["verdict"])))
            way = direction(aim["aim"], movement, str(aim["tooth_class"]), str(aim["arch"]))
            said.append(f"{whose}tooth {aim['tooth']}, aim {asked} ({way}): {right[-1]}")
        names_and_numbers(left, right, ax)
        ax.xaxis.set_major_formatter(lambda x, _: f"{abs(x):g}")
        ax.set_xlabel(
            f"{_ends(movement)}{heading(movement)} ({unit_symbol(unit)})\n"
            "│ aim, shaded: within tolerance;  × safer plan;  ○ expected result, 80 % and 95 % range"
        )
        set_alt_text(
            ax,
            f"Where the {safer(plan.limits.over_cap)} of {movement_name(movement)} should end: "
            f"{'; '.join(said)}.",
        )
    return ax


def _draw_landing(aim: pd.Series, best: pd.Series, place: int, ax: Axes) -> None:
    near = float(aim["tolerance"])
    ax.add_patch(
        Rectangle(
            (aim["aim"] - near, place - 0.32), 2 * near, 0.64, facecolor=BAND, lw=0,
            label="_tolerance", zorder=1,
        )
    )  # fmt: skip
    ax.plot([aim["aim"]] * 2, [place - 0.32, place + 0.32], color=INK, lw=1.3, zorder=2)
    if pd.isna(best["planned"]):
        ax.plot(aim["aim"], place, alpha=0)  # keeps the row in view
        return
    ax.plot([best["low_95"], best["high_95"]], [place] * 2, color=COLOURS[0], lw=0.9, zorder=3)
    ax.plot([best["low_80"], best["high_80"]], [place] * 2, color=COLOURS[0], lw=3, zorder=3)
    ax.plot(best["expected"], place, "o", ms=4.5, mfc=PAPER, mec=COLOURS[0], zorder=4)
    ax.plot(best["planned"], place, "x", ms=4, color=QUIET, zorder=4)


def _ends(movement: str) -> str:
    """What the two ends of the axis mean."""
    words = MOVEMENTS.get(movement)
    if words is None:
        return ""
    negative, positive = words.direction_in_full(-1), words.direction_in_full(1)
    gap = "   |   " if len(negative + positive) < 110 else "\n"
    return f"← {negative}{gap}{positive} →\n"


def _landing_words(best: pd.Series, unit: str, verdict: str) -> str:
    if pd.isna(best["planned"]):
        return f"no plan: {verdict}"
    return f"plan {size(abs(best['planned']), unit)}, lands {bare_percent(best['within'])} %"
