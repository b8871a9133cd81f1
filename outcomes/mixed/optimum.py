"""The optimum of the likelihood: batched trust-region Newton, zero variances included.

See outcomes.mixed for the model and the notation.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from outcomes.mixed.blocks import Array, Blocks
from outcomes.mixed.likelihood import Problems, evaluate, with_hessian

# promised fall of the deviance below which a Newton step is the last and needs no check
_LAST_STEP = 1e-9
_LAST_STEP_OF_MANY = 1e-6  # a replicate moves by less than a thousandth of a standard error
_MOST_ITERATIONS = 100
_MANY_STARTS = 20_000  # inner groups up to which several starts are tried


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
    start: Array, blocks: Blocks, problems: Problems, reml: bool, last_step: float
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Trust-region Newton descent of B problems at once: theta, deviance, converged."""
    theta = start.copy()
    deviance, gradient, hessian = with_hessian(theta, blocks, problems, reml=reml)
    radius = np.ones(len(theta))
    converged = np.zeros(len(theta), dtype=bool)
    for _ in range(_MOST_ITERATIONS):
        active = np.flatnonzero(~converged)
        if not len(active):
            break
        step, promise = _newton_step(gradient[active], hessian[active], radius[active])
        done = promise < last_step
        last = active[done]
        theta[last] += step[done]
        deviance[last] -= promise[done]
        converged[last] = True
        active, step = active[~done], step[~done]
        if not len(active):
            break
        trial = theta[active] + step
        new = with_hessian(trial, blocks, problems.take(active), reml=reml)
        better = new[0] <= deviance[active] + 1e-12 * np.abs(deviance[active]) + 1e-11
        length = np.linalg.norm(step, axis=1)
        radius[active] = np.where(
            better, np.minimum(np.maximum(radius[active], 2 * length), 4), length / 4
        )
        moved = active[better]
        theta[moved] = trial[better]
        deviance[moved], gradient[moved], hessian[moved] = (part[better] for part in new)
    return theta, deviance, converged


_FINE, _COARSE, _WIDE = (0.05, 0.2, 0.6, 2.0, 8.0, 30.0), (0.1, 1.0, 10.0), (0.1, 1.0)
_LARGE = 2.0  # relative standard deviation from which a second optimum is looked for further out


def _grid(blocks: Blocks) -> Array:
    """Grid over the standard deviations, from almost none to many times the residual one."""
    free = blocks.parameters
    levels = _FINE if free <= 2 else _COARSE if free == 3 else _WIDE
    if blocks.n_inner > _MANY_STARTS:
        levels = _WIDE
    axes = np.meshgrid(*[levels] * free, indexing="ij")
    return np.stack([a.ravel() for a in axes], 1)


def _starts(blocks: Blocks, problems: Problems, reml: bool) -> Array:
    """Where to begin one fit: the best point of the grid and, as a likelihood can have two optima
    that differ in which level takes the variance, the best with almost none at each level; where
    effects are many times the residual variation, also the best with the most at each level."""
    grid = _grid(blocks)
    deviance = evaluate(grid, blocks, problems, reml=reml).deviance
    best = int(np.argmin(deviance))
    chosen = {best}
    if blocks.n_inner <= _MANY_STARTS:
        ends = [np.min, np.max] if grid[best].max() >= _LARGE else [np.min]
        for j in range(blocks.parameters):
            for end in ends:
                there = grid[:, j] == end(grid[:, j])
                chosen.add(int(np.argmin(np.where(there, deviance, np.inf))))
    return grid[sorted(chosen)]


def minimise(
    blocks: Blocks,
    problems: Problems,
    *,
    reml: bool,
    start: Array | None = None,
) -> tuple[Array, NDArray[np.bool_]]:
    """The theta (B, d) of least deviance for every problem, and whether each converged.

    Standard deviations of zero are legitimate optima and are returned as exact zeros. ``start`` (d,)
    is where to begin; without it a coarse grid is searched, and there must be one problem only.
    """
    last_step = _LAST_STEP if start is None else _LAST_STEP_OF_MANY
    if start is None:
        begin = _starts(blocks, problems, reml)
    else:
        count = max(len(problems.base), len(problems.zw), len(problems.n))
        # the gradient vanishes at zero whatever lies beside it: never begin there
        begin = np.tile(np.maximum(start, 0.1), (count, 1))
    theta, deviance, converged = _descend(begin, blocks, problems, reml, last_step)
    theta, deviance = _try_boundary(theta, deviance, blocks, problems, reml)

    # a standard deviation of zero from which the deviance falls is a ridge, not an optimum
    for _ in range(3):
        ridge = _leaves_zero(theta, blocks, problems, reml)
        again = np.flatnonzero(ridge.any(axis=1))
        if not len(again):
            break
        lifted = np.where(ridge[again], 0.05, theta[again])
        part = problems.take(again)
        theta[again], deviance[again], converged[again] = _descend(
            lifted, blocks, part, reml, last_step
        )
        theta[again], deviance[again] = _try_boundary(
            theta[again], deviance[again], blocks, part, reml
        )
    if start is None:
        best = [int(np.argmin(np.where(converged, deviance, np.inf)))]
        theta, converged = theta[best], converged[best]
    return np.abs(theta), converged  # Psi and lam are squares: the sign says nothing


def _try_boundary(
    theta: Array, deviance: Array, blocks: Blocks, problems: Problems, reml: bool
) -> tuple[Array, Array]:
    """Replace small standard deviations by zero wherever that costs no deviance."""
    theta, deviance = theta.copy(), deviance.copy()
    for j in range(blocks.parameters):
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
    for j in range(blocks.parameters):
        at_zero = np.flatnonzero(theta[:, j] == 0)
        if not len(at_zero):
            continue
        trial = theta[at_zero]
        trial[:, j] = 1e-3
        e = evaluate(trial, blocks, problems.take(at_zero), reml=reml)
        ridge[at_zero, j] = e.gradient[:, j] < -1e-6
    return ridge
