"""A chart of the teeth in FDI order, as one looks at the patient: rate and patients in each cell."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize, to_rgba
from matplotlib.patches import Rectangle

from outcomes.domain import teeth
from outcomes.domain.limits import FEW_PATIENTS
from outcomes.domain.names import patients_counted
from outcomes.errors import InputError
from outcomes.figures.base import (
    DARKEST,
    FAINT,
    FULL_WIDTH,
    INK,
    PAPER,
    QUIET,
    RATES,
    canvas,
    records,
    set_alt_text,
)
from outcomes.words.numbers import bare_percent

_HEIGHT = 1.5
"""Height of a cell; its width is 1."""
_BETWEEN_JAWS = 0.55
_DAGGER = "†"
_NAMED = 3
"""Teeth with a robust reading that are named under the chart."""


def tooth_chart(
    rates_by_tooth: pd.DataFrame,
    ax: Axes | None = None,
    *,
    limits: tuple[float, float] = (0.0, 1.0),
    title: str | None = None,
) -> Axes:
    """Each tooth a cell with its FDI number, achieved share of the plan in per cent, and patients.

    Upper teeth above lower, the patient's right on the left; a deciduous row where there are
    such teeth. Teeth without a rate are drawn empty; an asterisk and a dashed edge mark fewer than
    5 patients. A dagger marks teeth whose robust reading differs: it is drawn in place of the rate,
    which stands under the chart; a dash where there is none.

    Parameters
    ----------
    rates_by_tooth
        tooth (FDI), rate (or pooled_rate; a share), movements, patients: ``achievement`` by tooth,
        or ``RateFit.rates`` of a fit by tooth, where the column is called group. With the columns
        reading and differs of ``outcomes.robust_rates``, the reading is shown where it differs.
    ax
        Where to draw; a new figure if None.
    limits
        Rates at the ends of the colour scale; fixed, so that charts can be compared.
    title
        Such as the movement; none by default.

    Raises
    ------
    InputError
        If columns are missing, a tooth is listed twice or is no FDI number.

    Examples
    --------
    >>> import pandas as pd
    >>> ax = tooth_chart(pd.DataFrame({
    ...     "tooth": [11, 46], "rate": [0.62, 0.35], "movements": [20, 9], "patients": [12, 4],
    ... }))
    >>> [text.get_text() for text in ax.texts if "%" not in text.get_text()][:3]
    ['18', '17', '16']
    """
    table = _table(rates_by_tooth)
    rows = _chart_rows(table.index)
    with canvas(ax, FULL_WIDTH, 1.0 + 0.68 * len(rows)) as ax:
        colours = ScalarMappable(Normalize(*limits), colormaps[RATES])
        size = _type_size(ax)
        cells: dict[Any, Any] = {row.Index: row for row in records(table)}
        top = 0.0
        for i, (row, upper) in enumerate(rows):
            if not upper and rows[i - 1][1]:
                top += _BETWEEN_JAWS
            for place, tooth in enumerate(row):
                x = _x(place, len(row))
                ax.text(
                    x + 0.5, top - 0.2 if upper else top + _HEIGHT + 0.22, str(tooth), ha="center",
                    va="center", fontsize=max(5, 0.78 * size), color=QUIET,
                )  # fmt: skip
                _draw_cell(cells.get(tooth), x, top, size, colours, ax)
            top += _HEIGHT + (0.5 if upper else 0.35)
        _finish(ax, top, size, colours, table)
        if title:
            ax.set_title(title)
        set_alt_text(ax, _words(table, title))
    return ax


def _table(given: pd.DataFrame) -> pd.DataFrame:
    """tooth -> rate (to show), movements, patients, fitted, differs."""
    table = given.copy()
    for wanted, other in (("tooth", "group"), ("rate", "pooled_rate")):
        if wanted not in table.columns and other in table.columns:
            table = table.rename(columns={other: wanted})
    missing = [n for n in ("tooth", "rate", "movements", "patients") if n not in table.columns]
    if missing:
        raise InputError(f"No column {', '.join(missing)}; there are {', '.join(table.columns)}.")
    numbers = pd.to_numeric(table["tooth"], errors="coerce")
    unknown = table.loc[~numbers.isin(teeth.FDI_TEETH), "tooth"]
    if len(unknown):
        raise InputError(f"No FDI tooth number: {', '.join(map(str, unknown.unique()))}.")
    table["tooth"] = numbers.astype(int)
    if table["tooth"].duplicated().any():
        twice = table.loc[table["tooth"].duplicated(), "tooth"].iloc[0]
        raise InputError(f"Tooth {twice} is listed twice: choose one movement for a chart.")
    if not {"reading", "differs"} <= set(table.columns):
        table = table.assign(reading=np.nan, differs=False)
    differs = table["differs"].astype(bool)
    table = table.assign(
        fitted=table["rate"], differs=differs, rate=table["rate"].mask(differs, table["reading"])
    )
    names = ["rate", "movements", "patients", "fitted", "differs"]
    table = table.set_index("tooth")[names]
    return table[table["fitted"].notna()]


def _chart_rows(present: pd.Index) -> list[tuple[Sequence[int], bool]]:
    """Rows of teeth from the top, with True for the upper jaw."""
    rows: list[Any] = [(teeth.FDI_ORDER_UPPER, True), (teeth.FDI_ORDER_LOWER, False)]
    if (present > 50).any():
        rows[1:1] = [(teeth.DECIDUOUS_ORDER_UPPER, True), (teeth.DECIDUOUS_ORDER_LOWER, False)]
    return rows


def _x(place: int, teeth: int) -> float:
    """Left edge of a cell: centred on the midline, where there is a gap."""
    half = teeth // 2
    return place - half + (0.14 if place >= half else -0.14)


def _type_size(ax: Axes) -> float:
    """Type that lets ``100`` and ``12*`` fit a cell of a 16th of the width, points."""
    figure: Any = ax.get_figure(root=True)
    width = figure.get_figwidth() * 72 * ax.get_position().width / 0.96
    cell = width / 16.8
    return float(np.clip(cell / 2.3, 5, 9.5))


def _draw_cell(
    row: Any, x: float, top: float, size: float, colours: ScalarMappable, ax: Axes
) -> None:
    box: dict[str, Any] = {"xy": (x + 0.04, top), "width": 0.92, "height": _HEIGHT}
    if row is None:
        ax.add_patch(Rectangle(**box, fill=False, edgecolor=FAINT, lw=0.6))
        return
    known = bool(np.isfinite(row.rate))
    face = colours.to_rgba(row.rate) if known else to_rgba(PAPER)
    few = bool(row.patients < FEW_PATIENTS)
    edge, dashes = (INK, (0, (2, 1.6))) if few else ("none" if known else FAINT, "-")
    ax.add_patch(Rectangle(**box, facecolor=face, edgecolor=edge, linestyle=dashes, lw=0.9))
    look: dict[str, Any] = {"ha": "center", "va": "center_baseline", "color": _ink_on(face)}
    rate = bare_percent(row.rate) if known else "–"
    middle = x + 0.5
    ax.text(middle, top + 0.56, rate, fontsize=1.15 * size, fontweight="bold", **look)
    patients = f"{row.patients:.0f}{'*' * few}{_DAGGER * bool(row.differs)}"
    ax.text(middle, top + 1.16, patients, fontsize=max(5.2, 0.8 * size), **look)


def _ink_on(face: Any) -> str:
    """Black or white, whichever stands out more (relative luminance, WCAG 2.2)."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in face[:3]]
    luminance = float(np.dot((0.2126, 0.7152, 0.0722), linear))
    return PAPER if luminance < 0.179 else DARKEST


def _finish(
    ax: Axes, bottom: float, size: float, colours: ScalarMappable, table: pd.DataFrame
) -> None:
    ax.set(xlim=(-8.3, 8.3), ylim=(bottom + 1.5, -0.5))
    ax.set_axis_off()
    words: dict[str, Any] = {"fontsize": max(5.5, 0.82 * size), "color": QUIET, "va": "center"}
    ax.text(-8.1, bottom + 0.28, "patient's right", ha="left", **words)
    ax.text(8.1, bottom + 0.28, "patient's left", ha="right", **words)
    key = "large: % of plan achieved\nsmall: patients"
    if (table["patients"] < FEW_PATIENTS).any():
        key += f"  (* fewer than {FEW_PATIENTS})"
    ax.text(-8.1, bottom + 1.0, key, ha="left", linespacing=1.3, **words)
    changed = table[table["differs"]]
    if len(changed):
        _draw_changed(ax, bottom + 1.0, changed, words)
    _draw_scale(ax, bottom + 0.75, colours, size)


def _draw_changed(ax: Axes, key: float, changed: pd.DataFrame, words: dict[str, Any]) -> None:
    """What the daggers stand for, in as many lines as the width asks for.

    ``key`` is the middle of the key above, from the top of the teeth down.
    """
    figure: Any = ax.get_figure(root=True)
    width, height = (figure.get_size_inches() * 72 * ax.get_position().size).tolist()
    letters = int(width / (0.52 * words["fontsize"]))
    lines = textwrap.wrap(_changed_words(changed), letters)
    line = 1.35 * words["fontsize"]  # points; the key has one of them below its middle
    span = (key + 0.5) / max(0.2, 1 - (line * (1 + len(lines)) + 4) / height)
    top = key + (line + 2) * span / height
    ax.text(-8.1, top, "\n".join(lines), ha="left", linespacing=1.3, **(words | {"va": "top"}))
    ax.set_ylim(span - 0.5, -0.5)


def _changed_words(changed: pd.DataFrame) -> str:
    """``† results far off weigh less. As fitted: 42 (165 %)``."""
    named = [f"{row.Index} ({bare_percent(row.fitted)} %)" for row in records(changed.sort_index())]
    more = f" and {len(named) - _NAMED} more" if len(named) > _NAMED else ""
    dash = "; – half of them or more" if changed["rate"].isna().any() else ""
    return (
        f"{_DAGGER} results far off weigh less{dash}. As fitted: {', '.join(named[:_NAMED])}{more}"
    )


def _draw_scale(ax: Axes, top: float, colours: ScalarMappable, size: float) -> None:
    """The colour scale, drawn in the same axes so that it follows them into any layout."""
    low, high = colours.get_clim()
    left, right = 1.6, 8.1
    ax.imshow(
        np.linspace(low, high, 256)[None, :], cmap=colours.cmap, norm=Normalize(low, high),
        extent=(left, right, top + 0.32, top), aspect="auto", zorder=2,
    )  # fmt: skip
    ax.set(xlim=(-8.3, 8.3))
    sides = ["left", "center", "center", "center", "right"]
    look: dict[str, Any] = {"va": "center", "fontsize": max(5, 0.78 * size), "color": QUIET}
    marks = zip(np.linspace(left, right, 5), np.linspace(low, high, 5), sides, strict=True)
    for at, share, side in marks:
        sign = " %" if side == "right" else ""
        ax.text(at, top + 0.55, f"{bare_percent(share)}{sign}", ha=side, **look)


def _words(table: pd.DataFrame, title: str | None) -> str:
    of = f" of {title}" if title else ""
    head = f"Tooth chart{of}: achieved share of the plan by tooth, FDI numbers"
    if not len(table):
        return f"{head}; no tooth has a rate."
    ranked = table[table["rate"].notna()].sort_values("rate")
    cells = [
        f"{row.Index} {_cell_words(row)} ({patients_counted(row.patients)})"
        for row in records(table.sort_index())
    ]
    if len(ranked):
        (low, *_), (*_, high) = ranked["rate"], ranked["rate"]
        head += (
            f". Lowest {bare_percent(low)} % at {ranked.index[0]}, highest {bare_percent(high)} % "
            f"at {ranked.index[-1]}"
        )
    return f"{head}. {'; '.join(cells)}."


def _cell_words(row: Any) -> str:
    shown = f"{bare_percent(row.rate)} %" if np.isfinite(row.rate) else "no rate"
    if not row.differs:
        return shown
    return f"{shown} with results far off weighing less, {bare_percent(row.fitted)} % as fitted"
