"""Where the crowns of an arch stand.

The arch's own coordinates: y anterior, z occlusal (away from the gum, towards the other arch), the
origin of z on the level of the cusps. They are right-handed, so that x is the patient's left in
the upper arch and the patient's right in the lower.
"""

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from outcomes.domain.teeth import FDI_ORDER_LOWER, FDI_ORDER_UPPER
from outcomes.errors import InputError
from outcomes.simulate.arches.crowns import Crown, Shape, make_crown, tooth_position
from outcomes.simulate.arches.curve import ArchCurve
from outcomes.simulate.arches.motions import Axes
from outcomes.simulate.arches.smooth import Floats

#: Depth over width of the arch (common practice, no source).
_DEPTH = {"upper": 0.78, "lower": 0.74}

#: Torque and tip of the crowns' own axes, degrees, by position from the midline: incisors lean
#: forward, lower molars inward (common practice, no source).
_LEAN = {
    "upper": ((14, 10, 0, -4, -5, -6, -6, -4), (4, 6, 7, 2, 2, 3, 0, 0)),
    "lower": ((6, 6, -2, -9, -12, -16, -18, -18), (1, 1, 4, 2, 2, 3, 3, 3)),
}

CONTACT_OVERLAP = 0.08
"""How much neighbouring crowns are pressed into each other, so that they touch, mm."""


@dataclass(frozen=True, slots=True)
class Placed:
    """A crown and its pose (4, 4) in the arch: x mesial, y buccal, z occlusal of its own.

    The pose of a tooth on one side is a mirror image (determinant -1): the crown's own coordinates
    are anatomical.
    """

    crown: Crown
    pose: Floats

    @property
    def neck(self) -> Floats:
        """Middle of the neck, (3,)."""
        middle: Floats = self.pose[:3, 3]
        return middle

    def own(self, points: Floats) -> Floats:
        """Points of the arch (n, 3) in the crown's coordinates."""
        back: Floats = (points - self.pose[:3, 3]) @ self.pose[:3, :3]
        return back

    def out(self, points: Floats) -> Floats:
        """Points in the crown's coordinates, (n, 3) or (3,), in those of the arch."""
        there: Floats = points @ self.pose[:3, :3].T + self.pose[:3, 3]
        return there

    def field(self, points: Floats) -> Floats:
        """The crown's field at points of the arch (n, 3): negative inside."""
        return self.crown.field(self.own(points))

    def moved(self, motion: Floats) -> "Placed":
        """After a rigid motion (4, 4) of the arch's coordinates."""
        return replace(self, pose=motion @ self.pose)


@dataclass(frozen=True, slots=True)
class Layout:
    """Crowns of an arch in order of x, and the axes of each in the plane of the arch."""

    arch: str
    teeth: dict[int, Placed]
    axes: dict[int, Axes]
    gaps: tuple[tuple[float, float], ...]

    def moved(self, motions: dict[int, Floats]) -> "Layout":
        """Each tooth after its motion; those without one stay, their axes stay in any case."""
        teeth = {t: p.moved(motions[t]) if t in motions else p for t, p in self.teeth.items()}
        return replace(self, teeth=teeth)


def in_order(arch: str) -> tuple[int, ...]:
    """Permanent teeth of an arch in order of x, patient's right first above, left first below."""
    return FDI_ORDER_UPPER if arch == "upper" else tuple(reversed(FDI_ORDER_LOWER))


def lay_out(
    arch: str,
    teeth: Collection[int],
    rng: np.random.Generator,
    *,
    closed: Collection[int] = (),
    shape: Shape = "natural",
    irregular: float = 1.0,
) -> Layout:
    """Place crowns along an arch.

    Parameters
    ----------
    arch
        ``"upper"`` or ``"lower"``.
    teeth
        FDI numbers. A tooth that is not among them, between two that are, leaves its space.
    closed
        Absent teeth whose space is closed.
    shape
        Family of crown shapes.
    irregular
        1: rotations of some degrees and shifts of some tenths of a mm, as before a treatment;
        0: none.

    Raises
    ------
    InputError
        If a tooth is not of this arch, or there are fewer than three.
    """
    order = in_order(arch)
    wrong = sorted({*teeth, *closed} - set(order))
    if wrong:
        raise InputError(f"Not of the {arch} arch: {', '.join(map(str, wrong))}.")
    if len(set(teeth)) < 3:
        raise InputError("An arch needs at least three teeth.")
    last = {
        q: max((t % 10 for t in teeth if t // 10 == q), default=0) for q in {t // 10 for t in order}
    }
    standing = [t for t in order if t % 10 <= last[t // 10] and t not in closed]
    sizes = {p: 1.0 + np.array([0.055, 0.05, 0.07]) * rng.standard_normal(3) for p in range(1, 9)}
    overall = 1.0 + 0.03 * rng.standard_normal()
    crowns = {
        t: make_crown(t, rng, shape=shape, size=np.clip(sizes[t % 10] * overall, 0.85, 1.17))
        for t in standing
    }
    width = {t: 2.0 * crowns[t].half[0] - CONTACT_OVERLAP for t in standing}
    right = [t for t in standing if t // 10 in (1, 3)]
    places: dict[int, float] = {}
    for side, sign in ((right[::-1], -1.0), ([t for t in standing if t not in right], 1.0)):
        at = 0.0
        for t in side:
            places[t] = sign * (at + 0.5 * width[t])
            at += width[t]
    curve = ArchCurve.of_length(max(map(abs, places.values())), _DEPTH[arch])
    placed, axes = {}, {}
    for t in standing:
        noise = irregular * rng.standard_normal(6)
        if t in teeth:
            placed[t], axes[t] = _place(arch, crowns[t], curve, places[t], noise)
    gaps = tuple(
        (places[t] - 0.5 * width[t], places[t] + 0.5 * width[t]) for t in standing if t not in teeth
    )
    return _levelled(Layout(arch, placed, axes, gaps))


def _place(
    arch: str, crown: Crown, curve: ArchCurve, at: float, noise: Floats
) -> tuple[Placed, Axes]:
    middle, along = curve.point(at), curve.tangent(at)
    mesial = along if at < 0 else -along
    buccal = np.array([-along[1], along[0], 0.0])
    occlusal = np.array([0.0, 0.0, 1.0])
    frame = np.column_stack([mesial, buccal, occlusal])
    _, position = tooth_position(crown.tooth)
    lean = [table[position - 1] for table in _LEAN[arch]]
    torque, tip, turn = np.radians(np.array([*lean, 0.0]) + noise[:3] * (3.0, 2.0, 5.0))
    turned = Rotation.from_rotvec(
        torque * np.cross(occlusal, buccal)
        + tip * np.cross(occlusal, mesial)
        + turn * np.cross(mesial, buccal)
    ).as_matrix()
    pose = np.eye(4)
    pose[:3, :3] = turned @ frame
    contact = pose[:3, :3] @ np.array([0.0, 0.0, 0.65 * crown.height])
    pose[:3, 3] = middle - contact + 0.25 * noise[4] * buccal
    placed = Placed(crown, pose)
    # the cusps on one level, but for a curve from front to back
    level = 0.25 * noise[5] + (0.0 if arch == "upper" else -1.0) * np.exp(
        -((abs(at) - 24) ** 2) / 150
    )
    pose[2, 3] += level - placed.out(crown.surface_above(0.0, 0.0))[2]
    return placed, Axes(placed.neck, mesial, buccal, occlusal)


def _levelled(layout: Layout) -> Layout:
    """The clicked points' least-squares plane made level, so that z is its normal."""
    tops = np.array([p.out(click(p.crown)) for p in layout.teeth.values()])
    design = np.column_stack([tops[:, :2], np.ones(len(tops))])
    slope = np.linalg.lstsq(design, tops[:, 2], rcond=None)[0]
    teeth = {}
    for (t, p), row in zip(layout.teeth.items(), design, strict=True):
        motion = np.eye(4)
        motion[2, 3] = -row @ slope
        teeth[t] = p.moved(motion)
    return replace(layout, teeth=teeth)


def click(crown: Crown) -> Floats:
    """The middle of the biting surface or edge, in the crown's coordinates."""
    share = np.array([1.0])
    middle = 0.5 * (crown.buccal(share) - crown.lingual(share))[0]
    return crown.surface_above(0.0, float(middle))


def named_points(crown: Crown) -> dict[str, Floats]:
    """Points of the surface by name, in the crown's coordinates."""
    across = float(click(crown)[1])
    return {
        "mesial": crown.surface_above(0.8 * crown.half[0], across),
        "distal": crown.surface_above(-0.8 * crown.half[0], across),
        "buccal": crown.surface_towards(1.0, 0.6 * crown.height),
        "lingual": crown.surface_towards(-1.0, 0.6 * crown.height),
    }
