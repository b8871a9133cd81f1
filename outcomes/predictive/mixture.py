"""Where a plan is likely to end, as a mixture of normal distributions: one for each draw of the SDs.

Everything is in the direction of the aim: plans and aims are not negative.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import ndtr, stdtr

from outcomes.mixed.blocks import Array

__all__ = ["Chances", "MixtureOutlook"]

_BISECTIONS = 40


@dataclass(frozen=True)
class Chances:
    """within: lands within the tolerance; over: beyond aim + tolerance; under: short of it."""

    within: Array
    over: Array
    under: Array


@dataclass(frozen=True)
class MixtureOutlook:
    """The result of one tooth as a function of the plan, one normal distribution for each draw.

    Attributes
    ----------
    weight
        (B,) of the draws; sum 1.
    rates, bends
        (B,) means of the rate at a typical plan, and of its change where the plan is twice that.
    covariance
        (B, 2, 2) of both.
    residual
        (B,) SDs, mm or degrees.
    typical
        A typical plan, mm or degrees.
    largest
        The largest plan that was asked for.
    tail_df
        Degrees of freedom of the t distributions (scaled to the SDs) that take the place of the
        normal ones where past results have long tails.
    """

    weight: Array
    rates: Array
    bends: Array
    covariance: Array
    residual: Array
    typical: float
    largest: float
    tail_df: float = np.inf

    def mean(self, plan: Array | float) -> Array:
        """Expected result at plans of any shape."""
        x = np.asarray(plan, dtype=float)
        bent = x / self.typical - 1
        return np.asarray(x * (self.weight @ self.rates + bent * (self.weight @ self.bends)))

    def at(self, plan: Array | float) -> tuple[Array, Array, Array]:
        """mean, SD of the mixture, and degrees of freedom (infinite), at plans of any shape."""
        m, s = self._parts(np.asarray(plan, dtype=float))
        mean = m @ self.weight
        variance = (s**2 + (m - mean[..., None]) ** 2) @ self.weight
        return mean, np.sqrt(variance), np.full(mean.shape, np.inf)

    def rate(self, plan: float | None = None) -> tuple[float, float]:
        """Mean and SD of this tooth's rate at a plan (a typical one by default), residuals apart."""
        z = 0.0 if plan is None else plan / self.typical - 1
        rates = self.rates + z * self.bends
        v = self.covariance
        inside = v[:, 0, 0] + 2 * z * v[:, 0, 1] + z**2 * v[:, 1, 1]
        mean = float(self.weight @ rates)
        return mean, float(np.sqrt(self.weight @ (inside + (rates - mean) ** 2)))

    def chances(self, plan: Array, aim: Array, tolerance: Array | float) -> Chances:
        """Chances at plans; ``plan`` and ``aim`` broadcast."""
        m, s = self._parts(np.asarray(plan, dtype=float))
        aim = np.asarray(aim, dtype=float)
        not_over = self._below(aim + tolerance, m, s)
        under = self._below(aim - tolerance, m, s)
        return Chances(not_over - under, 1 - not_over, under)

    def below(self, result: Array | float, plan: Array | float) -> Array:
        """Chance of a result below ``result`` at plans; both broadcast."""
        return self._below(np.asarray(result, float), *self._parts(np.asarray(plan, float)))

    def range(self, plan: Array, level: float) -> tuple[Array, Array]:
        """Range that holds the next result with probability ``level``, at plans."""
        ends = [self.quantile(plan, p) for p in (0.5 - level / 2, 0.5 + level / 2)]
        return ends[0], ends[1]

    def quantile(self, plan: Array, probability: float) -> Array:
        """The result below which the next one lies with a probability, at plans."""
        m, s = self._parts(np.asarray(plan, dtype=float))
        low, high = (m - 30 * s).min(axis=-1), (m + 30 * s).max(axis=-1)
        for _ in range(_BISECTIONS):
            middle = (low + high) / 2
            below = self._below(middle, m, s) < probability
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return np.asarray((low + high) / 2)

    def _parts(self, plan: Array) -> tuple[Array, Array]:
        """Mean and SD of each draw, (..., B)."""
        x = plan[..., None]
        z = x / self.typical - 1
        v = self.covariance
        inside = v[:, 0, 0] + 2 * z * v[:, 0, 1] + z**2 * v[:, 1, 1]
        return x * (self.rates + z * self.bends), np.sqrt(x**2 * inside + self.residual**2)

    def _below(self, result: Array, m: Array, s: Array) -> Array:
        return np.asarray(_cdf((result[..., None] - m) / s, self.tail_df) @ self.weight)


def _cdf(z: Array, df: float) -> Array:
    """Distribution function of a t distribution of unit variance."""
    if not np.isfinite(df):
        return np.asarray(ndtr(z))
    at, values = _t_table(round(df, 2))
    return np.interp(z, at, values)


@lru_cache(maxsize=64)
def _t_table(df: float) -> tuple[Array, Array]:
    """Points and values close enough together for a line between them (error below 1e-6)."""
    at = np.sinh(np.linspace(-8, 8, 8001)) / 30
    return at, stdtr(df, at * np.sqrt(df / (df - 2)))
