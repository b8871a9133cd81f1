"""The patch of the start scan that is each tooth's crown, grown from one click on it.

The scan is thinned to a net of about half a millimetre. A random walker on the net, who crosses
concave edges (margins, embrasures) seldom, starts anywhere: a point belongs to the crown whose
click he reaches first, or to what is no crown. Usual sizes of crowns say where the walker is at home
for certain, and where no crown can reach.

Grady L. Random walks for image segmentation. IEEE Trans Pattern Anal Mach Intell
2006;28(11):1768-1783, doi:10.1109/TPAMI.2006.233; with priors as in Grady L. Multilabel random
walker image segmentation using prior models. CVPR 2005:763-770.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components, dijkstra
from scipy.sparse.linalg import splu
from scipy.spatial import cKDTree

from outcomes.domain.teeth import CROWN_AND_ROOT, CROWN_WIDTH
from outcomes.domain.teeth import arch as arch_of
from outcomes.measure.meshes import FloatArray, IntArray, Mesh
from outcomes.measure.motion import ToothFrame

#: mm: size of the net; how far from its margin a crown is registered.
NET = 0.45
FROM_MARGIN = 0.6
#: How much seldomer a concave edge is crossed, for each 1/mm of curvature above `FLAT`.
CONCAVE = 8.0
FLAT = 0.15
#: Weight of the usual sizes beside one step of the net.
PRIOR = 0.005
#: Size beside the usual one beyond which no crown reaches.
BEYOND = 1.5
#: mm: a border of the scan longer than this is its rim, a shorter one a hole.
RIM = 40.0
#: mm: a click further from the scan than this is on no crown.
OFF_SCAN = 2.0
#: mm², and vertices away from the margin: smaller patches are no crown.
SMALLEST_AREA = 15.0
FEWEST_IN_CORE = 30


@dataclass(frozen=True)
class Crown:
    """A crown of the start scan.

    Attributes
    ----------
    tooth
        FDI number.
    vertices
        Of the scan, the whole crown.
    core
        Those of them that are not near the margin: these are registered.
    centre
        (3,), centroid of its surface, mm.
    area
        mm².
    """

    tooth: int
    vertices: IntArray
    core: IntArray
    centre: FloatArray
    area: float


@dataclass(frozen=True)
class Net:
    """A scan thinned: points, unit normals, edges (a, b), how concave each is (1/mm), where each
    vertex of the scan went, and which points lie on the rim of the scan."""

    points: FloatArray
    normals: FloatArray
    edges: IntArray
    concave: FloatArray
    of_vertex: IntArray
    rim: NDArray[np.bool_]

    @property
    def lengths(self) -> FloatArray:
        return np.linalg.norm(self.points[self.edges[:, 0]] - self.points[self.edges[:, 1]], axis=1)


def net_of(mesh: Mesh, size: float = NET, *, smooth: int = 3) -> Net:
    """Thin a scan to one point a cube of ``size`` mm, keeping who is whose neighbour."""
    low = mesh.vertices.min(axis=0)
    cell = ((mesh.vertices - low) / size).astype(np.int64)
    key = (cell[:, 0] << 42) | (cell[:, 1] << 21) | cell[:, 2]
    # opposite walls of a thin gap share no point
    side = (mesh.normals @ np.array([[0.36, 0.48, 0.8]]).T > 0).ravel()
    _, of_vertex = np.unique(key * 2 + side, return_inverse=True)
    n = int(of_vertex.max()) + 1
    count = np.bincount(of_vertex, minlength=n)
    points = np.column_stack(
        [np.bincount(of_vertex, mesh.vertices[:, k], minlength=n) / count for k in range(3)]
    )
    faces = of_vertex[mesh.faces]
    faces = faces[
        (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    ]
    both = np.sort(of_vertex[mesh.faces][:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    both = both[both[:, 0] != both[:, 1]]
    edges = np.unique(both[:, 0] * n + both[:, 1])
    edges = np.column_stack([edges // n, edges % n])
    around = _symmetric(edges, np.ones(len(edges)), n)
    share = sparse.diags(1 / np.maximum(np.asarray(around.sum(axis=1)).ravel(), 1)) @ around
    smoothed = points
    for _ in range(smooth):
        smoothed = 0.5 * smoothed + 0.5 * (share @ smoothed)
    coarse = Mesh(smoothed, faces)
    normals = coarse.normals
    for _ in range(1):
        normals = normals + share @ normals
        normals = normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    a, b = edges.T
    along = smoothed[b] - smoothed[a]
    squared = np.maximum((along**2).sum(axis=1), (0.3 * size) ** 2)
    concave = -((normals[b] - normals[a]) * along).sum(axis=1) / squared
    rim = np.zeros(n, bool)
    rim[of_vertex[_rim(mesh)]] = True
    return Net(points, normals, edges, concave, of_vertex, rim)


def _rim(mesh: Mesh) -> IntArray:
    """Vertices on the long borders of a scan: where it ends, not where it has a hole."""
    n = len(mesh.vertices)
    edge = np.sort(mesh.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    key, count = np.unique(edge[:, 0] * n + edge[:, 1], return_counts=True)
    once = key[count == 1]
    border = np.column_stack([once // n, once % n])
    if not len(border):
        return np.empty(0, np.int64)
    _, loop = connected_components(_symmetric(border, np.ones(len(border)), n))
    long = np.linalg.norm(mesh.vertices[border[:, 0]] - mesh.vertices[border[:, 1]], axis=1)
    length = np.bincount(loop[border[:, 0]], long, minlength=n)
    return np.unique(border[length[loop[border[:, 0]]] > RIM])


def _symmetric(edges: IntArray, weights: FloatArray, n: int) -> sparse.csr_array:
    a, b = edges.T
    return sparse.csr_array((np.r_[weights, weights], (np.r_[a, b], np.r_[b, a])), shape=(n, n))


def usual_size(tooth: int) -> FloatArray:
    """Mesiodistal width, buccolingual depth and height of a crown, roughly, mm."""
    arch, position = str(arch_of(tooth)), tooth % 10
    if tooth > 50:  # a deciduous tooth is near the size of the smaller of the permanent ones
        return np.array([6.5 if position < 4 else 8.5, 7.5, 6.5])
    width = CROWN_WIDTH[arch][position - 1]
    return np.array([width, 0.6 * width + 4.0, CROWN_AND_ROOT[arch][position][0]])


def find_crowns(
    mesh: Mesh, clicks: Mapping[int, FloatArray], frames: Mapping[int, ToothFrame]
) -> tuple[dict[int, Crown], dict[int, str]]:
    """The crown of every clicked tooth.

    Parameters
    ----------
    mesh
        The start scan.
    clicks
        FDI number -> (3,), a point on the middle of the biting surface or edge, mm.
    frames
        Axes of those teeth.

    Returns
    -------
    dict, dict
        Tooth -> crown, and tooth -> reason where none was found.
    """
    net = net_of(mesh)
    tree = cKDTree(net.points)
    refused: dict[int, str] = {}
    teeth, at = [], []
    for tooth in sorted(set(clicks) & set(frames)):
        off, nearest = tree.query(clicks[tooth])
        if off > OFF_SCAN:
            refused[tooth] = f"its click lies {off:.1f} mm from the scan"
        else:
            teeth.append(tooth)
            at.append(int(nearest))
    if not teeth:
        return {}, refused
    label = _walk(net, teeth, at, [frames[t] for t in teeth], net.points[at])
    return _patches(mesh, net, label, teeth, at, refused), refused


def _walk(
    net: Net, teeth: list[int], at: list[int], frames: list[ToothFrame], clicks: FloatArray
) -> IntArray:
    """Which crown each point of the net belongs to, -1 for none."""
    n, k = len(net.points), len(teeth)
    weights = np.exp(-CONCAVE * np.maximum(net.concave - FLAT, 0)) + 1e-4
    graph = _symmetric(net.edges, weights, n)
    reach = np.empty((k, n))
    seed = np.full(n, -1)
    far, rim = np.ones(n, bool), net.rim.copy()
    closest = np.full(n, np.inf)
    for i, (tooth, frame, click) in enumerate(zip(teeth, frames, clicks, strict=True)):
        size = usual_size(tooth)
        own = (net.points - click) @ frame.axes().T
        depth = np.maximum(-own[:, 2], 0)
        reach[i] = np.sqrt(
            (own[:, 0] / (0.62 * size[0])) ** 2
            + (own[:, 1] / (0.68 * size[1])) ** 2
            + (depth / (1.1 * size[2])) ** 4
        )
        certain = (own[:, 0] / (0.24 * size[0])) ** 2 + (own[:, 1] / (0.3 * size[1])) ** 2 + (
            depth / (0.4 * size[2])
        ) ** 2 < 1
        certain[at[i]] = True
        distance = np.linalg.norm(own / size, axis=1)
        mine = certain & (distance < closest)
        seed[mine] = i
        closest[mine] = distance[mine]
        far &= reach[i] > BEYOND
        rim &= (depth > 0.5 * size[2]) | (distance > 0.8)
    seed[at] = np.arange(k)
    seed[(far | rim) & (seed < 0)] = k
    home = PRIOR * np.clip((reach.min(axis=0) - 1.0) / 0.5, 0, 1)
    free = seed < 0
    if not free.any():
        return np.where(seed == k, -1, seed)
    degree = np.asarray(graph.sum(axis=1)).ravel()
    system = sparse.diags(degree + home + 1e-9).tocsr() - graph
    inside = sparse.csc_array(system[free][:, free])
    known = graph[free][:, ~free]
    target = np.zeros((int((~free).sum()), k + 1))
    target[np.arange(len(target)), seed[~free]] = 1.0
    right = known @ target
    right[:, k] += home[free]
    chance = splu(
        sparse.csc_matrix(inside), permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True}
    ).solve(right)
    label = seed.copy()
    label[free] = chance.argmax(axis=1)
    return np.where(label == k, -1, label)


def _patches(
    mesh: Mesh, net: Net, label: IntArray, teeth: list[int], at: list[int], refused: dict[int, str]
) -> dict[int, Crown]:
    n = len(net.points)
    a, b = net.edges.T
    same = label[a] == label[b]
    _, piece = connected_components(_symmetric(net.edges[same], np.ones(same.sum()), n))
    mine = np.full(n, -1)
    for i, start in enumerate(at):
        mine[piece == piece[start]] = i
    edge_of = np.zeros(n, bool)
    across = mine[a] != mine[b]
    edge_of[a[across]] = edge_of[b[across]] = True
    if edge_of.any():
        lengths = _symmetric(net.edges, net.lengths, n)
        depth = dijkstra(
            lengths, indices=np.flatnonzero(edge_of), min_only=True, limit=3 * FROM_MARGIN
        )
    else:
        depth = np.full(n, np.inf)
    crowns = {}
    owner = mine[net.of_vertex]
    inner = depth[net.of_vertex] >= FROM_MARGIN
    for i, tooth in enumerate(teeth):
        vertices = np.flatnonzero(owner == i)
        crown = crown_of(mesh, tooth, vertices, vertices[inner[vertices]])
        if isinstance(crown, Crown):
            crowns[tooth] = crown
        else:
            refused[tooth] = f"no crown was found around its click ({crown})"
    return crowns


def crown_of(mesh: Mesh, tooth: int, vertices: IntArray, core: IntArray) -> Crown | str:
    """The crown of these vertices of the scan; how small it is, in words, if it is too small."""
    weight = mesh.areas[vertices]
    area = float(weight.sum())
    if area < SMALLEST_AREA or len(core) < FEWEST_IN_CORE:
        return f"{area:.0f} mm² of surface"
    return Crown(tooth, vertices, core, weight @ mesh.vertices[vertices] / area, area)
