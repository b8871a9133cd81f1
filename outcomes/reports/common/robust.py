"""Whether a few results far off decide a rate, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from outcomes.domain.names import class_name, movement_name
from outcomes.reports.common.rows import lines
from outcomes.words.english import capital, number_of
from outcomes.words.numbers import percent, range_words
from outcomes.words.units import NBSP

if TYPE_CHECKING:
    from outcomes.reports.audit.results import Audit


def second_readings(audit: Audit) -> list[str]:
    """The robust second reading of the rates by movement and by kind of tooth."""
    return second_reading(audit.robust)


def second_reading(table: pd.DataFrame) -> list[str]:
    """Where a robust reading of the rates differs from them.

    Parameters
    ----------
    table
        movement and the columns of ``outcomes.RobustRates.rates``.
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
        f"{'differs' if len(found) == 1 else 'differ'} by more than half an interval. Look at the "
        "results behind them: a slip is corrected at its source; what is true stays."
    ]
    sentences += [_difference(row) for row in lines(found)]
    return sentences


def _difference(row: Any) -> str:
    group = "" if row.group == "all" else f" of {class_name(str(row.group))}"
    readings = []
    if pd.notna(row.without_flagged):
        readings.append(
            f"{percent(row.without_flagged)} without {number_of(row.flagged, 'flagged result')}"
        )
    readings.append(f"{percent(row.m_estimate)} by M-estimate")
    return (
        f"{capital(movement_name(str(row.movement)))}{group}: {percent(row.rate)} (95{NBSP}% interval "
        f"{range_words(row.low, row.high)}), but {' and '.join(readings)}."
    )
