"""Confidence limits of a ratio of two estimates, bounded or not (Fieller)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import stdtrit

from outcomes.errors import InputError

__all__ = ["FiellerInterval", "fieller", "fieller_reciprocal"]


@dataclass(frozen=True)
class FiellerInterval:
    """All ratios that the two estimates do not contradict.

    Attributes
    ----------
    low, high
        ``bounded``: the limits. ``unbounded``: every ratio up to ``low`` and every ratio from
        ``high`` on (``low < high``), as the denominator may be zero. ``everything``: minus and plus
        infinity.
    kind
        Which of the three shapes it is.
    """

    low: float
    high: float
    kind: Literal["bounded", "unbounded", "everything"]

    def contains(self, ratio: float) -> bool:
        """Is the ratio among those not contradicted?"""
        if self.kind == "unbounded":
            return ratio <= self.low or ratio >= self.high
        return self.low <= ratio <= self.high


def fieller(
    numerator: float,
    denominator: float,
    *,
    variances: tuple[float, float],
    covariance: float = 0.0,
    df: float = np.inf,
    level: float = 0.95,
) -> FiellerInterval:
    """Interval of numerator / denominator.

    The ratios f with ``(a - f b)^2 <= t^2 (v_aa - 2 f v_ab + f^2 v_bb)``: Fieller, J R Stat Soc B
    1954;16:175–185.

    Parameters
    ----------
    numerator, denominator
        The two estimates, a and b.
    variances
        Their variances, v_aa and v_bb.
    covariance
        v_ab.
    df
        Degrees of freedom of the t quantile.
    level
        Level of the interval.

    Raises
    ------
    InputError
        If a variance is negative or an estimate is not finite.

    Examples
    --------
    >>> fieller(1.0, 0.5, variances=(0.0, 0.05**2)).kind
    'bounded'
    >>> fieller(1.0, 0.1, variances=(0.0, 0.20**2)).kind
    'unbounded'
    """
    if not np.isfinite([numerator, denominator, *variances, covariance]).all():
        raise InputError("fieller needs finite estimates and variances.")
    if min(variances) < 0:
        raise InputError("A variance cannot be negative.")
    t2 = float(stdtrit(df, 0.5 + level / 2)) ** 2
    quadratic = denominator**2 - t2 * variances[1]
    linear = numerator * denominator - t2 * covariance
    constant = numerator**2 - t2 * variances[0]
    root2 = linear**2 - quadratic * constant
    if quadratic == 0:  # the interval of the denominator ends exactly at zero
        if linear == 0:
            return FiellerInterval(-np.inf, np.inf, "everything")
        end = constant / (2 * linear)
        low, high = (end, np.inf) if linear > 0 else (-np.inf, end)
        return FiellerInterval(low, high, "bounded")
    if quadratic < 0 and root2 < 0:
        return FiellerInterval(-np.inf, np.inf, "everything")
    root = np.sqrt(max(root2, 0.0))
    # of the two roots the larger in size first, the other from their product: no cancellation
    first = (linear + np.copysign(root, linear)) / quadratic
    second = constant / (quadratic * first) if first != 0 else -first
    low, high = sorted((float(first), float(second)))
    return FiellerInterval(low, high, "bounded" if quadratic > 0 else "unbounded")


def fieller_reciprocal(
    rate: float, se: float, *, df: float = np.inf, level: float = 0.95
) -> FiellerInterval:
    """Interval of 1 / rate, the overcorrection factor.

    The reciprocals of the rates in the t interval of the rate; unbounded as soon as that reaches 0.

    Examples
    --------
    >>> interval = fieller_reciprocal(0.5, 0.05)
    >>> round(interval.low, 2), round(interval.high, 2), interval.kind
    (1.67, 2.49, 'bounded')
    """
    return fieller(1.0, rate, variances=(0.0, se**2), df=df, level=level)
