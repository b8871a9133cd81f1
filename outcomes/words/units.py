"""How units are written: after a number, alone, and in full."""

from __future__ import annotations

__all__ = ["NBSP", "unit_in_full", "unit_mark", "unit_symbol"]

NBSP = "\u00a0"

_SYMBOLS = {"mm": "mm", "degree": "°"}
_IN_FULL = {"mm": "mm", "degree": "degrees"}


def unit_symbol(unit: str | None) -> str:
    """The unit alone, as on an axis; nothing where it is not known.

    Examples
    --------
    >>> unit_symbol("mm"), unit_symbol("degree"), unit_symbol(None)
    ('mm', '°', '')
    """
    return _SYMBOLS.get(unit or "", "")


def unit_mark(unit: str | None) -> str:
    """The unit after a number, with the space it takes, which does not break.

    Examples
    --------
    >>> unit_mark("mm").replace(NBSP, "~"), unit_mark("degree"), unit_mark(None)
    ('~mm', '°', '')
    """
    short = unit_symbol(unit)
    return f"{NBSP}{short}" if short[:1].isalpha() else short


def unit_in_full(unit: str | None) -> str:
    """The unit in a sentence: ``"mm"``, ``"degrees"``; nothing where it is not known."""
    return _IN_FULL.get(unit or "", "")
