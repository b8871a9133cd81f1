"""Past movements as arrays: what each row loads on, and how its coefficients hang together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.domain import teeth
from outcomes.domain.movements import TOOTH_CLASSES
from outcomes.errors import CannotAnswer
from outcomes.mixed.blocks import Array
from outcomes.predictive.priors import Priors

__all__ = ["Columns", "Rows"]

_ARCHES = ("upper", "lower")
_CELLS = [(c, sign, arch) for c in TOOTH_CLASSES for sign in (1, -1) for arch in _ARCHES]
_CELL_AT = {cell: i for i, cell in enumerate(_CELLS)}


@dataclass(frozen=True)
class Rows:
    """n rows of one patient: ``plan``, ``result`` and ``level`` (n,), what the plan is multiplied by
    (n, p), ``tooth`` and ``course`` (n,)."""

    plan: Array
    result: Array
    level: Array
    tooth: np.ndarray
    course: np.ndarray

    @property
    def alike(self) -> tuple[Array, Array, Array]:
        """(n, n) products of plans of one course, of one tooth, and of one tooth in one course."""
        products = np.outer(self.plan, self.plan)
        course = products * (self.course[:, None] == self.course)
        tooth = products * (self.tooth[:, None] == self.tooth)
        return course, tooth, np.where(course != 0, tooth, 0.0)


@dataclass(frozen=True)
class Columns:
    """How a plan becomes columns: cells (class, direction, arch), the bend, and covariates.

    ``typical`` is the plan at which the bend is nothing; ``levels`` are those of covariates that
    are words, ``centres`` mean and SD of those that are numbers.
    """

    typical: float
    covariates: tuple[str, ...] = ()
    levels: Mapping[str, tuple[str, ...]] | None = None
    centres: Mapping[str, tuple[float, float]] | None = None

    @classmethod
    def of(cls, frame: pd.DataFrame, covariates: Sequence[str]) -> Columns:
        """Of past rows (planned, and the covariates)."""
        levels, centres = {}, {}
        for name in covariates:
            numbers = pd.to_numeric(frame[name], errors="coerce")
            if numbers.notna().all():
                centres[name] = (float(numbers.mean()), float(numbers.std(ddof=0)) or 1.0)
            else:
                levels[name] = tuple(sorted(frame[name].astype(str).unique()))
        typical = float(np.median(np.abs(frame["planned"].to_numpy(float))))
        return cls(typical, tuple(covariates), levels, centres)

    @property
    def p(self) -> int:
        """Number of columns; the bend is the last."""
        words = sum(len(levels) for levels in (self.levels or {}).values())
        return len(_CELLS) + words + len(self.centres or {}) + 1

    def level(self, tooth: np.ndarray, plan: Array, values: Mapping[str, Any]) -> Array:
        """(n, p) what the plan is multiplied by, without the bend (last column 0)."""
        found = np.zeros((len(plan), self.p))
        classes, arches = teeth.tooth_class(tooth), teeth.arch(tooth)
        for i, (kind, arch, x) in enumerate(zip(classes, arches, plan, strict=True)):
            found[i, _CELL_AT[str(kind), 1 if x > 0 else -1, str(arch)]] = 1.0
        at = len(_CELLS)
        for name in self.covariates:
            if name not in values:
                raise CannotAnswer(f"The rates depend on {name}, which is not given.")
            given = pd.Series(values[name]).reset_index(drop=True)
            if self.levels and name in self.levels:
                text = given.astype(str).to_numpy()
                for level in self.levels[name]:
                    found[:, at] = text == level
                    at += 1
            elif self.centres:
                mean, sd = self.centres[name]
                # a count of 0 is read as the word none
                plain = given.astype(object).replace({"none": 0.0})
                numbers = pd.to_numeric(plain, errors="coerce").to_numpy(float)
                if np.isnan(numbers).any():
                    raise CannotAnswer(f"{name} is blank or no number, and the rates depend on it.")
                found[:, at] = (numbers - mean) / sd
                at += 1
        return found

    def bent(self, level: Array, plan: Array) -> Array:
        """(n, p) with the bend at these plans."""
        found = level.copy()
        found[:, -1] = np.abs(plan) / self.typical - 1
        return found

    def prior(self, between: Array, priors: Priors) -> tuple[Array, Array]:
        """Mean (p,) and covariance (B, p, p) of the coefficients, at SDs ``between`` (B,)."""
        cells = len(_CELLS)
        kind = np.array([cell[0] for cell in _CELLS])
        sign = np.array([cell[1] for cell in _CELLS])
        one_kind, one_sign = kind[:, None] == kind, sign[:, None] == sign
        shared = 1.0 * one_kind + one_sign + 0.5 * (one_kind & one_sign) + 0.5 * np.eye(cells)
        unit = np.zeros((self.p, self.p))
        unit[:cells, :cells] = shared
        words = sum(len(levels) for levels in (self.levels or {}).values())
        middle = np.arange(cells, cells + words)
        unit[middle, middle] = 0.5
        fixed = np.zeros((self.p, self.p))
        fixed[:cells, :cells] = priors.mean_sd**2
        numbers = np.arange(cells + words, self.p - 1)
        fixed[numbers, numbers] = priors.covariate**2
        fixed[-1, -1] = priors.bend**2
        mean = np.zeros(self.p)
        mean[:cells] = priors.mean
        return mean, fixed + between[:, None, None] ** 2 * unit

    def cell(self, tooth: int, sign: int) -> tuple[str, int, str]:
        """Class, direction and arch of a tooth."""
        return str(teeth.tooth_class(tooth)), sign, str(teeth.arch(tooth))
