"""Which aim a tooth follows from course to course, and where it stood.

A movement is followed from the first course that has an aim for it. The aim stays until a later
course sets another one; a course that is not measured ends what is known.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes.domain.limit_in_force import Given
from outcomes.domain.limit_in_force import limits as limits_of
from outcomes.errors import CannotAnswer, require_columns

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["SITE", "followed", "history"]

SITE = ["patient", "tooth", "movement"]
RESTATED = 0.1
"""An aim within this share of the tolerance of the aim in force is that aim, rounded anew."""
MOST = 2.0
"""A plan of up to so many times what is left to the aim serves that aim (as the cap on factors)."""


def history(cohort: Cohort | pd.DataFrame) -> pd.DataFrame:
    """All rows with a plan, measured or not, by course; ``aim`` is missing where none was written.

    Parameters
    ----------
    cohort
        A cohort, or its movements: patient, tooth, movement, planned, achieved; course (1 where there
        is none) and aim.

    Raises
    ------
    CannotAnswer
        If columns are missing, or a tooth has two results of a movement in one course.
    """
    if isinstance(cohort, pd.DataFrame):
        rows = cohort
    else:
        rows = cohort.frame(unmeasured=True)
        rows = rows.assign(aim=rows["aim"].mask(rows["row"].isin(cohort.blank_aims)))
    require_columns(rows, (*SITE, "planned", "achieved"))
    if "course" not in rows.columns:
        rows = rows.assign(course=1)
    if "aim" not in rows.columns:
        rows = rows.assign(aim=np.nan)
    rows = rows.assign(achieved=rows["achieved"].astype(float), aim=rows["aim"].astype(float))
    rows = rows.dropna(subset=["planned"])
    record = [*SITE, "course"]
    measured = rows["achieved"].notna()
    if rows[measured].duplicated(record).any():
        raise CannotAnswer(
            "A tooth has two rows of one movement in one course, two records of one thing: keep one "
            "of them, or number the courses in the column course."
        )
    # a result goes before a blank of the same record
    rows = rows.assign(blank=~measured).sort_values(["course", "blank"], kind="stable")
    return rows.drop_duplicates(record).drop(columns="blank")


def followed(rows: pd.DataFrame, tolerance: Given = None) -> pd.DataFrame:
    """Where each tooth stood and what it aimed at, course by course.

    Parameters
    ----------
    rows
        As ``history`` gives them, with unit where there are tolerances.
    tolerance
        The size that matters, mm or degrees: a number, or numbers by movement or unit.

    Returns
    -------
    DataFrame
        A row for each record from the first with an aim on, with the index of ``rows``, in order:
        patient, tooth, movement, course; begun: course of the first aim; first: that aim; start and
        end: position before and after the course, from the start of ``begun`` (mm or degrees, sign
        of the movement; end is missing where the course is not measured, both are after it, or
        after a course without a record); aim: the aim in force, from the same start; leg, leg_start:
        course and position from which the tooth goes in the direction of that aim; aims: how many
        were set so far.

    Notes
    -----
    An aim that is written is the aim of the course, from where the tooth stood at its start. Where
    it is blank and the plan serves the aim in force (towards it, and up to twice what is left or
    past it by no more than the tolerance), that aim stays; else the plan is the aim. A course with
    neither aim nor plan asks for nothing more and leaves the aim as it was.
    """
    found: list[tuple[Any, ...]] = []
    index: list[Any] = []
    units = rows["unit"] if "unit" in rows.columns else [None] * len(rows)
    limits = np.nan_to_num(limits_of("tolerance", rows["movement"], units, tolerance))
    columns = (*(rows[name] for name in SITE), rows["course"], rows["planned"], rows["aim"])
    sites: dict[tuple[Any, ...], _Site] = {}
    records = zip(rows.index, *columns, rows["achieved"], limits, strict=True)
    for label, patient, tooth, movement, course, planned, aim, achieved, limit in records:
        key = (patient, tooth, movement)
        site = sites.get(key)
        if site is None:
            own = float(planned if np.isnan(aim) else aim)
            if not own:
                continue
            site = sites[key] = _Site(int(course), own)
        else:
            site.enter(int(course), float(planned), float(aim), float(limit))
        start = site.position
        site.move(int(course), float(achieved))
        state = (site.begun, site.first, start, site.position, site.aim, site.leg, site.leg_start)
        found.append((*key, course, *state, site.aims))
        index.append(label)
    return pd.DataFrame(found, columns=[*SITE, "course", *_STATE], index=index)


_STATE = ("begun", "first", "start", "end", "aim", "leg", "leg_start", "aims")


class _Site:
    """The aim in force and the position of one movement of one tooth; both from its own start."""

    def __init__(self, course: int, aim: float) -> None:
        self.begun = self.leg = self.last = course
        self.first = self.aim = aim
        self.position = self.leg_start = 0.0
        self.aims = 1

    def enter(self, course: int, planned: float, aim: float, limit: float) -> None:
        """Begin a further course: the aim it sets, if it sets one."""
        if course > self.last + 1:
            self.position = float("nan")  # where the tooth went between is not recorded
        if np.isnan(self.position):
            return
        left = self.aim - self.position
        if np.isnan(aim):
            if not planned or _serves(planned, left, limit):
                return
            aim = planned
        elif not aim and not planned:
            return
        new = self.position + aim
        if abs(new - self.aim) <= RESTATED * limit + 1e-9:
            return
        if (new - self.position) * (self.aim - self.leg_start) <= 0:
            self.leg, self.leg_start = course, self.position
        self.aim, self.aims = round(new, 9), self.aims + 1

    def move(self, course: int, achieved: float) -> None:
        self.position = round(self.position + achieved, 9)
        self.last = course


def _serves(planned: float, left: float, limit: float) -> bool:
    """Whether a plan without an aim of its own goes for the aim in force, overcorrected or not."""
    if planned * left <= 0:
        return abs(planned - left) <= limit
    return abs(planned) <= max(MOST * abs(left), abs(left) + limit) + 1e-9
