"""p values of one list, adjusted for their number."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

__all__ = ["holm"]


def holm(p: Iterable[float]) -> np.ndarray:
    """p values adjusted by Holm's method (Scand J Stat 1979;6:65–70), over all that are given.

    The smallest of m is multiplied by m, the next by m − 1 and so on; none comes out smaller than
    one before it, or larger than 1. Missing p values stay missing and are not counted. (Equal to
    ``multipletests`` of statsmodels, which collects garbage at each call: a quarter of a second.)

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03]).round(2)
    array([0.03, 0.06, 0.06])
    """
    adjusted = np.array(list(p), dtype=float)
    known = np.flatnonzero(~np.isnan(adjusted))
    order = known[np.argsort(adjusted[known], kind="stable")]
    steps = np.arange(len(order), 0, -1)
    adjusted[order] = np.minimum(1.0, np.maximum.accumulate(steps * adjusted[order]))
    return adjusted
