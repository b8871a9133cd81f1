"""The axes of each tooth in the start scan, from one clicked point a crown.

The occlusal plane lies through the clicked points by least squares. Its normal points away from the
gum; so it does in two ways that must agree: the numbers of the teeth say which is the patient's
right, left and front, and with these, in a scan that is not mirrored, which way is up; and the gum
itself, where the scan shows it. x runs along the arch curve towards the midline, y outwards.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from outcomes.cohort.problems import any_stop, gather
from outcomes.domain.teeth import FDI_TEETH
from outcomes.domain.teeth import arch as arch_of
from outcomes.domain.teeth import side as side_of
from outcomes.measure.arch_form import ArchForm, expected_places, lay_on, size_beside_usual
from outcomes.measure.motion import FloatArray, ToothFrame
from outcomes.measure.own_axes import handed, own_axes, sharpened, tooth_problem, unit
from outcomes.words.english import listed, number_of

__all__ = ["Frames", "ToothFrame", "arch_frames"]

OFF_PLANE = 0.8
"""mm, SD of clicked points about the occlusal plane: cusps, edges, the curve of the arch."""
GUM_SIDE = 0.25
"""Radians, how far the gum's side may lean from the normal of the occlusal plane."""
LEAN = 10.0
"""Degrees: a plane less sure than this is not taken."""
FAR_FROM_USUAL = 7.0
"""mm from where the teeth usually stand, above which their numbers are doubtful."""
USUAL_SIZE = (0.5, 1.8)
"""An arch's size beside the usual one; outside it the unit is doubtful."""


@dataclass(frozen=True, slots=True, eq=False)
class Frames:
    """Axes of the teeth of one arch.

    Attributes
    ----------
    frames
        Tooth -> its reference point and axes.
    normal
        (3,), away from the gum.
    left, front
        (3,), unit vectors in the occlusal plane, the patient's; NaN where one tooth stands alone.
    origin
        (3,), a point of the occlusal plane.
    curve
        (m, 3), the arch curve in the occlusal plane.
    size
        The arch's size beside the usual one, NaN where it cannot be told.
    problems
        In the columns of ``Cohort.problems``; with a "stop", the axes must not be used.
    """

    frames: dict[int, ToothFrame]
    normal: FloatArray
    problems: pd.DataFrame
    left: FloatArray = field(default_factory=lambda: np.full(3, np.nan))
    front: FloatArray = field(default_factory=lambda: np.full(3, np.nan))
    origin: FloatArray = field(default_factory=lambda: np.full(3, np.nan))
    curve: FloatArray = field(default_factory=lambda: np.empty((0, 3)))
    size: float = float("nan")

    @property
    def stopped(self) -> bool:
        """Whether the axes must not be used."""
        return bool((self.problems["severity"] == "stop").any())


def arch_frames(
    clicks: Mapping[int, FloatArray],
    *,
    away_from_gum: FloatArray | None = None,
    points: Mapping[tuple[int, str], FloatArray] | None = None,
    centres: Mapping[int, FloatArray] | None = None,
) -> Frames:
    """Axes of every clicked tooth of one arch.

    Parameters
    ----------
    clicks
        FDI number -> (3,), a point on the middle of the biting surface or edge, mm. Teeth that are
        missing are simply not there.
    away_from_gum
        (3,), roughly from the gum towards the opposing arch, where the scan shows it.
    points
        (tooth, name) -> (3,): ``mesial`` with ``distal``, and ``buccal`` with ``lingual``, turn the
        axes of that tooth to its own; ``neck`` (the middle of the tooth at the gum) gives its long
        axis. Other names are left.
    centres
        Tooth -> (3,), its reference point; the clicked point where it is not given.

    Returns
    -------
    Frames
        All problems are listed there, none is raised.

    Notes
    -----
    Noise of 0.5 mm (SD, each coordinate) in the clicks of a whole drawn arch of 14 teeth turns the
    mesial axes by 1.5 degrees and the normal by 0.7 (medians of 60 draws; 95 of 100 below 6 and
    1.3); the last molars, beyond which no tooth holds the curve, by 3 to 4 (95 of 100 below 11).
    A turn of e degrees mixes components by sin e: 3 degrees carry 5 % of one into another. The same
    axes serve planned and achieved, so what is compared is turned alike.
    """
    found: list[pd.DataFrame] = []
    points = dict(points or {})
    teeth = _valid(clicks, found)
    nowhere = Frames({}, np.full(3, np.nan), gather(found))
    if not teeth:
        found.append(
            tooth_problem("no tooth has a clicked point", "Give one point a crown.", "stop")
        )
        return Frames({}, nowhere.normal, gather(found))
    xyz = np.array([np.asarray(clicks[t], dtype=float) for t in teeth])
    away = unit(away_from_gum)
    size = size_beside_usual(xyz, teeth)
    _size_doubts(size, found)
    if any_stop(found):
        return Frames({}, nowhere.normal, gather(found), size=size)
    centre_of = {t: np.asarray((centres or {}).get(t, clicks[t]), dtype=float) for t in teeth}
    normal, middle, lean = _plane(xyz, away)
    if normal is None or len(teeth) == 1 or lean > LEAN:
        return _alone(teeth, clicks, points, away, centre_of, found, lean)
    form, sign = _laid(xyz, middle, normal, teeth, away is not None, found)
    if form is None:
        return _alone(teeth, clicks, points, away, centre_of, found, lean)
    normal = normal * sign
    across, ahead = _in_plane(normal * sign)
    to_space = np.stack([across, ahead])
    tangents = form.tangents @ to_space
    frames = {}
    for tooth, tangent in zip(teeth, tangents, strict=True):
        mesial = tangent if side_of(tooth) == "right" else -tangent
        outward = handed(tooth) * np.cross(normal, mesial)
        axes = sharpened(tooth, clicks[tooth], (mesial, outward, normal), points, found)
        if axes is not None:
            frames[tooth] = ToothFrame(tooth, centre_of[tooth], *axes)
    _order(teeth, form, found)
    return Frames(
        frames,
        normal,
        gather(found),
        left=form.left @ to_space,
        front=form.front @ to_space,
        origin=middle,
        curve=middle + form.curve @ to_space,
        size=size,
    )


def _valid(clicks: Mapping[int, FloatArray], found: list[pd.DataFrame]) -> list[int]:
    """Teeth whose number and point can be used, in one arch; none if there are two arches."""
    teeth = []
    for tooth, point in clicks.items():
        xyz = np.asarray(point, dtype=float)
        if tooth not in FDI_TEETH:
            found.append(
                tooth_problem("no FDI tooth number", "Use 11 to 48, or 51 to 85.", "exclude", tooth)
            )
        elif xyz.shape != (3,) or not np.isfinite(xyz).all():
            found.append(
                tooth_problem("its point is not three numbers", "Click it again.", "exclude", tooth)
            )
        else:
            teeth.append(int(tooth))
    arches = {str(arch_of(t)) for t in teeth}
    if len(arches) > 1:
        upper = [t for t in teeth if arch_of(t) == "upper"]
        lower = [t for t in teeth if arch_of(t) == "lower"]
        found.append(
            tooth_problem(
                f"teeth of both arches in one scan: {listed(map(str, upper))} upper, "
                f"{listed(map(str, lower))} lower",
                "Measure each arch from its own scan, or correct the numbers.",
                "stop",
            )
        )
        return []
    return sorted(teeth, key=lambda t: float(expected_places([t])[0]))


def _plane(xyz: FloatArray, away: FloatArray | None) -> tuple[FloatArray | None, FloatArray, float]:
    """Normal of the occlusal plane, a point on it, and how far it may lean, degrees.

    Points far off (a tooth out of occlusion) weigh little. Where the gum's side is known it holds
    the plane in the directions that the points leave open.
    """
    weight = np.ones(len(xyz))
    normal, middle, lean = away, xyz.mean(axis=0), 180.0
    for _ in range(10):
        middle = weight @ xyz / weight.sum()
        centred = xyz - middle
        scatter = (centred * weight[:, None]).T @ centred
        if away is not None:
            # Least squares of the points about the plane, with n = away + an error of GUM_SIDE.
            held = scatter / OFF_PLANE**2 + np.eye(3) / GUM_SIDE**2
            solved = np.linalg.solve(held, away)
            normal = solved / np.linalg.norm(solved)
            lean = float(np.degrees(1.0 / np.sqrt(np.linalg.eigvalsh(held)[1])))
        else:
            if len(xyz) < 3:
                return None, middle, 180.0
            sizes, vectors = np.linalg.eigh(scatter)
            normal = vectors[:, 0]
            open_to = OFF_PLANE / np.sqrt(max(float(sizes[1]), 1e-12))
            lean = float(np.degrees(np.arctan(open_to)))
        off = centred @ normal
        weight = 1.0 / (1.0 + (off / (2.5 * OFF_PLANE)) ** 2)
    return normal, middle, min(lean, LEAN) if away is not None else lean


def _in_plane(normal: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Two unit vectors that make a right-handed frame with the normal."""
    helper = np.eye(3)[int(np.argmin(np.abs(normal)))]
    across = np.cross(helper, normal)
    across = across / np.linalg.norm(across)
    return across, np.cross(normal, across)


def _laid(
    xyz: FloatArray,
    middle: FloatArray,
    normal: FloatArray,
    teeth: list[int],
    gum_known: bool,
    found: list[pd.DataFrame],
) -> tuple[ArchForm | None, float]:
    """The arch curve, and +1 where the normal given points away from the gum, else -1."""
    basis = np.stack(_in_plane(normal), axis=1)
    flat = (xyz - middle) @ basis
    # Seen with the normal towards the eye, the patient's left, then the front, turn counterclockwise
    # in the upper arch (left x front = down, away from its gum) and clockwise in the lower.
    usual = arch_of(teeth[0]) == "lower"
    same = lay_on(flat, teeth, mirrored=usual)
    other = lay_on(flat, teeth, mirrored=not usual)
    better, worse = sorted((same.misfit, other.misfit))
    certain = len(teeth) >= 3 and worse > 2.0 * better and worse - better > 0.6
    if not certain and not gum_known:
        found.append(
            tooth_problem(
                f"{number_of(len(teeth), 'tooth', 'teeth')} ({listed(map(str, teeth))}) do not say "
                "which way is up: they stand nearly in a line",
                "Click teeth further round the arch, or of both sides.",
                "stop",
            )
        )
        return None, 1.0
    by_anatomy = 1.0 if same.misfit <= other.misfit else -1.0
    if gum_known and certain and by_anatomy < 0:
        found.append(
            tooth_problem(
                "the gum lies on the wrong side for these tooth numbers: the scan is mirrored, or "
                "the numbers are those of the other side or of the other arch",
                "Look at the scan and at the numbers; put right whichever is wrong.",
                "stop",
            )
        )
    sign = 1.0 if gum_known else by_anatomy
    form = same if sign > 0 else other
    if form.misfit > FAR_FROM_USUAL and not any_stop(found):
        found.append(
            tooth_problem(
                f"the points lie {form.misfit:.0f} mm from where such teeth usually stand",
                "Check the numbers of the teeth and which point belongs to which.",
                "check",
            )
        )
    return form, sign


def _size_doubts(size: float, found: list[pd.DataFrame]) -> None:
    """Whether an arch is too small or too large to be one in mm."""
    least, most = USUAL_SIZE
    if size < least or size > most:
        far = size < least / 1.5 or size > most * 1.5
        found.append(
            tooth_problem(
                f"the arch is {size:.2g} times the usual size",
                "Check the unit of the scan and of the points: mm, cm, m or inch.",
                "stop" if far else "check",
            )
        )


def _order(teeth: list[int], form: ArchForm, found: list[pd.DataFrame]) -> None:
    """Teeth that stand along the curve in another order than their numbers."""
    for a, b, here, there in zip(teeth, teeth[1:], form.places, form.places[1:], strict=False):
        if there < here - 2.0 and expected_places([b])[0] > expected_places([a])[0]:
            found.append(
                tooth_problem(
                    f"{a} and {b} stand in the other order along the arch",
                    "Correct the numbers, if the teeth are not transposed.",
                    "check",
                    f"{a}, {b}",
                )
            )


def _alone(
    teeth: list[int],
    clicks: Mapping[int, FloatArray],
    points: Mapping[tuple[int, str], FloatArray],
    away: FloatArray | None,
    centre_of: Mapping[int, FloatArray],
    found: list[pd.DataFrame],
    lean: float,
) -> Frames:
    """Axes where no arch can be seen: from each tooth's own points alone."""
    frames = {}
    for tooth in teeth:
        axes = own_axes(tooth, clicks[tooth], points, away)
        if axes is not None:
            frames[tooth] = ToothFrame(tooth, centre_of[tooth], *axes)
    without = [t for t in teeth if t not in frames]
    if without:
        why = (
            f"the clicked points leave the occlusal plane open by {lean:.0f} degrees"
            if len(teeth) >= 3
            else f"{number_of(len(teeth), 'tooth', 'teeth')} cannot show the arch"
        )
        stopped = any((frame["severity"] == "stop").any() for frame in found)
        if not stopped or not frames:
            found.append(
                tooth_problem(
                    why,
                    "Click teeth on both sides of the arch, or give points mesial, distal, buccal "
                    "and lingual of each tooth.",
                    "exclude" if frames else "stop",
                    listed(map(str, without)),
                )
            )
    normals = [f.occlusal for f in frames.values()]
    normal = unit(np.mean(normals, axis=0)) if normals else away
    return Frames(frames, np.full(3, np.nan) if normal is None else normal, gather(found))
