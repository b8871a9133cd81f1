"""What missing an aim costs: expected amounts too far and too short, and the plan of least cost."""

from __future__ import annotations

import numpy as np

from outcomes.mixed.blocks import Array
from outcomes.overcorrect.landing import Looks, searched

__all__ = ["expected_cost", "least_cost_plan", "losses"]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)


def losses(outlook: Looks, plan: Array, aim: float) -> tuple[Array, Array]:
    """Expected amount too far, and too short, at plans (k,) for one aim; mm or degrees.

    E(X - a)+ is the integral of P(X > r) over r > a, and E(a - X)+ follows from the mean; the
    integral is taken over u / (1 - u), u from 0 to 1, by 48 Gauss points.
    """
    plan = np.asarray(plan, dtype=float)
    mean, sd, _ = outlook.at(plan)
    beyond = np.abs(mean - aim)
    u = (_NODES + 1) / 2
    scale = (sd + beyond)[:, None]
    away = scale * u / (1 - u)
    step = scale * _WEIGHTS / 2 / (1 - u) ** 2
    # the smaller of the two is integrated, the other is it and the mean miss
    short = mean > aim
    at = np.where(short[:, None], aim - away, aim + away)
    chances = outlook.chances(plan[:, None], at, 0.0)
    tail = np.where(short[:, None], chances.under, chances.over)
    small = (tail * step).sum(axis=1)
    return np.where(short, small + beyond, small), np.where(short, small, small + beyond)


def expected_cost(outlook: Looks, plan: Array, aim: float, over_cost: float) -> Array:
    """Expected cost of plans (k,) for one aim: mm or degrees too short count once, those too far
    ``over_cost`` times."""
    far, short = losses(outlook, plan, aim)
    return short + over_cost * far


def least_cost_plan(outlook: Looks, aim: Array, most: Array, over_cost: Array) -> Array:
    """The plans (n,) of least expected cost, up to ``most`` (n,); all in the direction of the aim."""
    most = np.minimum(most, outlook.largest)

    def score(grid: Array) -> Array:
        rows = zip(grid, aim, over_cost, strict=True)
        return -np.stack([expected_cost(outlook, *row) for row in rows])

    return searched(most, score)
