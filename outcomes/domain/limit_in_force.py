"""The unit of a movement and the limit in force for it: the one place that settles whose word counts.

What was given for the movement goes first, then what was given for the unit, then the movement's
own number in the schema, then that of its unit.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from outcomes.domain.limits import LIMITS
from outcomes.domain.movements import MOVEMENTS
from outcomes.errors import InputError

__all__ = ["Given", "limit", "limits", "require_known", "unit_of", "units_of"]

Given = float | Mapping[str, float] | None
"""A limit as a user gives it: a number for all, or numbers by movement or unit."""


def unit_of(movement: Any) -> str | None:
    """Unit of a movement; None for a name that the schema does not know.

    Examples
    --------
    >>> unit_of("tip"), unit_of("vertical"), unit_of(None)
    ('degree', 'mm', None)
    """
    known = MOVEMENTS.get(str(movement))
    return known.unit if known is not None else None


def units_of(rows: pd.DataFrame) -> pd.Series:
    """Unit of each row: its ``unit`` where there is such a column, else that of its ``movement``.

    Returns
    -------
    Series
        With the index of ``rows``, shape (n,); missing where neither says.

    Examples
    --------
    >>> units_of(pd.DataFrame({"movement": ["tip", "vertical"]})).tolist()
    ['degree', 'mm']
    """
    if "unit" in rows.columns:
        return rows["unit"].astype(object)
    if "movement" in rows.columns:
        codes, names = pd.factorize(rows["movement"])
        units = np.array([*(unit_of(name) for name in names), None], dtype=object)
        return pd.Series(units[codes], index=rows.index, dtype=object)
    return pd.Series(None, index=rows.index, dtype=object)


def limit(kind: str, movement: str | None, unit: str | None, given: Given = None) -> float:
    """The limit of one movement, mm or degrees.

    Parameters
    ----------
    kind
        "tolerance", "smallest_plan", "expected_size" or "per_aligner".
    movement
        Its name; None or a name that the schema does not know: the unit decides.
    unit
        "mm" or "degree"; None: that of the movement.
    given
        A number for all, or numbers by movement or unit; what it does not name keeps its default.

    Returns
    -------
    float
        NaN where neither the movement nor the unit is known.

    Examples
    --------
    >>> limit("tolerance", "tip", "degree"), limit("per_aligner", "rotation", None)
    (2.0, 2.0)
    >>> limit("tolerance", "tip", "degree", {"degree": 3, "torque": 4})
    3.0
    """
    if given is not None and not isinstance(given, Mapping):
        return float(given)
    known = MOVEMENTS.get(movement or "")
    unit = unit or (known.unit if known is not None else "")
    for name in (movement, unit):
        if given and name is not None and name in given:
            return float(given[name])
    if known is not None and known.unit == unit:
        return float(getattr(known, kind))
    return LIMITS[kind].get(unit, float("nan"))


def limits(
    kind: str, movements: Iterable[Any] | None, units: Iterable[Any], given: Given = None
) -> np.ndarray:
    """The limit of each row: shape (n,).

    Examples
    --------
    >>> limits("tolerance", ["tip", "vertical"], ["degree", "mm"]).tolist()
    [2.0, 0.5]
    """
    units = [None if unit != unit or unit is None else str(unit) for unit in units]
    names = [None] * len(units) if movements is None else [str(name) for name in movements]
    pairs = list(zip(names, units, strict=True))
    found = {pair: limit(kind, *pair, given) for pair in set(pairs)}
    return np.array([found[pair] for pair in pairs], dtype=float)


def require_known(name: str, given: Mapping[str, float]) -> None:
    """Raise InputError for limits that are not above 0, or of names nobody knows.

    Examples
    --------
    >>> require_known("tolerance", {"rotaton": 2})
    Traceback (most recent call last):
        ...
    outcomes.errors.InputError: tolerance names rotaton: use mm, degree or a movement (mesiodistal, ... rotation).
    """
    unknown = [str(key) for key in given if key not in MOVEMENTS and key not in LIMITS["tolerance"]]
    if unknown:
        raise InputError(
            f"{name} names {', '.join(unknown)}: use mm, degree or a movement "
            f"({', '.join(MOVEMENTS)})."
        )
    low = [f"{key} {value}" for key, value in given.items() if not value > 0]
    if low:
        raise InputError(f"{name} must be above 0, not {', '.join(low)}.")
