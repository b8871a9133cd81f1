"""What the numbers of a file tell about what they are: changes or positions, signed or not.

Evidence for a question, never an answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.cohort import doubtful_numbers
from outcomes.cohort.cells import by_unique, numbers, texts
from outcomes.domain.limits import CONTINUING, SUSPICIOUS_ROWS
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.teeth import tooth_token

#: Fewer rows than this with numbers of one sign say nothing (common practice, no source).
ENOUGH = 8

#: From this share of later courses on that go beyond what the course before reached, the numbers
#: look counted from the first scan of the treatment.
CONTINUES = 0.7


@dataclass(frozen=True)
class Signs:
    """How many numbers are positive, negative, nought."""

    positive: int
    negative: int

    @property
    def one_way(self) -> bool:
        """Whether there are enough numbers, and all of one sign."""
        return self.positive + self.negative >= ENOUGH and not (self.positive and self.negative)

    @property
    def unsigned(self) -> bool:
        """Whether no number is negative."""
        return self.positive > 0 and not self.negative


def signs(frame: pd.DataFrame, where: np.ndarray | None = None) -> Signs:
    """Signs of the planned numbers of records."""
    if "planned" not in frame:
        return Signs(0, 0)
    values = numbers(frame["planned"]).values
    values = values if where is None else values[where]
    return Signs(int((values > 0).sum()), int((values < 0).sum()))


def positions(frame: pd.DataFrame) -> str:
    """How planned and achieved stand to the start, in words; "" where they cannot be compared."""
    if not {"planned", "start"} <= set(frame):
        return ""
    planned, start = numbers(frame["planned"]).values, numbers(frame["start"]).values
    both = np.isfinite(planned) & np.isfinite(start)
    if not both.any():
        return ""
    less = np.median(np.abs(planned - start)[both])
    own = np.median(np.abs(planned)[both])
    return f"planned is {own:.3g} in the middle, planned minus start {less:.3g}"


def begins_where_ended(frame: pd.DataFrame) -> bool:
    """Whether later courses fit better as going on from the one before than as beginning anew."""
    if not {"patient", "tooth", "movement", "course", "planned", "achieved"} <= set(frame):
        return False
    rows = pd.DataFrame(
        {
            "patient": texts(frame["patient"]),
            "tooth": by_unique(frame["tooth"], tooth_token),
            "movement": texts(frame["movement"]),
            **{n: numbers(frame[n]).values for n in ("course", "planned", "achieved")},
        }
    ).dropna()
    rows = rows[rows["movement"].isin(list(MOVEMENTS))]
    rows = rows.drop_duplicates(["patient", "tooth", "movement", "course"])
    with np.errstate(over="ignore", invalid="ignore"):  # numbers near the largest there is
        pairs, ratio = doubtful_numbers.continuing(rows)
    return pairs >= SUSPICIOUS_ROWS["pairs"] and ratio < CONTINUING["check"]


@dataclass(frozen=True)
class Continuing:
    """Pairs of one movement in two courses, and in how many the second goes on from the first."""

    pairs: int
    going_on: int

    @property
    def likely(self) -> bool:
        """Whether the numbers look counted from the first scan of the treatment."""
        return self.pairs > 0 and self.going_on >= CONTINUES * self.pairs


def continuing(frame: pd.DataFrame) -> Continuing:
    """Whether plans of a later course lie beyond what the course before achieved, the same way."""
    if not {"patient", "tooth", "course", "planned", "achieved"} <= set(frame):
        return Continuing(0, 0)
    rows = pd.DataFrame(
        {
            "patient": texts(frame["patient"]),
            "tooth": by_unique(frame["tooth"], tooth_token),
            "movement": texts(frame["movement"]) if "movement" in frame else "",
            "course": numbers(frame["course"]).values,
            "planned": numbers(frame["planned"]).values,
            "achieved": numbers(frame["achieved"]).values,
        }
    ).dropna(subset=["course", "planned"])
    of = ["patient", "tooth", "movement", "course"]
    before = rows.drop_duplicates(of).assign(course=lambda r: r["course"] + 1)
    pairs = rows.merge(before, on=of, suffixes=("", "_before")).dropna(subset=["achieved_before"])
    moved = pairs[pairs["achieved_before"] != 0]
    beyond = np.sign(moved["achieved_before"]) * (moved["planned"] - moved["achieved_before"])
    return Continuing(len(moved), int((beyond > 0).sum()))
