"""Tables as a reader sees them: headings in plain words, cells as texts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from outcomes.words.numbers import (
    LEVEL,
    count,
    interval_words,
    percent,
    range_words,
    size,
    size_range,
)

BLANK = "–"
"""Where there is nothing to show."""
INTERVAL = "interval"
"""In the place of a column: the interval from ``low`` to ``high``."""

Column = tuple[str, Any]
"""The heading of a column and how its values are written; `size` also takes the column unit."""

SHARED: dict[str, Column] = {
    "movement": ("Movement", str),
    "group": ("Teeth", str),
    "patients": ("Patients", count),
    "movements": ("Movements", count),
    "rate": ("Achieved", percent),
}
"""Columns that stand in the results of several reports."""


def texts(
    frame: pd.DataFrame, names: str, columns: Mapping[str, Column] = SHARED, **other: str | Column
) -> pd.DataFrame:
    """Columns of a result as texts, under their headings; a dash for what is missing.

    Parameters
    ----------
    frame
        The result; a column ``unit`` where sizes are shown.
    names
        The columns, in order.
    columns
        How they are usually shown.
    **other
        Another heading, or another way altogether, for this table.

    Examples
    --------
    >>> result = pd.DataFrame({"patients": 3, "mean": [0.5, None], "low": [0.1, None],
    ...     "high": [0.9, None], "unit": "degree"})
    >>> texts(result, "patients mean interval", mean=("Mean", size), interval=("Ends", size))
      Patients  Mean         Ends
    0        3  0.5°  0.1 to 0.9°
    1        3     –            –
    """
    shown = {}
    for name in names.split():
        given = other.get(name, columns.get(name, ""))
        heading, form = (given, columns[name][1]) if isinstance(given, str) else given
        shown[heading] = _texts_of(frame, name, form)
    return pd.DataFrame(shown, index=frame.index, dtype=object)


def _texts_of(frame: pd.DataFrame, column: str, form: Any) -> list[str]:
    if column == INTERVAL:
        ends = zip(frame["low"], frame["high"], strict=True)
        if form is not size:
            return [range_words(low, high, form) for low, high in ends]
        return [size_range(*both, unit) for both, unit in zip(ends, frame["unit"], strict=True)]
    if form is size:
        pairs = zip(frame[column], frame["unit"], strict=True)
        return [BLANK if pd.isna(value) else size(value, unit) for value, unit in pairs]
    return [BLANK if pd.isna(value) else form(value) for value in frame[column]]


def interval_heading(frame: pd.DataFrame | None = None) -> str:
    """The heading of the intervals of a result, with their level where it is recorded.

    Examples
    --------
    >>> interval_heading(pd.DataFrame({"level": [0.9, 0.9]})), interval_heading()
    ('90 % interval', '95 % interval')
    """
    known = frame is not None and "level" in frame and len(frame)
    level = float(frame["level"].iloc[0]) if frame is not None and known else LEVEL
    return interval_words(level, space=" ")
