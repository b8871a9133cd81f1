"""Crowns of one drawn arch before and after known motions: what several ICPs are tried on."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.spatial.transform import Rotation

from outcomes.measure.axes import arch_frames
from outcomes.measure.crowns import find_crowns
from outcomes.measure.meshes import IntArray, Mesh, clean
from outcomes.measure.register import Patch, patch_of
from tests.measure.shapes import Arch, random_motions

ATTACHED = (43, 35)


@dataclass(frozen=True)
class ReferenceCrown:
    """A crown, its true motion (4, 4) and its axes as columns."""

    tooth: int
    patch: Patch
    start: Mesh
    core: IntArray
    mesh: Mesh
    moved: np.ndarray
    axes: np.ndarray


@lru_cache(maxsize=2)
def crowns(without=()) -> dict[int, ReferenceCrown]:
    arch = Arch("lower", family="balls", seed=8, teeth=(3, 4, 5, 6))
    moved = random_motions(arch, 8)
    before = arch.draw(step=0.45, noise=0.02, seed=1)
    after = arch.draw(moved, step=0.47, noise=0.02, gum=0.4, holes=4, seed=2, attachments=ATTACHED,
                      without=without)  # fmt: skip
    start, later = clean(before.vertices, before.faces), clean(after.vertices, after.faces)
    frames = arch_frames(arch.clicks, away_from_gum=np.array([0.0, 0.0, 1.0])).frames
    found, _ = find_crowns(start, arch.clicks, frames)
    return {
        t: ReferenceCrown(t, patch_of(start, c.core), start, c.core, later, moved[t],
                          frames[t].axes().T)
        for t, c in found.items()
    }  # fmt: skip


def error(motion, true, centre) -> tuple[float, float]:
    """How far two motions differ: mm at a point, and degrees. Each a Rigid or a (4, 4)."""
    a, b = (np.asarray(m.matrix() if hasattr(m, "matrix") else m) for m in (motion, true))
    off = a[:3, :3] @ centre + a[:3, 3] - b[:3, :3] @ centre - b[:3, 3]
    turn = Rotation.from_matrix(a[:3, :3] @ b[:3, :3].T).magnitude()
    return float(np.linalg.norm(off)), float(np.degrees(turn))
