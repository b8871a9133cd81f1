"""How far an independent program agrees, in words."""

from __future__ import annotations

import math

import pandas as pd

from outcomes.words.numbers import number


def opinion_words(table: pd.DataFrame, reason: str) -> str:
    """Both log-likelihoods and the largest difference in rates, or why there is none.

    Examples
    --------
    >>> opinion_words(pd.DataFrame(), "it is not asked beyond 5,000 rows")
    'There is no second opinion: it is not asked beyond 5,000 rows.'
    """
    if not len(table):
        return f"There is no second opinion: {reason}."
    likelihood = table.iloc[0]
    rate = table[table["quantity"].str.startswith("rate ")]["difference"].abs().max()
    return (
        "statsmodels MixedLM, an independent program, reaches a log-likelihood of "
        f"{number(likelihood['statsmodels'], 3)} (this package: "
        f"{number(likelihood['outcomes'], 3)}); no rate differs by more than "
        f"{power_of_ten(float(rate))}."
    )


def power_of_ten(value: float) -> str:
    """The least power of ten that a value does not exceed, from a thousand-millionth up.

    Examples
    --------
    >>> power_of_ten(3.2e-8), power_of_ten(0.0), power_of_ten(2.0)
    ('0.0000001', '0.000000001', '10')
    """
    digits = math.floor(-math.log10(max(value, 1e-9)))
    return f"{10.0**-digits:.{max(0, digits)}f}"
