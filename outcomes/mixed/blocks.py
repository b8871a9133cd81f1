"""Cross-products of a mixed model: all the sums its likelihood needs, formed once.

See outcomes.mixed.fit for the model and the notation.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from outcomes.errors import CannotAnswer

Array = NDArray[np.float64]

_ROWS = 16_384  # rows made dense at once, so that work stays in the processor's cache
ALIAS_TOLERANCE = 1e-9
"""Squared norm, relative to its own, below which a scaled column adds nothing to those before."""


@dataclass(frozen=True)
class Blocks:
    """Cross-products of one data set: P patients, S sites, p fixed effects, q patient effects.

    ``variances`` (q,) numbers the variance of each patient effect, from 0: effects are independent
    and those of one number share a variance. None for two effects with a covariance of their own.
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
    variances: tuple[int, ...] | None = (0,)

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
    def patient_parameters(self) -> int:
        """Parameters of the covariance of the patient effects."""
        return 3 if self.variances is None else max(self.variances) + 1

    @property
    def parameters(self) -> int:
        return self.patient_parameters + int(self.has_site)

    @cached_property
    def site_patient(self) -> NDArray[np.int32]:
        """(S,) patient of each site."""
        sites = np.diff(self.site_first, append=self.sites)
        return np.repeat(np.arange(self.patients, dtype=np.int32), sites)

    @cached_property
    def site_sums(self) -> Any:
        """Sparse (rows x P, S): what site weights are multiplied with, summed by patient.

        Rows, in packed order: c c' (q(q+1)/2), W c' (k, q), W W' (k(k+1)/2) and z'z squared. Most
        are zero, since a site belongs to one group.
        """
        return self._by_patient(self.p + 1)

    @cached_property
    def site_sums_of_x(self) -> Any:
        """The same of X only, without the response."""
        return self._by_patient(self.p)

    @cached_property
    def site_effects(self) -> Any:
        """Sparse (q x P, S): c by patient."""
        return _stacked(lambda: self.site_c, self.site_patient, self.patients)

    def _by_patient(self, columns: int) -> Any:
        w, c = self.site_w[:columns], self.site_c

        def rows() -> Iterator[Array]:
            yield from (c[i] * c[j] for i, j in zip(*np.triu_indices(self.q), strict=True))
            yield from (a * b for a in w for b in c)
            yield from (w[i] * w[j] for i, j in zip(*np.triu_indices(columns), strict=True))
            yield self.site_n**2

        return _stacked(rows, self.site_patient, self.patients)


def _stacked(rows: Callable[[], Iterable[Array]], patient: NDArray[np.int32], patients: int) -> Any:
    """Sparse (number of rows x patients, S) matrix: each row of values spread over its patients."""
    from scipy.sparse import csr_array

    counts = [np.count_nonzero(row) for row in rows()]
    values = np.empty(sum(counts))
    column = np.empty(len(values), dtype=np.int32)
    per_row = np.zeros(len(counts) * patients + 1, dtype=np.int32)
    end = 0
    for r, row in enumerate(rows()):
        kept = np.flatnonzero(row)
        start, end = end, end + len(kept)
        values[start:end], column[start:end] = row[kept], kept
        in_row = per_row[1 + r * patients : 1 + (r + 1) * patients]
        in_row[:] = np.bincount(patient[kept], minlength=patients)
    first = np.cumsum(per_row, dtype=np.int32)
    return csr_array((values, column, first), shape=(len(counts) * patients, len(patient)))


def sum_within(values: Array, first: NDArray[np.int64]) -> Array:
    return np.add.reduceat(values, first, axis=-1)


def _first_rows(codes: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.flatnonzero(np.diff(codes, prepend=codes[0] - 1))


def sort_rows(
    patient: NDArray[np.int64], site: NDArray[np.int64] | None
) -> NDArray[np.int64] | slice:
    """Order that brings the rows of a patient, and within it those of a site, together."""
    key = patient.astype(np.int64)
    if site is not None:
        key *= int(site.max(initial=0)) + 1
        key += site
    if np.all(key[1:] >= key[:-1]):
        return slice(None)
    return np.argsort(key, kind="stable")


@dataclass(frozen=True)
class GroupColumns:
    """Fixed-effect columns of a rate model, dense only where asked for: ``columns[rows]`` (m, p).

    A column of ``planned`` (n,) for each group, zero outside it, then ``extra`` (n, p - groups).
    """

    planned: Array
    code: NDArray[np.integer]  # (n,) group of each row
    groups: int
    extra: Array

    @property
    def shape(self) -> tuple[int, int]:
        return len(self.planned), self.groups + self.extra.shape[1]

    def __getitem__(self, rows: Any) -> Array:
        planned = self.planned[rows]
        dense = np.zeros((len(planned), self.shape[1]))
        dense[np.arange(len(planned)), self.code[rows]] = planned
        dense[:, self.groups :] = self.extra[rows]
        return dense


def cross_products(
    x: Array | GroupColumns,
    y: Array,
    z: Array,
    patient: NDArray[np.int64],
    *,
    site: NDArray[np.int64] | None = None,
    site_z: Array | None = None,
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
        Columns of the patient effects, shape (n, q).
    patient
        Patient of each row, codes 0..P-1 in which none is missing, shape (n,).
    site
        Site of each row, any non-negative codes; equal codes in two patients are two sites.
    site_z
        Column of the site effect, shape (n,). Needed with ``site``.
    names
        Names of the columns of x, for messages.
    variances
        Which variance each column of z has, numbered from 0 without gaps, shape (q,): independent
        effects, those of one number with the same variance. By default one column has one
        variance, and two have a covariance matrix of their own.

    Raises
    ------
    CannotAnswer
        If x is not of full column rank (naming the aliased columns), holds values that are not
        finite, or leaves no residual degree of freedom.
    """
    n, p = x.shape
    q = z.shape[1]
    names = names or tuple(f"x{j}" for j in range(p))
    variances = _variances(variances, q)
    if site is not None and site_z is None:
        raise CannotAnswer("A site level needs site_z, the column its effect multiplies.")
    for label, values in (("y", y), ("z", z)):
        if not np.isfinite(values).all():
            raise CannotAnswer(f"{label} holds missing or infinite values: leave those rows out.")
    if n <= p:
        raise CannotAnswer(f"{n} rows cannot estimate {p} coefficients: use fewer groups.")
    gram, xy, apart = _gram(x, y)
    x_scale = np.sqrt(np.diag(gram) / n)
    x_scale[x_scale == 0] = 1.0
    gram = gram / np.outer(x_scale, x_scale)
    _require_full_rank(gram / n, names)
    y_scale = float(np.sqrt(y @ y / n)) or 1.0
    y_shift = np.linalg.solve(gram, xy / x_scale / y_scale)
    z_scale = _z_scale(z, variances)
    site_scale = 1.0 if site_z is None else float(np.sqrt(site_z @ site_z / n)) or 1.0

    order = sort_rows(patient, site)
    patient = patient[order]
    starts = _first_rows(patient)
    patients, k = len(starts), p + 1
    pairs = [(i, j) for i, j in zip(*np.triu_indices(k), strict=True)]
    ww = np.zeros((len(pairs), patients))
    zz = np.empty((q, q, patients))
    zw = np.empty((k, q, patients))
    site_starts = starts if site is None else _site_starts(site[order], starts)
    site_first = np.searchsorted(site_starts, starts)
    by_site = np.zeros((1 + q + k, len(site_starts)))
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
        if site_z is not None:
            here = slice(*np.searchsorted(site_starts, [first, last]))
            at, effect = site_starts[here] - first, site_z[rows] / site_scale
            products = [effect * effect, *(e * effect for e in effects), *(c * effect for c in w)]
            for row, values in enumerate(products):
                by_site[row, here] = sum_within(values, at)
    return Blocks(
        names=names,
        rows=np.diff(starts, append=n),
        ww=ww,
        zz=zz,
        zw=zw,
        site_n=by_site[0],
        site_c=by_site[1 : 1 + q],
        site_w=by_site[1 + q :],
        site_first=site_first,
        x_scale=x_scale,
        z_scale=z_scale,
        site_scale=site_scale,
        y_scale=y_scale,
        y_shift=y_shift,
        has_site=site is not None,
        variances=variances,
    )


def _variances(variances: Sequence[int] | None, q: int) -> tuple[int, ...] | None:
    """Checked, or the default for q effects."""
    if variances is None:
        if q not in (1, 2):
            raise CannotAnswer(
                f"Say which variance each of the {q} patient effects has: variances."
            )
        return (0,) if q == 1 else None
    numbers = tuple(int(v) for v in variances)
    if len(numbers) != q or set(numbers) != set(range(len(set(numbers)))):
        raise CannotAnswer(
            f"variances must number the variance of each of the {q} patient effects from 0 without "
            f"gaps, not {numbers}."
        )
    return numbers


def _z_scale(z: Array, variances: tuple[int, ...] | None) -> Array:
    """Root mean square of each column; of all its columns together for a shared variance."""
    square = np.einsum("ij,ij->j", z, z) / len(z)
    if variances is not None:
        square = np.bincount(variances, square)[list(variances)]
    scale = np.sqrt(square)
    scale[scale == 0] = 1.0
    return np.asarray(scale)


def _site_starts(site: NDArray[np.int64], starts: NDArray[np.int64]) -> NDArray[np.int64]:
    """Row at which each site begins, in sorted rows."""
    new = np.ones(len(site), dtype=bool)
    new[1:] = site[1:] != site[:-1]
    new[starts] = True
    return np.flatnonzero(new)


def _gram(x: Array | GroupColumns, y: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    """X'X, X'y, and which pairs of columns are never both other than zero."""
    n, p = x.shape
    gram, overlap, xy = np.zeros((p, p)), np.zeros((p, p)), np.zeros(p)
    for start in range(0, n, _ROWS):
        rows = slice(start, start + _ROWS)
        part = x[rows]
        if not np.isfinite(part).all():
            raise CannotAnswer("x holds missing or infinite values: leave those rows out.")
        gram += part.T @ part
        xy += part.T @ y[rows]
        there = (part != 0).astype(float)
        overlap += there.T @ there
    return gram, xy, overlap == 0


def _chunks(starts: NDArray[np.int64], n: int) -> Iterator[tuple[slice, int, int]]:
    """Whole patients at a time: their slice, first row, and row after the last."""
    ends = np.append(starts[1:], n)
    patient = 0
    while patient < len(starts):
        first = int(starts[patient])
        after = max(int(np.searchsorted(ends, first + _ROWS, side="right")), patient + 1)
        yield slice(patient, after), first, int(ends[after - 1])
        patient = after


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
        raise CannotAnswer(
            f"Aliased columns: {', '.join(aliased)} can be written through the other columns "
            "(or hold zeros only), so their effects cannot be told apart. Leave them out, or "
            "merge the levels concerned."
        )
