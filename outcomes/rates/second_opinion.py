"""The same rates by an independent program, side by side."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.errors import CannotAnswer
from outcomes.rates.fit import fit_design
from outcomes.rates.result import RateFit

MOST_ROWS = 5000
"""Rows beyond which statsmodels takes minutes and often finds no optimum: not asked by reports."""


def opinion_on(fit: RateFit) -> tuple[pd.DataFrame, str]:
    """The table of ``second_opinion``, empty with the reason where there is none."""

    if fit.nobs > MOST_ROWS:
        return pd.DataFrame(), f"it is not asked beyond {MOST_ROWS:,} rows"
    try:
        return second_opinion(fit), ""
    except CannotAnswer:
        return pd.DataFrame(), "statsmodels MixedLM did not converge on these rows"


def second_opinion(fit: RateFit) -> pd.DataFrame:
    """Refit with statsmodels and put both side by side.

    Returns
    -------
    DataFrame
        quantity ("log-likelihood", each rate, each standard error), outcomes, statsmodels,
        difference.
    """
    other = fit_design(
        fit.design,
        site=fit.mixed.blocks.has_inner,
        reml=fit.reml,
        level=fit.level,
        engine="statsmodels",
    )
    names = [
        "log-likelihood",
        *(f"rate {g}" for g in fit.groups),
        *(f"standard error {g}" for g in fit.groups),
    ]
    both = [np.array([f.log_likelihood, *f.rates["rate"], *f.rates["se"]]) for f in (fit, other)]
    return pd.DataFrame(
        {
            "quantity": names,
            "outcomes": both[0],
            "statsmodels": both[1],
            "difference": both[0] - both[1],
        }
    )
