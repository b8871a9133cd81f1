"""How many decimals a number deserves: no more than the measurement can tell."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import InputError
from outcomes.reports.series.results import Series
from outcomes.reports.table import Cell
from outcomes.words.numbers import number, percent

UNKNOWN = {"mm": 2, "degree": 1}
"""Decimals where no reading was repeated: a hundredth of a mm, a tenth of a degree."""


def decimals(error: float) -> int:
    """Decimals that follow a measurement error: the place of its first figure, at most 3.

    A length known to within 0.08 mm is given to 0.01 mm, an angle known to within 1.2° to 1°.

    Raises
    ------
    InputError
        If the error is not a positive number.

    Examples
    --------
    >>> [decimals(error) for error in (0.08, 0.12, 0.6, 1.2, 15)]
    [2, 1, 1, 0, 0]
    """
    if not (math.isfinite(error) and error > 0):
        raise InputError(f"A measurement error is a positive number, not {error}.")
    return int(min(3, max(0, -math.floor(math.log10(error)))))


def recorded(values: pd.Series | np.ndarray) -> int:
    """Decimals with which numbers were written down, at most 2.

    Examples
    --------
    >>> recorded(pd.Series([4.0, 3.5])), recorded(pd.Series([4.0, 3.0]))
    (1, 0)
    """
    found = np.asarray(values, dtype=float)
    found = found[np.isfinite(found)]
    for places in (0, 1):
        if np.allclose(found, np.round(found, places), rtol=0, atol=1e-9):
            return places
    return 2


class Rounding:
    """Decimals of movements (from repeated readings) and of measures (as written down)."""

    def __init__(self, series: Series) -> None:
        table = series.measurement
        worst: dict[Any, float] = {}
        if len(table):
            worst = table.groupby("movement", observed=True)["dahlberg"].max().to_dict()
        self.errors = {
            str(name): float(error)
            for name, error in worst.items()
            if math.isfinite(error) and error > 0
        }
        self._measures = {
            str(name): recorded(part["value"])
            for name, part in series.cohort.measures.groupby("measure")
        }

    def movement(self, name: str, unit: str) -> int:
        """Decimals for a movement."""
        return decimals(self.errors[name]) if name in self.errors else UNKNOWN.get(unit, 2)

    def measure(self, name: str) -> int:
        """Decimals for a measure."""
        return self._measures.get(name, 1)


def plain(value: Any, places: int) -> Cell:
    """A number; a dash where there is none."""
    if value is None or pd.isna(value):
        return Cell("–", None)
    return Cell(number(float(value), places), float(value))


def mean_sd(mean: float, sd: float, places: int) -> Cell:
    """``4.2 (1.1)``; without the bracket where there is no SD.

    Examples
    --------
    >>> mean_sd(4.25, 1.1, 1).text, mean_sd(4.25, float("nan"), 1).text
    ('4.2 (1.1)', '4.2')
    """
    if pd.isna(mean):
        return Cell("–", None)
    if pd.isna(sd):
        return Cell(number(mean, places), float(mean))
    return Cell(f"{number(mean, places)} ({number(sd, places)})", (float(mean), float(sd)))


def between(low: float, high: float, places: int, scale: float = 1.0) -> Cell:
    """``−1.9 to −1.2``; a dash where there is no interval.

    An interval that excludes zero keeps as many decimals as it needs to say so.

    Examples
    --------
    >>> between(-1.94, -1.16, 1).text, between(-1.2, -0.02, 1).text
    ('−1.9 to −1.2', '−1.20 to −0.02')
    """
    if pd.isna(low) or pd.isna(high):
        return Cell("–", None)
    ends = (scale * low, scale * high)
    for more in range(4):
        texts = [number(end, places + more) for end in ends]
        hides = ends[0] * ends[1] > 0 and any(
            float(t.lstrip("−").replace(",", "")) == 0 for t in texts
        )
        if not hides:
            break
    return Cell(" to ".join(texts), (float(low), float(high)))


def counted_of(count: int, of: int) -> Cell:
    """How many were measured of how many.

    Examples
    --------
    >>> counted_of(3, 10).text
    '3 of 10'
    """
    return Cell(f"{int(count):,} of {int(of):,}", (int(count), int(of)))


def counted_share(count: int, of: int) -> Cell:
    """``5 (42 %)``; a dash of nothing.

    Examples
    --------
    >>> counted_share(5, 12).text.replace("\\u00a0", " ")
    '5 (42 %)'
    """
    if not of:
        return Cell("–", None)
    return Cell(f"{count:,} ({percent(count / of)})", (int(count), int(of)))
