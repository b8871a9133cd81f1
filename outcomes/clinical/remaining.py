"""What was left at the last scan: the aim of each movement, what came of it, what remains."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from outcomes.clinical.following import SITE, followed, history
from outcomes.domain.limit_in_force import limits
from outcomes.domain.limits import within_tolerance
from outcomes.errors import require_columns

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["first_not_measured", "remaining"]


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
    limit = limits("tolerance", table["movement"], table["unit"], tolerance)
    sites = pd.MultiIndex.from_frame(table[SITE])
    left = (table["aim"] - table["achieved"]).round(9)
    table.insert(
        list(table).index("last") + 1,
        "not_followed",
        lost.reindex(sites).fillna(0).to_numpy(int),
    )
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
