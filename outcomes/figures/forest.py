"""Achievement rates with their intervals, by movement and group, beside published values."""

from __future__ import annotations

import string
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.domain.limit_in_force import unit_of
from outcomes.domain.limits import FEW_PATIENTS
from outcomes.domain.names import heading, patients_counted
from outcomes.errors import InputError
from outcomes.figures.base import (
    FAINT,
    FULL_WIDTH,
    GUIDE,
    INK,
    PAPER,
    QUIET,
    canvas,
    records,
    set_alt_text,
    text_width,
)
from outcomes.figures.rows import SIZE, draw_interval, no_scale, write_beside
from outcomes.words.english import SAYS_NOTHING, counted, wrapped
from outcomes.words.numbers import bare_percent
from outcomes.words.units import unit_symbol

if TYPE_CHECKING:
    from outcomes.rates.result import RateFit

_NEEDED = ["group", "patients", "movements", "rate", "low", "high"]


_QUANTITY = "achieved share of plan"


_WIDEST = (-0.5, 1.75)
"""Intervals are cut off, with an arrow, beyond these rates."""


def rates_forest(
    fits_or_rates: RateFit | Mapping[str, RateFit] | pd.DataFrame,
    ax: Axes | None = None,
    published: pd.DataFrame | None = None,
) -> Axes:
    """A row for each rate: its group, patients / movements, the rate and its interval.

    Parameters
    ----------
    fits_or_rates
        One fit, fits by movement, or a frame with group, patients, movements, rate, low, high and
        where there are several, movement. Rates are shares of the plan.
    ax
        Where to draw; a new figure as high as its rows need if None.
    published
        Published values to set beside (``published_values("rate")``). Only those given as
        achieved share of plan are drawn, as an open diamond with a letter, in the row of their
        movement and tooth class; their sources are listed below.

    Raises
    ------
    InputError
        If there is no rate, or columns are missing.

    Examples
    --------
    >>> import pandas as pd
    >>> rates = pd.DataFrame({
    ...     "movement": "rotation", "group": ["incisor", "molar"], "patients": [12, 4],
    ...     "movements": [60, 9], "rate": [0.61, 0.36], "low": [0.5, 0.1], "high": [0.72, 0.62],
    ... })
    >>> ax = rates_forest(rates)
    >>> [line.get_label() for line in ax.lines if not line.get_label().startswith("_")]
    ['rotation incisor', 'rotation molar']
    """
    rates = _rows(fits_or_rates)
    context = _context(rates, published)
    height = 1.3 + 0.21 * (rates["place"].max() + 1) + 0.13 * len(context)
    with canvas(ax, FULL_WIDTH, height, trim=True) as ax:
        _frame_axes(rates, context, ax)
        for row in records(rates):
            low, rate, high = 100 * row.low, 100 * row.rate, 100 * row.high
            hollow = row.patients < FEW_PATIENTS
            draw_interval(low, rate, high, row.place, ax, hollow=hollow, label=_spoken(row))
        for mark in records(context):
            _draw_published(mark, ax)
        left = _write_columns(rates, ax)
        _write_notes(rates, context, left, ax)
        set_alt_text(ax, _words(rates, context))
    return ax


def _rows(given: RateFit | Mapping[str, RateFit] | pd.DataFrame) -> pd.DataFrame:
    """One frame of rates, with the place of each row counted from the top, headings included."""
    if isinstance(given, pd.DataFrame):
        table = given.copy()
    elif isinstance(given, Mapping):
        if not given:
            raise InputError("No fit to draw: none of the movements could be fitted.")
        tables = [fit.rates.assign(movement=name, unit=fit.unit) for name, fit in given.items()]
        table = pd.concat(tables, ignore_index=True)
    else:
        table = given.rates.assign(movement=given.movement, unit=given.unit)
    missing = [name for name in _NEEDED if name not in table.columns]
    if missing:
        raise InputError(
            f"No column {', '.join(missing)}; the rates have {', '.join(table.columns)}."
        )
    if not len(table):
        raise InputError("No rates to draw.")
    if "movement" not in table.columns:
        table["movement"] = None
    if "unit" not in table.columns:
        table["unit"] = table["movement"].map(unit_of)
    table["group"] = table["group"].astype(str)
    table["movement"] = table["movement"].astype(object).where(table["movement"].notna(), None)
    places: list[float] = []
    place, last = -1.0, object()
    for movement in table["movement"]:
        if movement != last:
            place += (movement is not None) + 0.4 * (place >= 0)
            last = movement
        place += 1
        places.append(place)
    return table.assign(place=places).reset_index(drop=True)


def _context(rates: pd.DataFrame, published: pd.DataFrame | None) -> pd.DataFrame:
    """Published shares of the plan that have a row: place, share, key letter, what and source."""
    columns = ["place", "share", "left", "key", "what", "source", "n"]
    if published is None:
        return pd.DataFrame(columns=columns)
    shares = published[published["quantity"] == _QUANTITY]
    pairs = shares.merge(
        rates[["movement", "group", "place", "rate"]],
        left_on=["movement", "tooth_class"],
        right_on=["movement", "group"],
        suffixes=("", "_row"),
    ).sort_values("place", kind="stable")
    scale = np.where(pairs["unit"] == "percent", 100.0, 1.0)
    return pd.DataFrame(
        {
            "place": pairs["place"],
            "share": pairs["value"] / scale,
            "left": pairs["value"] / scale < pairs["rate"],
            "key": list(string.ascii_lowercase[: len(pairs)]),
            "what": pairs["group"],
            "source": pairs["source"],
            "n": pairs["n"],
        },
        columns=columns,
    )


def _frame_axes(rates: pd.DataFrame, context: pd.DataFrame, ax: Axes) -> None:
    ends = rates[["low", "rate", "high"]].to_numpy(float)
    ends = np.clip(ends[~np.isnan(ends)], *_WIDEST)
    low, high = ends.min(initial=0.0), ends.max(initial=1.0)
    ax.set_xlim(100 * (low - 0.03 * (low < 0)), 100 * (high + 0.03))
    ax.set_ylim(rates["place"].max() + 0.7, -1.6)
    ax.set_xlabel("Achieved share of the plan (%)")
    no_scale(ax)
    ax.axvline(0, color=FAINT, lw=0.8, zorder=0.9, label="_nothing")
    ax.axvline(100, zorder=0.9, label="_plan", **GUIDE)


def _spoken(row: Any) -> str:
    return " ".join(filter(None, (row.movement, row.group)))


def _draw_published(mark: Any, ax: Axes) -> None:
    share, place, side = 100 * mark.share, mark.place + 0.3, -1 if mark.left else 1
    ax.plot(
        share, place, "D", ms=3.6, mfc=PAPER, mec=QUIET, mew=0.9, zorder=3.5,
        label=f"published {mark.key}",
    )  # fmt: skip
    ax.annotate(
        mark.key, (share, place), (4 * side, 0), textcoords="offset points",
        ha="right" if mark.left else "left", va="center_baseline", fontsize=6.5, color=QUIET,
        zorder=5,
    )  # fmt: skip


def _write_columns(rates: pd.DataFrame, ax: Axes) -> float:
    """Group and counts left of the plot, the numbers right of it; points to the outermost."""
    counts = [
        f"{row.patients:,}{'*' * (row.patients < FEW_PATIENTS)} / {row.movements:,}"
        for row in records(rates)
    ]
    numbers = [_number(row) for row in records(rates)]
    wide = ax.get_figure(root=True).get_figwidth() > 5  # type: ignore[union-attr]
    head = "patients / movements" if wide else "patients /\nmovements"
    named = rates[rates["movement"].notna()].drop_duplicates("movement")
    headings = {row.place - 1: _headed(row.movement, row.unit) for row in records(named)}
    counts_end, top = -8.0, -1.1
    left = counts_end - 10 - max(text_width(text, SIZE) for text in [*counts, *head.split("\n")])
    left -= max(
        [text_width(text, SIZE) for text in rates["group"]]
        + [text_width(text, SIZE, bold=True) - 40 for text in headings.values()]
    )
    write_beside(head, 0, top, counts_end, ax, ha="right", color=QUIET)
    write_beside("% (interval)", 1, top, 6, ax, ha="left", color=QUIET)
    for row, count, number in zip(records(rates), counts, numbers, strict=True):
        write_beside(str(row.group), 0, row.place, left, ax, ha="left", color=INK)
        write_beside(count, 0, row.place, counts_end, ax, ha="right", color=INK)
        write_beside(number, 1, row.place, 6, ax, ha="left", color=INK)
    for place, text in headings.items():
        write_beside(text, 0, place, left, ax, ha="left", color=INK, weight="bold")
    return left


def _headed(movement: str, unit: str | None) -> str:
    symbol = unit_symbol(unit)
    return heading(movement) + (f" ({symbol})" if symbol else "")


def _number(row: Any) -> str:
    if np.isnan(row.rate):
        return "not known"
    rate = bare_percent(row.rate)
    if abs(row.rate) > SAYS_NOTHING:
        rate = f"over ±{bare_percent(SAYS_NOTHING)}"
    if np.isnan([row.low, row.high]).any():
        return f"{rate} (no interval)"
    if max(abs(row.low), abs(row.high)) > SAYS_NOTHING:
        return f"{rate} (not known)"
    return f"{rate} ({bare_percent(row.low)} to {bare_percent(row.high)})"


def _write_notes(rates: pd.DataFrame, context: pd.DataFrame, left: float, ax: Axes) -> None:
    width = ax.get_figure(root=True).get_figwidth() * 72  # type: ignore[union-attr]
    characters = int(width / text_width("e", 6.5))
    lines = []
    if (rates["patients"] < FEW_PATIENTS).any():
        lines.append(f"* open circle: fewer than {FEW_PATIENTS} patients")
    if len(context):
        lines.append("◇ published share of plan, for context only; studies choose their cases:")
        lines += [
            wrapped(f"{m.key}  {m.what}, n = {m.n:.0f}: {m.source}", characters)
            for m in records(context)
        ]
    if not lines:
        return
    ax.annotate(
        "\n".join(lines), (0, 0), (left, -30), xycoords="axes fraction",
        textcoords="offset points", ha="left", va="top", fontsize=6.5, color=QUIET,
        linespacing=1.35, annotation_clip=False,
    )  # fmt: skip


def _words(rates: pd.DataFrame, context: pd.DataFrame) -> str:
    parts = [
        f"{_spoken(row)} {_number(row)}, "
        f"{patients_counted(row.patients)}, {counted(row.movements, 'movement')}"
        for row in records(rates)
    ]
    head = "Forest plot of the achieved share of the plan in per cent, with intervals."
    text = f"{head} {'; '.join(parts)}."
    if len(context):
        marks = [f"{m.what} {bare_percent(m.share)} % ({m.source})" for m in records(context)]
        text += f" Published, for context: {'; '.join(marks)}."
    return text
