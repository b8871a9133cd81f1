"""How far each point of a crown lies from a later scan once the crown is registered to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from outcomes.errors import CannotAnswer
from outcomes.measure.extra import need
from outcomes.measure.motion import FloatArray
from outcomes.measure.outlines import crown_mesh

if TYPE_CHECKING:
    from outcomes.measure.measured import ArchPart
    from outcomes.measure.meshes import Mesh

__all__ = ["CrownResiduals", "crown_residuals", "later_scan"]


@dataclass(frozen=True, eq=False)
class CrownResiduals:
    """A crown of the start scan with what is left between it and a later scan.

    Attributes
    ----------
    tooth
        FDI number.
    points, faces
        (n, 3) mm in the start scan, (m, 3).
    distance
        (n,), mm, unsigned: from each point, after the crown's own registration, to the nearest
        point of the later scan's surface. Gum, a hole or a new attachment shows as much.
    """

    tooth: int
    points: FloatArray
    faces: Any
    distance: FloatArray


def later_scan(part: ArchPart, stage: str) -> Mesh | None:
    """A later scan laid on the start scan; None where there is none or it could not be laid."""
    found = None if part.detail is None else part.detail.stages.get(stage)
    return None if found is None else found.mesh


def crown_residuals(part: ArchPart, stage: str = "achieved") -> list[CrownResiduals]:
    """The residuals of every crown that was registered in a stage.

    Raises
    ------
    CannotAnswer
        If there are no scans of that stage, as where landmarks were measured.
    MissingExtra
        If what reads scans is not installed; the message says what to type.
    """
    later = later_scan(part, stage)
    if later is None:
        raise CannotAnswer(f"There is no {stage} scan of this arch, so there are no residuals.")
    vertices = np.ascontiguousarray(later.vertices, dtype=float)
    faces = np.ascontiguousarray(later.faces, dtype=np.int64)
    boxes = need("igl").AABB()
    boxes.init(vertices, faces)
    found = []
    for tooth in sorted(part.detail.crowns):
        crown = crown_mesh(part, tooth)
        if crown is None or (tooth, stage) not in part.motions:
            continue
        moved = np.ascontiguousarray(part.motions[tooth, stage].apply(crown[0]))
        squared = boxes.squared_distance(vertices, faces, moved)[0]
        distance = np.sqrt(np.maximum(np.asarray(squared, dtype=float).ravel(), 0.0))
        found.append(CrownResiduals(tooth, *crown, distance))
    return found
