"""Four panels that show whether the rate model describes the movements."""

from __future__ import annotations

from collections.abc import Sequence
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
    INK,
    halo,
    new_axes,
    set_alt_text,
    style,
)
from outcomes.words.english import counted
from outcomes.words.units import unit_in_full, unit_symbol

if TYPE_CHECKING:
    from outcomes.rates.result import RateFit

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
