"""One patient on one page: courses in time, measures against target, key teeth, what was left."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

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
from outcomes.words.english import counted, listed, wrapped

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["case_page", "course_times", "measure_name", "measured"]

PANELS = 8
"""Measures shown on a page."""
KEY_TEETH = 8
"""Movements shown in each unit."""
_UNIT = {"mm": "mm", "degree": "°"}


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
    from outcomes.clinical.following import history
    from outcomes.clinical.remaining import first_not_measured, remaining

    if patient not in cohort.treated:
        raise InputError(f"No patient {patient!r} in this cohort.")
    values = measured(cohort, patient)
    every = history(cohort)
    every = every[every["patient"] == patient]
    left, unknown = remaining(every), len(first_not_measured(every))
    times = course_times(cohort, patient)
    shown = _chosen(values)
    units = [unit for unit in ("mm", "degree") if (left["unit"] == unit).any()]
    words = left_words(left, values)
    if unknown:
        words.append(f"First course not measured: {counted(unknown, 'planned movement')}.")
    if not len(left) and not len(values):
        words.append("Nothing of this patient is measured yet.")
    words = [*words, "Crowns were measured, not roots or bone."]
    with style():
        axes = _page(cohort, patient, width, times, shown, units, left, words)
        set_alt_text(axes[0], " ".join([f"Case {patient}.", _time_words(times), *words]))
    return axes


def _page(
    cohort: Cohort,
    patient: str,
    width: float,
    times: pd.DataFrame,
    shown: list[str],
    units: list[str],
    left: pd.DataFrame,
    words: list[str],
) -> np.ndarray:
    """Lay the page out and draw its parts."""
    columns = min(4, max(1, len(shown)))
    lines = -(-len(shown) // columns) if shown else 0
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
        axes += _measure_panels(cohort, patient, shown, parts.pop(0), lines, columns)
    if units:
        rows = cohort.movements[cohort.movements["patient"] == patient]
        panels = np.ravel(parts.pop(0).subplots(1, len(units), squeeze=False))
        axes += [_key_teeth(rows, left, unit, ax) for unit, ax in zip(units, panels, strict=True)]
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


def course_times(cohort: Cohort, patient: str) -> pd.DataFrame:
    """Courses of a patient in days from the start of the first.

    Returns
    -------
    DataFrame
        course, start, end (days), dated (from dates, else from aligners one after the other),
        aligners, days_per_aligner, wear_hours, elastics, scanned (a movement of it was measured).
    """
    rows = cohort.courses
    rows = rows[rows["patient"] == patient] if "patient" in rows else rows.iloc[:0]
    if not len(rows):
        return pd.DataFrame(columns=["course", "start", "end", "dated"])
    rows = rows.sort_values("course").reset_index(drop=True)
    optional = ("aligners", "days_per_aligner", "wear_hours", "elastics", "start", "end")
    rows = rows.assign(**{name: np.nan for name in optional if name not in rows.columns})
    days = rows["aligners"].astype(float) * rows["days_per_aligner"].astype(float)
    dated = bool(rows[["start", "end"]].notna().all(axis=None))
    if dated:
        first = rows["start"].min()
        start = (rows["start"] - first).dt.days.astype(float)
        end = (rows["end"] - first).dt.days.astype(float)
    else:
        end = days.cumsum()
        start = end - days
    seen = cohort.movements
    scanned = set(seen.loc[seen["patient"] == patient, "course"])
    table = rows[["course", "aligners", "days_per_aligner", "wear_hours", "elastics"]]
    return table.assign(start=start, end=end, dated=dated, scanned=rows["course"].isin(scanned))


def _timeline(times: pd.DataFrame, ax: Axes) -> Axes:
    last = float(times["end"].max())
    for place, row in enumerate(records(times)):
        if np.isfinite(row.start) and np.isfinite(row.end):
            ax.barh(
                place,
                row.end - row.start,
                left=row.start,
                height=0.55,
                color=COLOURS[0] if row.scanned else "white",
                edgecolor=COLOURS[0],
                hatch=None if row.scanned else "////",
            )
        ax.annotate(
            _course_text(row),
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


def _course_text(row: Any) -> str:
    parts = []
    if pd.notna(row.aligners):
        text = f"{row.aligners:g} aligners"
        if pd.notna(row.days_per_aligner):
            text += f" × {counted_days(row.days_per_aligner)}"
        parts.append(text)
    if pd.notna(row.wear_hours):
        parts.append(f"wear {row.wear_hours:g} h a day")
    if pd.notna(row.elastics) and str(row.elastics) not in ("none", ""):
        parts.append(f"elastics: {str(row.elastics).replace('_', ' ')}")
    if not row.scanned:
        parts.append("not scanned yet")
    return ", ".join(parts)


def counted_days(days: float) -> str:
    """
    >>> counted_days(7), counted_days(1)
    ('7 days', '1 day')
    """
    return f"{days:g} day{'' if days == 1 else 's'}"


def measured(cohort: Cohort, patient: str | None = None) -> pd.DataFrame:
    """Measures, a measure at teeth as the mean over them.

    Returns
    -------
    DataFrame
        patient, measure, after_course, value, target, unit, teeth (0 for a measure of the
        patient), with known measures in the order of the schema.
    """
    from outcomes.domain.tables import MEASURES

    columns = ["patient", "measure", "after_course", "value", "target", "unit", "teeth"]
    rows = cohort.measures
    if not len(rows):
        return pd.DataFrame(columns=columns)
    if patient is not None:
        rows = rows[rows["patient"] == patient]
    rows = rows.dropna(subset="value")
    if not len(rows):
        return pd.DataFrame(columns=columns)
    optional = {name: np.nan for name in ("target", "tooth") if name not in rows.columns}
    unit = rows["measure"].map(MEASURES)
    unit = rows["unit"].fillna(unit) if "unit" in rows.columns else unit
    rows = rows.assign(**optional).assign(unit=unit.fillna(""))
    table = (
        rows.groupby(["patient", "measure", "after_course"], sort=True)
        .agg(
            value=("value", "mean"),
            target=("target", "mean"),
            unit=("unit", "first"),
            teeth=("tooth", "count"),
        )
        .reset_index()
    )
    known = list(MEASURES)
    order = {name: known.index(name) if name in known else len(known) for name in table["measure"]}
    return (
        table.assign(place=table["measure"].map(order))
        .sort_values(["place", "measure", "patient", "after_course"], kind="stable")
        .drop(columns="place")
        .reset_index(drop=True)[columns]
    )


def measure_name(measure: str) -> str:
    """
    >>> measure_name("lower_face_height"), measure_name("arch_width_3_3")
    ('lower face height', 'arch width 3-3')
    """
    name = measure.replace("_3_3", " 3-3").replace("_6_6", " 6-6").replace("_", " ")
    return name.replace("apex to plate", "apex to labial plate")


def _chosen(values: pd.DataFrame) -> list[str]:
    """Measures with a target first, then the others; those seen twice only."""
    if not len(values):
        return []
    seen = values.groupby("measure", sort=False).agg(
        times=("value", "size"), target=("target", "count")
    )
    seen = seen[seen["times"] > 1]
    return [*seen.index[seen["target"] > 0], *seen.index[seen["target"] == 0]][:PANELS]


def _measure_panels(
    cohort: Cohort, patient: str, shown: list[str], part: Any, lines: int, columns: int
) -> list[Axes]:
    panels = np.ravel(part.subplots(lines, columns, squeeze=False))
    for spare in panels[len(shown) :]:
        spare.remove()
    values = measured(cohort, patient)
    for name, ax in zip(shown, panels, strict=False):
        draw_course_of(values[values["measure"] == name], ax)
        teeth = int(values.loc[values["measure"] == name, "teeth"].max())
        title = measure_name(name)
        unit = _UNIT.get(str(values.loc[values["measure"] == name, "unit"].iloc[0]), "")
        ax.set_title(
            f"{title[0].upper()}{title[1:]}, {unit}"
            + (f"\nmean of {counted(teeth, 'tooth').replace('tooths', 'teeth')}" if teeth else ""),
            fontsize=7.5,
            pad=4,
        )
    return list(panels[: len(shown)])


def draw_course_of(rows: pd.DataFrame, ax: Axes, *, labels: bool = True) -> None:
    """A measure of one patient after each course, its target dashed, the tolerance as a band."""
    from outcomes.domain.movements import TOLERANCE

    x, y = rows["after_course"].to_numpy(float), rows["value"].to_numpy(float)
    target = rows["target"].dropna()
    if len(target):
        aim = float(target.iloc[-1])
        band = TOLERANCE.get(str(rows["unit"].iloc[0]))
        if band:
            ax.axhspan(aim - band, aim + band, color=FAINT, alpha=0.35, lw=0, zorder=0.5)
        ax.axhline(aim, color=QUIET, lw=0.9, dashes=(4, 2.5), zorder=0.9)
    ax.plot(x, y, marker="o", color=COLOURS[0], zorder=3)
    ax.set_xlim(-0.35, max(1.0, x.max()) + 0.35)
    spread = [*y, *target]
    room = max(0.6, 0.28 * (max(spread) - min(spread)))
    ax.set_ylim(min(spread) - room, max(spread) + room)
    ax.set_xticks(
        range(int(max(1, x.max())) + 1), ["start", *map(str, range(1, int(max(1, x.max())) + 1))]
    )
    ax.grid(axis="x", visible=False)
    if labels:
        for place, value in zip(x, y, strict=True):
            ax.annotate(
                f"{value:.1f}".replace("-", "−"),
                (place, value),
                (0, 4.5),
                textcoords="offset points",
                ha="center",
                fontsize=6.5,
                zorder=4,
            )


def _key_teeth(rows: pd.DataFrame, left: pd.DataFrame, unit: str, ax: Axes) -> Axes:
    """Where each course should have brought the tooth (open) and did (filled), and the aim."""
    keys = left[left["unit"] == unit].nlargest(KEY_TEETH, "largest")
    keys = keys.sort_values(["movement", "tooth"], kind="stable").reset_index(drop=True)
    most = 1
    for place, key in enumerate(records(keys)):
        steps = rows[(rows["tooth"] == key.tooth) & (rows["movement"] == key.movement)]
        steps = steps[steps["course"].between(key.begun, key.last)]
        steps = steps.dropna(subset="achieved").sort_values("course")
        ended = steps["achieved"].cumsum().to_numpy(float)
        wanted = np.concatenate([[0.0], ended[:-1]]) + steps["planned"].to_numpy(float)
        ax.barh(
            place, 2 * key.limit, left=key.aim - key.limit, height=0.62, color=FAINT, alpha=0.35
        )
        ax.plot([key.aim] * 2, [place - 0.36, place + 0.36], color=INK, lw=1.6, zorder=2)
        if key.aims > 1:
            ax.plot(
                [key.first_aim] * 2,
                [place - 0.36, place + 0.36],
                color=INK,
                lw=1.1,
                dashes=(1, 1.2),
                zorder=2,
                label="first aim",
            )
        ax.plot([0, *ended], [place + 0.12] * (len(ended) + 1), color=COLOURS[0], lw=1, zorder=2)
        for course, plan, end in zip(steps["course"], wanted, ended, strict=True):
            mark = MARKERS[(int(course) - 1) % len(MARKERS)]
            look: dict[str, Any] = {"marker": mark, "mec": COLOURS[0], "ms": 4.2, "ls": "none"}
            ax.plot(plan, place - 0.18, mfc="white", zorder=3, **look)
            ax.plot(end, place + 0.12, mfc=COLOURS[0], zorder=3, **look)
            most = max(most, int(course))
    ax.set_yticks(
        range(len(keys)),
        [
            f"{key.tooth} {key.movement}"
            f"{f', from course {key.begun}' if key.begun > 1 else ''}"
            f"{f', to course {key.last}' if key.not_followed else ''}"
            for key in records(keys)
        ],
        fontsize=7,
    )
    ax.tick_params(axis="y", length=0)
    ax.set_ylim(len(keys) - 0.4, -0.6)
    ax.axvline(0, color=QUIET, lw=0.7, zorder=1)
    ax.grid(axis="y", visible=False)
    ax.set_title(f"Key movements, {_UNIT[unit]}")
    courses = "   ".join(f"{_GLYPH[MARKERS[k % len(MARKERS)]]} course {k + 1}" for k in range(most))
    ax.set_xlabel(
        f"open: planned, filled: achieved; bar: aim ± {keys['limit'].iloc[0]:g}"
        f"{'; dotted: first aim' if (keys['aims'] > 1).any() else ''}\n{courses}",
        fontsize=7,
    )
    return ax


_GLYPH = {"o": "●", "s": "■", "^": "▲", "D": "◆"}


def left_words(left: pd.DataFrame, values: pd.DataFrame) -> list[str]:
    """What was left at the last scan, in sentences; everything in them is in the tables given."""
    sentences = []
    if len(left):
        missed = left[~left["within"]]
        limit_of = dict(zip(left["unit"], left["limit"], strict=True))
        limits = " or ".join(
            f"{limit_of[unit]:g}{_spaced(unit)}" for unit in _UNIT if unit in limit_of
        )
        sentences.append(
            f"Left at the last scan: {len(missed)} of {counted(len(left), 'planned movement')} "
            f"more than {limits} from the aim."
        )
        worst = missed.assign(size=missed["left"].abs() / missed["limit"]).nlargest(4, "size")
        if len(worst):
            parts = [
                f"{row.movement} of {row.tooth} ({abs(row.left):.1f}{_spaced(row.unit)})"
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
        shown = changed.assign(size=changed["size"] / changed["limit"]).nlargest(4, "size")
        parts = [
            f"{row.movement} of {row.tooth} (first {_number(row.first_aim)}, now "
            f"{_number(row.aim)}{_spaced(row.unit)})"
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


def _number(value: float) -> str:
    return f"{value:.1f}".replace("-", "−")


def _target_words(values: pd.DataFrame) -> list[str]:
    from outcomes.domain.movements import TOLERANCE

    if not len(values):
        return []
    last = values.dropna(subset="target").sort_values("after_course")
    last = last.groupby("measure", sort=False).tail(1)
    last = last[last["after_course"] > 0]
    last = last[last["unit"].isin(TOLERANCE)]
    if not len(last):
        return []
    gap = (last["value"] - last["target"]).abs().round(9)
    on = gap <= last["unit"].map(TOLERANCE)
    reached = [measure_name(name) for name in last.loc[on, "measure"]]
    missed = [
        f"{measure_name(row.measure)} ({row.value:.1f} against a target of "
        f"{row.target:.1f}{_spaced(row.unit)})"
        for row in records(last[~on])
    ]
    sentences = []
    if reached:
        sentences.append(f"On target: {listed(reached)}.")
    if missed:
        sentences.append(f"Not on target: {listed(missed)}.")
    return [text.replace("(-", "(−").replace("of -", "of −") for text in sentences]


def _spaced(unit: str) -> str:
    return "\u00a0mm" if unit == "mm" else "°" if unit == "degree" else ""


def _time_words(times: pd.DataFrame) -> str:
    if not len(times):
        return ""
    parts = [f"course {row.course}: {_course_text(row)}" for row in records(times)]
    return f"{counted(len(times), 'course')}: {'; '.join(parts)}."


def _text_panel(text: str, ax: Axes) -> Axes:
    ax.set_axis_off()
    ax.text(0, 1, text, va="top", fontsize=7.8, linespacing=1.45, transform=ax.transAxes)
    return ax
