"""One patient on one page: courses in time, measures against target, key teeth, what was left."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from outcomes.clinical.case import course_times, measured
from outcomes.clinical.following import first_not_measured, history, remaining
from outcomes.domain.limits import TOLERANCE, within_tolerance
from outcomes.domain.names import measure_name
from outcomes.errors import InputError
from outcomes.figures.arches import draw_outlines, outline_notes
from outcomes.figures.base import (
    COLOURS,
    FAINT,
    FULL_WIDTH,
    INK,
    MARKERS,
    PAPER,
    QUIET,
    fill,
    lines_of,
    name_rows,
    records,
    set_alt_text,
    style,
)
from outcomes.figures.measure_course import draw_course_of, measure_title
from outcomes.figures.rows import write_beside
from outcomes.words.english import counted, listed, lower_first, number_of, wrapped
from outcomes.words.numbers import number
from outcomes.words.units import unit_mark, unit_symbol

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

PANELS = 8
"""Measures shown on a page."""
KEY_TEETH = 8
"""Movements shown in each unit."""
_GLYPHS = "●■▲◆"  # of MARKERS, in text
ARCHES = 4
"""Arches in a line."""
_NAMED = 4
"""Movements named, the largest first."""


def case_page(
    cohort: Cohort,
    patient: str,
    *,
    width: float = FULL_WIDTH,
    outlines: pd.DataFrame | None = None,
) -> np.ndarray:
    """Draw one case on a page.

    Parameters
    ----------
    cohort
        With movements; courses and measures where they were recorded.
    patient
        Which patient.
    width
        Inches.
    outlines
        Of crowns at the start, as planned and in the outcome, where scans were measured: see
        `outcomes.measure.outlines.outlines`. The patient's are drawn, a panel for each course and
        arch.

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
    words = _left_words(left, values)
    if unknown:
        words.append(f"First course not measured: {counted(unknown, 'planned movement')}.")
    if not len(left) and not len(values):
        words.append("Nothing of this patient is measured yet.")
    curves = _outlines_of(outlines, patient)
    words = [*words, *_outline_words(curves), "Crowns were measured, not roots or bone."]
    with style():
        axes = _page(cohort, patient, width, times, values, left, words, curves)
        set_alt_text(axes[0], " ".join([f"Case {patient}.", _time_words(times), *words]))
    return axes


def _page(
    cohort: Cohort,
    patient: str,
    width: float,
    times: pd.DataFrame,
    values: pd.DataFrame,
    left: pd.DataFrame,
    words: list[str],
    curves: dict[tuple[int, str], pd.DataFrame],
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
        *([2.1 * lines_of(len(curves), ARCHES)] if curves else []),
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
        axes += [_key_teeth(rows, left, unit, ax) for unit, ax in zip(units, panels, strict=True)]
    if curves:
        axes += _arches(curves, width, parts.pop(0))
    axes.append(_text_panel(text, parts.pop(0).subplots()))
    return np.array(axes, dtype=object)


def _heading(cohort: Cohort, patient: str) -> str:
    parts = [patient]
    table = cohort.patients
    person = table[table["patient"] == patient] if "patient" in table else table
    known = person.iloc[0].dropna() if len(person) else pd.Series(dtype=object)
    forms = {"malocclusion": "{}", "sex": "{}", "age": "{:g} years"}
    parts += [form.format(known[name]) for name, form in forms.items() if name in known]
    if str(known.get("growing")) == "yes":
        parts.append("growing")
    if cohort.invented:
        parts.append("invented demonstration data")
    return "  ·  ".join(parts)


def _timeline(times: pd.DataFrame, ax: Axes) -> Axes:
    last = float(times["end"].max())
    for place, row in enumerate(records(times)):
        if np.isfinite(row.start) and np.isfinite(row.end):
            fill_of = (COLOURS[0], None) if row.scanned else (PAPER, "////")
            ax.barh(
                place, row.end - row.start, left=row.start, height=0.55, color=fill_of[0],
                edgecolor=COLOURS[0], hatch=fill_of[1],
            )  # fmt: skip
        write_beside(_course_text(row), 1, place, 6, ax)
    name_rows([f"Course {row.course}" for row in records(times)], ax, top=0.6, bottom=0.6)
    ax.spines["left"].set_visible(False)
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
    seen = values.groupby("measure", sort=False).agg({"value": "size", "target": "count"})
    seen = seen[seen["value"] > 1]
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


def _outlines_of(
    outlines: pd.DataFrame | None, patient: str
) -> dict[tuple[int, str], pd.DataFrame]:
    """(course, arch) -> the outlines of a patient in occlusal view, upper first."""
    if outlines is None:
        return {}
    rows = outlines[(outlines["patient"] == patient) & (outlines["view"] == "occlusal")]
    found = {
        (course, arch): rows[(rows["course"] == course) & (rows["arch"] == arch)]
        for course in sorted(rows["course"].unique())
        for arch in ("upper", "lower")
    }
    return {which: part for which, part in found.items() if len(part)}


def _arches(curves: dict[tuple[int, str], pd.DataFrame], width: float, part: Any) -> list[Axes]:
    across = max(3, min(ARCHES, len(curves)))
    panels = list(fill(part, len(curves), across))
    for ((course, arch), rows), ax in zip(curves.items(), panels, strict=True):
        title = f"{arch.capitalize()} arch, course {course}"
        draw_outlines(rows, "occlusal", width / across, ax, title=title)
    return panels


def _outline_words(curves: dict[tuple[int, str], pd.DataFrame]) -> list[str]:
    if not curves:
        return []
    notes = [
        f"Course {course}, {arch} arch: {lower_first(note)}"
        for (course, arch), rows in curves.items()
        for note in outline_notes(rows)
    ]
    key = "Outlines of the crowns from scans: grey the start, dashed the plan, solid the outcome."
    return [key, *notes]


def _text_panel(text: str, ax: Axes) -> Axes:
    ax.set_axis_off()
    ax.text(0, 1, text, va="top", fontsize=7.8, linespacing=1.45, transform=ax.transAxes)
    return ax


def _key_teeth(rows: pd.DataFrame, left: pd.DataFrame, unit: str, ax: Axes) -> Axes:
    """The largest movements of a patient, and what ``outcomes.clinical.remaining`` says of them.

    Where each course should have brought the tooth (open) and did (filled), and the aim.
    """
    keys = left[left["unit"] == unit].nlargest(KEY_TEETH, "largest")
    keys = keys.sort_values(["movement", "tooth"], kind="stable").reset_index(drop=True)
    last = (_draw_tooth(rows, key, place, ax) for place, key in enumerate(records(keys)))
    most = max(last, default=1)
    name_rows([_name(key) for key in records(keys)], ax, top=0.6, bottom=0.6, fontsize=7)
    ax.axvline(0, color=QUIET, lw=0.7, zorder=1)
    ax.set_title(f"Key movements, {unit_symbol(unit)}")
    courses = "   ".join(f"{_GLYPHS[k % len(_GLYPHS)]} course {k + 1}" for k in range(most))
    ax.set_xlabel(
        f"open: planned, filled: achieved; bar: aim ± {keys['limit'].iloc[0]:g}"
        f"{'; dotted: first aim' if (keys['aims'] > 1).any() else ''}\n{courses}",
        fontsize=7,
    )
    return ax


def _name(key: Any) -> str:
    begun = f", from course {key.begun}" if key.begun > 1 else ""
    return f"{key.tooth} {key.movement}{begun}{f', to course {key.last}' * bool(key.not_followed)}"


def _draw_tooth(rows: pd.DataFrame, key: Any, place: int, ax: Axes) -> int:
    """Draw one row of the panel; the number of its last course."""
    steps = rows[(rows["tooth"] == key.tooth) & (rows["movement"] == key.movement)]
    steps = steps[steps["course"].between(key.begun, key.last)]
    steps = steps.dropna(subset="achieved").sort_values("course")
    ended = steps["achieved"].cumsum().to_numpy(float)
    wanted = np.concatenate([[0.0], ended[:-1]]) + steps["planned"].to_numpy(float)
    ax.barh(place, 2 * key.limit, left=key.aim - key.limit, height=0.62, color=FAINT, alpha=0.35)
    upright = [place - 0.36, place + 0.36]
    ax.plot([key.aim] * 2, upright, color=INK, lw=1.6, zorder=2)
    if key.aims > 1:
        dotted: dict[str, Any] = {"lw": 1.1, "dashes": (1, 1.2), "label": "first aim"}
        ax.plot([key.first_aim] * 2, upright, color=INK, zorder=2, **dotted)
    ax.plot([0, *ended], [place + 0.12] * (len(ended) + 1), color=COLOURS[0], lw=1, zorder=2)
    for course, plan, end in zip(steps["course"], wanted, ended, strict=True):
        mark = MARKERS[(int(course) - 1) % len(MARKERS)]
        dot: dict[str, Any] = {"marker": mark, "mec": COLOURS[0], "ms": 4.2, "ls": "none"}
        ax.plot(plan, place - 0.18, mfc=PAPER, zorder=3, **dot)
        ax.plot(end, place + 0.12, mfc=COLOURS[0], zorder=3, **dot)
    return int(steps["course"].max()) if len(steps) else 1


def _course_text(row: Any) -> str:
    """A course of ``course_times``: its aligners, wear, elastics, and whether it was scanned."""
    parts = []
    if pd.notna(row.aligners):
        text = f"{row.aligners:g} aligners"
        if pd.notna(row.days_per_aligner):
            days = row.days_per_aligner
            text += f" × {days:g} day{'' if days == 1 else 's'}"
        parts.append(text)
    if pd.notna(row.wear_hours):
        parts.append(f"wear {row.wear_hours:g} h a day")
    if pd.notna(row.elastics) and str(row.elastics) not in ("none", ""):
        parts.append(f"elastics: {str(row.elastics).replace('_', ' ')}")
    if not row.scanned:
        parts.append("not scanned yet")
    return ", ".join(parts)


def _time_words(times: pd.DataFrame) -> str:
    """The courses of ``course_times`` in a sentence."""
    if not len(times):
        return ""
    parts = [f"course {row.course}: {_course_text(row)}" for row in records(times)]
    return f"{counted(len(times), 'course')}: {'; '.join(parts)}."


def _left_words(left: pd.DataFrame, values: pd.DataFrame) -> list[str]:
    """What was left at the last scan, in sentences; everything in them is in the tables given."""
    sentences = []
    if len(left):
        missed = left[~left["within"]]
        limit_of = dict(zip(left["unit"], left["limit"], strict=True))
        limits = " or ".join(f"{limit_of[u]:g}{unit_mark(u)}" for u in TOLERANCE if u in limit_of)
        sentences.append(
            f"Left at the last scan: {len(missed)} of {counted(len(left), 'planned movement')} "
            f"more than {limits} from the aim."
        )
        worst = missed.assign(size=missed["left"].abs() / missed["limit"]).nlargest(_NAMED, "size")
        if len(worst):
            parts = [
                f"{row.movement} of {row.tooth} ({number(abs(row.left), 1)}{unit_mark(row.unit)})"
                for row in records(worst)
            ]
            sentences.append(f"Furthest from the aim: {listed(parts)}.")
        sentences += _followed_words(left)
    return [*sentences, *_target_words(values)]


def _followed_words(left: pd.DataFrame) -> list[str]:
    """Aims that were changed, movements begun later, and those whose last state is not known."""
    sentences = []
    changed = left[left["aims"] > 1].assign(size=lambda t: (t["aim"] - t["first_aim"]).abs())
    if len(changed):
        shown = changed.assign(size=changed["size"] / changed["limit"]).nlargest(_NAMED, "size")
        parts = [
            f"{row.movement} of {row.tooth} (first {number(row.first_aim, 1)}, now "
            f"{number(row.aim, 1)}{unit_mark(row.unit)})"
            for row in records(shown)
        ]
        more = ", among others" if len(changed) > len(shown) else ""
        sentences.append(
            f"A later course set a new aim, which is the one judged, in "
            f"{counted(len(changed), 'movement')}: {listed(parts)}{more}."
        )
    late = left[left["begun"] > 1]
    if len(late):
        sentences.append(
            f"Begun in a later course and counted from it: {counted(len(late), 'movement')}."
        )
    lost = int((left["not_followed"] > 0).sum())
    if lost:
        sentences.append(
            f"A later course is not measured or not recorded in {counted(lost, 'movement')}: their "
            "state is that of the course before."
        )
    return sentences


def _target_words(values: pd.DataFrame) -> list[str]:
    if not len(values):
        return []
    last = values.dropna(subset="target").sort_values("after_course")
    last = last.groupby("measure", sort=False).tail(1)
    last = last[(last["after_course"] > 0) & last["unit"].isin(TOLERANCE)]
    if not len(last):
        return []
    on = within_tolerance(last["value"] - last["target"], last["unit"].map(TOLERANCE))
    reached = [measure_name(name) for name in last.loc[on, "measure"]]
    missed = [
        f"{measure_name(row.measure)} ({number(row.value, 1)} against a target of "
        f"{number(row.target, 1)}{unit_mark(row.unit)})"
        for row in records(last[~on])
    ]
    said = {"On target": reached, "Not on target": missed}
    return [f"{which}: {listed(names)}." for which, names in said.items() if names]
