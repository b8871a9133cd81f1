"""How far the rates hold: patients left out, kinds of interval side by side, teeth and classes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.domain.names import movement_name
from outcomes.figures.base import (
    COLOURS,
    FAINT,
    FULL_WIDTH,
    INK,
    MARKERS,
    QUIET,
    new_axes,
    set_alt_text,
    style,
)
from outcomes.words.english import counted
from outcomes.words.numbers import bare_percent

if TYPE_CHECKING:
    from outcomes.rates.bootstrap import Bootstrap
    from outcomes.rates.pooling import ToothRates
    from outcomes.rates.result import RateFit

__all__ = ["influence", "intervals", "pooled_teeth"]

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
    rows: list[Any] = list(fit.rates.itertuples())
    with style():
        ax = ax or new_axes(FULL_WIDTH, 0.9 + 0.55 * len(groups))
        for place, row in enumerate(rows):
            ax.plot(
                [row.low * 100, row.high * 100],
                [place, place],
                color=FAINT,
                linewidth=5,
                alpha=0.55,
                label=f"{100 * fit.level:g} % interval" if place == 0 else None,
            )
            ax.plot([row.rate * 100] * 2, [place - 0.22, place + 0.22], color=INK, linewidth=1.2)
            mine = table[table["group"] == row.group]
            spread = _spread(mine["rate"].to_numpy())
            ax.plot(
                mine["rate"] * 100,
                place + 0.16 * spread,
                linestyle="none",
                marker="o",
                markersize=2.8,
                color=COLOURS[0],
                alpha=0.65,
                label="one patient left out" if place == 0 else None,
            )
            _name_outermost(mine, place, ax)
        _rows_axis(ax, [_label(r) for r in rows])
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
    with style():
        ax = ax or new_axes(FULL_WIDTH, 0.9 + 0.2 * len(fit.groups) * (len(tables) + 0.7))
        step = 0.8 / len(tables)
        for k, (name, table) in enumerate(tables.items()):
            place = np.arange(len(table)) + (k - (len(tables) - 1) / 2) * step
            centre = table["rate"].to_numpy() * 100
            ax.errorbar(
                centre,
                place,
                xerr=[
                    centre - table["low"].to_numpy() * 100,
                    table["high"].to_numpy() * 100 - centre,
                ],
                linestyle="none",
                marker=MARKERS[k],
                color=COLOURS[k],
                markersize=4,
                elinewidth=1.3,
                label=name,
            )
        _rows_axis(ax, [_label(r) for r in fit.rates.itertuples()])
        ax.set_xlabel(
            f"Achieved share of planned {movement_name(fit.movement)} (%), with "
            f"{100 * fit.level:g} % interval"
        )
        ax.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=len(tables))
        words = []
        for name, table in tables.items():
            parts = [
                f"{g} {bare_percent(lo)} to {bare_percent(hi)} %"
                for g, lo, hi in zip(fit.groups, table["low"], table["high"], strict=True)
            ]
            words.append(f"{name}: {', '.join(parts)}")
        set_alt_text(ax, "Intervals of the rates by method. " + ". ".join(words) + ".")
    return ax


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
    with style():
        ax = ax or new_axes(FULL_WIDTH, 3.0)
        place = np.arange(len(rates))
        classes = list(dict.fromkeys(rates["tooth_class"]))
        for k, name in enumerate(classes):
            mine = (rates["tooth_class"] == name).to_numpy()
            colour = COLOURS[k % len(COLOURS)]
            level = float(teeth.classes.set_index("tooth_class").loc[name, "rate"]) * 100
            for start, stop in _runs(mine):
                ax.plot([start - 0.45, stop + 0.45], [level] * 2, color=colour, linewidth=0.9)
            ax.errorbar(
                place[mine],
                rates["rate"][mine] * 100,
                yerr=[
                    (rates["rate"] - rates["low"])[mine] * 100,
                    (rates["high"] - rates["rate"])[mine] * 100,
                ],
                linestyle="none",
                marker=MARKERS[k % len(MARKERS)],
                color=colour,
                markersize=4,
                elinewidth=1,
                label=name,
            )
        ax.plot(
            place,
            rates["own_rate"] * 100,
            linestyle="none",
            marker="o",
            markersize=4.5,
            markerfacecolor="none",
            markeredgecolor=QUIET,
            markeredgewidth=0.8,
            label="tooth on its own",
            zorder=3,
        )
        ax.set_xticks(place, [str(t) for t in rates["tooth"]], rotation=90)
        ax.set_xlim(-0.7, len(rates) - 0.3)
        ax.grid(axis="x", visible=False)
        ax.set_xlabel("Tooth (FDI)")
        ax.set_ylabel("Achieved share of the plan (%)")
        ax.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=len(classes) + 1)
        parts = [
            f"{tooth} {bare_percent(own)} to {bare_percent(rate)} %"
            for tooth, own, rate in zip(
                rates["tooth"], rates["own_rate"], rates["rate"], strict=True
            )
        ]
        set_alt_text(
            ax,
            "Rate of each tooth on its own and pooled towards its class: " + ", ".join(parts) + ".",
        )
    return ax


def _name_outermost(mine: pd.DataFrame, place: int, ax: Axes) -> None:
    """Name the patient at either end, if leaving that one out moves the rate at all."""
    ordered = mine.sort_values("change", kind="stable")
    for side, end in ((-1, ordered.iloc[0]), (1, ordered.iloc[-1])):
        if side * end["change_se"] < _WORTH_NAMING:
            continue
        ax.annotate(
            str(end["patient"]),
            (float(end["rate"]) * 100, place + 0.16),
            xytext=(3 * side, -8),
            textcoords="offset points",
            ha="left" if side > 0 else "right",
            va="center",
            fontsize=6.5,
            color=QUIET,
        )


def _label(row: Any) -> str:
    patients, moves = counted(row.patients, "patient"), counted(row.movements, "movement")
    return f"{row.group}\n{patients}, {moves}"


def _rows_axis(ax: Axes, labels: list[str]) -> None:
    ax.set_yticks(range(len(labels)), labels)
    ax.set_ylim(len(labels) - 0.45, -0.55)
    ax.grid(axis="y", visible=False)
    ax.tick_params(axis="y", length=0)


def _spread(values: np.ndarray) -> np.ndarray:
    """Small vertical offsets, the same for the same values, so that near dots stay apart."""
    offsets = np.zeros(len(values))
    offsets[np.argsort(values, kind="stable")] = np.tile([-1, 0, 1], len(values) // 3 + 1)[
        : len(values)
    ]
    return offsets


def _runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """First and last position of every run of True."""
    edges = np.flatnonzero(np.diff(np.r_[0, mask.astype(int), 0]))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
