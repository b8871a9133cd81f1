"""What has been tried already, and brought nothing: said beside the plan that tries it again."""

from __future__ import annotations

import pandas as pd

from outcomes.domain.movements import MOVEMENTS
from outcomes.overcorrect.plan import PlanLimits
from outcomes.words.english import counted
from outcomes.words.numbers import size

__all__ = ["tried_already"]

_COURSES, _TOLERANCES = 2, 2.0
"""From so many measured courses, and from so many tolerances planned in all, a try is one that should
have shown (common practice, no source)."""


def tried_already(aims: pd.DataFrame, rows: pd.DataFrame, limits: PlanLimits) -> dict[int, str]:
    """By index of ``aims`` (tooth, movement, unit, aim) what own courses in the direction of the aim
    planned in all, where they brought less than the tolerance.

    ``rows`` are those of the patient. Courses that are not measured say nothing, neither way.
    """
    said = {}
    for at, aim in aims.iterrows():
        sign = 1.0 if aim["aim"] > 0 else -1.0
        movement, unit = str(aim["movement"]), str(aim["unit"])
        same = rows[(rows["tooth"] == aim["tooth"]) & (rows["movement"] == movement)]
        same = same[(same["planned"] * sign > 0) & same["achieved"].notna()]
        tolerance = limits.near(movement, unit)
        planned = float(same["planned"].abs().sum())
        reached = float((same["achieved"] * sign).sum())
        if len(same) < _COURSES or planned < _TOLERANCES * tolerance - 1e-9:
            continue
        if reached >= tolerance - 1e-9:
            continue
        known = MOVEMENTS.get(movement)
        way = known.direction(sign) if known is not None else movement
        got = f"{size(reached, unit)} came" if reached > 0 else "none of it came"
        if reached < 0:
            got = f"it went {size(-reached, unit)} the other way"
        said[int(str(at))] = (
            f"Tried already: {counted(len(same), 'course')} planned {size(planned, unit)} in all "
            f"({way}), and {got}. Look for the reason before it is tried again."
        )
    return said
