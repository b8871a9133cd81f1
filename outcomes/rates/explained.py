"""Explained variance of a fit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from outcomes.rates.design import NOT_IDENTIFIED

if TYPE_CHECKING:
    from outcomes.rates.result import RateFit


def r_squared(fit: RateFit) -> pd.Series:
    """Marginal (fixed effects) and conditional (fixed and random) R-squared.

    Where the variation between teeth is not identified there is no conditional one (NaN).
    Nakagawa & Schielzeth, Methods Ecol Evol 2013;4:133-142, with the mean random-effect variance
    over the rows for slopes (Johnson, Methods Ecol Evol 2014;5:944-946).
    """
    fixed = float(np.var(fit.design.x @ fit.mixed.beta, ddof=1))
    share = float(fit.design.planned @ fit.design.planned) / fit.nobs
    # a row has one effect of each variance
    by_number = dict(zip(fit.design.variances, np.diag(fit.mixed.psi), strict=True))
    random = share * (float(sum(by_number.values())) + (fit.mixed.inner_variance or 0.0))
    total = fixed + random + fit.mixed.sigma2
    conditional = (fixed + random) / total
    if fit.tooth_level == NOT_IDENTIFIED:
        conditional = np.nan
    return pd.Series({"marginal": fixed / total, "conditional": conditional})
