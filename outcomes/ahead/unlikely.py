"""Teeth for which another try is unlikely to help, and what then remains."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from outcomes.ahead.asks import Ask, empty
from outcomes.ahead.result import UNLIKELY
from outcomes.domain.limits import within_tolerance
from outcomes.errors import InputError
from outcomes.words.english import counted
from outcomes.words.numbers import percent, size

__all__ = ["HELPFUL", "unlikely"]

HELPFUL = 0.5
"""Chance of a gain below which another try is called unlikely to help; common practice, no source."""

CHOICES = (
    "Look first for why it does not follow: wear, contacts, an attachment lost, the root and its bone "
    "on the radiograph. What remains is for the clinician to weigh: another attachment or an "
    "auxiliary, a smaller aim, or accepting the position."
)


def unlikely(asks: Sequence[Ask], so_far: pd.DataFrame, least: float = HELPFUL) -> pd.DataFrame:
    """The table ``unlikely`` of `NextCourse`, the least likely first.

    Another try helps if it brings the tooth nearer by the tolerance at least, or into it. It is
    unlikely to where even the plan with the best chance does so with a chance below ``least``. An
    aim that is within the tolerance already is not asked.

    Raises
    ------
    InputError
        If ``least`` is no chance.
    """
    if not 0 < least < 1:
        raise InputError(f"The chance of a gain must lie between 0 and 1, not {least}.")
    rows = []
    for ask in asks:
        if within_tolerance(ask.size, ask.tolerance):
            continue
        plan, aim = np.array([ask.planned]), np.array([ask.size])
        gain = max(ask.tolerance, ask.size - ask.tolerance)
        helps = float(ask.outlook.chances(plan, aim, gain).within[0])
        if helps >= least:
            continue
        expected = float(np.asarray(ask.outlook.mean(plan))[0])
        rows.append(
            {
                **ask.head,
                "planned": ask.sign * ask.planned + 0.0,
                "expected": ask.sign * expected + 0.0,
                "helps": helps,
                "within": float(ask.outlook.chances(plan, aim, ask.tolerance).within[0]),
                "own_movements": ask.own_movements,
                "why": _why(ask, helps, expected, so_far),
                "choices": CHOICES,
            }
        )
    if not rows:
        return empty(UNLIKELY)
    table = pd.DataFrame(rows, columns=list(UNLIKELY))
    return table.sort_values("helps", kind="stable", ignore_index=True)


def _why(ask: Ask, helps: float, expected: float, so_far: pd.DataFrame) -> str:
    base = "Past cases"
    if ask.own_movements:
        base += f" and {counted(ask.own_movements, 'own result')}"
    text = (
        f"{base} let expect {size(expected, ask.unit)} of {size(ask.size, ask.unit)} from the plan "
        f"with the best chance ({size(ask.planned, ask.unit)}); the chance of getting nearer by "
        f"{size(ask.tolerance, ask.unit)}, or within that of the aim, is {percent(helps)}."
    )
    own = so_far[(so_far["tooth"] == ask.tooth) & (so_far["movement"] == ask.movement)]
    if len(own) and int(own["courses"].iloc[0]):
        row = own.iloc[0]
        text += (
            f" So far {counted(int(row['courses']), 'course')} planned "
            f"{size(row['planned_total'], ask.unit)} in all, and {size(row['reached'], ask.unit)} "
            "was reached."
        )
    return text
