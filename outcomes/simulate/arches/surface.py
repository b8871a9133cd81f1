"""The surface of a field as triangles: a vertex in each grid cell that the surface crosses.

Naive surface nets on a grid that is refined only near the surface; each vertex is then moved onto
the surface itself, so that it does not matter where the grid lies.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from outcomes.errors import InputError
from outcomes.simulate.arches.smooth import Floats

Ints = NDArray[np.int64]
Field = Callable[[Floats], Floats]

COARSE = 8
MOST_NODES = 60_000_000
STEEPEST = 1.9
"""How much faster than the distance a field may grow near its surface."""


@dataclass(frozen=True, slots=True)
class Mesh:
    """Triangles: vertices (n, 3) in mm, faces (m, 3), counter-clockwise seen from outside."""

    vertices: Floats
    faces: Ints

    def normals(self) -> Floats:
        """Unit normal at each vertex, (n, 3), mean of its faces by their area."""
        a, b, c = (self.vertices[self.faces[:, i]] for i in range(3))
        face = np.cross(b - a, c - a)
        summed = np.column_stack(
            [
                sum(np.bincount(self.faces[:, i], face[:, j], len(self.vertices)) for i in range(3))
                for j in range(3)
            ]
        )
        size = np.linalg.norm(summed, axis=1, keepdims=True)
        result: Floats = summed / np.where(size > 0, size, 1.0)
        return result

    def keep(self, faces: NDArray[np.bool_]) -> tuple["Mesh", Ints]:
        """Some faces only, without unused vertices; and which vertices those are."""
        left = self.faces[faces]
        used = np.zeros(len(self.vertices), dtype=bool)
        used[left.ravel()] = True
        number = np.cumsum(used) - 1
        return Mesh(self.vertices[used], number[left]), np.flatnonzero(used)


def surface_of(
    field: Field,
    low: Floats,
    high: Floats,
    cell: float,
    *,
    grid: Floats | None = None,
    rng: np.random.Generator | None = None,
) -> Mesh:
    """Triangles of the surface where a field is zero.

    Parameters
    ----------
    field
        Points (n, 3) -> (n,), negative inside; near the distance in mm close to the surface.
    low, high
        Corners of the box, (3,), mm.
    cell
        Edge of a grid cell, mm, about the distance between neighbouring vertices.
    grid
        Rotation of the grid, (3, 3); default none.
    rng
        If given, the grid is shifted and each vertex is put at a random place near where the grid
        would have it, so that no two meshes have the same vertices.

    Raises
    ------
    InputError
        If the grid would be too large.
    """
    turn = np.eye(3) if grid is None else grid
    corners = np.array(np.meshgrid(*zip(low, high, strict=True))).reshape(3, -1).T @ turn
    start = corners.min(axis=0) - 2.0 * cell
    if rng is not None:
        start = start - rng.uniform(0.0, cell, 3)
    blocks = np.ceil((corners.max(axis=0) + 2.0 * cell - start) / (COARSE * cell)).astype(int)
    shape = blocks * COARSE + 1
    if np.prod(shape.astype(float)) > MOST_NODES:
        raise InputError(f"A resolution of {cell:g} mm needs too much memory: use a coarser one.")

    def evaluate(points: Floats) -> Floats:
        return field((start + points * cell) @ turn.T)

    values = _near_surface(evaluate, blocks, shape, cell)
    places, faces = _nets(values, shape)
    rough = (start + places * cell) @ turn.T
    if rng is not None:
        rough = rough + rng.uniform(-0.18, 0.18, rough.shape) * cell
    mesh = Mesh(onto_surface(field, rough, 0.8 * cell), faces)
    return _shorter_diagonals(mesh)


def _near_surface(evaluate: Field, blocks: Ints, shape: Ints, cell: float) -> Floats:
    """The field on the nodes of cells near the surface, NaN elsewhere; flat, (nodes,)."""
    origins = np.stack(np.meshgrid(*map(np.arange, blocks), indexing="ij"), -1).reshape(-1, 3)
    origins = origins * COARSE
    width = COARSE
    while width > 1:
        middles = (origins + 0.5 * width).astype(np.float64)
        distance = np.abs(evaluate(middles))
        origins = origins[distance < STEEPEST * 0.5 * np.sqrt(3.0) * width * cell]
        width //= 2
        if width == 1:
            break
        origins = (origins[:, None] + width * _CORNERS).reshape(-1, 3)
    values = np.full(int(np.prod(shape)), np.nan)
    known = np.zeros(len(values), dtype=bool)
    span = np.array(np.meshgrid(*[np.arange(3)] * 3, indexing="ij")).reshape(3, -1).T
    stride = np.array([shape[1] * shape[2], shape[2], 1])
    for step in span:
        known[(origins + step) @ stride] = True
    nodes = np.flatnonzero(known)
    values[nodes] = evaluate(np.column_stack(np.unravel_index(nodes, shape)).astype(float))
    return values


_CORNERS = np.array([[i, j, k] for i in (0, 1) for j in (0, 1) for k in (0, 1)])


def _nets(values: Floats, shape: Ints) -> tuple[Floats, Ints]:
    """Surface nets: places of the vertices in cells of the grid, and triangles."""
    stride = np.array([shape[1] * shape[2], shape[2], 1])
    known = np.flatnonzero(~np.isnan(values))
    inside = values < 0
    crossed, at, outwards = [], [], []
    for axis in range(3):
        here = known[known + stride[axis] < len(values)]
        there = here + stride[axis]
        change = ~np.isnan(values[there]) & (inside[here] != inside[there])
        here, there = here[change], there[change]
        crossed.append(here)
        at.append(values[here] / (values[here] - values[there]))
        outwards.append(inside[here])
    cells, places = [], []
    for axis in range(3):
        one, other = stride[(axis + 1) % 3], stride[(axis + 2) % 3]
        here = crossed[axis]
        place = np.column_stack(np.unravel_index(here, shape)).astype(float)
        place[:, axis] += at[axis]
        # the four cells around the edge, counter-clockwise seen against the axis
        cells.append(np.column_stack([here, here - one, here - one - other, here - other]))
        places.append(place)
    around = np.concatenate(cells)
    place = np.concatenate(places)
    _, which = np.unique(around.ravel(), return_inverse=True)
    often = np.bincount(which)
    repeated = np.repeat(place, 4, axis=0)
    vertices = np.column_stack([np.bincount(which, repeated[:, i]) for i in range(3)])
    quads = which.reshape(-1, 4)
    flip = ~np.concatenate(outwards)
    quads[flip] = quads[flip][:, ::-1]
    faces = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    return vertices / often[:, None], faces.astype(np.int64)


def onto_surface(field: Field, points: Floats, most: float) -> Floats:
    """Points moved along the field's slope onto its zero, by at most ``most`` mm."""
    step = 1e-5
    value = field(points)
    slope = np.column_stack([(field(points + step * axis) - value) / step for axis in np.eye(3)])
    size = np.maximum(np.linalg.norm(slope, axis=1), 1e-3)
    along = slope / size[:, None]
    # regula falsi between two places on either side, the Illinois way, once there are two
    a, fa = np.zeros(len(points)), value
    b = np.clip(-1.05 * value / size, -most, most)
    fb = field(points + b[:, None] * along)
    for _ in range(8):
        todo = np.flatnonzero((np.abs(fb) > 1e-12) & (fa != fb))
        if not len(todo):
            break
        new = b[todo] - fb[todo] * (b[todo] - a[todo]) / (fb[todo] - fa[todo])
        new = np.clip(new, -most, most)
        found = field(points[todo] + new[:, None] * along[todo])
        other = np.sign(found) != np.sign(fb[todo])
        a[todo] = np.where(other, b[todo], a[todo])
        fa[todo] = np.where(other, fb[todo], 0.5 * fa[todo])
        b[todo], fb[todo] = new, found
    # where bodies meet in a crease the slope may lead past the surface: such a vertex stays
    b[np.abs(fb) > 1e-6] = 0.0
    return points + b[:, None] * along


def _shorter_diagonals(mesh: Mesh) -> Mesh:
    """Each quad cut along its shorter diagonal."""
    half = len(mesh.faces) // 2
    quads = np.column_stack([mesh.faces[:half], mesh.faces[half:, 2]])
    a, b, c, d = (mesh.vertices[quads[:, i]] for i in range(4))
    long = np.sum((a - c) ** 2, axis=1) > np.sum((b - d) ** 2, axis=1)
    faces = mesh.faces.copy()
    faces[:half][long] = quads[long][:, [1, 2, 3]]
    faces[half:][long] = quads[long][:, [1, 3, 0]]
    return Mesh(mesh.vertices, faces)
