"""Smooth maxima and minima of fields that are negative inside a body.

Equal to the hard maximum or minimum wherever the two differ by more than ``width``, so that away
from a seam a body keeps its own surface exactly.
"""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def larger(a: Floats, b: Floats, width: float) -> Floats:
    """Smooth maximum: the edge between two bodies that are cut with each other is rounded.

    Examples
    --------
    >>> larger(np.array([0.0, 0.0]), np.array([1.0, 0.0]), 0.5).tolist()
    [1.0, 0.125]
    """
    apart = np.maximum(width - np.abs(a - b), 0.0)
    result: Floats = np.maximum(a, b) + apart * apart / (4.0 * width)
    return result


def smaller(a: Floats, b: Floats, width: float) -> Floats:
    """Smooth minimum: the corner between two bodies that are joined gets a concave fillet."""
    return -larger(-a, -b, width)
