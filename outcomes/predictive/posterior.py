"""The standard deviations and the coefficients, given past rows: exact but for the integration.

Given the SDs, results are Gaussian. Their posterior is sampled by importance: draws around its
mode, on the scale of logarithms, from t distributions whose centre and shape are mended once
(adaptive multiple importance sampling; Cornuet et al., Scand J Stat 2012;39:798–812, from memory).
Quasi-random numbers make the draws the same each time and even.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from scipy.optimize import minimize
from scipy.special import betaincinv, chdtri, gammaln, ndtri
from scipy.stats import beta, norm, qmc, t

from outcomes.mixed.blocks import Array
from outcomes.predictive.columns import Columns, Rows
from outcomes.predictive.priors import SDS, Priors

__all__ = ["Posterior", "covariance_of", "given_sds", "learn"]

_Density = Callable[[Array], tuple[Array, Array, Array]]

_DRAWS, _FEWEST, _ROUNDS, _T_DF = 256, 32, 2, 5.0
_WORK = 25_600  # draws times patients: with many patients the posterior is narrow
_EVEN = 0.2  # share of the draws of an angle that is even


@dataclass(frozen=True)
class Posterior:
    """B draws: ``weight`` (B,), sum 1; ``sd`` (B, 6) in the order of `SDS`; coefficients with
    ``mean`` (B, p) and ``covariance`` (B, p, p), given the SDs. ``tail_df`` are the degrees of
    freedom of the t distribution whose tails results have; infinite for those of a normal one."""

    weight: Array
    sd: Array
    mean: Array
    covariance: Array
    tail_df: float = np.inf

    @property
    def effective(self) -> float:
        """Draws of equal weight that would say as much."""
        return float(1 / (self.weight**2).sum())

    def updated(self, rows: Rows, columns: Columns) -> Posterior:
        """With the rows of one more patient."""
        a, g, c, logdet = _sums(self.sd, [rows], columns, self.mean)
        inner = np.asarray(np.linalg.inv(np.linalg.inv(self.covariance) + a), dtype=np.float64)
        shift = np.einsum("bij,bj->bi", inner, g)
        fit = c - np.einsum("bi,bi->b", g, shift)
        grown = np.linalg.slogdet(np.eye(a.shape[1]) + self.covariance @ a)[1]
        log = np.log(self.weight) - 0.5 * (logdet + grown + fit)
        weight = np.exp(log - log.max())
        return replace(self, weight=weight / weight.sum(), mean=self.mean + shift, covariance=inner)


def covariance_of(sd: Array, rows: Rows) -> Array:
    """(B, n, n) covariance of the results of one patient given the coefficients."""
    residual, tooth_course, tooth, patient_course, patient = (
        sd[:, i, None, None] for i in range(5)
    )
    course, one_tooth, both = rows.alike
    return np.asarray(
        residual**2 * np.eye(len(rows.plan))
        + patient**2 * np.outer(rows.plan, rows.plan)
        + patient_course**2 * course
        + tooth**2 * one_tooth
        + tooth_course**2 * both
    )


def _sums(
    sd: Array, people: Sequence[Rows], columns: Columns, mean: Array
) -> tuple[Array, Array, Array, Array]:
    """X'V^-1 X (B, p, p), X'V^-1 r, r'V^-1 r with r = y - X mean, and log|V|, over patients."""
    b, p = len(sd), columns.p
    a, g, c = np.zeros((b, p, p)), np.zeros((b, p)), np.zeros(b)
    logdet = np.zeros(b)
    for rows in people:
        x = columns.bent(rows.level, rows.plan) * rows.plan[:, None]
        used = np.flatnonzero((x != 0).any(axis=0))
        factor = np.linalg.cholesky(covariance_of(sd, rows))
        logdet += 2 * np.log(np.einsum("bii->bi", factor)).sum(axis=1)
        both = np.concatenate([x[:, used], rows.result[:, None]], axis=1)
        white = np.linalg.solve(factor, np.broadcast_to(both, (b, *both.shape)))
        products = white.transpose(0, 2, 1) @ white
        a[:, used[:, None], used] += products[:, :-1, :-1]
        g[:, used] += products[:, :-1, -1]
        c += products[:, -1, -1]
    mean = np.broadcast_to(mean, (b, p))
    ax = np.einsum("bij,bj->bi", a, mean)
    around = c - 2 * np.einsum("bi,bi->b", g, mean) + np.einsum("bi,bi->b", ax, mean)
    return a, g - ax, around, logdet


def given_sds(
    sd: Array, people: Sequence[Rows], columns: Columns, priors: Priors
) -> tuple[Array, Array, Array]:
    """At SDs (B, 6) in the order of `SDS`: log-likelihood (B,) but for a constant, the coefficients
    integrated out, and their mean (B, p) and covariance (B, p, p)."""
    mean, covariance = columns.prior(sd[:, 5], priors)
    a, g, c, logdet = _sums(sd, people, columns, mean)
    inner = np.asarray(np.linalg.inv(np.linalg.inv(covariance) + a), dtype=np.float64)
    shift = np.einsum("bij,bj->bi", inner, g)
    grown = np.linalg.slogdet(np.eye(columns.p) + covariance @ a)[1]
    likelihood = -0.5 * (logdet + grown + c - np.einsum("bi,bi->b", g, shift))
    return likelihood, mean + shift, inner


def learn(
    people: Sequence[Rows], columns: Columns, priors: Priors, *, seed: int = 1, scale: float
) -> Posterior:
    """The posterior after the rows of some patients; ``scale`` is a typical plan, mm or degrees."""
    spread = np.array([getattr(priors, name) for name in SDS])
    spread[0] *= scale

    def density(points: Array) -> tuple[Array, Array, Array]:
        """Log density (B,) of points (B, 6); mean and covariance of the coefficients."""
        sd = sds(points, scale)
        likelihood, mean, covariance = given_sds(sd, people, columns, priors)
        # from SDs to points: of a logarithm, and of two circles
        jacobian = points[:, 0] + np.log(np.abs(points[:, 1:3]) + 1e-300).sum(axis=1)
        return likelihood - 0.5 * ((sd / spread) ** 2).sum(axis=1) + jacobian, mean, covariance

    many = _DRAWS
    while many > _FEWEST and many * len(people) > _WORK:
        many //= 2
    posterior = _sampled(density, many, seed)
    posterior = replace(posterior, sd=sds(posterior.sd, scale))
    return replace(posterior, tail_df=_tail_df(posterior, people, columns))


_TAILS = np.array([3.0, 4.0, 6.0, 10.0, 20.0, 60.0])


def _tail_df(posterior: Posterior, people: Sequence[Rows], columns: Columns) -> float:
    """Degrees of freedom of the tails of past results about what was expected of them.

    Averaged over a few values by their likelihood, on the scale of 1 / df, normal tails being as
    likely beforehand as all others together.
    """
    sd = np.sqrt(posterior.weight @ posterior.sd**2)[None]
    mean = posterior.weight @ posterior.mean
    white = []
    for rows in people:
        x = columns.bent(rows.level, rows.plan) * rows.plan[:, None]
        factor = np.linalg.cholesky(covariance_of(sd, rows)[0])
        white.append(np.linalg.solve(factor, rows.result - x @ mean))
    z = np.concatenate(white)
    z = z / np.sqrt(np.mean(z**2))
    narrow = np.sqrt((_TAILS - 2) / _TAILS)  # of unit variance
    log = t.logpdf(z[:, None] / narrow, _TAILS).sum(axis=0) - len(z) * np.log(narrow)
    log = np.append(log - np.log(len(_TAILS)), norm.logpdf(z).sum())
    share = np.exp(log - log.max())
    inverse = float(share[:-1] @ (1 / _TAILS) / share.sum())
    return 1 / inverse if inverse > 1 / 60 else np.inf


_LINES = 4
"""Coordinates of a point that are lines; the others are angles, from 0 to a quarter turn."""


def sds(points: Array, scale: float) -> Array:
    """SDs (B, 6) of points (B, 6).

    With one course a tooth's own variance cannot be told from that of its course, only their sum,
    and so for patients: they are taken as radius and angle, so that neither depends on the other.
    The points are log(residual / scale), the two radii, between, and the two angles.
    """
    log_residual, tooth, patient, between, of_tooth, of_patient = points.T
    return np.stack(
        [
            scale * np.exp(np.clip(log_residual, -9, 5)),
            np.abs(tooth * np.sin(of_tooth)),
            np.abs(tooth * np.cos(of_tooth)),
            np.abs(patient * np.sin(of_patient)),
            np.abs(patient * np.cos(of_patient)),
            np.abs(between),
        ],
        axis=1,
    )


_START = np.array([-1.5, 0.15, 0.15, 0.1])


def _mode(log_density: _Density) -> tuple[Array, Array]:
    """Mode of the lines at angles half way, and a root of the covariance there."""
    d, step, h = _LINES, 1e-3, 0.02

    def at(lines: Array) -> Array:
        angles = np.full((len(lines), 2), np.pi / 4)
        return log_density(np.concatenate([lines, angles], axis=1))[0]

    def both(u: Array) -> tuple[float, Array]:
        values = at(u + np.concatenate([np.zeros((1, d)), step * np.eye(d), -step * np.eye(d)]))
        return -values[0], -(values[1 : d + 1] - values[d + 1 :]) / (2 * step)

    found = minimize(both, _START, jac=True, method="BFGS", options={"gtol": 0.1, "maxiter": 30})
    mode = np.where(np.arange(d) == 0, found.x, np.abs(found.x))
    pairs = [(i, j) for i in range(d) for j in range(i, d)]
    signs = ((1, 1), (1, -1), (-1, 1), (-1, -1))
    unit = h / 2 * np.eye(d)
    moves = [np.zeros(d), *(a * unit[i] + b * unit[j] for i, j in pairs for a, b in signs)]
    values = at(mode + np.array(moves))
    hessian = np.zeros((d, d))
    for k, (i, j) in enumerate(pairs):
        pp, pm, mp, mm = values[1 + 4 * k : 5 + 4 * k]
        of = pp - 2 * values[0] + mm if i == j else pp - pm - mp + mm
        hessian[i, j] = hessian[j, i] = of / h**2
    eigen, vectors = np.linalg.eigh(-hessian)
    return mode, vectors / np.sqrt(np.clip(eigen, 4.0, None))


@dataclass(frozen=True)
class _Proposal:
    """A t distribution of the lines, of which the last three are made positive, and beta
    distributions of the angles, each with a share that is even."""

    centre: Array
    root: Array
    beta: Array  # (2, 2)

    def draw(self, many: int, seed: int) -> Array:
        u = np.clip(qmc.Sobol(_LINES + 5, seed=seed).random(many), 1e-6, 1 - 1e-6)
        wide = ndtri(u[:, :_LINES]) * np.sqrt(_T_DF / chdtri(_T_DF, u[:, _LINES : _LINES + 1]))
        lines = self.centre + wide @ self.root.T
        lines[:, 1:] = np.abs(lines[:, 1:])
        angles = []
        for k in range(2):
            bent = betaincinv(*self.beta[k], u[:, _LINES + 1 + k])
            angles.append(np.where(u[:, _LINES + 3 + k] < _EVEN, u[:, _LINES + 1 + k], bent))
        return np.concatenate([lines, np.pi / 2 * np.stack(angles, axis=1)], axis=1)

    def log_density(self, points: Array) -> Array:
        lines, share = points[:, :_LINES], np.clip(points[:, _LINES:] / (np.pi / 2), 1e-9, 1 - 1e-9)
        signs = [np.array((1.0, *sign)) for sign in product((1.0, -1.0), repeat=_LINES - 1)]
        found = np.logaddexp.reduce([_log_t(lines * s, self.centre, self.root) for s in signs])
        for k in range(2):
            found = found + np.log(_EVEN + (1 - _EVEN) * beta.pdf(share[:, k], *self.beta[k]))
        return np.asarray(found)


def _sampled(density: _Density, many: int, seed: int) -> Posterior:
    mode, root = _mode(density)
    proposals = [_Proposal(mode, 1.2 * root, np.ones((2, 2)))]
    draws, parts = [], []
    for k in range(_ROUNDS):
        draws.append(proposals[k].draw(many, seed + k))
        parts.append(density(draws[k]))
        points, target = np.concatenate(draws), np.concatenate([part[0] for part in parts])
        proposal = np.logaddexp.reduce([one.log_density(points) for one in proposals], axis=0)
        log_weight = target - proposal
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        if k + 1 < _ROUNDS:
            centre = weight @ points
            spread = ((points - centre).T * weight) @ (points - centre)
            at = np.clip(centre[_LINES:] / (np.pi / 2), 0.05, 0.95)
            var = np.diag(spread)[_LINES:] / (np.pi / 2) ** 2
            count = np.clip(at * (1 - at) / np.maximum(var, 1e-6) - 1, 1.0, 50.0)
            proposals.append(
                _Proposal(
                    centre[:_LINES],
                    np.linalg.cholesky(spread[:_LINES, :_LINES] + 1e-5 * np.eye(_LINES)),
                    np.stack([at * count, (1 - at) * count], axis=1),
                )
            )
    means, covariances = (np.concatenate([part[i] for part in parts]) for i in (1, 2))
    return Posterior(weight, points, means, covariances)


def _log_t(points: Array, centre: Array, root: Array) -> Array:
    d = len(centre)
    z = np.linalg.solve(root, (points - centre).T)
    _, logdet = np.linalg.slogdet(root)
    constant = gammaln((_T_DF + d) / 2) - gammaln(_T_DF / 2) - logdet
    return constant - 0.5 * (_T_DF + d) * np.log1p((z**2).sum(axis=0) / _T_DF)
