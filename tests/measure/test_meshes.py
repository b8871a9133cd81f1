"""Scans as read: what is mended, what is refused, and that a broken file never takes the memory."""

import struct

import numpy as np
import pytest

import outcomes as oc
from outcomes.cohort.sizes import TRIANGLES
from outcomes.errors import Unreadable
from outcomes.measure.extra import ExtraMissing, need
from outcomes.measure.meshes import LARGEST, SMALLEST, Mesh, clean, read_mesh
from outcomes.simulate.arches.write import obj, ply, stl
from tests.measure import broken


@pytest.fixture(scope="module")
def arch():
    return oc.simulate_arch("lower", seed=3, resolution=1.2, teeth=[44, 45, 46, 47], frame="same")


def volume(vertices, faces):
    """Of the cone from the origin to each triangle, summed: its sign turns with the winding."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)


@pytest.mark.parametrize(("ending", "write"), [(".stl", stl), (".ply", ply), (".obj", obj)])
def test_every_format_gives_the_same_surface(tmp_path, arch, ending, write):
    path = tmp_path / f"a{ending}"
    path.write_bytes(write(arch.start))
    mesh = read_mesh(path)
    assert len(mesh.faces) == len(arch.start.faces)
    assert len(mesh.vertices) == len(np.unique(arch.start.faces))
    assert volume(mesh.vertices, mesh.faces) == pytest.approx(
        volume(arch.start.vertices, arch.start.faces), rel=1e-4
    )


@pytest.mark.parametrize(("unit", "mm"), [("mm", 1), ("cm", 10), ("m", 1000), ("inch", 25.4)])
def test_units_become_mm(tmp_path, arch, unit, mm):
    path = tmp_path / "a.obj"
    path.write_bytes(obj(type(arch.start)(arch.start.vertices / mm, arch.start.faces)))
    width = np.ptp(read_mesh(path, unit=unit).vertices, axis=0)
    assert width == pytest.approx(np.ptp(arch.start.vertices, axis=0), abs=0.6)


def sheet(width):
    """A bent sheet of so many mm."""
    x, y = np.meshgrid(np.linspace(0, 1, 21), np.linspace(0, 0.5, 11), indexing="ij")
    vertices = np.column_stack([x.ravel(), y.ravel(), 0.2 * np.sin(6 * x.ravel())]) * width
    at = np.arange(231).reshape(21, 11)
    a, b, c, d = (q.ravel() for q in (at[:-1, :-1], at[1:, :-1], at[1:, 1:], at[:-1, 1:]))
    return vertices, np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])


@pytest.mark.parametrize(
    ("width", "read"),
    [(SMALLEST, True), (SMALLEST * 0.999, False), (LARGEST, True), (LARGEST * 1.001, False)],
)
def test_the_size_of_an_arch(width, read):
    from outcomes.measure.meshes import check_size

    mesh = clean(*sheet(width))
    if read:
        check_size(mesh, "a.ply", "mm")
    else:
        with pytest.raises(Unreadable, match="no arch has that size"):
            check_size(mesh, "a.ply", "mm")


@pytest.mark.parametrize(
    ("width", "named"), [(2.3, "inch"), (6.5, "cm"), (0.065, "m "), (60_000, "micrometres")]
)
def test_the_unit_that_would_fit_is_named(width, named):
    from outcomes.measure.meshes import check_size

    with pytest.raises(Unreadable) as error:
        check_size(clean(*sheet(width)), "a.ply", "mm")
    assert named in error.value.remedy


def test_what_is_mended_is_said():
    vertices, faces = sheet(60.0)
    whole = clean(vertices, faces)
    soup = vertices[faces].reshape(-1, 3)  # every triangle with corners of its own
    twice = np.concatenate([faces, faces[:5], [[0, 0, 1]]])
    turned = faces.copy()
    turned[::3] = turned[::3, ::-1]
    bad = np.concatenate([vertices, [[np.nan, 0, 0]]])
    for mesh, said in (
        (clean(soup, np.arange(len(soup)).reshape(-1, 3)), ""),
        (clean(vertices, twice), "6 triangles without area or given twice"),
        (clean(vertices, turned), "turned to face one"),
        (clean(bad, np.concatenate([faces, [[0, 1, 231]]])), "not finite"),
    ):
        assert len(mesh.faces) == len(whole.faces)
        assert len(mesh.vertices) == len(whole.vertices)
        assert volume(mesh.vertices, mesh.faces) == pytest.approx(
            volume(whole.vertices, whole.faces)
        )
        assert said in " ".join(mesh.notes)


@pytest.mark.parametrize("case", broken.CASES, ids=lambda c: c.name)
def test_the_catalogue_of_broken_files(case, tmp_path):
    """Every file is read or refused with a message that names what is wrong; none crashes."""
    path = case.write(tmp_path)
    if case.verdict == "read":
        assert len(read_mesh(path).faces) > 1000
        return
    found = read_or_said(path)
    if isinstance(found, Mesh):
        assert case.verdict == "reported" or case.name in READ_ALL_THE_SAME
        return
    said = f"{found.problem} {found.remedy}".lower()
    assert path.name in found.problem
    assert any(word in said for word in case.said), said


def read_or_said(path):
    """The mesh, or the error that it is refused with."""
    try:
        return read_mesh(path)
    except Unreadable as error:
        return error


READ_ALL_THE_SAME = {"a list of 255 corners ply"}
"""One face in a thousand is nonsense, and its triangles are no part of a crown."""


def test_a_header_that_lies_takes_no_memory(tmp_path):
    path = tmp_path / "a.stl"
    path.write_bytes(b"\0" * 80 + struct.pack("<I", 4_000_000_000) + b"\0" * 500)
    with pytest.raises(Unreadable, match=r"promises 4,000,000,000 triangles but has room for 10"):
        read_mesh(path)


def test_the_limit_on_triangles(tmp_path, arch, monkeypatch):
    path = tmp_path / "a.stl"
    path.write_bytes(stl(arch.start))
    count = len(arch.start.faces)
    monkeypatch.setenv(TRIANGLES.variable, str(count))
    assert len(read_mesh(path).faces) == count
    monkeypatch.setenv(TRIANGLES.variable, str(count - 1))
    with pytest.raises(Unreadable) as error:
        read_mesh(path)
    assert TRIANGLES.variable in error.value.remedy
    assert "lower resolution" in error.value.remedy


def test_no_other_file_is_opened(tmp_path, arch, monkeypatch):
    """Materials and pictures that an OBJ names are left alone."""
    import trimesh

    (tmp_path / "m.mtl").write_text("newmtl a\nmap_Kd picture.png\n")
    path = tmp_path / "a.obj"
    path.write_bytes(b"mtllib m.mtl\nmtllib /etc/hostname\nusemtl a\n" + obj(arch.start))

    def opened(*_):
        raise AssertionError("another file was asked for")

    monkeypatch.setattr(trimesh.resolvers.FilePathResolver, "get", opened)
    assert len(read_mesh(path).faces) == len(arch.start.faces)


def test_an_unknown_unit(tmp_path):
    with pytest.raises(Unreadable, match="furlong"):
        read_mesh(tmp_path / "a.stl", unit="furlong")


def test_without_the_extra_the_line_to_type_is_named():
    with pytest.raises(ExtraMissing, match=r"pip install 'outcomes\[scans\]'"):
        need("a_library_that_is_not_there")
