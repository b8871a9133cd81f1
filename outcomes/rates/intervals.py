"""Standard errors, degrees of freedom, intervals and p values of rates and of what is compared."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtr, stdtrit

from outcomes.mixed.cluster import ClusterRobust
from outcomes.mixed.fit import MixedFit
from outcomes.rates.design import Design

MODEL, CLUSTER = "model", "CR2"
"""Where standard errors come from: the variances of the model, or the patients as clusters."""


def degrees_of_freedom(fitted: MixedFit, design: Design, contrasts: Any) -> np.ndarray:
    """Satterthwaite degrees of freedom of contrasts (c, p), kept to the number of patients where
    the variance between patients is estimated as zero.

    An estimate of zero from few patients is no proof that they are alike, but it turns rows into
    independent evidence: with 3 patients the intervals then covered 80 % instead of 95 %. So a
    contrast has at most the patients of the smallest group that matters in it (half the largest
    weight or more), less one, as degrees of freedom.
    """
    contrasts = np.atleast_2d(np.asarray(contrasts, dtype=float))
    df = fitted.df(contrasts)
    patients = design.counts["patients"].to_numpy()
    weight = np.abs(contrasts[:, : len(patients)])
    touched = (weight > 0) & (weight >= 0.5 * weight.max(axis=1, keepdims=True))
    smallest = np.where(touched, patients, fitted.blocks.n_outer).min(axis=1)
    return kept_to_patients(fitted, df, smallest)


def kept_to_patients(fitted: MixedFit, df: np.ndarray, patients: Any) -> np.ndarray:
    """Degrees of freedom of at most ``patients`` - 1 where patients are estimated to be alike."""
    if fitted.psi[0, 0] > 0:
        return df
    return np.minimum(df, np.maximum(np.asarray(patients) - 1, 1))


def contrast_table(
    fitted: MixedFit, design: Design, contrasts: Any, level: float, covariance: str
) -> pd.DataFrame:
    """estimate, se, df, low, high, p of contrasts (c, p) of all coefficients."""
    contrasts = np.atleast_2d(np.asarray(contrasts, dtype=float))
    se = fitted.standard_error(contrasts)
    df = degrees_of_freedom(fitted, design, contrasts)
    if covariance == CLUSTER and len(contrasts):
        robust = ClusterRobust(fitted)
        alone = robust.rests_on_single_groups(contrasts)
        se = np.where(alone, se, robust.standard_error(contrasts))
        df = np.where(alone, np.minimum(df, 1.0), robust.df(contrasts))
    estimate = contrasts @ fitted.beta
    quantile = stdtrit(df, 0.5 + level / 2)
    return pd.DataFrame(
        {
            "estimate": estimate,
            "se": se,
            "df": df,
            "low": estimate - quantile * se,
            "high": estimate + quantile * se,
            "p": 2 * stdtr(df, -np.abs(estimate / se)),
        }
    )


def holm(p: Iterable[float]) -> np.ndarray:
    """p values adjusted by Holm's method (Scand J Stat 1979;6:65–70), over all that are given.

    The smallest of m is multiplied by m, the next by m − 1 and so on; none comes out smaller than
    one before it, or larger than 1. Missing p values stay missing and are not counted. (Equal to
    ``multipletests`` of statsmodels, which collects garbage at each call: a quarter of a second.)

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03]).round(2)
    array([0.03, 0.06, 0.06])
    """
    adjusted = np.array(list(p), dtype=float)
    known = np.flatnonzero(~np.isnan(adjusted))
    order = known[np.argsort(adjusted[known], kind="stable")]
    steps = np.arange(len(order), 0, -1)
    adjusted[order] = np.minimum(1.0, np.maximum.accumulate(steps * adjusted[order]))
    return adjusted
