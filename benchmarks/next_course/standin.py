"""A simple engine with the interface of ``outcomes.predictive``: known spreads, all normal.

It is there to try the study itself, and to show what guessing the spreads costs.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
from scipy.linalg import cho_factor, cho_solve
from scipy.special import ndtr, ndtri

from outcomes.overcorrect.landing import Chances

from .designs import KINDS

SDS = {"all": 0.15, "class": 0.06, "way": 0.05, "cell": 0.05}
SDS |= {"patient": 0.11, "course": 0.06, "tooth": 0.08, "tooth_course": 0.05}
MEAN = 0.55


def expect(cohort: Any, movement: str | None = None, *, seed: int = 1, **options: Any) -> Expected:
    """Learn from the rows of a cohort (no learning of spreads)."""
    return Expected(cohort if isinstance(cohort, pd.DataFrame) else cohort.frame(movement))


@dataclass
class Expected:
    """Posterior of a normal model with fixed spreads."""

    rows: pd.DataFrame

    @cached_property
    def _learnt(self) -> dict[str, Any]:
        rows = self.rows
        keys = _keys(
            rows["patient"].to_numpy(object),
            rows["tooth"].to_numpy(int),
            np.sign(rows["planned"].to_numpy(float)),
            rows["course"].to_numpy(int),
        )
        x = rows["planned"].to_numpy(float)
        kind = next(k for k in KINDS if k.movement == rows["movement"].iloc[0])
        noise = kind.process**2 + 2 * kind.scan**2
        factor = cho_factor(_shared(keys, keys) * np.outer(x, x) + noise * np.eye(len(x)))
        y = rows["achieved"].to_numpy(float) - MEAN * x
        return {"keys": keys, "x": x, "noise": noise, "factor": factor, "a": cho_solve(factor, y)}

    def support(self, tooth: int, sign: int, *, patient: str | None = None, **_: Any) -> Any:
        """How many patients had such movements."""
        rows = self.rows
        way = np.sign(rows["planned"].to_numpy(float)) == sign
        kind = _class(rows["tooth"].to_numpy(int)) == _class(np.array([tooth]))[0]
        code = rows["patient"].to_numpy(object)
        own = code == patient
        return SimpleNamespace(
            class_patients=len(set(code[way & kind])),
            direction_patients=len(set(code[way])),
            all_patients=len(set(code)),
            own_movements=int(own.sum()),
        )

    def outlook(
        self,
        tooth: int,
        sign: int,
        largest: float,
        *,
        patient: str | None = None,
        course: int | None = None,
        alone: bool = False,
        **_: Any,
    ) -> Normal:
        """The result of plans in this direction."""
        learnt = self._learnt
        who = "" if patient is None or alone else patient
        one = _keys(np.array([who], object), np.array([tooth]), np.array([sign]), np.array([99]))
        cross = (_shared(one, learnt["keys"]) * learnt["x"]).ravel()
        rate = MEAN + float(cross @ learnt["a"])
        variance = float(_shared(one, one)[0, 0] - cross @ cho_solve(learnt["factor"], cross))
        return Normal(largest, rate, variance, learnt["noise"])


@dataclass(frozen=True)
class Normal:
    """A normal result at each plan."""

    largest: float
    slope: float
    variance: float
    noise: float

    def mean(self, plan: Any) -> Any:
        """Expected result."""
        return self.slope * np.asarray(plan)

    def at(self, plan: Any) -> Any:
        """Mean, SD, df."""
        plan = np.asarray(plan)
        return self.slope * plan, np.sqrt(self.variance * plan**2 + self.noise), np.inf + 0 * plan

    def chances(self, plan: Any, aim: Any, tolerance: Any) -> Chances:
        """Chances of landing within, over and under."""
        mean, sd, _ = self.at(plan)
        not_over = ndtr((aim + tolerance - mean) / sd)
        under = ndtr((aim - tolerance - mean) / sd)
        return Chances(not_over - under, 1 - not_over, under)

    def range(self, plan: Any, level: float) -> Any:
        """Prediction range."""
        mean, sd, _ = self.at(plan)
        half = ndtri(0.5 + level / 2) * sd
        return mean - half, mean + half

    def rate(self) -> tuple[float, float]:
        """Rate and its SD."""
        return self.slope, float(np.sqrt(self.variance))


def _class(tooth: np.ndarray) -> np.ndarray:
    return np.array([0, 0, 1, 2, 2, 3, 3])[tooth % 10 - 1]


def _keys(patient: np.ndarray, tooth: np.ndarray, sign: np.ndarray, course: np.ndarray) -> Any:
    kind = _class(tooth)
    cell = kind * 4 + (tooth >= 30) * 2 + (sign > 0)
    return {"patient": patient, "tooth": tooth, "class": kind, "way": sign, "cell": cell} | {
        "course": course
    }


def _shared(a: Any, b: Any) -> np.ndarray:
    """Covariance of the rates of rows a and b."""

    def same(name: str) -> np.ndarray:
        return np.equal.outer(a[name], b[name]).astype(float)

    var = {name: sd**2 for name, sd in SDS.items()}
    who, course, tooth = same("patient"), same("course"), same("tooth")
    shared = var["all"] + var["class"] * same("class") + var["way"] * same("way")
    shared = shared + var["cell"] * same("cell")
    inner = (
        var["patient"]
        + var["course"] * course
        + tooth * (var["tooth"] + var["tooth_course"] * course)
    )
    return shared + who * inner
