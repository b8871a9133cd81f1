"""The outlines of crowns that `outcomes measure` wrote, for the cases of a series."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from outcomes.errors import InputError
from outcomes.measure.outlines import OUTLINES, OUTLINES_FILE, VIEWS
from outcomes.words.english import listed

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["matched", "no_outlines", "read_outlines"]


def no_outlines() -> pd.DataFrame:
    """What a series without scans has."""
    return pd.DataFrame(columns=OUTLINES)


def read_outlines(folder: str | Path) -> pd.DataFrame:
    """The outlines in a folder that `outcomes measure` wrote.

    Parameters
    ----------
    folder
        With outlines.csv.

    Returns
    -------
    DataFrame
        See `outcomes.measure.outlines.outlines`.

    Raises
    ------
    InputError
        If there is no such file, or it is no file of outlines.
    """
    path = Path(folder) / OUTLINES_FILE
    if not path.is_file():
        raise InputError(
            f"There is no {OUTLINES_FILE} in {Path(folder).name}: give the folder that outcomes "
            "measure wrote from scans (landmarks alone have no outlines)."
        )
    try:
        found = pd.read_csv(path, dtype={"patient": "string"})
    except (ValueError, pd.errors.ParserError) as error:
        raise InputError(f"{OUTLINES_FILE} cannot be read: measure the scans again.") from error
    missing = [name for name in OUTLINES if name not in found.columns]
    if missing:
        raise InputError(
            f"{OUTLINES_FILE} has no column {listed(missing)}: measure the scans again."
        )
    numbers = found[["course", "tooth", "x", "y"]].apply(pd.to_numeric, errors="coerce")
    bad = numbers.isna().any(axis=1) | ~found["view"].isin(VIEWS)
    if bad.any():
        raise InputError(
            f"{OUTLINES_FILE} was changed: row {int(bad.idxmax()) + 2} is no point of an outline. "
            "Measure the scans again."
        )
    return found.astype({"patient": str})[OUTLINES]


def matched(outlines: pd.DataFrame, cohort: Cohort) -> tuple[pd.DataFrame, str]:
    """The outlines of courses that are in the cohort, and a sentence on those that are not.

    They are matched by patient and course.
    """
    rows = cohort.movements[["patient", "course"]].drop_duplicates()
    there = set(zip(rows["patient"], rows["course"].astype(int), strict=True))
    given = list(zip(outlines["patient"], outlines["course"].astype(int), strict=True))
    known = [which in there for which in given]
    lost = list(dict.fromkeys(w for w, ok in zip(given, known, strict=True) if not ok))
    said = listed(f"{patient}, course {course}" for patient, course in lost)
    return outlines[np.array(known, dtype=bool)].reset_index(drop=True), (
        f"Scans of no course in these records, so not shown: {said}." if lost else ""
    )
