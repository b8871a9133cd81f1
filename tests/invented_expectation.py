"""An invented expectation: one tooth class, one normal outlook, every number set by hand."""

from dataclasses import dataclass, field, replace

import numpy as np
from scipy import stats

from outcomes.predictive.mixture import Chances


@dataclass(frozen=True)
class NormalOutlook:
    """achieved at plan x: normal, mean rate x, variance (spread x)² + sigma²."""

    largest: float
    share: float
    error: float
    spread: float
    sigma: float

    def mean(self, plan):
        return self.share * np.asarray(plan)

    def at(self, plan):
        plan = np.asarray(plan)
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


@dataclass(frozen=True)
class InventedSupport:
    patients: int = 12
    movements: int = 40
    class_patients: int = 14
    direction_patients: int = 15
    all_patients: int = 20
    largest: float = 3.0
    largest_any: float = 4.0
    own_movements: int = 0
    own_tooth: bool = False
    cell: str = "lower incisor intrusion"


@dataclass(frozen=True)
class Invented:
    """What `outcomes.predictive` gives, with numbers set by hand; ``own`` is P001's own outlook."""

    movement: str = "vertical"
    unit: str = "mm"
    patients: tuple[str, ...] = ("P001", "P002")
    notes: tuple[str, ...] = ()
    covariates: tuple[str, ...] = ()
    share: float = 0.6
    error: float = 0.1
    spread: float = 0.12
    sigma: float = 0.15
    counts: InventedSupport = InventedSupport()
    own: dict = field(default_factory=dict, hash=False)

    def support(self, tooth, sign, *, patient=None):
        if patient is None:
            return self.counts
        assert patient in self.patients
        return replace(self.counts, own_movements=3, own_tooth=True)

    def outlook(self, tooth, sign, largest, *, patient=None, alone=False, **covariates):
        assert tuple(covariates) == self.covariates
        numbers = {name: getattr(self, name) for name in ("share", "error", "spread", "sigma")}
        if patient is not None and not alone:
            numbers |= self.own
        return NormalOutlook(largest, **numbers)


def with_counts(**counts) -> Invented:
    return Invented(counts=replace(InventedSupport(), **counts))
