"""Near enough, or not: the one comparison of a miss with its tolerance."""

from __future__ import annotations

from typing import Any

import numpy as np

__all__ = ["beyond_tolerance", "within_tolerance"]

_SLACK = 1e-9  # a miss of exactly the tolerance counts as within, whatever 1.1 - 0.6 is in binary


def within_tolerance(miss: Any, tolerance: Any) -> Any:
    """Is the size of a miss no more than the tolerance?

    Parameters
    ----------
    miss
        Aim minus achieved, mm or degrees, of any sign; a number or an array.
    tolerance
        In the same unit; a number or an array that broadcasts.

    Returns
    -------
    bool or array of bool
        A missing miss is not within.

    Examples
    --------
    >>> bool(within_tolerance(1.1 - 0.6, 0.5)), 1.1 - 0.6 <= 0.5
    (True, False)
    """
    return np.abs(miss) <= tolerance + _SLACK


def beyond_tolerance(excess: Any, tolerance: Any) -> Any:
    """Is the result past the aim by more than the tolerance?

    Parameters
    ----------
    excess
        How far past the aim, in its direction; mm or degrees.
    tolerance
        In the same unit.

    Examples
    --------
    >>> bool(beyond_tolerance(1.1 - 0.6, 0.5)), bool(beyond_tolerance(0.6, 0.5))
    (False, True)
    """
    return excess > tolerance + _SLACK
