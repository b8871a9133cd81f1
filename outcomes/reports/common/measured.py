"""The measurement error of a cohort, or why there is none."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from outcomes.errors import CannotAnswer
from outcomes.measure.readings import measurement_error
from outcomes.words.english import listed, number_of
from outcomes.words.numbers import size, size_range

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


def error_words(table: pd.DataFrame) -> list[str]:
    """What repeated readings say, from the rows of `outcomes.measurement_error`."""
    known = table[table["dahlberg"].notna()]
    if not len(known):
        return ["The repeated readings are too few to say."]
    errors, changes, differences = (
        listed(
            size_range(rows[column].min(), rows[column].max(), unit)
            if len(rows) > 1
            else size(rows[column].iloc[0], unit)
            for unit, rows in ((str(u), known[known["unit"] == u]) for u in known["unit"].unique())
        )
        for column in ("dahlberg", "smallest_detectable_change", "smallest_detectable_difference")
    )
    return [
        f"A single reading carries an error of {errors} (Dahlberg, from "
        f"{number_of(known['pairs'].sum(), 'pair')} of readings). A movement smaller than "
        f"{changes}, depending on the movement, may be error of measurement alone; two movements "
        f"that differ by less than {differences} cannot be told apart."
    ]
