"""Rigid motion of a crown between two scans, and its six components in the tooth's own axes.

x' = R x + t, in mm, in the coordinates of the start scan. With c the crown's reference point, its
translation is T = R c + t - c, and its rotation vector w (the matrix logarithm: axis times angle)
needs no order of angles. x mesial, y buccal (labial), z occlusal are unit vectors; in half of the
quadrants they are left-handed, h = -1, else h = 1:

    mesiodistal = T.x    buccolingual = T.y    vertical = T.z
    tip = h w.y          torque = -h w.x       rotation = h w.z

A crown tip is positive where the biting edge goes mesially about y, torque where it goes buccally
about x, rotation where the mesial surface turns buccally about z.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from outcomes.domain.movements import MOVEMENTS
from outcomes.errors import CannotAnswer, InputError
from outcomes.words.english import counted

__all__ = [
    "LARGEST_TURN",
    "FloatArray",
    "Rigid",
    "ToothFrame",
    "components",
    "fit_rigid",
    "largest_change",
    "motion_of",
]

FloatArray = NDArray[np.float64]

LARGEST_TURN = 179.0
"""Degrees. Beyond it the sense of a turn is a matter of rounding; no tooth turns so far."""

ALONG_A_LINE = 0.02
"""Points whose spread off their line is below this share of that along it fix no turn about it."""

MIRRORED = 0.05
"""Misfit, as a share of the points' spread, above which a mirror image that fits is told."""


@dataclass(frozen=True, slots=True, eq=False)
class Rigid:
    """x' = rotation @ x + translation.

    Attributes
    ----------
    rotation
        (3, 3), determinant +1.
    translation
        (3,), mm.

    Examples
    --------
    >>> up = Rigid(np.eye(3), np.array([0.0, 0.0, 2.0]))
    >>> up.then(up).apply(np.array([[1.0, 0.0, 0.0]]))
    array([[1., 0., 4.]])
    """

    rotation: FloatArray
    translation: FloatArray

    @classmethod
    def identity(cls) -> Rigid:
        """No motion."""
        return cls(np.eye(3), np.zeros(3))

    @classmethod
    def from_matrix(cls, matrix: FloatArray) -> Rigid:
        """From a (4, 4) homogeneous matrix."""
        matrix = np.asarray(matrix, dtype=float)
        return cls(matrix[:3, :3].copy(), matrix[:3, 3].copy())

    def matrix(self) -> FloatArray:
        """The (4, 4) homogeneous matrix."""
        whole = np.eye(4)
        whole[:3, :3], whole[:3, 3] = self.rotation, self.translation
        return whole

    def apply(self, points: FloatArray) -> FloatArray:
        """Points (n, 3) or one point (3,), moved."""
        return np.asarray(points, dtype=float) @ self.rotation.T + self.translation

    def then(self, other: Rigid) -> Rigid:
        """This motion first, ``other`` after it."""
        return Rigid(
            other.rotation @ self.rotation, other.rotation @ self.translation + other.translation
        )

    def inverse(self) -> Rigid:
        """The motion back."""
        return Rigid(self.rotation.T, -self.rotation.T @ self.translation)

    def angle(self) -> float:
        """Size of the turn, degrees, from 0 to 180."""
        return float(np.degrees(Rotation.from_matrix(self.rotation).magnitude()))


@dataclass(frozen=True, slots=True, eq=False)
class ToothFrame:
    """Reference point and axes of a tooth in the start scan, in mm.

    Attributes
    ----------
    tooth
        FDI number.
    centre
        (3,), the point whose translation is measured.
    mesial, buccal, occlusal
        (3,), unit vectors at right angles: towards mesial, towards buccal (labial), away from the
        gum. Anatomical, so that they are left-handed in half of the quadrants.
    """

    tooth: int
    centre: FloatArray
    mesial: FloatArray
    buccal: FloatArray
    occlusal: FloatArray

    def axes(self) -> FloatArray:
        """(3, 3), the rows mesial, buccal, occlusal."""
        return np.stack([self.mesial, self.buccal, self.occlusal])

    def handed(self) -> float:
        """+1 where mesial, buccal, occlusal are right-handed, else -1."""
        return float(np.sign(np.linalg.det(self.axes())))


def fit_rigid(
    source: FloatArray, target: FloatArray, weights: FloatArray | None = None
) -> tuple[Rigid, float]:
    """The rigid motion that carries points onto others with the least sum of squares.

    Parameters
    ----------
    source, target
        (n, 3), mm, the same points before and after; n at least 3.
    weights
        (n,), not negative; all 1 by default.

    Returns
    -------
    Rigid, float
        The motion, and the root of the weighted mean squared residual, mm.

    Raises
    ------
    InputError
        If shapes differ, a number is missing or a weight is negative.
    CannotAnswer
        If fewer than three points count, they lie on a line, or the target is a mirror image.

    References
    ----------
    Kabsch W. Acta Cryst A 1976;32:922-923 and 1978;34:827-828.

    Examples
    --------
    >>> before = np.array([[0.0, 0, 0], [1, 0, 0], [0, 2, 0], [0, 0, 3]])
    >>> motion, residual = fit_rigid(before, before + [0.5, 0.0, 0.0])
    >>> motion.translation.round(6), round(residual, 6)
    (array([0.5, 0. , 0. ]), 0.0)
    """
    source, target, share = _checked(source, target, weights)
    if np.count_nonzero(share) < 3:
        raise CannotAnswer(
            f"{counted(int(np.count_nonzero(share)), 'point')} cannot fix a motion: give at least "
            "three that do not lie on a line."
        )
    from_centre, to_centre = share @ source, share @ target
    before, after = source - from_centre, target - to_centre
    for points, which in ((before, "before"), (after, "after")):
        if _on_a_line(points, share):
            raise CannotAnswer(
                f"The points {which} lie on a line, so that a turn about it cannot be told: add a "
                "point that lies off it."
            )
    left, sizes, right = np.linalg.svd((before * share[:, None]).T @ after)
    sign = float(np.sign(np.linalg.det(left @ right)))
    spread = float(share @ (before**2).sum(axis=1) + share @ (after**2).sum(axis=1))
    if sign < 0:
        proper = max(spread - 2.0 * (sizes[0] + sizes[1] - sizes[2]), 0.0)
        mirrored = max(spread - 2.0 * sizes.sum(), 0.0)
        if proper > MIRRORED**2 * spread and proper > 9.0 * mirrored:
            raise CannotAnswer(
                "The points after are a mirror image of those before, which no motion makes: one "
                "of the scans is mirrored, or points are named wrongly."
            )
    rotation = (right.T * [1.0, 1.0, sign]) @ left.T
    residual = float(np.sqrt(share @ ((after - before @ rotation.T) ** 2).sum(axis=1)))
    return Rigid(rotation, to_centre - rotation @ from_centre), residual


def components(motion: Rigid, frame: ToothFrame) -> dict[str, float]:
    """The six movements of a tooth: mm and degrees, signs of the data model.

    Parameters
    ----------
    motion
        Of the crown, in the coordinates of ``frame``.
    frame
        Reference point and axes in the start scan.

    Returns
    -------
    dict
        mesiodistal (+ mesial), buccolingual (+ buccal or labial), vertical (+ extrusion) in mm;
        tip (+ mesial crown tip), torque (+ buccal or labial crown torque), rotation (+ mesial
        surface turning buccally or labially) in degrees.

    Raises
    ------
    CannotAnswer
        If the turn is above ``LARGEST_TURN``.
    """
    turn = Rotation.from_matrix(motion.rotation).as_rotvec(degrees=True)
    if float(np.linalg.norm(turn)) > LARGEST_TURN:
        raise CannotAnswer(
            f"Tooth {frame.tooth} would have turned by {np.linalg.norm(turn):.0f} degrees, which no "
            "tooth does: look for points named wrongly, or a scan that is mirrored."
        )
    shift = motion.rotation @ frame.centre + motion.translation - frame.centre
    mesiodistal, buccolingual, vertical = frame.axes() @ shift
    about_mesial, about_buccal, about_occlusal = frame.handed() * (frame.axes() @ turn)
    return {
        "mesiodistal": float(mesiodistal),
        "buccolingual": float(buccolingual),
        "vertical": float(vertical),
        "tip": float(about_buccal),
        "torque": float(-about_mesial),
        "rotation": float(about_occlusal),
    }


def motion_of(parts: Mapping[str, float], frame: ToothFrame) -> Rigid:
    """The motion that has these components: the inverse of ``components``.

    Parameters
    ----------
    parts
        Some or all of the six movements, mm and degrees; those not named are 0.
    frame
        Reference point and axes in the start scan.

    Raises
    ------
    InputError
        If a movement is not one of the six.

    Examples
    --------
    >>> frame = ToothFrame(21, np.array([1.0, 2.0, 3.0]), *np.eye(3))
    >>> there = motion_of({"tip": 5.0, "vertical": -0.5}, frame)
    >>> {name: round(value, 9) for name, value in components(there, frame).items() if abs(value) > 1e-9}
    {'vertical': -0.5, 'tip': 5.0}
    """
    unknown = sorted(set(parts) - set(_SIX))
    if unknown:
        raise InputError(f"{', '.join(unknown)}: no movement of a crown. Use {', '.join(_SIX)}.")
    mesiodistal, buccolingual, vertical, tip, torque, rotation = (
        float(parts.get(name, 0.0)) for name in _SIX
    )
    turn = frame.handed() * np.array([-torque, tip, rotation]) @ frame.axes()
    shift = np.array([mesiodistal, buccolingual, vertical]) @ frame.axes()
    matrix = Rotation.from_rotvec(turn, degrees=True).as_matrix()
    return Rigid(matrix, frame.centre + shift - matrix @ frame.centre)


_SIX = ("mesiodistal", "buccolingual", "vertical", "tip", "torque", "rotation")


def _checked(
    source: FloatArray, target: FloatArray, weights: FloatArray | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Both sets of points, and weights that sum to 1."""
    source, target = np.asarray(source, dtype=float), np.asarray(target, dtype=float)
    if source.ndim != 2 or source.shape[1] != 3 or source.shape != target.shape:
        raise InputError(
            f"Points before {source.shape} and after {target.shape}: give two arrays (n, 3) of the "
            "same points."
        )
    share = np.ones(len(source)) if weights is None else np.asarray(weights, dtype=float)
    if share.shape != (len(source),):
        raise InputError(f"{share.shape} weights for {len(source)} points: give one a point.")
    if not (np.isfinite(source).all() and np.isfinite(target).all() and np.isfinite(share).all()):
        raise InputError("A coordinate or weight is not a number: leave that point out.")
    if (share < 0).any():
        raise InputError("A weight is below 0: give weights of 0 and above.")
    total = float(share.sum())
    return source, target, share / total if total > 0 else share


def _on_a_line(centred: FloatArray, share: FloatArray) -> bool:
    sizes = np.linalg.svd(centred * np.sqrt(share)[:, None], compute_uv=False)
    return bool(sizes[1] <= ALONG_A_LINE * sizes[0])


def largest_change(
    motions: Mapping[int, Rigid], frames: Mapping[int, ToothFrame], change: Rigid
) -> dict[str, float]:
    """The largest change of any movement if every motion were followed by another.

    Returns
    -------
    dict
        largest_mm and largest_degree.
    """
    most = {"mm": 0.0, "degree": 0.0}
    for tooth, motion in motions.items():
        was = components(motion, frames[tooth])
        now = components(motion.then(change), frames[tooth])
        for name, value in was.items():
            unit = MOVEMENTS[name].unit
            most[unit] = max(most[unit], abs(now[name] - value))
    return {"largest_mm": most["mm"], "largest_degree": most["degree"]}
