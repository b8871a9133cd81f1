"""Whether a few results far off decide a rate, in words."""

from __future__ import annotations

from typing import Any

import pandas as pd

from outcomes.reports.common.rows import lines, rate_name
from outcomes.words.english import capital, number_of, rate_words, verb
from outcomes.words.numbers import LEVEL, percent


def second_reading(table: pd.DataFrame, level: float = LEVEL) -> list[str]:
    """Where a robust reading of the rates differs from them.

    The table has movement and the columns of ``outcomes.RobustRates.rates``; ``level`` is that of
    the intervals of the rates.
    """
    if not len(table):
        return []
    found = table[table["differs"]]
    # each row stands in the rate of its movement and in that of its kind of tooth
    once = table[table["group"] == "all"] if (table["group"] == "all").any() else table
    flagged = int(once["flagged"].sum())
    how = (
        "Every rate was read a second time: without the "
        f"{number_of(flagged, 'result')} flagged by the check or far from what the model expects, "
        "and by an M-estimate, in which results far off weigh less."
        if flagged
        else "Every rate was read a second time by an M-estimate, in which results far off weigh less."
    )
    if not len(found):
        return [f"{how} No reading differs from its rate by more than half an interval."]
    sentences = [
        f"{how} {capital(number_of(len(found), 'rate'))} of {len(table):,} "
        f"{verb(len(found), 'differ')} by more than half an interval. Look at the "
        "results behind them: a slip is corrected at its source; what is true stays."
    ]
    sentences += [_difference(row, level) for row in lines(found)]
    return sentences


def _difference(row: Any, level: float) -> str:
    readings = []
    if pd.notna(row.without_flagged):
        readings.append(
            f"{percent(row.without_flagged)} without {number_of(row.flagged, 'flagged result')}"
        )
    readings.append(f"{percent(row.m_estimate)} by M-estimate")
    rate, but = rate_words(row, level), " and ".join(readings)
    return f"{capital(rate_name(row))}: {rate}, but {but}."
