"""How many courses of aligners a tooth needs, and what share of the aim several of them reach.

With rate r in every course and the shortfall planned anew each time, the share left after k courses
is the product of (1 - r).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from outcomes.domain.limit_in_force import limit
from outcomes.domain.limits import within_tolerance
from outcomes.errors import CannotAnswer
from outcomes.rates.result import RateFit

__all__ = ["courses_needed", "share_reached"]


def share_reached(rate: float | Sequence[float], courses: int | None = None) -> float:
    """Share of the aim reached after several courses: 1 - product of (1 - rate).

    Parameters
    ----------
    rate
        Rate of every course, or one for each course.
    courses
        How many courses, with one rate.

    Examples
    --------
    >>> [round(share_reached(r, k), 3) for k in (2, 3) for r in (0.5, 0.6)]
    [0.75, 0.84, 0.875, 0.936]
    """
    rates = np.full(courses or 1, rate) if np.isscalar(rate) else np.asarray(rate, dtype=float)
    if courses is not None and len(rates) != courses:
        raise CannotAnswer(
            f"{len(rates)} rates for {courses} courses: give one rate, or one for each."
        )
    return float(1 - np.prod(1 - rates))


def courses_needed(
    fit: RateFit,
    aim: float,
    tolerance: float | None = None,
    *,
    factor: float = 1.0,
    most: int = 6,
    draws: int = 20_000,
    seed: int = 1,
) -> pd.DataFrame:
    """How many courses a new patient's tooth needs, as a distribution, group by group.

    Each course plans what is left (times ``factor``). A patient and a tooth keep their rate through
    all courses: one that lags in the first lags in the next, so that more courses are needed than
    the average rate suggests for some, and fewer for others.

    Parameters
    ----------
    fit
        A fit (``fit_rate``) without covariates or intercept, or read at their reference.
    aim
        What is wanted, mm or degrees.
    tolerance
        Near enough; by default 0.5 mm or 2 degrees.
    factor
        Overcorrection of every plan.
    most
        Courses after which the count ends.
    draws, seed
        Simulated patients, and their seed.

    Returns
    -------
    DataFrame
        group, courses, chance (needs exactly so many), within (chance of being within tolerance
        after so many), left (median absolute shortfall), arithmetic_left (|aim| (1 - rate
        factor)^courses).  ``courses`` runs from 0 to ``most``; the chances up to ``most`` and the
        chance of needing more add up to 1.

    Raises
    ------
    CannotAnswer
        If a number makes no sense.

    Examples
    --------
    >>> from outcomes.rates.fit import fit_rate
    >>> from outcomes.simulate import simulate_rates
    >>> rows = simulate_rates(30, seed=1, movement="vertical", rates=0.55)
    >>> table = courses_needed(fit_rate(rows, group=None), aim=-2.0, most=2)
    >>> table[["courses", "within", "arithmetic_left"]].round(1)
       courses  within  arithmetic_left
    0        0     0.0              2.0
    1        1     0.1              0.9
    2        2     0.6              0.4
    """
    tolerance = limit("tolerance", fit.movement, fit.unit, tolerance)
    if np.isnan(tolerance):
        raise CannotAnswer("Give a tolerance: the fit does not say whether it is in mm or degrees.")
    if not aim or tolerance <= 0 or factor <= 0 or most < 1:
        raise CannotAnswer("aim must not be 0; tolerance, factor and most must be above 0.")
    parts = [
        _needed(fit, g, abs(aim), tolerance, factor, most, draws, seed)
        for g in range(len(fit.groups))
    ]
    return pd.concat(parts, ignore_index=True)


def _needed(
    fit: RateFit,
    g: int,
    aim: float,
    tolerance: float,
    factor: float,
    most: int,
    draws: int,
    seed: int,
) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    row = fit.rates.iloc[g]
    spread = np.sqrt(fit.mixed.psi[0, 0] + (fit.mixed.inner_variance or 0.0))
    rate = row["rate"] + row["se"] * rng.standard_t(row["df"], draws)
    rate = rate + spread * rng.standard_normal(draws)
    sigma = np.sqrt(fit.mixed.sigma2)
    left = np.full(draws, aim)
    needed = np.full(draws, most + 1)
    table = []
    for course in range(most + 1):
        if course:
            going = needed > most
            moved = rate * factor * left + sigma * rng.standard_normal(draws)
            left = np.where(going, left - moved, left)
        near = within_tolerance(left, tolerance)
        needed = np.where(near & (needed > most), course, needed)
        table.append(
            {
                "group": row["group"],
                "courses": course,
                "chance": float(np.mean(needed == course)),
                "within": float(np.mean(needed <= course)),
                "left": float(np.median(np.abs(left))),
                "arithmetic_left": aim * abs(1 - row["rate"] * factor) ** course,
            }
        )
    return pd.DataFrame(table)
