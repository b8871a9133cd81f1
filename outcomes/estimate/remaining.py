"""What was left at the last scan: the first aim of each movement, what came of it, what remains."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from outcomes.estimate.design import RateError
from outcomes.measure.tolerance import within_tolerance

if TYPE_CHECKING:
    from outcomes.cohort.read import Cohort

__all__ = ["first_not_measured", "remaining"]

COLUMNS = (
    "patient",
    "tooth",
    "movement",
    "unit",
    "courses",
    "aim",
    "planned",
    "achieved",
    "left",
    "limit",
    "within",
    "largest",
)


def remaining(
    cohort: Cohort | pd.DataFrame, *, tolerance: Mapping[str, float] | None = None
) -> pd.DataFrame:
    """First aim, movement achieved over all courses, and what was left, tooth by tooth.

    Parameters
    ----------
    cohort
        A cohort, or its movements: patient, tooth, movement, unit, planned, achieved; course (1
        where there is none) and aim (planned where there is none).
    tolerance
        Unit to the size that matters; by default 0.5 mm and 2° (Angle Orthod
        2017;87(6):809–815, doi:10.2319/022717-147.1).

    Returns
    -------
    DataFrame
        One row for each patient, tooth and movement that was planned in any course: courses (how
        many it has); aim of the first; planned and achieved, sums over courses; left = aim −
        achieved (mm or degrees, sign of the movement), also where a later course asked for nothing
        more or for something else; limit; within (|left| ≤ limit); largest = |aim| / limit, by
        which movements of both units can be ranked. Where the first course of a tooth is not
        measured, what came of its first aim is not known and there is no row: see
        ``first_not_measured``.

    Raises
    ------
    RateError
        If columns are missing, or a tooth has two rows of a movement in one course.

    Examples
    --------
    >>> rows = pd.DataFrame({"patient": "P001", "tooth": 11, "movement": "vertical", "unit": "mm",
    ...     "course": [1, 2], "aim": [2.0, 0.8], "planned": [2.0, 1.2], "achieved": [1.2, 0.7]})
    >>> remaining(rows)[["courses", "aim", "achieved", "left", "within"]].round(2)
       courses  aim  achieved  left  within
    0        2  2.0       1.9   0.1    True
    """
    from outcomes.cohort.limits import limits

    rows = _history(cohort)
    first = rows.drop_duplicates(_KEY)
    known = first.loc[first["achieved"].notna(), [*_KEY, "aim"]]
    rows = rows.dropna(subset=["achieved"]).drop(columns="aim").merge(known, on=_KEY)
    if rows.duplicated([*_KEY, "course"]).any():
        raise RateError("A tooth has two rows of one movement in one course: keep one of them.")
    rows = rows.assign(some=rows["planned"] != 0)
    table = (
        rows.groupby(_KEY, sort=True)
        .agg(
            unit=("unit", "first"),
            courses=("course", "nunique"),
            aim=("aim", "first"),
            planned=("planned", "sum"),
            achieved=("achieved", "sum"),
            some=("some", "any"),
        )
        .reset_index()
    )
    table = table[table["some"]].drop(columns="some").reset_index(drop=True)
    limit = limits("tolerance", table["movement"], table["unit"], tolerance)
    left = (table["aim"] - table["achieved"]).round(9)
    table = table.assign(
        left=left,
        limit=limit,
        within=within_tolerance(left, limit),
        largest=np.abs(table["aim"]) / limit,
    )
    return table[list(COLUMNS)]


_KEY = ["patient", "tooth", "movement"]


def first_not_measured(cohort: Cohort | pd.DataFrame) -> pd.DataFrame:
    """Movements that cannot be followed, as the first course of their tooth is not measured.

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
    RateError
        If columns are missing.

    Examples
    --------
    >>> rows = pd.DataFrame({"patient": "P001", "tooth": 11, "movement": "vertical", "unit": "mm",
    ...     "course": [1, 2], "planned": [2.0, 0.8], "achieved": [None, 0.7]})
    >>> len(remaining(rows)), len(first_not_measured(rows))
    (0, 1)
    """
    first = _history(cohort).drop_duplicates(_KEY)
    first = first[first["achieved"].isna() & (first["aim"] != 0)]
    return first[[*_KEY, "unit", "course", "aim"]].reset_index(drop=True)


def _history(cohort: Cohort | pd.DataFrame) -> pd.DataFrame:
    """All rows with a plan, measured or not, by course, with their aims."""
    rows = cohort if isinstance(cohort, pd.DataFrame) else cohort.frame(unmeasured=True)
    needed = ("patient", "tooth", "movement", "unit", "planned", "achieved")
    absent = [name for name in needed if name not in rows.columns]
    if absent:
        raise RateError(f"No column {', '.join(absent)}.")
    if "course" not in rows.columns:
        rows = rows.assign(course=1)
    rows = rows.assign(
        aim=rows["aim"].fillna(rows["planned"]) if "aim" in rows else rows["planned"]
    )
    rows = rows.assign(achieved=rows["achieved"].astype(float))
    return rows.dropna(subset=["planned"]).sort_values("course", kind="stable")
