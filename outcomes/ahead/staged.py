"""One course more, or two staged ones: plan, scan, and plan anew what is then left."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from outcomes.ahead.asks import Ask, Foresees, empty
from outcomes.ahead.result import STAGES
from outcomes.domain.limits import within_tolerance
from outcomes.mixed.blocks import Array
from outcomes.overcorrect.landing import Chances, Outlook, best_plan
from outcomes.overcorrect.plan import PlanLimits

__all__ = ["Later", "learnt", "stages"]

_RESULTS = 80
"""Results of the first course that are followed into a second one, evenly spread by chance."""
_KNOTS = 25


@dataclass(frozen=True)
class Later:
    """What a second course brings after each of n results of the first, at plans (n,) or (n, k).

    ``shift`` (n,) is added to the rate; ``told`` (its variance) is what the result has taken from
    the variance of the rate.
    """

    first: Outlook
    shift: Array
    told: float

    @property
    def largest(self) -> float:
        """The largest plan that is looked at."""
        return self.first.largest

    def _by_row(self, plan: Array) -> Array:
        return self.shift.reshape(-1, *[1] * (np.ndim(plan) - 1))

    def mean(self, plan: Array) -> Array:
        """Expected results."""
        return np.asarray(self.first.mean(plan) + self._by_row(plan) * plan)

    def at(self, plan: Array) -> tuple[Array, Array, Array]:
        """Means, SDs and degrees of freedom (infinite)."""
        variance = self.first.variance(plan) - self.told * np.square(plan)
        sd = np.sqrt(np.maximum(variance, 1e-300))
        return self.mean(plan), sd, np.full(np.shape(plan), np.inf)

    def chances(self, plan: Array, aim: Array, tolerance: Array | float) -> Chances:
        """Chances at plans; ``plan`` and ``aim`` broadcast."""
        mean, sd, _ = self.at(plan)
        not_over = ndtr((aim + tolerance - mean) / sd)
        under = ndtr((aim - tolerance - mean) / sd)
        return Chances(not_over - under, 1 - not_over, under)

    def range(self, plan: Array, level: float) -> tuple[Array, Array]:
        """Prediction range of the results."""
        mean, sd, _ = self.at(plan)
        half = ndtri(0.5 + level / 2) * sd
        return mean - half, mean + half


def learnt(
    outlook: Foresees, planned: float, results: Array, of_course: float, largest: float
) -> Later:
    """What a second course brings, once the first has brought ``results`` (n,) of ``planned``.

    Notes
    -----
    The rate of a course is d + c about its mean, d of the tooth and its patient in every course, c
    of this course alone (variance ``of_course``). With v the variance of d + c at the plan x, s that
    of a result without a plan and p = max(v - of_course, 0), the result y shifts d by
    g (y - mean(x)), g = p x / (v x² + s), and leaves it the variance p (1 - g x): normal theory, exact
    where the outlook is normal.
    """
    knots = np.linspace(0.0, max(largest, planned), _KNOTS)
    mean, sd, df = outlook.at(knots)
    first = Outlook.through(knots, np.asarray(mean), np.square(sd), np.minimum(df, 1e6))
    plan = np.array([planned])
    residual = float(np.square(outlook.at(np.array([0.0]))[1])[0])
    total = float(np.square(outlook.at(plan)[1])[0])
    if planned <= 0:
        return Later(first, np.zeros_like(results), 0.0)
    rate = max((total - residual) / planned**2, 0.0)
    stays = max(rate - of_course, 0.0)
    gain = stays * planned / total
    shift = gain * (results - float(np.asarray(outlook.mean(plan))[0]))
    return Later(first, shift, stays * gain * planned)


def stages(asks: Sequence[Ask], limits: PlanLimits, max_factor: float) -> pd.DataFrame:
    """The table ``stages`` of `NextCourse`: a row for each aim with a plan.

    The second course goes for what the scan after the first shows to be left, by the same rule, with
    what that scan has taught. A tooth that has then landed, or gone too far, is left where it is.
    """
    rows = [{**ask.head, **_staged(ask, limits, max_factor)} for ask in asks]
    return pd.DataFrame(rows, columns=list(STAGES)) if rows else empty(STAGES)


def _staged(ask: Ask, limits: PlanLimits, max_factor: float) -> dict[str, Any]:
    step = limits.step(ask.movement)
    aligners = float(np.ceil(ask.planned / step - 1e-9))
    plan = np.array([ask.planned])
    chances = ask.outlook.chances(plan, np.array([ask.size]), ask.tolerance)
    within, over, short = (float(getattr(chances, n)[0]) for n in ("within", "over", "under"))
    # results that fall short, and the others, each evenly spread by chance
    middle = (np.arange(_RESULTS) + 0.5) / _RESULTS
    brief = _quantiles(ask, middle * short)
    enough = _quantiles(ask, short + middle * (1 - short))
    miss_short = float(np.abs(ask.size - brief).mean())
    miss_rest = float(np.abs(ask.size - enough).mean())
    left = ask.size - brief
    most = limits.most(left, ask.movement, max_factor)
    later = learnt(ask.outlook, ask.planned, brief, ask.of_course, float(most.max()))
    again, _ = best_plan(later, left, ask.tolerance, most, ask.over_cap)
    then = later.chances(again, left, ask.tolerance)
    mean, sd, _ = later.at(again)
    after = _mean_size(left - mean, sd)
    second = np.ceil(again / step - 1e-9)
    within_two = within + short * float(then.within.mean())
    return {
        "planned": ask.sign * ask.planned + 0.0,
        "within_one": within,
        "over_one": over,
        "left_one": short * miss_short + (1 - short) * miss_rest,
        "aligners_one": aligners,
        "again": short,
        "second_planned": ask.sign * float(np.median(again)) + 0.0,
        "within_two": within_two,
        "over_two": over + short * float(then.over.mean()),
        "left_two": short * float(after.mean()) + (1 - short) * miss_rest,
        "aligners_two": aligners + short * float(second.mean()),
        "note": _note(ask, within_two),
    }


def _note(ask: Ask, within_two: float) -> str:
    if within_tolerance(ask.size, ask.tolerance):
        return "The aim is within the tolerance: left alone, it counts as landed."
    if within_two < 0.5:
        return "Two courses, too, leave it more likely than not outside the tolerance."
    return ""


def _quantiles(ask: Ask, probability: Array) -> Array:
    """Results of the plan below which the next one lies with these probabilities, (n,)."""
    plan = np.full(len(probability), ask.planned)
    low, high = ask.outlook.range(plan, np.abs(2 * probability - 1))
    return np.where(probability < 0.5, low, high)


def _mean_size(mean: Array, sd: Array) -> Array:
    """Mean of the size of a normal number (the folded normal)."""
    z = mean / sd
    density = np.exp(-0.5 * z**2) * np.sqrt(2 / np.pi)
    return np.asarray(sd * density + mean * (1 - 2 * ndtr(-z)))
