"""The whole series: a small panel for each patient, and measures before and after."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from outcomes.errors import InputError
from outcomes.figures.base import (
    COLOURS,
    FAINT,
    FULL_WIDTH,
    INK,
    MARKERS,
    QUIET,
    records,
    set_alt_text,
    style,
)
from outcomes.figures.case import draw_course_of, measure_name, measured
from outcomes.words.english import counted

if TYPE_CHECKING:
    from outcomes.clinical.measures import BeforeAfter
    from outcomes.cohort.records import Cohort

__all__ = ["before_after_panels", "series_panels"]

_UNIT = {"mm": "mm", "degree": "°"}
_DASHES = ("-", (0, (3.5, 2)), (0, (1, 1.6)), (0, (5, 1.5, 1, 1.5)))


def series_panels(
    cohort: Cohort,
    measure: str,
    *,
    width: float = FULL_WIDTH,
    columns: int | None = None,
    height: float = 1.12,
    kinds: bool = True,
) -> np.ndarray:
    """A panel for each patient: one measure after each course, against its target.

    Parameters
    ----------
    cohort
        With measures.
    measure
        Which of them.
    width
        Inches.
    columns
        Panels in a line; by default one for each 1.1 inches.
    height
        Of a line of panels, inches.
    kinds
        Whether panels with room name the malocclusion of their patient.

    Returns
    -------
    ndarray of Axes

    Raises
    ------
    InputError
        If nobody was measured.

    Examples
    --------
    >>> from outcomes.cohort.read import from_frames
    >>> rows = pd.DataFrame({"patient": ["P001", "P002"], "tooth": 11, "movement": "rotation",
    ...     "planned": 10.0, "achieved": 6.0})
    >>> measures = pd.DataFrame({"patient": ["P001", "P001", "P002", "P002"],
    ...     "after_course": [0, 1, 0, 1], "measure": "overbite", "value": [4.0, 2.5, 5.0, 3.0]})
    >>> cohort = from_frames(rows, measures=measures, notation="fdi")
    >>> len(series_panels(cohort, "overbite"))
    2
    """
    values = measured(cohort)
    values = values[values["measure"] == measure]
    if not len(values):
        raise InputError(f"{measure} was measured in nobody.")
    patients = list(dict.fromkeys(values["patient"]))
    columns = min(len(patients), columns or max(1, int(width / 1.1)))
    lines = -(-len(patients) // columns)
    unit = _UNIT.get(str(values["unit"].iloc[0]), "")
    known = _kinds(cohort) if kinds else {}
    with style():
        figure = Figure(figsize=(width, 0.75 + height * lines), layout="constrained")
        axes = np.ravel(figure.subplots(lines, columns, sharey=True, squeeze=False))
        for spare in axes[len(patients) :]:
            spare.remove()
        axes = axes[: len(patients)]
        spread = pd.concat([values["value"], values["target"].dropna()])
        room = 0.12 * max(1.0, float(np.ptp(spread)))
        last = int(values["after_course"].max())
        for place, (patient, ax) in enumerate(zip(patients, axes, strict=True)):
            draw_course_of(values[values["patient"] == patient], ax, labels=False)
            ax.set_ylim(spread.min() - room, spread.max() + room)
            ax.set_xlim(-0.35, last + 0.35)
            ax.set_xticks(range(last + 1), ["0", *map(str, range(1, last + 1))])
            roomy = width / columns > 0.95
            name = patient + (f", {known[patient]}" if known.get(patient) and roomy else "")
            ax.set_title(name, fontsize=7, pad=3, weight="normal")
            if place % columns:
                ax.tick_params(labelleft=False)
        name = measure_name(measure)
        figure.supylabel(f"{name[0].upper()}{name[1:]}{', ' if unit else ''}{unit}", fontsize=8)
        figure.supxlabel("After course (0 = start)", fontsize=8)
        set_alt_text(axes[0], _panel_words(values, measure))
    return axes


def _kinds(cohort: Cohort) -> dict[str, str]:
    table = cohort.patients
    if "malocclusion" not in table.columns:
        return {}
    known = table.dropna(subset="malocclusion")
    return dict(zip(known["patient"].astype(str), known["malocclusion"].astype(str), strict=True))


def _panel_words(values: pd.DataFrame, measure: str) -> str:
    unit = _UNIT.get(str(values["unit"].iloc[0]), "")
    parts = []
    for patient, rows in values.groupby("patient", sort=False):
        rows = rows.sort_values("after_course")
        course = ", ".join(f"{value:.1f}".replace("-", "−") for value in rows["value"])
        target = rows["target"].dropna()
        aim = f" (target {target.iloc[-1]:.1f})" if len(target) else ""
        parts.append(f"{patient}: {course}{aim}")
    return (
        f"{measure_name(measure).capitalize()}, {unit}, at the start and after each course, one "
        f"panel for each of {counted(values['patient'].nunique(), 'patient')}. {'; '.join(parts)}."
    )


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

    Returns
    -------
    ndarray of Axes

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
    from outcomes.domain.tables import MEASURES

    table = result.table[result.table["period"] == "total"]
    table = table[table["patients"] > 0]
    people = result.patients[result.patients["period"] == "total"]
    if measures is None:
        aimed = table.loc[table["with_target"] > 0, "measure"]
        found = set(aimed if len(aimed) else table["measure"])
        measures = [name for name in MEASURES if name in found]
        measures += sorted(found - set(measures))
    if not measures or not len(people):
        raise InputError("No measure was taken before and after.")
    columns = min(len(measures), columns or max(1, int(width / 1.6)))
    lines = -(-len(measures) // columns)
    groups = list(dict.fromkeys(table[split].astype(str))) if split else [""]
    shown = people[people["measure"].isin(measures)]
    drawn = shown.groupby(shown[split].astype(str))["patient"].nunique() if split else pd.Series()
    with style():
        # The first line is as high as the others plus the legend above it.
        height = lines * (1.75 + 0.13 * len(groups)) + 0.45
        figure = Figure(figsize=(width, height), layout="constrained")
        axes = np.ravel(figure.subplots(lines, columns, squeeze=False))
        for spare in axes[len(measures) :]:
            spare.remove()
        axes = axes[: len(measures)]
        for measure, ax in zip(measures, axes, strict=True):
            rows = people[people["measure"] == measure]
            of = table[table["measure"] == measure]
            _draw_pairs(rows, split, groups, ax)
            _head(of, split, drawn, ax)
        if split:
            _groups_legend(figure, drawn, groups)
        set_alt_text(axes[0], _pair_words(table, measures, split))
    return axes


def _draw_pairs(rows: pd.DataFrame, split: str | None, groups: list[str], ax: Axes) -> None:
    from outcomes.domain.movements import TOLERANCE

    target = rows["target"].dropna()
    if len(target) and target.nunique() == 1:
        aim, band = float(target.iloc[0]), TOLERANCE.get(str(rows["unit"].iloc[0]))
        if band:
            ax.axhspan(aim - band, aim + band, color=FAINT, alpha=0.35, lw=0, zorder=0.5)
        ax.axhline(aim, color=QUIET, lw=0.9, dashes=(4, 2.5), zorder=0.9)
    for number, group in enumerate(groups):
        part = rows[rows[split].astype(str) == group] if split else rows
        means = part.groupby("patient")[["start", "end"]].mean()
        look = _look(number)
        for start, end in means.to_numpy(float):
            ax.plot([0, 1], [start, end], lw=0.7, ms=2.6, alpha=0.75, zorder=2, **look)
        if len(means) > 1:
            for place, value in ((-0.16, means["start"].mean()), (1.16, means["end"].mean())):
                ax.plot(
                    place,
                    value,
                    marker=look["marker"],
                    ms=5.5,
                    mfc="white",
                    mew=1.3,
                    mec=look["color"],
                )
    ax.set_xlim(-0.4, 1.4)
    ax.set_xticks([0, 1], ["start", "end"])
    ax.grid(axis="x", visible=False)


def _look(number: int) -> dict[str, Any]:
    """Colour, line and mark of a group."""
    return {
        "color": COLOURS[(0, 2, 1, 3)[number % 4]],
        "ls": _DASHES[number % len(_DASHES)],
        "marker": MARKERS[number % len(MARKERS)],
    }


def _groups_legend(figure: Figure, drawn: pd.Series, groups: list[str]) -> None:
    """Groups of which somebody is drawn, with the patients drawn in any panel."""
    handles = [
        Line2D([], [], lw=1.2, ms=4, label=f"{group} (n = {drawn[group]})", **_look(number))
        for number, group in enumerate(groups)
        if group in drawn.index
    ]
    figure.legend(handles=handles, loc="outside upper left", ncols=len(handles), handlelength=3)


def _head(of: pd.DataFrame, split: str | None, drawn: pd.Series, ax: Axes) -> None:
    """Name of the measure, and the difference of each group under it."""
    name = measure_name(str(of["measure"].iloc[0]))
    unit = _UNIT.get(str(of["unit"].iloc[0]), "")
    texts = []
    for row in records(of):
        group = str(getattr(row, split)) if split else ""
        few = f"{group}: " if split and len(of) > 1 else ""
        fewer = f", n = {row.patients}" if split and row.patients != drawn[group] else ""
        texts.append(f"{few}{_difference(row)}{fewer}")
    ax.set_title(f"{name[0].upper()}{name[1:]}, {unit}", pad=6 + 9.5 * len(texts))
    ax.annotate(
        "\n".join(texts),
        (0, 1),
        (0, 4),
        xycoords="axes fraction",
        textcoords="offset points",
        fontsize=6.5,
        va="bottom",
        color=INK,
        linespacing=1.3,
        annotation_clip=False,
    )


def _signed(value: float) -> str:
    text = f"{value:+.1f}".replace("-", "−")
    return "0.0" if text[1:] == "0.0" else text


def _difference(row: Any) -> str:
    if not np.isfinite(row.low):
        return _signed(row.difference)
    return f"{_signed(row.difference)} ({_signed(row.low)} to {_signed(row.high)})"


def _pair_words(table: pd.DataFrame, measures: list[str], split: str | None) -> str:
    parts = []
    for row in records(table[table["measure"].isin(measures)]):
        group = f", {getattr(row, split)}" if split else ""
        aim = f", {row.met} of {row.with_target} on target" if row.with_target else ""
        parts.append(
            f"{measure_name(row.measure)}{group}: from {row.start_mean:.1f} to {row.end_mean:.1f} "
            f"{_UNIT.get(str(row.unit), '')}, difference {_difference(row)}, "
            f"{counted(row.patients, 'patient')}{aim}"
        )
    return (
        "Measures before and after, a line for each patient. " + "; ".join(parts) + "."
    ).replace(" -", " −")
