"""The rate expected now: the cohort's, and what the patient's own courses make of it."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
from scipy.special import ndtri

from outcomes.ahead.asks import Ask, empty
from outcomes.ahead.result import EXPECTED
from outcomes.words.english import counted
from outcomes.words.numbers import bare_percent, percent

__all__ = ["expected_rates"]

_HALF = float(ndtri(0.9))
"""Half the width of an 80 % range, in standard deviations."""


def expected_rates(asks: Sequence[Ask]) -> pd.DataFrame:
    """The table ``expected`` of `NextCourse`: a row for each aim with a plan."""
    rows = []
    for ask in asks:
        (rate, sd), (cohort, cohort_sd) = ask.outlook.rate(), ask.alone.rate()
        rows.append(
            {
                **ask.head,
                "rate": rate,
                "low_80": rate - _HALF * sd,
                "high_80": rate + _HALF * sd,
                "cohort_rate": cohort,
                "cohort_low_80": cohort - _HALF * cohort_sd,
                "cohort_high_80": cohort + _HALF * cohort_sd,
                "own_movements": ask.own_movements,
                "own_tooth": ask.own_tooth,
                "note": _note(ask, rate, sd, cohort, cohort_sd),
            }
        )
    return pd.DataFrame(rows, columns=list(EXPECTED)) if rows else empty(EXPECTED)


def _note(ask: Ask, rate: float, sd: float, cohort: float, cohort_sd: float) -> str:
    if not ask.own_movements:
        return "No own result of this movement: as expected of a patient who is not known."
    whose = "this very tooth among them" if ask.own_tooth else "none of them of this tooth"
    if ask.own_movements == 1:
        whose = "of this very tooth" if ask.own_tooth else "of another tooth"
    own = f"{counted(ask.own_movements, 'own result')} ({whose})"
    said = "leaves" if ask.own_movements == 1 else "leave"
    if bare_percent(rate) == bare_percent(cohort):
        text = f"{own} {said} the rate at {percent(rate)}"
    else:
        verb = "lowers" if rate < cohort else "raises"
        verb = verb if ask.own_movements == 1 else verb[:-1]
        text = f"{own} {verb} the rate from {bare_percent(cohort)} to {percent(rate)}"
    if sd > cohort_sd * 1.02:
        text += ", and widen the range" if ask.own_movements > 1 else ", and widens the range"
    return f"{text}."
