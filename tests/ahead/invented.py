"""Aims with plans whose outlook is normal, every number set by hand."""

from dataclasses import replace

import numpy as np
from scipy import stats

from outcomes.ahead.asks import Ask
from outcomes.overcorrect.landing import Chances


class Normal:
    """result at plan x: normal, mean share x, variance (spread x)² + sigma²."""

    def __init__(self, largest=6.0, share=0.6, spread=0.18, sigma=0.15, error=0.1):
        self.largest, self.share, self.spread, self.sigma = largest, share, spread, sigma
        self.error = error

    def mean(self, plan):
        return self.share * np.asarray(plan)

    def at(self, plan):
        plan = np.asarray(plan, dtype=float)
        sd = np.sqrt((self.spread * plan) ** 2 + self.sigma**2)
        return self.mean(plan), sd, np.full(plan.shape, np.inf)

    def chances(self, plan, aim, tolerance):
        mean, sd, _ = self.at(plan)
        over = stats.norm.sf((aim + tolerance - mean) / sd)
        under = stats.norm.cdf((aim - tolerance - mean) / sd)
        return Chances(1 - over - under, over, under)

    def range(self, plan, level):
        mean, sd, _ = self.at(plan)
        half = stats.norm.ppf(0.5 + level / 2) * sd
        return mean - half, mean + half

    def rate(self):
        return self.share, self.error


def ask(aim=-2.0, planned=3.0, **changed) -> Ask:
    """A lower incisor to be intruded."""
    one = Ask(
        at=0,
        tooth=41,
        movement="vertical",
        unit="mm",
        aim=aim,
        tolerance=0.5,
        planned=planned,
        most=2 * abs(aim),
        over_cap=0.10,
        outlook=Normal(),
        alone=Normal(),
        of_course=0.01,
        own_movements=0,
        own_tooth=False,
    )
    return replace(one, **changed)
