"""Ready crown meshes in place of clicks: the same motions, and every file that cannot be used."""

import hashlib
import shutil
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.spatial import cKDTree

import outcomes as oc
from outcomes.errors import Unreadable
from outcomes.measure.meshes import Mesh, clean, read_mesh
from outcomes.measure.ready_crowns import OFF_SCAN, ON_CROWN, ReadyCrowns, laid_on, read_crowns
from outcomes.measure.scanned import measure_arch

TEETH = (16, 14, 11, 21, 24, 26)


@pytest.fixture(scope="module")
def made():
    return oc.simulate_arch("upper", seed=3, teeth=TEETH, resolution=0.6, holes=2, noise=0.02)


def cut(made, tooth):
    """The crown of a tooth, from the start scan."""
    mine = (made.labels["start"] == tooth)[made.start.faces].all(axis=1)
    return Mesh(made.start.vertices, made.start.faces).part(mine)


def obj(mesh):
    lines = [f"v {x:.5f} {y:.5f} {z:.5f}" for x, y, z in mesh.vertices]
    return "\n".join(lines + [f"f {a} {b} {c}" for a, b, c in mesh.faces + 1]) + "\n"


@pytest.fixture(scope="module")
def written(made, tmp_path_factory):
    """An arch whose row names a folder of crowns."""
    folder = tmp_path_factory.mktemp("ready")
    made.write(folder, kind="ply")
    (folder / "crowns").mkdir()
    for tooth in TEETH:
        (folder / "crowns" / f"{tooth}.obj").write_text(obj(cut(made, tooth)))
    table = pd.read_csv(folder / "scans.csv").assign(planned=None)
    table.assign(teeth="crowns").to_csv(folder / "scans.csv", index=False)
    return folder


@pytest.fixture(scope="module")
def measured(written):
    return oc.measure_scans(written / "scans.csv")


@pytest.fixture
def listing():
    """A note that keeps what it is given, and the list."""
    said = []
    return (lambda *words: said.append(words)), said


def start_of(made):
    return clean(made.start.vertices, made.start.faces)


def off(one, two, centre):
    """How far two motions differ at a crown's centre: mm, and degrees."""
    turn = np.trace(one[:3, :3].T @ two[:3, :3])
    apart = (one - two)[:3, :3] @ centre + (one - two)[:3, 3]
    return np.linalg.norm(apart), np.degrees(np.arccos(np.clip((turn - 1) / 2, -1, 1)))


def test_motions_are_those_from_clicks_and_the_true_ones(made, measured):
    later = {"achieved": clean(made.achieved.vertices, made.achieved.faces)}
    clicked = measure_arch("upper", start_of(made), later, made.clicks, reference=made.reference)
    ready = measured.arches[0].detail
    assert {t for t, _ in ready.motions} == set(TEETH)
    for tooth in TEETH:
        matrix = ready.motions[tooth, "achieved"].matrix()
        centre = made.frames[tooth].centre
        mm, degrees = off(matrix, clicked.motions[tooth, "achieved"].matrix(), centre)
        assert mm < 0.05
        assert degrees < 0.5
        mm, degrees = off(matrix, made.moved["achieved"][tooth], centre)
        assert mm < 0.08
        assert degrees < 0.8


def test_what_is_measured_is_the_crown_as_it_was_cut(made, measured):
    """All of it but what the neighbours share, and no more beside it than the distance reaches."""
    detail = measured.arches[0].detail
    for tooth in TEETH:
        points = cut(made, tooth).vertices
        mine = detail.start.vertices[detail.crowns[tooth]]
        assert cKDTree(points).query(mine)[0].max() < ON_CROWN + 0.35  # half an edge of the scan
        assert (cKDTree(mine).query(points)[0] < 1e-3).mean() > 0.98


def test_components_are_those_that_were_made(made, measured):
    both = measured.movements.merge(made.truth, on=["tooth", "movement"], suffixes=("", "_true"))
    assert len(both) == 6 * len(TEETH)
    apart = (both["achieved"] - both["achieved_true"]).abs()
    shift = both["movement"].isin(["mesiodistal", "buccolingual", "vertical"])
    assert apart[shift].max() < 0.25
    assert apart[~shift].max() < 2.5


def test_the_crowns_are_among_the_files_it_came_from(written, measured):
    held = dict(measured.inputs)
    for tooth in TEETH:
        data = (written / "crowns" / f"{tooth}.obj").read_bytes()
        assert held[f"crowns/{tooth}.obj"] == hashlib.sha256(data).hexdigest()
    assert not len(measured.problems.query("column == 'teeth'"))


def test_the_start_may_be_the_crowns_alone(made, listing, written):
    note, said = listing
    whole = read_crowns(written / "crowns", arch="upper", unit="mm", note=note)
    parts = [whole.meshes[t] for t in TEETH]
    first = np.cumsum([0, *(len(p.vertices) for p in parts)])
    start = clean(
        np.concatenate([p.vertices for p in parts]),
        np.concatenate([p.faces + n for p, n in zip(parts, first, strict=False)]),
    )
    on = laid_on(start, whole, note)
    later = {"achieved": clean(made.achieved.vertices, made.achieved.faces)}
    done = measure_arch(
        "upper", start, later, on.clicks, reference=made.reference, ready=on.vertices
    )
    assert not said
    assert {t for t, _ in done.motions} == set(TEETH)
    for tooth in TEETH:
        found = done.motions[tooth, "achieved"].matrix()
        mm, degrees = off(found, made.moved["achieved"][tooth], made.frames[tooth].centre)
        assert mm < 0.08
        assert degrees < 0.8


@pytest.mark.parametrize("inside_out", [False, True])
def test_the_biting_point_is_near_where_one_would_click(made, listing, written, inside_out):
    note, _ = listing
    ready = read_crowns(written / "crowns", arch="upper", unit="mm", note=note)
    start = start_of(made)
    if inside_out:
        start = Mesh(start.vertices, start.faces[:, ::-1].copy())
    on = laid_on(start, ready, note)
    for tooth, click in on.clicks.items():
        assert np.linalg.norm(click - made.clicks[tooth]) < 1.7


def test_closed_crowns_alone_are_turned_by_their_numbers(made, listing, written):
    """Bodies without an opening, as of a solid model without gum."""
    note, said = listing
    ready = read_crowns(written / "crowns", arch="upper", unit="mm", note=note)
    closed = {t: lidded(m) for t, m in ready.meshes.items()}
    first = np.cumsum([0, *(len(m.vertices) for m in closed.values())])
    start = Mesh(
        np.concatenate([m.vertices for m in closed.values()]),
        np.concatenate([m.faces + n for m, n in zip(closed.values(), first, strict=False)]),
    )
    on = laid_on(start, replace(ready, meshes=closed), note)
    assert ["mirrored scan cannot be noticed" in s[2] for s in said] == [True]
    for tooth, click in on.clicks.items():
        assert (click - made.frames[tooth].centre) @ made.frames[tooth].occlusal > 1.0


def lidded(mesh):
    """The mesh with every border closed by a fan of triangles from its middle."""
    sides = mesh.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    there = {tuple(s) for s in sides}
    border = np.array([s for s in sides if (s[1], s[0]) not in there])
    middle = len(mesh.vertices)
    fan = np.column_stack([border[:, 1], border[:, 0], np.full(len(border), middle)])
    lid = mesh.vertices[np.unique(border)].mean(axis=0)
    return Mesh(np.vstack([mesh.vertices, lid]), np.vstack([mesh.faces, fan]))


def test_each_file_that_cannot_be_used_is_listed(written, tmp_path, listing):
    note, said = listing
    folder = tmp_path / "crowns"
    shutil.copytree(written / "crowns", folder)
    good = (folder / "16.obj").read_text()
    for name in ("16.STL", "36.obj", "upper_15.obj", "19.obj", "15.txt", "٢٢.obj"):
        (folder / name).write_text(good)
    (folder / "11.obj").write_text("this is a letter\n")
    (folder / "13.obj").mkdir()
    shutil.copy(folder / "26.obj", folder / "27.obj")
    (folder / ".hidden").write_text("")
    ready = read_crowns(folder, arch="upper", unit="mm", note=note)
    assert set(ready.meshes) == {14, 21, 24}
    assert set(ready.lost) == {16, 11, 26, 27}
    told = {value: (problem, severity) for _, value, problem, _, severity in said}
    assert told["16.STL and 16.obj"] == ("16.STL and 16.obj are all crown 16", "exclude")
    assert told["36.obj"] == ("crowns of the other arch than upper", "exclude")
    assert "not an OBJ with a surface" in told["11.obj"][0]
    ignored = next(v for v, (p, _) in told.items() if p.startswith("not read"))
    assert all(n in ignored for n in ("upper_15.obj", "19.obj", "15.txt", "٢٢.obj", "13.obj"))
    assert ".hidden" not in ignored
    assert told[ignored][1] == "check"
    assert told["26 and 27"] == ("26.obj and 27.obj are copies of one file", "exclude")
    assert len(said) == 5
    assert all(remedy for *_, remedy, _ in said)


def test_an_empty_folder_is_told_and_gives_nothing(written, tmp_path):
    for file in written.glob("P001*"):
        shutil.copy(file, tmp_path)
    (tmp_path / "crowns").mkdir()
    shutil.copy(written / "scans.csv", tmp_path)
    measured = oc.measure_scans(tmp_path / "scans.csv")
    assert not len(measured.movements)
    said = measured.problems.query("column == 'teeth'")["problem"]
    assert said.str.contains("the folder of crowns is empty").any()


def flat():
    """A flat scan of 20 by 20 mm."""
    axis = np.linspace(0, 20, 41)
    x, y = (g.ravel() for g in np.meshgrid(axis, axis))
    i = (np.arange(40)[:, None] * 41 + np.arange(40)).ravel()
    faces = np.concatenate([np.c_[i, i + 1, i + 41], np.c_[i + 1, i + 42, i + 41]])
    return Mesh(np.c_[x, y, 0 * x], faces)


@pytest.mark.parametrize(
    ("shift", "problem"),
    [
        (ON_CROWN - 1e-6, ""),
        (ON_CROWN + 1e-6, f"no surface of the start scan lies within {ON_CROWN} mm"),
        (OFF_SCAN - 1e-6, f"no surface of the start scan lies within {ON_CROWN} mm"),
        (OFF_SCAN + 1e-6, "lies 0.5 mm from the start scan (median)"),
    ],
)
def test_a_crown_off_the_scan_is_refused(listing, shift, problem):
    """A flat scan and a crown above it, so that the distance is known exactly."""
    note, said = listing
    start = flat()
    crown = start.part((start.vertices[start.faces] < 10).all(axis=(1, 2)))
    lifted = crown.moved(np.eye(3), np.array([0, 0, shift]))
    on = laid_on(start, ReadyCrowns({11: lifted}, {}, []), note)
    assert len(said) == len(on.lost) == bool(problem)
    assert set(on.vertices) == (set() if problem else {11})
    assert problem in on.lost.get(11, "")
    assert not problem or said[0][1:3] == (11, on.lost[11])


@pytest.mark.parametrize(("nearer", "further"), [(11, 12), (12, 11)])
def test_what_two_crowns_reach_goes_to_the_nearer(listing, nearer, further):
    """Over a flat scan, one crown on the whole of it and a nearer one on its corner."""
    note, _ = listing
    start = flat()
    corner = start.part((start.vertices[start.faces] < 10).all(axis=(1, 2)))
    meshes = {
        further: start.moved(np.eye(3), np.array([0, 0, 0.1])),
        nearer: corner.moved(np.eye(3), np.array([0, 0, 0.02])),
    }
    on = laid_on(start, ReadyCrowns(dict(sorted(meshes.items())), {}, []), note)
    inner = (start.vertices < 9.9).all(axis=1)
    assert set(on.vertices[nearer]) == set(np.flatnonzero(inner))
    assert set(on.vertices[further]) == set(np.flatnonzero(~inner))


def test_crowns_of_another_unit_or_that_are_broken_leave_their_neighbours(made, written, tmp_path):
    for file in written.glob("P001*"):
        shutil.copy(file, tmp_path)
    shutil.copytree(written / "crowns", tmp_path / "crowns")
    shutil.copy(written / "scans.csv", tmp_path)
    small = cut(made, 14)
    (tmp_path / "crowns" / "14.obj").write_text(obj(Mesh(small.vertices / 10, small.faces)))
    (tmp_path / "crowns" / "24.obj").write_bytes(b"")
    measured = oc.measure_scans(tmp_path / "scans.csv")
    quality = measured.quality.set_index("tooth")
    assert set(quality.index) == set(TEETH)
    assert set(quality.index[quality["verdict"] == "refused"]) == {14, 24}
    assert "mm from the start scan (median)" in quality.loc[14, "reason"]
    assert "24.obj is empty" in quality.loc[24, "reason"]
    said = measured.problems.query("column == 'teeth' and severity == 'exclude'")
    assert said["problem"].str.startswith("P001, course 1, upper: ").all()
    assert len(said) == 2


def test_a_start_that_cannot_be_read_refuses_every_crown(written, tmp_path):
    for file in written.glob("P001*"):
        shutil.copy(file, tmp_path)
    shutil.copytree(written / "crowns", tmp_path / "crowns")
    table = pd.read_csv(written / "scans.csv")
    (tmp_path / table["start"][0]).write_bytes(b"")
    shutil.copy(written / "scans.csv", tmp_path)
    quality = oc.measure_scans(tmp_path / "scans.csv").quality
    assert set(quality["tooth"]) == set(TEETH)
    assert quality["reason"].str.contains("is empty").all()


def test_a_single_crown_is_read_as_such_only(written):
    crown = written / "crowns" / "11.obj"
    assert len(read_mesh(crown, whole_arch=False).faces) > 200
    with pytest.raises(Unreadable, match="no arch has that size"):
        read_mesh(crown)
