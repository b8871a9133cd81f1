"""The mixed-model core: likelihood, optimum and degrees of freedom from cross-products alone.

The model, for the rows of one patient::

    y = X b + Z u + z v_site + e,   u ~ N(0, s2 Psi),  v ~ N(0, s2 lam),  e ~ N(0, s2)

with one patient level (1 or 2 effects) and an optional site level (one effect) nested in it.
``Psi`` and ``lam`` are relative to the residual variance ``s2``. They are functions of ``theta``:
relative standard deviations, and for two effects the lower Cholesky factor row by row, as in
Bates, Maechler, Bolker & Walker, J Stat Softw 2015;67(1), doi:10.18637/jss.v067.i01.

With W = [X, y], site sums ``S = z'W`` and ``n = z'z``, and ``w = lam/(1 + lam n)``::

    A = Z'Z - sum_s w c c'     T = Z'W - sum_s w c S'     (c = Z'z within the site)
    K = Psi (I + A Psi)^-1
    C = W'W - sum_s w S S' - sum_p T'K T
    log|V| = sum_s log(1 + lam n) + sum_p log|I + A Psi|

The Cholesky factor of ``C`` gives b, s2 and log|X'V^-1 X|. No evaluation touches the rows again, so
that a bootstrap over patients is a weight per patient and a new response changes the y part only.
Everything carries a leading axis B: many problems (starts, replicates) are solved side by side.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ALIAS_TOLERANCE = 1e-9
"""Squared norm, relative to its own, below which a scaled column adds nothing to those before."""

_CHUNK = 150_000  # sites x problems evaluated at once, so that memory stays near that of the data


class ModelError(ValueError):
    """The model cannot be fitted to these rows; the message names the reason and the remedy."""


# --------------------------------------------------------------------------- cross-products


@dataclass(frozen=True)
class Blocks:
    """Cross-products of one data set: P patients, S sites, p fixed effects, q patient effects.

    Columns of X and Z are divided by ``x_scale`` and ``z_scale`` (root mean squares) and y by
    ``y_scale``, after ``y_shift`` (an X-coefficient vector) was taken from y.
    """

    names: tuple[str, ...]
    rows: NDArray[np.int64]  # (P,) rows of each patient
    ww: Array  # (k(k+1)/2, P) packed W'W, k = p + 1
    zz: Array  # (q, q, P)
    zw: Array  # (k, q, P)
    site_n: Array  # (S,) z'z
    site_c: Array  # (q, S) Z'z
    site_w: Array  # (k, S) W'z
    site_first: NDArray[np.int64]  # (P,) index of each patient's first site
    x_scale: Array
    z_scale: Array  # (q,)
    site_scale: float
    y_scale: float
    y_shift: Array  # (p,) in scaled X and y units
    has_site: bool

    @property
    def p(self) -> int:
        return len(self.names)

    @property
    def q(self) -> int:
        return self.zz.shape[0]

    @property
    def patients(self) -> int:
        return len(self.rows)

    @property
    def sites(self) -> int:
        return len(self.site_n)

    @property
    def n(self) -> int:
        return int(self.rows.sum())

    @property
    def parameters(self) -> int:
        return self.q * (self.q + 1) // 2 + int(self.has_site)

    @cached_property
    def site_patient(self) -> NDArray[np.int64]:
        """(S,) patient of each site."""
        return np.repeat(np.arange(self.patients), np.diff(self.site_first, append=self.sites))

    @cached_property
    def site_xx(self) -> Array:
        """(S, p(p+1)/2) packed outer products of the site sums of X."""
        i, j = np.triu_indices(self.p)
        return np.ascontiguousarray((self.site_w[i] * self.site_w[j]).T)

    @cached_property
    def site_cross(self) -> Array:
        """(q(q+1)/2 + pq, S): products of c with itself and with the site sums of X."""
        i, j = np.triu_indices(self.q)
        cx = self.site_w[:-1, None, :] * self.site_c[None]
        return np.concatenate([self.site_c[i] * self.site_c[j], cx.reshape(-1, self.sites)])


def _sum_within(values: Array, first: NDArray[np.int64]) -> Array:
    return np.add.reduceat(values, first, axis=-1)


def _first_rows(codes: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.flatnonzero(np.diff(codes, prepend=codes[0] - 1))


def sort_rows(
    patient: NDArray[np.int64], site: NDArray[np.int64] | None
) -> NDArray[np.int64] | slice:
    """Order that brings the rows of a patient, and within it those of a site, together."""
    key = patient if site is None else patient * (int(site.max(initial=0)) + 1) + site
    if np.all(key[1:] >= key[:-1]):
        return slice(None)
    return np.argsort(key, kind="stable")


def cross_products(
    x: Array,
    y: Array,
    z: Array,
    patient: NDArray[np.int64],
    *,
    site: NDArray[np.int64] | None = None,
    site_z: Array | None = None,
    names: tuple[str, ...] = (),
) -> Blocks:
    """All sums the likelihood needs, formed once.

    Parameters
    ----------
    x
        Fixed-effect columns, shape (n, p).
    y
        Response, shape (n,).
    z
        Columns of the patient effects, shape (n, q), q = 1 or 2.
    patient
        Patient of each row, codes 0..P-1 in which none is missing, shape (n,).
    site
        Site of each row, any non-negative codes; equal codes in two patients are two sites.
    site_z
        Column of the site effect, shape (n,). Needed with ``site``.
    names
        Names of the columns of x, for messages.

    Raises
    ------
    ModelError
        If x is not of full column rank (naming the aliased columns), holds values that are not
        finite, or leaves no residual degree of freedom.
    """
    n, p = x.shape
    q = z.shape[1]
    names = names or tuple(f"x{j}" for j in range(p))
    if q not in (1, 2):
        raise ModelError(f"The patient level takes 1 or 2 effects, not {q}.")
    for label, values in (("x", x), ("y", y), ("z", z)):
        if not np.isfinite(values).all():
            raise ModelError(f"{label} holds missing or infinite values: leave those rows out.")
    if n <= p:
        raise ModelError(f"{n} rows cannot estimate {p} coefficients: use fewer groups.")
    order = sort_rows(patient, site)
    patient = patient[order]
    starts = _first_rows(patient)

    x_scale = np.sqrt(np.einsum("ij,ij->j", x, x) / n)
    x_scale[x_scale == 0] = 1.0
    columns = [np.ascontiguousarray(x[order, j]) / x_scale[j] for j in range(p)]
    gram = np.array([[a @ b for b in columns] for a in columns])
    _require_full_rank(gram / n, names)

    y_scale = float(np.sqrt(y @ y / n)) or 1.0
    response = y[order] / y_scale
    y_shift = np.linalg.solve(gram, np.array([c @ response for c in columns]))
    for coefficient, column in zip(y_shift, columns, strict=True):
        response -= coefficient * column
    columns.append(response)

    z_scale = np.sqrt(np.einsum("ij,ij->j", z, z) / n)
    z_scale[z_scale == 0] = 1.0
    effects = [np.ascontiguousarray(z[order, j]) / z_scale[j] for j in range(q)]
    k = p + 1
    ww = np.array(
        [
            _sum_within(columns[i] * columns[j], starts)
            for i, j in zip(*np.triu_indices(k), strict=True)
        ]
    )
    zz = np.array([[_sum_within(a * b, starts) for b in effects] for a in effects])
    zw = np.array([[_sum_within(c * e, starts) for e in effects] for c in columns])

    if site is None:
        patients = len(starts)
        site_n, site_c = np.zeros(patients), np.zeros((q, patients))
        site_w, site_first = np.zeros((k, patients)), np.arange(patients)
        site_scale = 1.0
    else:
        if site_z is None:
            raise ModelError("A site level needs site_z, the column its effect multiplies.")
        site_scale = float(np.sqrt(site_z @ site_z / n)) or 1.0
        effect = site_z[order] / site_scale
        ordered_site = site[order]
        new = np.ones(n, dtype=bool)
        new[1:] = (np.diff(ordered_site) != 0) | (np.diff(patient) != 0)
        site_starts = np.flatnonzero(new)
        site_n = _sum_within(effect * effect, site_starts)
        site_c = np.array([_sum_within(e * effect, site_starts) for e in effects])
        site_w = np.array([_sum_within(c * effect, site_starts) for c in columns])
        site_first = np.searchsorted(site_starts, starts)
    return Blocks(
        names=names,
        rows=np.diff(starts, append=n),
        ww=ww,
        zz=zz,
        zw=zw,
        site_n=site_n,
        site_c=site_c,
        site_w=site_w,
        site_first=site_first,
        x_scale=x_scale,
        z_scale=z_scale,
        site_scale=site_scale,
        y_scale=y_scale,
        y_shift=y_shift,
        has_site=site is not None,
    )


def _require_full_rank(gram: Array, names: tuple[str, ...]) -> None:
    """Gram-Schmidt on the scaled Gram matrix; each column left with nothing is aliased."""
    aliased: list[str] = []
    kept: list[int] = []
    for j, name in enumerate(names):
        rest = gram[j, j]
        if kept:
            sub = gram[np.ix_(kept, kept)]
            rest -= gram[j, kept] @ np.linalg.solve(sub, gram[kept, j])
        if rest <= ALIAS_TOLERANCE:
            aliased.append(name)
        else:
            kept.append(j)
    if aliased:
        raise ModelError(
            f"Aliased columns: {', '.join(aliased)} can be written through the other columns "
            "(or hold zeros only), so their effects cannot be told apart. Leave them out, or "
            "merge the levels concerned."
        )


# ------------------------------------------------------------------------------- likelihood


@dataclass(frozen=True)
class Problems:
    """B problems on the same blocks: own patient weights, or own responses, or neither.

    ``base`` (B, k, k) is W'W; ``zw`` (B, k, q, P); ``site_y`` (B, S); ``n`` (B,);
    ``weights`` (B, P) or None. Arrays may have B = 1 and are then shared.
    """

    base: Array
    zw: Array
    site_y: Array
    n: Array
    weights: Array | None = None

    def take(self, index: NDArray[np.int64]) -> Problems:
        def pick(a: Array) -> Array:
            return a if len(a) == 1 else a[index]

        return Problems(
            base=pick(self.base),
            zw=pick(self.zw),
            site_y=pick(self.site_y),
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
        site_y=blocks.site_w[-1][None],
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


def _psi(theta: Array, q: int) -> tuple[Array, Array]:
    """Psi (B, q, q) and its Jacobian (B, d, 3 or 1): elements 11, 12, 22 by theta."""
    if q == 1:
        a = theta[:, 0]
        return (a * a)[:, None, None], (2 * a)[:, None, None]
    a, b, c = theta[:, 0], theta[:, 1], theta[:, 2]
    zero = np.zeros_like(a)
    psi = np.stack([np.stack([a * a, a * b], -1), np.stack([a * b, b * b + c * c], -1)], -2)
    jacobian = np.stack(
        [
            np.stack([2 * a, b, zero], -1),
            np.stack([zero, a, 2 * b], -1),
            np.stack([zero, zero, 2 * c], -1),
        ],
        -2,
    )
    return psi, jacobian


def _inverse_and_logdet(m: Array) -> tuple[Array, Array]:
    """Inverse and log-determinant of 1x1 or 2x2 matrices on axes 1 and 2 of (B, q, q, P)."""
    if m.shape[1] == 1:
        return 1 / m, np.log(m[:, 0, 0])
    det = m[:, 0, 0] * m[:, 1, 1] - m[:, 0, 1] * m[:, 1, 0]
    adjugate = np.stack(
        [np.stack([m[:, 1, 1], -m[:, 0, 1]], 1), np.stack([-m[:, 1, 0], m[:, 0, 0]], 1)], 1
    )
    return adjugate / det[:, None, None], np.log(det)


def evaluate(theta: Array, blocks: Blocks, problems: Problems, *, reml: bool) -> Evaluation:
    """Profiled (restricted) deviance and gradient at ``theta`` (B, d), problem by problem."""
    size = max(1, _CHUNK // max(1, blocks.sites))
    if len(theta) <= size:
        return _evaluate(theta, blocks, problems, reml)
    parts = [
        _evaluate(
            theta[i : i + size], blocks, problems.take(np.arange(len(theta))[i : i + size]), reml
        )
        for i in range(0, len(theta), size)
    ]
    return Evaluation(
        *(np.concatenate([getattr(e, f) for e in parts]) for f in Evaluation.__dataclass_fields__)
    )


def _site_step(
    lam: Array, blocks: Blocks, problems: Problems
) -> tuple[Array, Array, Array, Array, Array, Array, Array, Array]:
    """What the site level takes from C, A, T and adds to log|V|; and the derivatives by lam."""
    p, q = blocks.p, blocks.q
    grow = 1 + lam[:, None] * blocks.site_n
    weights = np.stack([lam[:, None] / grow, 1 / (grow * grow)])  # w and dw/dlam, (2, B, S)
    log_terms, slope_terms = np.log(grow), blocks.site_n / grow
    counted = weights
    if problems.weights is not None:
        of_site = problems.weights[:, blocks.site_patient]
        log_terms, slope_terms, counted = (
            log_terms * of_site,
            slope_terms * of_site,
            weights * of_site,
        )
    sy = problems.site_y
    xx = unpack(counted @ blocks.site_xx, p)
    weighted_y = counted * sy
    xy = weighted_y @ blocks.site_w[:-1].T
    yy = (weighted_y * sy).sum(-1)
    c = np.concatenate(
        [
            np.concatenate([xx, xy[..., None]], -1),
            np.concatenate([xy[..., None, :], yy[..., None, None]], -1),
        ],
        -2,
    )
    sums = _sum_within(weights[:, :, None, :] * blocks.site_cross, blocks.site_first)
    sums_y = _sum_within((weights * sy)[:, :, None, :] * blocks.site_c, blocks.site_first)
    pairs = q * (q + 1) // 2
    a = np.moveaxis(unpack(np.moveaxis(sums[:, :, :pairs], 2, -1), q), 2, -1)
    b = sums.shape[1]
    t = np.concatenate(
        [sums[:, :, pairs:].reshape(2, b, p, q, -1), sums_y.reshape(2, b, 1, q, -1)], 2
    )
    return c[0], c[1], a[0], a[1], t[0], t[1], log_terms.sum(-1), slope_terms.sum(-1)


def _quadratic(left: Array, right: Array) -> Array:
    """sum over patients and effects of left' right: (B, k, q, P) twice to (B, k, k)."""
    b, k = left.shape[:2]
    return left.reshape(b, k, -1) @ right.reshape(len(right), k, -1).transpose(0, 2, 1)


def _evaluate(theta: Array, blocks: Blocks, problems: Problems, reml: bool) -> Evaluation:
    p, q, d = blocks.p, blocks.q, blocks.parameters
    count = len(theta)
    psi, jacobian = _psi(theta, q)
    patient_weight = 1.0 if problems.weights is None else problems.weights[:, None, None, :]
    a: Array = np.broadcast_to(blocks.zz, (count, *blocks.zz.shape))
    t = np.broadcast_to(problems.zw, (count, *problems.zw.shape[1:]))
    c = np.broadcast_to(problems.base, (count, *problems.base.shape[1:]))
    log_v = np.zeros(count)
    if blocks.has_site:
        root = theta[:, -1]
        c0, c1, a0, a1, t0, t1, log_site, slope_site = _site_step(root**2, blocks, problems)
        a, t, c, log_v = a - a0, t - t0, c - c0, log_v + log_site

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
    outer = [
        (_quadratic(u[:, :, [i]], counted_u[:, :, [j]]), h[:, i, j].sum(-1))
        for i, j in zip(*np.triu_indices(q), strict=True)
    ]
    for j in range(jacobian.shape[1]):
        d_c[:, j] = 0.0
        d_log[:, j] = 0.0
        for element, (product, trace) in enumerate(outer):
            off_diagonal = q == 2 and element == 1
            change = jacobian[:, j, element]
            both = product + product.transpose(0, 2, 1) if off_diagonal else product
            d_c[:, j] -= change[:, None, None] * both
            d_log[:, j] += change * (2 * trace if off_diagonal else trace)
    if blocks.has_site:
        # A' = -a1 and T' = -t1: the derivative of C is symmetric in the two halves
        half = -t1 + 0.5 * np.einsum("bijP,bkjP->bkiP", a1, kt)
        cross = _quadratic(half, counted_kt)
        trace = np.einsum("bijP,bjiP->bP", k_matrix, a1)
        d_c[:, -1] = 2 * root[:, None, None] * (-c1 - cross - cross.transpose(0, 2, 1))
        d_log[:, -1] = 2 * root * (slope_site - (flat * trace).sum(-1))

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


# --------------------------------------------------------------------------------- optimum

_STEP = 1e-5
_MOST_ITERATIONS = 100
_MANY_STARTS = 20_000  # sites up to which several starts are tried


def _diagonal(blocks: Blocks) -> list[int]:
    """Positions in theta of the standard deviations (the rest are off-diagonal)."""
    diagonal = [0] if blocks.q == 1 else [0, 2]
    return [*diagonal, blocks.parameters - 1] if blocks.has_site else diagonal


def _with_hessian(
    theta: Array, blocks: Blocks, problems: Problems, reml: bool
) -> tuple[Array, Array, Array]:
    """Deviance, gradient and Hessian (forward differences of the exact gradient)."""
    b, d = theta.shape
    points = np.concatenate([theta[None], theta[None] + _STEP * np.eye(d)[:, None, :]])
    index = np.tile(np.arange(b), d + 1)
    e = evaluate(points.reshape(-1, d), blocks, problems.take(index), reml=reml)
    gradients = e.gradient.reshape(d + 1, b, d)
    hessian = np.moveaxis((gradients[1:] - gradients[0]) / _STEP, 0, 1)
    return e.deviance[:b], gradients[0], (hessian + hessian.transpose(0, 2, 1)) / 2


def _newton_step(gradient: Array, hessian: Array, radius: Array) -> tuple[Array, Array]:
    """Descent step with |eigenvalues|, no longer than ``radius``; and the fall it promises."""
    values, vectors = np.linalg.eigh(hessian)
    values = np.abs(values)
    values = np.maximum(values, 1e-6 * values.max(axis=1, keepdims=True) + 1e-12)
    along = np.einsum("bji,bj->bi", vectors, gradient) / values
    step = -np.einsum("bij,bj->bi", vectors, along)
    length = np.linalg.norm(step, axis=1)
    step *= np.minimum(1.0, radius / np.maximum(length, 1e-300))[:, None]
    return step, -0.5 * np.einsum("bi,bi->b", gradient, step)


def _descend(
    start: Array, blocks: Blocks, problems: Problems, reml: bool
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Trust-region Newton descent of B problems at once: theta, deviance, converged."""
    theta = start.copy()
    deviance, gradient, hessian = _with_hessian(theta, blocks, problems, reml)
    radius = np.ones(len(theta))
    converged = np.zeros(len(theta), dtype=bool)
    for _ in range(_MOST_ITERATIONS):
        active = np.flatnonzero(~converged)
        if not len(active):
            break
        step, promise = _newton_step(gradient[active], hessian[active], radius[active])
        trial = theta[active] + step
        new = _with_hessian(trial, blocks, problems.take(active), reml)
        noise = 1e-12 * np.abs(deviance[active]) + 1e-11
        better = new[0] <= deviance[active] + noise
        done = promise < 1e-9 + noise
        length = np.linalg.norm(step, axis=1)
        radius[active] = np.where(
            better, np.minimum(np.maximum(radius[active], 2 * length), 4), length / 4
        )
        moved = active[better]
        theta[moved] = trial[better]
        deviance[moved], gradient[moved], hessian[moved] = (part[better] for part in new)
        converged[active[done]] = True
    return theta, deviance, converged


def _grid(blocks: Blocks) -> Array:
    """Coarse grid over the standard deviations, from almost none to twice the residual one."""
    levels = (0.05, 0.2, 0.6, 2.0) if blocks.parameters < 3 else (0.1, 1.0)
    axes = np.meshgrid(*[levels] * len(_diagonal(blocks)), indexing="ij")
    points = np.zeros((axes[0].size, blocks.parameters))
    points[:, _diagonal(blocks)] = np.stack([a.ravel() for a in axes], 1)
    return points


def _starts(blocks: Blocks, problems: Problems, reml: bool) -> Array:
    """Where to begin one fit: the best point of the grid and, as a likelihood can have two optima
    that differ in which level takes the variance, the best with almost none at each level."""
    grid = _grid(blocks)
    deviance = evaluate(grid, blocks, problems, reml=reml).deviance
    chosen = {int(np.argmin(deviance))}
    if blocks.sites <= _MANY_STARTS:
        for j in _diagonal(blocks):
            least = grid[:, j] == grid[:, j].min()
            chosen.add(int(np.argmin(np.where(least, deviance, np.inf))))
    return grid[sorted(chosen)]


def minimise(
    blocks: Blocks,
    problems: Problems,
    *,
    reml: bool,
    start: Array | None = None,
) -> tuple[Array, NDArray[np.bool_]]:
    """The theta (B, d) of least deviance for every problem, and whether each converged.

    Standard deviations of zero are legitimate optima and are returned as exact zeros.

    Parameters
    ----------
    start
        Where to begin, shape (d,). By default a coarse grid is searched; then there must be one
        problem only.
    """
    diagonal = _diagonal(blocks)
    if start is None:
        begin = _starts(blocks, problems, reml)
    else:
        count = max(len(problems.base), len(problems.zw), len(problems.n))
        begin = np.tile(start, (count, 1))
        # the gradient vanishes at zero whatever lies beside it: never begin there
        begin[:, diagonal] = np.maximum(begin[:, diagonal], 0.1)
    theta, deviance, converged = _descend(begin, blocks, problems, reml)
    theta, deviance = _try_boundary(theta, deviance, blocks, problems, reml)

    # a standard deviation of zero from which the deviance falls is a ridge, not an optimum
    for _ in range(3):
        ridge = _leaves_zero(theta, blocks, problems, reml)
        again = np.flatnonzero(ridge.any(axis=1))
        if not len(again):
            break
        lifted = np.where(ridge[again], 0.05, theta[again])
        part = problems.take(again)
        theta[again], deviance[again], converged[again] = _descend(lifted, blocks, part, reml)
        theta[again], deviance[again] = _try_boundary(
            theta[again], deviance[again], blocks, part, reml
        )
    if start is None:
        best = [int(np.argmin(np.where(converged, deviance, np.inf)))]
        theta, converged = theta[best], converged[best]
    return _canonical(theta, blocks), converged


def _try_boundary(
    theta: Array, deviance: Array, blocks: Blocks, problems: Problems, reml: bool
) -> tuple[Array, Array]:
    """Replace small standard deviations by zero wherever that costs no deviance."""
    theta, deviance = theta.copy(), deviance.copy()
    for j in _diagonal(blocks):
        small = np.flatnonzero((np.abs(theta[:, j]) < 0.02) & (theta[:, j] != 0))
        if not len(small):
            continue
        trial = theta[small]
        trial[:, j] = 0.0
        e = evaluate(trial, blocks, problems.take(small), reml=reml)
        no_worse = e.deviance <= deviance[small] + 1e-12 * np.abs(deviance[small]) + 1e-9
        theta[small[no_worse]] = trial[no_worse]
        deviance[small[no_worse]] = e.deviance[no_worse]
    return theta, deviance


def _leaves_zero(theta: Array, blocks: Blocks, problems: Problems, reml: bool) -> NDArray[np.bool_]:
    """(B, d): is theta_j zero while the deviance falls away from it?"""
    ridge = np.zeros(theta.shape, dtype=bool)
    for j in _diagonal(blocks):
        at_zero = np.flatnonzero(theta[:, j] == 0)
        if not len(at_zero):
            continue
        trial = theta[at_zero]
        trial[:, j] = 1e-3
        e = evaluate(trial, blocks, problems.take(at_zero), reml=reml)
        ridge[at_zero, j] = e.gradient[:, j] < -1e-6
    return ridge


def _canonical(theta: Array, blocks: Blocks) -> Array:
    """Signs such that standard deviations are not negative; Psi and lam stay as they are."""
    theta = theta.copy()
    if blocks.q == 2:
        flip = theta[:, 0] < 0
        theta[flip, :2] *= -1
    for j in _diagonal(blocks):
        theta[:, j] = np.abs(theta[:, j])
    return theta


# ------------------------------------------------------------------------------------- fit


@dataclass(frozen=True)
class MixedFit:
    """A fitted model, in the units of the data.

    ``beta`` (p,) and ``covariance`` (p, p) of the fixed effects; ``psi`` (q, q) covariance of the
    patient effects; ``site_variance`` (None without a site level); ``sigma2``; ``theta`` relative
    standard deviations in scaled units; ``log_likelihood`` (restricted if ``reml``).
    """

    blocks: Blocks
    names: tuple[str, ...]
    beta: Array
    covariance: Array
    psi: Array
    site_variance: float | None
    sigma2: float
    theta: Array
    log_likelihood: float
    reml: bool
    converged: bool
    covariance_slopes: Array  # (t, p, p): covariance by each variance parameter
    parameter_covariance: Array  # (t, t)

    @property
    def n(self) -> int:
        return self.blocks.n

    @property
    def singular(self) -> bool:
        """Is a variance on the boundary, so zero (or the patient effects perfectly correlated)?"""
        return bool((self.theta[_diagonal(self.blocks)] == 0).any())

    def df(self, contrast: Array) -> Array:
        """Satterthwaite degrees of freedom of contrasts (..., p) of the fixed effects.

        Kuznetsova, Brockhoff & Christensen, J Stat Softw 2017;82(13), doi:10.18637/jss.v082.i13.
        """
        contrast = np.atleast_2d(contrast)
        variance = np.einsum("ci,ij,cj->c", contrast, self.covariance, contrast)
        slope = np.einsum("ci,tij,cj->ct", contrast, self.covariance_slopes, contrast)
        spread = np.einsum("ct,ts,cs->c", slope, self.parameter_covariance, slope)
        with np.errstate(divide="ignore"):
            return np.asarray(2 * variance**2 / spread)

    def standard_error(self, contrast: Array) -> Array:
        """Standard errors of contrasts (..., p)."""
        contrast = np.atleast_2d(contrast)
        return np.sqrt(np.einsum("ci,ij,cj->c", contrast, self.covariance, contrast))

    @cached_property
    def effects(self) -> tuple[Array, Array, Array]:
        """Predicted patient effects (P, q), their error covariance given beta (P, q, q), and
        predicted site effects (S,), all in data units, patients and sites in sorted order."""
        return predicted_effects(self)


def fit(blocks: Blocks, *, reml: bool = True) -> MixedFit:
    """Fit the model to the blocks.

    Raises
    ------
    ModelError
        If the fixed effects leave no residual variation, or the search does not converge.
    """
    problems = as_observed(blocks)
    if problems.base[0, -1, -1] / blocks.n < 1e-20:
        raise ModelError(
            "The response is an exact multiple of the plan in every row, so there is no variation "
            "to model. Check that achieved was not copied or computed from planned."
        )
    theta, converged = minimise(blocks, problems, reml=reml)
    if not converged[0]:
        raise ModelError(
            "The likelihood has no clear optimum for these rows. Use fewer groups or covariates, "
            "or leave out the tooth level (site=False)."
        )
    return at_optimum(blocks, theta[0], reml=reml)


def at_optimum(blocks: Blocks, theta: Array, *, reml: bool) -> MixedFit:
    """Everything that follows from the blocks and the optimal theta (d,)."""
    problems = as_observed(blocks)
    e = evaluate(theta[None], blocks, problems, reml=reml)
    m, r2 = float(e.m[0]), float(e.r2[0])
    sigma2 = r2 / m
    to_data = blocks.y_scale / blocks.x_scale
    beta = (e.beta[0] + blocks.y_shift) * to_data
    unit = np.outer(to_data, to_data)
    cxx_inverse = e.cxx_inverse[0]
    # log|X'V^-1 X| and the response change by known constants when columns are unscaled
    deviance = float(e.deviance[0]) + 2 * m * np.log(blocks.y_scale)
    if reml:
        deviance += 2 * np.log(blocks.x_scale).sum()
    psi, _ = _psi(theta[None], blocks.q)
    z_unit = blocks.y_scale / blocks.z_scale
    free = np.flatnonzero(theta != 0)
    jacobian = [-sigma2 * cxx_inverse @ e.d_cxx[0, j] @ cxx_inverse * unit for j in free]
    jacobian.append(cxx_inverse * unit)
    hessian = _unprofiled_hessian(theta, free, sigma2, blocks, problems, reml)
    return MixedFit(
        blocks=blocks,
        names=blocks.names,
        beta=beta,
        covariance=sigma2 * cxx_inverse * unit,
        psi=sigma2 * psi[0] * np.outer(z_unit, z_unit),
        site_variance=(
            float(sigma2 * theta[-1] ** 2 * (blocks.y_scale / blocks.site_scale) ** 2)
            if blocks.has_site
            else None
        ),
        sigma2=sigma2 * blocks.y_scale**2,
        theta=theta,
        log_likelihood=-deviance / 2,
        reml=reml,
        converged=True,
        covariance_slopes=np.array(jacobian),
        parameter_covariance=2 * _positive_inverse(hessian),
    )


def _unprofiled_hessian(
    theta: Array,
    free: NDArray[np.int64],
    sigma2: float,
    blocks: Blocks,
    problems: Problems,
    reml: bool,
) -> Array:
    """Hessian of the deviance in (free theta, sigma2): central differences of the gradient."""
    t = len(free)
    hessian = np.empty((t + 1, t + 1))
    if t:
        steps = 1e-4 * np.maximum(np.abs(theta[free]), 0.05)
        moves = np.zeros((t, len(theta)))
        moves[np.arange(t), free] = steps
        e = evaluate(np.concatenate([theta + moves, theta - moves]), blocks, problems, reml=reml)
        gradient = (e.d_log + e.d_r2 / sigma2)[:, free]
        block = (gradient[:t] - gradient[t:]) / (2 * steps[:, None])
        hessian[:t, :t] = (block + block.T) / 2
    e = evaluate(theta[None], blocks, problems, reml=reml)
    hessian[:t, t] = hessian[t, :t] = -e.d_r2[0, free] / sigma2**2
    hessian[t, t] = e.m[0] / sigma2**2
    return hessian


def _positive_inverse(hessian: Array) -> Array:
    """Inverse over the directions of positive curvature, after scaling to a unit diagonal."""
    scale = 1 / np.sqrt(np.maximum(np.abs(np.diag(hessian)), 1e-300))
    values, vectors = np.linalg.eigh(hessian * np.outer(scale, scale))
    good = values > 1e-8
    inverse = (vectors[:, good] / values[good]) @ vectors[:, good].T
    return inverse * np.outer(scale, scale)


def relative_covariance(theta: Array, q: int) -> Array:
    """Psi (q, q) of the patient effects, relative to sigma2, in scaled units."""
    return np.asarray(_psi(theta[None], q)[0][0])


@dataclass(frozen=True)
class Predictor:
    """What predictions need, in scaled units: u = gain (t_y - t_x b), v = w (s_y - s_x b - c u).

    ``gain`` (P, q, q) is K; ``t`` (k, q, P); ``w`` (S,). Given b, the error variance of u is
    sigma2 K and that of v given u is sigma2 w.
    """

    gain: Array
    t: Array
    w: Array


def predictor(blocks: Blocks, theta: Array) -> Predictor:
    """The pieces of the best linear unbiased predictions at ``theta`` (d,)."""
    psi = relative_covariance(theta, blocks.q)
    a, t = blocks.zz, blocks.zw
    lam = theta[-1] ** 2 if blocks.has_site else 0.0
    w = lam / (1 + lam * blocks.site_n)
    if blocks.has_site:
        cross = blocks.site_c[:, None] * blocks.site_c[None]
        a = a - _sum_within(w * cross, blocks.site_first)
        t = t - _sum_within(w * blocks.site_w[:, None] * blocks.site_c[None], blocks.site_first)
    by_patient = np.moveaxis(a, -1, 0)
    return Predictor(psi @ np.linalg.inv(np.eye(blocks.q) + by_patient @ psi), t, w)


def predicted_effects(fitted: MixedFit) -> tuple[Array, Array, Array]:
    """Best linear unbiased predictions of the patient and site effects, see MixedFit.effects."""
    blocks = fitted.blocks
    parts = predictor(blocks, fitted.theta)
    z_unit = blocks.y_scale / blocks.z_scale
    scaled_beta = fitted.beta * blocks.x_scale / blocks.y_scale - blocks.y_shift
    contrast = np.append(-scaled_beta, 1.0)
    score = np.einsum("k,kqP->Pq", contrast, parts.t)
    u = np.einsum("Pij,Pj->Pi", parts.gain, score)
    residual = contrast @ blocks.site_w - np.einsum(
        "qS,Sq->S", blocks.site_c, u[blocks.site_patient]
    )
    site_unit = blocks.y_scale / blocks.site_scale
    sigma2 = fitted.sigma2 / blocks.y_scale**2
    return (
        u * z_unit,
        sigma2 * parts.gain * np.outer(z_unit, z_unit),
        parts.w * residual * site_unit,
    )
