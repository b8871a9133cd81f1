"""Cross-products of a mixed model: all the sums its likelihood needs, formed once.

See outcomes.mixed for the model and the notation.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from outcomes.errors import ModelError

Array = NDArray[np.float64]

_ROWS = 16_384  # rows made dense at once, so that work stays in the processor's cache
ALIAS_TOLERANCE = 1e-9
"""Squared norm, relative to its own, below which a scaled column adds nothing to those before."""


@dataclass(frozen=True)
class Blocks:
    """Cross-products of one data set: G outer groups, S inner groups, p fixed effects, q effects of
    an outer group.

    ``variances`` (q,) numbers the variance of each outer effect, from 0: effects are independent
    and those of one number share a variance.
    Columns of X and Z are divided by ``x_scale`` and ``z_scale`` (root mean squares) and y by
    ``y_scale``, after ``y_shift`` (an X-coefficient vector) was taken from y.
    """

    names: tuple[str, ...]
    rows: NDArray[np.int64]  # (G,) rows of each outer group
    ww: Array  # (k(k+1)/2, G) packed W'W, k = p + 1
    zz: Array  # (q, q, G)
    zw: Array  # (k, q, G)
    inner_n: Array  # (S,) z'z
    inner_c: Array  # (q, S) Z'z
    inner_w: Array  # (k, S) W'z
    inner_first: NDArray[np.int64]  # (G,) each outer group's first inner one
    x_scale: Array
    z_scale: Array  # (q,)
    inner_scale: float
    y_scale: float
    y_shift: Array  # (p,) in scaled X and y units
    has_inner: bool
    variances: tuple[int, ...]

    @property
    def p(self) -> int:
        return len(self.names)

    @property
    def q(self) -> int:
        return self.zz.shape[0]

    @property
    def n_outer(self) -> int:
        return len(self.rows)

    @property
    def n_inner(self) -> int:
        return len(self.inner_n)

    @property
    def n(self) -> int:
        return int(self.rows.sum())

    @property
    def outer_parameters(self) -> int:
        """Variances of the outer effects."""
        return max(self.variances) + 1

    @property
    def parameters(self) -> int:
        return self.outer_parameters + int(self.has_inner)

    @cached_property
    def outer_of_inner(self) -> NDArray[np.int32]:
        """(S,) outer group of each inner one."""
        inside = np.diff(self.inner_first, append=self.n_inner)
        return np.repeat(np.arange(self.n_outer, dtype=np.int32), inside)

    def by_outer(self, weights: Array, *, response: bool = True) -> tuple[Array, ...]:
        """Sums over the inner groups of each outer one, each inner group with its weight.

        Of ``weights`` (S, m), with y among the columns W where ``response`` (else k = p): c c'
        (m, q, q, G), W c' (m, k, q, G), packed W W' (m, k(k+1)/2, G) and n squared (m, G).
        """
        q, k = self.q, self.p + response
        sums = (self._inner_sums if response else self._inner_sums_of_x) @ weights
        sums = sums.reshape(-1, self.n_outer, weights.shape[1])
        each = np.ascontiguousarray(sums.transpose(2, 0, 1))  # (m, rows, G)
        cc, wc, ww, nn = np.split(each, np.cumsum([q * (q + 1) // 2, k * q, k * (k + 1) // 2]), 1)
        square = np.moveaxis(unpack(np.moveaxis(cc, 1, -1), q), 1, -1)
        return square, wc.reshape(len(wc), k, q, self.n_outer), ww, nn[:, 0]

    @cached_property
    def _inner_sums(self) -> Any:
        return self._products(self.p + 1)

    @cached_property
    def _inner_sums_of_x(self) -> Any:
        return self._products(self.p)

    @cached_property
    def inner_effects(self) -> Any:
        """Sparse (q x G, S): c by outer group."""
        return _stacked(lambda: self.inner_c, self.outer_of_inner, self.n_outer)

    def _products(self, columns: int) -> Any:
        """Sparse (rows x G, S): what inner weights are multiplied with, summed by outer group.

        Rows, in packed order: c c' (q(q+1)/2), W c' (k, q), W W' (k(k+1)/2) and z'z squared. Most
        are zero where the columns of X are those of disjoint levels.
        """
        w, c = self.inner_w[:columns], self.inner_c

        def rows() -> Iterator[Array]:
            yield from (c[i] * c[j] for i, j in zip(*np.triu_indices(self.q), strict=True))
            yield from (a * b for a in w for b in c)
            yield from (w[i] * w[j] for i, j in zip(*np.triu_indices(columns), strict=True))
            yield self.inner_n**2

        return _stacked(rows, self.outer_of_inner, self.n_outer)


def _stacked(rows: Callable[[], Iterable[Array]], outer: NDArray[np.int32], n_outer: int) -> Any:
    """Sparse (number of rows x G, S) matrix: each row of values spread over its outer groups."""
    from scipy.sparse import csr_array

    counts = [np.count_nonzero(row) for row in rows()]
    values = np.empty(sum(counts))
    column = np.empty(len(values), dtype=np.int32)
    per_row = np.zeros(len(counts) * n_outer + 1, dtype=np.int32)
    end = 0
    for r, row in enumerate(rows()):
        kept = np.flatnonzero(row)
        start, end = end, end + len(kept)
        values[start:end], column[start:end] = row[kept], kept
        in_row = per_row[1 + r * n_outer : 1 + (r + 1) * n_outer]
        in_row[:] = np.bincount(outer[kept], minlength=n_outer)
    first = np.cumsum(per_row, dtype=np.int32)
    return csr_array((values, column, first), shape=(len(counts) * n_outer, len(outer)))


def unpack(packed: Array, k: int) -> Array:
    """Symmetric matrices (..., k, k) from packed upper triangles (..., k(k+1)/2)."""
    i, j = np.triu_indices(k)
    full = np.empty((*packed.shape[:-1], k, k))
    full[..., i, j] = packed
    full[..., j, i] = packed
    return full


def sum_within(values: Array, first: NDArray[np.int64]) -> Array:
    return np.add.reduceat(values, first, axis=-1)


def sort_rows(
    outer: NDArray[np.int64], inner: NDArray[np.int64] | None
) -> NDArray[np.int64] | slice:
    """Order that brings the rows of an outer group, and in it those of an inner one, together."""
    key = outer.astype(np.int64)
    if inner is not None:
        key *= int(inner.max(initial=0)) + 1
        key += inner
    if np.all(key[1:] >= key[:-1]):
        return slice(None)
    return np.argsort(key, kind="stable")


@dataclass(frozen=True)
class LevelColumns:
    """Fixed-effect columns of a model with a slope for each level of a factor, dense only where
    asked for: ``columns[rows]`` (m, p).

    A column of ``values`` (n,) for each level, zero outside it, then ``extra`` (n, p - levels).
    """

    values: Array
    code: NDArray[np.integer]  # (n,) level of each row
    levels: int
    extra: Array

    @property
    def shape(self) -> tuple[int, int]:
        return len(self.values), self.levels + self.extra.shape[1]

    def __getitem__(self, rows: Any) -> Array:
        values = self.values[rows]
        dense = np.zeros((len(values), self.shape[1]))
        dense[np.arange(len(values)), self.code[rows]] = values
        dense[:, self.levels :] = self.extra[rows]
        return dense


def cross_products(
    x: Array | LevelColumns,
    y: Array,
    z: Array,
    outer: NDArray[np.int64],
    *,
    inner: NDArray[np.int64] | None = None,
    inner_z: Array | None = None,
    names: tuple[str, ...] = (),
    variances: Sequence[int] | None = None,
) -> Blocks:
    """All sums the likelihood needs, formed once.

    Parameters
    ----------
    x
        Fixed-effect columns, shape (n, p): an array, or what gives one for a slice of rows.
    y
        Response, shape (n,).
    z
        Columns of the outer effects, shape (n, q).
    outer
        Outer group of each row, codes 0..G-1 in which none is missing, shape (n,).
    inner
        Inner group of each row, any non-negative codes; equal codes in two outer groups are two
        inner groups.
    inner_z
        Column of the inner effect, shape (n,). Needed with ``inner``.
    names
        Names of the columns of x, for messages.
    variances
        Which variance each column of z has, numbered from 0 without gaps, shape (q,): independent
        effects, those of one number with the same variance. By default each has its own.

    Raises
    ------
    ModelError
        If x is not of full column rank (naming the aliased columns), holds values that are not
        finite, or leaves no residual degree of freedom.
    """
    n, p = x.shape
    q = z.shape[1]
    names = names or tuple(f"x{j}" for j in range(p))
    variances = _variances(variances, q)
    if inner is not None and inner_z is None:
        raise ModelError("An inner level needs inner_z, the column its effect multiplies.")
    for label, values in (("y", y), ("z", z)):
        if not np.isfinite(values).all():
            raise ModelError(f"{label} holds missing or infinite values: leave those rows out.")
    if n <= p:
        raise ModelError(f"{n} rows cannot estimate {p} coefficients: use fewer groups.")
    gram, xy, apart = _gram(x, y)
    x_scale = np.sqrt(np.diag(gram) / n)
    x_scale[x_scale == 0] = 1.0
    gram = gram / np.outer(x_scale, x_scale)
    _require_full_rank(gram / n, names)
    y_scale = float(np.sqrt(y @ y / n)) or 1.0
    y_shift = np.linalg.solve(gram, xy / x_scale / y_scale)
    z_scale = _z_scale(z, variances)
    inner_scale = 1.0 if inner_z is None else float(np.sqrt(inner_z @ inner_z / n)) or 1.0

    order = sort_rows(outer, inner)
    outer = outer[order]
    starts = np.flatnonzero(np.diff(outer, prepend=outer[0] - 1))
    n_outer, k = len(starts), p + 1
    pairs = [(i, j) for i, j in zip(*np.triu_indices(k), strict=True)]
    ww = np.zeros((len(pairs), n_outer))
    zz = np.empty((q, q, n_outer))
    zw = np.empty((k, q, n_outer))
    inside = starts if inner is None else inner_starts(inner[order], starts)
    by_inner = np.zeros((1 + q + k, len(inside)))
    for who, first, last in _chunks(starts, n):
        rows = slice(first, last) if isinstance(order, slice) else order[first:last]
        begins = starts[who] - first
        w = np.empty((k, last - first))
        w[:p] = (x[rows] / x_scale).T
        w[p] = y[rows] / y_scale - y_shift @ w[:p]
        effects = np.ascontiguousarray((z[rows] / z_scale).T)
        for row, (i, j) in enumerate(pairs):
            if j == p or not apart[i, j]:
                ww[row, who] = sum_within(w[i] * w[j], begins)
        zz[:, :, who] = [[sum_within(a * b, begins) for b in effects] for a in effects]
        zw[:, :, who] = [[sum_within(c * e, begins) for e in effects] for c in w]
        if inner_z is not None:
            here = slice(*np.searchsorted(inside, [first, last]))
            at, effect = inside[here] - first, inner_z[rows] / inner_scale
            products = [effect * effect, *(e * effect for e in effects), *(c * effect for c in w)]
            for row, values in enumerate(products):
                by_inner[row, here] = sum_within(values, at)
    return Blocks(
        names=names,
        rows=np.diff(starts, append=n),
        ww=ww,
        zz=zz,
        zw=zw,
        inner_n=by_inner[0],
        inner_c=by_inner[1 : 1 + q],
        inner_w=by_inner[1 + q :],
        inner_first=np.searchsorted(inside, starts),
        x_scale=x_scale,
        z_scale=z_scale,
        inner_scale=inner_scale,
        y_scale=y_scale,
        y_shift=y_shift,
        has_inner=inner is not None,
        variances=variances,
    )


def _variances(variances: Sequence[int] | None, q: int) -> tuple[int, ...]:
    """Checked, or the default for q effects."""
    numbers = tuple(range(q)) if variances is None else tuple(int(v) for v in variances)
    if len(numbers) != q or set(numbers) != set(range(len(set(numbers)))):
        raise ModelError(
            f"variances must number the variance of each of the {q} outer effects from 0 without "
            f"gaps, not {numbers}."
        )
    return numbers


def _z_scale(z: Array, variances: tuple[int, ...]) -> Array:
    """Root mean square of each column; of all its columns together for a shared variance."""
    square = np.bincount(variances, np.einsum("ij,ij->j", z, z) / len(z))
    scale = np.sqrt(square[list(variances)])
    scale[scale == 0] = 1.0
    return np.asarray(scale)


def inner_starts(inner: NDArray[np.int64], starts: NDArray[np.int64]) -> NDArray[np.int64]:
    """Row at which each inner group begins, in sorted rows; ``starts`` are those of the outer."""
    new = np.diff(inner, prepend=-1) != 0
    new[starts] = True
    return np.flatnonzero(new)


def _gram(x: Array | LevelColumns, y: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    """X'X, X'y, and which pairs of columns are never both other than zero."""
    n, p = x.shape
    gram, overlap, xy = np.zeros((p, p)), np.zeros((p, p)), np.zeros(p)
    for start in range(0, n, _ROWS):
        rows = slice(start, start + _ROWS)
        part = x[rows]
        if not np.isfinite(part).all():
            raise ModelError("x holds missing or infinite values: leave those rows out.")
        gram += part.T @ part
        xy += part.T @ y[rows]
        there = (part != 0).astype(float)
        overlap += there.T @ there
    return gram, xy, overlap == 0


def _chunks(starts: NDArray[np.int64], n: int) -> Iterator[tuple[slice, int, int]]:
    """Whole outer groups at a time: their slice, first row, and row after the last."""
    ends = np.append(starts[1:], n)
    group = 0
    while group < len(starts):
        first = int(starts[group])
        after = max(int(np.searchsorted(ends, first + _ROWS, side="right")), group + 1)
        yield slice(group, after), first, int(ends[after - 1])
        group = after


def independent(x: Array) -> list[int]:
    """Columns of x (n, p) that cannot be written through those before them."""
    gram = x.T @ x
    size = np.sqrt(np.maximum(np.diag(gram), np.finfo(float).tiny))
    gram = gram / np.outer(size, size)
    return _kept(gram, range(x.shape[1]))[0]


def _kept(gram: Array, order: Sequence[int]) -> tuple[list[int], list[int]]:
    """Gram-Schmidt on a scaled Gram matrix: columns kept, and columns left with nothing."""
    kept: list[int] = []
    aliased: list[int] = []
    for j in order:
        rest = gram[j, j]
        if kept:
            sub = gram[np.ix_(kept, kept)]
            rest -= gram[j, kept] @ np.linalg.solve(sub, gram[kept, j])
        (aliased if rest <= ALIAS_TOLERANCE else kept).append(j)
    return kept, aliased


def _require_full_rank(gram: Array, names: tuple[str, ...]) -> None:
    """A clear error that names the columns that add nothing to those before them."""
    aliased = [names[j] for j in _kept(gram, range(len(names)))[1]]
    if aliased:
        raise ModelError(
            f"Aliased columns: {', '.join(aliased)} can be written through the other columns "
            "(or hold zeros only), so their effects cannot be told apart. Leave them out, or "
            "merge the levels concerned."
        )
