"""Words and numbers as figures write them: units, signs, shares, counts, wrapping."""

from __future__ import annotations

import textwrap

__all__ = ["counted", "joined", "movement_name", "percent", "sign_words", "unit_symbol", "wrapped"]

_SYMBOL = {"mm": "mm", "degree": "°"}


def unit_symbol(unit: str | None) -> str:
    """``"mm"``, ``"°"``, or nothing where the unit is not known."""
    return _SYMBOL.get(unit or "", "")


def movement_name(movement: str | None) -> str:
    """
    >>> movement_name("vertical"), movement_name("torque"), movement_name(None)
    ('vertical movement', 'torque', 'movement')
    """
    from outcomes.domain.tables import MOVEMENTS

    known = MOVEMENTS.get(movement or "")
    return (known.spoken if known is not None else "") or movement or "movement"


def sign_words(movement: str | None) -> tuple[str, str]:
    """What a negative and a positive number mean; empty where the movement is not known.

    Examples
    --------
    >>> sign_words("vertical")
    ('intrusion', 'extrusion')
    """
    from outcomes.domain.tables import MOVEMENTS

    known = MOVEMENTS.get(movement or "")
    return (known.negative_direction, known.positive_direction) if known else ("", "")


def percent(share: float) -> str:
    """A share as whole per cent, without the sign: 0.616 is ``"62"``; below zero with a minus."""
    return f"{share * 100:.0f}".replace("-0", "0").replace("-", "−")


def counted(n: int, noun: str) -> str:
    """
    >>> counted(1, "patient"), counted(1200, "movement")
    ('1 patient', '1,200 movements')
    """
    return f"{n:,} {noun}{'' if n == 1 else 's'}"


def joined(parts: list[str]) -> str:
    """
    >>> joined(["a", "b", "c"])
    'a, b and c'
    """
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def wrapped(text: str, width: int) -> str:
    """Break at spaces into lines of at most ``width`` characters where words allow."""
    return "\n".join(textwrap.wrap(text, width, break_long_words=False)) or text
