"""Where a crown of the start scan lies in another scan of the same teeth.

Points spread over the crown are carried onto the other scan's surface by iterated least squares of
their distances along the normals (point to plane, the normals of both surfaces averaged), from
several starts, coarse to fine. What does not belong to the crown (gum, a neighbour, an attachment
that only one scan has, a hole) lies apart or faces another way, and loses its weight (Tukey).

Chen Y, Medioni G. Image Vis Comput 1992;10(3):145-155, doi:10.1016/0262-8856(92)90066-C (point to
plane). Rusinkiewicz S. ACM Trans Graph 2019;38(4):85, doi:10.1145/3306346.3323037 (both normals).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from outcomes.measure.extra import need
from outcomes.measure.meshes import FloatArray, IntArray, Mesh
from outcomes.measure.motion import Rigid

#: Points of a crown at each level, coarse to fine.
COARSE, MIDDLE, FINE = 160, 500, 1600
#: mm: how far the scan is cut out around a crown, and so how far a crown is looked for.
REACH = 5.0
#: Cosine: surfaces that face further apart than this are not the same.
FACING = 0.6
#: Tukey's constant for 95% efficiency; mm, the narrowest band it may leave.
TUKEY, NARROW = 4.685, 0.06
#: mm: a point of the crown nearer than this to the other scan overlaps with it.
OVERLAPS = 0.15
#: mm: what a misfit counts at most when starts are compared.
CAPPED = 0.4
#: mm and degrees within which two ends of the search are one.
SAME_END = (0.15, 1.5)
#: mm², for each mm or 8 degrees from the likeliest guess, squared.
UNLIKELY = 0.0006
_LEVER = 4.0  # mm: a turn of 1/4 rad is as far as a shift of 1 mm


@dataclass(frozen=True)
class Patch:
    """Points on a surface (n, 3) with unit normals, spread evenly."""

    points: FloatArray
    normals: FloatArray

    @property
    def centre(self) -> FloatArray:
        return self.points.mean(axis=0)

    def some(self, count: int) -> Patch:
        """About ``count`` of the points, as evenly."""
        step = max(len(self.points) / count, 1.0)
        take = (np.arange(0, len(self.points), step)).astype(int)
        return Patch(self.points[take], self.normals[take])


@dataclass(frozen=True)
class Fit:
    """A crown found in another scan.

    Attributes
    ----------
    motion
        From the start scan's coordinates to those of the other scan.
    residual
        mm, robust SD of the distances of points that overlap.
    overlap
        Share of the crown's points that lie on the other scan's surface, 0 to 1.
    information
        (6, 6): of shift (mm) and turn (radians) about the crown's centre there, axes of the other
        scan: the sum of squares it takes to leave the optimum.
    spread
        (6, 6): covariance of the same six, from leaving out one part of the crown after another.
    rival
        Cost of the best other end of the search, beside this one's (1 = as good; inf = none).
    distances
        (n,): of each point of the patch to the other scan, mm; inf where it faces another way.
    """

    motion: Rigid
    residual: float
    overlap: float
    information: FloatArray
    spread: FloatArray
    rival: float
    distances: FloatArray

    def overlap_within(self, mm: float) -> float:
        """Share of the crown's points that are not further than ``mm`` from the other scan."""
        return float((self.distances <= mm).mean())


def patch_of(mesh: Mesh, vertices: IntArray, count: int = FINE, seed: int = 0) -> Patch:
    """Points spread evenly over the triangles all of whose corners are among ``vertices``."""
    chosen = np.zeros(len(mesh.vertices), bool)
    chosen[vertices] = True
    faces = np.flatnonzero(chosen[mesh.faces].all(axis=1))
    # along a curve that keeps neighbours together, so that every nth point is an even choice too
    middle = mesh.vertices[mesh.faces[faces, 0]]
    cell = np.floor((middle - middle.min(axis=0)) / 1.2).astype(int) if len(faces) else middle
    faces = faces[np.lexsort(cell.T)] if len(faces) else faces
    size = np.linalg.norm(mesh.face_vectors[faces], axis=1)
    rng = np.random.default_rng(seed)
    ends = np.cumsum(size)
    at = (np.arange(count) + rng.random(count)) / count * ends[-1]
    face = mesh.faces[faces[np.minimum(np.searchsorted(ends, at), len(faces) - 1)]]
    u, v = rng.random((2, count))
    over = u + v > 1
    u[over], v[over] = 1 - u[over], 1 - v[over]
    share = np.stack([1 - u - v, u, v], axis=1)[:, :, None]
    normals = (mesh.smooth_normals[face] * share).sum(axis=1)
    points = (mesh.vertices[face] * share).sum(axis=1)
    return Patch(points, normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-9))


class Nearest(Protocol):
    """What is asked of a scan: nearest points, and the normals there, of points (n, 3)."""

    def roughly(self, points: FloatArray) -> tuple[FloatArray, FloatArray]: ...

    def exactly(self, points: FloatArray) -> tuple[FloatArray, FloatArray]: ...


class Surface:
    """The part of a scan around a crown, ready for nearest points."""

    def __init__(self, mesh: Mesh, centre: FloatArray, radius: float) -> None:
        near = ((mesh.vertices - centre) ** 2).sum(axis=1) < radius**2
        which = near[mesh.faces].any(axis=1)
        used, numbered = np.unique(mesh.faces[which], return_inverse=True)
        self.vertices = np.ascontiguousarray(mesh.vertices[used])
        self.normals = mesh.smooth_normals[used]
        self.faces = np.ascontiguousarray(numbered.reshape(-1, 3))
        self.empty = len(self.faces) < 30
        if not self.empty:
            self._tree = cKDTree(self.vertices)
            self._boxes = need("igl").AABB()
            self._boxes.init(self.vertices, self.faces)
            self._facing = self.normals[self.faces].sum(axis=1)

    def roughly(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Nearest vertices of points (n, 3) and their normals."""
        _, at = self._tree.query(points)
        return self.vertices[at], self.normals[at]

    def exactly(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Nearest points of the triangles and the smoothed normals there."""
        _, face, nearest = self._boxes.squared_distance(
            self.vertices, self.faces, np.ascontiguousarray(points)
        )
        normals = self._facing[np.asarray(face).ravel()]
        length = np.linalg.norm(normals, axis=1, keepdims=True)
        return np.asarray(nearest), normals / np.maximum(length, 1e-9)


def _turned(turn: FloatArray) -> FloatArray:
    return Rotation.from_rotvec(turn).as_matrix()


def _equations(
    points: FloatArray,
    facing: FloatArray,
    onto: FloatArray,
    normals: FloatArray,
    band: FloatArray,
    either: bool = False,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Rows (s, n, 6) of shift and turn about each set's centre, misfits, weights, distances.

    ``points`` and ``facing`` (s, n, 3) of s sets; ``band`` (s,) mm: Tukey's; ``either``: where it
    is not known yet which side of a surface is outside.
    """
    if either:
        normals = normals * np.sign((facing * normals).sum(axis=2, keepdims=True) + 1e-12)
    offset = points - onto
    distance = np.linalg.norm(offset, axis=2)
    both = facing + normals
    both /= np.maximum(np.linalg.norm(both, axis=2, keepdims=True), 1e-9)
    misfit = (offset * both).sum(axis=2)
    same = (facing * normals).sum(axis=2) > FACING
    u = np.minimum(distance / band[:, None], 1.0)
    weight = np.where(same, (1 - u**2) ** 2, 0.0)
    arm = (points - points.mean(axis=1, keepdims=True)) / _LEVER
    rows = np.concatenate([both, np.cross(arm, both)], axis=2)
    return rows, misfit, weight, np.where(same, distance, np.inf)


def search(
    patch: Patch, surface: Nearest, rotations: FloatArray, shifts: FloatArray,
    bands: Sequence[float], *, exact: bool, either: bool = False, capped: float = CAPPED,
) -> tuple[FloatArray, FloatArray, FloatArray]:  # fmt: skip
    """Improve s motions at once, one step a band (mm); x' = R x + t. Also the cost of each, mm².

    A band is narrowed to Tukey's of the distances found where these are smaller.
    """
    sets = len(rotations)
    closest = surface.exactly if exact else surface.roughly
    cost = np.full(sets, np.inf)
    for step in range(len(bands) + 1):
        points = np.einsum("sij,nj->sni", rotations, patch.points) + shifts[:, None]
        facing = np.einsum("sij,nj->sni", rotations, patch.normals)
        onto, normals = closest(points.reshape(-1, 3))
        onto, normals = onto.reshape(points.shape), normals.reshape(points.shape)
        band = np.full(sets, bands[min(step, len(bands) - 1)])
        if exact:
            off = np.linalg.norm(points - onto, axis=2)
            band = np.clip(TUKEY * 1.4826 * np.median(off, axis=1), NARROW, band)
        rows, misfit, weight, distance = _equations(points, facing, onto, normals, band, either)
        cost = (np.minimum(distance, capped) ** 2).mean(axis=1)
        if step == len(bands):
            break
        weighted = rows * weight[:, :, None]
        left = np.einsum("sni,snj->sij", weighted, rows)
        left += (
            np.eye(6) * (1e-4 * np.maximum(np.trace(left, axis1=1, axis2=2), 1e-3))[:, None, None]
        )
        right = -np.einsum("sni,sn->si", weighted, misfit)
        move = np.linalg.solve(left, right[:, :, None])[:, :, 0]
        size = np.linalg.norm(move, axis=1, keepdims=True)
        move *= np.minimum(1.0, 1.5 / np.maximum(size, 1e-12))
        turn = _turned(move[:, 3:] / _LEVER)
        centre = points.mean(axis=1)
        shifts = np.einsum("sij,sj->si", turn, shifts - centre) + centre + move[:, :3]
        rotations = turn @ rotations
        if exact and step > 3 and size.max() < 2e-5:
            bands = bands[: step + 1]
    return rotations, shifts, cost


def starts_around(
    guesses: Sequence[Rigid], patch: Patch, axes: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Motions to begin from: each guess, and the first of them shifted and turned in a cross.

    ``axes`` (3, 3): rows along, outward, upward in the start scan.
    """
    rotations, shifts = [g.rotation for g in guesses], [g.translation for g in guesses]
    first, centre = guesses[0], patch.centre
    for axis, far in zip(axes, ((1.3, 2.8), (1.3, 2.5), (1.3,)), strict=True):
        for mm in (*far, *(-f for f in far)):
            rotations.append(first.rotation)
            shifts.append(first.translation + first.rotation @ axis * mm)
    for axis, angle in zip(axes, (12.0, 12.0, 13.0), strict=True):
        for degrees in (angle, -angle):
            turn = _turned(axis * np.radians(degrees))
            rotations.append(first.rotation @ turn)
            shifts.append(first.translation + first.rotation @ (centre - turn @ centre))
    return np.array(rotations), np.array(shifts)


def register(patch: Patch, mesh: Mesh, guesses: Sequence[Rigid], axes: FloatArray) -> Fit | None:
    """Find a crown in another scan.

    Parameters
    ----------
    patch
        Of the crown, on the start scan.
    mesh
        The other scan.
    guesses
        Motions to begin from, the likeliest first.
    axes
        (3, 3): rows along the arch, outward, upward, in the start scan.

    Returns
    -------
    Fit or None
        None where there is no surface to lie on.
    """
    radius = float(np.linalg.norm(patch.points - patch.centre, axis=1).max()) + REACH
    surface = Surface(mesh, guesses[0].apply(patch.centre), radius)
    if surface.empty:
        return None
    rotations, shifts = starts_around(guesses, patch, axes)
    few = patch.some(COARSE)
    bands = (4.0, 3.5, 3.0, 2.5, 2.0, 1.7, 1.4, 1.2, 1.0, 0.9, 0.8, 0.8, 0.8, 0.8)
    rotations, shifts, cost = search(few, surface, rotations, shifts, bands, exact=False)
    first = guesses[0]
    best = _ends(rotations, shifts, cost + _unlikely(rotations, shifts, first, patch), patch.centre)
    best = best[:4]
    some = patch.some(MIDDLE)
    rotations, shifts, cost = search(
        some, surface, rotations[best], shifts[best], (0.8, 0.6, 0.5, 0.4, 0.3, 0.3, 0.3, 0.3),
        exact=True,
    )  # fmt: skip
    cost += _unlikely(rotations, shifts, first, patch)
    best = _ends(rotations, shifts, cost, patch.centre)
    rival = float(cost[best[1]] / max(cost[best[0]], 1e-6)) if len(best) > 1 else np.inf
    one = best[:1]
    rotations, shifts, _ = search(
        patch, surface, rotations[one], shifts[one], (0.3,) * 14, exact=True
    )
    return _judged(patch, surface, Rigid(rotations[0], shifts[0]), rival)


def _unlikely(rotations: FloatArray, shifts: FloatArray, first: Rigid, patch: Patch) -> FloatArray:
    """What a motion far from the likeliest guess costs, mm²: only to choose between ends."""
    far = np.linalg.norm(rotations @ patch.centre + shifts - first.apply(patch.centre), axis=1)
    turns = Rotation.from_matrix(rotations @ first.rotation.T).magnitude()
    return UNLIKELY * ((far / 1.0) ** 2 + (turns / np.radians(8.0)) ** 2)


def _ends(
    rotations: FloatArray, shifts: FloatArray, cost: FloatArray, centre: FloatArray
) -> list[int]:
    """The different ends of a search, the best first."""
    kept: list[int] = []
    placed = rotations @ centre + shifts
    for i in np.argsort(cost):
        for j in kept:
            angle = np.degrees(Rotation.from_matrix(rotations[i] @ rotations[j].T).magnitude())
            if np.linalg.norm(placed[i] - placed[j]) < SAME_END[0] and angle < SAME_END[1]:
                break
        else:
            kept.append(int(i))
    return kept


def _judged(patch: Patch, surface: Surface, motion: Rigid, rival: float) -> Fit:
    points, facing = motion.apply(patch.points), patch.normals @ motion.rotation.T
    onto, normals = surface.exactly(points)
    off = np.linalg.norm(points - onto, axis=1)
    band = np.clip(TUKEY * 1.4826 * np.median(off), NARROW, 0.3)
    rows, misfit, weight, distance = (
        a[0] for a in _equations(points[None], facing[None], onto[None], normals[None],
                                 np.array([band]))
    )  # fmt: skip
    rows = rows * np.r_[1.0, 1.0, 1.0, _LEVER, _LEVER, _LEVER]
    on = distance < OVERLAPS
    residual = float(1.4826 * np.median(np.abs(misfit[on]))) if on.any() else np.inf
    left = (rows * weight[:, None]).T @ rows
    left += np.diag([1e-6] * 6)
    return Fit(
        motion, residual, float(on.mean()), left, _left_out(patch, rows, misfit, weight, left),
        rival, distance,
    )  # fmt: skip


def _left_out(
    patch: Patch, rows: FloatArray, misfit: FloatArray, weight: FloatArray, left: FloatArray
) -> FloatArray:
    """Covariance (6, 6) by the jackknife over eight parts of the crown: the octants of its
    principal axes.
    """
    own = patch.points - patch.centre
    _, _, axes = np.linalg.svd(own, full_matrices=False)
    own = own @ axes.T
    part = (own > np.median(own, axis=0)) @ np.array([1, 2, 4])
    right = (rows * weight[:, None] * misfit[:, None]).astype(float)
    moves = []
    for k in range(8):
        out = part == k
        if not weight[out].any():
            continue
        less = left - (rows[out] * weight[out, None]).T @ rows[out]
        moves.append(
            -np.linalg.solve(
                less + 1e-3 * np.diag(np.diag(left)), (right.sum(0) - right[out].sum(0))
            )
        )
    without = np.array(moves) if moves else np.zeros((1, 6))
    count = len(without)
    centred = without - without.mean(axis=0)
    return (count - 1) / count * centred.T @ centred
