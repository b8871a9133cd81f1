"""Resampling a mixed fit by reusing its cross-products: bootstrap and leaving outer groups out.

A parametric bootstrap changes only the y part of the cross-products; a bootstrap over outer groups
is a weight for each; leaving one out is a subtraction. See outcomes.mixed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from outcomes.mixed.blocks import ALIAS_TOLERANCE, Array, Blocks, inner_starts, sort_rows, unpack
from outcomes.mixed.fit import MixedFit
from outcomes.mixed.likelihood import (
    Problems,
    as_observed,
    evaluate,
    relative_variances,
    reweighted,
)
from outcomes.mixed.optimum import minimise
from outcomes.mixed.shares import Shares

_EXACT_LIMIT = 3_000_000  # outer x inner groups up to which leave-one-out searches every optimum
_BATCH = 250_000  # rows or inner groups x replicates held at once


@dataclass(frozen=True)
class Replicates:
    """Refits of one model, in data units; NaN where a replicate lacks a column or has no fit.

    ``beta`` (B, p), ``covariance`` (B, p, p), ``outer_variance`` (B,), ``inner_variance`` (B,),
    ``sigma2`` (B,), ``converged`` (B,).
    """

    beta: Array
    covariance: Array
    outer_variance: Array
    inner_variance: Array
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


def over_outer(fit: MixedFit, *, n: int, seed: int, progress: Progress = _nothing) -> Replicates:
    """Refit n samples of whole outer groups, drawn with replacement."""
    blocks = fit.blocks
    rng = np.random.default_rng(seed)
    even = np.full(blocks.n_outer, 1 / blocks.n_outer)
    parts = []
    for size in _batches(n, blocks.n_inner + blocks.n_outer):
        weights = rng.multinomial(blocks.n_outer, even, size=size).astype(float)
        parts.append(_refit(fit, reweighted(blocks, weights)))
        progress(size)
    return _joined(parts)


def without_each_outer(fit: MixedFit, *, exact: bool | None = None) -> Replicates:
    """Refit with each outer group left out, in their order.

    Parameters
    ----------
    exact
        Search every optimum in full, or (for many outer groups) take one Newton step from the full
        fit with exact derivatives and expand the cross-products to second order around it. By
        default exact up to some 300 outer groups of 28 inner ones; beyond, coefficients agree to
        some 1e-6.
    """
    blocks = fit.blocks
    if exact is None:
        exact = blocks.q > 1 or blocks.n_outer * blocks.n_inner <= _EXACT_LIMIT
    if not exact:
        return _expanded(fit)
    parts, done = [], 0
    for size in _batches(blocks.n_outer, blocks.n_inner + blocks.n_outer):
        weights = np.ones((size, blocks.n_outer))
        weights[np.arange(size), done + np.arange(size)] = 0.0
        parts.append(_refit(fit, reweighted(blocks, weights)))
        done += size
    return _joined(parts)


@dataclass(frozen=True)
class RowArrays:
    """The rows behind the blocks, sorted by group, in the scaled units of the blocks."""

    x: Array  # (n, p)
    z: Array  # (n, q)
    inner_z: Array | None  # (n,)
    outer_first: np.ndarray
    inner_first: np.ndarray  # row at which each inner group begins


def sorted_rows(
    blocks: Blocks, x: Array, z: Array, outer: np.ndarray, inner: np.ndarray | None, inner_z: Array
) -> RowArrays:
    """Bring the rows of a design into the order and units of its blocks."""
    order = sort_rows(outer, inner)
    first = np.cumsum(blocks.rows) - blocks.rows
    return RowArrays(
        x=x[order] / blocks.x_scale,
        z=z[order] / blocks.z_scale,
        inner_z=None if inner is None else inner_z[order] / blocks.inner_scale,
        outer_first=first,
        inner_first=first if inner is None else inner_starts(inner[order], first),
    )


def _batches(n: int, width: int) -> Iterator[int]:
    size = max(1, min(n, _BATCH // max(1, width)))
    for start in range(0, n, size):
        yield min(size, n - start)


def _simulated(fit: MixedFit, rows: RowArrays, rng: np.random.Generator, size: int) -> Problems:
    """Cross-products of responses without fixed effects; the fixed effects are added after."""
    blocks, q = fit.blocks, fit.blocks.q
    scaled_sigma = np.sqrt(fit.sigma2) / blocks.y_scale
    root = np.sqrt(relative_variances(fit.theta, blocks))
    effects = rng.standard_normal((size, blocks.n_outer, q)) * root
    counts = blocks.rows
    y = rng.standard_normal((size, blocks.n))
    y += np.einsum("bnq,nq->bn", np.repeat(effects, counts, axis=1), rows.z)
    if rows.inner_z is not None:
        inner_rows = np.diff(rows.inner_first, append=blocks.n)
        inner_effects = fit.theta[-1] * rng.standard_normal((size, blocks.n_inner))
        y += np.repeat(inner_effects, inner_rows, axis=1) * rows.inner_z
    y *= scaled_sigma
    observed = as_observed(blocks)
    base = np.repeat(observed.base, size, axis=0)
    base[:, :-1, -1] = base[:, -1, :-1] = y @ rows.x
    base[:, -1, -1] = np.einsum("bn,bn->b", y, y)
    zw = np.repeat(observed.zw, size, axis=0)
    for j in range(q):
        zw[:, -1, j] = np.add.reduceat(y * rows.z[:, j], rows.outer_first, axis=1)
    inner_y = (
        np.zeros((1, blocks.n_inner))
        if rows.inner_z is None
        else np.add.reduceat(y * rows.inner_z, rows.inner_first, axis=1)
    )
    return Problems(base=base, zw=zw, inner_y=inner_y, n=observed.n)


def _refit(fit: MixedFit, problems: Problems, shift: Array | None = None) -> Replicates:
    """Optimum of every problem; coefficients in data units, plus ``shift`` if given."""
    blocks = fit.blocks
    problems, absent = _without_empty_columns(problems)
    problems, aliased = _without_aliased_columns(blocks, problems)
    theta, converged = minimise(blocks, problems, reml=fit.reml, start=fit.theta)
    converged &= ~aliased
    e = evaluate(theta, blocks, problems, reml=fit.reml)
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
    inner = (
        sigma2 * theta[:, -1] ** 2 * (blocks.y_scale / blocks.inner_scale) ** 2
        if blocks.has_inner
        else np.zeros(len(theta))
    )
    return Replicates(
        beta=beta,
        covariance=covariance,
        outer_variance=sigma2 * theta[:, 0] ** 2 * (blocks.y_scale / blocks.z_scale[0]) ** 2,
        inner_variance=inner,
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
    """Where a sample cannot tell two effects apart (all its groups have the covariate, say),
    put the whole data in its place; the second result marks these, to be left out after."""
    if problems.weights is None:
        return problems, np.zeros(1, dtype=bool)
    aliased = _is_aliased(problems.base)
    if not aliased.any():
        return problems, aliased
    whole = as_observed(blocks)
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


# -------------------------------------------- leaving one of many outer groups out, expanded


def _solve(c: Array) -> tuple[Array, Array, Array]:
    """(X'V^-1X)^-1, coefficients and residual sum of squares of each C (G, k, k)."""
    inverse = np.asarray(np.linalg.inv(c[:, :-1, :-1]), dtype=np.float64)
    beta = np.einsum("Gij,Gj->Gi", inverse, c[:, :-1, -1])
    return inverse, beta, c[:, -1, -1] - np.einsum("Gi,Gi->G", c[:, :-1, -1], beta)


def _gradient(left: tuple[Array, Array, Array], m: Array, reml: bool) -> Array:
    """Gradient of the deviance (G, d) where C, its slopes and those of log|V| are ``left``."""
    c, d_c, d_log = left
    inverse, beta, r2 = _solve(c)
    contrast = np.concatenate([-beta, np.ones((len(beta), 1))], 1)
    gradient = d_log + (m / r2)[:, None] * np.einsum("Gi,Gdij,Gj->Gd", contrast, d_c, contrast)
    if reml:
        gradient = gradient + np.einsum("Gij,Gdji->Gd", inverse, d_c[:, :, :-1, :-1])
    return gradient


def _expanded(fit: MixedFit) -> Replicates:
    blocks, theta = fit.blocks, fit.theta
    d = len(theta)
    m = (blocks.n - blocks.rows - (blocks.p if fit.reml else 0)).astype(np.float64)
    whole = as_observed(blocks).base[0]
    possible = ~_is_aliased(whole - unpack(blocks.ww.T, blocks.p + 1))

    def left(theta: Array) -> tuple[Array, Array, Array]:
        """C (G, k, k) and the slopes (G, d, ...) of C and log|V| without each outer group; with
        all of them where that is not possible."""
        shares = Shares(blocks, theta)

        def without(share: Array) -> Array:
            return share.sum(0) - share * possible.reshape(-1, *[1] * (share.ndim - 1))

        d_c, d_log = shares.slopes
        return without(shares.c), without(d_c), without(d_log)

    here = left(theta)
    free = np.flatnonzero(theta > 0)
    gradient = _gradient(here, m, fit.reml)[:, free]
    hessian = np.zeros((blocks.n_outer, len(free), len(free)))
    second = np.zeros((blocks.n_outer, d, d, *here[0].shape[1:]))
    for row, j in enumerate(free):
        step = 1e-4 * max(theta[j], 0.05)
        move = step * (np.arange(d) == j)
        up, down = left(theta + move), left(theta - move)
        difference = _gradient(up, m, fit.reml) - _gradient(down, m, fit.reml)
        hessian[:, row] = difference[:, free] / (2 * step)
        second[:, j] = (up[1] - down[1]) / (2 * step)
    hessian = (hessian + hessian.transpose(0, 2, 1)) / 2
    delta = np.zeros((blocks.n_outer, d))
    if len(free):
        delta[:, free] = -np.linalg.solve(hessian, gradient[..., None])[..., 0]
    c = (
        here[0]
        + np.einsum("Gd,Gdij->Gij", delta, here[1])
        + 0.5 * np.einsum("Gd,Ge,Gdeij->Gij", delta, delta, second)
    )
    inverse, beta, r2 = _solve(c)
    sigma2 = r2 / m
    unit = blocks.y_scale / blocks.x_scale
    beta = (beta + blocks.y_shift) * unit
    beta[~possible] = np.nan
    covariance = sigma2[:, None, None] * inverse * np.outer(unit, unit)
    return _in_data_units(blocks, theta + delta, sigma2, beta, covariance, possible)
