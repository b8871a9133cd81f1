"""What a mesh file says of itself before it is loaded: its kind, its counts, whether it is whole."""

from __future__ import annotations

import re
from pathlib import Path

from outcomes.cohort.sizes import FILE_MB, TRIANGLES, megabytes
from outcomes.errors import Unreadable

#: Open formats of triangle meshes that are read.
ENDINGS = (".stl", ".ply", ".obj")

EXPORT = "Export the scan again, as binary STL or PLY."

_HEAD = 65_536
_BYTES = {
    "char": 1, "int8": 1, "uchar": 1, "uint8": 1, "short": 2, "int16": 2, "ushort": 2,
    "uint16": 2, "int": 4, "int32": 4, "uint": 4, "uint32": 4, "float": 4, "float32": 4,
    "double": 8, "float64": 8,
}  # fmt: skip


def check_file(path: Path) -> str:
    """The kind of a mesh file (``stl``, ``ply`` or ``obj``), once what it promises can be true.

    Nothing is taken from memory that the file does not hold: counts in the header are compared
    with its size first.

    Raises
    ------
    Unreadable
        If there is no such file, its ending is another, it is empty, cut off, too large, or not
        what its ending says.
    """
    if not path.is_file():
        what = (
            f"{path.name} is a folder, not a file"
            if path.is_dir()
            else f"there is no file {path.name}"
        )
        raise Unreadable(what, "Name a mesh file; paths start at the table's.")
    kind = path.suffix.lower()
    if kind not in ENDINGS:
        raise Unreadable(
            f"{path.name} is no mesh that is read: its ending is {kind or 'missing'}",
            f"Export it as one of {', '.join(ENDINGS)}.",
        )
    size = path.stat().st_size
    if size == 0:
        raise Unreadable(f"{path.name} is empty", EXPORT)
    FILE_MB.hold(megabytes(size), path.name)
    with path.open("rb") as file:
        head = file.read(_HEAD)
    {".stl": _check_stl, ".ply": _check_ply, ".obj": _check_obj}[kind](path.name, head, size)
    return kind[1:]


def _is_text(head: bytes) -> bool:
    return b"\0" not in head and sum(b > 126 for b in head) * 20 <= len(head)


def _check_stl(name: str, head: bytes, size: int) -> None:
    if _is_text(head):
        low = head.lower()
        if not (low.lstrip().startswith(b"solid") and b"facet" in low):
            raise Unreadable(
                f"{name} is not an STL, or cut off in its head: it is text without 'solid' and 'facet'",
                EXPORT,
            )
        TRIANGLES.hold(size // 500, name)  # a facet in text is seldom above 300 characters
        return
    if size < 84:
        raise Unreadable(f"{name} is too short for an STL: {size} bytes", EXPORT)
    count = int.from_bytes(head[80:84], "little")
    if count == 0:
        raise Unreadable(f"{name} says that it holds 0 triangles", EXPORT)
    if 84 + 50 * count > size:
        raise Unreadable(
            f"{name} promises {count:,} triangles but has room for {max(size - 84, 0) // 50:,}: "
            "it is cut off, or not an STL at all",
            EXPORT,
        )
    if size - 84 - 50 * count >= 50:
        raise Unreadable(
            f"{name} says that it holds {count:,} triangles, but has {(size - 84) // 50:,}", EXPORT
        )
    TRIANGLES.hold(count, name)


def _check_obj(name: str, head: bytes, size: int) -> None:
    if not _is_text(head):
        raise Unreadable(f"{name} is not an OBJ: it is not text", EXPORT)
    if size <= _HEAD and not (
        re.search(rb"(?m)^\s*v\s", head) and re.search(rb"(?m)^\s*f\s", head)
    ):
        raise Unreadable(
            f"{name} is not an OBJ with a surface: it has no vertices ('v') or no faces ('f')",
            EXPORT,
        )
    TRIANGLES.hold(size // 200, name)  # a face and its share of vertices are seldom above 150


def _check_ply(name: str, head: bytes, size: int) -> None:
    end = re.search(rb"end_header\r?\n?", head)
    if not head.startswith(b"ply") or not end:
        raise Unreadable(
            f"{name} is not a PLY, or cut off: its head does not begin or does not end", EXPORT
        )
    lines = head[: end.start()].decode("ascii", "replace").splitlines()
    words = [line.split() for line in lines if line.strip()]
    form = next((w[1] for w in words if w[0] == "format" and len(w) > 1), "")
    if form not in ("ascii", "binary_little_endian", "binary_big_endian"):
        raise Unreadable(f"{name} is a PLY of no known format: {form or 'none is named'}", EXPORT)
    counts: dict[str, int] = {}
    smallest: dict[str, int] = {}
    fields: list[str] = []
    element = ""
    for w in words:
        if w[0] == "element":
            if len(w) != 3 or not w[2].isdigit() or len(w[2]) > 15:
                raise Unreadable(f"{name} has a header that cannot be read: {' '.join(w)}", EXPORT)
            element = w[1]
            counts[element], smallest[element] = int(w[2]), 0
        elif w[0] == "property" and element and len(w) > 2:
            fields += [w[-1]] if element == "vertex" else []
            item = 1 + (3 if element == "face" else 0) if w[1] == "list" else 1
            if form != "ascii":
                item = (
                    _BYTES.get(w[2], 1) + (3 * _BYTES.get(w[3], 1) if element == "face" else 0)
                    if w[1] == "list" and len(w) > 4
                    else _BYTES.get(w[1], 1)
                )
            smallest[element] += item * (2 if form == "ascii" else 1)
    if not {"x", "y", "z"} <= set(fields):
        raise Unreadable(f"{name} has vertices without x, y and z", EXPORT)
    if not counts.get("vertex") or not counts.get("face"):
        raise Unreadable(
            f"{name} has {counts.get('vertex', 0)} vertices and {counts.get('face', 0)} faces: "
            "points alone are no surface",
            "Export the scan with its triangles.",
        )
    TRIANGLES.hold(counts["face"], name)
    need = sum(counts[e] * smallest[e] for e in counts) - (1 if form == "ascii" else 0)
    if end.end() + need > size:
        raise Unreadable(
            f"{name} promises {counts['vertex']:,} vertices and {counts['face']:,} faces, more "
            "than the file can hold: it is cut off",
            EXPORT,
        )
