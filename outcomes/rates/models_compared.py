"""Comparing fits: likelihood-ratio tests, linearity, explained variance."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from outcomes.errors import CannotAnswer
from outcomes.mixed import fit as mixed
from outcomes.rates.design import FITTED, NOT_ASKED, NOT_IDENTIFIED

if TYPE_CHECKING:
    from outcomes.rates.design import Design
    from outcomes.rates.fit import RateFit


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
    size = (smaller.design.x**2).sum(0)
    projected = larger.design.x @ np.linalg.lstsq(larger.design.x, smaller.design.x, rcond=None)[0]
    outside = ((smaller.design.x - projected) ** 2).sum(0)
    df = larger.design.x.shape[1] - smaller.design.x.shape[1]
    if df <= 0 or (outside > 1e-8 * size).any():
        raise CannotAnswer(
            "The fits are not nested: the larger one must hold every group and covariate of the "
            "smaller one, and more."
        )
    fitted = smaller.tooth_level == larger.tooth_level == FITTED
    tooth_level, low, high = _log_likelihoods(smaller.design, larger.design, fitted)
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


def linearity(fit: RateFit) -> pd.Series:
    """Does the rate change as the plan grows? A term planned x |planned| is added and tested.

    Returns
    -------
    Series
        change (of the rate per mm or degree more planned; negative: large plans achieve a smaller
        share), se, low, high, p (t test on Satterthwaite degrees of freedom, so that it agrees
        with the interval), chisq, df (1) and p_lrt (likelihood-ratio test, which with few patients
        finds too much), sentence.
    """
    from outcomes.rates.fit import fit_design

    design = fit.design
    columns = design.columns
    extra = np.column_stack([columns.extra, design.planned * np.abs(design.planned)])
    curved = replace(
        design,
        columns=replace(columns, extra=extra),
        names=(*design.names, "planned x |planned|"),
    )
    try:
        larger = fit_design(
            curved, site=fit.tooth_level != NOT_ASKED, reml=fit.reml, level=fit.level
        )
    except CannotAnswer as error:
        raise CannotAnswer(
            "Linearity cannot be judged: the plans hardly differ in size. " + str(error)
        ) from error
    test = likelihood_ratio_test(fit, larger)
    row = larger.covariates.iloc[-1]
    unit = {"mm": "mm", "degree": "degree"}.get(fit.unit or "", "unit")
    if row["p"] < 0.05:
        trend = "smaller" if row["estimate"] < 0 else "larger"
        sentence = (
            f"Larger plans achieve a {trend} share: {_points(row['estimate'])} percentage points "
            f"of the rate per {unit} more planned (p = {row['p']:.3g}). One rate for all sizes of "
            "plan is then only an average."
        )
    else:
        sentence = (
            f"No sign that the rate depends on the size of the plan (p = {row['p']:.2g}): "
            f"{_points(row['estimate'])} percentage points per {unit}, interval "
            f"{_points(row['low'])} to {_points(row['high'])}."
        )
    return pd.Series(
        {
            "change": row["estimate"],
            "se": row["se"],
            "low": row["low"],
            "high": row["high"],
            "p": row["p"],
            "chisq": test["chisq"],
            "df": test["df"],
            "p_lrt": test["p"],
            "sentence": sentence,
        }
    )


def _points(share: float) -> str:
    """Percentage points with a sign; no sign for what rounds to zero."""
    text = f"{100 * share:+.1f}"
    return "0.0" if text in ("+0.0", "-0.0") else text.replace("-", "−")


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
    random = share * (float(sum(by_number.values())) + (fit.mixed.site_variance or 0.0))
    total = fixed + random + fit.mixed.sigma2
    conditional = (fixed + random) / total
    if fit.tooth_level == NOT_IDENTIFIED:
        conditional = np.nan
    return pd.Series({"marginal": fixed / total, "conditional": conditional})


def _log_likelihoods(
    smaller: Design, larger: Design, tooth_level: bool
) -> tuple[bool, float, float]:
    """Whether both models have the tooth level, and their log-likelihoods by ML."""
    for site in (True, False) if tooth_level else (False,):
        try:
            fits = [mixed.fit(d.blocks(site=site), reml=False) for d in (smaller, larger)]
        except CannotAnswer:
            if not site:
                raise
            continue
        return site, fits[0].log_likelihood, fits[1].log_likelihood
    raise AssertionError("the loop ends by return or error")
