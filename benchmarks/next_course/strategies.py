"""Ways of planning a course, and what an engine states of each plan.

An engine is a function ``expect(frame, movement, seed=)`` with the interface of
``outcomes.predictive.expect``. Everything here is of one tooth or of teeth alike, in the direction of
the aim.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.special import ndtr

from outcomes.overcorrect.landing import best_plan, plan_for_mean
from outcomes.overcorrect.plan import PlanLimits
from outcomes.overcorrect.rules import Rules

__all__ = [
    "ALONE_BEST",
    "ALONE_MEAN",
    "AS_AIMED",
    "NEXT_BEST",
    "NEXT_MEAN",
    "OWN",
    "OWN_TOOTH",
    "POOLED",
    "POOLED_CLASS",
    "STRATEGIES",
    "answerable",
    "ratios",
    "stated",
]

(
    AS_AIMED,
    OWN,
    OWN_TOOTH,
    POOLED,
    POOLED_CLASS,
    ALONE_MEAN,
    ALONE_BEST,
    NEXT_MEAN,
    NEXT_BEST,
) = STRATEGIES = (
    "none (what is left)",
    "patient's raw ratio, at most 2",
    "tooth's raw ratio, at most 2",
    "pooled ratio, at most 2",
    "pooled ratio by class, at most 2",
    "cohort only, mean",
    "cohort only, best chance",
    "next course, mean",
    "next course, best chance",
)
CAP = 2.0
LIMITS, RULES = PlanLimits(), Rules()
SURE = 0.9
"""Chance that the cohort's rate is above 0 below which nothing is prescribed (common practice)."""

STATED = ("within", "over", "pit")
"""What is kept of a stated distribution: its chances, and its share below the result that came."""


def factor(ratio: np.ndarray) -> np.ndarray:
    """1 / ratio, at most ``CAP``, which is also taken where the ratio is not above 0; 1 if unknown."""
    ratio = np.asarray(ratio, float)
    with np.errstate(divide="ignore"):
        inverse = np.where(ratio > 0, 1 / np.where(ratio > 0, ratio, 1.0), CAP)
    return np.where(np.isnan(ratio), 1.0, np.minimum(inverse, CAP))


def ratios(planned: np.ndarray, achieved: np.ndarray, of: np.ndarray, n: int) -> np.ndarray:
    """Sum of achieved in the planned direction over sum of |planned|, by group 0..n-1; NaN if none."""
    towards = np.bincount(of, np.sign(planned) * achieved, n)
    asked = np.bincount(of, np.abs(planned), n)
    with np.errstate(invalid="ignore"):
        return np.where(asked > 0, towards / np.where(asked > 0, asked, 1.0), np.nan)


def answerable(support: Any, cohort_only: Any) -> bool:
    """Whether a plan is given at all: somebody like this, and a rate that is above 0."""
    if support.direction_patients < RULES.fewest:
        return False
    mean, sd = cohort_only.rate()
    return bool(ndtr(mean / max(sd, 1e-9)) >= SURE)


def plans(outlook: Any, size: np.ndarray, tolerance: float) -> tuple[np.ndarray, np.ndarray]:
    """Plan at the mean and plan with the best chance, for aims ``size`` (n,); at most twice them."""
    most = RULES.max_factor * size
    best, _ = best_plan(outlook, size, tolerance, most, LIMITS.over_cap)
    return plan_for_mean(outlook, size, most), best


def stated(
    outlook: Any, plan: np.ndarray, size: np.ndarray, result: np.ndarray, tolerance: float
) -> np.ndarray:
    """What is stated of plans of any shape: columns as in ``STATED``, (..., 3)."""
    chances = outlook.chances(plan, np.broadcast_to(size, plan.shape), tolerance)
    # the chance of staying under an aim less its tolerance, at the aim that makes this the result
    pit = outlook.chances(plan, result + tolerance, tolerance).under
    return np.stack([chances.within, chances.over, pit], axis=-1)
