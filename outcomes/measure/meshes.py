"""Scans in: STL, PLY and OBJ as triangle meshes in mm, cleaned; broken ones with a remedy."""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass
from functools import cached_property
from io import BytesIO
from os import PathLike
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from outcomes.cohort.sizes import TRIANGLES
from outcomes.domain.scan_tables import MM_PER_UNIT as UNITS
from outcomes.errors import Unreadable
from outcomes.measure.extra import need
from outcomes.measure.mesh_files import EXPORT, check_file

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


#: The longest side of the box around a scan of one arch or part of it, mm (common practice, no
#: source: an arch is 50 to 80 mm wide; a model with its base seldom above 120).
SMALLEST, LARGEST = 12.0, 180.0
#: Between these a scan is more likely a whole arch: used to name the unit that would fit.
LIKELY = (30.0, 110.0)
#: Fewer triangles do not describe one crown.
FEWEST = 200

#: Thickness beside width below which a mesh is a plane.
FLAT = 0.005
#: mm: over how far normals are averaged before surfaces are compared.
SMOOTH = 0.35

_NOT_READ = {
    "ply": "what follows its head is not what the head says",
    "stl": "it is not whole",
    "obj": "a line holds what is not a number, or no corner",
}
_LOADING = (
    ValueError, TypeError, KeyError, IndexError, AttributeError, NotImplementedError, struct.error,
    UnicodeError, MemoryError, AssertionError, ArithmeticError, EOFError, OSError, RuntimeError,
)  # fmt: skip


@dataclass(frozen=True)
class Mesh:
    """A surface of triangles.

    Attributes
    ----------
    vertices
        (n, 3), mm.
    faces
        (m, 3), rows of ``vertices``; anticlockwise seen from outside where the file keeps to it.
    notes
        What was mended on reading, in words.
    """

    vertices: FloatArray
    faces: IntArray
    notes: tuple[str, ...] = ()

    @cached_property
    def face_vectors(self) -> FloatArray:
        """(m, 3): outward, of twice the triangle's area."""
        a, b, c = (self.vertices[self.faces[:, k]] for k in range(3))
        return np.cross(b - a, c - a)

    @cached_property
    def areas(self) -> FloatArray:
        """(n,): the third of the triangles around each vertex, mm²."""
        size = np.linalg.norm(self.face_vectors, axis=1) / 6
        found = np.bincount(self.faces.ravel(), np.repeat(size, 3), minlength=len(self.vertices))
        return found.astype(float)

    @cached_property
    def normals(self) -> FloatArray:
        """(n, 3): unit, outward, the area-weighted mean of the triangles around each vertex."""
        return _unit(_at_vertices(self.face_vectors, self.faces, len(self.vertices)))

    @cached_property
    def smooth_normals(self) -> FloatArray:
        """(n, 3): unit, outward, each averaged over about half a millimetre of surface."""
        corners = self.vertices[self.faces[:, [0, 1]]]
        edge = float(np.median(np.linalg.norm(corners[:, 0] - corners[:, 1], axis=1)))
        times = int(np.clip((SMOOTH / max(edge, 1e-6)) ** 2, 0, 12))
        normals, n = self.normals, len(self.vertices)
        for _ in range(times):
            normals = _unit(_at_vertices(normals[self.faces].sum(axis=1), self.faces, n))
        return normals

    def moved(self, rotation: FloatArray, translation: FloatArray) -> Mesh:
        """The mesh after x' = rotation @ x + translation."""
        return Mesh(self.vertices @ rotation.T + translation, self.faces, self.notes)

    def part(self, faces: NDArray[np.bool_]) -> Mesh:
        """The mesh of some of its faces, with the vertices they need."""
        used, renumbered = np.unique(self.faces[faces], return_inverse=True)
        return Mesh(self.vertices[used], renumbered.reshape(-1, 3).astype(np.int64), self.notes)


def _unit(vectors: FloatArray) -> FloatArray:
    length = np.linalg.norm(vectors, axis=1, keepdims=True)
    return vectors / np.where(length > 0, length, 1.0)


def _at_vertices(values: FloatArray, faces: IntArray, n: int) -> FloatArray:
    """Sums of values of faces (m, 3) at their vertices."""
    return np.column_stack(
        [np.bincount(faces.ravel(), np.repeat(values[:, k], 3), minlength=n) for k in range(3)]
    )


def read_mesh(path: str | PathLike[str], *, unit: str = "mm", whole_arch: bool = True) -> Mesh:
    """Read a scan of one arch, or of part of it.

    Equal vertices are merged; triangles without area, twice there, or with numbers that are not
    finite are left out; triangles are turned so that neighbours face the same way. Materials and
    pictures that a file names are never opened.

    Parameters
    ----------
    path
        ``.stl``, ``.ply`` or ``.obj``.
    unit
        Of its numbers: mm, cm, m or inch.
    whole_arch
        Whether its size must be that of an arch or a part of one; not of a single crown.

    Returns
    -------
    Mesh
        In mm.

    Raises
    ------
    Unreadable
        If the file is broken, is not what its ending says, is over the limits
        (``OUTCOMES_MAX_MB``, ``OUTCOMES_MAX_TRIANGLES``), or its size is not that of an arch in
        this unit: the message names the unit that would fit.
    """
    if unit not in UNITS:
        raise Unreadable(f"{unit!r} is no unit of length here", f"Use one of {', '.join(UNITS)}.")
    path = Path(path)
    kind = check_file(path)
    vertices, faces = _load(path, kind)
    mesh = clean(vertices * UNITS[unit], faces, path.name)
    if whole_arch:
        check_size(mesh, path.name, unit)
    return mesh


def _load(path: Path, kind: str) -> tuple[FloatArray, IntArray]:
    trimesh = need("trimesh")
    try:
        with path.open("rb") as file:
            options: dict[str, Any] = {}
            data: BinaryIO = file
            if kind == "obj":
                data, options = BytesIO(_tidy_obj(file.read(), path.name)), {"skip_materials": True}
            # without a resolver no other file is opened
            loaded = trimesh.load(
                data, file_type=kind, process=False, force="mesh", resolver=None, **options
            )
        vertices = np.array(loaded.vertices, float).reshape(-1, 3)
        faces = np.array(loaded.faces, np.int64).reshape(-1, 3)
    except _LOADING as error:
        reason = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        raise Unreadable(
            f"{path.name} cannot be read as {kind.upper()}: {_NOT_READ[kind]} ({reason})", EXPORT
        ) from None
    if not len(faces):
        raise Unreadable(f"{path.name} has no triangle: it is empty or cut off", EXPORT)
    TRIANGLES.hold(len(faces), path.name)
    if faces.min() < 0 or faces.max() >= len(vertices):
        raise Unreadable(f"{path.name} has triangles with corners that are not there", EXPORT)
    return vertices, faces


def _tidy_obj(data: bytes, name: str) -> bytes:
    """The lines of vertices and faces alone, blanks for tabs; corners are counted from 1."""
    lines = [line for line in data.replace(b"\t", b" ").replace(b"\\\n", b" ").splitlines()
             if line.lstrip()[:2] in (b"v ", b"f ")]  # fmt: skip
    if any(re.search(rb" 0+(/|\s|$)", line) for line in lines if line.lstrip()[:1] == b"f"):
        raise Unreadable(
            f"{name} has a face with corner 0: in an OBJ vertices are counted from 1", EXPORT
        )
    return b"\n".join(line.strip() for line in lines) + b"\n"


def clean(vertices: FloatArray, faces: IntArray, name: str = "The mesh") -> Mesh:
    """A mesh without what has no meaning as a surface (see :func:`read_mesh`).

    Raises
    ------
    Unreadable
        If too little is left.
    """
    notes = []
    finite: NDArray[np.bool_] = np.all(np.isfinite(vertices) & (np.abs(vertices) < 1e9), axis=1)
    whole = finite[faces].all(axis=1)
    if not whole.all():
        share = 1 - whole.mean()
        if share > 0.01:
            raise Unreadable(
                f"{name} has numbers that are missing or not finite in {share:.0%} of its triangles",
                EXPORT,
            )
        notes.append(f"{int((~whole).sum())} triangles with numbers that are not finite left out")
        faces = faces[whole]
    if not len(faces):
        raise Unreadable(f"{name} has no triangle", EXPORT)
    vertices, faces = _merge(vertices, faces)
    twice = (faces == np.roll(faces, 1, axis=1)).any(axis=1)
    corner = np.sort(faces, axis=1)
    _, first = np.unique(
        (corner[:, 0] * len(vertices) + corner[:, 1]).astype(float) * len(vertices) + corner[:, 2]
        if len(vertices) > 2_000_000
        else (corner[:, 0] * len(vertices) + corner[:, 1]) * len(vertices) + corner[:, 2],
        return_index=True,
    )
    keep = np.zeros(len(faces), bool)
    keep[first] = True
    keep &= ~twice
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    keep &= np.linalg.norm(np.cross(b - a, c - a), axis=1) > 1e-12
    if not keep.all():
        notes.append(f"{int((~keep).sum())} triangles without area or given twice left out")
        faces = faces[keep]
    if len(faces) < FEWEST:
        raise Unreadable(
            f"{name} has {len(faces)} usable triangle{'s' if len(faces) != 1 else ''}: too few for "
            "a scan of teeth",
            EXPORT,
        )
    mesh = Mesh(vertices, faces).part(np.ones(len(faces), bool))
    _check_surface(mesh, name, notes)
    turned = _oriented(mesh.faces)
    if turned is not mesh.faces:
        notes.append("triangles that faced both ways turned to face one")
    return Mesh(mesh.vertices, turned, tuple(notes))


def _check_surface(mesh: Mesh, name: str, notes: list[str]) -> None:
    """Refuse what lies in a plane or hangs together nowhere; note edges of three triangles."""
    centred = mesh.vertices - mesh.vertices.mean(axis=0)
    thin = float(np.ptp(centred @ np.linalg.eigh(centred.T @ centred)[1][:, 0]))
    if thin < FLAT * float(np.ptp(mesh.vertices, axis=0).max()):
        raise Unreadable(f"{name} lies flat in a plane: it shows no crown", EXPORT)
    edge = np.sort(mesh.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    key = np.sort(edge[:, 0] * len(mesh.vertices) + edge[:, 1])
    starts = np.flatnonzero(np.r_[True, key[1:] != key[:-1]])
    count = np.diff(np.r_[starts, len(key)])
    if (count == 1).mean() > 0.6:
        raise Unreadable(
            f"{name} is no surface: most of its triangles are not connected to others at an edge",
            EXPORT,
        )
    if (count > 2).any():
        notes.append(
            f"{int((count > 2).sum())} edges with more than two triangles (not a manifold)"
        )


def _merge(vertices: FloatArray, faces: IntArray) -> tuple[FloatArray, IntArray]:
    """Equal vertices as one: equal to a millionth of the size of the mesh."""
    used = np.unique(faces)
    low = vertices[used].min(axis=0)
    step = max(float((vertices[used].max(axis=0) - low).max()), 1e-9) * 1e-6
    cell = np.round((vertices[used] - low) / step).astype(np.int64)
    key = (cell[:, 0] << 42) | (cell[:, 1] << 21) | cell[:, 2]
    _, first, same = np.unique(key, return_index=True, return_inverse=True)
    number = np.full(len(vertices), -1, np.int64)
    number[used] = same
    return vertices[used][first], number[faces]


def _oriented(faces: IntArray) -> IntArray:
    """Neighbouring triangles facing the same way; the same array if they all do."""
    edge = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    key = edge[:, 0] * (int(faces.max()) + 1) + edge[:, 1]
    key.sort()
    if not (key[1:] == key[:-1]).any():  # no edge is run through twice in one direction
        return faces
    turned, part = need("igl").bfs_orient(faces)
    turned, part = np.asarray(turned, np.int64), np.asarray(part)
    # each piece as most of its triangles were
    same = (turned == faces).all(axis=1) | (np.roll(turned, 1, axis=1) == faces).all(axis=1)
    same |= (np.roll(turned, 2, axis=1) == faces).all(axis=1)
    kept = np.bincount(part, np.where(same, 1.0, -1.0))
    wrong = kept[part] < 0
    turned[wrong] = turned[wrong][:, ::-1]
    return turned


def check_size(mesh: Mesh, name: str, unit: str) -> None:
    """Refuse a scan whose size is not that of an arch: :class:`Unreadable`, with the unit that fits."""
    size = float(np.ptp(mesh.vertices, axis=0).max())
    if SMALLEST <= size <= LARGEST:
        return
    given = size / UNITS[unit]
    fits = [u for u, mm in UNITS.items() if LIKELY[0] <= given * mm <= LIKELY[1]]
    if fits:
        remedy = f"In {' or '.join(fits)} it would fit: write that in the column unit."
    elif LIKELY[0] <= given / 1000 <= LIKELY[1]:
        remedy = "It would fit in micrometres: divide by 1000 and export in mm."
    elif 4.0 < size < SMALLEST:
        remedy = "It may show one tooth or crown only: export the whole arch."
    else:
        remedy = "No unit that is known here fits: look at what was exported, and in which unit."
    raise Unreadable(f"{name} is {given:.4g} {unit} wide: no arch has that size", remedy)
