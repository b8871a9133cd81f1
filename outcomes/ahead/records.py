"""What a cohort holds for the next course of a patient, whichever form it comes in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from outcomes.clinical.following import SITE, history
from outcomes.cohort.records import Cohort
from outcomes.domain.limit_in_force import units_of
from outcomes.errors import InputError, require_columns
from outcomes.rates.design import with_derived

if TYPE_CHECKING:
    from collections.abc import Collection

__all__ = ["Records", "records_of"]


@dataclass(frozen=True)
class Records:
    """The tables that are asked: ``rows`` of all movements with a plan, measured or not (patient and
    tooth class, arch, unit beside them; ``aim`` missing where none was written), ``measures`` and
    ``courses`` (without rows where there are none), ``treated`` (codes of all patients), ``notation``
    (how teeth were numbered in what was read, "" where that is not known)."""

    rows: pd.DataFrame
    measures: pd.DataFrame
    courses: pd.DataFrame
    treated: tuple[str, ...]
    source: str
    notation: str = ""

    @property
    def measured(self) -> pd.DataFrame:
        """The rows with a result."""
        return self.rows[self.rows["achieved"].notna()]

    def of(self, patient: str) -> pd.DataFrame:
        """The rows of one patient, one for each record, by course."""
        return history(self.rows[self.rows["patient"] == patient]).reset_index(drop=True)

    def last_course(self, patient: str) -> int:
        """The last course that is recorded for a patient, measured or not; 0 for none."""
        courses = [self.rows.loc[self.rows["patient"] == patient, "course"]]
        if "course" in self.courses:
            courses.append(self.courses.loc[self.courses["patient"] == patient, "course"])
        return int(pd.concat(courses).max()) if sum(map(len, courses)) else 0


def records_of(cohort: Cohort | pd.DataFrame) -> Records:
    """The tables of a cohort, or of a frame of movements.

    Parameters
    ----------
    cohort
        A cohort, or a frame with patient, tooth (FDI), movement, planned and achieved (mm or
        degrees, signed), perhaps course and aim.

    Raises
    ------
    InputError
        If it is neither.
    CannotAnswer
        If columns are missing.
    """
    if isinstance(cohort, Cohort):
        rows = cohort.frame(unmeasured=True)
        if "aim" in rows:
            rows = rows.assign(aim=rows["aim"].mask(rows["row"].isin(_rows(cohort.blank_aims))))
        measures, courses, source = cohort.measures, cohort.courses, cohort.source
        treated = cohort.treated
    elif isinstance(cohort, pd.DataFrame):
        require_columns(cohort, (*SITE, "planned", "achieved"))
        rows, measures, courses, source = cohort, pd.DataFrame(), pd.DataFrame(), "the records"
        treated = list(dict.fromkeys(cohort["patient"].dropna().astype(str)))
    else:
        raise InputError(
            f"The cohort is of type {type(cohort).__name__}: give what read_cohort or from_frames "
            "returns, or a frame of movements."
        )
    rows = with_derived(rows, ("tooth_class", "arch"))
    rows = rows.assign(
        patient=rows["patient"].astype(str),
        unit=units_of(rows),
        planned=rows["planned"].astype(float),
        achieved=rows["achieved"].astype(float),
        course=rows.get("course", 1),
        aim=rows["aim"].astype(float) if "aim" in rows else float("nan"),
    )
    rows = rows.dropna(subset=["planned"]).reset_index(drop=True)
    notation = cohort.notation if isinstance(cohort, Cohort) else "fdi"
    return Records(rows, measures, courses, tuple(treated), source, notation)


def _rows(blank: Collection[int]) -> list[int]:
    return list(blank)
