"""The measurement error of a cohort, or why there is none."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from outcomes.errors import CannotAnswer
from outcomes.measure.readings import measurement_error

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort


def error_of_readings(cohort: Cohort) -> tuple[pd.DataFrame, str]:
    """`outcomes.measurement_error` of a cohort, and why it is empty where it is."""
    if not len(cohort.repeats):
        return pd.DataFrame(), "The cohort holds no repeated readings."
    try:
        return measurement_error(cohort), ""
    except CannotAnswer as error:
        return pd.DataFrame(), str(error)
