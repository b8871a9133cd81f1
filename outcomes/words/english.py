"""Counts, lists and small words as they stand in an English sentence."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import Any

from outcomes.words.numbers import LEVEL, count, interval_words, p_value, percent, range_words


def number_of(n: float, noun: str, plural: str | None = None) -> str:
    """A count with its noun in the right number.

    Examples
    --------
    >>> number_of(1, "patient"), number_of(0, "tooth", "teeth")
    ('1 patient', 'no teeth')
    """
    many = plural or f"{noun}s"
    if n == 0:
        return f"no {many}"
    return f"{count(n)} {noun if n == 1 else many}"


def listed(items: Iterable[str], last: str = "and") -> str:
    """Items as an English list.

    Examples
    --------
    >>> listed(["tip", "torque", "rotation"])
    'tip, torque and rotation'
    """
    names = list(items)
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} {last} {names[-1]}"


def capital(text: str) -> str:
    """The text with its first letter as a capital, the rest untouched."""
    return text[:1].upper() + text[1:]


def lower_first(text: str) -> str:
    """The text with a small first letter, the rest untouched."""
    return text[:1].lower() + text[1:]


def was(n: int) -> str:
    return "was" if n == 1 else "were"


def is_(n: int) -> str:
    return "is" if n == 1 else "are"


def verb(n: float, many: str) -> str:
    """A verb in the present tense, in the number of what it is said of.

    Examples
    --------
    >>> verb(1, "rest"), verb(2, "rest"), verb(1, "have"), verb(0, "have")
    ('rests', 'rest', 'has', 'have')
    """
    return many if n != 1 else "has" if many == "have" else f"{many}s"


def none_(n: int, capital_letter: bool = True) -> str:
    return ("None" if capital_letter else "none") if n == 0 else count(n)


def points_of(share: float, *, exact: bool = False) -> str:
    """A difference of shares, unsigned, in whole percentage points, or as exact as it was given.

    Examples
    --------
    >>> points_of(-0.012), points_of(0.15), points_of(0.125, exact=True)
    ('1 percentage point', '15 percentage points', '12.5 percentage points')
    """
    n = f"{abs(100 * share):.3g}" if exact else str(abs(round(100 * share)))
    return f"{n} percentage {'point' if n == '1' else 'points'}"


SAYS_NOTHING = 3.0
"""An interval that reaches beyond this many times the plan, either way, is not known."""


def rate_words(row: Any, level: float = LEVEL) -> str:
    """A rate with its interval: ``57 % (95 % interval 51 to 63 %)``."""
    if not (abs(row.low) <= SAYS_NOTHING and abs(row.high) <= SAYS_NOTHING):
        return f"{percent(row.rate)} (interval not known)"
    return f"{percent(row.rate)} ({interval_words(level)} {range_words(row.low, row.high)})"


def equals(p: float) -> str:
    text = p_value(p)
    return text if text.startswith("<") else f"= {text}"


def wrapped(text: str, width: int) -> str:
    """Break at spaces into lines of at most ``width`` characters where words allow."""
    return "\n".join(textwrap.wrap(text, width, break_long_words=False)) or text


def counted(n: int, noun: str) -> str:
    """A count with its noun, none as a figure.

    Examples
    --------
    >>> counted(1, "patient"), counted(1200, "movement"), counted(0, "row")
    ('1 patient', '1,200 movements', '0 rows')
    """
    return f"{n:,} {noun}{'' if n == 1 else 's'}"
