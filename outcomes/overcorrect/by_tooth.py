"""Limits of a plan that may differ from tooth to tooth: which one is in force."""

from __future__ import annotations

from collections.abc import Mapping
from numbers import Real
from typing import Any

from outcomes.domain.limits import TOLERANCE
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.teeth import FDI_TEETH
from outcomes.errors import InputError

__all__ = ["ByTooth", "in_force", "require_by_tooth"]

ByTooth = float | Mapping[Any, float]
"""A number for all, or numbers by (tooth, movement), tooth (FDI), movement, or unit."""


def in_force(given: ByTooth, tooth: Any, movement: str, unit: str, default: float) -> float:
    """The number that holds for one aim; the most exact one named goes first.

    Examples
    --------
    >>> caps = {"torque": 0.05, (31, "torque"): 0.02, "mm": 0.2}
    >>> [in_force(caps, 31, m, u, 0.1) for m, u in (("torque", "degree"), ("tip", "degree"))]
    [0.02, 0.1]
    >>> in_force(caps, 41, "torque", "degree", 0.1), in_force(0.3, 41, "tip", "degree", 0.1)
    (0.05, 0.3)
    """
    if not isinstance(given, Mapping):
        return float(given)
    for key in ((int(tooth), movement), int(tooth), movement, unit):
        if key in given:
            return float(given[key])
    return default


def require_by_tooth(name: str, given: Any, most: float = float("inf")) -> None:
    """Raise InputError unless these are numbers above 0, below ``most``, of names that are known.

    Examples
    --------
    >>> require_by_tooth("over_cap", {"torqe": 0.1}, 1)
    Traceback (most recent call last):
        ...
    outcomes.errors.InputError: over_cap names 'torqe': use a tooth (FDI), a movement (mesiodistal, buccolingual, vertical, tip, torque, rotation), a tooth and a movement as (31, 'torque'), mm or degree.
    """
    values = dict(given) if isinstance(given, Mapping) else {"": given}
    unknown = [repr(key) for key in values if key != "" and not _named(key)]
    if unknown or (isinstance(given, Mapping) and "" in given):
        raise InputError(
            f"{name} names {', '.join(unknown) or 'nothing'}: use a tooth (FDI), a movement "
            f"({', '.join(MOVEMENTS)}), a tooth and a movement as (31, 'torque'), mm or degree."
        )
    odd = [f"{key} {value}".strip() for key, value in values.items() if not _between(value, most)]
    if odd:
        range_ = "above 0" if most == float("inf") else f"lie between 0 and {most:g}"
        raise InputError(f"{name} must {range_}, not {', '.join(odd)}.")


def _named(key: Any) -> bool:
    if isinstance(key, tuple):
        return len(key) == 2 and key[0] in FDI_TEETH and key[1] in MOVEMENTS
    return key in MOVEMENTS or key in TOLERANCE or key in FDI_TEETH


def _between(value: Any, most: float) -> bool:
    number = isinstance(value, Real) and not isinstance(value, bool)
    return number and 0 < float(value) < most
