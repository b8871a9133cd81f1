"""Rigid motion by least squares, and its components: against scipy and against themselves."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from outcomes.clinical.apex import apex_motion
from outcomes.domain.movements import MOVEMENTS
from outcomes.errors import CannotAnswer, InputError
from outcomes.measure.motion import (
    LARGEST_TURN,
    Rigid,
    ToothFrame,
    components,
    fit_rigid,
    motion_of,
)


def frame(seed=3, tooth=21):
    random = np.random.default_rng(seed)
    axes = Rotation.random(random_state=random).as_matrix()
    if tooth // 10 in (2, 4):
        axes[1] *= -1
    return ToothFrame(tooth, random.normal(0, 30, 3), *axes)


def some_motion(seed, degrees=20.0):
    random = np.random.default_rng(seed)
    vector = random.normal(size=3)
    vector *= np.radians(degrees) / np.linalg.norm(vector)
    return Rigid(Rotation.from_rotvec(vector).as_matrix(), random.normal(0, 20, 3))


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("weighted", [False, True])
def test_as_scipy_fits_it(seed, weighted):
    """scipy.spatial.transform.Rotation.align_vectors, on centred points with noise."""
    random = np.random.default_rng(seed)
    points = random.normal(0, 4, (12, 3))
    after = some_motion(seed, 140).apply(points) + random.normal(0, 0.3, points.shape)
    weights = random.uniform(0.1, 2, 12) if weighted else None
    found, residual = fit_rigid(points, after, weights)
    share = np.full(12, 1 / 12) if weights is None else weights / weights.sum()
    theirs, distance = Rotation.align_vectors(after - share @ after, points - share @ points, share)
    np.testing.assert_allclose(found.rotation, theirs.as_matrix(), atol=1e-10)
    np.testing.assert_allclose(
        found.translation, share @ after - theirs.apply(share @ points), atol=1e-9
    )
    assert residual == pytest.approx(distance, rel=1e-9)


@pytest.mark.parametrize("n", [3, 4, 50])
def test_exact_without_noise(n):
    points = np.random.default_rng(n).normal(0, 4, (n, 3))
    motion = some_motion(n, 8)
    found, residual = fit_rigid(points, motion.apply(points))
    np.testing.assert_allclose(found.matrix(), motion.matrix(), atol=1e-12)
    assert residual < 1e-12


def test_a_point_of_weight_0_does_not_count():
    points = np.random.default_rng(1).normal(0, 4, (5, 3))
    after = some_motion(1).apply(points)
    after[4] += 10
    found, _ = fit_rigid(points, after, np.array([1, 1, 1, 1, 0.0]))
    np.testing.assert_allclose(found.matrix(), some_motion(1).matrix(), atol=1e-12)


def test_a_mirror_image_is_refused():
    points = np.random.default_rng(1).normal(0, 4, (6, 3))
    with pytest.raises(CannotAnswer, match="mirror image"):
        fit_rigid(points, points * [-1, 1, 1])


def test_flat_points_with_noise_are_no_mirror_image():
    random = np.random.default_rng(1)
    for _ in range(50):
        points = np.array([[4.0, 0, 0], [-4, 0, 0], [0, 4, 0], [0, -4, 0]])
        after = some_motion(2).apply(points) + random.normal(0, 0.05, points.shape)
        found, _ = fit_rigid(points, after)
        assert np.linalg.det(found.rotation) == pytest.approx(1)
        assert found.then(some_motion(2).inverse()).angle() < 4


def test_two_points_or_points_of_a_line_are_refused():
    line = np.outer(np.arange(5.0), [1, 2, 3])
    with pytest.raises(CannotAnswer, match="at least three"):
        fit_rigid(line[:2], line[:2])
    with pytest.raises(CannotAnswer, match="lie on a line"):
        fit_rigid(line, line)
    with pytest.raises(CannotAnswer, match="2 points cannot"):
        fit_rigid(line, line, np.array([1, 1, 0, 0, 0.0]))


@pytest.mark.parametrize(("off", "refused"), [(0.05, True), (0.3, False)])
def test_how_far_off_a_line_suffices(off, refused):
    """Two points 8 mm apart and a third beside their middle."""
    points = np.array([[-4.0, 0, 0], [4, 0, 0], [0, off, 0]])
    if refused:
        with pytest.raises(CannotAnswer, match="lie on a line"):
            fit_rigid(points, points)
    else:
        assert fit_rigid(points, points)[1] < 1e-12


def test_wrong_arguments_are_named():
    points = np.random.default_rng(1).normal(size=(4, 3))
    with pytest.raises(InputError, match="same"):
        fit_rigid(points, points[:3])
    with pytest.raises(InputError, match="not a number"):
        fit_rigid(points, np.where(np.eye(4, 3) > 0, np.nan, points))
    with pytest.raises(InputError, match="below 0"):
        fit_rigid(points, points, np.array([1, 1, 1, -1.0]))
    with pytest.raises(InputError, match="for 4 points"):
        fit_rigid(points, points, np.ones(3))


def test_then_and_inverse():
    one, other = some_motion(1), some_motion(2)
    points = np.random.default_rng(0).normal(size=(7, 3))
    np.testing.assert_allclose(one.then(other).apply(points), other.apply(one.apply(points)))
    np.testing.assert_allclose(one.then(one.inverse()).matrix(), np.eye(4), atol=1e-13)
    np.testing.assert_allclose(Rigid.from_matrix(one.matrix()).matrix(), one.matrix())
    assert Rigid.identity().angle() == 0
    assert some_motion(4, 33).angle() == pytest.approx(33)


@given(
    st.lists(st.floats(-5, 5), min_size=3, max_size=3),
    st.lists(st.floats(-60, 60), min_size=3, max_size=3),
    st.sampled_from([11, 21, 34, 44]),
    st.integers(0, 50),
)
def test_components_and_their_inverse(mm, degrees, tooth, seed):
    parts = dict(zip(MOVEMENTS, [*mm, *degrees], strict=True))
    here = frame(seed, tooth)
    back = components(motion_of(parts, here), here)
    assert list(back) == list(MOVEMENTS)
    for name, value in parts.items():
        assert back[name] == pytest.approx(value, abs=1e-11)


@pytest.mark.parametrize("seed", range(8))
def test_small_motions_come_back_to_12_places(seed):
    random = np.random.default_rng(seed)
    axes = Rotation.random(random_state=random).as_matrix()
    here = ToothFrame(11, random.normal(0, 5, 3), *axes)
    parts = dict(zip(MOVEMENTS, [*random.normal(0, 0.8, 3), *random.normal(0, 4, 3)], strict=True))
    back = components(motion_of(parts, here), here)
    assert max(abs(back[name] - parts[name]) for name in parts) < 1e-12


def test_the_turn_does_not_depend_on_the_reference_point_but_the_shift_does():
    parts = {"tip": 6.0, "mesiodistal": 0.4}
    here = frame()
    motion = motion_of(parts, here)
    other = ToothFrame(21, here.centre - 10 * here.occlusal, *here.axes())
    there = components(motion, other)
    assert there["tip"] == pytest.approx(6)
    # 10 mm nearer the root, a mesial crown tip of 6 degrees goes 10 sin 6 = 1.045 mm less mesially.
    assert there["mesiodistal"] == pytest.approx(0.4 - 10 * np.sin(np.radians(6)))


def test_the_apex_goes_where_the_crown_takes_it():
    """The same as clinical.apex, which has its own signs, from the moved point itself."""
    parts = dict(zip(MOVEMENTS, [0.4, -0.3, 0.2, 5.0, -7.0, 4.0], strict=True))
    for tooth in (11, 21, 34, 44):
        here = frame(5, tooth)
        apex = here.centre - 17.0 * here.occlusal
        seen = here.axes() @ (motion_of(parts, here).apply(apex) - apex)
        values = np.array(list(parts.values()))
        np.testing.assert_allclose(seen, apex_motion(values[:3], values[3:], 17.0), atol=1e-12)


@pytest.mark.parametrize(("degrees", "refused"), [(178.9, False), (179.1, True)])
def test_a_turn_near_half_a_circle_is_refused(degrees, refused):
    assert LARGEST_TURN == 179
    here = frame()
    if refused:
        with pytest.raises(CannotAnswer, match="mirrored"):
            components(motion_of({"rotation": degrees}, here), here)
    else:
        assert components(motion_of({"rotation": degrees}, here), here)["rotation"] > 178


def test_an_unknown_component_is_named():
    with pytest.raises(InputError, match="expansion"):
        motion_of({"expansion": 1.0}, frame())
