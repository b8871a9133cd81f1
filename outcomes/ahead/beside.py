"""What the plans of the teeth beside it do to a tooth that is to stay, where the cohort tells it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from outcomes.domain.limits import ENOUGH_PATIENTS
from outcomes.domain.teeth import (
    DECIDUOUS_ORDER_LOWER,
    DECIDUOUS_ORDER_UPPER,
    FDI_ORDER_LOWER,
    FDI_ORDER_UPPER,
)
from outcomes.words.english import counted
from outcomes.words.numbers import percent, range_words

__all__ = ["Beside", "beside_of", "neighbours", "plans_beside", "rows_beside"]

_LEVEL = 0.95


def neighbours(tooth: int) -> tuple[int, ...]:
    """The teeth beside a tooth in its arch, FDI.

    Examples
    --------
    >>> neighbours(11), neighbours(18), neighbours(36)
    ((12, 21), (17,), (35, 37))
    """
    for order in (FDI_ORDER_UPPER, FDI_ORDER_LOWER, DECIDUOUS_ORDER_UPPER, DECIDUOUS_ORDER_LOWER):
        if tooth in order:
            at = order.index(tooth)
            return (*order[max(at - 1, 0) : at], *order[at + 1 : at + 2])
    return ()


def plans_beside(tooth: int, plans: Mapping[int, float]) -> float:
    """Sum of the plans of the neighbours; missing where none of them has one."""
    known = [plans[n] for n in neighbours(tooth) if n in plans and plans[n] == plans[n]]
    return float(sum(known)) if known else float("nan")


@dataclass(frozen=True)
class Beside:
    """How far a tooth goes for each mm or degree that its neighbours are planned to go.

    ``slope`` and ``se`` count only where ``told``; ``said`` is the sentence.
    """

    slope: float
    se: float
    told: bool
    said: str


def beside_of(rows: pd.DataFrame, every: pd.DataFrame) -> Beside:
    """Learn it from the side movements of one movement.

    Parameters
    ----------
    rows
        patient, tooth, course, arch, tooth_class, achieved of what no plan moved.
    every
        All rows of the movement, with planned.

    Notes
    -----
    Least squares about the means of class and arch, standard error clustered by patient (t with
    patients - 1 degrees of freedom). Told where at least 10 patients had a plan beside and the 95 %
    interval leaves out 0 (common practice, no source). Plans beside were not allotted at random.
    """
    x = pd.Series(rows_beside(rows, every), index=rows.index)
    known = x.notna()
    moved = known & (x != 0)
    patients = rows.loc[moved, "patient"].nunique()
    if patients < ENOUGH_PATIENTS:
        said = (
            f"Whether the plans of the teeth beside it matter is not told: {patients} of "
            f"{ENOUGH_PATIENTS} patients needed had such plans on record."
        )
        return Beside(0.0, 0.0, False, said)
    cell = rows["arch"].astype(str) + " " + rows["tooth_class"].astype(str)
    used = pd.DataFrame({"x": x, "y": rows["achieved"].astype(float)})[known]
    used = used - used.groupby(cell[known]).transform("mean")
    square = float((used["x"] ** 2).sum())
    if not square > 1e-12:
        said = "Whether the plans of the teeth beside it matter is not told: they do not differ."
        return Beside(0.0, 0.0, False, said)
    slope = float((used["x"] * used["y"]).sum()) / square
    left = used["x"] * (used["y"] - slope * used["x"])
    who = rows.loc[known, "patient"]
    groups = who.nunique()
    se = float(np.sqrt((left.groupby(who).sum() ** 2).sum() * groups / (groups - 1))) / square
    half = float(stdtrit(groups - 1, 0.5 + _LEVEL / 2)) * se
    low, high = slope - half, slope + half
    between = f"(95 % interval {range_words(low, high)}, {counted(patients, 'patient')})"
    if low > 0 or high < 0:
        way = "the same way" if slope > 0 else "the other way"
        said = f"It goes {percent(abs(slope))} of what the teeth beside it are planned to go, {way}"
        return Beside(slope, se, True, f"{said} {between}; plans were not allotted at random.")
    said = "The cohort does not tell whether the plans of the teeth beside it matter"
    return Beside(0.0, 0.0, False, f"{said} {between}: they are left out.")


def rows_beside(rows: pd.DataFrame, every: pd.DataFrame) -> np.ndarray:
    """The plans beside each row, in its course; missing where none is recorded, (n,)."""
    plans: dict[tuple[str, float], dict[int, float]] = {}
    for patient, course, tooth, planned in zip(
        every["patient"], every["course"], every["tooth"], every["planned"], strict=True
    ):
        plans.setdefault((str(patient), float(course)), {})[int(tooth)] = float(planned)
    found = [
        plans_beside(int(tooth), plans.get((str(patient), float(course)), {}))
        for patient, course, tooth in zip(
            rows["patient"], rows["course"], rows["tooth"], strict=True
        )
    ]
    return np.array(found, dtype=float)
