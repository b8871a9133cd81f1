"""One patient on one page: courses in time, measures against target, key teeth, what was left."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from outcomes.clinical.case import course_times, measured
from outcomes.clinical.following import first_not_measured, history, remaining
from outcomes.domain.limits import TOLERANCE
from outcomes.errors import InputError
from outcomes.figures.base import (
    COLOURS,
    FULL_WIDTH,
    PAPER,
    fill,
    lines_of,
    records,
    set_alt_text,
    style,
)
from outcomes.figures.case_words import course_text, left_words, time_words
from outcomes.figures.key_teeth import KEY_TEETH, key_teeth
from outcomes.figures.measure_course import draw_course_of, measure_title
from outcomes.words.english import counted, number_of, wrapped

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["case_page"]

PANELS = 8
"""Measures shown on a page."""


def case_page(cohort: Cohort, patient: str, *, width: float = FULL_WIDTH) -> np.ndarray:
    """Draw one case on a page.

    Parameters
    ----------
    cohort
        With movements; courses and measures where they were recorded.
    patient
        Which patient.
    width
        Inches.

    Returns
    -------
    ndarray of Axes

    Raises
    ------
    InputError
        If the cohort has no such patient.

    Examples
    --------
    >>> from outcomes.cohort.read import from_frames
    >>> rows = pd.DataFrame({"patient": "P001", "tooth": [11, 21], "movement": "rotation",
    ...     "planned": [10.0, -8.0], "achieved": [6.0, -7.0]})
    >>> axes = case_page(from_frames(rows, notation="fdi"), "P001")
    >>> [ax.get_title(loc="left") for ax in axes][:1]
    ['Key movements, °']
    """
    if patient not in cohort.treated:
        raise InputError(f"No patient {patient!r} in this cohort.")
    values = measured(cohort, patient)
    every = history(cohort)
    every = every[every["patient"] == patient]
    left, unknown = remaining(every), len(first_not_measured(every))
    times = course_times(cohort, patient)
    words = left_words(left, values)
    if unknown:
        words.append(f"First course not measured: {counted(unknown, 'planned movement')}.")
    if not len(left) and not len(values):
        words.append("Nothing of this patient is measured yet.")
    words = [*words, "Crowns were measured, not roots or bone."]
    with style():
        axes = _page(cohort, patient, width, times, values, left, words)
        set_alt_text(axes[0], " ".join([f"Case {patient}.", time_words(times), *words]))
    return axes


def _page(
    cohort: Cohort,
    patient: str,
    width: float,
    times: pd.DataFrame,
    values: pd.DataFrame,
    left: pd.DataFrame,
    words: list[str],
) -> np.ndarray:
    """Lay the page out and draw its parts."""
    shown = _chosen(values)
    units = [unit for unit in TOLERANCE if (left["unit"] == unit).any()]
    columns = min(4, max(1, len(shown)))
    lines = lines_of(len(shown), columns)
    deep = max((min(KEY_TEETH, int((left["unit"] == unit).sum())) for unit in units), default=0)
    text = "\n".join(wrapped(sentence, int(width / 0.058)) for sentence in words)
    heights = [
        *([0.62 + 0.2 * len(times)] if len(times) else []),
        *([1.45 * lines] if lines else []),
        *([0.95 + 0.21 * deep] if units else []),
        0.25 + 0.15 * (text.count("\n") + 1),
    ]
    figure = Figure(figsize=(width, sum(heights) + 0.35), layout="constrained")
    figure.suptitle(_heading(cohort, patient), x=0.012, ha="left", fontsize=10, weight="bold")
    parts = list(np.ravel(figure.subfigures(len(heights), 1, height_ratios=heights, squeeze=False)))
    axes: list[Axes] = []
    if len(times):
        axes.append(_timeline(times, parts.pop(0).subplots()))
    if lines:
        axes += _measure_panels(values, shown, parts.pop(0), columns)
    if units:
        rows = cohort.movements[cohort.movements["patient"] == patient]
        panels = fill(parts.pop(0), len(units), len(units))
        axes += [key_teeth(rows, left, unit, ax) for unit, ax in zip(units, panels, strict=True)]
    axes.append(_text_panel(text, parts.pop(0).subplots()))
    return np.array(axes, dtype=object)


def _heading(cohort: Cohort, patient: str) -> str:
    parts = [patient]
    table = cohort.patients
    person = table[table["patient"] == patient] if "patient" in table else table
    if len(person):
        row = person.iloc[0]
        for name, form in (("malocclusion", "{}"), ("sex", "{}"), ("age", "{:g} years")):
            if name in person and pd.notna(row[name]):
                parts.append(form.format(row[name]))
        if "growing" in person and pd.notna(row["growing"]) and str(row["growing"]) == "yes":
            parts.append("growing")
    if cohort.invented:
        parts.append("invented demonstration data")
    return "  ·  ".join(parts)


def _timeline(times: pd.DataFrame, ax: Axes) -> Axes:
    last = float(times["end"].max())
    for place, row in enumerate(records(times)):
        if np.isfinite(row.start) and np.isfinite(row.end):
            ax.barh(
                place,
                row.end - row.start,
                left=row.start,
                height=0.55,
                color=COLOURS[0] if row.scanned else PAPER,
                edgecolor=COLOURS[0],
                hatch=None if row.scanned else "////",
            )
        ax.annotate(
            course_text(row),
            (1, place),
            (6, 0),
            xycoords=("axes fraction", "data"),
            textcoords="offset points",
            va="center_baseline",
            fontsize=7.5,
            annotation_clip=False,
        )
    ax.set_ylim(len(times) - 0.4, -0.6)
    ax.set_yticks(range(len(times)), [f"Course {row.course}" for row in records(times)])
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    ax.grid(axis="y", visible=False)
    if np.isfinite(last):
        ax.set_xlim(0, last * 1.01)
    else:
        ax.set_xticks([])
    source = "" if times["dated"].all() else ", from aligners and days each"
    ax.set_xlabel(f"Days from the start{source}", labelpad=2)
    ax.set_title("Courses")
    return ax


def _chosen(values: pd.DataFrame) -> list[str]:
    """Measures with a target first, then the others; those seen twice only."""
    if not len(values):
        return []
    seen = values.groupby("measure", sort=False).agg(
        times=("value", "size"), target=("target", "count")
    )
    seen = seen[seen["times"] > 1]
    return [*seen.index[seen["target"] > 0], *seen.index[seen["target"] == 0]][:PANELS]


def _measure_panels(values: pd.DataFrame, shown: list[str], part: Any, columns: int) -> list[Axes]:
    panels = list(fill(part, len(shown), columns))
    for name, ax in zip(shown, panels, strict=True):
        rows = values[values["measure"] == name]
        draw_course_of(rows, ax)
        teeth = int(rows["teeth"].max())
        mean = f"\nmean of {number_of(teeth, 'tooth', 'teeth')}" if teeth else ""
        ax.set_title(f"{measure_title(rows)}{mean}", fontsize=7.5, pad=4)
    return panels


def _text_panel(text: str, ax: Axes) -> Axes:
    ax.set_axis_off()
    ax.text(0, 1, text, va="top", fontsize=7.8, linespacing=1.45, transform=ax.transAxes)
    return ax
