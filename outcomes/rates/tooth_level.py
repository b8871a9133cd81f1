"""The tooth level of a fit: kept where its variance can be told from that of measurement."""

from __future__ import annotations

import numpy as np

from outcomes.errors import ModelError, NoOptimum
from outcomes.mixed.fit import MixedFit, fit_mixed
from outcomes.rates.design import FITTED, NOT_ASKED, NOT_IDENTIFIED, Design, rate_error

LEAST_PLAN_SPREAD = 0.05
"""Coefficient of variation of planned squared, over teeth of one record each, below which the
variation between teeth is not told from measurement."""

_EXACT = 1e-18  # share of the sum of squares left around the own rates of teeth that is no scatter


def _unidentified(design: Design) -> str:
    """Why the variation between teeth cannot be told from measurement; empty where it can."""
    sites = len(design.site_labels)
    several = np.bincount(design.site_row, minlength=sites) > 1
    square = design.planned**2
    if not several.any():
        if square.std() / square.mean() < LEAST_PLAN_SPREAD:
            return (
                "not identified: every tooth has one record, and all plans are of one size. It is "
                "part of the residual variation"
            )
        return ""
    products = np.bincount(design.site_row, design.planned * design.achieved, minlength=sites)
    around = np.bincount(design.site_row, design.achieved**2, minlength=sites)
    left = (around - products**2 / np.bincount(design.site_row, square, minlength=sites))[several]
    if left.sum() <= _EXACT * around.sum() + 1e-15 * around[several].sum():
        return (
            "not identified: all records of a tooth agree exactly on its rate, without any "
            "scatter, as no measurement does. Check that achieved was not computed from planned"
        )
    return ""


def fit_levels(design: Design, *, site: bool, reml: bool) -> tuple[MixedFit, str, tuple[str, ...]]:
    """The fit; what became of the tooth level; and sentences.

    The level is left out where its variance cannot be told from the residual one.

    Raises
    ------
    CannotAnswer
        If the rows cannot be fitted; the message says what to change.
    """
    try:
        if not site:
            return fit_mixed(design.blocks(site=False), reml=reml), NOT_ASKED, ()
        why = _unidentified(design)
        if not why:
            try:
                return fit_mixed(design.blocks(), reml=reml), FITTED, ()
            except NoOptimum:
                why = (
                    "not identified: with so few records a tooth it cannot be told from "
                    "measurement. It is part of the residual variation"
                )
        fitted = fit_mixed(design.blocks(site=False), reml=reml)
    except ModelError as error:
        raise rate_error(error, design.movement) from error
    return fitted, NOT_IDENTIFIED, (f"The variation between teeth is {why}.",)
