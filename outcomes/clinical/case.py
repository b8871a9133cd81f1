"""The records of one case as a page shows them: courses in days, measures after each course."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from outcomes.domain.tables import MEASURES

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["course_times", "measured"]


def course_times(cohort: Cohort, patient: str) -> pd.DataFrame:
    """Courses of a patient in days from the start of the first.

    Returns
    -------
    DataFrame
        course, start, end (days), dated (from dates, else from aligners one after the other),
        aligners, days_per_aligner, wear_hours, elastics, scanned (a movement of it was measured).
    """
    rows = cohort.courses
    rows = rows[rows["patient"] == patient] if "patient" in rows else rows.iloc[:0]
    if not len(rows):
        return pd.DataFrame(columns=["course", "start", "end", "dated"])
    rows = rows.sort_values("course").reset_index(drop=True)
    optional = ("aligners", "days_per_aligner", "wear_hours", "elastics", "start", "end")
    rows = rows.assign(**{name: np.nan for name in optional if name not in rows.columns})
    days = rows["aligners"].astype(float) * rows["days_per_aligner"].astype(float)
    dated = bool(rows[["start", "end"]].notna().all(axis=None))
    if dated:
        first = rows["start"].min()
        start = (rows["start"] - first).dt.days.astype(float)
        end = (rows["end"] - first).dt.days.astype(float)
    else:
        end = days.cumsum()
        start = end - days
    seen = cohort.movements
    scanned = set(seen.loc[seen["patient"] == patient, "course"])
    table = rows[["course", "aligners", "days_per_aligner", "wear_hours", "elastics"]]
    return table.assign(start=start, end=end, dated=dated, scanned=rows["course"].isin(scanned))


def measured(cohort: Cohort, patient: str | None = None) -> pd.DataFrame:
    """Measures, a measure at teeth as the mean over them.

    Returns
    -------
    DataFrame
        patient, measure, after_course, value, target, unit, teeth (0 for a measure of the
        patient), with known measures in the order of the schema.
    """
    columns = ["patient", "measure", "after_course", "value", "target", "unit", "teeth"]
    rows = cohort.measures
    if len(rows):
        rows = rows.dropna(subset="value")
        rows = rows if patient is None else rows[rows["patient"] == patient]
    if not len(rows):
        return pd.DataFrame(columns=columns)
    optional = {name: np.nan for name in ("target", "tooth") if name not in rows.columns}
    unit = rows["measure"].map(MEASURES)
    unit = rows["unit"].fillna(unit) if "unit" in rows.columns else unit
    rows = rows.assign(**optional).assign(unit=unit.fillna(""))
    table = (
        rows.groupby(["patient", "measure", "after_course"], sort=True)
        .agg(
            value=("value", "mean"),
            target=("target", "mean"),
            unit=("unit", "first"),
            teeth=("tooth", "count"),
        )
        .reset_index()
    )
    known = list(MEASURES)
    order = {name: known.index(name) if name in known else len(known) for name in table["measure"]}
    return (
        table.assign(place=table["measure"].map(order))
        .sort_values(["place", "measure", "patient", "after_course"], kind="stable")
        .drop(columns="place")
        .reset_index(drop=True)[columns]
    )
