"""How much overbite posterior intrusion gives, and how far that may well be off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from outcomes.clinical.hinge import Hinge
from outcomes.errors import CannotAnswer

__all__ = ["Lever"]

_Z = 1.959964
"""Standard normal quantile of 97.5 %."""


@dataclass(frozen=True)
class Lever:
    """mm of overbite per mm of posterior intrusion (both arches added), with its range.

    Attributes
    ----------
    per_mm
        Of a small intrusion.
    low, high
        What it may well be.
    model
        The hinge it is taken from; None where it is a number.

    Examples
    --------
    >>> lever = Lever(2.0, 1.5, 3.0)
    >>> float(lever.overbite(0.8)), float(lever.intrusion_for(-1.0))
    (1.6, -0.5)
    """

    per_mm: float
    low: float
    high: float
    model: Hinge | None = None

    def __post_init__(self) -> None:
        if not 0 < self.low <= self.per_mm <= self.high:
            raise CannotAnswer(
                f"The lever is {self.per_mm:g} with a range of {self.low:g} to {self.high:g}: give "
                "numbers above 0, the range around the lever."
            )

    @classmethod
    def of(cls, model: Hinge | None, per_mm: float, ends: tuple[float, float]) -> Lever:
        """A number with its range; where there is a hinge, that with a range as wide in proportion."""
        plain = cls(float(per_mm), float(ends[0]), float(ends[1]))
        if model is None:
            return plain
        scale = model.lever / plain.per_mm
        return cls(model.lever, plain.low * scale, plain.high * scale, model)

    def overbite(self, intrusion: np.ndarray | float) -> np.ndarray:
        """Change of overbite by posterior intrusions, mm."""
        if self.model is not None:
            return self.model.overbite(intrusion)
        return self.per_mm * np.asarray(intrusion, float)

    def intrusion_for(self, overbite: float) -> float:
        """Posterior intrusion for a change of overbite, mm; negative for extrusion."""
        if self.model is not None:
            return float(self.model.intrusion_for(overbite))
        return float(overbite) / self.per_mm

    def draws(self, rng: np.random.Generator, size: int) -> np.ndarray:
        """Levers as shares of this one: half of them below 1, 19 in 20 within the range; (size,)."""
        z = rng.standard_normal(size)
        below, above = np.log(self.low / self.per_mm), np.log(self.high / self.per_mm)
        return np.asarray(np.exp(np.where(z < 0, -below, above) * z / _Z))
