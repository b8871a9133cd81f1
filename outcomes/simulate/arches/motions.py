"""Motions of crowns, drawn from what the words mean, about a crown's centre and axes."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from outcomes.domain.movements import MOVEMENTS
from outcomes.errors import InputError
from outcomes.simulate.arches.smooth import Floats

TRANSLATIONS = ("mesiodistal", "buccolingual", "vertical")
ROTATIONS = ("tip", "torque", "rotation")


@dataclass(frozen=True, slots=True)
class Axes:
    """Centre (3,) and unit axes (3,) of a tooth, anatomical: right-handed on one side only."""

    centre: Floats
    mesial: Floats
    buccal: Floats
    occlusal: Floats

    def moved(self, pose: Floats) -> "Axes":
        """The same after a rigid pose (4, 4)."""
        turn = pose[:3, :3]
        return Axes(
            turn @ self.centre + pose[:3, 3],
            turn @ self.mesial,
            turn @ self.buccal,
            turn @ self.occlusal,
        )


def motion_matrix(components: Mapping[str, float], axes: Axes) -> Floats:
    """The rigid motion (4, 4) of a crown whose six components are given, mm and degrees.

    The rotation is drawn: a turn that carries a towards b is about their cross product, on either
    side of the mouth. Tip carries the occlusal end mesially, torque carries it buccally, rotation
    carries the mesial surface buccally.

    Raises
    ------
    InputError
        If a component is none of the six.
    """
    unknown = sorted(set(components) - {*TRANSLATIONS, *ROTATIONS})
    if unknown:
        raise InputError(f"No such movement: {', '.join(unknown)}. Use {', '.join(MOVEMENTS)}.")

    def size(name: str) -> float:
        return float(components.get(name, 0.0))

    shift = (
        size("mesiodistal") * axes.mesial
        + size("buccolingual") * axes.buccal
        + size("vertical") * axes.occlusal
    )
    turn = np.radians(
        size("tip") * np.cross(axes.occlusal, axes.mesial)
        + size("torque") * np.cross(axes.occlusal, axes.buccal)
        + size("rotation") * np.cross(axes.mesial, axes.buccal)
    )
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.from_rotvec(turn).as_matrix()
    matrix[:3, 3] = axes.centre + shift - matrix[:3, :3] @ axes.centre
    return matrix


def random_pose(rng: np.random.Generator, *, shift: float = 40.0) -> Floats:
    """A rigid motion (4, 4): any rotation, up to ``shift`` mm along each axis."""
    pose = np.eye(4)
    pose[:3, :3] = Rotation.random(rng=rng).as_matrix()
    pose[:3, 3] = rng.uniform(-shift, shift, 3)
    return pose


def placed(pose: Floats, points: Floats) -> Floats:
    """Points (n, 3) or (3,) after a rigid motion (4, 4)."""
    result: Floats = points @ pose[:3, :3].T + pose[:3, 3]
    return result


def inverse(pose: Floats) -> Floats:
    """The rigid motion back."""
    back = np.eye(4)
    back[:3, :3] = pose[:3, :3].T
    back[:3, 3] = -pose[:3, :3].T @ pose[:3, 3]
    return back


def draw_movements(
    rng: np.random.Generator,
    teeth: list[int],
    still: set[int],
    *,
    most_mm: float = 1.5,
    most_degrees: float = 8.0,
) -> dict[int, dict[str, float]]:
    """Planned movements of each tooth in order along the arch; the still ones get none.

    Mesiodistal shifts change slowly along the arch, since neighbours cannot pass through each
    other; the rest is drawn for each tooth.
    """
    knots = rng.uniform(-0.35, 0.35, 5) * most_mm
    drift = np.interp(np.linspace(0, 4, len(teeth)), range(5), knots)
    drawn = {}
    for tooth, along in zip(teeth, drift, strict=True):
        mm = rng.uniform(-1.0, 1.0, 2) * most_mm
        degrees = rng.uniform(-1.0, 1.0, 3) * most_degrees
        mesial = along if tooth // 10 in (1, 3) else -along  # towards the midline on either side
        values = (mesial, *mm, *degrees)
        drawn[tooth] = {
            name: 0.0 if tooth in still else round(float(value), 3)
            for name, value in zip((*TRANSLATIONS, *ROTATIONS), values, strict=True)
        }
    return drawn
