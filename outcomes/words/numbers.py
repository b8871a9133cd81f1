"""Numbers as a reader wants them: a real minus sign, a unit once, a p value never as zero."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd

from outcomes.words.units import NBSP, unit_mark

Format = Callable[[Any], str]

LEVEL = 0.95
"""Level of the intervals of a result that does not record another."""


def number(value: float, digits: int = 2) -> str:
    """A number with a real minus sign; never minus zero.

    Examples
    --------
    >>> number(-0.126), number(-0.001)
    ('−0.13', '0.00')
    """
    rounded = round(float(value), digits) + 0.0
    return f"{rounded:,.{digits}f}".replace("-", "−")


def signed(value: float, digits: int = 2) -> str:
    """A change, with its sign; none as a bare zero.

    Examples
    --------
    >>> signed(0.123), signed(-0.2), signed(0.001)
    ('+0.12', '−0.20', '0.00')
    """
    text = number(value, digits)
    return text if text.startswith("−") or not text.strip("0.") else f"+{text}"


def percent(share: float, digits: int = 0) -> str:
    """A share as a percentage.

    Examples
    --------
    >>> percent(0.567).replace(NBSP, " ")
    '57 %'
    """
    return f"{number(100 * share, digits)}{NBSP}%"


def bare_percent(share: float) -> str:
    """A share as whole per cent without the sign, as in a table cell.

    Examples
    --------
    >>> bare_percent(0.616), bare_percent(-0.001)
    ('62', '0')
    """
    return number(100 * share, 0)


def level_words(level: float = LEVEL, *, space: str = NBSP) -> str:
    """The level of an interval or a range; ``space`` stands before the sign.

    Examples
    --------
    >>> level_words(0.975, space=" ")
    '97.5 %'
    """
    return f"{100 * level:g}{space}%"


def interval_words(level: float = LEVEL, *, space: str = NBSP) -> str:
    """What stands before the ends of an interval; ``space`` as in `level_words`."""
    return f"{level_words(level, space=space)} interval"


def count(value: float) -> str:
    """A count, with a comma between thousands."""
    return f"{int(value):,}"


def p_value(value: float) -> str:
    """A p value, never as zero.

    Examples
    --------
    >>> p_value(0.0312), p_value(0.00001).replace(NBSP, " ")
    ('0.031', '< 0.001')
    """
    return f"<{NBSP}0.001" if value < 0.001 else f"{value:.3f}"


def range_words(low: float, high: float, form: Format = percent) -> str:
    """An interval, ``low to high``; a percent sign is written once.

    Examples
    --------
    >>> range_words(0.4, 0.7).replace(NBSP, " ")
    '40 to 70 %'
    """
    if pd.isna(low) or pd.isna(high):
        return "–"
    start, end = form(low), form(high)
    if end.endswith(f"{NBSP}%"):
        start = start.removesuffix(f"{NBSP}%")
    return f"{start} to {end}"


def points(share: float, digits: int = 0) -> str:
    """A difference of shares in percentage points, with its sign.

    Examples
    --------
    >>> points(0.123), points(-0.2), points(0.0731, 1), points(0.0004, 1)
    ('+12', '−20', '+7.3', '0.0')
    """
    return signed(100 * share, digits)


def size(value: float, unit: str) -> str:
    """A length or an angle with its unit.

    Examples
    --------
    >>> size(2.04, "degree"), size(-0.5, "mm").replace(NBSP, " ")
    ('2.0°', '−0.50 mm')
    """
    return f"{number(value, 2 if unit == 'mm' else 1)}{unit_mark(unit)}"


def size_range(low: float, high: float, unit: str) -> str:
    """An interval of lengths or angles, the unit written once.

    Examples
    --------
    >>> size_range(-0.5, 1, "degree")
    '−0.5 to 1.0°'
    """
    if pd.isna(low) or pd.isna(high):
        return "–"
    digits = 2 if unit == "mm" else 1
    return f"{range_words(low, high, lambda v: number(v, digits))}{unit_mark(unit)}"
