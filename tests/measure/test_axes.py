"""Axes of teeth from clicked points: drawn arches, few teeth, noise, and what is wrong with them."""

import numpy as np
import pytest

from outcomes.measure.axes import arch_frames
from tests.measure.drawn import ARCHES, UP, directions, place, scanner, tooth_points

UPPER = [*range(17, 10, -1), *range(21, 28)]
LOWER = [*range(47, 40, -1), *range(31, 38)]
DOWN = -UP


def clicked(teeth, *, noise=0.0, seed=0, pose=None):
    random = np.random.default_rng(seed)
    pose = pose or (lambda p: p)
    return {t: pose(place(t) + random.normal(0, noise, 3)) for t in teeth}


def degrees_off(frames, teeth, pose=None):
    """Angle of the mesial axis, and of the occlusal one, from those drawn: (n, 2)."""
    pose = pose or (lambda p: p)
    zero = pose(np.zeros(3))
    off = []
    for tooth in teeth:
        mesial, _, biting = (pose(v) - zero for v in directions(tooth))
        frame = frames.frames[tooth]
        cosines = [frame.mesial @ mesial, frame.occlusal @ biting]
        off.append(np.degrees(np.arccos(np.clip(cosines, -1, 1))))
    return np.array(off)


def said(frames):
    return " | ".join(frames.problems["problem"])


@pytest.mark.parametrize("arch", list(ARCHES))
def test_the_axes_are_those_drawn(arch):
    teeth = ARCHES[arch]
    pose = scanner(7)
    frames = arch_frames(clicked(teeth, pose=pose))
    assert not len(frames.problems)
    assert degrees_off(frames, teeth, pose).max() < 8
    for tooth in teeth:
        axes = frames.frames[tooth].axes()
        np.testing.assert_allclose(axes @ axes.T, np.eye(3), atol=1e-12)
        np.testing.assert_allclose(frames.frames[tooth].centre, pose(place(tooth)))
    zero = pose(np.zeros(3))
    assert frames.left @ (pose(np.array([-1.0, 0, 0])) - zero) > 0.99
    assert frames.front @ (pose(np.array([0, 1.0, 0])) - zero) > 0.99
    assert len(frames.curve) > 50


@pytest.mark.parametrize("teeth", [UPPER, LOWER], ids=["upper", "lower"])
def test_noise_of_half_a_millimetre_turns_the_axes_little(teeth):
    still = arch_frames(clicked(teeth))
    off = []
    for seed in range(30):
        noisy = arch_frames(clicked(teeth, noise=0.5, seed=seed))
        for t in teeth:
            a, b = still.frames[t], noisy.frames[t]
            off.append([a.mesial @ b.mesial, a.occlusal @ b.occlusal])
    turned = np.degrees(np.arccos(np.clip(off, -1, 1)))
    assert np.median(turned, axis=0).max() < 2.0
    assert np.quantile(turned[:, 0], 0.95) < 6.5
    assert turned[:, 1].max() < 2.5


@pytest.mark.parametrize(
    "teeth",
    [
        [16, 11, 26],
        [16, 13, 23, 26],
        [47, 46, 36, 37],
        [17, 16, 14, 13, 12, 11, 21, 22, 23, 25, 26, 27],
        [18, *UPPER, 28],
        [53, 16, 12, 11, 21, 22, 63, 26],
        [48, 47, 45, 43, 42, 41, 31, 33, 34, 38],
    ],
    ids=str,
)
def test_missing_teeth_third_molars_and_mixed_dentitions(teeth):
    pose = scanner(2)
    for seed in range(5):
        frames = arch_frames(clicked(teeth, noise=0.3, seed=seed, pose=pose))
        assert not frames.stopped, said(frames)
        assert sorted(frames.frames) == sorted(teeth)
        assert degrees_off(frames, teeth, pose).max() < 20


@pytest.mark.parametrize(
    "teeth", [[17, 16, 15, 14], [14, 13, 12, 11], [31, 32, 33], [37, 36, 35], [11, 21], [46, 36]]
)
def test_one_side_or_two_teeth_are_measured_where_the_gum_is_seen(teeth):
    away = DOWN if teeth[0] < 30 else UP
    lean = away + np.array([0.1, -0.1, 0])
    frames = arch_frames(clicked(teeth, noise=0.2, seed=1), away_from_gum=lean)
    assert not frames.stopped, said(frames)
    assert degrees_off(frames, teeth).max() < 20


@pytest.mark.parametrize("teeth", [[17, 16, 15, 14], [37, 36, 35], [11, 21], [46, 36], [16]])
def test_and_without_the_gum_they_are_refused(teeth):
    frames = arch_frames(clicked(teeth))
    assert frames.stopped
    assert not frames.frames
    assert "both sides" in " ".join(frames.problems["remedy"])


@pytest.mark.parametrize("teeth", [UPPER, LOWER], ids=["upper", "lower"])
def test_a_mirrored_scan_is_told_by_its_gum(teeth):
    away = DOWN if teeth[0] < 30 else UP
    mirrored = {t: p * [-1, 1, 1] for t, p in clicked(teeth).items()}
    assert arch_frames(clicked(teeth), away_from_gum=away).stopped is False
    frames = arch_frames(mirrored, away_from_gum=away)
    assert frames.stopped
    assert "mirrored" in said(frames)


def test_numbers_of_the_other_arch_or_side_are_told_by_the_gum():
    points = clicked(UPPER)
    other_arch = {(t + 30 if t < 20 else t + 10): p for t, p in points.items()}
    other_side = {(t + 10 if t < 20 else t - 10): p for t, p in points.items()}
    for wrong in (other_arch, other_side):
        frames = arch_frames(wrong, away_from_gum=DOWN)
        assert frames.stopped
        assert "other side or of the other arch" in said(frames)


def test_a_crowded_tooth_does_not_turn_its_neighbours_far():
    points = clicked(UPPER)
    points[13] = points[13] + 4.0 * directions(13)[1]
    points[22] = points[22] - 3.0 * directions(22)[1]
    frames = arch_frames(points)
    assert degrees_off(frames, [17, 16, 15, 24, 25, 26, 27]).max() < 8
    assert degrees_off(frames, UPPER)[:, 0].max() < 20


def test_a_tooth_out_of_occlusion_does_not_tilt_the_plane():
    points = clicked(UPPER)
    points[13] = points[13] + 5.0 * UP
    assert degrees_off(arch_frames(points), UPPER)[:, 1].max() < 1.5


@pytest.mark.parametrize(("unit", "factor"), [("cm", 0.1), ("m", 0.001), ("inch", 1 / 25.4)])
def test_an_arch_in_another_unit_is_refused(unit, factor):
    frames = arch_frames({t: p * factor for t, p in clicked(UPPER).items()})
    assert frames.stopped
    assert "times the usual size" in said(frames)
    assert "unit" in frames.problems["remedy"][0]


def test_numbers_that_are_exchanged_are_listed():
    points = clicked(UPPER)
    points[12], points[13] = points[13], points[12]
    assert "13 and 12 stand in the other order" in said(arch_frames(points))


def test_both_arches_or_no_tooth_or_no_number():
    assert "both arches" in said(arch_frames(clicked([16, 11, 26, 36])))
    assert "no tooth" in said(arch_frames({}))
    points = clicked(UPPER) | {99: np.zeros(3), 18: np.array([np.nan, 0, 0])}
    frames = arch_frames(points)
    assert sorted(frames.problems["value"]) == ["18", "99"]
    assert sorted(frames.frames) == sorted(UPPER)


def own(tooth, *names, pose=lambda p: p):
    return {(tooth, name): pose(tooth_points(tooth)[name]) for name in names}


def test_a_tooths_own_points_sharpen_its_axes():
    """14 is drawn turned by 30 degrees: its own points say so, the arch does not."""
    turn = np.radians(30)
    mesial, buccal, _ = directions(14)
    along = np.cos(turn) * mesial + np.sin(turn) * buccal
    middle = place(14)
    points = {(14, "mesial"): middle + 3.5 * along, (14, "distal"): middle - 3.5 * along}
    plain = arch_frames(clicked(UPPER)).frames[14]
    sharp = arch_frames(clicked(UPPER), points=points).frames[14]
    assert np.degrees(np.arccos(plain.mesial @ along)) > 25
    assert sharp.mesial @ along > 0.999
    np.testing.assert_allclose(sharp.axes() @ sharp.axes().T, np.eye(3), atol=1e-12)
    across = sharp.axes() @ buccal
    assert across[1] > 0.8


def test_both_pairs_agree_with_either():
    for names in (("mesial", "distal"), ("buccal", "lingual"), ("mesial", "distal", "buccal", "lingual")):  # fmt: skip
        for tooth in (15, 25):
            frames = arch_frames(clicked(UPPER), points=own(tooth, *names))
            assert degrees_off(frames, [tooth])[0, 0] < 1.5


def test_exchanged_points_leave_the_tooth_out():
    points = own(15, "mesial", "distal")
    points = {(15, "mesial"): points[15, "distal"], (15, "distal"): points[15, "mesial"]}
    frames = arch_frames(clicked(UPPER), points=points)
    assert 15 not in frames.frames
    assert "exchanged" in said(frames)
    assert not frames.stopped


def test_a_neck_gives_the_long_axis():
    lean = np.radians(15)
    mesial, _, biting = directions(26)
    long_axis = np.cos(lean) * biting + np.sin(lean) * mesial
    frames = arch_frames(clicked(UPPER), points={(26, "neck"): place(26) - 7 * long_axis})
    assert frames.frames[26].occlusal @ long_axis == pytest.approx(1)
    wrong = arch_frames(clicked(UPPER), points={(26, "neck"): place(26) + 7 * long_axis})
    assert "gum's side" in said(wrong)


@pytest.mark.parametrize("tooth", [11, 24, 36, 43, 55, 71])
def test_one_tooth_alone_by_its_own_points(tooth):
    pose = scanner(3)
    points = own(tooth, "mesial", "distal", "buccal", "lingual", pose=pose)
    frames = arch_frames(clicked([tooth], pose=pose), points=points)
    assert not frames.stopped
    assert degrees_off(frames, [tooth], pose).max() < 1e-4


def test_centres_are_used_where_given():
    frames = arch_frames(clicked(UPPER), centres={11: np.array([1.0, 2, 3])})
    np.testing.assert_array_equal(frames.frames[11].centre, [1, 2, 3])
    np.testing.assert_array_equal(frames.frames[12].centre, place(12))
