"""Plan and outcome laid on the start scan: first roughly from any pose, then on what is stable.

Nothing in a scan says which teeth stood still. The stable reference is therefore an assumption that
its user makes: teeth listed by number, a patch of the palate, or all teeth, of which those are
taken that kept their places among each other.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from outcomes.measure.meshes import FloatArray, Mesh
from outcomes.measure.motion import Rigid, fit_rigid
from outcomes.measure.register import Fit, Patch, search

#: mm: teeth of the reference that differ by less kept their places.
KEPT = 0.15
#: Fewest teeth that kept their places for these alone to be the reference.
FEWEST_KEPT = 4
#: Variance of a reference of one or two teeth, whose common error nothing shows, is so much more.
FEW_TEETH = 4.0
#: mm: how far a tooth may differ before it loses its weight, where too few kept their places.
LOOSE = 0.8
#: mm: how near is near, when scans are laid roughly; and the share that is enough.
NEAR = 1.3
ENOUGH = 0.68
_FAR_BANDS = (18.0, 14.0, 11.0, 9.0, 7.0, 6.0, 5.0, 4.5, 4.0, 3.5, 3.0, 3.0)
_NEAR_BANDS = (4.0, 3.0, 2.5, 2.0, 1.7, 1.5, 1.5, 1.5, 1.2, 1.2, 1.2, 1.2)


@dataclass(frozen=True)
class Superimposition:
    """How another scan is laid on the start scan.

    Attributes
    ----------
    motion
        From the coordinates of the other scan to those of the start scan.
    teeth
        The reference; empty for a patch of the palate.
    residual
        mm, root mean square of the distances of the reference's points from their places in the
        start scan.
    cautions
        What is to be said of it, in words.
    spread, middle
        (6, 6): covariance of shift (mm) and turn (radians) about ``middle`` (3,), coordinates of
        the other scan.
    """

    motion: Rigid
    teeth: tuple[int, ...]
    residual: float
    cautions: tuple[str, ...] = ()
    spread: FloatArray | None = None
    middle: FloatArray | None = None

    def error_at(self, point: FloatArray) -> FloatArray:
        """(6, 6): covariance of shift (mm) and turn (radians) that the reference gives a crown.

        ``point`` (3,) in the coordinates of the other scan.
        """
        if self.spread is None or self.middle is None:
            return np.zeros((6, 6))
        moves = _about(point - self.middle)
        return moves @ self.spread @ moves.T


@dataclass(frozen=True)
class Laid:
    """A scan laid roughly on the start scan.

    Attributes
    ----------
    motions
        From the start scan to the other, the likeliest first.
    other
        The other scan, its outside where the start scan has it.
    share
        Of the points of the likeliest that lie near their like, 0 to 1.
    """

    motions: list[Rigid]
    other: Mesh
    share: float


class _Cloud:
    """A scan thinned to a point about every millimetre."""

    def __init__(self, mesh: Mesh, size: float = 0.9) -> None:
        cell = np.floor((mesh.vertices - mesh.vertices.min(axis=0)) / size).astype(np.int64)
        key = (cell[:, 0] << 42) | (cell[:, 1] << 21) | cell[:, 2]
        _, first = np.unique(key, return_index=True)
        self.vertices, self.normals = mesh.vertices[first], mesh.smooth_normals[first]
        self._tree = cKDTree(self.vertices)

    def roughly(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        _, at = self._tree.query(points)
        return self.vertices[at], self.normals[at]

    def exactly(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        return self.roughly(points)


def _weighted_axes(mesh: Mesh) -> tuple[FloatArray, FloatArray]:
    """Centroid of the surface, and its principal axes as rows, the longest first."""
    share = mesh.areas / mesh.areas.sum()
    centre = share @ mesh.vertices
    centred = mesh.vertices - centre
    _, axes = np.linalg.eigh((centred * share[:, None]).T @ centred)
    axes = axes.T[::-1].copy()
    axes[2] *= np.linalg.det(axes)
    return centre, axes


def _many_turns(step: int) -> FloatArray:
    """Rotations (s, 3, 3) about the thin axis of an arch, its two faces up; ``step`` in degrees."""
    turns = Rotation.from_euler("z", np.arange(0, 360, step)[:, None], degrees=True)
    flipped = turns * Rotation.from_euler("x", 180, degrees=True)
    return np.concatenate([turns.as_matrix(), flipped.as_matrix()])


def lay_roughly(start: Mesh, crowns: Patch, other: Mesh, *, most: int = 3) -> Laid:
    """Lay a scan in any pose on the start scan, roughly.

    Parameters
    ----------
    start, other
        The scans.
    crowns
        Points of all crowns of the start scan.
    most
        How many different motions are returned.

    Returns
    -------
    Laid
        Motions from the start scan to the other, the likeliest first.

    Notes
    -----
    Candidates (as they lie; principal axes and turns about the thin axis) are improved by trimmed
    least squares. Where the crowns do not find their like, the other scan may be inside out, or
    show part of the arch: then its points must find theirs, from every place along the arch.
    """
    best = Laid([], other, 0.0)
    for mesh in (other, turned_inside_out(other)):
        found = _whole(start, crowns, mesh, most)
        best = max(best, found, key=lambda laid: laid.share)
        if best.share > ENOUGH:
            return best
    for mesh in (other, turned_inside_out(other)):
        found = _part(start, crowns, mesh, most)
        best = max(best, found, key=lambda laid: laid.share)
        if best.share > ENOUGH:
            return best
    return best


def _whole(start: Mesh, crowns: Patch, other: Mesh, most: int) -> Laid:
    here, own = _weighted_axes(start)
    there, axes = _weighted_axes(other)
    turns = np.einsum("ji,sjk,kl->sil", axes, _many_turns(20), own)
    rotations = np.concatenate([np.eye(3)[None], turns])
    shifts = np.concatenate([np.zeros((1, 3)), there - turns @ here])
    return _improved(crowns, other, rotations, shifts, most)


def _part(start: Mesh, crowns: Patch, other: Mesh, most: int) -> Laid:
    """The other way round: points of the other scan must find their like on the start scan."""
    _, own = _weighted_axes(start)
    there, axes = _weighted_axes(other)
    spots = crowns.points[:: max(len(crowns.points) // 10, 1)]
    turns = np.einsum("ji,sjk,kl->sil", own, _many_turns(30), axes)
    rotations = np.repeat(turns, len(spots), axis=0)
    shifts = np.tile(spots, (len(turns), 1)) - rotations @ there
    cloud = _Cloud(other, 1.5)
    seen = Patch(cloud.vertices, cloud.normals)
    laid = _improved(seen, start, rotations, shifts, most)
    return Laid([m.inverse() for m in laid.motions], other, laid.share)


def _improved(
    points: Patch, onto: Mesh, rotations: FloatArray, shifts: FloatArray, most: int
) -> Laid:
    cloud = _Cloud(onto)
    middle = points.centre
    rotations, shifts, cost = search(
        points.some(140), cloud, rotations, shifts, _FAR_BANDS, exact=False, capped=2.5
    )
    best = _different(rotations, shifts, cost, middle)[:8]
    some = points.some(700)
    rotations, shifts, cost = search(
        some, cloud, rotations[best], shifts[best], _NEAR_BANDS, exact=False, capped=1.5
    )
    best = _different(rotations, shifts, cost, middle)[:most]
    motions = [Rigid(rotations[i], shifts[i]) for i in best]
    at, normals = cloud.roughly(motions[0].apply(some.points))
    facing = ((some.normals @ motions[0].rotation.T) * normals).sum(axis=1) > 0.5
    near = np.linalg.norm(at - motions[0].apply(some.points), axis=1) < NEAR
    return Laid(motions, onto, float((facing & near).mean()))


def _different(
    rotations: FloatArray, shifts: FloatArray, cost: FloatArray, centre: FloatArray
) -> list[int]:
    kept: list[int] = []
    placed = rotations @ centre + shifts
    for i in np.argsort(cost):
        angles = [Rotation.from_matrix(rotations[i] @ rotations[j].T).magnitude() for j in kept]
        apart = [np.linalg.norm(placed[i] - placed[j]) for j in kept]
        if all(a > np.radians(6) or d > 2.5 for a, d in zip(angles, apart, strict=True)):
            kept.append(int(i))
    return kept


def turned_inside_out(mesh: Mesh) -> Mesh:
    """The same surface with its other side outside."""
    return Mesh(mesh.vertices, mesh.faces[:, ::-1].copy(), (*mesh.notes, "turned inside out"))


def _carried(fit: Fit, patch: Patch) -> FloatArray:
    return fit.motion.apply(patch.points)


def _off(motion: Rigid, fits: Mapping[int, Fit], patches: Mapping[int, Patch]) -> dict[int, float]:
    """For each tooth, how far it lies from where ``motion`` (start to other) carries it, mm RMS."""
    return {
        tooth: float(
            np.sqrt(
                ((motion.apply(patches[tooth].points) - _carried(fit, patches[tooth])) ** 2)
                .sum(axis=1)
                .mean()
            )
        )
        for tooth, fit in fits.items()
    }


def join(
    fits: Mapping[int, Fit], patches: Mapping[int, Patch], weights: Mapping[int, float]
) -> Rigid:
    """The one motion (start to other) that leaves the fits of several crowns together least.

    Each fit is worth its information: of all crowns registered as one body, the result is the same
    to first order, and a round crown's weak turn about its long axis weighs nothing.
    """
    teeth = [t for t in fits if weights.get(t, 0) > 0]
    source = np.concatenate([patches[t].points[::8] for t in teeth])
    target = np.concatenate([_carried(fits[t], patches[t])[::8] for t in teeth])
    share = np.concatenate([np.full(len(patches[t].points[::8]), weights[t]) for t in teeth])
    motion, _ = fit_rigid(source, target, share)
    for _ in range(4):
        middle = motion.apply(source.mean(axis=0))
        left, right = np.eye(6) * 1e-9, np.zeros(6)
        for tooth in teeth:
            centre = patches[tooth].centre
            to = fits[tooth].motion
            # what is still between the joint motion and the crown's own, about the crown's centre
            turn = Rotation.from_matrix(to.rotation @ motion.rotation.T).as_rotvec()
            rest = np.r_[to.apply(centre) - motion.apply(centre), turn]
            arm = motion.apply(centre) - middle
            moves = _about(arm)
            information = fits[tooth].information * weights[tooth]
            left += moves.T @ information @ moves
            right += moves.T @ information @ rest
        step = np.linalg.solve(left, right)
        turn = Rotation.from_rotvec(step[3:]).as_matrix()
        motion = motion.then(Rigid(turn, middle - turn @ middle + step[:3]))
    return motion


def _about(arm: FloatArray) -> FloatArray:
    """(6, 6): shift and turn at a point ``arm`` away from where they are given."""
    moves = np.eye(6)
    moves[:3, 3:] = -_cross(arm)
    return moves


def _spread(
    fits: Mapping[int, Fit], patches: Mapping[int, Patch], teeth: Sequence[int], motion: Rigid
) -> tuple[FloatArray, FloatArray]:
    """Covariance of the joint motion (start to other) of equally weighted teeth, and its middle."""
    centres = {t: motion.apply(patches[t].centre) for t in teeth}
    middle = np.mean(list(centres.values()), axis=0)
    left, noise = np.eye(6) * 1e-9, np.zeros((6, 6))
    for tooth in teeth:
        moves = _about(centres[tooth] - middle)
        gain = moves.T @ fits[tooth].information
        left += gain @ moves
        noise += gain @ fits[tooth].spread @ gain.T
    inverse = np.linalg.inv(left)
    few = FEW_TEETH if len(teeth) < 3 else 1.0
    return inverse @ noise @ inverse * few, middle


def _cross(v: FloatArray) -> FloatArray:
    return np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])


def on_teeth(
    fits: Mapping[int, Fit], patches: Mapping[int, Patch], asked: Sequence[int]
) -> Superimposition | None:
    """Superimposition on listed teeth; None where none of them was found."""
    there = {t: fits[t] for t in asked if t in fits}
    if not there:
        return None
    motion = join(there, patches, dict.fromkeys(there, 1.0))
    off = _off(motion, there, patches)
    cautions = []
    lost = [t for t in asked if t not in fits]
    if lost:
        cautions.append(
            f"of the reference, {', '.join(map(str, lost))} could not be used: it rests on the others"
        )
    if len(there) == 1:
        cautions.append(
            "the reference is one tooth: its own error turns the whole arch; name more teeth"
        )
    apart = [t for t in there if off[t] > KEPT]
    if apart and len(there) > 1:
        listed = ", ".join(f"{t} ({off[t]:.2f} mm)" for t in apart)
        cautions.append(f"teeth of the reference moved beside each other: {listed}")
    return Superimposition(
        motion.inverse(), tuple(sorted(there)), _root_mean_square(off), tuple(cautions),
        *_spread(fits, patches, list(there), motion),
    )  # fmt: skip


def on_all(fits: Mapping[int, Fit], patches: Mapping[int, Patch]) -> Superimposition | None:
    """Superimposition on the teeth that kept their places among each other.

    Where at least four did (within 0.15 mm), they are the reference; else all teeth, those far off
    with less weight. Either way it is an assumption that they stood still.
    """
    if len(fits) < 3:
        return None
    kept, motion = _that_kept(fits, patches)
    if len(kept) >= max(FEWEST_KEPT, round(0.25 * len(fits))):
        off = _off(motion, {t: fits[t] for t in kept}, patches)
        said = (
            "no reference was named: the teeth that kept their places among each other "
            f"({', '.join(map(str, sorted(kept)))}) are taken to have stood still"
        )
        return Superimposition(
            motion.inverse(), tuple(sorted(kept)), _root_mean_square(off), (said,),
            *_spread(fits, patches, sorted(kept), motion),
        )  # fmt: skip
    weights = dict.fromkeys(fits, 1.0)
    for _ in range(15):
        motion = join(fits, patches, weights)
        off = _off(motion, fits, patches)
        weights = {t: 1 / (1 + (d / LOOSE) ** 2) ** 2 for t, d in off.items()}
    said = (
        "no reference was named and too few teeth kept their places among each other: the mean of "
        "all teeth is taken to have stood still, so that every movement is relative to it"
    )
    return Superimposition(motion.inverse(), tuple(sorted(fits)), _root_mean_square(off), (said,))


def _that_kept(fits: Mapping[int, Fit], patches: Mapping[int, Patch]) -> tuple[set[int], Rigid]:
    """The largest set of teeth that one motion carries within ``KEPT``, and that motion."""
    teeth = list(fits)
    thin = {t: Patch(patches[t].points[::16], patches[t].normals[::16]) for t in teeth}
    best: set[int] = set()
    for i, a in enumerate(teeth):
        for b in teeth[i + 1 :]:
            source = np.concatenate([thin[a].points, thin[b].points])
            target = np.concatenate([_carried(fits[a], thin[a]), _carried(fits[b], thin[b])])
            motion, _ = fit_rigid(source, target)
            off = _off(motion, fits, thin)
            kept = {t for t in teeth if off[t] < KEPT}
            if {a, b} <= kept and len(kept) > len(best):
                best = kept
    if len(best) < 2:
        return set(), Rigid.identity()
    for _ in range(4):
        motion = join(fits, patches, dict.fromkeys(best, 1.0))
        off = _off(motion, fits, patches)
        found = {t for t in teeth if off[t] < KEPT}
        if found == best or len(found) < 2:
            break
        best = found
    return best, motion


def _root_mean_square(off: Mapping[int, float]) -> float:
    return float(np.sqrt(np.mean(np.square(list(off.values())))))
