"""What is asked of a fit: explained variance, influence of patients, linearity, nested models."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from outcomes.errors import CannotAnswer, ModelError
from outcomes.mixed.fit import fit_mixed
from outcomes.rates.design import FITTED, NOT_ASKED, NOT_IDENTIFIED, Design, rate_error
from outcomes.rates.intervals import CLUSTER, contrast_table
from outcomes.rates.tooth_level import fit_levels
from outcomes.words.numbers import points

if TYPE_CHECKING:
    from outcomes.rates.result import RateFit

__all__ = ["influence", "likelihood_ratio_test", "linearity", "r_squared"]


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


def influence(fit: RateFit) -> pd.DataFrame:
    """How each rate changes when a patient is left out.

    Returns
    -------
    DataFrame
        patient, group, rate (without the patient), change (that minus the rate of all), change_se
        (change over the standard error of all), movements (rows of the patient in all groups).
        NaN where the group has no row but the patient's. Largest changes first.
    """
    left = fit.leave_one_out()
    g, patients = len(fit.groups), fit.patients
    change = left.beta[:, :g] - fit.mixed.beta[:g]
    table = pd.DataFrame(
        {
            "patient": np.repeat(np.asarray(fit.design.patient_labels), g),
            "group": list(fit.groups) * patients,
            "rate": left.beta[:, :g].ravel(),
            "change": change.ravel(),
            "change_se": (change / fit.rates["se"].to_numpy()).ravel(),
            "movements": np.repeat(fit.mixed.blocks.rows, g),
        }
    )
    return table.sort_values(
        "change_se", key=abs, ascending=False, na_position="first", kind="stable", ignore_index=True
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
    design = fit.design
    columns = design.columns
    extra = np.column_stack([columns.extra, design.planned * np.abs(design.planned)])
    curved = replace(
        design,
        columns=replace(columns, extra=extra),
        names=(*design.names, "planned x |planned|"),
    )
    try:
        larger, tooth_level, _ = fit_levels(
            curved, site=fit.tooth_level != NOT_ASKED, reml=fit.reml
        )
    except CannotAnswer as error:
        raise CannotAnswer(
            "Linearity cannot be judged: the plans hardly differ in size. " + str(error)
        ) from error
    both = fit.tooth_level == tooth_level == FITTED
    test = compare_designs(design, curved, tooth_level=both)
    last = np.eye(len(larger.beta))[-1]
    row = contrast_table(larger, curved, last, fit.level, CLUSTER).iloc[0]
    unit = fit.unit or "unit"
    if row["p"] < 0.05:
        trend = "smaller" if row["estimate"] < 0 else "larger"
        sentence = (
            f"Larger plans achieve a {trend} share: {points(row['estimate'], 1)} percentage points "
            f"of the rate per {unit} more planned (p = {row['p']:.3g}). One rate for all sizes of "
            "plan is then only an average."
        )
    else:
        sentence = (
            f"No sign that the rate depends on the size of the plan (p = {row['p']:.2g}): "
            f"{points(row['estimate'], 1)} percentage points per {unit}, interval "
            f"{points(row['low'], 1)} to {points(row['high'], 1)}."
        )
    found = row[["estimate", "se", "low", "high", "p"]].rename({"estimate": "change"})
    tested = test[["chisq", "df", "p"]].rename({"p": "p_lrt"})
    return pd.Series({**found, **tested, "sentence": sentence})


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
    try:
        fits = [fit_mixed(d.blocks(site=tooth_level), reml=False) for d in (smaller, larger)]
    except ModelError as error:
        if not tooth_level:
            raise rate_error(error) from error
        return compare_designs(smaller, larger, tooth_level=False)
    low, high = (fit.log_likelihood for fit in fits)
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
