"""Which aim a tooth follows from course to course, where it stood, and what was left in the end.

A movement is followed from the first course that has an aim for it. The aim stays until a later
course sets another one; a course that is not measured ends what is known.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes.domain.limit_in_force import Given
from outcomes.domain.limit_in_force import limits as limits_of
from outcomes.domain.limits import within_tolerance
from outcomes.errors import CannotAnswer, require_columns

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["SITE", "first_not_measured", "followed", "history", "remaining"]

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


def remaining(
    cohort: Cohort | pd.DataFrame, *, tolerance: Mapping[str, float] | None = None
) -> pd.DataFrame:
    """The latest aim, movement achieved over all courses, and what was left, tooth by tooth.

    Parameters
    ----------
    cohort
        A cohort, or its movements: patient, tooth, movement, unit, planned, achieved; course (1
        where there is none) and aim (blank, or no such column: none was written).
    tolerance
        Unit to the size that matters; by default 0.5 mm and 2° (Angle Orthod
        2017;87(6):809–815, doi:10.2319/022717-147.1).

    Returns
    -------
    DataFrame
        One row for each patient, tooth and movement that was planned in any course, followed from
        the first course with an aim for it:

        - begun: that course; courses: how many were measured; last: the last of them; not_followed:
          later courses with a row, after one that is not measured or not recorded: where the tooth
          then stood is not known, so what is given is the state after ``last``.
        - first_aim; aims: how many were set; aim: the latest. A later course sets a new aim where one
          is written that leads elsewhere, or where its plan without an aim does (`followed` has the
          rule); a course that asks for nothing more leaves the aim as it was. Both are from where
          the tooth stood before ``begun``, mm or degrees, sign of the movement.
        - planned and achieved, sums over courses; left = aim − achieved; limit; within (|left| ≤
          limit); largest = the larger of |aim| and |first_aim| over limit, by which movements
          of both units can be ranked.

        Where the course in which the movement began is not measured, what came of its aim is not
        known and there is no row: see ``first_not_measured``.

    Raises
    ------
    CannotAnswer
        If columns are missing, or a tooth has two rows of a movement in one course.

    Examples
    --------
    >>> rows = pd.DataFrame({"patient": "P001", "tooth": 11, "movement": "vertical", "unit": "mm",
    ...     "course": [1, 2], "aim": [2.0, 0.8], "planned": [2.0, 1.2], "achieved": [1.2, 0.7]})
    >>> remaining(rows)[["courses", "aim", "achieved", "left", "within"]].round(2)
       courses  aim  achieved  left  within
    0        2  2.0       1.9   0.1    True

    The second course wants the tooth somewhere else:

    >>> remaining(rows.assign(aim=[2.0, -0.7], planned=[2.0, -1.0], achieved=[1.2, -0.6]))[
    ...     ["first_aim", "aims", "aim", "achieved", "left"]].round(2)
       first_aim  aims  aim  achieved  left
    0        2.0     2  0.5       0.6  -0.1
    """
    rows, steps = _steps(cohort, tolerance)
    known = steps["end"].notna()
    first = steps[known & (steps["course"] == steps["begun"])]
    of = pd.MultiIndex.from_frame(steps[SITE]).isin(list(pd.MultiIndex.from_frame(first[SITE])))
    lost = steps[of & ~known].groupby(SITE).size()
    steps = steps[of & known]
    given = rows.loc[steps.index, ["planned", "achieved", "unit"]]
    steps = steps.join(given).assign(some=given["planned"] != 0)
    table = (
        steps.groupby(SITE, sort=True)
        .agg(
            unit=("unit", "first"),
            begun=("begun", "first"),
            courses=("course", "nunique"),
            last=("course", "max"),
            first_aim=("first", "first"),
            aims=("aims", "last"),
            aim=("aim", "last"),
            planned=("planned", "sum"),
            achieved=("achieved", "sum"),
            some=("some", "any"),
        )
        .reset_index()
    )
    table = table[table["some"]].drop(columns="some").reset_index(drop=True)
    limit = limits_of("tolerance", table["movement"], table["unit"], tolerance)
    sites = pd.MultiIndex.from_frame(table[SITE])
    left = (table["aim"] - table["achieved"]).round(9)
    unfollowed = lost.reindex(sites).fillna(0).to_numpy(int)
    table.insert(list(table).index("last") + 1, "not_followed", unfollowed)
    return table.assign(
        left=left,
        limit=limit,
        within=within_tolerance(left, limit),
        largest=np.maximum(table["aim"].abs(), table["first_aim"].abs()) / limit,
    )


def first_not_measured(cohort: Cohort | pd.DataFrame) -> pd.DataFrame:
    """Movements that cannot be followed, as the course in which they began is not measured.

    Parameters
    ----------
    cohort
        As for ``remaining``.

    Returns
    -------
    DataFrame
        patient, tooth, movement, unit, course, aim (of that first course; not 0).

    Raises
    ------
    CannotAnswer
        If columns are missing.

    Examples
    --------
    >>> rows = pd.DataFrame({"patient": "P001", "tooth": 11, "movement": "vertical", "unit": "mm",
    ...     "course": [1, 2], "planned": [2.0, 0.8], "achieved": [None, 0.7]})
    >>> len(remaining(rows)), len(first_not_measured(rows))
    (0, 1)
    """
    rows, steps = _steps(cohort, None)
    first = steps[(steps["course"] == steps["begun"]) & steps["end"].isna()]
    first = first.join(rows["unit"]).drop(columns="aim").rename(columns={"first": "aim"})
    return first[[*SITE, "unit", "course", "aim"]].reset_index(drop=True)


def _steps(
    cohort: Cohort | pd.DataFrame, tolerance: Mapping[str, float] | None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows, and each movement followed through them."""
    if isinstance(cohort, pd.DataFrame):
        require_columns(cohort, ["unit"])
    rows = history(cohort).reset_index(drop=True)
    return rows, followed(rows, tolerance)
