"""Does the model hold? Residuals, patients one by one, kinds of interval, single teeth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from scipy import stats

from outcomes.domain.names import movement_name
from outcomes.errors import InputError
from outcomes.figures.base import (
    COLOURS,
    FAINT,
    FULL_WIDTH,
    GUIDE,
    INK,
    QUIET,
    canvas,
    halo,
    look,
    new_axes,
    records,
    set_alt_text,
    style,
)
from outcomes.figures.forest import group_rows
from outcomes.words.english import counted
from outcomes.words.numbers import bare_percent, interval_words, range_words
from outcomes.words.units import unit_in_full, unit_symbol

if TYPE_CHECKING:
    from outcomes.rates.bootstrap import Bootstrap
    from outcomes.rates.pooling import ToothRates
    from outcomes.rates.result import RateFit

__all__ = ["influence", "intervals", "pooled_teeth", "residuals", "shrinkage"]

_BINS = 8


def residuals(fit: RateFit, axes: Sequence[Axes] | np.ndarray | None = None) -> np.ndarray:
    """Residual against planned, two normal quantile plots, and residual spread by size of plan.

    A residual is achieved minus fitted (rates and predicted patient and tooth effects). Look for a
    bend in the first panel (the rate differs between small and large plans), for points far off
    the line in the quantile plots (outlying rows or patients), and for a rise in the fourth
    (larger plans are less predictable than the model allows).

    Parameters
    ----------
    fit
        A fit of one movement.
    axes
        Four Axes; a new figure if None.

    Returns
    -------
    ndarray of Axes
        Shape (4,).

    Raises
    ------
    InputError
        If other than four Axes are given.

    Examples
    --------
    >>> import outcomes as oc
    >>> len(residuals(oc.fit_rate(oc.simulate_rates(15, seed=1))))
    4
    """
    with style():
        if axes is None:
            axes = new_axes(FULL_WIDTH, 5.4, rows=2, columns=2)
        panels = np.ravel(np.asarray(axes, dtype=object))
        if panels.shape != (4,):
            raise InputError(f"Give four Axes, not {len(panels)}.")
        data = fit.data
        symbol, what = unit_symbol(fit.unit), movement_name(fit.movement)
        unit = f" ({symbol})" if symbol else ""
        _against_planned(data, what, unit, panels[0])
        _quantiles(data["residual"].to_numpy(), "Residuals", f"Residual{unit}", panels[1])
        effects = 100 * fit.patient_effects["effect"].to_numpy()
        _quantiles(effects, "Patient effects", "Patient effect (% of plan)", panels[2])
        _spread(data, what, unit, panels[3])
        for panel in panels:
            set_alt_text(panel, "")
        set_alt_text(panels[0], _words(fit, data, what))
    return panels


def _dots(x: Any, y: Any, ax: Axes) -> None:
    n = len(x)
    size, alpha = np.clip(4000 / n, 3, 14), np.clip(10 / np.sqrt(n), 0.15, 0.8)
    sns.scatterplot(
        x=x, y=y, s=float(size), alpha=float(alpha), color=COLOURS[0], linewidth=0,
        rasterized=n > 2000, zorder=2, ax=ax,
    )  # fmt: skip


def _against_planned(data: pd.DataFrame, what: str, unit: str, ax: Axes) -> None:
    _dots(data["planned"], data["residual"], ax)
    ax.axhline(0, color=FAINT, lw=0.9, zorder=1.5)
    _trend(_binned(data["planned"], data["residual"], "mean"), "mean", ax)
    ax.set(title="Residual against plan", xlabel=f"Planned {what}{unit}", ylabel=f"Residual{unit}")


def _spread(data: pd.DataFrame, what: str, unit: str, ax: Axes) -> None:
    size, off = data["planned"].abs(), data["residual"].abs()
    _dots(size, off, ax)
    _trend(_binned(size, data["residual"], "std"), "SD", ax)
    ax.set(title="Spread by size of plan", xlim=(0, None), ylim=(0, None))
    ax.set_xlabel(f"Size of the planned {what}{unit}")
    ax.set_ylabel(f"Size of the residual{unit}")


def _binned(x: pd.Series, residual: pd.Series, kind: str) -> pd.DataFrame:
    """Mean x, and mean or SD of the residual, in groups of equal size of at least 15 rows."""
    count = min(_BINS, len(x) // 15)
    if count < 2:
        return pd.DataFrame(columns=["x", "y"])
    bins = pd.qcut(x.rank(method="first"), count, labels=False)
    return pd.DataFrame({"x": x.groupby(bins).mean(), "y": residual.groupby(bins).agg(kind)})


def _trend(bins: pd.DataFrame, name: str, ax: Axes) -> None:
    if len(bins) < 2:
        return
    over: dict[str, Any] = {"color": INK, "path_effects": halo(2.6)}
    ax.plot(bins["x"], bins["y"], lw=1.3, marker="s", ms=3.2, zorder=3, **over)
    last = bins.iloc[-1]
    ax.annotate(
        name, (last["x"], last["y"]), (5, 0), textcoords="offset points", va="center_baseline",
        fontsize=7.5, fontweight="bold", zorder=4, **over,
    )  # fmt: skip


def _quantiles(values: np.ndarray, title: str, label: str, ax: Axes) -> None:
    """Ordered values against normal quantiles, and the line of a normal with the same mean and SD."""
    values = np.sort(values)
    n = len(values)
    normal = stats.norm.ppf((np.arange(1, n + 1) - 0.5) / n)
    _dots(normal, values, ax)
    ax.axline((0, values.mean()), slope=values.std(ddof=1), color=FAINT, lw=1.2, zorder=1.5)
    ax.set(title=title, xlabel="Normal quantile", ylabel=label)


def _words(fit: RateFit, data: pd.DataFrame, what: str) -> str:
    residual = data["residual"]
    unit = f" {unit_in_full(fit.unit)}".rstrip()
    far = int((residual.abs() > 3 * residual.std(ddof=1)).sum())
    effects = fit.patient_effects["effect"]
    text = (
        f"Four panels of residuals of the {what} model, {counted(len(data), 'movement')} in "
        f"{counted(len(effects), 'patient')}: residual against planned, normal quantiles of "
        "residuals and of patient effects, and spread by size of plan. "
        f"Residual SD {residual.std(ddof=1):.2f}{unit}; {counted(far, 'residual')} beyond three SD. "
        f"Patient effects from {100 * effects.min():+.0f} to {100 * effects.max():+.0f} % of plan."
    ).replace("-", "−")
    bins = _binned(data["planned"].abs(), residual, "std")
    if len(bins) > 1:
        text += (
            f" The SD is {bins['y'].iloc[0]:.2f}{unit} at the smallest plans and "
            f"{bins['y'].iloc[-1]:.2f}{unit} at the largest."
        )
    return text


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
