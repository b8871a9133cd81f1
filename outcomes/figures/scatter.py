"""Planned against achieved, with the line of a full result and the fitted rates."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes

from outcomes.domain.names import movement_name, sign_words
from outcomes.figures.base import (
    COLOURS,
    GUIDE,
    INK,
    PAPER,
    QUIET,
    canvas,
    cross_at_zero,
    halo,
    records,
    set_alt_text,
)
from outcomes.words.english import counted, listed
from outcomes.words.numbers import bare_percent, range_words
from outcomes.words.units import unit_in_full, unit_symbol

if TYPE_CHECKING:
    from outcomes.rates.result import RateFit

_SHORT = 24
"""Sign words of more characters than this take lines of their own."""


_LABELLED = 8
"""More groups than this and only the lowest and the highest line are labelled."""


def planned_achieved(fit: RateFit, ax: Axes | None = None) -> Axes:
    """Every movement as a point, planned across and achieved up, and a fitted line per group.

    Both axes have the same scale, so that the identity line (all of the plan achieved) rises at
    45 degrees. A fitted line is a rate: achieved = rate x planned, at the reference values of
    any covariates.

    Parameters
    ----------
    fit
        A fit of one movement (``outcomes.fit_rate``).
    ax
        Where to draw; a new figure if None.

    Examples
    --------
    >>> import outcomes as oc
    >>> ax = planned_achieved(oc.fit_rate(oc.simulate_rates(15, seed=1), group=None))
    >>> [text.get_text() for text in ax.texts if text.get_text()]
    ['all of the plan', 'all teeth 51 %']
    """
    data = fit.data
    with canvas(ax, 5.0, 4.6, trim=True) as ax:
        groups = [str(group) for group in fit.rates["group"]]
        colour = {group: COLOURS[i % 4] for i, group in enumerate(groups)}
        if len(groups) > len(COLOURS):
            colour = dict.fromkeys(groups, COLOURS[0])
        low, high = _limits(data, ax)
        _draw_points(data, colour, ax)
        _draw_identity(low, high, ax)
        ends = _draw_lines(fit, data, colour, ax)
        _name_axes(fit, ax)
        prefix = "tooth " if fit.group == ("tooth",) else ""
        _label_lines(ends, prefix, colour, ax)
        set_alt_text(ax, _words(fit, data))
    return ax


def _limits(data: pd.DataFrame, ax: Axes) -> tuple[float, float]:
    """Equal scales that hold all points and zero; growing rightwards and up with the plan."""
    names = ("planned", "achieved")
    ranges = [(min(0.0, data[n].min()), max(0.0, data[n].max())) for n in names]
    pad = 0.04 * max(high - low for low, high in ranges)
    (x_low, x_high), (y_low, y_high) = ((low - pad, high + pad) for low, high in ranges)
    ax.set(xlim=(x_low, x_high), ylim=(y_low, y_high))
    ax.set_aspect("equal", adjustable="box", anchor="SW")
    if not (data["planned"] > 0).any():
        ax.invert_xaxis()
        ax.invert_yaxis()
    cross_at_zero(ax, zorder=0.9)
    return max(x_low, y_low), min(x_high, y_high)


def _draw_points(data: pd.DataFrame, colour: dict[str, str], ax: Axes) -> None:
    n = len(data)
    order = np.random.default_rng(1).permutation(n)  # no group lies on top of another
    shown = data.iloc[order]
    alpha = float(np.clip(12 / np.sqrt(n), 0.12, 0.6))
    sns.scatterplot(
        shown.astype({"group": str}), x="planned", y="achieved", hue="group", palette=colour,
        alpha=alpha, s=float(np.clip(5000 / n, 3, 14)), linewidth=0, rasterized=n > 2000,
        zorder=2, legend=False, ax=ax,
    )  # fmt: skip


def _draw_identity(low: float, high: float, ax: Axes) -> None:
    ax.axline((0, 0), slope=1, label="identity", zorder=2.5, **GUIDE)
    inverted = ax.xaxis_inverted()
    at = (low if inverted else high) - 0.06 * (high - low) * (-1 if inverted else 1)
    ax.annotate(
        "all of the plan", (at, at), (0, 2), textcoords="offset points", rotation=45,
        rotation_mode="anchor", ha="right", va="bottom", fontsize=7, color=QUIET,
        path_effects=halo(2), zorder=4,
    )  # fmt: skip


def _draw_lines(
    fit: RateFit, data: pd.DataFrame, colour: dict[str, str], ax: Axes
) -> list[tuple[str, float, float, float]]:
    """Draw a line over each group's range of plans; group, rate and outer end of each."""
    covariates = fit.covariates.set_index("covariate")["estimate"]
    drift = float(covariates.get("intercept", 0.0))
    width = 1.6 if len(fit.rates) <= _LABELLED else 0.8
    ends = []
    planned = data["planned"].groupby(data["group"].astype(str))
    for group, rate in zip(fit.rates["group"].astype(str), fit.rates["rate"], strict=True):
        x = np.array([min(0.0, planned.min()[group]), max(0.0, planned.max()[group])])
        ax.plot(x, drift + rate * x, color=PAPER, lw=width + 1.4, zorder=2.8)
        ax.plot(x, drift + rate * x, color=colour[group], lw=width, label=group, zorder=3)
        end = x[0] if ax.xaxis_inverted() else x[1]
        ends.append((group, float(rate), float(end), float(drift + rate * end)))
    return ends


def _name_axes(fit: RateFit, ax: Axes) -> None:
    symbol = unit_symbol(fit.unit)
    what = movement_name(fit.movement) + (f" ({symbol})" if symbol else "")
    negative, positive = sign_words(fit.movement)
    short = len(negative) + len(positive) <= _SHORT
    gap, other = (",  ", "") if short else ("\n", "\n(signs as planned)")
    signs = f"\n− {negative}{gap}+ {positive}" if negative else ""
    ax.set(xlabel=f"Planned {what}{signs}", ylabel=f"Achieved {what}{other or signs}")


def _label_lines(
    ends: list[tuple[str, float, float, float]], prefix: str, colour: dict[str, str], ax: Axes
) -> None:
    """Name each line in the right margin, spread so that no two labels touch."""
    if len(ends) > _LABELLED:
        ranked = sorted(ends, key=lambda end: end[1])
        ends = [ranked[0], ranked[-1]]
    ends = sorted(ends, key=lambda end: end[3])
    across = ax.get_yaxis_transform()
    labels = []
    for group, rate, _, y in ends:
        name = "all teeth" if group == "all" else f"{prefix}{group}"
        said = f"{name}{':' * bool(prefix)} {bare_percent(rate)} %"
        ink = colour[group] if len(colour) > 1 else INK
        look: dict[str, Any] = {"color": ink, "fontsize": 7.5, "fontweight": "bold"}
        labels.append(ax.text(1.05, y, said, transform=across, va="center", **look))
    figure: Any = ax.get_figure(root=True)
    figure.draw_without_rendering()  # the layout settles, and with it the height of a label
    pixels = 10 * figure.dpi / 72
    height = abs(np.diff(ax.transData.inverted().transform([(0, 0), (0, pixels)])[:, 1])[0])
    places = _spread([end[3] for end in ends], height)
    if ax.yaxis_inverted():
        places = [-y for y in _spread([-end[3] for end in ends][::-1], height)[::-1]]
    for label, place, (group, _, x, y) in zip(labels, places, ends, strict=True):
        label.set_y(place)
        leader = {"arrowstyle": "-", "lw": 0.6, "color": colour[group], "shrinkA": 0, "shrinkB": 0}
        ax.annotate(
            "", (x, y), (1.04, place), textcoords=across, arrowprops=leader, annotation_clip=False
        ).set_in_layout(False)


def _spread(places: list[float], gap: float) -> list[float]:
    """Move sorted places apart to at least ``gap``, each as little as may be."""
    blocks: list[tuple[float, int]] = []  # centre and number of labels that touch
    for place in places:
        blocks.append((place, 1))
        while len(blocks) > 1:
            (a, n), (b, m) = blocks[-2:]
            if b - a >= gap * (n + m) / 2:
                break
            blocks[-2:] = [((a * n + b * m) / (n + m), n + m)]
    return [centre + gap * (i - (n - 1) / 2) for centre, n in blocks for i in range(n)]


def _words(fit: RateFit, data: pd.DataFrame) -> str:
    what = movement_name(fit.movement)
    unit = unit_in_full(fit.unit)
    rates = [
        f"{row.group} {bare_percent(row.rate)} % (interval {range_words(row.low, row.high, bare_percent)})"
        for row in records(fit.rates)
    ]
    short = float((data["achieved"] * np.sign(data["planned"]) < data["planned"].abs()).mean())
    return (
        f"Scatter plot of achieved against planned {what}{', ' if unit else ''}{unit}: "
        f"{counted(len(data), 'movement')} in {counted(data['patient'].nunique(), 'patient')}, "
        f"planned {data['planned'].min():.1f} to {data['planned'].max():.1f}. "
        f"{bare_percent(short)} % of the points lie short of the line of a full result. "
        f"Fitted share of the plan achieved: {listed(rates)}."
    )
