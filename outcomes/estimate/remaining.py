"""What was left at the last scan: the first aim of each movement, what came of it, what remains."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from outcomes.estimate.design import RateError

if TYPE_CHECKING:
    from outcomes.cohort.read import Cohort

__all__ = ["remaining"]

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
        more or for something else; limit; within (|left| ≤ limit); largest = |aim| / limit, by which movements of both units can be ranked.

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
    from outcomes.cohort.schema import TOLERANCE

    rows = cohort if isinstance(cohort, pd.DataFrame) else cohort.movements
    needed = ("patient", "tooth", "movement", "unit", "planned", "achieved")
    absent = [name for name in needed if name not in rows.columns]
    if absent:
        raise RateError(f"No column {', '.join(absent)}.")
    if "course" not in rows.columns:
        rows = rows.assign(course=1)
    rows = rows.assign(
        aim=rows["aim"].fillna(rows["planned"]) if "aim" in rows else rows["planned"]
    )
    rows = rows.dropna(subset=["planned", "achieved"]).sort_values("course", kind="stable")
    key = ["patient", "tooth", "movement"]
    if rows.duplicated([*key, "course"]).any():
        raise RateError("A tooth has two rows of one movement in one course: keep one of them.")
    rows = rows.assign(some=rows["planned"] != 0)
    table = (
        rows.groupby(key, sort=True)
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
    limit = table["unit"].astype(object).map(dict(TOLERANCE) | dict(tolerance or {})).astype(float)
    left = (table["aim"] - table["achieved"]).round(9)
    table = table.assign(
        left=left,
        limit=limit,
        within=np.abs(left) <= limit,
        largest=np.abs(table["aim"]) / limit,
    )
    return table[list(COLUMNS)]
