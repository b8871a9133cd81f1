"""Later courses without their earlier ones: teeth that lagged, and make rates too low."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from outcomes.rates.design import one_movement
from outcomes.words.english import counted, verb

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["later_course_notes", "later_courses_alone"]

LATER_COLUMNS = (
    "movement",
    "movements",
    "later",
    "alone",
    "alone_patients",
    "without_first",
    "without_first_patients",
)


def later_courses_alone(cohort: Cohort | pd.DataFrame) -> pd.DataFrame:
    """Planned movements of later courses whose earlier course is not among the records.

    Parameters
    ----------
    cohort
        A cohort, or a frame with patient, tooth, movement, planned, achieved and course. Every
        measured row of an earlier course counts as a record of it, planned or not.

    Returns
    -------
    DataFrame
        movement, movements (planned and measured), later (those in course 2 or later), alone (those
        of them whose tooth has no measured row of this movement in an earlier course),
        alone_patients, without_first and without_first_patients (the part of them whose patient
        has no measured row at all in an earlier course: whole courses are absent). Where a patient
        has earlier records, a movement alone may also have begun in the later course.

    Examples
    --------
    >>> frame = pd.DataFrame({"patient": ["P001", "P001", "P002"], "tooth": 11, "course": [1, 2, 2],
    ...     "movement": "rotation", "planned": [9.0, 4, 5], "achieved": [5.0, 2, 2]})
    >>> later_courses_alone(frame)[["later", "alone", "without_first"]]
       later  alone  without_first
    0      2      1              1
    """
    frame = cohort if isinstance(cohort, pd.DataFrame) else cohort.frame()
    if not {"course", "patient", "tooth", "planned", "achieved"} <= set(frame.columns):
        return pd.DataFrame(columns=LATER_COLUMNS)
    if "movement" not in frame.columns:
        frame = frame.assign(movement="movement")
    course = pd.to_numeric(frame["course"], errors="coerce")
    rows = frame[frame["achieved"].notna() & course.notna()].assign(course=course)
    rows = rows.assign(later=rows["course"] > 1)
    sites = {"alone": ["patient", "tooth", "movement"], "without_first": ["patient"]}
    for name, site in sites.items():
        first = rows.groupby(site, observed=True)["course"].transform("min") == rows["course"]
        rows[name] = rows["later"] & first
        rows[f"{name}_patients"] = rows["patient"].where(rows[name])
    planned = rows[rows["planned"] != 0].assign(movements=1)
    how = {name: "nunique" if name.endswith("_patients") else "sum" for name in LATER_COLUMNS[1:]}
    return planned.groupby("movement", sort=False, observed=True).agg(how).reset_index()


def later_course_notes(cohort: Cohort | pd.DataFrame, movement: str | None = None) -> list[str]:
    """The sentence on later courses alone for the notes of ``fit_rate``, or none."""
    frame, _ = one_movement(cohort, movement)
    if not _some_alone(frame):
        return []
    table = later_courses_alone(frame)
    alone = int(table["alone"].sum())
    if not alone:
        return []
    total = int(table["movements"].sum())
    whole = int(table["without_first"].sum())
    why = f" ({whole:,} of patients without any earlier record)" if whole else ""
    return [
        f"{alone:,} of {counted(total, 'row')} {verb(alone, 'lack')} the earlier course of the tooth{why}. Teeth that lag are treated again, so later courses alone make rates too "
        "low: add the records of the earlier courses."
    ]


def _some_alone(frame: pd.DataFrame) -> bool:
    """Has a tooth no measured row before its second course? Quick, as most cohorts have none."""
    if "course" not in frame.columns:
        return False
    course = pd.to_numeric(frame["course"], errors="coerce").to_numpy(float, na_value=np.nan)
    used = frame["achieved"].notna().to_numpy() & np.isfinite(course)
    patient, tooth = (pd.factorize(frame[name])[0][used] for name in ("patient", "tooth"))
    if not len(patient):
        return False
    first = np.full((patient.max() + 1) * (tooth.max() + 1), np.inf)
    np.minimum.at(first, patient * (tooth.max() + 1) + tooth, course[used])
    return bool((first[np.isfinite(first)] > 1).any())
