"""p values of one list, adjusted for their number."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

__all__ = ["holm"]


def holm(p: Iterable[float]) -> np.ndarray:
    """p values adjusted by Holm's method (Scand J Stat 1979;6:65–70), over all that are given.

    That of statsmodels; missing p values stay missing and are not counted.

    Examples
    --------
    >>> holm([0.01, 0.04, np.nan, 0.03]).round(2)
    array([0.03, 0.06,  nan, 0.06])
    """
    from statsmodels.stats.multitest import multipletests

    adjusted = np.array(list(p), dtype=float)
    known = ~np.isnan(adjusted)
    if known.any():
        adjusted[known] = multipletests(adjusted[known], method="holm")[1]
    return adjusted
