"""The profiled (restricted) likelihood of a mixed model and its gradient, from cross-products.

See outcomes.mixed.fit for the model and the notation. Everything carries a leading axis B:
many problems (starts, replicates) are evaluated side by side.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from outcomes.mixed.blocks import Array, Blocks

_CHUNK = 15_000  # sites x problems evaluated at once, so that work stays in the processor's cache
_STEP = 1e-5  # of theta, for the Hessian


@dataclass(frozen=True)
class Problems:
    """B problems on the same blocks: own patient weights, or own responses, or neither.

    ``base`` (B, k, k) is W'W; ``zw`` (B, k, q, P); ``site_y`` (B, S), or None for the response as
    observed; ``n`` (B,); ``weights`` (B, P) or None. Arrays may have B = 1 and are then shared.
    """

    base: Array
    zw: Array
    site_y: Array | None
    n: Array
    weights: Array | None = None

    def take(self, index: NDArray[np.int64]) -> Problems:
        def pick(a: Array) -> Array:
            return a if len(a) == 1 else a[index]

        return Problems(
            base=pick(self.base),
            zw=pick(self.zw),
            site_y=None if self.site_y is None else pick(self.site_y),
            n=pick(self.n),
            weights=None if self.weights is None else pick(self.weights),
        )


def unpack(packed: Array, k: int) -> Array:
    """Symmetric matrices (..., k, k) from packed upper triangles (..., k(k+1)/2)."""
    i, j = np.triu_indices(k)
    full = np.empty((*packed.shape[:-1], k, k))
    full[..., i, j] = packed
    full[..., j, i] = packed
    return full


def as_observed(blocks: Blocks) -> Problems:
    """The one problem posed by the data as they are."""
    return Problems(
        base=unpack(blocks.ww.sum(axis=1)[None], blocks.p + 1),
        zw=blocks.zw[None],
        site_y=None,
        n=np.array([float(blocks.n)]),
    )


def reweighted(blocks: Blocks, weights: Array) -> Problems:
    """One problem per row of ``weights`` (B, P): each patient counts that many times."""
    return replace(
        as_observed(blocks),
        base=unpack(weights @ blocks.ww.T, blocks.p + 1),
        n=weights @ blocks.rows,
        weights=weights,
    )


@dataclass(frozen=True)
class Evaluation:
    """The profiled deviance at B points, its gradient, and what both are made of.

    ``d_log`` and ``d_r2`` are derivatives with respect to theta of the log-determinants and of the
    residual sum of squares; ``d_cxx`` (B, d, p, p) those of X'V^-1 X.
    """

    deviance: Array
    gradient: Array
    beta: Array
    cxx_inverse: Array
    r2: Array
    m: Array
    d_log: Array
    d_r2: Array
    d_cxx: Array


def psi_and_elements(
    theta: Array, variances: tuple[int, ...] | None
) -> tuple[Array, list[tuple[int, int, Array]]]:
    """Psi (B, q, q), and its elements that vary: row, column, derivative by theta (B, d)."""
    if variances is not None:
        q, number = len(variances), list(variances)
        psi = np.zeros((len(theta), q, q))
        psi[:, np.arange(q), np.arange(q)] = theta[:, number] ** 2
        slopes = 2 * theta[:, number]
        elements = []
        for i in range(q):
            slope = np.zeros((len(theta), max(number) + 1))
            slope[:, number[i]] = slopes[:, i]
            elements.append((i, i, slope))
        return psi, elements
    a, b, c = theta[:, 0], theta[:, 1], theta[:, 2]
    zero = np.zeros_like(a)
    psi = np.stack([np.stack([a * a, a * b], -1), np.stack([a * b, b * b + c * c], -1)], -2)
    return psi, [
        (0, 0, np.stack([2 * a, zero, zero], -1)),
        (0, 1, np.stack([b, a, zero], -1)),
        (1, 1, np.stack([zero, 2 * b, 2 * c], -1)),
    ]


def _inverse_and_logdet(m: Array) -> tuple[Array, Array]:
    """Inverse and log-determinant of matrices on axes 1 and 2 of (B, q, q, P)."""
    if m.shape[1] == 1:
        return 1 / m, np.log(m[:, 0, 0])
    if m.shape[1] > 2:
        last = np.moveaxis(m, 3, 1)
        inverse = np.asarray(np.linalg.inv(last), dtype=np.float64)
        return np.moveaxis(inverse, 1, 3), np.linalg.slogdet(last)[1]
    det = m[:, 0, 0] * m[:, 1, 1] - m[:, 0, 1] * m[:, 1, 0]
    adjugate = np.stack(
        [np.stack([m[:, 1, 1], -m[:, 0, 1]], 1), np.stack([-m[:, 1, 0], m[:, 0, 0]], 1)], 1
    )
    return adjugate / det[:, None, None], np.log(det)


def evaluate(theta: Array, blocks: Blocks, problems: Problems, *, reml: bool) -> Evaluation:
    """Profiled (restricted) deviance and gradient at ``theta`` (B, d), problem by problem."""
    parts = []
    for index in _chunks(len(theta), blocks):
        part, at = problems.take(index), theta[index]
        sites = _site_step(at[:, -1] ** 2, blocks, part) if blocks.has_site else None
        parts.append(_evaluate(at, blocks, part, sites, reml))
    if len(parts) == 1:
        return parts[0]
    return Evaluation(
        *(np.concatenate([getattr(e, f) for e in parts]) for f in Evaluation.__dataclass_fields__)
    )


def with_hessian(
    theta: Array, blocks: Blocks, problems: Problems, *, reml: bool
) -> tuple[Array, Array, Array]:
    """Deviance (B,), gradient (B, d) and Hessian (B, d, d) at ``theta`` (B, d).

    The Hessian is by forward differences of the exact gradient. The sums over sites depend on the
    last theta only, so that they are formed twice and not once for each parameter.
    """
    d = blocks.parameters
    parts = []
    for index in _chunks(2 * len(theta), blocks):
        index = index[index < len(theta)]
        if not len(index):
            continue
        b, at, part = len(index), theta[index], problems.take(index)
        points = np.concatenate([at[None], at[None] + _STEP * np.eye(d)[:, None, :]])
        same = np.tile(np.arange(b), d + 1)
        sites = None
        if blocks.has_site:
            lam = np.concatenate([at[:, -1], at[:, -1] + _STEP]) ** 2
            sums = _site_step(lam, blocks, part.take(np.tile(np.arange(b), 2)))
            sites = sums.take(same + b * (np.arange(len(same)) >= d * b))
        e = _evaluate(points.reshape(-1, d), blocks, part.take(same), sites, reml)
        gradients = e.gradient.reshape(d + 1, b, d)
        hessian = np.moveaxis((gradients[1:] - gradients[0]) / _STEP, 0, 1)
        parts.append((e.deviance[:b], gradients[0], (hessian + hessian.transpose(0, 2, 1)) / 2))
    deviance, gradient, hessian = (np.concatenate(part) for part in zip(*parts, strict=True))
    return deviance, gradient, hessian


def _chunks(count: int, blocks: Blocks) -> Iterator[NDArray[np.int64]]:
    size = max(1, _CHUNK // max(1, blocks.sites))
    return (np.arange(i, min(i + size, count)) for i in range(0, count, size))


@dataclass(frozen=True)
class _SiteSums:
    """What the site level takes from C, A, T and adds to log|V|; and the derivatives by lam."""

    c: Array
    c_slope: Array
    a: Array
    a_slope: Array
    t: Array
    t_slope: Array
    log: Array
    log_slope: Array

    def take(self, index: NDArray[np.int64]) -> _SiteSums:
        return _SiteSums(*(getattr(self, f)[index] for f in self.__dataclass_fields__))


def _site_step(lam: Array, blocks: Blocks, problems: Problems) -> _SiteSums:
    """The sums over sites at ``lam`` (B,)."""
    q, patients, b = blocks.q, blocks.patients, len(lam)
    own_response = problems.site_y is not None
    columns = blocks.p if own_response else blocks.p + 1
    grow = 1 + lam * blocks.site_n[:, None]
    weights = np.empty((blocks.sites, 2, b))  # w and dw/dlam
    np.divide(lam, grow, out=weights[:, 0])
    np.divide(1, np.multiply(grow, grow, out=weights[:, 1]), out=weights[:, 1])
    log_grow = np.log(grow, out=grow)
    matrix = blocks.site_sums_of_x if own_response else blocks.site_sums
    sums = (matrix @ weights.reshape(blocks.sites, -1)).reshape(-1, patients, 2, b)
    by_patient = np.ascontiguousarray(sums.transpose(2, 3, 0, 1))  # (2, B, rows, P)
    pairs, crosses = q * (q + 1) // 2, columns * q
    a = by_patient[:, :, :pairs]
    t = by_patient[:, :, pairs : pairs + crosses].reshape(2, b, columns, q, patients)
    if problems.weights is None:
        rest = by_patient[:, :, pairs + crosses :].sum(-1)
        log, count_n = log_grow.sum(0), blocks.site_n.sum()
    else:
        rest = np.einsum("abrP,bP->abr", by_patient[:, :, pairs + crosses :], problems.weights)
        log = np.einsum("Pb,bP->b", np.add.reduceat(log_grow, blocks.site_first), problems.weights)
        count_n = problems.weights @ np.add.reduceat(blocks.site_n, blocks.site_first)
    c = unpack(rest[..., :-1], columns)
    if problems.site_y is not None:
        y = np.ascontiguousarray(problems.site_y.T)[:, None]
        weighted_y = weights * y
        flat = weighted_y.reshape(blocks.sites, -1)
        ty = (blocks.site_effects @ flat).reshape(q, patients, 2, b).transpose(2, 3, 0, 1)
        t = np.concatenate([t, ty[:, :, None]], 2)
        xy = (blocks.site_w[:-1] @ flat).reshape(-1, 2, b).transpose(1, 2, 0)
        yy = np.multiply(weighted_y, y, out=weighted_y).sum(0)
        c = np.concatenate(
            [
                np.concatenate([c, xy[..., None]], -1),
                np.concatenate([xy[..., None, :], yy[..., None, None]], -1),
            ],
            -2,
        )
    a = a if q == 1 else np.moveaxis(unpack(np.moveaxis(a, 2, -1), q), 2, -1)
    if q == 1:
        a = a[:, :, None]
    # n/(1 + lam n) = n - w n^2
    return _SiteSums(c[0], c[1], a[0], a[1], t[0], t[1], log, count_n - rest[0, :, -1])


def _quadratic(left: Array, right: Array) -> Array:
    """sum over patients and effects of left' right: (B, k, q, P) twice to (B, k, k)."""
    b, k = left.shape[:2]
    return left.reshape(b, k, -1) @ right.reshape(len(right), k, -1).transpose(0, 2, 1)


def _evaluate(
    theta: Array, blocks: Blocks, problems: Problems, sites: _SiteSums | None, reml: bool
) -> Evaluation:
    p, q, d = blocks.p, blocks.q, blocks.parameters
    count = len(theta)
    psi, elements = psi_and_elements(theta, blocks.variances)
    patient_weight = 1.0 if problems.weights is None else problems.weights[:, None, None, :]
    a: Array = np.broadcast_to(blocks.zz, (count, *blocks.zz.shape))
    t = np.broadcast_to(problems.zw, (count, *problems.zw.shape[1:]))
    c = np.broadcast_to(problems.base, (count, *problems.base.shape[1:]))
    log_v = np.zeros(count)
    if sites is not None:
        a, t, c, log_v = a - sites.a, t - sites.t, c - sites.c, log_v + sites.log

    eye = np.eye(q)[None, :, :, None]
    inner, log_inner = _inverse_and_logdet(eye + np.einsum("bijP,bjk->bikP", a, psi))
    k_matrix = np.einsum("bij,bjkP->bikP", psi, inner)
    u = np.einsum("bijP,bkjP->bkiP", inner, t)
    kt = np.einsum("bij,bkjP->bkiP", psi, u)
    flat = 1.0 if problems.weights is None else problems.weights
    log_v = log_v + (flat * log_inner).sum(-1)
    counted_kt = kt * patient_weight
    c = c - _quadratic(t, counted_kt)

    d_c = np.empty((count, d, p + 1, p + 1))
    d_log = np.empty((count, d))
    counted_u = u * patient_weight
    h = np.einsum("bijP,bjkP->bikP", inner, a) * patient_weight  # (I + A Psi)^-1 A, counted
    d_c[:, : blocks.patient_parameters] = 0.0
    d_log[:, : blocks.patient_parameters] = 0.0
    for i, j, slope in elements:
        product, trace = _quadratic(u[:, :, [i]], counted_u[:, :, [j]]), h[:, i, j].sum(-1)
        if i != j:
            product, trace = product + product.transpose(0, 2, 1), 2 * trace
        for parameter in np.flatnonzero(slope.any(axis=0)):
            d_c[:, parameter] -= slope[:, parameter, None, None] * product
            d_log[:, parameter] += slope[:, parameter] * trace
    if sites is not None:
        # A and T fall by a_slope and t_slope; the derivative of C is symmetric in its halves
        half = -sites.t_slope + 0.5 * np.einsum("bijP,bkjP->bkiP", sites.a_slope, kt)
        cross = _quadratic(half, counted_kt)
        trace = np.einsum("bijP,bjiP->bP", k_matrix, sites.a_slope)
        root = 2 * theta[:, -1]
        d_c[:, -1] = root[:, None, None] * (-sites.c_slope - cross - cross.transpose(0, 2, 1))
        d_log[:, -1] = root * (sites.log_slope - (flat * trace).sum(-1))

    cxx, cxy, cyy = c[:, :p, :p], c[:, :p, p], c[:, p, p]
    inverse = np.linalg.inv(cxx)
    beta = np.einsum("bij,bj->bi", inverse, cxy)
    r2 = np.maximum(cyy - np.einsum("bi,bi->b", cxy, beta), np.finfo(float).tiny)
    d_cxx = d_c[:, :, :p, :p]
    contrast = np.concatenate([-beta, np.ones((count, 1))], 1)
    d_r2 = np.einsum("bi,bdij,bj->bd", contrast, d_c, contrast)
    n = np.broadcast_to(problems.n, (count,))
    m = n
    deviance = log_v
    if reml:
        m = n - p
        deviance = deviance + np.linalg.slogdet(cxx)[1]
        d_log = d_log + np.einsum("bij,bdji->bd", inverse, d_cxx)
    deviance = deviance + m * (1 + np.log(2 * np.pi * r2 / m))
    gradient = d_log + (m / r2)[:, None] * d_r2
    return Evaluation(
        deviance, gradient, beta, np.asarray(inverse, dtype=np.float64), r2, m, d_log, d_r2, d_cxx
    )


def relative_covariance(theta: Array, blocks: Blocks) -> Array:
    """Psi (q, q) of the patient effects, relative to sigma2, in scaled units."""
    return np.asarray(psi_and_elements(theta[None], blocks.variances)[0][0])
