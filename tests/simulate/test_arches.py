"""Invented arches: the truth against the meshes, and against drawn geometry."""

import numpy as np
import pytest

import outcomes as oc
from outcomes.domain.movements import MOVEMENTS
from outcomes.simulate.arches.crowns import make_crown
from outcomes.simulate.arches.motions import motion_matrix, placed

ARCHES = {"upper": (11, 21), "lower": (41, 31)}
STAGES = ("start", "planned", "achieved")


@pytest.fixture(scope="module", params=["upper", "lower"])
def arch(request):
    return oc.simulate_arch(request.param, seed=3, resolution=1.0)


def to_start(arch, stage):
    """Vertices without noise in the coordinates of the start scan."""
    if stage == "start":
        return arch.exact[stage]
    return placed(arch.superimposition[stage], arch.exact[stage])


def edges_of(mesh):
    """How many faces each directed edge has: {(a, b): n}."""
    a = mesh.faces[:, [0, 1, 2]].ravel()
    b = mesh.faces[:, [1, 2, 0]].ravel()
    pairs, often = np.unique(np.column_stack([a, b]), axis=0, return_counts=True)
    return {(int(p), int(q)): int(n) for (p, q), n in zip(pairs, often, strict=True)}


@pytest.mark.parametrize("stage", STAGES)
def test_crowns_move_exactly_rigidly(arch, stage):
    """Each vertex of a crown, moved back, lies on the crown as it was at the start."""
    points = to_start(arch, stage)
    for tooth, crown in arch.crowns.items():
        of_it = points[arch.labels[stage] == tooth]
        assert len(of_it) > 25, tooth
        if stage != "start":
            of_it = placed(np.linalg.inv(arch.moved[stage][tooth]), of_it)
        assert np.abs(crown.field(of_it)).max() < 1e-8  # a vertex is within 1e-9 in its scan


def test_the_truth_is_what_was_done(arch):
    """Six components read off the matrix: where the centre goes, and which way the axes turn."""
    truth = arch.truth.pivot(index="tooth", columns="movement")
    for stage in ("planned", "achieved"):
        for tooth, axes in arch.frames.items():
            matrix = arch.moved[stage][tooth]
            shift = placed(matrix, axes.centre) - axes.centre
            turn = matrix[:3, :3]
            asked = truth[stage].loc[tooth]
            assert shift @ axes.mesial == pytest.approx(asked["mesiodistal"], abs=1e-12)
            assert shift @ axes.buccal == pytest.approx(asked["buccolingual"], abs=1e-12)
            assert shift @ axes.occlusal == pytest.approx(asked["vertical"], abs=1e-12)
            size = np.degrees(np.arccos(np.clip((np.trace(turn) - 1) / 2, -1, 1)))
            whole = np.linalg.norm(asked[["tip", "torque", "rotation"]].to_numpy(float))
            assert size == pytest.approx(whole, abs=1e-5)
            # to first order an axis turns by the component; 8 degrees are 1.1 % off at most
            half = {
                "tip": (axes.occlusal, axes.mesial),
                "torque": (axes.occlusal, axes.buccal),
                "rotation": (axes.mesial, axes.buccal),
            }
            for name, (a, b) in half.items():
                antisymmetric = (b @ turn @ a - a @ turn @ b) / 2
                assert np.degrees(antisymmetric) == pytest.approx(asked[name], abs=0.25)


SIDES = [("upper", 13), ("upper", 26), ("upper", 21), ("lower", 44), ("lower", 32), ("lower", 37)]


@pytest.fixture(scope="module")
def drawn():
    """Each arch, and of it only what one sees: the crowns' points and the gum."""
    made = {a: oc.simulate_arch(a, seed=8, resolution=1.0, noise=0) for a in ARCHES}
    seen = {}
    for name, arch in made.items():
        tops = np.array(list(arch.clicks.values()))
        gum = arch.start.vertices[arch.labels["start"] == 0].mean(axis=0)
        front = np.mean([arch.clicks[t] for t in ARCHES[name]], axis=0)
        seen[name] = arch, tops.mean(axis=0), gum, front
    return seen


@pytest.mark.parametrize("name", list(MOVEMENTS))
@pytest.mark.parametrize(("where", "tooth"), SIDES)
def test_signs_are_those_of_the_movements(drawn, where, tooth, name):
    """What a person would see, from the points alone: no axis of the package is used."""
    arch, middle, gum, front = drawn[where]
    top, mesial = arch.clicks[tooth], arch.points[tooth, "mesial"]
    distal, buccal = arch.points[tooth, "distal"], arch.points[tooth, "buccal"]
    lingual = arch.points[tooth, "lingual"]
    centre = arch.frames[tooth].centre
    matrix = motion_matrix({name: 1.0}, arch.frames[tooth])
    went = {p: placed(matrix, q) - q for p, q in
            {"centre": centre, "top": top, "mesial": mesial, "distal": distal}.items()}  # fmt: skip
    away_from_gum = middle - gum
    # outwards: from the lingual point to the buccal one, and away from the middle of the arch
    outwards = buccal - lingual
    assert outwards @ (centre - middle) > 0 or tooth % 10 > 5
    towards_midline = mesial - distal
    if tooth % 10 > 1:
        neighbour = arch.clicks[tooth - 1]
        assert towards_midline @ (neighbour - top) > 0
    assert away_from_gum @ (top - centre) > 0
    seen = {
        "mesiodistal": went["centre"] @ towards_midline,
        "buccolingual": went["centre"] @ outwards,
        "vertical": went["centre"] @ away_from_gum,
        "tip": (went["top"] - went["centre"]) @ towards_midline,
        "torque": (went["top"] - went["centre"]) @ outwards,
        "rotation": (went["mesial"] - went["distal"]) @ outwards,
    }
    assert seen[name] > 0
    assert front @ front > 0


def test_the_mouth_is_the_right_way_round(drawn):
    """Anterior crossed with superior is the patient's right (right-handed coordinates)."""
    for where, right, left in (("upper", 16, 26), ("lower", 46, 36)):
        arch, _middle, _gum, front = drawn[where]
        anterior = front - 0.5 * (arch.clicks[right] + arch.clicks[left])
        occlusal = arch.frames[right].occlusal
        superior = occlusal if where == "lower" else -occlusal
        to_right = np.cross(anterior, superior)
        assert to_right @ (arch.clicks[right] - arch.clicks[left]) > 0


def test_axes_are_orthonormal_and_mirror_images_on_the_two_sides(arch):
    hands = {}
    for tooth, axes in arch.frames.items():
        frame = np.column_stack([axes.mesial, axes.buccal, axes.occlusal])
        assert np.allclose(frame.T @ frame, np.eye(3), atol=1e-12)
        hands.setdefault(tooth // 10, set()).add(round(np.linalg.det(frame)))
    one, other = hands.values()
    assert {1, -1} == one | other
    assert len(one) == len(other) == 1


def test_the_normal_is_that_of_the_clicked_points_plane(arch):
    tops = np.array(list(arch.clicks.values()))
    normal = np.linalg.svd(tops - tops.mean(axis=0))[2][-1]
    occlusal = arch.frames[next(iter(arch.frames))].occlusal
    assert abs(normal @ occlusal) > np.cos(np.radians(0.2))


def test_what_is_asked_is_done_and_the_rest_is_zero():
    asked = {33: {"vertical": 0.5, "tip": -3.0}}
    arch = oc.simulate_arch("lower", seed=1, planned=asked, achieved={}, resolution=1.5)
    moved = arch.truth[(arch.truth[["planned", "achieved"]] != 0).any(axis=1)]
    assert moved[["tooth", "movement", "planned"]].to_numpy().tolist() == [
        [33, "vertical", 0.5], [33, "tip", -3.0],
    ]  # fmt: skip
    assert np.allclose(arch.moved["achieved"][33], np.eye(4), atol=1e-12)


def test_drawn_movements_stay_within_their_limits_and_the_reference_stays(arch):
    truth = arch.truth
    mm = truth["movement"].isin(["mesiodistal", "buccolingual", "vertical"])
    assert truth.loc[mm, "planned"].abs().max() <= 1.5
    assert truth.loc[~mm, "planned"].abs().max() <= 8.0
    assert truth.loc[~mm, "planned"].abs().max() > 5.0
    still = truth["tooth"].isin(arch.reference)
    assert set(arch.reference) == {t for t in arch.clicks if t % 10 >= 6}
    assert (truth.loc[still, ["planned", "achieved"]] == 0).all(axis=None)
    assert (truth.loc[~still, "planned"] != 0).all()


def test_the_same_seed_gives_the_same_scans_and_another_seed_others():
    one, again, other = (
        oc.simulate_arch("upper", seed=s, resolution=1.5, holes=3) for s in (5, 5, 6)
    )
    for stage in STAGES:
        assert np.array_equal(one.meshes[stage].vertices, again.meshes[stage].vertices)
        assert np.array_equal(one.meshes[stage].faces, again.meshes[stage].faces)
    assert one.truth.equals(again.truth)
    assert not one.truth["planned"].equals(other.truth["planned"])


def test_no_two_scans_are_sampled_at_the_same_places():
    """Even where nothing moved and nothing is noisy."""
    arch = oc.simulate_arch(
        "lower", seed=2, planned={}, achieved={}, noise=0, resolution=1.0, frame="same"
    )
    from scipy.spatial import cKDTree

    away = cKDTree(arch.start.vertices).query(arch.achieved.vertices)[0]
    assert np.median(away) > 0.15
    assert (away > 1e-6).all()


def test_a_scan_is_one_open_sheet(arch):
    for mesh in arch.meshes.values():
        often = edges_of(mesh)
        both = sum((b, a) in often for a, b in often) / len(often)
        assert max(often.values()) == 1, "no edge is used twice the same way round"
        assert 0.9 < both < 1.0, "there is an edge where the scan ends"
        neighbours = {}
        for a, b in often:
            neighbours.setdefault(a, []).append(b)
        reached, todo = {0}, [0]
        while todo:
            new = [n for n in neighbours.get(todo.pop(), []) if n not in reached]
            reached.update(new)
            todo += new
        assert len(reached) > 0.999 * len(mesh.vertices)


@pytest.mark.parametrize("where", list(ARCHES))
def test_a_solid_arch_is_closed_and_the_right_way_out(where):
    mesh = oc.simulate_arch(where, seed=4, resolution=0.9, noise=0, solid=True).achieved
    often = edges_of(mesh)
    assert all(often[a, b] == often.get((b, a), 0) for a, b in often)
    a, b, c = (mesh.vertices[mesh.faces[:, i]] - mesh.vertices.mean(axis=0) for i in range(3))
    volume = np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6
    assert 8_000 < volume < 40_000  # mm3: some ml to tens of ml


def test_faces_look_outwards_and_none_is_degenerate(arch):
    for stage, mesh in arch.meshes.items():
        corners = mesh.vertices.astype(np.float32).astype(float)[mesh.faces]
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        assert np.linalg.norm(normal, axis=1).min() > 1e-7
        middle = corners.mean(axis=1)
        labels = arch.labels[stage][mesh.faces]
        if stage == "start":
            for tooth, axes in arch.frames.items():
                of_it = (labels == tooth).all(axis=1)
                outwards = (normal[of_it] * (middle[of_it] - axes.centre)).sum(axis=1) > 0
                assert outwards.mean() > 0.85, tooth  # all but fossae and hollows


def test_resolution_sets_the_number_of_triangles():
    coarse, fine = (
        len(oc.simulate_arch("lower", seed=1, resolution=r).start.faces) for r in (1.2, 0.6)
    )
    assert 25_000 < fine < 35_000
    assert fine / coarse == pytest.approx(4.0, rel=0.15)


def test_the_noise_has_the_size_asked_for():
    arch = oc.simulate_arch("upper", seed=9, resolution=0.8, noise=0.02)
    for stage, mesh in arch.meshes.items():
        off = mesh.vertices - arch.exact[stage]
        assert np.sqrt((off**2).sum(axis=1).mean()) == pytest.approx(0.02, rel=0.15)
    still = oc.simulate_arch("upper", seed=9, resolution=1.5, noise=0)
    assert np.array_equal(still.start.vertices, still.exact["start"])


def test_a_second_course_starts_where_the_first_ended():
    first = oc.simulate_arch("lower", seed=4, resolution=1.0, noise=0, frame="same")
    done = {
        tooth: of_it.set_index("movement")["achieved"].to_dict()
        for tooth, of_it in first.truth.groupby("tooth")
    }
    second = oc.simulate_arch(
        "lower", seed=4, before=done, planned={33: {"tip": 4.0}}, achieved={}, resolution=1.0,
        noise=0, frame="same",
    )  # fmt: skip
    for tooth, crown in second.crowns.items():
        ended = first.exact["achieved"][first.labels["achieved"] == tooth]
        assert np.abs(crown.field(ended)).max() < 1e-8
        where = placed(first.moved["achieved"][tooth], first.clicks[tooth])
        assert np.allclose(where, second.clicks[tooth], atol=1e-12)
    assert second.truth.query("tooth == 33")["planned"].abs().sum() == 4.0


# What can be asked for ---------------------------------------------------------------------------
def test_missing_extracted_closed_and_unscanned_teeth():
    arch = oc.simulate_arch(
        "upper", seed=6, resolution=1.0, missing=(14,), extracted=(24,),
        unscanned={"achieved": (27,)}, frame="same",
    )  # fmt: skip
    labels = {stage: set(np.unique(arch.labels[stage])) for stage in STAGES}
    assert not any(14 in found for found in labels.values())
    assert 14 not in arch.clicks
    assert 14 not in set(arch.truth["tooth"])
    assert [24 in labels[s] for s in STAGES] == [True, False, False]
    assert arch.truth.loc[arch.truth["tooth"] == 24, ["planned", "achieved"]].isna().all(axis=None)
    assert 24 not in arch.moved["planned"]
    assert [27 in labels[s] for s in STAGES] == [True, True, False]
    assert 27 in arch.moved["achieved"], "it moved or stayed, though it was not scanned"
    open_space = np.linalg.norm(arch.clicks[13] - arch.clicks[15])
    shut = oc.simulate_arch("upper", seed=6, resolution=1.5, closed=(14,), frame="same")
    closed_space = np.linalg.norm(shut.clicks[13] - shut.clicks[15])
    assert open_space - closed_space == pytest.approx(7.0, abs=1.5)  # a premolar's width


def test_attachments_are_on_the_later_scans_only():
    arch = oc.simulate_arch(
        "lower", seed=6, resolution=0.6, noise=0, attachments=(34,), planned={}, achieved={},
        holes=0, frame="same",
    )  # fmt: skip
    crown, axes = arch.crowns[34], arch.frames[34]
    out = {}
    for stage in STAGES:
        off = arch.meshes[stage].vertices - axes.centre
        near = (np.abs(off @ axes.mesial) < 2.0) & (np.abs(off @ axes.occlusal) < 2.0)
        near &= (off @ axes.buccal > 1.0) & (off @ axes.buccal < 7.0)
        out[stage] = crown.field(arch.meshes[stage].vertices[near]).max()
    assert out["start"] < 0.2
    assert 0.6 < out["planned"] < 1.5
    assert out["achieved"] == pytest.approx(out["planned"], abs=0.1)


@pytest.mark.parametrize("change", [-1.0, 1.0])
def test_the_gum_rises_and_recedes(change):
    """Lowest place of each crown that is free of gum, along its axis."""
    arch = oc.simulate_arch(
        "lower", seed=6, resolution=0.7, noise=0, planned={}, achieved={}, gum_change=change,
        frame="same",
    )  # fmt: skip
    went = []
    for tooth, axes in arch.frames.items():
        low = {
            s: np.quantile(arch.exact[s][arch.labels[s] == tooth] @ axes.occlusal, 0.02)
            for s in ("start", "achieved")
        }
        went.append(low["achieved"] - low["start"])
    assert np.median(went) == pytest.approx(change, abs=0.3)


def test_holes_are_cut():
    whole, holed = (
        oc.simulate_arch("lower", seed=6, resolution=0.9, holes=h).start for h in (0, 12)
    )
    assert 30 < len(whole.faces) - len(holed.faces) < 2000


def test_the_palate_is_the_same_in_all_scans():
    arch = oc.simulate_arch("upper", seed=6, resolution=1.0, palate=True, noise=0)
    assert len(arch.palate) == 14
    # inside its outline the start has vertices, and those of the outcome lie on the same surface
    from scipy.spatial import cKDTree

    centre = arch.palate.mean(axis=0)
    near = {}
    for stage in ("start", "achieved"):
        points = to_start(arch, stage)
        near[stage] = points[np.linalg.norm(points - centre, axis=1) < 8.0]
        assert len(near[stage]) > 100
    normal = arch.frames[16].occlusal
    away, nearest = cKDTree(near["start"]).query(near["achieved"])
    height = np.abs((near["achieved"] - near["start"][nearest]) @ normal)
    assert np.median(height) < 0.15 * np.median(away) + 0.1


@pytest.mark.parametrize(
    ("teeth", "most"), [((11, 21), 0), ((14, 15, 24, 25), 2), ((16, 26), 4), ((36, 46), 5)]
)
def test_crowns_have_their_cusps(teeth, most):
    """Cusps by class, as any anatomy has them: local summits of the occlusal surface."""
    where = "upper" if teeth[0] < 30 else "lower"
    arch = oc.simulate_arch(where, seed=12, resolution=2.0)
    for tooth in teeth:
        crown = arch.crowns[tooth].crown
        x = np.arange(-0.8, 0.81, 0.08) * crown.half[0]
        y = np.arange(-0.8, 0.81, 0.08) * crown.half[1]
        grid = np.array([[crown._top(np.array([a]), np.array([b]))[0] for b in y] for a in x])
        inner = grid[1:-1, 1:-1]
        around = [
            grid[1 + i : len(x) - 1 + i, 1 + j : len(y) - 1 + j]
            for i in (-1, 0, 1) for j in (-1, 0, 1) if (i, j) != (0, 0)
        ]  # fmt: skip
        summits = int((inner > np.max(around, axis=0)).sum())
        if most:
            # a cusp may merge with a ridge, and a ridge have a summit of its own
            assert most - 1 <= summits <= most + 2, (tooth, summits)
        else:
            assert np.ptp(grid.max(axis=1)) < 2.0  # an edge: nearly level from mesial to distal


def test_widths_are_near_those_of_a_handbook():
    """Upper 11, 13, 14, 16: 8.5, 7.5, 7.0, 10.0 mm; lower 31, 36: 5.0, 11.0 (from memory)."""
    widths = {11: 8.5, 13: 7.5, 14: 7.0, 16: 10.0, 31: 5.0, 36: 11.0}
    for tooth, width in widths.items():
        found = []
        for seed in range(10):
            crown = make_crown(tooth, np.random.default_rng(seed))
            z = np.linspace(0.3, 1.0, 15) * crown.height
            x = np.linspace(-8, 8, 161)
            points = np.stack(np.meshgrid(x, np.linspace(-1.5, 1.5, 9), z), -1).reshape(-1, 3)
            found.append(np.ptp(points[crown.field(points) < 0][:, 0]))
        assert np.mean(found) == pytest.approx(width, rel=0.04), tooth


@pytest.mark.parametrize("shape", ["natural", "plain"])
def test_both_families_of_crowns_are_whole_and_differ(shape):
    arch = oc.simulate_arch("upper", seed=2, shape=shape, resolution=1.0)
    assert all((arch.labels["start"] == tooth).sum() > 25 for tooth in arch.clicks)
    other = oc.simulate_arch(
        "upper", seed=2, shape="plain" if shape == "natural" else "natural", resolution=2.0
    )
    points = arch.crowns[16].own(arch.exact["start"][arch.labels["start"] == 16])
    assert np.abs(other.crowns[16].crown.field(points)).max() > 0.3


@pytest.mark.parametrize("frame", ["any", "near", "same"])
def test_coordinates_of_the_scans(frame):
    arch = oc.simulate_arch("lower", seed=2, frame=frame, resolution=2.0)
    for pose in arch.superimposition.values():
        turned = np.degrees(np.arccos(np.clip((np.trace(pose[:3, :3]) - 1) / 2, -1, 1)))
        assert np.linalg.det(pose[:3, :3]) == pytest.approx(1.0)
        if frame == "same":
            assert np.allclose(pose, np.eye(4), atol=1e-12)
        elif frame == "near":
            assert 0 < turned <= 30.0
    if frame == "any":
        assert not np.allclose(arch.superimposition["planned"], arch.superimposition["achieved"])


@pytest.mark.parametrize(
    ("asked", "word"),
    [
        ({"arch": "middle"}, "'middle'"),
        ({"arch": "upper", "teeth": (11, 12, 33)}, "33"),
        ({"arch": "upper", "teeth": (11, 12)}, "three"),
        ({"arch": "upper", "planned": {33: {"tip": 1}}}, "33"),
        ({"arch": "upper", "planned": {11: {"twist": 1}}}, "twist"),
        ({"arch": "upper", "attachments": (18,)}, "18"),
        ({"arch": "upper", "extracted": (18,)}, "18"),
        ({"arch": "upper", "reference": (36,)}, "36"),
        ({"arch": "upper", "frame": "odd"}, "'odd'"),
        ({"arch": "upper", "shape": "odd"}, "'odd'"),
        ({"arch": "upper", "unscanned": {"later": (11,)}}, "later"),
        ({"arch": "upper", "noise": -0.1}, "noise"),
        ({"arch": "upper", "noise": float("nan")}, "noise"),
        ({"arch": "upper", "resolution": 0.09}, "resolution"),
        ({"arch": "upper", "resolution": 2.01}, "resolution"),
        ({"arch": "lower", "palate": True}, "palate"),
        ({"arch": "upper", "palate": True, "solid": True}, "palate"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_said(asked, word):
    with pytest.raises(oc.InputError, match=word):
        oc.simulate_arch(**asked, seed=1)


# Files -------------------------------------------------------------------------------------------
@pytest.mark.parametrize("kind", ["ply", "stl", "obj"])
def test_files_are_read_by_another_library(arch, kind, tmp_path):
    trimesh = pytest.importorskip("trimesh")
    table = arch.write(tmp_path, kind=kind)
    for stage, mesh in arch.meshes.items():
        read = trimesh.load(tmp_path / table.loc[0, stage], process=False)
        assert len(read.faces) == len(mesh.faces)
        corners = mesh.vertices[mesh.faces]
        assert np.allclose(read.triangles, corners, atol=2e-5)


def test_tables_beside_the_meshes(arch, tmp_path):
    import pandas as pd

    arch.write(tmp_path, patient="P001")
    arch.write(tmp_path, patient="P001", course=2, reference="all", points=True)
    table = pd.read_csv(tmp_path / "scans.csv")
    assert table.columns.tolist() == [
        "patient", "course", "arch", "start", "planned", "achieved", "teeth", "reference", "unit",
    ]  # fmt: skip
    assert table["course"].tolist() == [1, 2]
    assert table["reference"].tolist() == [" ".join(map(str, arch.reference)), "all"]
    assert all((tmp_path / table.loc[1, s]).exists() for s in (*STAGES, "teeth"))
    marks = pd.read_csv(tmp_path / table.loc[0, "teeth"])
    assert marks.columns.tolist() == ["model", "tooth", "point", "x", "y", "z"]
    assert marks["tooth"].tolist() == list(arch.clicks)
    assert set(pd.read_csv(tmp_path / table.loc[1, "teeth"])["point"]) == {
        "crown", "mesial", "distal", "buccal", "lingual",
    }  # fmt: skip
    with pytest.raises(oc.InputError, match="already"):
        arch.write(tmp_path, patient="P001")
    with pytest.raises(oc.InputError, match="kind"):
        arch.write(tmp_path, patient="P002", kind="glb")


def test_landmarks_of_the_later_models_moved_with_their_crowns():
    arch = oc.simulate_arch("upper", seed=6, resolution=1.5, extracted=(24,), palate=True)
    marks = arch.landmarks(points=True, stages=STAGES, decimals=17)
    assert set(marks.loc[marks["tooth"] == 24, "model"]) == {"start"}
    assert (marks["point"] == "palate").sum() == len(arch.palate)
    at = marks.set_index(["model", "tooth", "point"])[["x", "y", "z"]]
    names = ["crown", "mesial", "distal", "buccal", "lingual"]
    for tooth in (11, 15, 23):
        start = at.loc["start"].loc[tooth].loc[names].to_numpy()
        for stage in ("planned", "achieved"):
            later = at.loc[stage].loc[tooth].loc[names].to_numpy()
            # no distance within the tooth changes, and the crown lies where the scan shows it
            for points in (start, later):
                assert len(points) == 5
            assert np.allclose(
                np.linalg.norm(start[:, None] - start, axis=2),
                np.linalg.norm(later[:, None] - later, axis=2), atol=1e-10,
            )  # fmt: skip
            of_it = arch.truth[arch.truth["tooth"] == tooth].set_index("movement")[stage].to_dict()
            asked = placed(motion_matrix(of_it, arch.frames[tooth]), start)
            assert np.allclose(placed(arch.superimposition[stage], later), asked, atol=1e-9)
    with pytest.raises(oc.InputError, match="later"):
        arch.landmarks(stages=("later",))
