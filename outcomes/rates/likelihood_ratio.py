"""Likelihood-ratio tests of nested fits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from outcomes.errors import CannotAnswer, ModelError
from outcomes.mixed.fit import fit_mixed
from outcomes.rates.design import FITTED, NOT_ASKED, rate_error

if TYPE_CHECKING:
    from outcomes.rates.design import Design
    from outcomes.rates.result import RateFit

__all__ = ["compare_designs", "likelihood_ratio_test"]


def likelihood_ratio_test(smaller: RateFit, larger: RateFit) -> pd.Series:
    """Likelihood-ratio test of nested fixed effects; both are refitted by ML.

    Parameters
    ----------
    smaller, larger
        Fits to the same rows with the same random effects.

    Returns
    -------
    Series
        chisq, df, p, log_likelihood_smaller, log_likelihood_larger, tooth_level (was it in both
        models? It is left out of both where it has no optimum in one).

    Raises
    ------
    CannotAnswer
        If the fits are not nested or use other rows.
    """
    if not np.array_equal(smaller.data["achieved"], larger.data["achieved"]):
        raise CannotAnswer(
            "The two fits use different rows (perhaps one lost rows with a blank covariate): fit "
            "both to the rows that have all values."
        )
    if (smaller.tooth_level == NOT_ASKED) != (larger.tooth_level == NOT_ASKED):
        raise CannotAnswer(
            "The two fits differ in the tooth level: this test is for fixed effects."
        )
    if smaller.design.varies_by != larger.design.varies_by:
        raise CannotAnswer(
            "The two fits differ in varies_by: this test is for fixed effects, with the same "
            "random effects in both."
        )
    return compare_designs(
        smaller.design,
        larger.design,
        tooth_level=smaller.tooth_level == larger.tooth_level == FITTED,
    )


def compare_designs(smaller: Design, larger: Design, *, tooth_level: bool) -> pd.Series:
    """``likelihood_ratio_test`` of two designs of the same rows, with the tooth level or not."""
    x, more = smaller.x, larger.x
    outside = ((x - more @ np.linalg.lstsq(more, x, rcond=None)[0]) ** 2).sum(0)
    df = more.shape[1] - x.shape[1]
    if df <= 0 or (outside > 1e-8 * (x**2).sum(0)).any():
        raise CannotAnswer(
            "The fits are not nested: the larger one must hold every group and covariate of the "
            "smaller one, and more."
        )
    tooth_level, low, high = _log_likelihoods(smaller, larger, tooth_level)
    chisq = max(0.0, 2 * (high - low))
    return pd.Series(
        {
            "chisq": chisq,
            "df": df,
            "p": float(chdtrc(df, chisq)),
            "log_likelihood_smaller": low,
            "log_likelihood_larger": high,
            "tooth_level": tooth_level,
        }
    )


def _log_likelihoods(
    smaller: Design, larger: Design, tooth_level: bool
) -> tuple[bool, float, float]:
    """Whether both models have the tooth level, and their log-likelihoods by ML."""
    for site in (True, False) if tooth_level else (False,):
        try:
            fits = [fit_mixed(d.blocks(site=site), reml=False) for d in (smaller, larger)]
        except ModelError as error:
            if not site:
                raise rate_error(error) from error
            continue
        return site, fits[0].log_likelihood, fits[1].log_likelihood
    raise AssertionError("the loop ends by return or error")
