"""Laying a scan on a patch of the palate."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from outcomes.measure.meshes import FloatArray, Mesh
from outcomes.measure.motion import Rigid
from outcomes.measure.register import Patch, patch_of, register
from outcomes.measure.superimpose import Superimposition
from outcomes.measure.verdict import FOUND, SAME_CROWN, predicted_error

#: mm: how far the palate may lie off the plane of its outline.
DEPTH = 12.0
#: mm² of palate below which it fixes nothing.
SMALLEST_PATCH = 60.0


def palate_patch(mesh: Mesh, outline: FloatArray) -> tuple[Patch | None, str]:
    """Points of the palate inside an outline (n, 3), or the reason why there are none."""
    middle = outline.mean(axis=0)
    _, sizes, axes = np.linalg.svd(outline - middle, full_matrices=False)
    if len(outline) < 3 or sizes[1] < 1.0:
        return None, "the palate's outline has fewer than three points, or they lie on a line"
    flat = (mesh.vertices - middle) @ axes.T
    corners = (outline - middle) @ axes.T
    order = np.argsort(np.arctan2(corners[:, 1], corners[:, 0]))
    inside = _inside(flat[:, :2], corners[order, :2]) & (np.abs(flat[:, 2]) < DEPTH)
    which = np.flatnonzero(inside)
    if not len(which):
        return None, "there is no surface inside the palate's outline"
    # the outline lies on the palate: other walls below or above it do not reach it
    near = which[cKDTree(outline).query(mesh.vertices[which])[0].argmin()]
    facing = mesh.smooth_normals[which] @ mesh.smooth_normals[near] > -0.2
    which = which[facing]
    if mesh.areas[which].sum() < SMALLEST_PATCH:
        return None, f"the patch of the palate is only {mesh.areas[which].sum():.0f} mm²"
    return patch_of(mesh, which, 3000), ""


def _inside(points: FloatArray, corners: FloatArray) -> np.ndarray:
    """Which points (n, 2) lie inside a polygon (k, 2): an odd number of its sides to the right."""
    x, y = points.T
    odd = np.zeros(len(points), bool)
    for (ax, ay), (bx, by) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if ay != by:
            crossing = (ay > y) != (by > y)
            odd ^= crossing & (x < (bx - ax) * (y - ay) / (by - ay) + ax)
    return odd


def on_palate(
    start: Mesh, other: Mesh, outline: FloatArray | None, roughly: Superimposition | None
) -> tuple[Superimposition | None, str]:
    """Superimposition on the palate inside an outline, or None with the reason.

    ``roughly``: where the teeth are, to begin from.
    """
    if outline is None or len(outline) < 3:
        return None, "the reference is the palate, but fewer than three points outline it"
    if roughly is None:
        return None, "too few crowns fit to find the palate from them"
    patch, why = palate_patch(start, outline)
    if patch is None:
        return None, why
    begin: list[Rigid] = [roughly.motion.inverse()]
    _, _, axes = np.linalg.svd(patch.points - patch.centre, full_matrices=False)
    fit = register(patch, other, begin, axes)
    if fit is None or fit.overlap_within(SAME_CROWN) < FOUND or fit.residual > SAME_CROWN:
        return None, "the palate's patch was not found in this scan"
    cautions = ["the palate inside the outline is taken to have kept its form and place"]
    mm, degrees = predicted_error(fit)
    if mm > 0.2 or degrees > 1.0:
        cautions.append(
            f"the patch holds the scan only to {mm:.1f} mm and {degrees:.1f} degrees: outline more"
        )
    return Superimposition(
        fit.motion.inverse(),
        (),
        fit.residual,
        tuple(cautions),
        fit.spread,
        fit.motion.apply(patch.centre),
    ), ""
