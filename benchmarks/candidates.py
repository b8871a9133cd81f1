"""Intervals under trial, not offered by the package: the cluster-robust variance CR3.

As CR2 (outcomes.mixed.cluster), but each patient is left out: M B_p = (M^-1 - H_p)^-1.
"""

from __future__ import annotations

import numpy as np

from outcomes.mixed.blocks import Array
from outcomes.mixed.cluster import ClusterRobust
from outcomes.mixed.fit import MixedFit


def cluster_robust(fit: MixedFit, contrasts: Array, *, kind: str = "CR2") -> tuple[Array, Array]:
    """Standard errors and degrees of freedom of contrasts (c, p)."""
    if kind == "CR2":
        robust = ClusterRobust(fit)
        return robust.standard_error(contrasts), robust.df(contrasts)
    blocks, p = fit.blocks, fit.blocks.p
    c = fit.shares.c
    h, g = c[:, :p, :p], c[:, :p, p]
    total = h.sum(0)
    m = np.linalg.inv(total)
    score = g - h @ (m @ g.sum(0))
    scaled = contrasts * (blocks.y_scale / blocks.x_scale)
    loading = np.linalg.pinv(total - h, hermitian=True) @ scaled.T  # (P, p, c)
    variance = np.einsum("Ppc,Pp->Pc", loading, score)
    reach = np.einsum("Ppq,Pqc->cPp", h, loading)
    expected = -reach @ m @ reach.transpose(0, 2, 1)
    own = np.einsum("cPp,Ppc->cP", reach, loading)
    expected[:, np.arange(blocks.n_outer), np.arange(blocks.n_outer)] += own
    trace = np.trace(expected, axis1=1, axis2=2)
    return np.sqrt((variance**2).sum(0)), trace**2 / (expected**2).sum((1, 2))
