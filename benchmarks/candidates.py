"""Intervals under trial, not offered by the package: cluster-robust variances of the rates.

Sandwich variances with patients as clusters, from the same cross-products as the fit. With C_p(theta)
= W_p' V_p^-1 W_p of each patient, H_p its X part and s_p its score at the estimate::

    Var(b) = M (sum_p B_p s_p s_p' B_p') M,   M = (sum_p H_p)^-1

CR2 takes B_p = H_p^1/2 (I - H_p^1/2 M H_p^1/2)^-1/2 H_p^-1/2, which makes the variance unbiased when
the model is right; CR3 leaves the patient out: M B_p = (M^-1 - H_p)^-1. Degrees of freedom by
Satterthwaite's rule under the model (Bell & McCaffrey, Survey Methodology 2002;28(2):169-181;
Pustejovsky & Tipton, J Bus Econ Stat 2018;36:672-683).
"""

from __future__ import annotations

import numpy as np

from outcomes.estimate.mixed import Array, MixedFit
from outcomes.estimate.resample import _shares


def cluster_robust(fit: MixedFit, contrasts: Array, *, kind: str = "CR2") -> tuple[Array, Array]:
    """Standard errors and degrees of freedom of contrasts (c, p); one patient effect only."""
    blocks, p = fit.blocks, fit.blocks.p
    by_patient = _shares(fit.theta, blocks).c
    h, g = by_patient[:, :p, :p], by_patient[:, :p, p]
    total = h.sum(0)
    m = np.linalg.inv(total)
    score = g - h @ (m @ g.sum(0))
    scaled = contrasts * (blocks.y_scale / blocks.x_scale)
    if kind == "CR3":
        loading = np.linalg.pinv(total - h, hermitian=True) @ scaled.T  # (P, p, c)
    else:
        values, vectors = np.linalg.eigh(h)
        kept = values > 1e-10 * values.max(axis=1, keepdims=True)
        root = _function(vectors, np.sqrt(np.where(kept, values, 0.0)))
        inverse_root = _function(vectors, np.where(kept, values, np.inf) ** -0.5)
        rest, turn = np.linalg.eigh(np.eye(p) - root @ m @ root)
        # a patient who alone carries a rate has no score to adjust: that direction is left out
        shrink = _function(turn, np.where(rest > 1e-8, rest, np.inf) ** -0.5)
        loading = (inverse_root @ shrink @ root) @ (m @ scaled.T)
    variance = np.einsum("Ppc,Pp->Pc", loading, score)
    reach = np.einsum("Ppq,Pqc->cPp", h, loading)
    expected = -reach @ m @ reach.transpose(0, 2, 1)
    own = np.einsum("cPp,Ppc->cP", reach, loading)
    expected[:, np.arange(blocks.patients), np.arange(blocks.patients)] += own
    trace = np.trace(expected, axis1=1, axis2=2)
    df = trace**2 / (expected**2).sum((1, 2))
    return np.sqrt((variance**2).sum(0)), df


def _function(vectors: Array, values: Array) -> Array:
    return np.asarray((vectors * values[:, None, :]) @ vectors.transpose(0, 2, 1))
