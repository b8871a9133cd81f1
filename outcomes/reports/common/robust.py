"""Whether a few results far off decide a rate: a second reading, and what it says in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from outcomes.rates.robust_rates import RobustRates, flagged_rows, robust_rates
from outcomes.reports.common.rows import lines, rate_name
from outcomes.words.english import capital, number_of, rate_words, verb
from outcomes.words.numbers import LEVEL, percent

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort
    from outcomes.rates.result import RateFit


def read_again(
    cohort: Cohort | pd.DataFrame,
    rows: pd.DataFrame,
    *fits: Mapping[Any, RateFit],
    opposite: bool = True,
) -> pd.DataFrame:
    """`outcomes.robust_rates` of sets of fits, one under the other, the movement in front.

    Parameters
    ----------
    cohort
        Whose check flags rows; none are flagged where it is a frame.
    rows
        The movements that the fits are of, with their index.
    *fits
        Movement to fit.
    opposite
        Whether results opposite in sign to the plan count as flagged.
    """
    flagged = rows.index[:0]
    if not isinstance(cohort, pd.DataFrame):
        flagged = rows.index[rows["row"].isin(flagged_rows(cohort, opposite=opposite))]
    parts = [
        robust_rates(fit, flagged=flagged.intersection(fit.design.index)).rates.assign(
            movement=name
        )
        for some in fits
        for name, fit in some.items()
    ]
    columns = ["movement", *RobustRates.COLUMNS]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


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
