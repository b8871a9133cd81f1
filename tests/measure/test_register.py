"""Crowns found again in another scan: against drawn motions, and against other libraries' ICP."""

import json
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from outcomes.measure.motion import Rigid
from outcomes.measure.register import Patch, patch_of, register
from outcomes.measure.verdict import UNSURE, fits_somewhere, in_one_place, judge, predicted_error
from tests.measure.reference_crowns import ATTACHED, crowns, error

STORED = Path(__file__).parents[1] / "reference" / "open3d_crowns.json"


@lru_cache(maxsize=1)
def fits():
    return {
        c.tooth: register(c.patch, c.mesh, [Rigid.identity()], c.axes.T) for c in crowns().values()
    }


@pytest.mark.parametrize("tooth", sorted(crowns()))
def test_motions_up_to_a_millimetre_and_a_half_and_eight_degrees(tooth):
    crown, fit = crowns()[tooth], fits()[tooth]
    mm, degrees = error(fit.motion, crown.moved, crown.patch.centre)
    assert mm < 0.04
    assert degrees < 0.8
    assert fits_somewhere(fit)
    predicted = predicted_error(fit)
    assert mm < predicted[0]
    assert degrees < predicted[1]


@pytest.mark.parametrize("tooth", sorted(crowns()))
def test_as_the_icp_of_open3d(tooth):
    """Open3D's point-to-plane ICP with Tukey's loss, stored by tests/reference/open3d_crowns.py."""
    stored = json.loads(STORED.read_text())
    crown, fit = crowns()[tooth], fits()[tooth]
    theirs = np.array(stored["motions"][str(tooth)])
    mm, degrees = error(fit.motion, theirs, crown.patch.centre)
    assert mm < 0.03
    assert degrees < 0.4


def test_as_the_icp_of_open3d_run_now():
    pytest.importorskip("open3d")
    from tests.reference.open3d_crowns import motions

    for tooth, theirs in motions().items():
        crown = crowns()[tooth]
        mm, degrees = error(fits()[tooth].motion, np.array(theirs), crown.patch.centre)
        assert mm < 0.03
        assert degrees < 0.4


@pytest.mark.parametrize("tooth", sorted(set(crowns()) - set(ATTACHED)))
def test_as_the_icp_of_small_gicp(tooth):
    """small_gicp's point-to-plane ICP on vertices, begun near the end, without a robust loss."""
    small_gicp = pytest.importorskip("small_gicp")
    crown, fit = crowns()[tooth], fits()[tooth]
    near = np.linalg.norm(crown.mesh.vertices - fit.motion.apply(crown.patch.centre), axis=1) < 14
    target = small_gicp.PointCloud(np.c_[crown.mesh.vertices[near], np.ones(near.sum())])
    source = small_gicp.PointCloud(np.c_[crown.patch.points, np.ones(len(crown.patch.points))])
    tree = small_gicp.KdTree(target)
    small_gicp.estimate_normals(target, tree, num_neighbors=12)
    found = small_gicp.align(
        target, source, tree, init_T_target_source=fit.motion.matrix(),
        registration_type="PLANE_ICP", max_correspondence_distance=0.3,
    )  # fmt: skip
    mm, degrees = error(fit.motion, found.T_target_source, crown.patch.centre)
    assert mm < 0.04
    assert degrees < 0.6


def test_a_crown_that_is_gone_is_not_found_on_its_neighbour():
    """Extracted: what is registered in its place is refused, whatever it lay down on."""
    every = crowns(without=(44,))
    fit = {t: register(c.patch, c.mesh, [Rigid.identity()], c.axes.T) for t, c in every.items()}
    patches = {t: c.patch for t, c in every.items()}
    said = judge(fit[44], 0.02, fit[44].motion, patches[44].centre)
    assert not said.given or 44 in dict(in_one_place(fit, patches))
    kept = judge(fit[43], 0.02, fit[43].motion, patches[43].centre)
    assert kept.given


def test_two_crowns_in_one_place_are_seen():
    found, patches = dict(fits()), {t: c.patch for t, c in crowns().items()}
    assert in_one_place(found, patches) == []
    patches[43], found[43] = patches[44], found[44]
    assert [set(pair) for pair in in_one_place(found, patches)] == [{43, 44}]


def test_a_round_shape_is_doubted_for_what_it_does_not_fix():
    """A ball does not show how it turned, and its error in degrees is predicted as large."""
    rng = np.random.default_rng(1)
    ball = rng.normal(size=(1600, 3))
    ball /= np.linalg.norm(ball, axis=1)[:, None]
    ball = ball[ball[:, 2] > -0.2]
    crown = crowns()[44]
    sphere = _ball_mesh()
    fit = register(
        Patch(ball * 4, ball), sphere, [Rigid(np.eye(3), np.array([0.3, 0.2, 0.1]))], crown.axes.T
    )
    assert predicted_error(fit)[1] > UNSURE[1]
    assert not judge(fit, 0.02, fit.motion, np.zeros(3)).sure


def _ball_mesh():
    import trimesh

    from outcomes.measure.meshes import clean

    ball = trimesh.creation.icosphere(subdivisions=4, radius=4.0)
    noise = np.random.default_rng(2).normal(0, 0.01, ball.vertices.shape)
    return clean(ball.vertices + noise, np.asarray(ball.faces))


def test_points_are_spread_by_area():
    crown = crowns()[44]
    patch = patch_of(crown.start, crown.core, 4000)
    weight = np.zeros(len(crown.start.vertices))
    weight[crown.core] = crown.start.areas[crown.core]
    assert patch.centre == pytest.approx(weight @ crown.start.vertices / weight.sum(), abs=0.3)
    assert np.linalg.norm(patch.normals, axis=1) == pytest.approx(1)
