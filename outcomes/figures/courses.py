"""Patients over their courses: measures of each, before and after, and shares of the aim."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from outcomes.clinical.case import measured
from outcomes.domain.limits import TOLERANCE
from outcomes.domain.names import heading, measure_name
from outcomes.domain.tables import MEASURES
from outcomes.errors import InputError
from outcomes.figures.base import (
    COLOURS,
    FAINT,
    FULL_WIDTH,
    GUIDE,
    INK,
    MARKERS,
    PAPER,
    lines_of,
    look,
    panels,
    records,
    set_alt_text,
    style,
    three_in_a_line,
)
from outcomes.words.english import capital, counted, listed
from outcomes.words.numbers import bare_percent, number, signed
from outcomes.words.units import unit_symbol

if TYPE_CHECKING:
    from outcomes.clinical.courses import Courses
    from outcomes.clinical.measures import BeforeAfter
    from outcomes.cohort.records import Cohort

__all__ = ["before_after_panels", "courses_curve", "series_panels"]

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
    known = _kinds(cohort) if kinds else {}
    with style():
        high = 0.75 + height * lines_of(len(patients), columns)
        axes = panels(len(patients), width, high, columns, sharey=True)
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
        figure = axes[0].get_figure(root=True)
        figure.supylabel(measure_title(values), fontsize=8)
        figure.supxlabel("After course (0 = start)", fontsize=8)
        set_alt_text(axes[0], _panel_words(values, measure))
    return axes


def _kinds(cohort: Cohort) -> dict[str, str]:
    if "malocclusion" not in cohort.patients.columns:
        return {}
    known = cohort.patients.dropna(subset="malocclusion")
    return dict(known[["patient", "malocclusion"]].astype(str).to_numpy())


def _panel_words(values: pd.DataFrame, measure: str) -> str:
    unit = unit_symbol(str(values["unit"].iloc[0]))
    parts = []
    for patient, rows in values.groupby("patient", sort=False):
        rows = rows.sort_values("after_course")
        course = ", ".join(number(value, 1) for value in rows["value"])
        target = rows["target"].dropna()
        aim = f" (target {number(target.iloc[-1], 1)})" if len(target) else ""
        parts.append(f"{patient}: {course}{aim}")
    return (
        f"{capital(measure_name(measure))}, {unit}, at the start and after each course, one "
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
        Line2D([], [], lw=1.2, ms=4, label=f"{group} (n = {drawn[group]})", **_group_look(k))
        for k, group in enumerate(groups)
        if group in drawn.index
    ]
    figure.legend(handles=handles, loc="outside upper left", ncols=len(handles), handlelength=3)


def _head(of: pd.DataFrame, split: str | None, drawn: pd.Series, ax: Axes) -> None:
    """Name of the measure, and the difference of each group under it."""
    texts = []
    for row in records(of):
        group = str(getattr(row, split)) if split else ""
        few = f"{group}: " if split and len(of) > 1 else ""
        fewer = f", n = {row.patients}" if split and row.patients != drawn[group] else ""
        texts.append(f"{few}{_difference(row)}{fewer}")
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
            f"{counted(row.patients, 'patient')}{aim}"
        )
    return f"Measures before and after, a line for each patient. {'; '.join(parts)}."


def courses_curve(courses: Courses, ax: Any = None) -> np.ndarray:
    """Share of the latest aim reached after each course, a panel a movement.

    Dots with intervals: all teeth measured, with the last state of whoever stopped. Dotted: what the
    first course's rate, repeated, would give.

    Parameters
    ----------
    courses
        What ``outcomes.courses`` returns.
    ax
        As many Axes as movements; a new figure if None.
    """
    table = courses.overall
    movements = list(dict.fromkeys(table["movement"]))
    by = [c for c in table.columns[: list(table.columns).index("course")] if c != "movement"]
    with style():
        axes = three_in_a_line(ax, len(movements), single=4.0, line=2.2, more=0.2)
        for panel, movement in zip(axes, movements, strict=False):
            _courses_panel(table[table["movement"] == movement], str(movement), by, panel)
    return axes


def _courses_panel(table: pd.DataFrame, movement: str, by: list[str], ax: Axes) -> None:
    key = table[by].astype(str).agg(" ".join, axis=1) if by else pd.Series("", index=table.index)
    said = []
    for k, (name, part) in enumerate(table.groupby(key, sort=False)):
        colour = look(k)["color"]
        x = np.r_[0, part["course"]]
        ax.plot(x, 100 * np.r_[0, part["arithmetic"]], color=colour, lw=1, dashes=(1.2, 1.5))
        ax.plot(x, 100 * np.r_[0, part["reached"]], color=colour, lw=1.4)
        error = np.abs(part[["low", "high"]].T.to_numpy() - part["reached"].to_numpy())
        ax.errorbar(
            part["course"], 100 * part["reached"], yerr=100 * error, linestyle="none",
            ms=4, elinewidth=1.1, label=str(name) or None, **look(k),
        )  # fmt: skip
        parts = [f"{bare_percent(r.reached)} % after course {r.course}" for r in records(part)]
        said.append(" ".join(filter(None, (str(name), listed(parts)))))
    treated = table.groupby("course")["still_treated"].max()
    labels = [f"{c}\n{n}" for c, n in treated.items()]
    ax.set_xticks([0, *treated.index], ["", *labels])
    ax.axhline(100, **GUIDE)
    ax.set_ylim(0, max(108, 100 * float(table["high"].fillna(0).max()) + 4))
    ax.set(title=heading(movement), ylabel="Share of the aim (%)")
    ax.set_xlabel("Course (patients with it below)")
    if by:
        ax.legend(loc="lower right", fontsize=6.5)
    set_alt_text(ax, f"{heading(movement)}, share of the aim: {'; '.join(said)}.")


def measure_title(rows: pd.DataFrame) -> str:
    """Name and unit of the measure of these rows: ``Overbite, mm``."""
    unit = unit_symbol(str(rows["unit"].iloc[0]))
    name = capital(measure_name(str(rows["measure"].iloc[0])))
    return f"{name}, {unit}" if unit else name


def draw_target(aim: float, unit: str, ax: Axes) -> None:
    """The target as a dashed line in the band of its tolerance."""
    if band := TOLERANCE.get(unit):
        ax.axhspan(aim - band, aim + band, color=FAINT, alpha=0.35, lw=0, zorder=0.5)
    ax.axhline(aim, zorder=0.9, **GUIDE)


def draw_course_of(rows: pd.DataFrame, ax: Axes, *, labels: bool = True) -> None:
    """Draw a measure of one patient; ``labels`` writes each value above its dot."""
    x, y = rows["after_course"].to_numpy(float), rows["value"].to_numpy(float)
    target = rows["target"].dropna()
    if len(target):
        draw_target(float(target.iloc[-1]), str(rows["unit"].iloc[0]), ax)
    ax.plot(x, y, marker="o", color=COLOURS[0], zorder=3)
    last = int(max(1, x.max()))
    ax.set_xlim(-0.35, last + 0.35)
    spread = [*y, *target]
    room = max(0.6, 0.28 * float(np.ptp(spread)))
    ax.set_ylim(min(spread) - room, max(spread) + room)
    ax.set_xticks(range(last + 1), ["start", *map(str, range(1, last + 1))])
    ax.grid(axis="x", visible=False)
    if labels:
        for place, value in zip(x, y, strict=True):
            ax.annotate(
                number(value, 1), (place, value), (0, 4.5), textcoords="offset points",
                ha="center", fontsize=6.5, zorder=4,
            )  # fmt: skip
