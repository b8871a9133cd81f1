"""What each outer group adds to a fit: its part of C, its weight, its predicted effects.

The one home of the algebra group by group; outcomes.mixed.likelihood has it for many problems at
once. See outcomes.mixed for the notation; everything is in scaled units.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from outcomes.mixed.blocks import Array, Blocks, unpack
from outcomes.mixed.likelihood import relative_variances

__all__ = ["Shares"]


@dataclass(frozen=True)
class Shares:
    """The outer groups of a data set at ``theta`` (d,), one by one.

    Given b, u = gain (t_y - t_x b) and v = w (s_y - s_x b - c u) are the best linear unbiased
    predictions; the error variance of u is sigma2 ``gain`` and that of v given u is sigma2 ``w``.
    """

    blocks: Blocks
    theta: Array

    @cached_property
    def w(self) -> Array:
        """Weights of the inner groups, (S,)."""
        lam = self.theta[-1] ** 2 if self.blocks.has_inner else 0.0
        return np.asarray(lam / (1 + lam * self.blocks.inner_n))

    @cached_property
    def _reduced(self) -> tuple[Array, Array, Array]:
        """A (G, q, q), T (G, k, q) and C before the outer step, packed (G, k(k+1)/2)."""
        blocks = self.blocks
        a, t, c = blocks.zz, blocks.zw, blocks.ww
        if blocks.has_inner:
            cc, wc, ww, _ = blocks.by_outer(self.w[:, None])
            a, t, c = a - cc[0], t - wc[0], c - ww[0]
        return np.moveaxis(a, -1, 0), np.moveaxis(t, -1, 0), c.T

    @property
    def t(self) -> Array:
        """T, (G, k, q)."""
        return self._reduced[1]

    @cached_property
    def _resolvent(self) -> Array:
        """(I + A Psi)^-1, (G, q, q)."""
        a, psi = self._reduced[0], relative_variances(self.theta, self.blocks)
        return np.asarray(np.linalg.inv(np.eye(len(psi)) + a * psi), dtype=np.float64)

    @cached_property
    def gain(self) -> Array:
        """K, (G, q, q)."""
        return relative_variances(self.theta, self.blocks)[:, None] * self._resolvent

    @cached_property
    def c(self) -> Array:
        """W'V^-1 W of each outer group, (G, k, k), W = [X, y]."""
        taken = self.t @ self.gain @ self.t.transpose(0, 2, 1)
        return np.asarray(unpack(self._reduced[2], self.blocks.p + 1) - taken)

    @cached_property
    def slopes(self) -> tuple[Array, Array]:
        """Derivatives by theta of ``c`` (G, d, k, k) and of log|V| of each outer group (G, d)."""
        blocks, theta = self.blocks, self.theta
        groups, k = blocks.n_outer, blocks.p + 1
        d_c, d_log = np.zeros((groups, len(theta), k, k)), np.zeros((groups, len(theta)))
        u = self.t @ self._resolvent.transpose(0, 2, 1)  # (G, k, q)
        h = np.einsum("Gij,Gji->Gi", self._resolvent, self._reduced[0])
        for i, parameter in enumerate(blocks.variances):
            slope = 2 * theta[parameter]
            d_c[:, parameter] -= slope * u[:, :, i, None] * u[:, None, :, i]
            d_log[:, parameter] += slope * h[:, i]
        if blocks.has_inner:
            grow = 1 + theta[-1] ** 2 * blocks.inner_n
            cc, wc, ww, _ = blocks.by_outer(1 / grow[:, None] ** 2)
            a_slope, t_slope = np.moveaxis(cc[0], -1, 0), np.moveaxis(wc[0], -1, 0)
            kt = self.t @ self.gain
            cross = (0.5 * kt @ a_slope - t_slope) @ kt.transpose(0, 2, 1)
            d_c[:, -1] = -unpack(ww[0].T, k) - cross - cross.transpose(0, 2, 1)
            d_log[:, -1] = np.add.reduceat(blocks.inner_n / grow, blocks.inner_first)
            d_log[:, -1] -= np.einsum("Gij,Gji->G", self.gain, a_slope)
            d_c[:, -1] *= 2 * theta[-1]
            d_log[:, -1] *= 2 * theta[-1]
        return d_c, d_log

    def weights(self) -> Array:
        """Share of each outer group in the information on each coefficient, (G, p); columns sum
        to 1.

        The diagonal of X'V^-1 X, group by group. The weight of a group levels off as rows are
        added, since the effects of one group say little about the others.
        """
        p = self.blocks.p
        information = np.maximum(self.c[:, np.arange(p), np.arange(p)], 0.0)
        return np.asarray(information / information.sum(axis=0, keepdims=True))

    def effects(self, beta: Array) -> tuple[Array, Array]:
        """Predicted effects of the outer groups (G, q) and of the inner groups (S,), given the
        coefficients (p,)."""
        blocks = self.blocks
        contrast = np.append(-beta, 1.0)
        u = np.einsum("Gij,Gj->Gi", self.gain, contrast @ self.t)
        own = np.einsum("qS,Sq->S", blocks.inner_c, u[blocks.outer_of_inner])
        return u, self.w * (contrast @ blocks.inner_w - own)
