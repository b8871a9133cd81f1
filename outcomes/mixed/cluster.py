"""Cluster-robust covariance: outer groups are clusters, the model need not be right.

From the same cross-products as the fit. With C_p = W_p' V_p^-1 W_p of each outer group, H_p its X part
and s_p = X_p' V_p^-1 (y_p - X_p b) its score at the estimate::

    Var(b) = M (sum_p B_p s_p s_p' B_p') M,   M = (sum_p H_p)^-1
    B_p = H_p^1/2 (I - H_p^1/2 M H_p^1/2)^-1/2 H_p^-1/2

This is the bias-reduced linearisation CR2: with A_p = V_p^1/2 (I - U_p M U_p')^-1/2 V_p^-1/2 on the
rows of a group (U_p = V_p^-1/2 X_p), A_p Var(residual_p) A_p' = V_p, so that the variance is
unbiased when the model is right (Bell & McCaffrey, Survey Methodology 2002;28(2):169-181, with V_p
in the place of the identity). Pustejovsky & Tipton (J Bus Econ Stat 2018;36:672-683,
doi:10.1080/07350015.2016.1247004) solve the same equation with another root of it, which needs the
rows; both are one and the same where rows are independent. Degrees of freedom by Satterthwaite's
rule under the model, as in both papers.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from outcomes.mixed.blocks import Array
from outcomes.mixed.fit import MixedFit

__all__ = ["ClusterRobust"]


@dataclass(frozen=True)
class ClusterRobust:
    """CR2 covariance of the coefficients of a fit, with its own degrees of freedom.

    Attributes
    ----------
    fit
        Where the coefficients and the working covariance of the rows come from.
    """

    fit: MixedFit

    @cached_property
    def _parts(self) -> tuple[Array, Array, Array, Array]:
        """H (G, p, p), M (p, p), scores (G, p) and M B_p (G, p, p), in scaled units."""
        p = self.fit.blocks.p
        c = self.fit.shares.c
        h, g = c[:, :p, :p], c[:, :p, p]
        m = np.linalg.inv(h.sum(0))
        score = g - h @ (m @ g.sum(0))
        values, vectors = np.linalg.eigh(h)
        kept = values > 1e-10 * values.max(axis=1, keepdims=True)
        root = _function(vectors, np.sqrt(np.where(kept, values, 0.0)))
        inverse_root = _function(vectors, np.where(kept, values, np.inf) ** -0.5)
        rest, turn = np.linalg.eigh(np.eye(p) - root @ m @ root)
        # a group that alone carries a coefficient has no score to adjust: that direction is left out
        shrink = _function(turn, np.where(rest > 1e-8, rest, np.inf) ** -0.5)
        return h, m, score, m @ root @ shrink @ inverse_root

    def _loading(self, contrasts: Array) -> Array:
        """What multiplies the score of each outer group, (G, p, c), in data units."""
        blocks = self.fit.blocks
        scaled = np.atleast_2d(contrasts) * (blocks.y_scale / blocks.x_scale)
        return self._parts[3].transpose(0, 2, 1) @ scaled.T

    def standard_error(self, contrasts: Array) -> Array:
        """Standard errors of contrasts (c, p) of the coefficients, shape (c,)."""
        each = np.einsum("Gpc,Gp->Gc", self._loading(contrasts), self._parts[2])
        return np.sqrt((each**2).sum(0))

    def _moments(self, contrasts: Array) -> tuple[Array, Array]:
        """Trace (c,) of the expected squares under the model, and of their matrix squared.

        Group by group, the variance is a sum of squares r_i with E(r r') = diag(o) - R M R'.
        """
        h, m, _, _ = self._parts
        loading = self._loading(contrasts)
        reach = np.einsum("Gpq,Gqc->cGp", h, loading)
        own = np.einsum("cGp,Gpc->cG", reach, loading)
        spread = m @ (reach.transpose(0, 2, 1) @ reach)
        taken = np.einsum("cGp,pq,cGq->cG", reach, m, reach)
        trace = own.sum(1) - np.trace(spread, axis1=1, axis2=2)
        square = np.trace(spread @ spread, axis1=1, axis2=2)
        return trace, square - 2 * (own * taken).sum(1) + (own**2).sum(1)

    def df(self, contrasts: Array) -> Array:
        """Satterthwaite degrees of freedom of their variances under the model, shape (c,)."""
        trace, square = self._moments(contrasts)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(trace**2 / square)

    def rests_on_single_groups(self, contrasts: Array) -> np.ndarray:
        """Is a contrast partly carried by groups that alone carry a coefficient? shape (c,).

        What such a group adds has no replicate, so that no robust variance exists: the one here
        then falls short of what it estimates.
        """
        scaled = np.atleast_2d(contrasts) * (self.fit.blocks.y_scale / self.fit.blocks.x_scale)
        whole = np.einsum("cp,pq,cq->c", scaled, self._parts[1], scaled)
        return np.asarray(self._moments(contrasts)[0] < (1 - 1e-6) * whole)


def _function(vectors: Array, values: Array) -> Array:
    return np.asarray((vectors * values[:, None, :]) @ vectors.transpose(0, 2, 1))
