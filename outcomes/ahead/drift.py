"""How teeth move that no plan moves: one distribution for all classes and arches of a movement.

The side movement y of a tooth in one course of a patient, mm or degrees, signed::

    y = b[class, arch] + course of the patient + class and arch of the patient + residual

The b are drawn from one distribution, so that those with few records lean on the others. What all teeth
of a course share, as an error of the superimposition does, is not expected again; what the teeth of
one class and arch of a patient did is. Given the standard deviations all is Gaussian and exact; these
are integrated over by importance sampling.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from scipy.special import chdtri, gammaln, ndtr, ndtri
from scipy.stats import qmc

from outcomes.domain.movements import TOOTH_CLASSES
from outcomes.mixed.blocks import Array

__all__ = ["CELLS", "Drift", "SideMovement", "learn_drift"]

CELLS = tuple(f"{arch} {kind}" for arch in ("upper", "lower") for kind in TOOTH_CLASSES)
"""Arch and class, in the order of the coefficients."""

_DRAWS, _ROUNDS, _T_DF, _BISECTIONS = 256, 4, 5.0, 50
_Found = tuple[Any, Any, Any]
_Density = Callable[[Array], _Found]
_SDS = 4  # residual, class and arch of a patient, course of a patient, between classes and arches


@dataclass(frozen=True)
class _Own:
    """Means of one patient by course, class and arch: ``mean``, ``n``, ``cell``, ``course`` (m,)."""

    mean: Array
    n: Array
    cell: np.ndarray
    course: np.ndarray

    def covariance(self, sd: Array) -> Array:
        """(B, m, m), given the coefficients and SDs (B, 4)."""
        residual, of_cell, of_course, _ = (sd[:, i, None, None] ** 2 for i in range(_SDS))
        return np.asarray(
            of_course * (self.course[:, None] == self.course)
            + of_cell * (self.cell[:, None] == self.cell)
            + residual * np.diag(1 / self.n)
        )


@dataclass(frozen=True)
class SideMovement:
    """A side movement to come: a mixture of normal distributions with ``mean``, ``sd`` and
    ``weight`` (B,)."""

    mean: Array
    sd: Array
    weight: Array

    @property
    def expected(self) -> float:
        """Its mean, mm or degrees."""
        return float(self.weight @ self.mean)

    def below(self, value: float) -> float:
        """Chance of a side movement below ``value``."""
        return float(self.weight @ ndtr((value - self.mean) / self.sd))

    def range(self, level: float) -> tuple[float, float]:
        """What holds it with probability ``level``."""
        return self._quantile(0.5 - level / 2), self._quantile(0.5 + level / 2)

    def shifted(self, by: float, se: float) -> SideMovement:
        """With something added that is known up to a standard error."""
        return SideMovement(self.mean + by, np.sqrt(self.sd**2 + se**2), self.weight)

    def _quantile(self, probability: float) -> float:
        low = float((self.mean - 9 * self.sd).min())
        high = float((self.mean + 9 * self.sd).max())
        for _ in range(_BISECTIONS):
            middle = (low + high) / 2
            if self.below(middle) < probability:
                low = middle
            else:
                high = middle
        return (low + high) / 2


@dataclass(frozen=True)
class Drift:
    """What past rows tell of side movements: B draws of the SDs (B, 4) with ``weight``, and mean
    (B, 8) and covariance (B, 8, 8) of the coefficients at each."""

    weight: Array
    sd: Array
    mean: Array
    covariance: Array
    people: dict[str, _Own]

    def outlook(self, cell: str, patient: str | None = None) -> SideMovement:
        """Of a tooth of one arch and class (a name of ``CELLS``) in a coming course: of a patient
        with rows given these, otherwise of a new one."""
        at = CELLS.index(cell)
        residual, of_cell, of_course, _ = (self.sd[:, i] ** 2 for i in range(_SDS))
        loading = np.zeros((len(self.sd), len(CELLS)))
        loading[:, at] = 1.0
        left, shift = of_cell.copy(), np.zeros(len(self.sd))
        own = self.people.get(patient or "")
        if own is not None:
            shared = of_cell[:, None] * (own.cell == at)
            gain = np.linalg.solve(own.covariance(self.sd), shared[..., None])[..., 0]
            loading -= gain @ np.eye(len(CELLS))[own.cell]
            shift = gain @ own.mean
            left = left - (gain * shared).sum(axis=1)
        mean = shift + (loading * self.mean).sum(axis=1)
        spread = np.einsum("bi,bij,bj->b", loading, self.covariance, loading)
        return SideMovement(mean, np.sqrt(spread + left + of_course + residual), self.weight)


def learn_drift(rows: pd.DataFrame, scale: float, seed: int = 1) -> Drift:
    """Learn from rows that no plan moved.

    Parameters
    ----------
    rows
        patient, course, tooth_class, arch, achieved (mm or degrees, signed); no value missing.
    scale
        Scale of the half-normal distributions that the four SDs are taken from beforehand, and SD
        of the coefficients' common mean: the size that matters, mm or degrees.
    seed
        Of the quasi-random draws.
    """
    people, within, free = _summed(rows)
    owns = list(people.values())

    def density(points: Array) -> _Found:
        """Log density (B,) of log SDs (B, 4); mean and covariance of the coefficients."""
        sd = np.exp(points)
        cells = len(CELLS)
        prior = sd[:, 3, None, None] ** 2 * np.eye(cells) + scale**2
        a, g = np.zeros((len(sd), cells, cells)), np.zeros((len(sd), cells))
        log = -0.5 * within / sd[:, 0] ** 2 - free * points[:, 0]
        for own in owns:
            v = own.covariance(sd)
            x = np.eye(cells)[own.cell]
            both = np.column_stack([x, own.mean])
            solved = np.linalg.solve(v, np.broadcast_to(both, (len(sd), *both.shape)))
            products = both.T @ solved
            a += products[:, :-1, :-1]
            g += products[:, :-1, -1]
            log -= 0.5 * (np.linalg.slogdet(v)[1] + products[:, -1, -1])
        covariance = np.linalg.inv(np.linalg.inv(prior) + a)
        mean = np.einsum("bij,bj->bi", covariance, g)
        log += 0.5 * (np.einsum("bi,bi->b", g, mean))
        log -= 0.5 * np.linalg.slogdet(np.eye(cells) + prior @ a)[1]
        log += (-0.5 * (sd / scale) ** 2 + points).sum(axis=1)
        return log, mean, covariance

    weight, points, mean, covariance = _sampled(density, np.log(np.full(_SDS, scale / 2)), seed)
    return Drift(weight, np.exp(points), mean, covariance, people)


def _summed(rows: pd.DataFrame) -> tuple[dict[str, _Own], float, int]:
    """Means by patient, course, arch and class; squares within these, and their degrees of freedom."""
    cell = rows["arch"].astype(str) + " " + rows["tooth_class"].astype(str)
    work = pd.DataFrame(
        {
            "patient": rows["patient"].astype(str).to_numpy(),
            "course": rows["course"].to_numpy(float),
            "cell": cell.map({name: i for i, name in enumerate(CELLS)}).to_numpy(int),
            "y": rows["achieved"].to_numpy(float),
        }
    )
    grouped = work.groupby(["patient", "course", "cell"], sort=False)["y"]
    within = float(((work["y"] - grouped.transform("mean")) ** 2).sum())
    table = grouped.agg(["mean", "size"]).reset_index()
    people = {
        str(patient): _Own(
            part["mean"].to_numpy(float),
            part["size"].to_numpy(float),
            part["cell"].to_numpy(int),
            part["course"].to_numpy(float),
        )
        for patient, part in table.groupby("patient", sort=False)
    }
    return people, within, len(work) - len(table)


def _sampled(density: _Density, start: Array, seed: int) -> tuple[Array, Array, Array, Array]:
    """Draws of points with weights, and what the density gives beside."""
    centre, root = _mode(density, start)
    proposals = [(centre, 1.2 * root)]
    points: list[Array] = []
    parts: list[_Found] = []
    for k in range(_ROUNDS):
        points.append(_draw(*proposals[k], seed + k))
        parts.append(density(points[k]))
        every, target = np.concatenate(points), np.concatenate([part[0] for part in parts])
        proposed = np.logaddexp.reduce([_log_t(every, *one) for one in proposals], axis=0)
        weight = np.exp(target - proposed - (target - proposed).max())
        weight /= weight.sum()
        middle = weight @ every
        spread = ((every - middle).T * weight) @ (every - middle)
        proposals.append((middle, np.linalg.cholesky(spread + 1e-3 * np.eye(_SDS))))
    means, covariances = (np.concatenate([part[i] for part in parts]) for i in (1, 2))
    return weight, every, means, covariances


def _mode(density: _Density, start: Array) -> tuple[Array, Array]:
    """Mode, and a root of the covariance there."""
    step, eye = 0.05, np.eye(_SDS)

    def both(u: Array) -> tuple[float, Array]:
        values = density(u + np.concatenate([0 * eye[:1], step * eye, -step * eye]))[0]
        return -values[0], -(values[1 : _SDS + 1] - values[_SDS + 1 :]) / (2 * step)

    bounds = [(s - 6.0, s + 4.0) for s in start]
    found: Any = minimize(both, start, jac=True, method="L-BFGS-B", bounds=bounds)
    values = density(found.x + np.concatenate([0 * eye[:1], 4 * step * eye, -4 * step * eye]))[0]
    curve = (2 * values[0] - values[1 : _SDS + 1] - values[_SDS + 1 :]) / (4 * step) ** 2
    return np.asarray(found.x), np.diag(1 / np.sqrt(np.clip(curve, 0.5, None)))


def _draw(centre: Array, root: Array, seed: int) -> Array:
    u = np.clip(qmc.Sobol(_SDS + 1, seed=seed).random(_DRAWS), 1e-6, 1 - 1e-6)
    t = ndtri(u[:, :_SDS]) * np.sqrt(_T_DF / chdtri(_T_DF, u[:, _SDS:]))
    return np.asarray(np.clip(centre + t @ root.T, -14, 8))


def _log_t(points: Array, centre: Array, root: Array) -> Array:
    d = len(centre)
    z = np.linalg.solve(root, (points - centre).T)
    _, logdet = np.linalg.slogdet(root)
    constant = gammaln((_T_DF + d) / 2) - gammaln(_T_DF / 2) - logdet
    return np.asarray(constant - 0.5 * (_T_DF + d) * np.log1p((z**2).sum(axis=0) / _T_DF))
