"""Random effects and residuals, well behaved or not."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def standard_effects(rng: np.random.Generator, size: int | tuple[int, ...], skew: float) -> Floats:
    """Draws with mean 0 and SD 1: normal, or a shifted gamma of the given skewness.

    Examples
    --------
    >>> draws = standard_effects(np.random.default_rng(1), 100_000, skew=1.5)
    >>> bool(abs(draws.mean()) < 0.02), bool(abs(draws.std() - 1) < 0.02)
    (True, True)
    """
    if abs(skew) < 1e-3:  # indistinguishable, and a gamma of that shape overflows
        return rng.standard_normal(size)
    shape = 4.0 / skew**2  # a gamma of this shape has skewness 2/sqrt(shape)
    return np.sign(skew) * (rng.gamma(shape, size=size) - shape) / np.sqrt(shape)


def residuals(
    rng: np.random.Generator,
    sd: Floats | float,
    size_of_plan: Floats,
    heteroscedastic: float,
    outliers: float,
) -> Floats:
    """Residuals of SD ``sd * (1 + heteroscedastic * size_of_plan)``, |planned| in units of the usual
    plan (its SD); a share ``outliers`` of them eight times as large."""
    draws = rng.standard_normal(size_of_plan.shape) * sd
    if heteroscedastic:
        draws *= 1.0 + heteroscedastic * size_of_plan
    if outliers:
        draws[rng.random(size_of_plan.shape) < outliers] *= 8.0
    return draws
