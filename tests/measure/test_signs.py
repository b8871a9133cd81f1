"""Signs of the six movements, proved from drawn teeth: each moves as plain anatomy says it."""

import numpy as np
import pytest

from outcomes.domain.movements import MOVEMENTS
from outcomes.measure.axes import arch_frames
from outcomes.measure.motion import components, fit_rigid
from tests.measure.drawn import (
    ARCHES,
    EVERY,
    FRONT,
    RIGHT,
    UP,
    directions,
    place,
    scanner,
    side_and_arch,
    tooth_points,
    turned,
)


def moved(tooth, movement, forward):
    """The tooth's points after one movement, as its word says; backwards if not forward."""
    points = tooth_points(tooth)
    mesial, buccal, biting = directions(tooth)
    sign = 1 if forward else -1
    if movement == "mesiodistal":  # towards the mesial neighbour
        return {name: p + sign * 0.5 * mesial for name, p in points.items()}
    if movement == "buccolingual":  # out of the arch
        return {name: p + sign * 0.5 * buccal for name, p in points.items()}
    if movement == "vertical":  # extrusion: down in the upper arch, up in the lower
        down = -UP if side_and_arch(tooth)[1] > 0 else UP
        return {name: p + sign * 0.5 * down for name, p in points.items()}
    middle = (points["mesial"] + points["distal"]) / 2
    if movement == "tip":  # the biting edge goes mesially, the apex distally
        after = turned(points, middle, biting, sign * mesial, 6)
        assert sign * (after["edge"] - points["edge"]) @ mesial > 0
        assert sign * (after["apex"] - points["apex"]) @ mesial < 0
    elif movement == "torque":  # the biting edge goes buccally, the apex lingually
        after = turned(points, middle, biting, sign * buccal, 6)
        assert sign * (after["edge"] - points["edge"]) @ buccal > 0
        assert sign * (after["apex"] - points["apex"]) @ buccal < 0
    else:  # the mesial surface turns buccally, the distal one lingually
        after = turned(points, middle, mesial, sign * buccal, 6)
        assert sign * (after["mesial"] - points["mesial"]) @ buccal > 0
        assert sign * (after["distal"] - points["distal"]) @ buccal < 0
    return after


SIZE = {"mm": 0.5, "degree": 6.0}

WORDS = {
    ("mesiodistal", True): "mesial",
    ("mesiodistal", False): "distal",
    ("buccolingual", True): "buccal",
    ("buccolingual", False): "lingual",
    ("vertical", True): "extrusion",
    ("vertical", False): "intrusion",
    ("tip", True): "mesial tip",
    ("tip", False): "distal tip",
    ("torque", True): "buccal torque",
    ("torque", False): "lingual torque",
    ("rotation", True): "mesial surface outwards",
    ("rotation", False): "mesial surface inwards",
}
"""What was drawn above, in the words of the records."""


@pytest.fixture(scope="module")
def scanned():
    """Axes of every tooth, and the pose in which its arch was scanned."""
    found = {}
    for seed, (arch, teeth) in enumerate(ARCHES.items()):
        pose = scanner(seed)
        frames = arch_frames({tooth: pose(place(tooth)) for tooth in teeth})
        assert not len(frames.problems), frames.problems
        found[arch] = (frames, pose)
    return found


@pytest.mark.parametrize(("arch", "tooth"), EVERY, ids=[str(t) for _, t in EVERY])
def test_every_movement_of_every_tooth_has_the_sign_of_its_word(arch, tooth, scanned):
    frames, pose = scanned[arch]
    middle = pose((tooth_points(tooth)["mesial"] + tooth_points(tooth)["distal"]) / 2)
    frame = frames.frames[tooth]
    frame = type(frame)(tooth, middle, frame.mesial, frame.buccal, frame.occlusal)
    before = np.array([pose(p) for p in tooth_points(tooth).values()])
    for (name, forward), word in WORDS.items():
        after = np.array([pose(p) for p in moved(tooth, name, forward).values()])
        motion, residual = fit_rigid(before, after)
        assert residual < 1e-9
        found = components(motion, frame)
        assert MOVEMENTS[name].direction(found[name]) == word
        size = SIZE[MOVEMENTS[name].unit]
        assert found[name] == pytest.approx(size if forward else -size, rel=0.03)
        others = {n: v for n, v in found.items() if n != name}
        for other, value in others.items():
            assert abs(value) < 0.25 * SIZE[MOVEMENTS[other].unit]


def test_a_drawn_upper_right_central_incisor_lies_as_anatomy_says():
    """Its mesial side looks to the patient's left, its labial side to the front, its edge down."""
    mesial, buccal, biting = directions(11)
    assert mesial @ -RIGHT > 0.9
    assert buccal @ FRONT > 0.9
    assert biting @ -UP == 1


def test_a_drawn_lower_left_molar_lies_as_anatomy_says():
    mesial, buccal, biting = directions(37)
    assert mesial @ FRONT > 0.9
    assert buccal @ -RIGHT > 0.9
    assert biting @ UP == 1


def test_right_and_left_are_mirror_images():
    """The same movement by name of 14 and 24 is drawn by mirrored points."""
    for name, forward in WORDS:
        right, left = moved(14, name, forward), moved(24, name, forward)
        for point, place_right in right.items():
            np.testing.assert_allclose(place_right * [-1, 1, 1], left[point], atol=1e-12)
