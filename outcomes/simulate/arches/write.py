"""Meshes and tables to files: binary PLY and STL, OBJ, and the two tables that go with scans."""

from pathlib import Path
from typing import Literal

import numpy as np

from outcomes.errors import InputError
from outcomes.simulate.arches.surface import Mesh

Kind = Literal["ply", "stl", "obj"]
KINDS: tuple[Kind, ...] = ("ply", "stl", "obj")


def write_mesh(mesh: Mesh, path: str | Path) -> None:
    """Write a mesh as its file's ending says: ``.ply`` or ``.stl`` (both binary, float32), ``.obj``.

    Raises
    ------
    InputError
        If the ending is another.
    """
    path = Path(path)
    made = {".ply": ply, ".stl": stl, ".obj": obj}.get(path.suffix.lower())
    if made is None:
        raise InputError(f"{path.name} ends in none of .ply, .stl, .obj: name it so.")
    path.write_bytes(made(mesh))


def ply(mesh: Mesh) -> bytes:
    """Binary little-endian PLY: float x, y, z; lists of three int with an uchar count."""
    head = (
        "ply\nformat binary_little_endian 1.0\n"
        f"element vertex {len(mesh.vertices)}\n"
        "property float x\nproperty float y\nproperty float z\n"
        f"element face {len(mesh.faces)}\n"
        "property list uchar int vertex_indices\nend_header\n"
    )
    faces = np.empty(len(mesh.faces), dtype=[("n", "u1"), ("corners", "<i4", 3)])
    faces["n"] = 3
    faces["corners"] = mesh.faces
    return head.encode() + mesh.vertices.astype("<f4").tobytes() + faces.tobytes()


def stl(mesh: Mesh) -> bytes:
    """Binary STL: 80 bytes, the number of triangles, then normal, three corners and two bytes."""
    corners = mesh.vertices[mesh.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(normal, axis=1, keepdims=True)
    rows = np.zeros(
        len(mesh.faces), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("more", "<u2")]
    )
    rows["normal"] = normal / np.where(size > 0, size, 1.0)
    rows["corners"] = corners
    head = b"invented arch, mm".ljust(80, b" ")
    return head + np.array(len(rows), dtype="<u4").tobytes() + rows.tobytes()


def obj(mesh: Mesh) -> bytes:
    """OBJ: ``v`` and ``f`` lines, counted from 1, mm with five decimals."""
    vertices = [f"v {x:.5f} {y:.5f} {z:.5f}" for x, y, z in mesh.vertices.tolist()]
    faces = [f"f {a} {b} {c}" for a, b, c in (mesh.faces + 1).tolist()]
    return "\n".join(["# invented arch, mm", *vertices, *faces, ""]).encode()
