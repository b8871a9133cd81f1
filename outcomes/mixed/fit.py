"""The fit of a mixed model: estimates, standard errors and degrees of freedom at the optimum.

See outcomes.mixed for the model and the notation.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from outcomes.errors import ExactFit, NoOptimum
from outcomes.mixed.blocks import Array, Blocks
from outcomes.mixed.likelihood import Problems, as_observed, evaluate, relative_variances
from outcomes.mixed.optimum import minimise
from outcomes.mixed.shares import Shares

__all__ = ["MixedFit", "at_optimum", "fit_mixed", "given_variances", "relative_sds"]


@dataclass(frozen=True)
class MixedFit:
    """A fitted model, in the units of the data.

    ``beta`` (p,) and ``covariance`` (p, p) of the fixed effects; ``psi`` (q, q) covariance of the
    outer effects, diagonal; ``inner_variance`` (None without an inner level); ``sigma2``;
    ``theta`` relative standard deviations in scaled units; ``log_likelihood`` (restricted if
    ``reml``).
    """

    blocks: Blocks
    beta: Array
    covariance: Array
    psi: Array
    inner_variance: float | None
    sigma2: float
    theta: Array
    log_likelihood: float
    reml: bool
    covariance_slopes: Array  # (t, p, p): covariance by each variance parameter
    parameter_covariance: Array  # (t, t)

    @property
    def n(self) -> int:
        return self.blocks.n

    @property
    def singular(self) -> bool:
        """Is a variance on the boundary, so zero?"""
        return bool((self.theta == 0).any())

    @cached_property
    def shares(self) -> Shares:
        """What each outer group adds to the fit, in scaled units."""
        return Shares(self.blocks, self.theta)

    def df(self, contrast: Array) -> Array:
        """Satterthwaite degrees of freedom of contrasts (..., p) of the fixed effects.

        Kuznetsova, Brockhoff & Christensen, J Stat Softw 2017;82(13), doi:10.18637/jss.v082.i13.
        """
        contrast = np.atleast_2d(contrast)
        variance = np.einsum("ci,ij,cj->c", contrast, self.covariance, contrast)
        slope = np.einsum("ci,tij,cj->ct", contrast, self.covariance_slopes, contrast)
        return self.satterthwaite(variance, slope)

    def satterthwaite(self, variance: Array, slope: Array) -> Array:
        """Degrees of freedom of variances (c,) with their slopes (c, t) by the variance parameters."""
        spread = np.einsum("ct,ts,cs->c", slope, self.parameter_covariance, slope)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(2 * variance**2 / spread)

    def standard_error(self, contrast: Array) -> Array:
        """Standard errors of contrasts (..., p)."""
        contrast = np.atleast_2d(contrast)
        return np.sqrt(np.einsum("ci,ij,cj->c", contrast, self.covariance, contrast))

    @cached_property
    def effects(self) -> tuple[Array, Array, Array]:
        """Predicted outer effects (G, q), their error covariance given beta (G, q, q), and
        predicted inner effects (S,), all in data units, groups in sorted order."""
        blocks = self.blocks
        scaled = self.beta * blocks.x_scale / blocks.y_scale - blocks.y_shift
        outer, inner = self.shares.effects(scaled)
        unit = blocks.y_scale / blocks.z_scale
        error = self.sigma2 / blocks.y_scale**2 * self.shares.gain * np.outer(unit, unit)
        return outer * unit, error, inner * (blocks.y_scale / blocks.inner_scale)


def fit_mixed(blocks: Blocks, *, reml: bool = True) -> MixedFit:
    """Fit the model to the blocks.

    Raises
    ------
    ExactFit
        If the fixed effects leave no residual variation.
    NoOptimum
        If the search does not converge.
    """
    problems = as_observed(blocks)
    if problems.base[0, -1, -1] / blocks.n < 1e-20:
        raise ExactFit(
            "The fixed effects explain the response exactly in every row, so there is no variation "
            "to model. Check that the response was not computed from them."
        )
    theta, converged = minimise(blocks, problems, reml=reml)
    if not converged[0]:
        raise NoOptimum(
            "The rows are too few, or too much alike, to tell the variation between outer groups "
            "from the rest. Use fewer columns, or add outer groups."
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
    z_unit = blocks.y_scale / blocks.z_scale
    free = np.flatnonzero(theta != 0)
    jacobian = [-sigma2 * cxx_inverse @ e.d_cxx[0, j] @ cxx_inverse * unit for j in free]
    jacobian.append(cxx_inverse * unit)
    hessian = _unprofiled_hessian(theta, free, sigma2, blocks, problems, reml)
    return MixedFit(
        blocks=blocks,
        beta=beta,
        covariance=sigma2 * cxx_inverse * unit,
        psi=np.diag(sigma2 * relative_variances(theta, blocks) * z_unit**2),
        inner_variance=(
            float(sigma2 * theta[-1] ** 2 * (blocks.y_scale / blocks.inner_scale) ** 2)
            if blocks.has_inner
            else None
        ),
        sigma2=sigma2 * blocks.y_scale**2,
        theta=theta,
        log_likelihood=-deviance / 2,
        reml=reml,
        covariance_slopes=np.array(jacobian),
        parameter_covariance=2 * _positive_inverse(hessian),
    )


def relative_sds(blocks: Blocks, outer: Array, inner: float | None, sigma2: float) -> Array:
    """theta (d,) of variances in the units of the data: of the effects of each number, shape
    (number of variances,), of the inner effects (None: no such level) and of the residuals."""
    first = np.unique(blocks.variances, return_index=True)[1]
    relative = list(outer * blocks.z_scale[first] ** 2)
    if inner is not None:
        relative.append(inner * blocks.inner_scale**2)
    return np.sqrt(np.array(relative) / sigma2)


def given_variances(blocks: Blocks, fitted: MixedFit) -> Array:
    """Coefficients (p,) of other data, in their units, under the variances of a fit with the same
    outer effects."""
    first = np.unique(blocks.variances, return_index=True)[1]
    variances = np.diag(fitted.psi)[first]
    theta = relative_sds(blocks, variances, fitted.inner_variance, fitted.sigma2)
    c = Shares(blocks, theta).c.sum(axis=0)
    beta = np.linalg.solve(c[:-1, :-1], c[:-1, -1]) + blocks.y_shift
    return np.asarray(beta * blocks.y_scale / blocks.x_scale)


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
