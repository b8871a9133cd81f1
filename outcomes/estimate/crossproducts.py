"""Cross-products of a mixed model: all the sums its likelihood needs, formed once.

See outcomes.estimate.mixed for the model and the notation.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ALIAS_TOLERANCE = 1e-9
"""Squared norm, relative to its own, below which a scaled column adds nothing to those before."""


class ModelError(ValueError):
    """The model cannot be fitted to these rows; the message names the reason and the remedy."""


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
        return _stacked(list(self.site_c), self.site_patient, self.patients)

    def _by_patient(self, columns: int) -> Any:
        w, c = self.site_w[:columns], self.site_c
        rows = [c[i] * c[j] for i, j in zip(*np.triu_indices(self.q), strict=True)]
        rows += [a * b for a in w for b in c]
        rows += [w[i] * w[j] for i, j in zip(*np.triu_indices(columns), strict=True)]
        return _stacked([*rows, self.site_n**2], self.site_patient, self.patients)


def _stacked(rows: list[Array], patient: NDArray[np.int64], patients: int) -> Any:
    """Sparse (len(rows) x patients, S) matrix: each row of values spread over its patients."""
    from scipy.sparse import csr_array

    kept = [np.flatnonzero(row) for row in rows]
    values = np.concatenate([row[k] for row, k in zip(rows, kept, strict=True)])
    column = np.concatenate(kept).astype(np.int32)
    at = np.concatenate([patient[k] + r * patients for r, k in enumerate(kept)])
    first = np.searchsorted(at, np.arange(len(rows) * patients + 1)).astype(np.int32)
    return csr_array((values, column, first), shape=(len(rows) * patients, len(patient)))


def sum_within(values: Array, first: NDArray[np.int64]) -> Array:
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
            sum_within(columns[i] * columns[j], starts)
            for i, j in zip(*np.triu_indices(k), strict=True)
        ]
    )
    zz = np.array([[sum_within(a * b, starts) for b in effects] for a in effects])
    zw = np.array([[sum_within(c * e, starts) for e in effects] for c in columns])

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
        site_n = sum_within(effect * effect, site_starts)
        site_c = np.array([sum_within(e * effect, site_starts) for e in effects])
        site_w = np.array([sum_within(c * effect, site_starts) for c in columns])
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
