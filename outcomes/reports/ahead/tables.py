"""Tables of a next course as a reader sees them: texts, a line for each row."""

from __future__ import annotations

from typing import Any

import pandas as pd

from outcomes.ahead.bite_options import GROUPS, group_name
from outcomes.ahead.bite_target import BiteTarget
from outcomes.domain.names import direction
from outcomes.reports.common.rows import lines
from outcomes.reports.common.views import BLANK
from outcomes.reports.sheet.plan import WAY
from outcomes.reports.sheet.ways import Way, chance
from outcomes.words.english import capital
from outcomes.words.numbers import count, percent, range_words, size, size_range
from outcomes.words.units import NBSP

__all__ = [
    "alternatives",
    "arch",
    "bite",
    "expected",
    "holds",
    "intervals",
    "so_far",
    "stages",
    "unlikely",
]


def _table(rows: list[dict[str, str]], frame: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame(rows, index=frame.index)


def _count(value: Any) -> str:
    return BLANK if pd.isna(value) else count(value)


def _head(row: Any, way: Way) -> dict[str, str]:
    return {"Tooth": str(row.tooth), WAY: way.words}


def so_far(frame: pd.DataFrame) -> pd.DataFrame:
    """``NextCourse.so_far``: aims, reached, left.

    Examples
    --------
    >>> row = {"tooth": 31, "movement": "vertical", "unit": "mm", "first_aim": -2.0,
    ...     "latest_aim": -2.0, "planned_total": -3.0, "reached": -1.2, "left": -0.8, "courses": 1,
    ...     "last": 1, "not_measured": 0, "note": ""}
    >>> so_far(pd.DataFrame([row]))["Left"][0].replace(NBSP, " ")
    '0.80 mm'
    """
    rows = []
    for row in lines(frame):
        way = Way.of_row(row, row.first_aim)
        rows.append(
            _head(row, way)
            | {
                "First aim": way.size(row.first_aim),
                "Latest aim": way.size(row.latest_aim),
                "Planned in all": way.size(row.planned_total),
                "Reached": way.size(row.reached),
                "Left": _left(row, way),
                "Courses measured": _count(row.courses),
                "Not measured": _count(row.not_measured),
                "Note": str(row.note) if row.note and pd.notna(row.left) else BLANK,
            }
        )
    return _table(rows, frame)


def _left(row: Any, way: Way) -> str:
    """What is left; where that is not known, what was left when it was last measured."""
    if pd.notna(row.left):
        return way.size(row.left)
    then = row.latest_aim - row.reached
    after = "" if pd.isna(then) else f"; {way.size(then)} after course {count(row.last)}"
    return f"not known{after}"


def expected(frame: pd.DataFrame) -> pd.DataFrame:
    """``NextCourse.expected``: the rate expected now, and from past cases alone."""
    rows = []
    for row in lines(frame):
        own = f"{_count(row.own_movements)}{', this tooth too' if row.own_tooth else ''}"
        rows.append(
            _head(row, Way.of_row(row, row.aim))
            | {
                "Expected now": percent(row.rate),
                "80 % range": range_words(row.low_80, row.high_80),
                "Past cases alone": percent(row.cohort_rate),
                "Their 80 % range": range_words(row.cohort_low_80, row.cohort_high_80),
                "Own results used": own if row.own_movements else "none",
            }
        )
    return _table(rows, frame)


def holds(frame: pd.DataFrame) -> pd.DataFrame:
    """``NextCourse.holds``: where a tooth that is to stay is likely to drift."""
    rows = []
    for row in lines(frame):
        way = Way.of_row(row, row.expected)
        known = pd.notna(row.expected)
        further = (row.beyond_positive, row.beyond_negative)[:: way.sign]
        name = way.words if known else f"{way.words.split(':')[0]}: not known"
        rows.append(
            {
                "Tooth": str(row.tooth),
                f"{WAY}, if at all": name,
                "Expected": way.size(row.expected),
                "80 % range": way.ends(row.low_80, row.high_80),
                "Stays within": BLANK if not known else size(row.tolerance, row.unit),
                "Chance of it": chance(row.within),
                "Further that way": chance(further[0]),
                "Further the other way": chance(further[1]),
                "Went so far": "not measured" if pd.isna(row.so_far) else way.size(row.so_far),
                "Asked by": str(row.asked),
                "Verdict": str(row.verdict),
            }
        )
    return _table(rows, frame)


def stages(frame: pd.DataFrame) -> pd.DataFrame:
    """``NextCourse.stages``: one course more against two."""
    rows = []
    for row in lines(frame):
        way = Way.of_row(row, row.aim)
        rows.append(
            _head(row, way)
            | {
                "Aim": way.size(row.aim),
                "Plan now": way.size(row.planned),
                "Lands after one": chance(row.within_one),
                "Left after one": _size(row.left_one, row.unit),
                "Aligners, one": _count(row.aligners_one),
                "Second needed": chance(row.again),
                "Its plan then": way.size(row.second_planned),
                "Lands after two": chance(row.within_two),
                "Left after two": _size(row.left_two, row.unit),
                "Aligners, both": BLANK if pd.isna(row.aligners_two) else f"{row.aligners_two:.0f}",
            }
        )
    return _table(rows, frame)


def _size(value: float, unit: str) -> str:
    return BLANK if pd.isna(value) else size(value, unit)


def unlikely(frame: pd.DataFrame) -> pd.DataFrame:
    """``NextCourse.unlikely``: aims that another try is unlikely to bring nearer."""
    rows = []
    for row in lines(frame):
        way = Way.of_row(row, row.aim)
        rows.append(
            _head(row, way)
            | {
                "Aim": way.size(row.aim),
                "Best plan": way.size(row.planned),
                "Expected of it": way.size(row.expected),
                "Gets nearer": chance(row.helps),
                "Lands": chance(row.within),
                "Own results": _count(row.own_movements),
            }
        )
    return _table(rows, frame)


def alternatives(frame: pd.DataFrame) -> pd.DataFrame:
    """``NextCourse.alternatives`` with levels: a line for each aim, a column for each level.

    A star marks a level that the cohort does not tell apart.
    """
    levels = [str(level) for level in dict.fromkeys(frame["level"].dropna())]
    rows: dict[Any, dict[str, str]] = {}
    for row in lines(frame.dropna(subset=["level"])):
        way = Way.of_row(row, row.aim)
        line = rows.setdefault(
            (row.at, row.column),
            {
                "Tooth": str(row.tooth),
                WAY: way.words,
                "Aim": way.size(row.aim),
                **{capital(level): BLANK for level in levels},
            },
        )
        apart = "" if bool(row.told) else "*"
        line[capital(str(row.level))] = f"{way.size(row.expected)}, {chance(row.within)}{apart}"
    return pd.DataFrame(list(rows.values()))


def arch(frame: pd.DataFrame) -> pd.DataFrame:
    """``NextCourse.arch``: which aligners move what."""
    rows = []
    for row in lines(frame):
        way = Way.of_row(row, row.aim)
        moved = pd.notna(row.end)
        rows.append(
            _head(row, way)
            | {
                "Plan": way.size(row.planned) if pd.notna(row.planned) else "no plan",
                "Aligners": _count(row.aligners),
                "From, to": f"{row.start} to {row.end}" if moved else BLANK,
                "Latest start": _count(row.latest_start),
                "Step if spread": way.size(row.step),
                "Note": "Sets the number." if row.sets_number else str(row.note) or BLANK,
            }
        )
    return _table(rows, frame)


def intervals(frame: pd.DataFrame) -> pd.DataFrame:
    """``NextCourse.intervals``: the rows with a number of days for each aligner."""
    rows = [
        {
            "Days for each aligner": f"{row.value:g}",
            "Aligners": _count(row.aligners),
            "Days in all": _count(row.days),
            "Patients so far": _count(row.patients),
            "Courses": _count(row.courses),
            "Note": str(row.note or BLANK),
        }
        for row in lines(frame)
    ]
    return _table(rows, frame)


def bite(found: BiteTarget) -> pd.DataFrame:
    """The plan with the best chance of each way to reach an overbite."""
    rows = []
    for row in lines(found.best):
        line = {"To be moved": str(row.option)}
        for group in GROUPS:
            value = float(getattr(row, group))
            line[capital(group_name(group))] = _vertical(value)
        known = pd.notna(row.expected)
        line |= {
            "Overbite (80 % range)": (
                f"{size(row.expected, 'mm')}, "
                f"{size_range(row.low_80, row.high_80, 'mm').replace(' ', NBSP)}"
                if known
                else BLANK
            ),
            "On target": chance(row.on_target),
            "Too far": chance(row.beyond),
            "Aligners": _count(row.aligners),
            "Verdict": str(row.verdict),
        }
        rows.append(line)
    return pd.DataFrame(rows)


def _vertical(value: float) -> str:
    """A vertical movement of a group, its direction in the words that cannot be misread."""
    if pd.isna(value):
        return "kept"
    way = direction(value, "vertical").split(",")[0]
    towards = "towards the gum" if value < 0 else "away from the gum"
    return f"{size(abs(value), 'mm')} {way}, {towards}" if way else size(0.0, "mm")
