"""How one looks at an arch: from the opposing teeth and from the front, the patient's right on the left.

The upper arch is seen from below with its incisors on top, the lower from above with its incisors
below: both as they are, neither mirrored.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from outcomes.errors import CannotAnswer
from outcomes.measure.motion import FloatArray, ToothFrame

if TYPE_CHECKING:
    from outcomes.measure.measured import ArchPart

__all__ = ["ArchView", "every_frame", "view_of"]

_FORWARD = np.radians([5.0, 15.0, 40.0, 65.0, 75.0, 85.0, 88.0, 90.0])
"""How far mesial has turned from sideways to forwards, from the central incisor to the third molar:
usual arches, common practice, no source. Only the turn of the picture rests on it."""


@dataclass(frozen=True, eq=False)
class ArchView:
    """Directions of an arch in the coordinates of its start scan, unit vectors.

    Attributes
    ----------
    arch
        ``"upper"`` or ``"lower"``.
    centre
        (3,), mm: the middle of the teeth, where both views have their origin.
    left
        (3,), towards the patient's left.
    front
        (3,), out of the mouth.
    occlusal
        (3,), away from the gum.
    """

    arch: str
    centre: FloatArray
    left: FloatArray
    front: FloatArray
    occlusal: FloatArray

    def axes(self, view: str) -> FloatArray:
        """(2, 3): what is drawn rightwards and upwards in ``"occlusal"`` or ``"frontal"`` view."""
        sign = 1.0 if self.arch == "upper" else -1.0
        upwards = sign * self.front if view == "occlusal" else -sign * self.occlusal
        return np.stack([self.left, upwards])

    def flat(self, points: FloatArray, view: str = "occlusal") -> FloatArray:
        """Points (n, 3) or one (3,) as drawn, mm: (n, 2) or (2,)."""
        return (np.asarray(points, dtype=float) - self.centre) @ self.axes(view).T

    def direction(self, vector: FloatArray, view: str = "occlusal") -> FloatArray:
        """A vector (3,) as drawn: (2,)."""
        return self.axes(view) @ np.asarray(vector, dtype=float)


def view_of(arch: str, frames: Mapping[int, ToothFrame]) -> ArchView:
    """The views of an arch, from the axes of its teeth.

    Raises
    ------
    CannotAnswer
        If there is no tooth.
    """
    if not frames:
        raise CannotAnswer("No tooth of this arch has axes, so there is nothing to look at.")
    occlusal = _unit(np.sum([f.occlusal for f in frames.values()], axis=0))
    forward = np.zeros(3)
    for tooth, frame in frames.items():
        turn = _FORWARD[(tooth % 10) - 1]
        forward += np.cos(turn) * frame.buccal + np.sin(turn) * frame.mesial
    front = _unit(forward - (forward @ occlusal) * occlusal)
    left = np.cross(front, occlusal) if arch == "upper" else np.cross(occlusal, front)
    centre = np.mean([f.centre for f in frames.values()], axis=0)
    return ArchView(arch, centre, left, front, occlusal)


def every_frame(part: ArchPart) -> dict[int, ToothFrame]:
    """The axes of all teeth of an arch, also of those that were refused in every stage.

    Those that were measured have them about the reference point of their movements.
    """
    clicked = {} if part.detail is None else part.detail.axes.frames
    return {**clicked, **part.frames}


def _unit(vector: FloatArray) -> FloatArray:
    return vector / np.linalg.norm(vector)
