"""The profiled (restricted) likelihood of a mixed model and its gradient, from cross-products.

See outcomes.mixed for the model and the notation. Everything carries a leading axis B:
many problems (starts, replicates) are evaluated side by side.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from outcomes.mixed.blocks import Array, Blocks, unpack

_CHUNK = (
    15_000  # inner groups x problems evaluated at once, so that work stays in the processor's cache
)
_STEP = 1e-5  # of theta, for the Hessian


@dataclass(frozen=True)
class Problems:
    """B problems on the same blocks: own weights of outer groups, or own responses, or neither.

    ``base`` (B, k, k) is W'W; ``zw`` (B, k, q, G); ``inner_y`` (B, S), or None for the response as
    observed; ``n`` (B,); ``weights`` (B, G) or None. Arrays may have B = 1 and are then shared.
    """

    base: Array
    zw: Array
    inner_y: Array | None
    n: Array
    weights: Array | None = None

    def take(self, index: NDArray[np.int64]) -> Problems:
        def pick(a: Array) -> Array:
            return a if len(a) == 1 else a[index]

        return Problems(
            base=pick(self.base),
            zw=pick(self.zw),
            inner_y=None if self.inner_y is None else pick(self.inner_y),
            n=pick(self.n),
            weights=None if self.weights is None else pick(self.weights),
        )


def as_observed(blocks: Blocks) -> Problems:
    """The one problem posed by the data as they are."""
    return Problems(
        base=unpack(blocks.ww.sum(axis=1)[None], blocks.p + 1),
        zw=blocks.zw[None],
        inner_y=None,
        n=np.array([float(blocks.n)]),
    )


def reweighted(blocks: Blocks, weights: Array) -> Problems:
    """One problem per row of ``weights`` (B, G): each outer group counts that many times."""
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


def relative_variances(theta: Array, blocks: Blocks) -> Array:
    """Psi (..., q): variances of the outer effects over sigma2, in scaled units."""
    return np.asarray(theta[..., list(blocks.variances)] ** 2)


def _inverse_and_logdet(m: Array) -> tuple[Array, Array]:
    """Inverse and log-determinant of matrices on axes 1 and 2 of (B, q, q, G)."""
    if m.shape[1] == 1:
        return 1 / m, np.log(m[:, 0, 0])
    last = np.moveaxis(m, 3, 1)
    inverse = np.asarray(np.linalg.inv(last), dtype=np.float64)
    return np.moveaxis(inverse, 1, 3), np.linalg.slogdet(last)[1]


def evaluate(theta: Array, blocks: Blocks, problems: Problems, *, reml: bool) -> Evaluation:
    """Profiled (restricted) deviance and gradient at ``theta`` (B, d), problem by problem."""
    parts = []
    for index in _chunks(len(theta), blocks):
        part, at = problems.take(index), theta[index]
        inside = _inner_step(at[:, -1] ** 2, blocks, part) if blocks.has_inner else None
        parts.append(_evaluate(at, blocks, part, inside, reml))
    if len(parts) == 1:
        return parts[0]
    return Evaluation(
        *(np.concatenate([getattr(e, f) for e in parts]) for f in Evaluation.__dataclass_fields__)
    )


def with_hessian(
    theta: Array, blocks: Blocks, problems: Problems, *, reml: bool
) -> tuple[Array, Array, Array]:
    """Deviance (B,), gradient (B, d) and Hessian (B, d, d) at ``theta`` (B, d).

    The Hessian is by forward differences of the exact gradient. The sums over inner groups depend
    on the last theta only, so that they are formed twice and not once for each parameter.
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
        inside = None
        if blocks.has_inner:
            lam = np.concatenate([at[:, -1], at[:, -1] + _STEP]) ** 2
            sums = _inner_step(lam, blocks, part.take(np.tile(np.arange(b), 2)))
            inside = sums.take(same + b * (np.arange(len(same)) >= d * b))
        e = _evaluate(points.reshape(-1, d), blocks, part.take(same), inside, reml)
        gradients = e.gradient.reshape(d + 1, b, d)
        hessian = np.moveaxis((gradients[1:] - gradients[0]) / _STEP, 0, 1)
        parts.append((e.deviance[:b], gradients[0], (hessian + hessian.transpose(0, 2, 1)) / 2))
    deviance, gradient, hessian = (np.concatenate(part) for part in zip(*parts, strict=True))
    return deviance, gradient, hessian


def _chunks(count: int, blocks: Blocks) -> Iterator[NDArray[np.int64]]:
    size = max(1, _CHUNK // max(1, blocks.n_inner))
    return (np.arange(i, min(i + size, count)) for i in range(0, count, size))


@dataclass(frozen=True)
class _InnerSums:
    """What the inner level takes from C, A, T and adds to log|V|; and the derivatives by lam."""

    c: Array
    c_slope: Array
    a: Array
    a_slope: Array
    t: Array
    t_slope: Array
    log: Array
    log_slope: Array

    def take(self, index: NDArray[np.int64]) -> _InnerSums:
        return _InnerSums(*(getattr(self, f)[index] for f in self.__dataclass_fields__))


def _inner_step(lam: Array, blocks: Blocks, problems: Problems) -> _InnerSums:
    """The sums over inner groups at ``lam`` (B,)."""
    q, b = blocks.q, len(lam)
    observed = problems.inner_y is None
    grow = 1 + lam * blocks.inner_n[:, None]
    weights = np.empty((blocks.n_inner, 2, b))  # w and dw/dlam
    np.divide(lam, grow, out=weights[:, 0])
    np.divide(1, np.multiply(grow, grow, out=weights[:, 1]), out=weights[:, 1])
    log_grow = np.log(grow, out=grow)
    sums = blocks.by_outer(weights.reshape(blocks.n_inner, -1), response=observed)
    a, t, packed, square = (part.reshape(2, b, *part.shape[1:]) for part in sums)
    if problems.weights is None:
        packed, square = packed.sum(-1), square.sum(-1)
        log, count_n = log_grow.sum(0), blocks.inner_n.sum()
    else:
        counts = problems.weights
        packed = np.einsum("abrG,bG->abr", packed, counts)
        square = np.einsum("abG,bG->ab", square, counts)
        log = np.einsum("Gb,bG->b", np.add.reduceat(log_grow, blocks.inner_first), counts)
        count_n = counts @ np.add.reduceat(blocks.inner_n, blocks.inner_first)
    c = unpack(packed, blocks.p + observed)
    if problems.inner_y is not None:
        y = np.ascontiguousarray(problems.inner_y.T)[:, None]
        weighted_y = weights * y
        flat = weighted_y.reshape(blocks.n_inner, -1)
        ty = (blocks.inner_effects @ flat).reshape(q, blocks.n_outer, 2, b).transpose(2, 3, 0, 1)
        t = np.concatenate([t, ty[:, :, None]], 2)
        xy = (blocks.inner_w[:-1] @ flat).reshape(-1, 2, b).transpose(1, 2, 0)
        yy = np.multiply(weighted_y, y, out=weighted_y).sum(0)
        c = np.concatenate(
            [
                np.concatenate([c, xy[..., None]], -1),
                np.concatenate([xy[..., None, :], yy[..., None, None]], -1),
            ],
            -2,
        )
    # n/(1 + lam n) = n - w n^2
    return _InnerSums(c[0], c[1], a[0], a[1], t[0], t[1], log, count_n - square[0])


def _quadratic(left: Array, right: Array) -> Array:
    """sum over outer groups and effects of left' right: (B, k, q, G) twice to (B, k, k)."""
    b, k = left.shape[:2]
    return left.reshape(b, k, -1) @ right.reshape(len(right), k, -1).transpose(0, 2, 1)


def _evaluate(
    theta: Array, blocks: Blocks, problems: Problems, inside: _InnerSums | None, reml: bool
) -> Evaluation:
    p, q, d = blocks.p, blocks.q, blocks.parameters
    count = len(theta)
    psi = relative_variances(theta, blocks)[:, :, None, None]
    counts = 1.0 if problems.weights is None else problems.weights
    counts_wide = 1.0 if problems.weights is None else problems.weights[:, None, None, :]
    a: Array = np.broadcast_to(blocks.zz, (count, *blocks.zz.shape))
    t = np.broadcast_to(problems.zw, (count, *problems.zw.shape[1:]))
    c = np.broadcast_to(problems.base, (count, *problems.base.shape[1:]))
    log_v = np.zeros(count)
    if inside is not None:
        a, t, c, log_v = a - inside.a, t - inside.t, c - inside.c, log_v + inside.log

    resolvent, log_det = _inverse_and_logdet(np.eye(q)[None, :, :, None] + a * psi[:, None, :, 0])
    gain = psi * resolvent
    u = np.einsum("bijG,bkjG->bkiG", resolvent, t)
    kt = psi[:, None, :, 0] * u
    log_v = log_v + (counts * log_det).sum(-1)
    counted_kt = kt * counts_wide
    c = c - _quadratic(t, counted_kt)

    d_c = np.zeros((count, d, p + 1, p + 1))
    d_log = np.zeros((count, d))
    counted_u = u * counts_wide
    h = np.einsum("bijG,bjiG->biG", resolvent, a)  # diagonal of (I + A Psi)^-1 A
    for i, parameter in enumerate(blocks.variances):
        slope = 2 * theta[:, parameter]
        d_c[:, parameter] -= slope[:, None, None] * _quadratic(u[:, :, [i]], counted_u[:, :, [i]])
        d_log[:, parameter] += slope * (counts * h[:, i]).sum(-1)
    if inside is not None:
        # A and T fall by a_slope and t_slope; the derivative of C is symmetric in its halves
        half = -inside.t_slope + 0.5 * np.einsum("bijG,bkjG->bkiG", inside.a_slope, kt)
        cross = _quadratic(half, counted_kt)
        trace = np.einsum("bijG,bjiG->bG", gain, inside.a_slope)
        root = 2 * theta[:, -1]
        d_c[:, -1] = root[:, None, None] * (-inside.c_slope - cross - cross.transpose(0, 2, 1))
        d_log[:, -1] = root * (inside.log_slope - (counts * trace).sum(-1))

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
