"""What a case page says in words: courses, what was left at the last scan, targets."""

from __future__ import annotations

from typing import Any

import pandas as pd

from outcomes.domain.limits import TOLERANCE, within_tolerance
from outcomes.domain.names import measure_name
from outcomes.figures.base import records
from outcomes.words.english import counted, listed
from outcomes.words.numbers import number
from outcomes.words.units import unit_mark

__all__ = ["course_text", "left_words", "time_words"]

_NAMED = 4
"""Movements named, the largest first."""


def course_text(row: Any) -> str:
    """A course of ``course_times``: its aligners, wear, elastics, and whether it was scanned."""
    parts = []
    if pd.notna(row.aligners):
        text = f"{row.aligners:g} aligners"
        if pd.notna(row.days_per_aligner):
            text += f" × {_days(row.days_per_aligner)}"
        parts.append(text)
    if pd.notna(row.wear_hours):
        parts.append(f"wear {row.wear_hours:g} h a day")
    if pd.notna(row.elastics) and str(row.elastics) not in ("none", ""):
        parts.append(f"elastics: {str(row.elastics).replace('_', ' ')}")
    if not row.scanned:
        parts.append("not scanned yet")
    return ", ".join(parts)


def time_words(times: pd.DataFrame) -> str:
    """The courses of ``course_times`` in a sentence."""
    if not len(times):
        return ""
    parts = [f"course {row.course}: {course_text(row)}" for row in records(times)]
    return f"{counted(len(times), 'course')}: {'; '.join(parts)}."


def _days(days: float) -> str:
    """
    >>> _days(7), _days(1)
    ('7 days', '1 day')
    """
    return f"{days:g} day{'' if days == 1 else 's'}"


def left_words(left: pd.DataFrame, values: pd.DataFrame) -> list[str]:
    """What was left at the last scan, in sentences; everything in them is in the tables given."""
    sentences = []
    if len(left):
        missed = left[~left["within"]]
        limit_of = dict(zip(left["unit"], left["limit"], strict=True))
        limits = " or ".join(
            f"{limit_of[unit]:g}{unit_mark(unit)}" for unit in TOLERANCE if unit in limit_of
        )
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
    last = last[last["after_course"] > 0]
    last = last[last["unit"].isin(TOLERANCE)]
    if not len(last):
        return []
    on = within_tolerance(last["value"] - last["target"], last["unit"].map(TOLERANCE))
    reached = [measure_name(name) for name in last.loc[on, "measure"]]
    missed = [
        f"{measure_name(row.measure)} ({number(row.value, 1)} against a target of "
        f"{number(row.target, 1)}{unit_mark(row.unit)})"
        for row in records(last[~on])
    ]
    sentences = []
    if reached:
        sentences.append(f"On target: {listed(reached)}.")
    if missed:
        sentences.append(f"Not on target: {listed(missed)}.")
    return sentences
