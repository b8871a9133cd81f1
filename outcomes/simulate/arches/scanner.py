"""What a scanner makes of bodies: an open sheet of triangles with noise, holes and edges."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from outcomes.simulate.arches.bodies import Bodies
from outcomes.simulate.arches.smooth import Floats
from outcomes.simulate.arches.surface import Ints, Mesh, surface_of

SEEN = 5.0
"""How far below the margin a scan goes, mm."""

ON_SURFACE = 1e-9
"""How near a vertex must be to a crown's surface to count as its own, mm."""


@dataclass(frozen=True, slots=True)
class Scan:
    """A mesh in the coordinates of the arch, with what each vertex is on.

    Attributes
    ----------
    mesh
        With noise.
    exact
        The same vertices without noise, (n, 3).
    labels
        FDI number where a vertex lies on one crown alone, else 0, (n,).
    """

    mesh: Mesh
    exact: Floats
    labels: Ints

    def keep(self, faces: Any) -> "Scan":
        """Some faces only."""
        mesh, used = self.mesh.keep(faces)
        return Scan(mesh, self.exact[used], self.labels[used])


def scan(
    bodies: Bodies,
    rng: np.random.Generator,
    *,
    cell: float,
    noise: float,
    closed: bool = False,
    random: bool = True,
) -> Scan:
    """Scan bodies at about ``cell`` mm between vertices, noise of the given SD along the normal."""
    necks = np.array([p.neck for p in bodies.layout.teeth.values()])
    palate = bodies.gum.palate
    deepest = necks[:, 2].min() - SEEN - 1.0
    floor = bodies.gum.floor - 1.0
    low = np.array([*(necks[:, :2].min(axis=0) - 14.0), floor if closed or palate else deepest - 3])
    high = np.array([*(necks[:, :2].max(axis=0) + 14.0), 3.0])
    if palate:
        low[2] = min(deepest - 3, palate.level - palate.depth - 2.0)
    if closed:
        low[2] = floor

    def field(points: Floats) -> Floats:
        value = bodies.field(points)
        if not closed:  # nothing is sought where no scan looks
            value = np.where(points[:, 2] < low[2], 50.0, value)
        return value

    turn = Rotation.from_rotvec(rng.uniform(-0.3, 0.3, 3)).as_matrix() if random else None
    mesh = surface_of(field, low, high, cell, grid=turn, rng=rng if random else None)
    mesh = _without_slivers(mesh, cell)
    labels = bodies.labels(mesh.vertices)
    labels[np.abs(bodies.field(mesh.vertices)) > ON_SURFACE] = 0  # in a crease between bodies
    whole = Scan(mesh, mesh.vertices, labels)
    if not closed:
        whole = _seen(whole, bodies, rng)
    if noise:
        moved = whole.exact + noise * _noise(whole.exact, rng)[:, None] * whole.mesh.normals()
        whole = Scan(Mesh(moved, whole.mesh.faces), whole.exact, whole.labels)
    return whole


def _without_slivers(mesh: Mesh, cell: float) -> Mesh:
    """Without triangles of no area."""
    a, b, c = (mesh.vertices[mesh.faces[:, i]] for i in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    kept, _ = mesh.keep(area > 1e-7 * cell * cell)
    return kept


def _seen(whole: Scan, bodies: Bodies, rng: np.random.Generator) -> Scan:
    """Cut off some mm below the margin along a wavy line; the palate is seen as far as its back."""
    points = whole.exact
    along, across = bodies.gum.curve.place(points)
    phase = rng.uniform(0.0, 2 * np.pi, 3)
    wave = 0.5 * np.cos(0.21 * along + phase[0]) + 0.3 * np.cos(0.63 * along + phase[1])
    seen = points[:, 2] > bodies.gum.margin_at(along) - SEEN - wave
    palate = bodies.gum.palate
    if palate is not None:
        roof = palate.height(points[:, :2], -across)
        seen |= (across < 0) & (points[:, 2] > roof - 1.5) & (points[:, 1] > palate.back + 1.0)
    seen &= (along > bodies.gum.ends[0] - 1.5) & (along < bodies.gum.ends[1] + 1.5)
    return largest(_manifold(whole.keep(seen[whole.mesh.faces].all(axis=1))))


def _manifold(whole: Scan) -> Scan:
    """Without the few faces at edges of four: crowns that just touch leave a small hole there."""
    faces = whole.mesh.faces
    ends = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    _, which, often = np.unique(
        ends[:, 0] * len(whole.exact) + ends[:, 1], return_inverse=True, return_counts=True
    )
    return whole.keep((often[which] < 3).reshape(-1, 3).all(axis=1))


def largest(whole: Scan) -> Scan:
    """The largest connected part only."""
    faces = whole.mesh.faces
    n = len(whole.exact)
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]]])
    graph = csr_array((np.ones(len(edges), dtype=bool), (edges[:, 0], edges[:, 1])), shape=(n, n))
    count, part = connected_components(graph, directed=False)
    if count == 1:
        return whole
    return whole.keep(part[faces[:, 0]] == np.bincount(part).argmax())


def _noise(points: Floats, rng: np.random.Generator) -> Floats:
    """SD 1: half of the variance smooth along the surface (over 2 to 6 mm), half white."""
    waves = rng.standard_normal((48, 3)) * (1.0 / rng.uniform(0.6, 1.8, 48))[:, None]
    phase = rng.uniform(0.0, 2 * np.pi, 48)
    smooth = np.cos(points @ waves.T + phase).sum(axis=1) * np.sqrt(2.0 / 48)
    mixed: Floats = np.sqrt(0.5) * (smooth + rng.standard_normal(len(points)))
    return mixed


def with_holes(whole: Scan, rng: np.random.Generator, holes: int) -> Scan:
    """Cut ``holes`` holes of 0.4 to 1.5 mm radius, mostly where crowns are close together."""
    if not holes:
        return whole
    weight = np.where(whole.labels == 0, 2.0, 1.0)
    middles = rng.choice(len(whole.exact), holes, p=weight / weight.sum())
    gone = np.zeros(len(whole.exact), dtype=bool)
    tree = cKDTree(whole.exact)
    for middle, radius in zip(middles, rng.uniform(0.4, 1.5, holes), strict=True):
        gone[tree.query_ball_point(whole.exact[middle], radius)] = True
    return largest(whole.keep(~gone[whole.mesh.faces].any(axis=1)))


def without_teeth(whole: Scan, bodies: Bodies, teeth: Collection[int]) -> Scan:
    """A partial scan: what is nearest to these teeth was not scanned."""
    if not teeth:
        return whole
    names = np.array(list(bodies.layout.teeth))
    middles = np.array([p.out(p.crown.middle) for p in bodies.layout.teeth.values()])[:, :2]
    nearest = names[cKDTree(middles).query(whole.exact[:, :2])[1]]
    gone = np.isin(nearest, list(teeth)) | np.isin(whole.labels, list(teeth))
    return largest(whole.keep(~gone[whole.mesh.faces].any(axis=1)))
