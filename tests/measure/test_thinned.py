"""A thinned scan stays on the scan: nearest points by trimesh, another library than the code's."""

import numpy as np
import pytest

from outcomes.errors import InputError
from outcomes.measure.meshes import Mesh, read_mesh
from outcomes.measure.thinned import WITHIN, thinned
from outcomes.paths import data_path


@pytest.fixture(scope="module")
def dense():
    """Half an arch with four times the triangles it was scanned with."""
    trimesh = pytest.importorskip("trimesh")
    mesh = read_mesh(data_path("synthetic_data", "scans", "P001_1_upper_start.ply"))
    side = mesh.vertices[:, 0] > np.median(mesh.vertices[:, 0])
    part = mesh.part(np.asarray(side[mesh.faces].all(axis=1)))
    vertices, faces = trimesh.remesh.subdivide(part.vertices, part.faces)
    return Mesh(np.asarray(vertices, float), np.asarray(faces, np.int64))


def test_it_has_fewer_triangles_and_lies_on_the_scan(dense):
    trimesh = pytest.importorskip("trimesh")
    most = int(0.6 * len(dense.faces))
    small, rows = thinned(dense, most)
    assert 100 < len(small.faces) <= most
    assert (small.vertices == dense.vertices[rows]).all()
    rng = np.random.default_rng(1)
    some = rng.choice(len(small.faces), 1500, replace=False)
    weights = rng.dirichlet([1, 1, 1], len(some))
    points = np.einsum("ij,ijk->ik", weights, small.vertices[small.faces[some]])
    scan = trimesh.Trimesh(dense.vertices, dense.faces, process=False)
    _, distance, _ = trimesh.proximity.closest_point_naive(scan, points[:60])
    assert distance.max() <= WITHIN
    # all of them by the scan's vertices, which lie 0.4 mm apart at most on average
    from scipy.spatial import cKDTree

    near = cKDTree(dense.vertices).query(points)[0]
    assert np.quantile(near, 0.99) < 0.4


def test_what_is_small_enough_stays_as_it_is(dense):
    same, rows = thinned(dense, len(dense.faces))
    assert same is dense
    assert (rows == np.arange(len(dense.vertices))).all()
    with pytest.raises(InputError, match="fewer than 100"):
        thinned(dense, 99)
