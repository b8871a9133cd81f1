"""Tables as a reader sees them: headings in plain words, cells as texts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from outcomes.words.numbers import LEVEL, count, interval_words, range_words, size, size_range
from outcomes.words.units import NBSP

BLANK = "–"
"""Where there is nothing to show."""
INTERVAL = "low to high"
"""In the place of a column: the interval from ``low`` to ``high``."""

Column = tuple[str, Any]
"""A column of the result and how its values are written; `size` also takes the column unit."""

COUNTS: dict[str, Column] = {"Patients": ("patients", count), "Movements": ("movements", count)}


def texts(frame: pd.DataFrame, columns: Mapping[str, Column]) -> pd.DataFrame:
    """A result as texts, in the order of the headings; a dash for what is missing.

    Parameters
    ----------
    frame
        The result; a column ``unit`` where sizes are shown.
    columns
        Heading to column.

    Examples
    --------
    >>> result = pd.DataFrame({"mean": [0.5, None], "low": [0.1, None], "high": [0.9, None],
    ...     "unit": "degree"})
    >>> texts(result, {"Mean": ("mean", size), "Interval": (INTERVAL, size)}).to_numpy().tolist()
    [['0.5°', '0.1 to 0.9°'], ['–', '–']]
    """
    shown = {heading: _texts_of(frame, *column) for heading, column in columns.items()}
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
    return interval_words(level).replace(NBSP, " ")
