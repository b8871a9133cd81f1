"""What is written: a valid cohort, the axes from which it can be computed again, its provenance."""

import json

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

import outcomes as oc
from outcomes.cli import app
from outcomes.errors import CannotAnswer, OutputRefused
from outcomes.measure.landmarks import measure_landmarks
from outcomes.measure.measured import FRAMES, QUALITY, assemble
from outcomes.measure.motion import ToothFrame, components, fit_rigid
from tests.measure.test_landmarks import UPPER, table, truth


@pytest.fixture(scope="module")
def points():
    return table(UPPER, truth(UPPER), patient="P001", course=2)


@pytest.fixture(scope="module")
def measured(points):
    lost = (points["model"] == "achieved") & (points["tooth"] == 14)
    return measure_landmarks(points[~lost])


def run(*arguments):
    return CliRunner().invoke(app, ["measure", *map(str, arguments)])


def test_the_movements_are_a_cohort_that_is_read_back(measured, tmp_path):
    folder = measured.write(tmp_path / "out")
    written = pd.read_csv(folder / "movements.csv")
    assert list(written)[:6] == ["patient", "course", "tooth", "movement", "planned", "achieved"]
    np.testing.assert_allclose(written["planned"], measured.movements["planned"], atol=1e-10)
    cohort = oc.read_cohort(folder / "movements.csv")
    assert len(cohort.movements) == 13 * 6
    assert len(cohort.unmeasured) == 6  # 14 was not found in the outcome: not 0
    assert set(cohort.movements["course"]) == {2}
    assert "notation" not in cohort.movements
    assert not (cohort.problems["severity"] == "stop").any()


def test_the_axes_written_give_the_components_again(measured, points, tmp_path):
    folder = measured.write(tmp_path / "out")
    frames = pd.read_csv(folder / "frames.csv")
    assert list(frames) == FRAMES
    written = pd.read_csv(folder / "movements.csv").pivot(
        index="tooth", columns="movement", values="planned"
    )
    for row in frames.itertuples(index=False):
        frame = ToothFrame(row.tooth, *np.array(row[4:], dtype=float).reshape(4, 3))
        of_tooth = points[points["tooth"] == row.tooth]
        before, after = (
            of_tooth.loc[of_tooth["model"] == m, ["x", "y", "z"]].to_numpy(float)
            for m in ("start", "planned")
        )
        for name, value in components(fit_rigid(before, after)[0], frame).items():
            assert written.loc[row.tooth, name] == pytest.approx(value, abs=1e-9)


def test_quality_holds_a_row_for_each_tooth_and_model(measured, tmp_path):
    written = pd.read_csv(measured.write(tmp_path / "out") / "quality.csv")
    assert list(written) == QUALITY
    assert len(written) == 14 * 2
    refused = written[written["verdict"] == "refused"]
    assert refused[["tooth", "stage", "reason"]].to_numpy().tolist() == [
        [14, "achieved", "no point in the achieved model"]
    ]


def test_provenance_names_files_and_no_folder(points, tmp_path):
    path = tmp_path / "points.csv"
    points.to_csv(path, index=False)
    text = (measure_landmarks(path).write(tmp_path / "out") / "provenance.json").read_text()
    record = json.loads(text)
    assert record["files"][0]["file"] == "points.csv"
    assert len(record["files"][0]["sha256"]) == 64
    assert record["settings"] == {"from": "landmarks", "reference": None, "unit": "mm"}
    assert record["versions"]["numpy"] == np.__version__
    assert str(tmp_path) not in text


def test_repeats_are_written_and_set_the_smallest_usable_plan(points, tmp_path):
    again = points.assign(repeat=2)
    random = np.random.default_rng(1)
    again[["x", "y", "z"]] += random.normal(0, 0.12, (len(points), 3))
    folder = measure_landmarks(pd.concat([points.assign(repeat=1), again])).write(tmp_path / "out")
    cohort = oc.read_cohort(folder)
    error = oc.measurement_error(cohort).set_index("movement")["smallest_detectable_change"]
    assert error["rotation"] > 1  # above the default of 1 degree
    usable = (cohort.movements["planned"].abs() >= error["rotation"]) & (
        cohort.movements["movement"] == "rotation"
    )
    counted = oc.achievement(cohort, by=["movement"]).set_index("movement")
    assert 0 < usable.sum() < 10
    assert counted.loc["rotation", "ratio_rows"] == usable.sum()


def test_a_folder_is_replaced_only_if_it_is_ours(measured, tmp_path):
    folder = measured.write(tmp_path / "out")
    with pytest.raises(OutputRefused, match="exists already"):
        measured.write(folder)
    measured.write(folder, overwrite=True)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out"]
    (tmp_path / "thesis").mkdir()
    (tmp_path / "thesis" / "chapter.txt").write_text("years")
    with pytest.raises(OutputRefused, match="something other"):
        measured.write(tmp_path / "thesis", overwrite=True)
    assert (tmp_path / "thesis" / "chapter.txt").read_text() == "years"


def test_a_failure_leaves_nothing_behind(measured, tmp_path, monkeypatch):
    measured.write(tmp_path / "out")
    before = (tmp_path / "out" / "movements.csv").read_bytes()

    def fail(self, folder):
        folder.mkdir()
        (folder / "movements.csv").write_text("half")
        raise OSError("disk full")

    monkeypatch.setattr(type(measured), "write_files", fail)
    for name, overwrite in (("out", True), ("new", False)):
        with pytest.raises(OSError, match="disk full"):
            measured.write(tmp_path / name, overwrite=overwrite)
    assert (tmp_path / "out" / "movements.csv").read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out"]


def test_nothing_measured_is_said():
    nothing = assemble([])
    assert nothing.counts() == "no teeth measured"
    with pytest.raises(CannotAnswer, match="No tooth"):
        _ = nothing.cohort


def test_what_was_measured_shows_itself(measured):
    assert "14 teeth measured; 1 tooth refused" in repr(measured)
    assert "<table" in measured._repr_html_()


# ---- the command ---------------------------------------------------------------------------------


def test_the_command_measures_landmarks(points, tmp_path):
    path = tmp_path / "points.csv"
    points.to_csv(path, index=False)
    done = run(path, "--out", tmp_path / "out", "--reference", "16 17 26 27")
    assert done.exit_code == 0, done.output
    assert "14 teeth measured" in done.output
    assert "outcomes audit" in done.output
    assert "outcomes add" in done.output
    written = pd.read_csv(tmp_path / "out" / "movements.csv")
    assert len(written) == 14 * 6
    check = CliRunner().invoke(app, ["check", str(tmp_path / "out" / "movements.csv")])
    assert check.exit_code == 0, check.output
    again = run(path, "--out", tmp_path / "out")
    assert again.exit_code == 2
    assert "--overwrite" in again.output
    assert run(path, "--out", tmp_path / "out", "--overwrite").exit_code == 0


def test_the_command_stops_with_every_problem(tmp_path):
    path = tmp_path / "points.csv"
    path.write_text("model,tooth,point,x,y,z\nstart,99,mesial,1,2,3\nstart,11,mesial,one,2,3\n")
    done = run(path, "--out", tmp_path / "out")
    assert done.exit_code == 1
    for word in ("99", "not a number", "Nothing was written"):
        assert word in done.output.replace("\n", " ")
    assert not (tmp_path / "out").exists()


def test_wrong_use_of_the_command(points, tmp_path):
    path = tmp_path / "points.csv"
    points.to_csv(path, index=False)
    scans = tmp_path / "scans.csv"
    scans.write_text("patient,arch,start,achieved,teeth\nP1,upper,a.stl,b.stl,t.csv\n")
    for arguments in (
        [path, "--reference", "sixteen"],
        [path, "--unit", "furlong"],
        [path, "--reference", "99 98 97"],
        [scans, "--reference", "all"],
        [tmp_path / "none.csv"],
    ):
        done = run(*arguments, "--out", tmp_path / "out")
        assert done.exit_code == 2, done.output
        assert "Traceback" not in done.output
        assert not (tmp_path / "out").exists()


def test_without_the_extra_the_command_says_which_line_to_type(tmp_path, monkeypatch):
    """What the engine raises where a library is missing reaches the user, with nothing written."""
    line = "pip install 'outcomes[scans]'"

    def missing(path):
        raise CannotAnswer(f"Scans need trimesh, which is not installed: {line}")

    monkeypatch.setattr("outcomes.cli.measure._scans", missing)
    scans = tmp_path / "scans.csv"
    scans.write_text("patient,arch,start,achieved,teeth\nP1,upper,a.stl,b.stl,t.csv\n")
    done = run(scans, "--out", tmp_path / "out")
    assert done.exit_code == 2
    assert line in done.output
    assert not (tmp_path / "out").exists()
