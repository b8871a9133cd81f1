"""Clicked crowns: what is written, what is refused, and pages that load nothing."""

import base64
import csv
import json
import re

import numpy as np
import pytest

from outcomes.errors import InputError, OutputRefused, Unreadable
from outcomes.measure.clicked import ClickedFile, arch_order, open_clicking
from outcomes.measure.clicking import _payload, click_page, click_teeth, seen_from, tooth_name
from outcomes.measure.crowns import OFF_SCAN
from outcomes.measure.meshes import Mesh, read_mesh
from outcomes.measure.points import read_points
from outcomes.paths import data_path
from outcomes.simulate.arches.surface import Mesh as Drawn
from outcomes.simulate.arches.write import write_mesh

SCAN = data_path("synthetic_data", "scans", "P002_1_lower_start.ply")
HEAD = "model,tooth,point,x,y,z\n"


@pytest.fixture(scope="module")
def mesh():
    return read_mesh(SCAN)


@pytest.fixture
def scan(tmp_path):
    (tmp_path / "start.ply").write_bytes(SCAN.read_bytes())
    return tmp_path / "start.ply"


def click(tooth, place):
    return {"tooth": tooth, **dict(zip("xyz", map(float, place), strict=True))}


def vertices_shown(clicking):
    data = _payload(clicking, 500, kept="")["vertices"]
    return np.frombuffer(base64.b64decode(data), "<f8").reshape(-1, 3)


def test_the_file_is_exactly_that_of_the_contract(scan, mesh):
    clicking = open_clicking(scan, arch="lower")
    a, b = mesh.vertices[10], mesh.vertices[2000]
    said = clicking.save([click(36, a), click(46, b)])
    path = scan.with_name("start_landmarks.csv")
    lines = [f"start,{t},crown,{x:.6f},{y:.6f},{z:.6f}\n" for t, (x, y, z) in ((46, b), (36, a))]
    # in the order of the arch, from the patient's right
    assert path.read_bytes().decode() == HEAD + "".join(lines)
    assert said == f"Saved 2 teeth in {path}"
    read = read_points(path).frame
    assert read["tooth"].tolist() == [46, 36]
    assert set(read["point"]) == {"crown"}


def test_a_re_opened_file_goes_on_and_its_other_rows_stay_as_typed(scan, mesh):
    path = scan.with_name("mine.csv")
    first, second = mesh.vertices[[10, 2000]]
    others = "start,36,mesial,1.5,2,3.25\nplanned,36,crown,1,2,3\nstart,0,palate,1,1,1\n"
    row = ",".join(f"{v:.6f}" for v in first)
    path.write_text(f"{HEAD}start,36,crown,{row}\n{others}", encoding="utf-8")
    clicking = open_clicking(scan, arch="lower", landmarks=path)
    assert list(clicking.file.points) == [36]
    again = _payload(clicking, 500, kept="")["points"]
    assert again[0]["tooth"] == 36
    clicking.save([*again, click(46, second)])
    text = path.read_text(encoding="utf-8")
    assert text.endswith(others)
    assert text.count("crown") == 3
    assert f"start,36,crown,{row}\n" in text


@pytest.mark.parametrize(("unit", "mm"), [("mm", 1.0), ("cm", 10.0), ("inch", 25.4), ("m", 1000.0)])
def test_a_clicked_vertex_keeps_the_coordinates_of_the_file(tmp_path, mesh, unit, mm):
    path = tmp_path / "scan.obj"  # text with five decimals
    write_mesh(Drawn(mesh.vertices / mm * 1000, mesh.faces), path)
    rows = [line.split()[1:] for line in path.read_text().splitlines() if line.startswith("v ")]
    typed = np.array(rows, float) / 1000
    lines = [f"v {x:.8f} {y:.8f} {z:.8f}" for x, y, z in typed.tolist()]
    faces = [line for line in path.read_text().splitlines() if line.startswith("f ")]
    path.write_text("\n".join([*lines, *faces, ""]))
    clicking = open_clicking(path, arch="lower", unit=unit)
    shown = vertices_shown(clicking)
    clicking.save([click(46, shown[1234])])
    with clicking.file.path.open(newline="") as file:
        (row,) = csv.DictReader(file)
    written = np.array([float(row[axis]) for axis in "xyz"])
    assert (np.abs(typed - written).max(axis=1) <= 5.1e-7).any()
    assert all(re.fullmatch(r"-?\d+\.\d{6}", row[axis]) for axis in "xyz")
    # measured later in mm, in the same unit
    read = read_points(clicking.file.path, unit=unit).frame[["x", "y", "z"]].to_numpy()
    assert np.allclose(read[0], shown[1234] * mm, atol=6e-7 * mm)


@pytest.mark.parametrize(
    ("clicks", "says"),
    [
        ([click(16, (0, 0, 0))], "tooth 16 is not of the lower arch"),
        ([click(36, (np.nan, 0, 0))], "no numbers"),
        ([click(36, (1e4, 0, 0))], "off the scan by more than 2 mm: 36"),
        ([{"tooth": 36}], "no click"),
        ([{"tooth": "x", "x": 1, "y": 1, "z": 1}], "no click"),
    ],
)
def test_what_is_no_click_is_refused_and_nothing_is_written(scan, clicks, says):
    clicking = open_clicking(scan, arch="lower")
    with pytest.raises(InputError, match=says):
        clicking.save(clicks)
    assert not clicking.file.path.exists()


def test_the_same_tooth_twice_is_refused(scan, mesh):
    clicking = open_clicking(scan, arch="lower")
    with pytest.raises(InputError, match="tooth 36 is there twice"):
        clicking.save([click(36, mesh.vertices[0]), click(36, mesh.vertices[0])])


@pytest.mark.parametrize(("beside", "refused"), [(OFF_SCAN - 0.01, False), (OFF_SCAN + 0.01, True)])
def test_how_far_beside_the_scan_a_click_may_lie(scan, mesh, beside, refused):
    clicking = open_clicking(scan, arch="lower")
    # beyond the outermost vertex in x no other is nearer
    place = mesh.vertices[mesh.vertices[:, 0].argmax()] + [beside, 0, 0]
    if refused:
        with pytest.raises(InputError, match="off the scan"):
            clicking.save([click(36, place)])
    else:
        assert clicking.save([click(36, place)]).startswith("Saved 1 tooth in")


def test_a_file_that_somebody_else_changed_is_not_overwritten(scan, mesh):
    first, second = (open_clicking(scan, arch="lower") for _ in range(2))
    first.save([click(36, mesh.vertices[10])])
    first.save([click(36, mesh.vertices[11])])  # its own changes do not stop it
    text = first.file.path.read_text()
    with pytest.raises(InputError, match="changed by something else"):
        second.save([click(46, mesh.vertices[10])])
    assert first.file.path.read_text() == text


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("patient,tooth,x\n", "does not have the columns"),
        ("", "does not have the columns"),
        (HEAD + "start,16,crown,1,2,3\n", "row 2: tooth 16 is not of the lower arch"),
        (HEAD + "start,36,crown,1,2\n", "row 2 has 5 cells"),
        (HEAD + "start,36,crown,a,2,3\nstart,x,crown,1,2,3\n", "row 2: .*no number; row 3: .*no number"),
        (HEAD + "start,36,crown,999,999,999\n", "does not belong to start.ply: off the scan"),
    ],
)  # fmt: skip
def test_a_file_that_cannot_be_continued_is_left_alone(scan, text, says):
    path = scan.with_name("start_landmarks.csv")
    path.write_text(text)
    with pytest.raises(Unreadable, match=says):
        open_clicking(scan, arch="lower")
    assert path.read_text() == text


def test_arguments_that_cannot_be_meant(scan, tmp_path):
    with pytest.raises(InputError, match="arch='upper' or arch='lower'"):
        open_clicking(scan, arch="top")
    with pytest.raises(InputError, match=r"ends in \.csv"):
        open_clicking(scan, arch="lower", landmarks=scan)
    with pytest.raises(InputError, match="no folder"):
        open_clicking(scan, arch="lower", landmarks=tmp_path / "none" / "a.csv")


def test_the_notebook_widget_keeps_every_change(scan, mesh):
    pytest.importorskip("anywidget")
    widget = click_teeth(scan, arch="lower")
    path = scan.with_name("start_landmarks.csv")
    assert not path.exists()
    widget.points = [click(36, mesh.vertices[10])]
    assert widget.said.startswith(f"Saved 1 tooth in {path}")
    kept = path.read_text()
    widget.points = [click(16, mesh.vertices[10])]
    assert widget.said == "Not saved: tooth 16 is not of the lower arch."
    assert path.read_text() == kept
    assert click_teeth(scan, arch="lower").points[0]["tooth"] == 36


def test_the_page_loads_nothing_and_no_text_can_end_its_script(scan, tmp_path):
    scan = scan.rename(tmp_path / "a<!--<script>.ply")
    page = click_page(scan, tmp_path / "clicks.html", arch="lower").read_text(encoding="utf-8")
    assert not re.search(r"<(?:script|img|link|iframe)[^>]*\b(?:src|href)\b", page)
    assert page.count("<script") - page.count("<script>alert") >= 3
    data = re.search(r'<script type="application/json" id="scan">(.*?)</script>', page, re.DOTALL)
    assert json.loads(data[1])["scan"] == scan.name
    assert "<title>Click the teeth of a&lt;!--&lt;script&gt;.ply</title>" in page
    with pytest.raises(OutputRefused, match="exists already"):
        click_page(scan, tmp_path / "clicks.html", arch="lower")


def test_the_view_is_of_the_biting_side_with_the_front_where_it_belongs():
    """Against how the invented arches were drawn: the truth's own axes."""
    from outcomes.simulate.arches import simulate_arch

    for arch in ("upper", "lower"):
        made = simulate_arch(arch, seed=3, resolution=1.2, planned={}, achieved={})
        eye, up = seen_from(Mesh(made.start.vertices, made.start.faces), arch)
        occlusal = np.mean([axes.occlusal for axes in made.frames.values()], axis=0)
        assert eye @ occlusal > 0.9 * np.linalg.norm(occlusal)
        front = made.clicks[11 if arch == "upper" else 41]
        back = made.clicks[17 if arch == "upper" else 47]
        assert ((front - back) @ up > 0) == (arch == "upper")
        # as one looks into the mouth: the patient's right is on the left of the picture
        left, right = (made.clicks[t] for t in ((27, 17) if arch == "upper" else (37, 47)))
        assert (left - right) @ np.cross(up, eye) > 0


def test_every_tooth_of_an_arch_is_on_the_list_with_its_name():
    from outcomes.domain.teeth import FDI_TEETH

    both = [t for arch in ("upper", "lower") for teeth in arch_order(arch) for t in teeth]
    assert sorted(both) == sorted(FDI_TEETH)
    names = {tooth_name(t) for t in both}
    assert len(names) == len(both)
    # ISO 3950: 36 is the lower left first permanent molar, 75 its deciduous second
    assert tooth_name(36) == "lower left first molar"
    assert tooth_name(75) == "lower left second deciduous molar"


def test_minus_nought_is_nought(tmp_path):
    file = ClickedFile(tmp_path / "a.csv", {})
    assert file.text({36: np.array([-1e-9, 0, 1])}, "lower").endswith(
        "0.000000,0.000000,1.000000\n"
    )
    assert "-0.0" not in file.text({36: np.array([-1e-9, 0, 1])}, "lower")
