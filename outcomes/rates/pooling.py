"""Rates of single teeth, pooled partly towards the rate of their class.

Estimates b with covariance V, one for each tooth, in classes given by the indicator matrix W::

    b | theta ~ N(theta, V)      theta | mu ~ N(W mu, tau^2 I)

a normal–normal model on the estimates and their full covariance. Given tau, mu is estimated by
generalised least squares and theta by its posterior. tau is not fixed at one estimate: the results
are averaged over tau, each value weighted by its restricted likelihood, as an estimate of zero would
otherwise turn every tooth into its class with false certainty (Gelman, Bayesian Analysis
2006;1:515–534, doi:10.1214/06-BA117A).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from outcomes.domain import teeth
from outcomes.errors import CannotAnswer, InputError
from outcomes.rates.design import as_columns
from outcomes.rates.intervals import degrees_of_freedom
from outcomes.rates.result import RateFit
from outcomes.rates.robust_rates import robust_rates

__all__ = ["LARGEST_SD", "Pooled", "ToothRates", "pool", "tooth_rates"]

LARGEST_SD = 0.5
"""Largest SD of rates between teeth of one class that is considered."""

_GRID = 161


@dataclass(frozen=True)
class Pooled:
    """G estimates pooled towards C classes.

    ``estimate`` (G,), ``covariance`` (G, G); ``own`` (G,) the weight of each estimate against its
    class (1: no pooling); ``weights`` (G, G) the matrix that takes the raw estimates to the pooled
    ones; ``class_estimate`` (C,) and ``class_covariance`` (C, C); ``between_sd`` the mean of tau,
    ``between_variance`` that of tau squared, ``between_sd_reml`` the tau of largest restricted
    likelihood.
    """

    estimate: np.ndarray
    covariance: np.ndarray
    own: np.ndarray
    weights: np.ndarray
    class_weights: np.ndarray
    class_estimate: np.ndarray
    class_covariance: np.ndarray
    between_sd: float
    between_variance: float
    between_sd_reml: float


def pool(
    estimate: ArrayLike,
    covariance: ArrayLike,
    classes: Sequence[int] | np.ndarray,
    *,
    largest_sd: float = LARGEST_SD,
) -> Pooled:
    """Pool estimates partly towards the mean of their class.

    Parameters
    ----------
    estimate
        b, shape (G,).
    covariance
        V, shape (G, G), or variances, shape (G,).
    classes
        Class of each estimate, codes 0..C-1, shape (G,).
    largest_sd
        Upper end of the values of tau considered (all alike beforehand), unit of the estimates.

    Raises
    ------
    InputError
        If shapes differ or a variance is not positive.

    Examples
    --------
    Eight schools of one study (Rubin, J Educ Stat 1981;6:377–401):

    >>> effect = [28, 8, -3, 7, -1, 1, 18, 12]
    >>> se = np.array([15, 10, 16, 11, 9, 11, 10, 18])
    >>> pool(effect, se**2, [0] * 8, largest_sd=60).estimate.round(0)
    array([11.,  8.,  6.,  8.,  5.,  6., 11.,  8.])
    """
    b = np.asarray(estimate, dtype=float)
    v = np.asarray(covariance, dtype=float)
    v = np.diag(v) if v.ndim == 1 else v
    code = np.asarray(classes)
    if v.shape != (len(b), len(b)) or len(code) != len(b):
        raise InputError("estimate (G,), covariance (G, G) and classes (G,) must agree in length.")
    if not (np.diag(v) > 0).all():
        raise InputError("Every estimate needs a positive variance.")
    w = (code[:, None] == np.arange(code.max() + 1)).astype(float)
    tau = np.linspace(0.0, largest_sd, _GRID)
    eye = np.eye(len(b))
    total = v + (tau**2)[:, None, None] * eye
    inverse = np.linalg.inv(total)
    precision = w.T @ inverse @ w
    mean_covariance = np.linalg.inv(precision)
    to_mean = mean_covariance @ w.T @ inverse  # (T, C, G)
    shrink = (tau**2)[:, None, None] * inverse  # weight of the own estimates
    rest = eye - shrink
    matrix = shrink + rest @ w @ to_mean
    conditional = (tau**2)[:, None, None] * rest + rest @ w @ mean_covariance @ (
        w.T @ rest.transpose(0, 2, 1)
    )
    residual = b - np.einsum("gc,tch,h->tg", w, to_mean, b)
    log_likelihood = -0.5 * (
        np.linalg.slogdet(total)[1]
        + np.linalg.slogdet(precision)[1]
        + np.einsum("tg,tgh,th->t", residual, inverse, residual)
    )
    share = np.exp(log_likelihood - log_likelihood.max())
    share[[0, -1]] /= 2  # trapezoid
    share /= share.sum()
    theta, mu = matrix @ b, to_mean @ b
    return Pooled(
        estimate=share @ theta,
        covariance=_mixture(share, theta, conditional),
        own=share @ np.einsum("tgg->tg", shrink),
        weights=np.einsum("t,tgh->gh", share, matrix),
        class_weights=np.einsum("t,tch->ch", share, to_mean),
        class_estimate=share @ mu,
        class_covariance=_mixture(share, mu, mean_covariance),
        between_sd=float(share @ tau),
        between_variance=float(share @ tau**2),
        between_sd_reml=float(tau[np.argmax(log_likelihood)]),
    )


def _mixture(share: np.ndarray, mean: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """Covariance of a mixture: mean of the covariances and covariance of the means."""
    centred = mean - share @ mean
    return np.einsum("t,tij->ij", share, covariance) + (centred.T * share) @ centred


@dataclass(frozen=True)
class ToothRates:
    """Rates of single teeth, pooled towards their class.

    Attributes
    ----------
    rates
        group, tooth, tooth_class (with whatever else was grouped by), patients, movements,
        class_patients, own_rate (unpooled), own_weight (1: no pooling, 0: the class's rate), rate,
        se, df, low, high; reading (the M-estimate of the unpooled rate, missing where half of the
        results or more are far off) and differs (it, or the rate without results far off, lies more
        than half an interval from own_rate: see ``outcomes.robust_rates``).
    classes
        tooth_class, patients, teeth, rate, se, df: what a tooth without records is given; its
        ``se`` holds the variation between teeth of a class.
    between_sd
        SD of the rate between teeth of a class.
    """

    rates: pd.DataFrame
    classes: pd.DataFrame
    between_sd: float


def tooth_rates(fit: RateFit, *, towards: str | Sequence[str] = "tooth_class") -> ToothRates:
    """Pool the single-tooth rates of a fit towards the rates of their classes.

    Parameters
    ----------
    fit
        A fit with ``group="tooth"``, or with several group columns of which tooth is the first.
    towards
        What makes a class: tooth_class, or tooth_class and arch.

    Raises
    ------
    CannotAnswer
        If the fit has no rate for each tooth.

    Examples
    --------
    >>> from outcomes.rates.fit import fit_rate
    >>> from outcomes.simulate import simulate_rates
    >>> fit = fit_rate(simulate_rates(8, seed=2, teeth_per_patient=6), group="tooth")
    >>> pooled = tooth_rates(fit).rates
    >>> bool((pooled["se"] < fit.rates["se"]).all())
    True
    """
    if not fit.group or fit.group[0] != "tooth":
        raise CannotAnswer(
            'Single-tooth rates need a fit by tooth: fit_rate(..., group="tooth"), or a list of '
            "columns that begins with tooth."
        )
    counts = _describe_groups(fit, as_columns(towards))
    code, labels = pd.factorize(counts["tooth_class"])
    g = len(fit.groups)
    pooled = pool(fit.mixed.beta[:g], fit.mixed.covariance[:g, :g], code)
    se = np.sqrt(np.diag(pooled.covariance))
    df = degrees_of_freedom(fit.mixed, fit.design, _padded(pooled.weights, fit))
    quantile = stdtrit(df, 0.5 + fit.level / 2)
    second = robust_rates(fit).rates
    rates = counts.assign(
        own_rate=fit.mixed.beta[:g],
        own_weight=pooled.own,
        rate=pooled.estimate,
        se=se,
        df=df,
        low=pooled.estimate - quantile * se,
        high=pooled.estimate + quantile * se,
        reading=second["reading"].to_numpy(),
        differs=second["differs"].to_numpy(),
    )
    classes = pd.DataFrame(
        {
            "tooth_class": labels,
            "patients": counts.groupby(code)["class_patients"].first().to_numpy(),
            "teeth": np.bincount(code),
            "rate": pooled.class_estimate,
            "se": np.sqrt(np.diag(pooled.class_covariance) + pooled.between_variance),
            "df": degrees_of_freedom(fit.mixed, fit.design, _padded(pooled.class_weights, fit)),
        }
    )
    return ToothRates(rates, classes, pooled.between_sd)


def _padded(weights: np.ndarray, fit: RateFit) -> np.ndarray:
    return np.pad(weights, ((0, 0), (0, len(fit.mixed.beta) - weights.shape[1])))


def _describe_groups(fit: RateFit, towards: tuple[str, ...]) -> pd.DataFrame:
    """group, tooth, tooth_class, patients, movements, class_patients."""
    design = fit.design
    first = pd.Series(design.tooth).groupby(design.group_code).first()
    tooth = first.reindex(range(len(fit.groups))).to_numpy()
    names = []
    for group, number in zip(fit.groups, tooth, strict=True):
        rest = group.removeprefix(str(number)).strip()
        names.append(" ".join([*class_of(number, towards), *([rest] if rest else [])]))
    class_of_row = np.array(names)[design.group_code]
    patients = pd.Series(design.patient).groupby(class_of_row).nunique()
    table = fit.rates[["group", "patients", "movements"]].copy()
    table.insert(1, "tooth", tooth)
    table.insert(2, "tooth_class", names)
    return table.assign(class_patients=patients.reindex(names).to_numpy())


def class_of(tooth: int, towards: Sequence[str] = ("tooth_class",)) -> list[str]:
    """The words of a tooth's class, such as ``["upper", "incisor"]``."""
    return [str(getattr(teeth, name)(int(tooth))) for name in towards]
