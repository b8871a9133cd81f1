"""From the cells of a column, as people type them, to dates; none is guessed (see ``cells``)."""

from __future__ import annotations

import datetime as dt
import re

import numpy as np
import pandas as pd

from outcomes.cohort.cells import (
    BLANK_WORDS,
    SIGNS,
    UNCALCULATED,
    by_unique,
    clean_text,
    is_error,
    texts,
)

__all__ = ["dates"]


def dates(column: pd.Series) -> tuple[pd.Series, np.ndarray]:
    """Read a column as dates: a datetime column (NaT where none) and the trouble of each cell.

    ``03/04/2024`` is read only where another date of the column shows which comes first.

    Examples
    --------
    >>> days, trouble = dates(pd.Series(["2024-01-31", "31.1.2024", "3/4/2024"], dtype=object))
    >>> days.dt.strftime("%Y-%m-%d").tolist(), list(trouble)
    (['2024-01-31', '2024-01-31', nan], ['', '', 'day'])
    """
    if pd.api.types.is_datetime64_any_dtype(column):
        days = column.dt.tz_localize(None) if column.dt.tz is not None else column
        return days.astype("datetime64[us]"), np.full(len(column), "", dtype=object)
    slashed = [
        (int(m[1]), int(m[2]))
        for m in (_SLASHED.fullmatch(t) for t in set(texts(column).tolist()))
        if m
    ]
    day_first = any(first > 12 for first, _ in slashed)
    month_first = any(second > 12 for _, second in slashed)
    order = "" if day_first == month_first else "dmy" if day_first else "mdy"
    read = by_unique(column, lambda cell: _read_date(cell, order))
    days = pd.Series([r[0] for r in read], index=column.index, dtype="datetime64[us]")
    return days, np.array([r[1] for r in read], dtype=object)


_SLASHED = re.compile(r"(\d{1,2})/(\d{1,2})/(\d{4})")
_DOTTED = re.compile(r"(\d{1,2})\. ?(\d{1,2})\. ?(\d{4})")
_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})([T ].*)?")


def _read_date(cell: object, order: str) -> tuple[dt.datetime | None, str]:
    if isinstance(cell, dt.datetime):
        return cell.replace(tzinfo=None), ""
    if isinstance(cell, dt.date):
        return dt.datetime(cell.year, cell.month, cell.day), ""
    text = clean_text(cell).translate(SIGNS)
    if text.casefold() in BLANK_WORDS:
        return None, ""
    if text == UNCALCULATED or is_error(text):
        return None, "uncalculated" if text == UNCALCULATED else "error"
    if m := _ISO.fullmatch(text):
        parts = int(m[1]), int(m[2]), int(m[3])
    elif m := _DOTTED.fullmatch(text):
        parts = int(m[3]), int(m[2]), int(m[1])
    elif m := _SLASHED.fullmatch(text):
        first, second, year = (int(part) for part in m.groups())
        if first > 12 or second > 12:
            order = "dmy" if first > 12 else "mdy"
        elif not order and first != second:
            return None, "day"
        parts = (year, second, first) if order == "dmy" else (year, first, second)
    else:
        return None, "not a date"
    try:
        return dt.datetime(*parts), ""
    except ValueError:
        return None, "not a date"
