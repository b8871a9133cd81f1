"""Ways to share a change of overbite among incisors and molars, and what each asks of the teeth.

    change = upper incisor extrusion + lower incisor extrusion + lever(posterior intrusion)

Posterior intrusion is that of the upper and of the lower molars added; extrusion is positive.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from outcomes.ahead.bite_lever import Lever
from outcomes.clinical.bite_parts import TEETH
from outcomes.domain.teeth import FDI_TEETH
from outcomes.errors import InputError
from outcomes.words.english import listed

__all__ = [
    "GROUPS",
    "INCISORS",
    "MOLARS",
    "SHARES",
    "Shares",
    "aims_of",
    "group_teeth",
    "shares_of",
]

INCISORS = ("upper_incisor", "lower_incisor")
MOLARS = ("upper_molar", "lower_molar")
GROUPS = (*INCISORS, *MOLARS)

Shares = Mapping[str, Mapping[str, float]]
"""Name of an option -> group of teeth -> share of the change of overbite; shares add up to 1."""

SHARES: Shares = MappingProxyType(
    {
        "lower incisors": {"lower_incisor": 1.0},
        "upper incisors": {"upper_incisor": 1.0},
        "upper and lower incisors": {"upper_incisor": 0.5, "lower_incisor": 0.5},
        "upper molars": {"upper_molar": 1.0},
        "upper and lower molars": {"upper_molar": 0.5, "lower_molar": 0.5},
        "lower incisors and molars": {
            "lower_incisor": 0.5,
            "upper_molar": 0.25,
            "lower_molar": 0.25,
        },
        "incisors and molars": dict.fromkeys(GROUPS, 0.25),
    }
)
"""The options that are compared unless others are given. Parts are equal, for want of a reason for
others; common practice, no source."""


def group_name(group: str) -> str:
    """A group of teeth in a sentence.

    Examples
    --------
    >>> group_name("upper_incisor")
    'upper incisors'
    """
    return f"{group.replace('_', ' ')}s"


def shares_of(given: Shares | None) -> dict[str, dict[str, float]]:
    """The options, checked; every problem is listed.

    Raises
    ------
    InputError
        If a group is not known, a share is not above 0, or shares do not add up to 1.

    Examples
    --------
    >>> shares_of({"lower arch": {"lower_incisor": 0.5, "lower_molar": 0.4}})
    Traceback (most recent call last):
        ...
    outcomes.errors.InputError: lower arch: the shares add up to 0.9, not 1.
    """
    options = SHARES if given is None else given
    wrong = [] if options else ["No option: give at least one."]
    for name, shares in options.items():
        unknown = [str(group) for group in shares if group not in GROUPS]
        if unknown:
            wrong.append(f"{name}: no group is called {listed(unknown)}; use {', '.join(GROUPS)}.")
        elif not all(np.isfinite(share) and share > 0 for share in shares.values()):
            wrong.append(f"{name}: shares must be above 0; leave out a group that is to be kept.")
        elif abs(sum(shares.values()) - 1) > 1e-6:
            wrong.append(f"{name}: the shares add up to {sum(shares.values()):.3g}, not 1.")
    if wrong:
        raise InputError(" ".join(wrong))
    return {str(name): dict(shares) for name, shares in options.items()}


def group_teeth(absent: Collection[int]) -> dict[str, tuple[int, ...]]:
    """The teeth of each group that are there.

    Raises
    ------
    InputError
        If a number is no FDI tooth.
    """
    odd = [str(tooth) for tooth in absent if tooth not in FDI_TEETH]
    if odd:
        raise InputError(f"absent: {listed(odd)} is no tooth; write FDI numbers, such as 36.")
    return {group: tuple(t for t in TEETH[group] if t not in absent) for group in GROUPS}


def aims_of(shares: Mapping[str, float], change: float, lever: Lever) -> dict[str, float]:
    """The movement each group is to make, mm, extrusion positive; kept groups are not named.

    Examples
    --------
    >>> aims_of({"lower_incisor": 0.5, "upper_molar": 0.25, "lower_molar": 0.25}, 2.0,
    ...     Lever(2.0, 1.5, 3.0))
    {'lower_incisor': 1.0, 'upper_molar': -0.25, 'lower_molar': -0.25}
    """
    aims = {group: shares[group] * change for group in INCISORS if group in shares}
    behind = sum(shares.get(group, 0.0) for group in MOLARS)
    if behind:
        intrusion = lever.intrusion_for(behind * change)
        aims |= {group: -intrusion * shares[group] / behind for group in MOLARS if group in shares}
    return aims


def teeth_rows(aims: Mapping[str, float], teeth: Mapping[str, tuple[int, ...]]) -> pd.DataFrame:
    """A row for each tooth that is to move: group, tooth, aim (mm, extrusion positive)."""
    rows: list[dict[str, Any]] = [
        {"group": group, "tooth": tooth, "aim": aim}
        for group, aim in aims.items()
        for tooth in teeth[group]
    ]
    return pd.DataFrame(rows, columns=["group", "tooth", "aim"])
