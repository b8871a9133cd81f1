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

from outcomes.cohort.problems import gather, problem_frame
from outcomes.domain.teeth import FDI_TEETH
from outcomes.domain.teeth import arch as arch_of
from outcomes.domain.teeth import side as side_of
from outcomes.measure.arch_form import ArchForm, expected_places, lay_on
from outcomes.measure.motion import FloatArray, ToothFrame
from outcomes.words.english import listed, number_of

__all__ = ["Frames", "ToothFrame", "arch_frames"]

TABLE = "teeth"
"""Table under which problems of clicked points are listed."""

OFF_PLANE = 0.8
"""mm, SD of clicked points about the occlusal plane: cusps, edges, the curve of the arch."""
GUM_SIDE = 0.25
"""Radians, how far the gum's side may lean from the normal of the occlusal plane."""
LEAN = 10.0
"""Degrees: a plane less sure than this is not taken."""
SHARPEN = 50.0
"""Degrees from the curve up to which a tooth's own points turn its axes."""
EXCHANGED = 120.0
"""Degrees from the curve beyond which two points are taken as exchanged."""
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
    """
    found: list[pd.DataFrame] = []
    points = dict(points or {})
    teeth = _valid(clicks, found)
    nowhere = Frames({}, np.full(3, np.nan), gather(found))
    if not teeth:
        found.append(_problem("no tooth has a clicked point", "Give one point a crown.", "stop"))
        return Frames({}, nowhere.normal, gather(found))
    xyz = np.array([np.asarray(clicks[t], dtype=float) for t in teeth])
    away = _unit(away_from_gum)
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
        outward = _handed(tooth) * np.cross(normal, mesial)
        frames[tooth] = _sharpened(
            tooth, clicks[tooth], centre_of[tooth], (mesial, outward, normal), points, found
        )
    _order(teeth, form, found)
    return Frames(
        frames,
        normal,
        gather(found),
        left=form.left @ to_space,
        front=form.front @ to_space,
        origin=middle,
        curve=middle + form.curve @ to_space,
        size=form.size,
    )


def _problem(problem: str, remedy: str, severity: str, value: object = "") -> pd.DataFrame:
    return problem_frame(TABLE, None, "tooth" if value else "", value, problem, remedy, severity)


def _valid(clicks: Mapping[int, FloatArray], found: list[pd.DataFrame]) -> list[int]:
    """Teeth whose number and point can be used, in one arch; none if there are two arches."""
    teeth = []
    for tooth, point in clicks.items():
        xyz = np.asarray(point, dtype=float)
        if tooth not in FDI_TEETH:
            found.append(
                _problem("no FDI tooth number", "Use 11 to 48, or 51 to 85.", "exclude", tooth)
            )
        elif xyz.shape != (3,) or not np.isfinite(xyz).all():
            found.append(
                _problem("its point is not three numbers", "Click it again.", "exclude", tooth)
            )
        else:
            teeth.append(int(tooth))
    arches = {str(arch_of(t)) for t in teeth}
    if len(arches) > 1:
        upper = [t for t in teeth if arch_of(t) == "upper"]
        lower = [t for t in teeth if arch_of(t) == "lower"]
        found.append(
            _problem(
                f"teeth of both arches in one scan: {listed(map(str, upper))} upper, "
                f"{listed(map(str, lower))} lower",
                "Measure each arch from its own scan, or correct the numbers.",
                "stop",
            )
        )
        return []
    return sorted(teeth, key=lambda t: float(expected_places([t])[0]))


def _unit(vector: FloatArray | None) -> FloatArray | None:
    if vector is None:
        return None
    vector = np.asarray(vector, dtype=float)
    length = float(np.linalg.norm(vector))
    return vector / length if np.isfinite(length) and length > 0 else None


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
            _problem(
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
            _problem(
                "the gum lies on the wrong side for these tooth numbers: the scan is mirrored, or "
                "the numbers are those of the other side or of the other arch",
                "Look at the scan and at the numbers; put right whichever is wrong.",
                "stop",
            )
        )
    sign = 1.0 if gum_known else by_anatomy
    form = same if sign > 0 else other
    _doubts(form, teeth, found)
    return form, sign


def _doubts(form: ArchForm, teeth: list[int], found: list[pd.DataFrame]) -> None:
    """What of the arch is unlike any arch: its size, or where the numbers stand."""
    if len(teeth) < 3:
        return
    least, most = USUAL_SIZE
    if not least <= form.size <= most:
        far = form.size < least / 2 or form.size > most * 2
        found.append(
            _problem(
                f"the arch is {form.size:.2g} times the usual size",
                "Check the unit of the scan and of the points: mm, cm, m or inch.",
                "stop" if far else "check",
            )
        )
    elif form.misfit > 6.0:
        found.append(
            _problem(
                f"the points lie {form.misfit:.0f} mm from where such teeth usually stand",
                "Check the numbers of the teeth and which point belongs to which.",
                "check",
            )
        )


def _order(teeth: list[int], form: ArchForm, found: list[pd.DataFrame]) -> None:
    """Teeth that stand along the curve in another order than their numbers."""
    for a, b, here, there in zip(teeth, teeth[1:], form.places, form.places[1:], strict=False):
        if there < here - 2.0 and expected_places([b])[0] > expected_places([a])[0]:
            found.append(
                _problem(
                    f"{a} and {b} stand in the other order along the arch",
                    "Correct the numbers, if the teeth are not transposed.",
                    "check",
                    f"{a}, {b}",
                )
            )


def _handed(tooth: int) -> float:
    """+1 where mesial, buccal, occlusal are right-handed (upper right, lower left), else -1."""
    return 1.0 if (arch_of(tooth) == "upper") == (side_of(tooth) == "right") else -1.0


Axes = tuple[FloatArray, FloatArray, FloatArray]


def _sharpened(
    tooth: int,
    click: FloatArray,
    centre: FloatArray,
    axes: Axes,
    points: Mapping[tuple[int, str], FloatArray],
    found: list[pd.DataFrame],
) -> ToothFrame:
    """A tooth's frame: that of the arch, turned to the tooth's own points where they are given."""
    mesial, buccal, occlusal = axes
    neck = points.get((tooth, "neck"))
    if neck is not None:
        long_axis = _unit(np.asarray(click, dtype=float) - np.asarray(neck, dtype=float))
        if long_axis is None or _degrees(long_axis, occlusal) > SHARPEN:
            found.append(
                _problem(
                    "its neck does not lie on the gum's side of its crown",
                    "Place neck in the middle of the tooth at the gum.",
                    "check",
                    tooth,
                )
            )
        else:
            occlusal = long_axis
    flat = np.eye(3) - np.outer(occlusal, occlusal)
    mesial = flat @ mesial
    mesial = mesial / np.linalg.norm(mesial)
    buccal = _handed(tooth) * np.cross(occlusal, mesial)
    turn = _own_turn(tooth, points, (mesial, buccal), found)
    mesial, buccal = (
        np.cos(turn) * mesial + np.sin(turn) * buccal,
        np.cos(turn) * buccal - np.sin(turn) * mesial,
    )
    return ToothFrame(tooth, centre, mesial, buccal, occlusal)


def _own_turn(
    tooth: int,
    points: Mapping[tuple[int, str], FloatArray],
    axes: tuple[FloatArray, FloatArray],
    found: list[pd.DataFrame],
) -> float:
    """Radians from the arch's axes to those of a tooth's own points, from mesial towards buccal.

    Two pairs of points are taken together, each with the square of its length.
    """
    pull = 0j
    for (to, back), quarter in ((("mesial", "distal"), 1.0), (("buccal", "lingual"), -1j)):
        if (tooth, to) not in points or (tooth, back) not in points:
            continue
        line = np.asarray(points[tooth, to], float) - np.asarray(points[tooth, back], float)
        seen = complex(line @ axes[0], line @ axes[1]) * quarter
        off = float(np.degrees(np.abs(np.angle(seen))))
        if off > EXCHANGED:
            found.append(
                _problem(
                    f"its points {to} and {back} seem exchanged",
                    "Exchange them, or correct the number of the tooth.",
                    "stop",
                    tooth,
                )
            )
        elif off > SHARPEN:
            found.append(
                _problem(
                    f"its points {to} and {back} lie {off:.0f} degrees from the arch: the axes "
                    "follow the arch",
                    "Check these points, if the tooth is not rotated so far.",
                    "check",
                    tooth,
                )
            )
        else:
            pull += seen * abs(seen)
    return float(np.angle(pull)) if pull else 0.0


def _degrees(a: FloatArray, b: FloatArray) -> float:
    return float(np.degrees(np.arccos(np.clip(a @ b, -1.0, 1.0))))


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
        axes = _own_axes(tooth, clicks[tooth], points, away)
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
                _problem(
                    why,
                    "Click teeth on both sides of the arch, or give points mesial, distal, buccal "
                    "and lingual of each tooth.",
                    "exclude" if frames else "stop",
                    listed(map(str, without)),
                )
            )
    normals = [f.occlusal for f in frames.values()]
    normal = _unit(np.mean(normals, axis=0)) if normals else away
    return Frames(frames, np.full(3, np.nan) if normal is None else normal, gather(found))


def _own_axes(
    tooth: int,
    click: FloatArray,
    points: Mapping[tuple[int, str], FloatArray],
    away: FloatArray | None,
) -> Axes | None:
    """Mesial, buccal, occlusal of a tooth from its own points; None where they do not suffice.

    With mesial, distal, buccal and lingual the occlusal axis follows, as a crown's right and left
    are known from its number; with one pair, the gum's side must be known.
    """

    def line(to: str, back: str) -> FloatArray | None:
        if (tooth, to) not in points or (tooth, back) not in points:
            return None
        return np.asarray(points[tooth, to], float) - np.asarray(points[tooth, back], float)

    mesial, buccal = line("mesial", "distal"), line("buccal", "lingual")
    long_axis = away
    if (tooth, "neck") in points:
        long_axis = _unit(np.asarray(click, float) - np.asarray(points[tooth, "neck"], float))
    if mesial is not None and buccal is not None:
        occlusal = _unit(_handed(tooth) * np.cross(mesial, buccal))
        if occlusal is None or (long_axis is not None and occlusal @ long_axis < 0.5):
            return None
    elif long_axis is not None and (mesial is not None or buccal is not None):
        occlusal = long_axis
    else:
        return None
    flat = np.eye(3) - np.outer(occlusal, occlusal)
    pull = np.zeros(3)
    if mesial is not None:
        pull += flat @ mesial * np.linalg.norm(mesial)
    if buccal is not None:
        pull += _handed(tooth) * np.cross(buccal, occlusal) * np.linalg.norm(buccal)
    along = _unit(flat @ pull)
    if along is None:
        return None
    return along, _handed(tooth) * np.cross(occlusal, along), occlusal
