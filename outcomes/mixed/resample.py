"""Resampling a mixed fit by reusing its cross-products: bootstrap and leaving patients out.

A parametric bootstrap changes only the y part of the cross-products; a bootstrap over patients is
a weight per patient; leaving a patient out is a subtraction. See outcomes.mixed.fit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from outcomes.errors import CannotAnswer
from outcomes.mixed import fit as mixed
from outcomes.mixed.blocks import ALIAS_TOLERANCE
from outcomes.mixed.fit import Array, Blocks, MixedFit, Problems

_EXACT_LIMIT = 3_000_000  # patients x sites up to which every leave-one-out fit is searched in full
_BATCH = 250_000  # rows or sites x replicates held at once


@dataclass(frozen=True)
class Replicates:
    """Refits of one model, in data units; NaN where a replicate lacks a group or has no fit.

    ``beta`` (B, p), ``covariance`` (B, p, p), ``patient_variance`` (B,), ``site_variance`` (B,),
    ``sigma2`` (B,), ``converged`` (B,).
    """

    beta: Array
    covariance: Array
    patient_variance: Array
    site_variance: Array
    sigma2: Array
    converged: np.ndarray


Progress = Callable[[int], None]


def _nothing(done: int) -> None:
    pass


def parametric(
    fit: MixedFit,
    rows: RowArrays,
    *,
    n: int,
    seed: int,
    progress: Progress = _nothing,
) -> Replicates:
    """Refit n responses drawn from the fitted model (rows in the order of ``sorted_rows``)."""
    blocks = fit.blocks
    rng = np.random.default_rng(seed)
    parts = []
    for size in _batches(n, blocks.n):
        problems = _simulated(fit, rows, rng, size)
        parts.append(_refit(fit, problems, shift=fit.beta))
        progress(size)
    return _joined(parts)


def over_patients(fit: MixedFit, *, n: int, seed: int, progress: Progress = _nothing) -> Replicates:
    """Refit n samples of whole patients, drawn with replacement."""
    blocks = fit.blocks
    rng = np.random.default_rng(seed)
    even = np.full(blocks.patients, 1 / blocks.patients)
    parts = []
    for size in _batches(n, blocks.sites + blocks.patients):
        weights = rng.multinomial(blocks.patients, even, size=size).astype(float)
        parts.append(_refit(fit, mixed.reweighted(blocks, weights)))
        progress(size)
    return _joined(parts)


def without_each_patient(fit: MixedFit, *, exact: bool | None = None) -> Replicates:
    """Refit with each patient left out, in the order of the patients.

    Parameters
    ----------
    exact
        Search every optimum in full, or (for many patients) take one Newton step from the full
        fit with exact derivatives and expand the cross-products to second order around it. By
        default exact up to some 300 patients of 28 teeth; beyond, the rates agree to some 1e-6.
    """
    blocks = fit.blocks
    if exact is None:
        exact = blocks.q > 1 or blocks.patients * blocks.sites <= _EXACT_LIMIT
    if not exact:
        return _expanded(fit)
    parts, done = [], 0
    for size in _batches(blocks.patients, blocks.sites + blocks.patients):
        weights = np.ones((size, blocks.patients))
        weights[np.arange(size), done + np.arange(size)] = 0.0
        parts.append(_refit(fit, mixed.reweighted(blocks, weights)))
        done += size
    return _joined(parts)


@dataclass(frozen=True)
class RowArrays:
    """The rows behind the blocks, sorted by patient and site, in the scaled units of the blocks."""

    x: Array  # (n, p)
    z: Array  # (n, q)
    site_z: Array | None  # (n,)
    patient_first: np.ndarray
    site_first: np.ndarray  # row at which each site begins


def sorted_rows(
    blocks: Blocks, x: Array, z: Array, patient: np.ndarray, site: np.ndarray | None, site_z: Array
) -> RowArrays:
    """Bring the rows of a design into the order and units of its blocks."""
    order = mixed.sort_rows(patient, site)
    patient = patient[order]
    first = np.flatnonzero(np.diff(patient, prepend=-1))
    if site is None:
        return RowArrays(x[order] / blocks.x_scale, z[order] / blocks.z_scale, None, first, first)
    ordered = site[order]
    new = (np.diff(ordered, prepend=-1) != 0) | (np.diff(patient, prepend=-1) != 0)
    return RowArrays(
        x[order] / blocks.x_scale,
        z[order] / blocks.z_scale,
        site_z[order] / blocks.site_scale,
        first,
        np.flatnonzero(new),
    )


def _batches(n: int, width: int) -> Iterator[int]:
    size = max(1, min(n, _BATCH // max(1, width)))
    for start in range(0, n, size):
        yield min(size, n - start)


def _simulated(fit: MixedFit, rows: RowArrays, rng: np.random.Generator, size: int) -> Problems:
    """Cross-products of responses without fixed effects; the fixed effects are added after."""
    blocks, q = fit.blocks, fit.blocks.q
    scaled_sigma = np.sqrt(fit.sigma2) / blocks.y_scale
    root = np.linalg.cholesky(mixed.relative_covariance(fit.theta, blocks) + 1e-300 * np.eye(q))
    effects = rng.standard_normal((size, blocks.patients, q)) @ root.T
    counts = blocks.rows
    y = rng.standard_normal((size, blocks.n))
    y += np.einsum("bnq,nq->bn", np.repeat(effects, counts, axis=1), rows.z)
    if rows.site_z is not None:
        site_rows = np.diff(rows.site_first, append=blocks.n)
        site_effects = fit.theta[-1] * rng.standard_normal((size, blocks.sites))
        y += np.repeat(site_effects, site_rows, axis=1) * rows.site_z
    y *= scaled_sigma
    observed = mixed.as_observed(blocks)
    base = np.repeat(observed.base, size, axis=0)
    base[:, :-1, -1] = base[:, -1, :-1] = y @ rows.x
    base[:, -1, -1] = np.einsum("bn,bn->b", y, y)
    zw = np.repeat(observed.zw, size, axis=0)
    for j in range(q):
        zw[:, -1, j] = np.add.reduceat(y * rows.z[:, j], rows.patient_first, axis=1)
    site_y = (
        np.zeros((1, blocks.sites))
        if rows.site_z is None
        else np.add.reduceat(y * rows.site_z, rows.site_first, axis=1)
    )
    return Problems(base=base, zw=zw, site_y=site_y, n=observed.n)


def _refit(fit: MixedFit, problems: Problems, shift: Array | None = None) -> Replicates:
    """Optimum of every problem; coefficients in data units, plus ``shift`` if given."""
    blocks = fit.blocks
    problems, absent = _without_empty_columns(problems)
    problems, aliased = _without_aliased_columns(blocks, problems)
    theta, converged = mixed.minimise(blocks, problems, reml=fit.reml, start=fit.theta)
    converged &= ~aliased
    e = mixed.evaluate(theta, blocks, problems, reml=fit.reml)
    sigma2 = e.r2 / e.m
    unit = blocks.y_scale / blocks.x_scale
    beta = e.beta * unit + (blocks.y_shift * unit if shift is None else shift)
    covariance = sigma2[:, None, None] * e.cxx_inverse * np.outer(unit, unit)
    if absent is not None:
        beta[absent] = np.nan
    beta[~converged] = np.nan
    return _in_data_units(blocks, theta, sigma2, beta, covariance, converged)


def _in_data_units(
    blocks: Blocks,
    theta: Array,
    sigma2: Array,
    beta: Array,
    covariance: Array,
    converged: np.ndarray,
) -> Replicates:
    site = (
        sigma2 * theta[:, -1] ** 2 * (blocks.y_scale / blocks.site_scale) ** 2
        if blocks.has_site
        else np.zeros(len(theta))
    )
    return Replicates(
        beta=beta,
        covariance=covariance,
        patient_variance=sigma2 * theta[:, 0] ** 2 * (blocks.y_scale / blocks.z_scale[0]) ** 2,
        site_variance=site,
        sigma2=sigma2 * blocks.y_scale**2,
        converged=converged,
    )


def _without_empty_columns(problems: Problems) -> tuple[Problems, np.ndarray | None]:
    """Where no row of a group was drawn, set its column aside so that the rest has a fit."""
    if problems.weights is None:
        return problems, None
    p = problems.base.shape[1] - 1
    diagonal = problems.base[:, np.arange(p), np.arange(p)]
    absent = diagonal <= 0
    if not absent.any():
        return problems, None
    base = problems.base.copy()
    which, column = np.nonzero(absent)
    base[which, column, column] = 1.0
    # a column set aside costs no degree of freedom
    return replace(problems, base=base, n=problems.n + absent.sum(1)), absent


def _without_aliased_columns(blocks: Blocks, problems: Problems) -> tuple[Problems, np.ndarray]:
    """Where a sample cannot tell two effects apart (all its patients have the covariate, say),
    put the whole data in its place; the second result marks these, to be left out after."""
    if problems.weights is None:
        return problems, np.zeros(1, dtype=bool)
    aliased = _is_aliased(problems.base)
    if not aliased.any():
        return problems, aliased
    whole = mixed.as_observed(blocks)
    return replace(
        problems,
        base=np.where(aliased[:, None, None], whole.base, problems.base),
        n=np.where(aliased, whole.n, problems.n),
        weights=np.where(aliased[:, None], 1.0, problems.weights),
    ), aliased


def _is_aliased(base: Array) -> np.ndarray:
    """(B,): does X'X of W'W (B, k, k) lack full rank, columns scaled to unit length?"""
    gram = base[:, :-1, :-1]
    size = np.sqrt(np.maximum(np.einsum("bii->bi", gram), np.finfo(float).tiny))
    scaled = gram / (size[:, :, None] * size[:, None, :])
    return np.asarray(np.linalg.eigvalsh(scaled)[:, 0] < ALIAS_TOLERANCE)


def _joined(parts: list[Replicates]) -> Replicates:
    return Replicates(
        *(np.concatenate([getattr(p, f) for p in parts]) for f in Replicates.__dataclass_fields__)
    )


# ------------------------------------------------- leaving one of many patients out, expanded


@dataclass(frozen=True)
class _Shares:
    """What each patient adds to C (P, k, k), log|V| and their derivatives by theta (P, d, ...)."""

    c: Array
    d_c: Array
    log: Array
    d_log: Array

    def left_out(self, possible: np.ndarray) -> _Shares:
        """The totals without each patient (P,); of everybody where that is not possible."""

        def without(share: Array) -> Array:
            keep = possible.reshape(-1, *[1] * (share.ndim - 1))
            return np.asarray(share.sum(0) - share * keep)

        return _Shares(*(without(f) for f in (self.c, self.d_c, self.log, self.d_log)))


def _shares(theta: Array, blocks: Blocks) -> _Shares:
    """As mixed.evaluate, one patient effect, but patient by patient."""
    k, first = blocks.p + 1, blocks.site_first
    i, j = np.triu_indices(k)
    psi = theta[0] ** 2
    a, t = blocks.zz[0, 0], blocks.zw[:, 0]
    c_packed = blocks.ww
    log = np.zeros(blocks.patients)
    if blocks.has_site:
        lam = theta[-1] ** 2
        grow = 1 + lam * blocks.site_n
        w, w1 = lam / grow, 1 / grow**2
        s, n = blocks.site_w, blocks.site_c[0]
        outer = s[i] * s[j]
        a = a - np.add.reduceat(w * n * n, first)
        t = t - np.add.reduceat(w * n * s, first, axis=-1)
        c_packed = c_packed - np.add.reduceat(w * outer, first, axis=-1)
        log = log + np.add.reduceat(np.log(grow), first)
        a1 = np.add.reduceat(w1 * n * n, first)
        t1 = np.add.reduceat(w1 * n * s, first, axis=-1)
        c1 = np.add.reduceat(w1 * outer, first, axis=-1)
        slope = np.add.reduceat(blocks.site_n / grow, first)
    inner = 1 + a * psi
    gain = psi / inner
    tt = t[i] * t[j]
    d_c = [-2 * theta[0] * tt / inner**2]
    d_log = [2 * theta[0] * a / inner]
    if blocks.has_site:
        change = -c1 + gain * (t1[i] * t[j] + t[i] * t1[j]) - gain**2 * a1 * tt
        d_c.append(2 * theta[-1] * change)
        d_log.append(2 * theta[-1] * (slope - gain * a1))
    return _Shares(
        c=mixed.unpack((c_packed - gain * tt).T, k),
        d_c=np.stack([mixed.unpack(d.T, k) for d in d_c], axis=1),
        log=log + np.log(inner),
        d_log=np.stack(d_log, axis=1),
    )


def _solve(c: Array) -> tuple[Array, Array, Array]:
    """(X'V^-1X)^-1, coefficients and residual sum of squares of each C (P, k, k)."""
    inverse = np.asarray(np.linalg.inv(c[:, :-1, :-1]), dtype=np.float64)
    beta = np.einsum("Pij,Pj->Pi", inverse, c[:, :-1, -1])
    return inverse, beta, c[:, -1, -1] - np.einsum("Pi,Pi->P", c[:, :-1, -1], beta)


def _gradient(left: _Shares, m: Array, reml: bool) -> Array:
    inverse, beta, r2 = _solve(left.c)
    contrast = np.concatenate([-beta, np.ones((len(beta), 1))], 1)
    gradient = left.d_log + (m / r2)[:, None] * np.einsum(
        "Pi,Pdij,Pj->Pd", contrast, left.d_c, contrast
    )
    if reml:
        gradient = gradient + np.einsum("Pij,Pdji->Pd", inverse, left.d_c[:, :, :-1, :-1])
    return gradient


def _expanded(fit: MixedFit) -> Replicates:
    blocks, theta = fit.blocks, fit.theta
    if blocks.q != 1:
        raise CannotAnswer("Expanded leave-one-out takes one patient effect: use exact=True.")
    d = len(theta)
    m = (blocks.n - blocks.rows - (blocks.p if fit.reml else 0)).astype(np.float64)
    whole = mixed.as_observed(blocks).base[0]
    possible = ~_is_aliased(whole - mixed.unpack(blocks.ww.T, blocks.p + 1))
    here = _shares(theta, blocks).left_out(possible)
    free = np.flatnonzero(theta > 0)
    gradient = _gradient(here, m, fit.reml)[:, free]
    hessian = np.zeros((blocks.patients, len(free), len(free)))
    second = np.zeros((blocks.patients, d, d, *here.c.shape[1:]))
    for row, j in enumerate(free):
        step = 1e-4 * max(theta[j], 0.05)
        move = step * (np.arange(d) == j)
        up = _shares(theta + move, blocks).left_out(possible)
        down = _shares(theta - move, blocks).left_out(possible)
        difference = _gradient(up, m, fit.reml) - _gradient(down, m, fit.reml)
        hessian[:, row] = difference[:, free] / (2 * step)
        second[:, j] = (up.d_c - down.d_c) / (2 * step)
    hessian = (hessian + hessian.transpose(0, 2, 1)) / 2
    delta = np.zeros((blocks.patients, d))
    if len(free):
        delta[:, free] = -np.linalg.solve(hessian, gradient[..., None])[..., 0]
    c = (
        here.c
        + np.einsum("Pd,Pdij->Pij", delta, here.d_c)
        + 0.5 * np.einsum("Pd,Pe,Pdeij->Pij", delta, delta, second)
    )
    inverse, beta, r2 = _solve(c)
    sigma2 = r2 / m
    unit = blocks.y_scale / blocks.x_scale
    beta = (beta + blocks.y_shift) * unit
    beta[~possible] = np.nan
    covariance = sigma2[:, None, None] * inverse * np.outer(unit, unit)
    return _in_data_units(blocks, theta + delta, sigma2, beta, covariance, possible)
