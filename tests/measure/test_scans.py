"""From a table of scans to movements, against the truth of invented arches."""

from functools import lru_cache

import numpy as np
import pandas as pd
import pytest

import outcomes as oc
from outcomes.domain.scan_tables import STAGES
from outcomes.measure.meshes import Mesh, clean
from outcomes.measure.scanned import measure_arch

MM = ["mesiodistal", "buccolingual", "vertical"]


def mesh(made, stage):
    return clean(made.meshes[stage].vertices, made.meshes[stage].faces)


@lru_cache(maxsize=4)
def arch(name="upper", seed=9, **more):
    more = {"holes": 4, "gum_change": 0.4, "resolution": 0.5} | more
    if name == "upper":
        more |= {"attachments": (13, 24)}
    return oc.simulate_arch(name, seed=seed, **more)


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """Two arches of a patient, a row whose start is text, and one whose outcome is another's."""
    folder = tmp_path_factory.mktemp("scans")
    arch().write(folder, kind="stl")
    arch("lower", 10).write(folder, patient="P002", kind="obj")
    table = pd.read_csv(folder / "scans.csv")
    broken = table.iloc[[0]].assign(patient="P003", start="text.stl")
    foreign = table.iloc[[0]].assign(patient="P004", planned=None, achieved=table["achieved"][1])
    (folder / "text.stl").write_text("this is a letter\n" * 40)
    pd.concat([table, broken, foreign]).to_csv(folder / "scans.csv", index=False)
    return oc.measure_scans(folder / "scans.csv")


def test_movements_are_those_that_were_made(measured):
    """Median within 0.03 mm and 0.3 degrees, 95% within 0.08 mm and 0.8 degrees.

    The rotation of round premolars about their long axes is apart: only never far off.
    """
    truth = [arch().truth.assign(patient="P001"), arch("lower", 10).truth.assign(patient="P002")]
    key = ["patient", "tooth", "movement"]
    both = measured.movements.merge(pd.concat(truth), on=key, suffixes=("", "_true"))
    assert len(both) == 2 * 14 * 6
    round_ones = (both["movement"] == "rotation") & (both["tooth"] % 10).isin([4, 5])
    shift = both["movement"].isin(MM)
    off = pd.concat([(both[s] - both[f"{s}_true"]).abs().rename(s) for s in STAGES], axis=1)
    mm, degrees = off[shift].stack(), off[~shift & ~round_ones].stack()
    assert mm.median() < 0.03
    assert mm.quantile(0.95) < 0.08
    assert degrees.median() < 0.3
    assert degrees.quantile(0.95) < 0.8
    assert mm.max() < 0.25
    assert off[~shift].stack().max() < 2.5


def test_every_clicked_tooth_has_a_verdict(measured):
    quality = measured.quality.query("patient in ['P001', 'P002']")
    assert len(quality) == 2 * 14 * 2
    assert set(quality["verdict"]) == {"given"}
    assert (quality["confidence"] == "high").mean() > 0.7
    assert quality["residual"].between(0.005, 0.06).all()


def test_a_broken_row_is_told_and_stops_no_other(measured):
    said = measured.problems.query("column == 'start' and value == 'text.stl'")["problem"].tolist()
    assert len(said) == 1
    assert "text.stl is not an STL" in said[0]
    quality = measured.quality.query("patient == 'P003'")
    assert len(quality) == 28
    assert set(quality["verdict"]) == {"refused"}


def test_the_scan_of_another_arch_gives_nothing(measured):
    quality = measured.quality.query("patient == 'P004'")
    assert set(quality["verdict"]) == {"refused"}
    assert quality["reason"].str.contains("another patient, or the other arch").all()
    assert not (measured.movements["patient"] == "P004").any()


def test_what_another_reference_would_change_is_told(measured):
    table = measured.sensitivity
    assert set(table.loc[table["patient"] == "P001", "left_out"].dropna()) <= {16, 17, 26, 27}
    assert (table["largest_mm"] > 0).all()
    assert "assumption" in " ".join(measured.notes)


def test_a_mirrored_outcome_is_refused():
    made = arch()
    scan = mesh(made, "achieved")
    mirrored = Mesh(scan.vertices * [1.0, -1.0, 1.0], scan.faces[:, ::-1].copy())
    done = measure_arch("upper", mesh(made, "start"), {"achieved": mirrored}, made.clicks)
    assert not done.motions
    assert {"the scan is a mirror image of the start scan"} == {q["reason"] for q in done.quality}


def test_a_mirrored_start_is_refused():
    made = arch()
    scan = mesh(made, "start")
    mirrored = Mesh(scan.vertices * [1.0, -1.0, 1.0], scan.faces[:, ::-1].copy())
    clicks = {t: c * [1.0, -1.0, 1.0] for t, c in made.clicks.items()}
    done = measure_arch("upper", mirrored, {"achieved": mesh(made, "achieved")}, clicks)
    assert not done.motions
    assert all("mirrored" in q["reason"] for q in done.quality)


def test_extracted_teeth_are_refused_and_their_neighbours_given():
    made = oc.simulate_arch("upper", seed=41, extracted=[14, 24], resolution=0.6)
    done = measure_arch(
        "upper", mesh(made, "start"), {"achieved": mesh(made, "achieved")}, made.clicks,
        reference=made.reference,
    )  # fmt: skip
    refused = {q["tooth"] for q in done.quality if q["verdict"] == "refused"}
    assert refused == {14, 24}
    for tooth, true in made.moved["achieved"].items():
        centre = done.frames[tooth].centre
        off = done.motions[tooth, "achieved"].apply(centre) - (true[:3, :3] @ centre + true[:3, 3])
        assert np.linalg.norm(off) < 0.15


def test_a_scan_inside_out_gives_the_same():
    made = arch()
    start = mesh(made, "start")
    other = mesh(made, "achieved")
    turned = Mesh(start.vertices, start.faces[:, ::-1].copy())
    few = {t: made.clicks[t] for t in (16, 17, 14, 11, 22, 26, 27)}
    one = measure_arch("upper", start, {"achieved": other}, few, reference=made.reference)
    two = measure_arch("upper", turned, {"achieved": other}, few, reference=made.reference)
    assert "turned inside out" in two.start.notes
    for key, motion in one.motions.items():
        assert two.motions[key].matrix() == pytest.approx(motion.matrix(), abs=0.02)
