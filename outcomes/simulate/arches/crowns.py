"""Crowns of teeth as fields: negative inside, zero on the surface.

A crown stands in its own coordinates: x mesial, y buccal or labial, z occlusal, the origin in the
middle of its neck. It is bounded by its outline at each height and by an occlusal surface, which
is the upper envelope of cones on cusps and ridges, so that grooves and fossae lie between them.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.interpolate import PchipInterpolator

from outcomes.domain.teeth import CROWN_AND_ROOT
from outcomes.errors import InputError
from outcomes.simulate.arches.smooth import Floats, larger

Shape = Literal["natural", "plain"]
SHAPES: tuple[Shape, ...] = ("natural", "plain")

#: Crown widths, mm, by arch and position from the midline: mesiodistal and buccolingual at the
#: largest contour, then both at the neck. Means of a standard dental anatomy handbook (from
#: memory). Crown heights: CROWN_AND_ROOT.
WIDTHS = {
    "upper": {
        1: (8.5, 7.0, 7.0, 6.0),
        2: (6.5, 6.0, 5.0, 5.0),
        3: (7.5, 8.0, 5.5, 7.0),
        4: (7.0, 9.0, 5.0, 8.0),
        5: (7.0, 9.0, 5.0, 8.0),
        6: (10.0, 11.0, 8.0, 10.0),
        7: (9.0, 11.0, 7.0, 10.0),
        8: (8.5, 10.0, 6.5, 9.5),
    },
    "lower": {
        1: (5.0, 6.0, 3.5, 5.3),
        2: (5.5, 6.5, 4.0, 5.8),
        3: (7.0, 7.5, 5.5, 7.0),
        4: (7.0, 7.5, 5.0, 6.5),
        5: (7.0, 8.0, 5.0, 7.0),
        6: (11.0, 10.5, 9.0, 9.0),
        7: (10.5, 10.0, 8.0, 9.0),
        8: (10.0, 9.5, 7.5, 9.0),
    },
}

#: Height of the contact point, the widest place of a crown seen from the side, as share of its
#: height from the neck: mesial, distal (common practice, no source).
CONTACTS = {1: (0.78, 0.68), 2: (0.72, 0.62), 3: (0.68, 0.58), 4: (0.64, 0.62)}

ROOT = 7.0
"""How far a crown's body goes on below its neck, inside the gum, mm."""

# Distance of the buccal and the lingual surface from the axis, as share of half the width, at
# shares of the height; at 0 stands the neck's own.
_Knots = tuple[tuple[float, float], ...]
_BUCCAL = {
    "incisor": ((0.2, 1.0), (0.45, 0.88), (0.75, 0.55), (1.0, 0.26)),
    "canine": ((0.22, 1.0), (0.5, 0.9), (0.75, 0.62), (1.0, 0.3)),
    "premolar": ((0.3, 1.0), (0.55, 0.96), (0.8, 0.8), (1.0, 0.6)),
    "molar": ((0.25, 1.0), (0.55, 0.97), (0.8, 0.86), (1.0, 0.7)),
}
_LINGUAL = {
    "incisor": ((0.18, 1.0), (0.4, 0.62), (0.7, 0.24), (1.0, 0.14)),
    "canine": ((0.2, 1.0), (0.45, 0.75), (0.75, 0.38), (1.0, 0.22)),
    "premolar": ((0.4, 1.0), (0.6, 0.97), (0.8, 0.84), (1.0, 0.62)),
    "molar": ((0.4, 1.0), (0.6, 0.98), (0.8, 0.88), (1.0, 0.72)),
}

# Features of the occlusal surface: from (x, y) to (x, y) in shares of half the widths, the two
# heights below the highest cusp in mm, and the slope down from it. A cusp is a line of no length.
_Feature = tuple[float, float, float, float, float, float, float]


def _cusp(x: float, y: float, below: float, slope: float) -> _Feature:
    return (x, y, x, y, below, below, slope)


def _ridge(x: float, y: float, to_x: float, to_y: float, below: float, end: float) -> _Feature:
    return (x, y, to_x, to_y, below, end, 0.95)


def _margins(mesial: float, distal: float, reach: float) -> list[_Feature]:
    return [
        _ridge(0.8, -reach, 0.8, reach, mesial, mesial),
        _ridge(-0.8, -reach, -0.8, reach, distal, distal),
    ]


_FEATURES: dict[str, dict[int, list[_Feature]]] = {
    "upper": {
        1: [(0.92, 0.06, -0.3, 0.06, 0.1, 0.1, 1.1), (-0.3, 0.06, -0.92, 0.06, 0.1, 0.6, 1.1)],
        2: [(0.9, 0.06, -0.2, 0.06, 0.2, 0.1, 1.1), (-0.2, 0.06, -0.9, 0.06, 0.1, 0.9, 1.1)],
        3: [_ridge(0, 0.1, 0.85, 0.0, 0, 1.7), _ridge(0, 0.1, -0.85, 0.0, 0, 2.2)],
        4: [_cusp(-0.05, 0.52, 0, 0.85), _cusp(0.1, -0.5, 0.9, 0.8), *_margins(1.6, 1.7, 0.4)],
        5: [_cusp(0, 0.5, 0, 0.75), _cusp(0.1, -0.5, 0.3, 0.75), *_margins(1.4, 1.5, 0.4)],
        6: [
            _cusp(0.45, 0.55, 0.1, 0.75),
            _cusp(-0.45, 0.52, 0.3, 0.75),
            _cusp(0.3, -0.5, 0, 0.7),
            _cusp(-0.55, -0.55, 0.9, 0.8),
            _ridge(0.3, -0.45, -0.42, 0.45, 1.0, 0.9),
            *_margins(1.3, 1.5, 0.35),
        ],
        7: [
            _cusp(0.45, 0.55, 0.1, 0.75),
            _cusp(-0.4, 0.48, 0.5, 0.75),
            _cusp(0.2, -0.5, 0, 0.7),
            _cusp(-0.5, -0.5, 1.3, 0.8),
            _ridge(0.2, -0.45, -0.38, 0.4, 1.1, 1.1),
            *_margins(1.3, 1.6, 0.35),
        ],
    },
    "lower": {
        1: [(0.92, 0.0, -0.92, 0.0, 0.05, 0.1, 1.1)],
        2: [(0.92, 0.05, -0.4, 0.0, 0.0, 0.05, 1.1), (-0.4, 0.0, -0.92, -0.1, 0.05, 0.4, 1.1)],
        3: [_ridge(0.05, 0.0, 0.85, -0.05, 0, 1.2), _ridge(0.05, 0.0, -0.85, -0.1, 0, 2.0)],
        4: [_cusp(0, 0.3, 0, 0.8), _cusp(0.05, -0.55, 2.2, 0.8), *_margins(2.2, 2.0, 0.35)],
        5: [
            _cusp(0, 0.42, 0, 0.75),
            _cusp(0.3, -0.5, 0.6, 0.8),
            _cusp(-0.4, -0.5, 0.9, 0.8),
            *_margins(1.5, 1.6, 0.4),
        ],
        6: [
            _cusp(0.55, 0.5, 0.3, 0.75),
            _cusp(-0.05, 0.56, 0.4, 0.75),
            _cusp(-0.62, 0.36, 0.7, 0.8),
            _cusp(0.48, -0.52, 0, 0.75),
            _cusp(-0.38, -0.52, 0.1, 0.75),
            *_margins(1.3, 1.4, 0.3),
        ],
        7: [
            _cusp(0.48, 0.5, 0.2, 0.75),
            _cusp(-0.45, 0.5, 0.3, 0.75),
            _cusp(0.46, -0.5, 0, 0.75),
            _cusp(-0.44, -0.5, 0.1, 0.75),
            *_margins(1.3, 1.5, 0.35),
        ],
    },
}
for _arch in _FEATURES.values():
    _arch[8] = _arch[7]


def kind(position: int) -> str:
    """Incisor, canine, premolar or molar, for a position from the midline, 1 to 8."""
    return ("incisor", "incisor", "canine", "premolar", "premolar", "molar", "molar", "molar")[
        position - 1
    ]


def tooth_position(tooth: int) -> tuple[str, int]:
    """Arch and position from the midline of a permanent tooth in FDI notation.

    Raises
    ------
    InputError
        If there is no such permanent tooth.

    Examples
    --------
    >>> tooth_position(23), tooth_position(46)
    (('upper', 3), ('lower', 6))
    """
    quadrant, position = divmod(int(tooth), 10)
    if quadrant not in (1, 2, 3, 4) or not 1 <= position <= 8:
        raise InputError(f"{tooth} is no permanent tooth in FDI notation: use 11-18 to 41-48.")
    return ("upper" if quadrant < 3 else "lower"), position


@dataclass(frozen=True, slots=True)
class Crown:
    """One crown in its own coordinates (x mesial, y buccal, z occlusal, origin in the neck), mm.

    Attributes
    ----------
    tooth
        FDI number.
    height
        From the neck to the highest cusp.
    half
        Half the mesiodistal and buccolingual widths, (2,).
    neck
        Half the widths at the neck, (2,).
    features
        Cusps and ridges, (k, 8): from x, y, z to x, y, z, then slope and radius of the tip.
    ripples
        Slight unevenness of the surface that makes each tooth its own, (j, 5): amplitude, wave
        vector, phase.
    skew
        How much the outline is a parallelogram.
    shape
        ``"natural"`` or ``"plain"``.
    """

    tooth: int
    height: float
    half: Floats
    neck: Floats
    features: Floats
    ripples: Floats
    skew: float
    shape: Shape
    mesial: PchipInterpolator
    distal: PchipInterpolator
    buccal: PchipInterpolator
    lingual: PchipInterpolator

    @property
    def radius(self) -> float:
        """Radius of a ball about ``middle`` that holds the crown and the body below its neck."""
        reach = np.hypot(*self.half)
        return float(np.hypot(reach, (self.height + ROOT) / 2.0)) + 0.3

    @property
    def middle(self) -> Floats:
        """Middle of that ball."""
        return np.array([0.0, 0.0, (self.height - ROOT) / 2.0])

    def field(self, points: Floats) -> Floats:
        """Negative inside, near the distance to the surface in mm; points (n, 3) -> (n,)."""
        x, y, z = points.T
        share = np.clip(z / self.height, -0.8, 1.15)
        x = x + self.skew * y
        exponent = 2.2 if kind(self.tooth % 10) in ("incisor", "canine") else 2.7
        middle = 0.5 * (self.buccal(share) - self.lingual(share))
        across = (y - middle) / (0.5 * (self.buccal(share) + self.lingual(share)))
        along = x / np.where(x > 0, self.mesial(share), self.distal(share))
        norm = (np.abs(along) ** exponent + np.abs(across) ** exponent) ** (1.0 / exponent)
        away = np.sqrt((x * x + (y - middle) ** 2 + 0.01) / (norm * norm + 0.005))
        side = (norm - 1.0) * away
        if len(self.ripples):
            side = (
                side
                + np.cos(points @ self.ripples[:, 1:4].T + self.ripples[:, 4])
                @ (self.ripples[:, 0])
            )
        rounding = 0.55 if kind(self.tooth % 10) in ("incisor", "canine") else 0.9
        top = np.full(len(z), -np.inf)
        high = z > 0.35 * self.height
        top[high] = 0.8 * (z[high] - self._top(x[high], y[high]))
        body = np.where(high, larger(side, np.maximum(top, -1e3), rounding), side)
        return np.maximum(body, -z - ROOT)

    def _top(self, x: Floats, y: Floats) -> Floats:
        """Height of the occlusal surface."""
        if self.shape == "plain":
            height = np.full(len(x), self.height - self.features[:, 6].max())
            for cx, cy, amount, spread in self.features[:, [0, 1, 6, 7]]:
                height += amount * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2.0 * spread**2))
            return height
        top = np.full(len(x), -1e3)
        for x0, y0, z0, x1, y1, z1, slope, tip in self.features:
            dx, dy = x1 - x0, y1 - y0
            length = dx * dx + dy * dy
            along = 0.0 if length == 0 else np.clip(((x - x0) * dx + (y - y0) * dy) / length, 0, 1)
            away = np.sqrt((x - x0 - along * dx) ** 2 + (y - y0 - along * dy) ** 2 + tip * tip)
            top = larger(top, z0 + (z1 - z0) * along - slope * (away - tip), 0.3)
        return top

    def surface_above(self, x: float, y: float) -> Floats:
        """The point of the surface seen from the occlusal side above (x, y) of the crown."""
        start = np.array([x, y, 1.3 * self.height])
        return self._first(start, np.array([0.0, 0.0, -1.0]), 1.2 * self.height)

    def surface_towards(self, side: float, z: float) -> Floats:
        """The buccal (side 1) or lingual (side -1) point of the middle of the crown at a height."""
        start = np.array([0.0, side * 2.0 * self.half[1], z])
        return self._first(start, np.array([0.0, -side, 0.0]), 4.0 * self.half[1])

    def _first(self, start: Floats, way: Floats, far: float) -> Floats:
        """Where a ray first meets the crown."""
        low, high = 0.0, far
        for _ in range(6):  # each round narrows it 120 times
            steps = np.linspace(low, high, 121)
            inside = self.field(start + steps[:, None] * way) < 0
            if not inside.any():
                raise InputError(f"The crown of {self.tooth} is not met from {start.round(2)}.")
            first = int(inside.argmax())
            low, high = steps[max(first - 1, 0)], steps[first]
        point: Floats = start + high * way
        return point


def _profile(neck: float, knots: _Knots, half: float) -> PchipInterpolator:
    shares, values = zip(*knots, strict=True)
    last = half * values[-1]
    below = [0.75 * neck, 0.97 * neck, neck]
    return PchipInterpolator(
        [-0.8, -0.2, 0.0, *shares, 1.15],
        [*below, *(half * v for v in values), max(last - 0.15 * abs(last), 0.3)],
    )


def make_crown(
    tooth: int, rng: np.random.Generator, *, shape: Shape = "natural", size: Floats | None = None
) -> Crown:
    """Draw one crown.

    Parameters
    ----------
    tooth
        FDI number of a permanent tooth.
    rng
        What varies from tooth to tooth is drawn from it.
    shape
        ``"natural"``: outline, cusps, ridges and grooves. ``"plain"``: a barrel with bumps, a
        second family, so that nothing is made to fit one only.
    size
        Factors on mesiodistal width, buccolingual width and height, (3,): what the left and
        right tooth of a patient share.

    Raises
    ------
    InputError
        If there is no such tooth or shape.
    """
    arch, position = tooth_position(tooth)
    if shape not in SHAPES:
        raise InputError(f"shape {shape!r} is not known: use {' or '.join(SHAPES)}.")
    kin = kind(position)
    size = np.ones(3) if size is None else np.asarray(size, dtype=float)
    size = size * (1.0 + 0.012 * rng.standard_normal(3))
    md, bl, neck_md, neck_bl = WIDTHS[arch][position]
    height = CROWN_AND_ROOT[arch][position][0] * size[2]
    half = 0.5 * np.array([md, bl]) * size[:2]
    neck = 0.5 * np.array([neck_md, neck_bl]) * size[:2]
    front = kin in ("incisor", "canine")
    mesial, distal = CONTACTS[min(position, 4)]
    edge = (0.97, 0.9) if kin == "incisor" else (0.85, 0.8) if kin == "canine" else (0.86, 0.84)
    lingual: _Knots = _LINGUAL[kin]
    buccal: _Knots = _BUCCAL[kin]
    if shape == "plain":
        mesial = distal = 0.6
        edge = (0.9, 0.9)
        end = 0.22 if front else 0.75
        buccal = lingual = ((0.3, 1.0), (0.65, 0.5 * (1 + end)), (1.0, end))
        features = _bumps(arch, position, half, height, rng)
    else:
        features = _cusps(arch, position, half, height, rng)
    waves = rng.standard_normal((6, 3))
    waves *= (rng.uniform(0.8, 1.8, 6) / np.linalg.norm(waves, axis=1))[:, None]
    ripples = np.column_stack([rng.uniform(0.01, 0.035, 6), waves, rng.uniform(0, 2 * np.pi, 6)])
    skew = {"molar": 0.12 if arch == "upper" else 0.04}.get(kin, 0.03) if shape == "natural" else 0
    return Crown(
        tooth, height, half, neck, features, ripples, skew * rng.uniform(0.6, 1.4), shape,
        mesial=_profile(neck[0], ((mesial, 1.0), (1.0, edge[0])), half[0]),
        distal=_profile(neck[0], ((distal, 1.0), (1.0, edge[1])), half[0]),
        buccal=_profile(neck[1], buccal, half[1]),
        lingual=_profile(neck[1], lingual, half[1]),
    )  # fmt: skip


def _cusps(
    arch: str, position: int, half: Floats, height: float, rng: np.random.Generator
) -> Floats:
    rows = np.array(_FEATURES[arch][position], dtype=float)
    moved = np.zeros((len(rows), 8))
    moved[:, [0, 1]] = rows[:, [0, 1]] * half
    moved[:, [3, 4]] = rows[:, [2, 3]] * half
    # the same point of two ridges moves once, so that they still meet
    for end in ([0, 1], [3, 4]):
        seen, which = np.unique(moved[:, end].round(6), axis=0, return_inverse=True)
        if end == [0, 1]:
            moved[:, end] += (0.04 * half * rng.standard_normal((len(seen), 2)))[which.ravel()]
    same = (rows[:, [0, 1]] == rows[:, [2, 3]]).all(axis=1)
    moved[same, 3:5] = moved[same, 0:2]
    moved[:, 2] = height - rows[:, 4]
    moved[:, 5] = height - rows[:, 5]
    moved[:, 6] = rows[:, 6] * rng.uniform(0.9, 1.1, len(rows))
    moved[:, 7] = 0.35
    return moved


def _bumps(
    arch: str, position: int, half: Floats, height: float, rng: np.random.Generator
) -> Floats:
    rows = np.array([f for f in _FEATURES[arch][position] if f[0] == f[2] and f[1] == f[3]])
    if not len(rows):
        rows = np.array([_cusp(0, 0, 0, 1)])
    made = np.zeros((len(rows), 8))
    made[:, :2] = rows[:, :2] * half * rng.uniform(0.9, 1.1, (len(rows), 2))
    made[:, 6] = (0.5 if kind(position) == "incisor" else 1.5) * rng.uniform(0.8, 1.1, len(rows))
    made[:, 7] = half.min() * (0.4 if len(rows) > 1 else 0.7)
    return made
