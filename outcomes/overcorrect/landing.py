"""Where a plan is likely to end: chances of landing near the aim, and the plan with the best chance.

Everything here is in the direction of the aim: plans and aims are not negative. A result at plan x is
mean(x) + sd(x) t with df(x) degrees of freedom.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.special import stdtr, stdtrit

from outcomes.mixed.blocks import Array
from outcomes.predictive.mixture import Chances

__all__ = ["Chances", "Looks", "Outlook", "best_plan", "plan_for_mean", "searched"]

_COARSE, _FINE, _BISECTIONS = 81, 41, 60


class Looks(Protocol):
    """Where results end, for one kind of tooth, at plans of any shape from 0 to ``largest``."""

    @property
    def largest(self) -> float:
        """The largest plan that is looked at."""

    @property
    def mean(self) -> Any:
        """A function of plans: the expected result."""

    def at(self, plan: Array) -> tuple[Array, Array, Array]:
        """Mean, SD (or scale of t) and degrees of freedom of the result at plans."""

    def chances(self, plan: Array, aim: Array, tolerance: Array | float) -> Chances:
        """Chances at plans; ``plan`` and ``aim`` broadcast."""

    def range(self, plan: Array, level: float) -> tuple[Array, Array]:
        """Prediction range of the result at plans."""


@dataclass(frozen=True)
class Outlook:
    """Mean, variance and df of the result as smooth functions of the plan, for one kind of tooth.

    The mean and the variance are polynomials of the plan, so that cubic splines through a few
    plans follow them closely.
    """

    mean: CubicSpline
    variance: CubicSpline
    df: CubicSpline
    largest: float

    @classmethod
    def through(cls, plan: Array, mean: Array, variance: Array, df: Array) -> Outlook:
        """From values at plans (K,), ascending from 0."""
        return cls(
            CubicSpline(plan, mean),
            CubicSpline(plan, variance),
            CubicSpline(plan, np.minimum(df, 1e6)),
            float(plan[-1]),
        )

    def at(self, plan: Array) -> tuple[Array, Array, Array]:
        """mean, sd, df at plans of any shape."""
        return (
            np.asarray(self.mean(plan)),
            np.sqrt(np.maximum(self.variance(plan), 1e-300)),
            np.maximum(self.df(plan), 1.0),
        )

    def chances(self, plan: Array, aim: Array, tolerance: Array | float) -> Chances:
        """Chances at plans; ``plan`` and ``aim`` broadcast."""
        mean, sd, df = self.at(plan)
        not_over = stdtr(df, (aim + tolerance - mean) / sd)
        under = stdtr(df, (aim - tolerance - mean) / sd)
        return Chances(not_over - under, 1 - not_over, under)

    def range(self, plan: Array, level: float) -> tuple[Array, Array]:
        """Prediction range of the result at plans."""
        mean, sd, df = self.at(plan)
        half = stdtrit(df, 0.5 + level / 2) * sd
        return mean - half, mean + half


def plan_for_mean(outlook: Looks, aim: Array, most: Array) -> Array:
    """The smallest plan whose expected result is the aim, held at ``most``; by bisection, (n,).

    Where no plan is expected to reach it, the one that is expected to come nearest: with a rate that
    falls with the size of the plan, the largest plan may be expected to achieve less.
    """
    grid = np.linspace(0, 1, _COARSE) * np.minimum(most, outlook.largest)[:, None]
    means = outlook.mean(grid)
    reaches = means >= aim[:, None]
    first = np.where(reaches.any(axis=1), reaches.argmax(axis=1), _COARSE - 1)
    index = np.arange(len(aim))
    low = grid[index, np.maximum(first - 1, 0)]
    top = grid[index, first]
    unreached = ~reaches.any(axis=1)
    for _ in range(_BISECTIONS):
        middle = (low + top) / 2
        enough = outlook.mean(middle) >= aim
        low, top = np.where(enough, low, middle), np.where(enough, middle, top)
    return np.where(unreached, grid[index, means.argmax(axis=1)], top)


def best_plan(
    outlook: Looks, aim: Array, tolerance: float, most: Array, over_cap: Array | float
) -> tuple[Array, np.ndarray]:
    """The plan with the best chance of landing within tolerance, without too many overshoots.

    ``aim`` (n,) and ``tolerance`` in one unit; ``most`` (n,) is the largest plan allowed for each,
    ``over_cap`` the largest chance of overshooting by more than the tolerance, one or (n,). Given back
    are the plans (n,), and whether the cap holds each down, or cannot be kept at all (the plan is then
    the one with the least chance of overshooting).
    """
    most = np.minimum(most, outlook.largest)
    cap = np.broadcast_to(np.asarray(over_cap, dtype=float), aim.shape)

    def score(grid: Array) -> Array:
        chances = outlook.chances(grid, aim[:, None], tolerance)
        return np.where(chances.over <= cap[:, None], chances.within, -1 - chances.over)

    plan = searched(most, score)
    beyond = np.minimum(plan + (most / _COARSE) * 0.02, most)
    over = outlook.chances(beyond, aim, tolerance).over
    return plan, over > cap


def searched(most: Array, score: Callable[[Array], Array]) -> Array:
    """The plans (n,) from 0 to ``most`` with the best score; ``score`` takes and gives (n, k)."""
    low, high = np.zeros_like(most, dtype=float), most.astype(float)
    index = np.arange(len(most))
    for points in (_COARSE, _FINE, _FINE):
        grid = low[:, None] + np.linspace(0, 1, points) * (high - low)[:, None]
        best = score(grid).argmax(axis=1)
        low = grid[index, np.maximum(best - 1, 0)]
        high = grid[index, np.minimum(best + 1, points - 1)]
    return np.asarray(grid[index, best])
