"""Measures before and after: every patient from start to end, a panel for each measure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from outcomes.domain.names import few_mark, measure_name, patients_counted
from outcomes.domain.tables import MEASURES
from outcomes.errors import InputError
from outcomes.figures.base import (
    FULL_WIDTH,
    INK,
    MARKERS,
    PAPER,
    lines_of,
    look,
    panels,
    records,
    set_alt_text,
    style,
)
from outcomes.figures.measure_course import draw_target, measure_title
from outcomes.words.numbers import number, signed
from outcomes.words.units import unit_symbol

if TYPE_CHECKING:
    from outcomes.clinical.measures import BeforeAfter

_DASHES = ("-", (0, (3.5, 2)), (0, (1, 1.6)), (0, (5, 1.5, 1, 1.5)))


def before_after_panels(
    result: BeforeAfter,
    measures: list[str] | None = None,
    *,
    split: str | None = None,
    width: float = FULL_WIDTH,
    columns: int | None = None,
) -> np.ndarray:
    """A panel for each measure: every patient from start to end, and the mean difference.

    Parameters
    ----------
    result
        From `outcomes.before_after`.
    measures
        Which, and in what order; by default those with a target, or all where none has one.
    split
        The column that ``result`` was split by: groups get their own mark and line.
    width
        Inches.
    columns
        Panels in a line.

    Raises
    ------
    InputError
        If there is nothing to draw.

    Examples
    --------
    >>> from outcomes.clinical.measures import before_after
    >>> rows = pd.DataFrame({"patient": ["P001", "P001", "P002", "P002"],
    ...     "after_course": [0, 1] * 2, "measure": "overbite", "unit": "mm", "target": 2.0,
    ...     "value": [5.0, 2.4, 4.2, 2.2]})
    >>> before_after_panels(before_after(rows))[0].get_title(loc="left")
    'Overbite, mm'
    """
    table = result.table.query("period == 'total' and patients > 0")
    people = result.patients.query("period == 'total'")
    if measures is None:
        aimed = table.loc[table["with_target"] > 0, "measure"]
        found = set(aimed if len(aimed) else table["measure"])
        measures = [name for name in MEASURES if name in found]
        measures += sorted(found - set(measures))
    if not measures or not len(people):
        raise InputError("No measure was taken before and after.")
    columns = min(len(measures), columns or max(1, int(width / 1.6)))
    groups = list(dict.fromkeys(table[split].astype(str))) if split else [""]
    shown = people[people["measure"].isin(measures)]
    drawn = shown.groupby(shown[split].astype(str))["patient"].nunique() if split else pd.Series()
    with style():
        # The first line is as high as the others plus the legend above it.
        height = lines_of(len(measures), columns) * (1.75 + 0.13 * len(groups)) + 0.45
        axes = panels(len(measures), width, height, columns)
        for measure, ax in zip(measures, axes, strict=True):
            _draw_pairs(people[people["measure"] == measure], split, groups, ax)
            _head(table[table["measure"] == measure], split, drawn, ax)
        if split:
            _groups_legend(axes[0].get_figure(root=True), drawn, groups)
        set_alt_text(axes[0], _pair_words(table, measures, split))
    return axes


def _draw_pairs(rows: pd.DataFrame, split: str | None, groups: list[str], ax: Axes) -> None:
    target = rows["target"].dropna()
    if len(target) and target.nunique() == 1:
        draw_target(float(target.iloc[0]), str(rows["unit"].iloc[0]), ax)
    for k, group in enumerate(groups):
        part = rows[rows[split].astype(str) == group] if split else rows
        means = part.groupby("patient")[["start", "end"]].mean()
        drawn = _group_look(k)
        ax.plot([0, 1], means.to_numpy(float).T, lw=0.7, ms=2.6, alpha=0.75, zorder=2, **drawn)
        mark = {"marker": drawn["marker"], "mec": drawn["color"], "mfc": PAPER, "mew": 1.3}
        for place, name in ((-0.16, "start"), (1.16, "end")) if len(means) > 1 else ():
            ax.plot(place, means[name].mean(), ms=5.5, **mark)
    ax.set_xlim(-0.4, 1.4)
    ax.set_xticks([0, 1], ["start", "end"])
    ax.grid(axis="x", visible=False)


def _group_look(k: int) -> dict[str, Any]:
    """Colour, line and mark of the first, second, ... group."""
    return look((0, 2, 1, 3)[k % 4]) | {"marker": MARKERS[k % 4], "ls": _DASHES[k % 4]}


def _groups_legend(figure: Figure, drawn: pd.Series, groups: list[str]) -> None:
    """Groups of which somebody is drawn, with the patients drawn in any panel."""
    handles = [
        Line2D(
            [],
            [],
            lw=1.2,
            ms=4,
            label=f"{group} (n = {drawn[group]}{few_mark(drawn[group])})",
            **_group_look(k),
        )
        for k, group in enumerate(groups)
        if group in drawn.index
    ]
    figure.legend(handles=handles, loc="outside upper left", ncols=len(handles), handlelength=3)


def _head(of: pd.DataFrame, split: str | None, drawn: pd.Series, ax: Axes) -> None:
    """Name of the measure, and the difference of each group under it."""
    texts = []
    for row in records(of):
        group = str(getattr(row, split)) if split else ""
        whose = f"{group}: " if split and len(of) > 1 else ""
        fewer = (
            f", n = {row.patients}{few_mark(row.patients)}"
            if split and row.patients != drawn[group]
            else ""
        )
        texts.append(f"{whose}{_difference(row)}{fewer}")
    ax.set_title(measure_title(of), pad=6 + 9.5 * len(texts))
    ax.annotate(
        "\n".join(texts), (0, 1), (0, 4), xycoords="axes fraction", textcoords="offset points",
        fontsize=6.5, va="bottom", color=INK, linespacing=1.3, annotation_clip=False,
    )  # fmt: skip


def _difference(row: Any) -> str:
    difference, low, high = (signed(x, 1) for x in (row.difference, row.low, row.high))
    return f"{difference} ({low} to {high})" if np.isfinite(row.low) else difference


def _pair_words(table: pd.DataFrame, measures: list[str], split: str | None) -> str:
    parts = []
    for row in records(table[table["measure"].isin(measures)]):
        group = f", {getattr(row, split)}" if split else ""
        aim = f", {row.met} of {row.with_target} on target" if row.with_target else ""
        parts.append(
            f"{measure_name(row.measure)}{group}: from {number(row.start_mean, 1)} to "
            f"{number(row.end_mean, 1)} {unit_symbol(str(row.unit))}, difference {_difference(row)}, "
            f"{patients_counted(row.patients)}{aim}"
        )
    return f"Measures before and after, a line for each patient. {'; '.join(parts)}."
