"""A catalogue of mesh files as they should not be, and of some that look wrong and are not.

Each case writes one file (or what stands in the place of one) and names what should come of it:

- ``refused``: the file cannot be used; a clear message says why.
- ``reported``: it can be read, but what is wrong with it must be said, or the arch refused.
- ``read``: it is odd and fine, and must give the same mesh as the plain file.

``said`` holds words of which at least one stands in the message, in small letters.
"""

import gzip
import os
import struct
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

import outcomes as oc
from outcomes.simulate.arches import Mesh, SimulatedArch
from outcomes.simulate.arches.write import obj, ply, stl

Content = bytes | Callable[[Path], None]


@dataclass(frozen=True, slots=True)
class Broken:
    """One case: ``write(folder)`` gives the path of what it wrote."""

    name: str
    ending: str
    content: Callable[[], bytes] | None
    verdict: str
    said: tuple[str, ...] = ()
    place: Callable[[Path], None] | None = None

    def write(self, folder: Path) -> Path:
        path = folder / (self.name.replace(" ", "_") + self.ending)
        if self.place is not None:
            self.place(path)
        elif self.content is not None:
            path.write_bytes(self.content())
        return path


@lru_cache(maxsize=1)
def good() -> SimulatedArch:
    """The arch behind all cases: upper, its scans in the same coordinates, no holes, no noise."""
    return oc.simulate_arch("upper", seed=42, resolution=1.1, noise=0.0, frame="same")


@lru_cache(maxsize=1)
def other() -> SimulatedArch:
    """Another person's lower arch."""
    return oc.simulate_arch("lower", seed=43, resolution=1.1, noise=0.0, frame="same")


def base() -> Mesh:
    return good().start


def _moved(vertices: np.ndarray, faces: np.ndarray | None = None) -> Mesh:
    return Mesh(vertices, base().faces if faces is None else faces)


CASES: list[Broken] = []

EMPTY = ("empty", "no data", "nothing", "bytes")
CUT = ("cut off", "truncated", "ends", "incomplete", "short", "bytes")
COUNT = ("count", "says", "triangles", "faces", "vertices", "bytes", "short")
NOT_A_MESH = ("not", "no mesh", "cannot be read", "none of")
NUMBERS = ("nan", "not a number", "finite", "infinite", "number")
FEW = ("triangle", "face", "few", "small", "too little", "no surface")
INDEX = ("index", "vertex", "vertices", "corner", "refers", "range")
SIZE = ("unit", "size", "mm", "large", "small", "wide")
DECIMAL = ("comma", "number", "line")


def _add(
    name: str,
    ending: str,
    content: Callable[[], bytes],
    verdict: str = "refused",
    said: tuple[str, ...] = (),
) -> None:
    CASES.append(Broken(f"{name} {ending[1:]}", ending, content, verdict, said))


_WRITERS: dict[str, Callable[[Mesh], bytes]] = {".ply": ply, ".stl": stl, ".obj": obj}


def _each(name: str, mesh: Callable[[], Mesh], verdict: str, said: tuple[str, ...]) -> None:
    """The same wrong mesh in each of the three kinds of file."""
    for ending, made in _WRITERS.items():
        _add(name, ending, lambda made=made, mesh=mesh: made(mesh()), verdict, said)  # type: ignore[misc]


# Nothing, or something else ---------------------------------------------------------------------
for _ending in _WRITERS:
    _add("empty file", _ending, lambda: b"", said=EMPTY)
    _add("zero bytes", _ending, lambda: bytes(3000), said=(*EMPTY, *NOT_A_MESH, *COUNT))
    _add("random bytes", _ending, lambda: np.random.default_rng(1).bytes(5000), said=NOT_A_MESH)
    _add(
        "prose", _ending,
        lambda: b"Dear colleague, the scans are in the other folder. Kind regards.\n" * 5,
        said=NOT_A_MESH,
    )  # fmt: skip
    _add(
        "gzip", _ending,
        lambda made=_WRITERS[_ending]: gzip.compress(made(base()), 1, mtime=0),  # type: ignore[misc]
        said=("compressed", "gzip", "unpack", *NOT_A_MESH),
    )  # fmt: skip
_add(
    "page of the web",
    ".ply",
    lambda: b"<!DOCTYPE html><html><body>404</body></html>",
    said=NOT_A_MESH,
)
_add("table", ".stl", lambda: b"patient,tooth,x,y,z\nP001,11,1,2,3\n" * 20, said=NOT_A_MESH)
_add(
    "picture",
    ".stl",
    lambda: b"\xff\xd8\xff\xe0\x00\x10JFIF" + bytes(range(256)) * 8,
    said=NOT_A_MESH,
)
_add("archive", ".obj", lambda: b"PK\x03\x04" + bytes(range(256)) * 8, said=NOT_A_MESH)
_add("document", ".stl", lambda: b"%PDF-1.7\n" + bytes(range(256)) * 8, said=NOT_A_MESH)
_add("stl content", ".ply", lambda: stl(base()), said=NOT_A_MESH)
_add("ply content", ".stl", lambda: ply(base()), said=NOT_A_MESH)
_add("ply content", ".obj", lambda: ply(base()), said=NOT_A_MESH)
_add("two bytes a letter", ".obj", lambda: obj(base()).decode().encode("utf-16"), said=NOT_A_MESH)
_add("mesh", ".txt", lambda: ply(base()), said=("ending", ".ply", ".stl", ".obj"))
_add("mesh", ".dat", lambda: stl(base()), said=("ending", ".ply", ".stl", ".obj"))
_add("another kind", ".dcm", lambda: bytes(128) + b"DICM" + bytes(200), said=("ending", ".ply"))

# Cut off ----------------------------------------------------------------------------------------
for _share in (0.1, 0.3, 0.5, 0.7, 0.9, 0.99):
    for _ending in (".ply", ".stl"):
        _add(
            f"cut off at {round(100 * _share)} percent", _ending,
            lambda s=_share, made=_WRITERS[_ending]: made(base())[: int(s * len(made(base())))],  # type: ignore[misc]
            said=CUT,
        )  # fmt: skip
_add("last byte gone", ".ply", lambda: ply(base())[:-1], said=CUT)
_add("last byte gone", ".stl", lambda: stl(base())[:-1], said=CUT)
_add("cut off in its head", ".ply", lambda: ply(base())[:60], said=(*CUT, "head"))
_add("cut off in its head", ".stl", lambda: stl(base())[:40], said=CUT)
_add("head only", ".ply", lambda: ply(base()).split(b"end_header\n")[0] + b"end_header\n", said=CUT)
_add("head only", ".stl", lambda: stl(base())[:84], said=CUT)
_add("head only", ".obj", lambda: b"# made by hand\no arch\n", said=(*EMPTY, *FEW))
_add(
    "cut off among the vertices", ".obj", lambda: obj(base())[:30_000] + b"\nf 1 2 900000\n",
    said=INDEX,
)  # fmt: skip


# Wrong counts -----------------------------------------------------------------------------------
def _stl_count(count: int) -> bytes:
    made = stl(base())
    return made[:80] + struct.pack("<I", count) + made[84:]


def _ply_head(old: str, new: str) -> bytes:
    """The good file with a changed head; ``{n}`` and ``{m}`` are its numbers of parts."""
    mesh = base()
    old, new = (t.format(n=len(mesh.vertices), m=len(mesh.faces)) for t in (old, new))
    made = ply(mesh)
    assert old.encode() in made
    return made.replace(old.encode(), new.encode(), 1)


for _name, _count in (
    ("ten million", 10_000_000), ("four billion", 4_294_967_295), ("no", 0), ("a hundred", 100),
):  # fmt: skip
    _add(f"{_name} triangles claimed", ".stl", lambda c=_count: _stl_count(c), said=COUNT)  # type: ignore[misc]
_add("one triangle too many claimed", ".stl", lambda: _stl_count(len(base().faces) + 1), said=COUNT)
_add("one triangle too few claimed", ".stl", lambda: _stl_count(len(base().faces) - 1), said=COUNT)
for _part, _mark in (("vertex", "{n}"), ("face", "{m}")):
    for _name, _number in (
        ("ten million", "10000000"), ("four billion", "4294967295"), ("no", "0"),
        ("minus five", "-5"), ("a word for", "many"), ("no number of", ""),
        ("far too many", "9" * 30), ("twelve", "12"),
    ):  # fmt: skip
        _add(
            f"{_name} {_part} claimed", ".ply",
            lambda p=_part, m=_mark, n=_number: _ply_head(f"element {p} {m}", f"element {p} {n}"),  # type: ignore[misc]
            said=(*COUNT, *INDEX, *CUT, "head"),
        )  # fmt: skip


# Numbers that are none --------------------------------------------------------------------------
def _with(value: float, share: float) -> Mesh:
    vertices = base().vertices.copy()
    vertices[: max(1, int(share * len(vertices))), 1] = value
    return _moved(vertices)


_each("one vertex is no number", lambda: _with(np.nan, 0), "reported", NUMBERS)
_each("no vertex is a number", lambda: _with(np.nan, 1), "refused", NUMBERS)
_each("one vertex is infinite", lambda: _with(np.inf, 0), "reported", NUMBERS)
_each("one vertex is far away", lambda: _with(1e30, 0), "reported", (*NUMBERS, *SIZE, "far"))
_each(
    "all in one point",
    lambda: _moved(np.zeros_like(base().vertices)),
    "refused",
    (*FEW, *SIZE, "area"),
)
_each(
    "all in one line", lambda: _moved(base().vertices * (1.0, 0.0, 0.0)), "refused",
    (*FEW, *SIZE, "area", "flat"),
)  # fmt: skip
_each(
    "all in one plane", lambda: _moved(base().vertices * (1.0, 1.0, 0.0)), "refused",
    ("flat", "plane", "crown", *SIZE),
)  # fmt: skip

# Too little, or too much ------------------------------------------------------------------------
_each("one triangle", lambda: base().keep(np.arange(len(base().faces)) == 0)[0], "refused", FEW)
_each("two triangles", lambda: base().keep(np.arange(len(base().faces)) < 2)[0], "refused", FEW)
_each(
    "no triangles",
    lambda: _moved(base().vertices, np.empty((0, 3), int)),
    "refused",
    (*FEW, *EMPTY),
)


def _repeated(times: int) -> Mesh:
    return _moved(base().vertices, np.tile(base().faces, (times, 1)))


def _specks(count: int) -> Mesh:
    rng = np.random.default_rng(7)
    mesh = base()
    middles = mesh.vertices[rng.integers(0, len(mesh.vertices), count)] + rng.normal(
        0, 6, (count, 3)
    )
    corners = (middles[:, None] + rng.normal(0, 0.15, (count, 3, 3))).reshape(-1, 3)
    faces = np.arange(len(corners)).reshape(-1, 3) + len(mesh.vertices)
    return Mesh(np.concatenate([mesh.vertices, corners]), np.concatenate([mesh.faces, faces]))


def _fin() -> Mesh:
    """A third triangle at each tenth edge."""
    mesh = base()
    edges = mesh.faces[::10, :2]
    tips = mesh.vertices[edges[:, 0]] + (0.0, 0.0, 0.4)
    fins = np.column_stack([edges, np.arange(len(edges)) + len(mesh.vertices)])
    return Mesh(np.concatenate([mesh.vertices, tips]), np.concatenate([mesh.faces, fins]))


def _degenerate() -> Mesh:
    faces = base().faces
    flat = np.column_stack([faces[::20, 0], faces[::20, 0], faces[::20, 1]])
    return _moved(base().vertices, np.concatenate([faces, flat]))


def _unordered() -> Mesh:
    faces = base().faces.copy()
    faces[::2] = faces[::2, ::-1]
    return _moved(base().vertices, faces)


def _soup() -> Mesh:
    rng = np.random.default_rng(3)
    return Mesh(rng.uniform(-30, 30, (9000, 3)), np.arange(9000).reshape(-1, 3))


for _ending, _made in ((".ply", ply), (".stl", stl)):
    _add("each triangle twice", _ending, lambda m=_made: m(_repeated(2)), "read")  # type: ignore[misc]
    _add("specks beside it", _ending, lambda m=_made: m(_specks(200)), "read")  # type: ignore[misc]
    _add("some triangles without area", _ending, lambda m=_made: m(_degenerate()), "read")  # type: ignore[misc]
    _add("fins at its edges", _ending, lambda m=_made: m(_fin()), "reported", ("edge", "manifold"))  # type: ignore[misc]
    _add(
        "inside out", _ending,
        lambda m=_made: m(_moved(base().vertices, base().faces[:, ::-1])),  # type: ignore[misc]
        "reported", ("inside", "outside", "normals", "turned", "mirror", "orient"),
    )  # fmt: skip
    _add(
        "every second triangle turned over", _ending, lambda m=_made: m(_unordered()), "reported",  # type: ignore[misc]
        ("inside", "outside", "normals", "turned", "orient"),
    )  # fmt: skip
    _add(
        "a heap of triangles", _ending, lambda m=_made: m(_soup()), "refused",  # type: ignore[misc]
        ("connected", "part", "surface", "edge", "tooth", "teeth", "apart"),
    )  # fmt: skip


# Not the arch it should be ----------------------------------------------------------------------
for _name, _factor in (
    ("metres", 0.001),
    ("inches", 1 / 25.4),
    ("centimetres", 0.1),
    ("micrometres", 1000.0),
):
    _add(
        f"in {_name}", ".ply", lambda f=_factor: ply(_moved(base().vertices * f)), "reported", SIZE  # type: ignore[misc]
    )  # fmt: skip
_MIRROR = ("mirror", "wrong arch", "left", "right", "handed")
_add(
    "mirrored", ".ply",
    lambda: ply(_moved(base().vertices * (-1.0, 1.0, 1.0), base().faces[:, ::-1])),
    "reported", _MIRROR,
)  # fmt: skip
_add(
    "mirrored up and down", ".ply",
    lambda: ply(_moved(base().vertices * (1.0, 1.0, -1.0), base().faces[:, ::-1])),
    "reported", _MIRROR,
)  # fmt: skip
_add(
    "the other arch",
    ".ply",
    lambda: ply(other().start),
    "reported",
    ("arch", "superimpos", "fit", *_MIRROR),
)
_add(
    "another person", ".ply",
    lambda: ply(oc.simulate_arch("upper", seed=44, resolution=1.1, noise=0, frame="same").start),
    "reported", ("superimpos", "fit", "residual", "overlap", "same"),
)  # fmt: skip
_add(
    "upside down", ".ply", lambda: ply(_moved(base().vertices * (1.0, -1.0, -1.0))), "read"
)  # fmt: skip
_add("far from the origin", ".ply", lambda: ply(_moved(base().vertices + 2000.0)), "read")


def _part(teeth: bool) -> Mesh:
    labels = good().labels["start"]
    keep = (labels != 0) == teeth
    return base().keep(keep[base().faces].all(axis=1))[0]


def _half() -> Mesh:
    return base().keep((base().vertices[:, 0] > 0)[base().faces].all(axis=1))[0]


def _one_crown() -> Mesh:
    return base().keep((good().labels["start"] == 16)[base().faces].all(axis=1))[0]


_PART = ("tooth", "teeth", "overlap", "superimpos", "click", "crown")
_add("gum only", ".ply", lambda: ply(_part(False)), "reported", _PART)
_add("half an arch", ".ply", lambda: ply(_half()), "reported", _PART)
_add("one crown only", ".ply", lambda: ply(_one_crown()), "reported", _PART)


# OBJ --------------------------------------------------------------------------------------------
def _obj(vertex: str = "v {x:.5f} {y:.5f} {z:.5f}", face: str = "f {a} {b} {c}", head: str = "", tail: str = "") -> bytes:  # fmt: skip
    mesh = base()
    n = len(mesh.vertices)
    lines = [vertex.format(x=x, y=y, z=z) for x, y, z in mesh.vertices.tolist()]
    lines += [
        face.format(a=a + 1, b=b + 1, c=c + 1, ra=a - n, rb=b - n, rc=c - n)
        for a, b, c in mesh.faces.tolist()
    ]
    return (head + "\n".join(lines) + "\n" + tail).encode()


def _quads() -> bytes:
    """Each triangle as a four-cornered face with a corner in the middle of its last edge."""
    mesh = base()
    n = len(mesh.vertices)
    middle = (mesh.vertices[mesh.faces[:, 2]] + mesh.vertices[mesh.faces[:, 0]]) / 2
    lines = [
        f"v {x:.6f} {y:.6f} {z:.6f}" for x, y, z in np.concatenate([mesh.vertices, middle]).tolist()
    ]
    lines += [
        f"f {a + 1} {b + 1} {c + 1} {n + i + 1}" for i, (a, b, c) in enumerate(mesh.faces.tolist())
    ]
    return "\n".join(lines).encode()


for _name, _how in {
    "counted from the end": {"face": "f {ra} {rb} {rc}"},
    "with textures and normals": {
        "head": "vt 0 0\nvn 0 0 1\n", "face": "f {a}/1/1 {b}/1/1 {c}/1/1"},
    "with normals": {"head": "vn 0 0 1\n", "face": "f {a}//1 {b}//1 {c}//1"},
    "with colours": {"vertex": "v {x:.5f} {y:.5f} {z:.5f} 0.9 0.8 0.7"},
    "with a material elsewhere": {"head": "mtllib ../../../../etc/hostname\nusemtl enamel\n"},
    "with a picture elsewhere": {"head": "mtllib /etc/passwd\nusemtl ..\\..\\secret\n"},
    "with groups and comments": {"head": "# caf\u00e9\ng crowns\ns off\no arch\n", "tail": "# end\n"},
    "with exponents": {"vertex": "v {x:.6e} {y:.6e} {z:.6e}"},
    "with tabs": {"vertex": "v\t{x:.5f}\t{y:.5f}  {z:.5f}  "},
    "with a byte order mark": {"head": "\ufeff# arch\n"},
}.items():  # fmt: skip
    _add(_name, ".obj", lambda h=_how: _obj(**h), "read")  # type: ignore[misc]
_add("with lines of another system", ".obj", lambda: _obj().replace(b"\n", b"\r\n"), "read")
_add("with four corners a face", ".obj", _quads, "read")
_add(
    "with a face of many corners",
    ".obj",
    lambda: _obj(tail="f 1 2 3 4 5 6 7 8 9\n"),
    "reported",
    FEW,
)
for _name, _how in {
    "out of range": {"tail": "f 1 2 99999999\n"},
    "counted from nought": {"tail": "f 0 1 2\n"},
    "counted from before the start": {"tail": "f -99999999 -2 -1\n"},
    "with a corner that is a word": {"tail": "f one two three\n"},
    "with a corner of a fraction": {"tail": "f 1.5 2 3\n"},
    "with two corners": {"face": "f {a} {b}"},
    "with an index past all numbers": {"tail": "f 1 2 99999999999999999999999\n"},
}.items():
    _add(_name, ".obj", lambda h=_how: _obj(**h), said=(*INDEX, *FEW, "line"))  # type: ignore[misc]
_add(
    "vertices in a plane",
    ".obj",
    lambda: _obj(vertex="v {x:.5f} {y:.5f}"),
    said=(*INDEX, "line", "three"),
)
_add("decimal commas", ".obj", lambda: _obj().replace(b".", b","), said=DECIMAL)
_add("a vertex of words", ".obj", lambda: _obj(head="v left right up\n"), said=DECIMAL)
_add(
    "bytes of nothing inside",
    ".obj",
    lambda: _obj(tail="f 1 \x00 3\n"),
    said=(*INDEX, "line", *NOT_A_MESH),
)
_add(
    "curves only",
    ".obj",
    lambda: b"v 0 0 0\nv 1 0 0\nv 2 1 0\ncstype bezier\ncurv 0 1 1 2 3\nend\n",
    said=FEW,
)
_add("lines only", ".obj", lambda: _obj().split(b"\nf ")[0] + b"\nl 1 2 3 4 5\n", said=FEW)


# PLY --------------------------------------------------------------------------------------------
def _ply_as(
    *,
    order: str = "<",
    number: str = "float",
    more: tuple[str, ...] = (),
    list_types: tuple[str, str] = ("uchar", "int"),
    name: str = "vertex_indices",
    faces_first: bool = False,
    line: str = "\n",
) -> bytes:
    mesh = base()
    width = {
        "float": "f4",
        "double": "f8",
        "uchar": "u1",
        "ushort": "u2",
        "int": "i4",
        "uint": "u4",
    }
    vertices = np.zeros(
        len(mesh.vertices),
        dtype=[(p, order + width[number]) for p in "xyz"] + [(m, "u1") for m in more],
    )
    for i, p in enumerate("xyz"):
        vertices[p] = mesh.vertices[:, i]
    faces = np.zeros(
        len(mesh.faces),
        dtype=[("n", order + width[list_types[0]]), ("c", order + width[list_types[1]], 3)],
    )
    faces["n"], faces["c"] = 3, mesh.faces
    parts = [
        ([f"element vertex {len(vertices)}", *(f"property {number} {p}" for p in "xyz"),
          *(f"property uchar {m}" for m in more)], vertices.tobytes()),
        ([f"element face {len(faces)}", f"property list {list_types[0]} {list_types[1]} {name}"],
         faces.tobytes()),
    ]  # fmt: skip
    if faces_first:
        parts.reverse()
    kind = "little" if order == "<" else "big"
    head = [
        "ply",
        f"format binary_{kind}_endian 1.0",
        "comment caf\u00e9",
        *parts[0][0],
        *parts[1][0],
    ]
    return (line.join([*head, "end_header"]) + line).encode() + parts[0][1] + parts[1][1]


def _ascii_ply(point: str = ".") -> bytes:
    mesh = base()
    lines = [
        "ply", "format ascii 1.0", f"element vertex {len(mesh.vertices)}",
        "property float x", "property float y", "property float z",
        f"element face {len(mesh.faces)}", "property list uchar int vertex_indices", "end_header",
    ]  # fmt: skip
    lines += [f"{x:.5f} {y:.5f} {z:.5f}".replace(".", point) for x, y, z in mesh.vertices.tolist()]
    lines += [f"3 {a} {b} {c}" for a, b, c in mesh.faces.tolist()]
    return ("\n".join(lines) + "\n").encode()


for _name, _how in {
    "the other byte order": {"order": ">"},
    "double numbers": {"number": "double"},
    "colours and quality": {"more": ("red", "green", "blue", "alpha", "quality")},
    "longer lists": {"list_types": ("ushort", "uint")},
    "longest lists": {"list_types": ("int", "int")},
    "its other name of the list": {"name": "vertex_index"},
    "faces before vertices": {"faces_first": True},
}.items():
    _add(_name, ".ply", lambda h=_how: _ply_as(**h), "read")  # type: ignore[misc, arg-type]
_add("as text", ".ply", _ascii_ply, "read")
_add(
    "as text with decimal commas",
    ".ply",
    lambda: _ascii_ply(","),
    said=(*DECIMAL, *CUT, *NOT_A_MESH),
)
_add("as text cut off", ".ply", lambda: _ascii_ply()[:40_000], said=(*CUT, *COUNT))
for _name, _old, _new in (
    ("no z", "property float z\n", ""),
    ("a type of its own", "property float x", "property length x"),
    ("a format of its own", "binary_little_endian", "binary_middle_endian"),
    ("no format", "format binary_little_endian 1.0\n", ""),
    ("no end of its head", "end_header\n", ""),
    ("no list of corners", "property list uchar int vertex_indices\n", ""),
    ("another first word", "ply\n", "plx\n"),
    ("a list that is none", "property list uchar int vertex_indices", "property list"),
):
    _add(_name, ".ply", lambda o=_old, n=_new: _ply_head(o, n), said=("head", *NOT_A_MESH, *INDEX, *CUT, "format", "propert"))  # type: ignore[misc]  # fmt: skip


def _ply_faces(change: Callable[[np.ndarray], None]) -> bytes:
    faces = base().faces.copy()
    change(faces)
    return ply(_moved(base().vertices, faces))


def _set(rows: slice, value: int) -> Callable[[np.ndarray], None]:
    def change(faces: np.ndarray) -> None:
        faces[rows, 1] = value

    return change


_add("a corner out of range", ".ply", lambda: _ply_faces(_set(slice(5, 6), 10**8)), said=INDEX)
_add("a corner below nought", ".ply", lambda: _ply_faces(_set(slice(5, 6), -7)), said=INDEX)
_add("all corners out of range", ".ply", lambda: _ply_faces(_set(slice(None), 10**8)), said=INDEX)
_add(
    "a list of 255 corners", ".ply",
    lambda: ply(base())[: -13 * 500] + b"\xff" + ply(base())[-13 * 500 + 1 :],
    said=(*INDEX, *CUT, *COUNT, *NOT_A_MESH),
)  # fmt: skip
_add(
    "a head without end", ".ply",
    lambda: b"ply\nformat binary_little_endian 1.0\n" + b"comment again and again\n" * 40_000,
    said=("head", *NOT_A_MESH, *CUT),
)  # fmt: skip


# STL as text ------------------------------------------------------------------------------------
def _ascii_stl(point: str = ".", solids: int = 1, upper: bool = False, name: str = "arch") -> bytes:
    lines = []
    for part in np.array_split(base().faces, solids):
        lines.append(f"solid {name}")
        for corners in base().vertices[part].tolist():
            lines += ["facet normal 0 0 0", "outer loop"]
            lines += [f"vertex {x:.5f} {y:.5f} {z:.5f}".replace(".", point) for x, y, z in corners]
            lines += ["endloop", "endfacet"]
        lines.append(f"endsolid {name}")
    text = "\n".join(lines) + "\n"
    return (text.upper() if upper else text).encode()


_add("as text", ".stl", _ascii_stl, "read")
_add("as text in capitals", ".stl", lambda: _ascii_stl(upper=True), "read")
_add("as text with an odd name", ".stl", lambda: _ascii_stl(name="caf\u00e9 \u2013 1"), "read")
_add("as text in several solids", ".stl", lambda: _ascii_stl(solids=3), "read")
_add("bytes that begin with solid", ".stl", lambda: b"solid" + stl(base())[5:], "read")
_add("as text with decimal commas", ".stl", lambda: _ascii_stl(","), said=(*DECIMAL, *NOT_A_MESH))
_add("as text cut off", ".stl", lambda: _ascii_stl()[:200_000], said=CUT)
_add(
    "as text with nothing in it",
    ".stl",
    lambda: b"solid arch\nendsolid arch\n",
    said=(*EMPTY, *FEW),
)
for _name, _old, _new in (
    ("as text with a vertex of words", b"vertex ", b"vertex left "),
    ("as text with two corners", b"outer loop\nvertex", b"outer loop\nvortex"),
    ("as text with no number", b"vertex ", b"vertex nan "),
):
    _add(_name, ".stl", lambda o=_old, n=_new: _ascii_stl().replace(o, n, 1), said=(*NUMBERS, *CUT, "line", "corner", "vert", *NOT_A_MESH))  # type: ignore[misc]  # fmt: skip


# Not a file -------------------------------------------------------------------------------------
def _folder(path: Path) -> None:
    path.mkdir()


def _unreadable(path: Path) -> None:
    """For root it stays readable: see ``root_reads_all``."""
    path.write_bytes(ply(base()))
    path.chmod(0)


def root_reads_all() -> bool:
    """Whether rights of files do not hold for who runs this."""
    return not hasattr(os, "geteuid") or os.geteuid() == 0


def _nowhere(path: Path) -> None:
    path.symlink_to(path.parent / "nowhere")


def _itself(path: Path) -> None:
    path.symlink_to(path)


_NO_FILE = (
    "no file",
    "not found",
    "there is no",
    "does not exist",
    "cannot be opened",
    "not a file",
)
for _name, _ending, _place, _said in (
    ("folder", ".stl", _folder, (*_NO_FILE, "folder", "directory")),
    ("folder", ".ply", _folder, (*_NO_FILE, "folder", "directory")),
    ("absent", ".ply", lambda path: None, _NO_FILE),
    ("absent", ".obj", lambda path: None, _NO_FILE),
    ("link to nowhere", ".ply", _nowhere, _NO_FILE),
    ("link to itself", ".ply", _itself, (*_NO_FILE, "link")),
):
    CASES.append(Broken(f"{_name} {_ending[1:]}", _ending, None, "refused", _said, _place))
if not root_reads_all():
    CASES.append(
        Broken("unreadable ply", ".ply", None, "refused", (*_NO_FILE, "permission", "rights"), _unreadable)
    )  # fmt: skip
