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
Four modules: crossproducts (the sums), likelihood, optimum, and here the fit.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from outcomes.errors import CannotAnswer, NoOptimum
from outcomes.mixed.blocks import Array, Blocks, GroupColumns, cross_products, sort_rows, sum_within
from outcomes.mixed.likelihood import (
    Evaluation,
    Problems,
    as_observed,
    evaluate,
    relative_covariance,
    reweighted,
    unpack,
)
from outcomes.mixed.optimum import minimise, standard_deviations

__all__ = [
    "Array",
    "Blocks",
    "Evaluation",
    "GroupColumns",
    "MixedFit",
    "Predictor",
    "Problems",
    "as_observed",
    "at_optimum",
    "cross_products",
    "evaluate",
    "fit",
    "minimise",
    "predictor",
    "relative_covariance",
    "reweighted",
    "sort_rows",
    "unpack",
]


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
        return bool((self.theta[standard_deviations(self.blocks)] == 0).any())

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
    CannotAnswer
        If the fixed effects leave no residual variation.
    NoOptimum
        If the search does not converge.
    """
    problems = as_observed(blocks)
    if problems.base[0, -1, -1] / blocks.n < 1e-20:
        raise CannotAnswer(
            "The response is an exact multiple of the plan in every row, so there is no variation "
            "to model. Check that achieved was not copied or computed from planned."
        )
    theta, converged = minimise(blocks, problems, reml=reml)
    if not converged[0]:
        raise NoOptimum(
            "The rows are too few, or too much alike, to tell the variation between patients from "
            "the rest. Use fewer groups or covariates, or add cases."
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
    psi = relative_covariance(theta, blocks)
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
        psi=sigma2 * psi * np.outer(z_unit, z_unit),
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
    psi = relative_covariance(theta, blocks)
    a, t = blocks.zz, blocks.zw
    lam = theta[-1] ** 2 if blocks.has_site else 0.0
    w = lam / (1 + lam * blocks.site_n)
    if blocks.has_site:
        cross = blocks.site_c[:, None] * blocks.site_c[None]
        a = a - sum_within(w * cross, blocks.site_first)
        t = t - np.array(
            [
                [sum_within(w * s * c, blocks.site_first) for c in blocks.site_c]
                for s in blocks.site_w
            ]
        )
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
