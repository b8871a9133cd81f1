"""A scan with fewer triangles, to be shown: its vertices are vertices of the scan.

Vertices are put together by small cubes, smaller ones where the surface bends, none where a
triangle would otherwise lie off the scan. (Collapsing edges one by one, as libigl offers it, needs
a manifold; scans often are none.)
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from outcomes.errors import InputError
from outcomes.measure.extra import need
from outcomes.measure.meshes import FloatArray, IntArray, Mesh

#: Triangles that a browser turns smoothly and that keep a page small.
SHOWN_TRIANGLES = 45_000
#: mm: no triangle that is shown lies further from the scan.
WITHIN = 0.1

#: Vertices further than this from the plane of their cube, mm, or normals that differ by more,
#: make it smaller; so many times by half.
BENT, TURN, FINER = 0.04, 0.02, 2
_ROUNDS = 6


def thinned(mesh: Mesh, most: int = SHOWN_TRIANGLES) -> tuple[Mesh, IntArray]:
    """A mesh of so many triangles, on vertices of the scan itself.

    Each group of vertices is shown by the one nearest to its middle. Middles of triangles and of
    edges lie within 0.1 mm of the scan. A mesh that is small enough stays as it is.

    Parameters
    ----------
    mesh
        The scan.
    most
        Triangles; more where a rough scan needs them to stay within 0.1 mm.

    Returns
    -------
    Mesh, (n,) array
        The mesh, and for each of its vertices the row of that vertex in the scan.

    Raises
    ------
    InputError
        If ``most`` is below 100.

    Examples
    --------
    >>> side = np.arange(40.0)
    >>> x, y = (a.ravel() for a in np.meshgrid(side, side))
    >>> at = (side[:-1, None] * 40 + side[:-1]).ravel().astype(int)
    >>> faces = np.concatenate([np.column_stack([at, at + 1, at + 40]),
    ...                         np.column_stack([at + 1, at + 41, at + 40])])
    >>> flat, rows = thinned(Mesh(np.column_stack([x, y, 0 * x]), faces), 1000)
    >>> len(faces), len(flat.faces) <= 1000, bool((flat.vertices[:, 2] == 0).all())
    (3042, True, True)
    """
    if most < 100:
        raise InputError(f"most={most}: fewer than 100 triangles show no scan.")
    if len(mesh.faces) <= most:
        return mesh, np.arange(len(mesh.vertices))
    budget = float(most)
    while budget < len(mesh.faces):
        small = _within(mesh, budget)
        if small is not None:
            return small
        budget *= 1.25
    return mesh, np.arange(len(mesh.vertices))


def _within(mesh: Mesh, most: float) -> tuple[Mesh, IntArray] | None:
    """A mesh of so many triangles that stays within the tolerance, if one is found."""
    area = float(np.linalg.norm(mesh.face_vectors, axis=1).sum()) / 2
    # a vertex a cube, two triangles a vertex; smaller at bends
    size = 1.7 * np.sqrt(area / most)
    for _ in range(8):
        alone = np.zeros(len(mesh.vertices), bool)
        for _ in range(_ROUNDS):
            group = _groups(mesh, size, alone)
            faces, rows = _of_groups(mesh, group)
            if len(faces) > most:
                if alone.any():  # larger cubes would need more single vertices still
                    return None
                break
            off = _off(mesh, rows[faces])
            if not off.any():
                used, renumbered = np.unique(faces, return_inverse=True)
                small = Mesh(mesh.vertices[rows[used]], renumbered.reshape(-1, 3).astype(np.int64))
                return small, rows[used]
            alone |= np.isin(group, faces[off])
        size *= max(1.05, len(faces) / most)
    return None


def _groups(mesh: Mesh, size: float, alone: NDArray[np.bool_]) -> IntArray:
    """(n,): which vertices become one; smaller cubes where the surface bends within one."""
    points = mesh.vertices
    # opposite walls of a thin gap share no point
    side = (mesh.normals @ np.array([0.36, 0.48, 0.8]) > 0).astype(np.int64)
    low = points.min(axis=0)
    group = np.zeros(len(points), np.int64)
    bent = ~alone
    for level in range(FINER + 1):
        cell = np.floor((points - low) / (size / 2**level)).astype(np.int64)
        key = ((cell[:, 0] << 42) | (cell[:, 1] << 21) | cell[:, 2]) * 2 + side
        _, inside = np.unique(key[bent], return_inverse=True)
        group[bent] = group.max() + 1 + inside
        n = int(group.max()) + 1
        normal = _mean(mesh.normals, group, n)
        depth = np.abs(
            np.einsum("ij,ij->i", points - _mean(points, group, n)[group], normal[group])
        )
        thick = np.zeros(n)
        np.maximum.at(thick, group, depth)
        turn = 1 - np.linalg.norm(normal, axis=1)
        bent = ((thick > BENT) | (turn > TURN))[group] & ~alone
    group[alone] = group.max() + 1 + np.arange(int(alone.sum()))
    return np.unique(group, return_inverse=True)[1].astype(np.int64)


def _mean(values: FloatArray, group: IntArray, n: int) -> FloatArray:
    total = np.column_stack([np.bincount(group, values[:, k], n) for k in range(3)])
    return total / np.maximum(np.bincount(group, minlength=n), 1)[:, None]


def _of_groups(mesh: Mesh, group: IntArray) -> tuple[IntArray, IntArray]:
    """Triangles between groups, and the vertex that stands for each group."""
    n = int(group.max()) + 1
    off = np.linalg.norm(mesh.vertices - _mean(mesh.vertices, group, n)[group], axis=1)
    order = np.lexsort((off, group))
    rows = order[np.searchsorted(group[order], np.arange(n))]
    faces = group[mesh.faces]
    faces = faces[~(faces == np.roll(faces, 1, axis=1)).any(axis=1)]
    corner = np.sort(faces, axis=1)
    _, once = np.unique((corner[:, 0] * n + corner[:, 1]) * n + corner[:, 2], return_index=True)
    return faces[np.sort(once)], rows


def _off(mesh: Mesh, faces: IntArray) -> NDArray[np.bool_]:
    """(m,): triangles whose middles, or the middles of whose edges, come near WITHIN off the scan."""
    corners = mesh.vertices[faces]
    middles = [corners.mean(axis=1), *((corners[:, k] + corners[:, k - 1]) / 2 for k in range(3))]
    squared = need("igl").point_mesh_squared_distance(
        np.concatenate(middles), mesh.vertices, mesh.faces
    )[0]
    return (squared.reshape(4, -1) > (0.8 * WITHIN) ** 2).any(axis=0)
