"""Movements that were not planned: what happened where the plan was zero."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import stdtrit

if TYPE_CHECKING:
    from outcomes.cohort.read import Cohort

COLUMNS = ("patients", "movements", "mean", "sd", "low", "high", "largest", "beyond_tolerance")


def unplanned(
    cohort: Cohort | pd.DataFrame,
    by: Sequence[str] = ("movement", "tooth_class"),
    *,
    tolerance: Mapping[str, float] | None = None,
    level: float = 0.95,
) -> pd.DataFrame:
    """Describe movements with planned = 0: side effects and loss of anchorage, never a rate.

    Parameters
    ----------
    cohort
        A cohort, or a frame with patient, movement, unit, planned, achieved and ``by``.
    by
        Columns to group by; ``movement`` among them.
    tolerance
        Unit to the size that matters; by default 0.5 mm and 2° (Angle Orthod
        2017;87(6):809–815, doi:10.2319/022717-147.1).
    level
        Level of the interval.

    Returns
    -------
    DataFrame
        *by*, unit, patients, movements, mean (of patients' means, mm or degrees, sign of the
        movement), sd (between rows), low, high (t interval over patients' means, so that a
        patient with many rows counts once; blank for one patient), largest (the row furthest from
        zero), beyond_tolerance (share of rows). No rows where nothing was unplanned.

    Examples
    --------
    >>> frame = pd.DataFrame({"patient": ["P001", "P002", "P003"], "movement": "vertical",
    ...     "tooth_class": "molar", "unit": "mm", "planned": 0.0, "achieved": [0.2, 0.6, 0.1]})
    >>> unplanned(frame)[["movements", "mean", "low", "high", "largest"]].round(2)
       movements  mean   low  high  largest
    0          3   0.3 -0.36  0.96      0.6
    """
    from outcomes.cohort.schema import TOLERANCE

    limits = TOLERANCE if tolerance is None else tolerance
    frame = cohort if isinstance(cohort, pd.DataFrame) else cohort.frame()
    rows = frame[(frame["planned"] == 0) & frame["achieved"].notna()]
    keys = [*by, "unit"]
    parts = [
        pd.DataFrame([{**dict(zip(keys, key, strict=True)), **_describe(group, limits, level)}])
        for key, group in rows.groupby(keys, observed=True, sort=True)
    ]
    if not parts:
        return pd.DataFrame(columns=[*keys, *COLUMNS])
    return pd.concat(parts, ignore_index=True)


def _describe(
    rows: pd.DataFrame, limits: Mapping[str, float], level: float
) -> dict[str, float | int]:
    achieved = rows["achieved"].to_numpy(float)
    means = rows.groupby("patient", observed=True)["achieved"].mean().to_numpy(float)
    patients = len(means)
    half = np.nan
    if patients > 1:
        half = stdtrit(patients - 1, 0.5 + level / 2) * means.std(ddof=1) / np.sqrt(patients)
    return {
        "patients": patients,
        "movements": len(achieved),
        "mean": means.mean(),
        "sd": achieved.std(ddof=1) if len(achieved) > 1 else np.nan,
        "low": means.mean() - half,
        "high": means.mean() + half,
        "largest": achieved[np.abs(achieved).argmax()],
        "beyond_tolerance": float(np.mean(np.abs(achieved) > limits[rows["unit"].iloc[0]])),
    }
