"""Teeth drawn in a patient's own coordinates: +x to the patient's right, +y to the front, +z up.

Nothing here comes from the package: numbers are those of ISO 3950 (quadrants 1 to 4 upper right,
upper left, lower left, lower right; 5 to 8 alike for deciduous teeth), the form is a parabola.
"""

import numpy as np
from scipy.spatial.transform import Rotation

RIGHT, FRONT, UP = np.eye(3)
SPACING = 7.0
QUADRANTS = {1: (1, 1), 2: (-1, 1), 3: (-1, -1), 4: (1, -1)}
"""Quadrant -> (+1 the patient's right, -1 left; +1 upper, -1 lower)."""


def side_and_arch(tooth):
    return QUADRANTS[(tooth // 10 - 1) % 4 + 1]


def on_parabola(distance):
    """Point at a distance along y = -x^2/18 from the midline, on the right side."""
    x = np.linspace(0, 40, 8001)
    y = -(x**2) / 18
    along = np.concatenate([[0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    return np.array([np.interp(distance, along, x), np.interp(distance, along, y), 0.0])


def place(tooth):
    """Middle of the biting edge."""
    right, upper = side_and_arch(tooth)
    point = on_parabola(SPACING * (tooth % 10 - 0.5))
    return point * [right, 1, 1] + [0, 0, -0.5 * upper]


def directions(tooth):
    """Mesial, buccal and towards the biting edge, from where neighbours and jaws lie."""
    right, upper = side_and_arch(tooth)
    here = on_parabola(SPACING * (tooth % 10 - 0.5))
    nearer, further = (on_parabola(SPACING * (tooth % 10 - 0.5) + d) for d in (-0.01, 0.01))
    mesial = (nearer - further) * [right, 1, 1]
    mesial /= np.linalg.norm(mesial)
    inside = np.array([0.0, -30.0, 0.0])
    outward = here * [right, 1, 1] - inside
    outward -= (outward @ mesial) * mesial
    return mesial, outward / np.linalg.norm(outward), -UP if upper > 0 else UP


def tooth_points(tooth):
    """Named points of a drawn tooth: 8 mm of crown, 13 mm of root."""
    edge = place(tooth)
    mesial, buccal, biting = directions(tooth)
    middle = edge - 4 * biting
    return {
        "edge": edge,
        "apex": edge - 21 * biting,
        "mesial": middle + 3.4 * mesial,
        "distal": middle - 3.4 * mesial,
        "buccal": middle + 4 * buccal,
        "lingual": middle - 4 * buccal,
    }


def turned(points, about, direction, towards, degrees):
    """Points turned about one of them so that a direction leans towards another."""
    axis = np.cross(direction, towards)
    axis /= np.linalg.norm(axis)
    turn = Rotation.from_rotvec(np.radians(degrees) * axis)
    return {name: turn.apply(p - about) + about for name, p in points.items()}


ARCHES = {
    "upper": [*range(18, 10, -1), *range(21, 29)],
    "lower": [*range(48, 40, -1), *range(31, 39)],
    "upper deciduous": [*range(55, 50, -1), *range(61, 66)],
    "lower deciduous": [*range(85, 80, -1), *range(71, 76)],
}
EVERY = [(arch, tooth) for arch, teeth in ARCHES.items() for tooth in teeth]


def scanner(seed):
    """A pose of the scan: any turn, any place."""
    random = np.random.default_rng(seed)
    turn, shift = Rotation.random(random_state=random), random.normal(0, 40, 3)
    return lambda point: turn.apply(point) + shift
