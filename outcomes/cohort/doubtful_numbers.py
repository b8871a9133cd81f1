"""Numbers that can be read and yet are probably something else: positions, sizes, running totals.

Planned and achieved should be changes from the start of the course, with signs. Then what is
achieved lies between nothing and the plan, but for errors of measurement; some plans are negative;
and a later course begins at zero.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from outcomes.cohort.distinct import distinct, places_of_each
from outcomes.domain.limit_in_force import unit_of
from outcomes.domain.limits import (
    CONTINUING,
    HIGH_RATE,
    OUTSIDE,
    OUTSIDE_SHARE,
    SUSPICIOUS_ROWS,
    TOLERANCE,
    TOO_GOOD,
)
from outcomes.domain.movements import BOTH_WAYS, MOVEMENTS
from outcomes.words.english import counted

__all__ = ["Suspicion", "ask", "continuing", "explained", "of_numbers", "outside_share", "scaled"]


@dataclass(frozen=True)
class Suspicion:
    """Something that is probably read wrongly, and the question that settles it.

    Attributes
    ----------
    key
        Of the question; an answer to it silences the suspicion.
    severity
        "stop" or "check".
    column, value, row
        Where, as in the list of problems.
    problem, question, remedy
        What was seen, what is asked, and what to do.
    """

    key: str
    severity: Literal["stop", "check"]
    column: str
    problem: str
    question: str
    remedy: str
    value: object = ""
    row: int | None = None


def ask(
    key: str,
    severity: Literal["stop", "check"],
    column: str,
    problem: str,
    question: str,
    otherwise: str,
    *,
    value: object = "",
    row: int | None = None,
) -> Suspicion:
    """A suspicion whose remedy is its question, with what to do without a mapping."""
    remedy = f"{question} `outcomes map FILE` asks it and keeps the answer; or {otherwise}."
    return Suspicion(key, severity, column, problem, question, remedy, value, row)


def of_numbers(rows: pd.DataFrame) -> list[Suspicion]:
    """What is suspicious about the numbers of movements.

    Parameters
    ----------
    rows
        patient, tooth, movement, planned and achieved (mm or degrees) and course; those kept.

    Returns
    -------
    list of Suspicion
    """
    values = rows[["planned", "achieved"]].to_numpy(float)
    moved = np.isfinite(values).all(axis=1) & (values != 0).any(axis=1)
    if not moved.all():
        rows = rows[_COLUMNS if _several_courses(rows) else _COLUMNS[2:]][moved]
    with np.errstate(over="ignore", invalid="ignore"):  # numbers near the largest there is
        return [*_positions(rows), *_continuing(rows), *_one_way(rows)]


#: Columns looked at; the first two only where there are several courses.
_COLUMNS = ["patient", "tooth", "movement", "planned", "achieved", "course"]


def scaled(rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Planned and achieved in tolerances, so that mm and degrees can be added; each (n,)."""
    codes, names = distinct(rows["movement"])
    sizes = np.array([*(TOLERANCE.get(unit_of(name) or "", np.nan) for name in names), np.nan])
    size = sizes[codes]
    return rows["planned"].to_numpy(float) / size, rows["achieved"].to_numpy(float) / size


# Positions ----------------------------------------------------------------------------------------

_CHANGES = "Are planned and achieved changes from the start of the course, or positions?"
_MAKE_CHANGES = "take the position at the start off both, in every row"


def _positions(rows: pd.DataFrame) -> Iterator[Suspicion]:
    """What a tooth achieves lies between nothing and its plan; a position lies anywhere."""
    planned, achieved = scaled(rows)
    total = np.abs(planned).sum()
    if len(rows) < SUSPICIOUS_ROWS["cohort"] or total == 0 or np.array_equal(planned, achieved):
        return
    rate = round(float((achieved * np.sign(planned)).sum() / total), 9)
    share = outside_share(planned, achieved)
    percent = f"{100 * rate:.0f} %"
    if rate > HIGH_RATE["stop"]:
        said = f"achieved is {percent} of planned over the whole table: teeth do not do more than asked"
        yield ask("positions", "stop", "achieved", said, _CHANGES, _MAKE_CHANGES)
    elif share > OUTSIDE_SHARE["stop"]:
        said = "achieved is often against the plan or far beyond it"
        question = f"{_CHANGES} Or are the signs of one column turned round?"
        yield ask("positions", "stop", "achieved", said, question, _MAKE_CHANGES)
    elif explained(planned, achieved) > TOO_GOOD and rate > HIGH_RATE["check"]:
        said = f"achieved is {percent} of planned, nearer to it than scans can measure"
        yield ask("positions", "stop", "achieved", said, _CHANGES, _MAKE_CHANGES)
    elif rate > HIGH_RATE["check"]:
        said = f"achieved is {percent} of planned over the whole table: more than is usual"
        yield ask("positions", "check", "achieved", said, _CHANGES, _MAKE_CHANGES)
    elif share > OUTSIDE_SHARE["check"]:
        said = "achieved is against the plan or beyond it in more rows than measuring explains"
        yield ask("positions", "check", "achieved", said, _CHANGES, _MAKE_CHANGES)


def outside_share(planned: np.ndarray, achieved: np.ndarray) -> float:
    """How far achieved lies outside of 0 to planned, beyond what measuring adds, over all planned.

    Where nothing is planned a tooth may drift: there more is allowed, and each row counts as a plan
    of one tolerance, so that many such rows do not add up.

    Parameters
    ----------
    planned, achieved
        In tolerances, shape (n,).
    """
    outside = plans = 0.0
    for start in range(0, len(planned), _BLOCK):
        p, a = planned[start : start + _BLOCK], achieved[start : start + _BLOCK]
        free = p == 0
        below, above = np.minimum(p, 0) - a, a - np.maximum(p, 0)
        beyond = np.maximum(below, above) - np.where(free, OUTSIDE["unplanned"], OUTSIDE["planned"])
        outside += np.maximum(beyond, 0).sum()
        plans += np.where(free, 1, np.abs(p)).sum()
    return float(outside / plans)


#: Rows taken at a time: what is worked out between them stays in the cache of the processor.
_BLOCK = 2**16


def explained(planned: np.ndarray, achieved: np.ndarray) -> float:
    """Share of the squares of achieved that a rate near 1 explains; both in tolerances, (n,)."""
    squares = float(np.square(achieved).sum())
    return 1 - float(np.square(achieved - planned).sum()) / squares if squares else 0.0


# Courses ------------------------------------------------------------------------------------------


def _continuing(rows: pd.DataFrame) -> Iterator[Suspicion]:
    """A later course begins at zero; values that go on counting begin where the last ended."""
    pairs, ratio = continuing(rows)
    if pairs >= SUSPICIOUS_ROWS["pairs"] and ratio < CONTINUING["check"]:
        yield ask(
            "cumulative",
            "stop" if ratio < CONTINUING["stop"] else "check",
            "course",
            "the values of later courses begin where those of the course before ended",
            "Do they count from the start of their own course, or of the treatment?",
            "take what the courses before achieved off both planned and achieved",
        )


def continuing(rows: pd.DataFrame) -> tuple[int, float]:
    """How much better it fits that later courses go on counting.

    Returns
    -------
    (int, float)
        Movements with a course and the next, and the squares left over if the later one went on
        counting (achieved - before = rate * (planned - before), before being what the course
        before achieved) over those left if it began at zero (achieved = rate * planned).
    """
    if not _several_courses(rows):
        return 0, 1.0
    planned, achieved = scaled(rows)
    key = ["patient", "tooth", "movement"]
    table = rows[[*key, "course"]].assign(planned=planned, achieved=achieved)
    before = table.assign(course=table["course"] + 1)
    both = table.merge(before, on=[*key, "course"], suffixes=("", "_before"))
    if not len(both):
        return 0, 1.0
    p, a, p0, a0 = (
        both[name].to_numpy(float)
        for name in ("planned", "achieved", "planned_before", "achieved_before")
    )
    rate = float(np.clip((p0 @ a0) / max(p0 @ p0, 1e-12), 0.05, 0.95))
    # later courses hold the teeth that lagged: their rate may be lower, hardly higher
    anew = _left_over(p, a, 0.5 * rate, 1.1 * rate)
    on = _left_over(p - a0, a - a0, 0.05, 1.0)
    return len(both), on / anew if anew > 0 else 1.0


def _several_courses(rows: pd.DataFrame) -> bool:
    return len(rows) > 0 and bool(rows["course"].min() != rows["course"].max())


def _left_over(x: np.ndarray, y: np.ndarray, low: float, high: float) -> float:
    """Squares left by y = rate * x, the rate being the best between two."""
    rate = float(np.clip((x @ y) / max(x @ x, 1e-12), low, high))
    return float(np.square(y - rate * x).sum())


# Signs --------------------------------------------------------------------------------------------


def _one_way(rows: pd.DataFrame) -> Iterator[Suspicion]:
    """Sizes without a sign: nothing is ever negative where both directions are usual."""
    planned, achieved = rows["planned"].to_numpy(float), rows["achieved"].to_numpy(float)
    least, rows_of, one_way = [], {}, []
    for name, places in places_of_each(rows["movement"], np.full(len(rows), True)):
        at = places[planned[places] != 0]
        if not len(at):
            continue
        plans = planned[at]
        least.append(min(plans.min(), achieved[at].min()))
        rows_of[name] = len(at)
        # a plan that is the same in all rows is a copied cell, and listed as such
        varied = plans.min() < plans.max()
        if least[-1] >= 0 and len(at) >= SUSPICIOUS_ROWS["column"] and varied:
            one_way.append(name)
    nowhere = all(low >= 0 for low in least)
    total = sum(rows_of.values())
    if nowhere and len(one_way) > 1 and total >= SUSPICIOUS_ROWS["cohort"]:
        yield _signs("stop", f"no number is negative in {counted(total, 'row')} of movements")
        return
    for name in one_way:
        alone = nowhere and len(least) == 1 and total >= SUSPICIOUS_ROWS["cohort"]
        if name in BOTH_WAYS or alone:
            movement = MOVEMENTS[name]
            yield _signs(
                "check",
                f"no {name} is negative in {counted(rows_of[name], 'row')}: all would be "
                f"{movement.positive}, none {movement.negative}",
            )


def _signs(severity: Literal["stop", "check"], problem: str) -> Suspicion:
    question = "Are the numbers sizes without a sign?"
    give = "give planned and achieved the signs of the codebook"
    return ask("signs", severity, "planned", problem, question, give)
