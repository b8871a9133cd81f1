"""The command line: exit statuses, what it prints, what it leaves."""

import json
import subprocess
import sys
from pathlib import Path

import nbformat
import pandas as pd
import pytest
from typer.testing import CliRunner

from outcomes.cli import app
from outcomes.cohort.read import read_cohort
from outcomes.errors import ReportFailed
from outcomes.reports.build import run
from outcomes.reports.build.lab import MANIFEST

ROWS = """patient,tooth (FDI),movement,planned,achieved
P001,11,rotation,10,6.2
P001,21,rotation,-8,-4.1
P002,11,rotation,12,7.9
P002,21,rotation,6,2.8
P003,11,rotation,-9,-5.5
P003,12,rotation,7,
"""


@pytest.fixture
def cohort(tmp_path):
    path = tmp_path / "practice.csv"
    path.write_text(ROWS)
    return path


@pytest.fixture
def bad(tmp_path):
    path = tmp_path / "bad.csv"
    path.write_text("patient,tooth\nP001,11\n")
    return path


def outcomes(*arguments):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


# ---- wrong use is 2 -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "arguments",
    [
        ["audit", "no-such-file.xlsx"],
        ["check", "no-such-file.xlsx"],
        ["check", "--notation", "palmer"],
        ["audit", "--seed", "one"],
        ["calibrate", "--aims", "no-such-file.csv"],
        ["calibrate", "--over-cap", "2"],
        ["calibrate", "--since", "last spring"],
        ["audits"],
        ["template"],
        ["template", "practice.csv"],
    ],
)
def test_wrong_use(arguments):
    done = outcomes(*arguments)
    assert done.exit_code == 2
    assert "Traceback" not in done.output


def test_output_that_is_not_a_report_is_refused(tmp_path, cohort):
    (tmp_path / "thesis").mkdir()
    (tmp_path / "thesis" / "chapter.txt").write_text("years of work")
    for more in ([], ["--overwrite"]):
        done = outcomes("audit", cohort, "--out", tmp_path / "thesis", *more)
        assert done.exit_code == 2
        assert "--out" in done.output
    assert (tmp_path / "thesis" / "chapter.txt").read_text() == "years of work"


# ---- check --------------------------------------------------------------------------------------


def test_check_prints_ledger_and_verdict(cohort):
    done = outcomes("check", cohort)
    assert done.exit_code == 0
    assert "not measured yet" in done.output
    assert "The cohort can be analysed." in done.output


def test_check_prints_every_problem_and_every_ledger_line():
    found = run.open_cohort()
    done = outcomes("check", run.demo_path(), "--notation", "fdi")
    assert done.exit_code == 0
    printed = " ".join(done.output.split())
    lines = [line.split() for line in done.output.splitlines()]
    for row in found.problems.dropna(subset=["row"]).itertuples():
        assert any(line[:1] == [row.severity] and str(row.row) in line for line in lines), row
    for row in found.ledger.itertuples():
        assert str(row.rows) in printed


def test_check_of_what_cannot_be_analysed_is_1(bad):
    done = outcomes("check", bad)
    assert done.exit_code == 1
    for column in ("movement", "planned", "achieved"):
        assert column in done.output
    assert "stop" in done.output


def test_check_without_a_cohort_says_it_is_invented():
    done = outcomes("check")
    assert done.exit_code == 0
    assert "invented" in done.output


def test_notation_is_passed_on(tmp_path):
    path = tmp_path / "teeth.csv"
    path.write_text(ROWS.replace("tooth (FDI)", "tooth"))
    assert outcomes("check", path).exit_code == 1
    assert outcomes("check", path, "--notation", "universal").exit_code == 0


# ---- calibrate ----------------------------------------------------------------------------------


def test_aims_that_cannot_be_used_are_1_with_every_problem(tmp_path, cohort):
    aims = tmp_path / "aims.csv"
    aims.write_text("tooth (FDI),movement,aim\n99,vertical,-1\n31,vertical,much\n")
    done = outcomes("calibrate", cohort, "--aims", aims, "--out", tmp_path / "report")
    assert done.exit_code == 1
    for word in ("99", "not a number", "aims cannot be used"):
        assert word in done.output.replace("\n", " ")
    assert not (tmp_path / "report").exists()


def test_options_of_calibrate_reach_the_notebook(tmp_path, cohort, monkeypatch):
    seen = {}

    def keep(notebook, path, out, parameters, progress, *, overwrite):
        seen.update(parameters, notebook=notebook)
        return run.Report(out, out / "report.html", ())

    monkeypatch.setattr(run, "run_report", keep)
    aims = tmp_path / "aims.csv"
    aims.write_text("tooth (FDI),movement,aim\n31,vertical,-1\n")
    done = outcomes(
        "calibrate", cohort, "--aims", aims, "--since", "2025-01-31", "--covariate", "attachment",
        "--over-cap", "0.2", "--max-factor", "1.8", "--aligners", "20", "--days", "10",
    )  # fmt: skip
    assert done.exit_code == 0
    assert seen["notebook"] == "overcorrection"
    assert seen["aims"] == str(aims)
    assert seen["since"] == "2025-01-31"
    assert seen["covariates"] == ["attachment"]
    assert (seen["over_cap"], seen["max_factor"]) == (0.2, 1.8)
    assert (seen["aligners"], seen["days_per_aligner"]) == (20, 10.0)


def test_problems_of_aims_are_on_the_terminal_and_in_problems_csv(tmp_path, cohort, monkeypatch):
    def made(notebook, path, out, parameters, progress, *, overwrite):
        out.mkdir()
        columns = "table,row,column,value,problem,remedy,severity"
        (out / "problems.csv").write_text(
            f"{columns}\nmovements,2,planned,x,not a number,y,check\n"
        )
        line = "aims,3,aim,abc,not a number,Write one.,exclude,41"
        (out / "aims_problems.csv").write_text(f"{columns},tooth\n{line}\n")
        return run.Report(out, out / "report.html", ())

    monkeypatch.setattr(run, "run_report", made)
    aims = tmp_path / "aims.csv"
    aims.write_text("tooth (FDI),movement,aim\n31,vertical,-1\n41,vertical,abc\n")
    done = outcomes("calibrate", cohort, "--aims", aims, "--out", tmp_path / "report")
    assert done.exit_code == 0
    for words in ("2 aims read, 1 used, 1 left out.", "not a number", "41", "see problems.csv"):
        assert words in done.output
    kept = (tmp_path / "report" / "problems.csv").read_text().splitlines()
    assert [line.split(",")[0] for line in kept[1:]] == ["movements", "aims"]
    assert not (tmp_path / "report" / "aims_problems.csv").exists()


# ---- audit --------------------------------------------------------------------------------------


def test_audit_of_what_cannot_be_analysed_is_1_and_writes_nothing(tmp_path, bad):
    done = outcomes("audit", bad, "--out", tmp_path / "report")
    assert done.exit_code == 1
    assert "achieved" in done.output
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bad.csv"]


def test_interrupted_audit_is_130_and_writes_nothing(tmp_path, cohort, monkeypatch):
    def stop(*args, **kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr(run, "execute", stop)
    done = outcomes("audit", cohort, "--out", tmp_path / "report")
    assert done.exit_code == 130
    assert "Nothing was written." in done.output
    assert sorted(path.name for path in tmp_path.iterdir()) == ["practice.csv"]


def test_a_report_that_fails_is_3_and_names_the_cell(tmp_path, cohort, monkeypatch):
    def stop(*args, **kwargs):
        raise ReportFailed("The report stopped in cell 3 of practice_audit.ipynb: E: why")

    monkeypatch.setattr(run, "execute", stop)
    done = outcomes("audit", cohort, "--out", tmp_path / "report")
    assert done.exit_code == 3
    assert "cell 3" in done.output
    assert sorted(path.name for path in tmp_path.iterdir()) == ["practice.csv"]


def test_audit_from_the_shell(tmp_path, cohort):
    """The whole way, as a user types it, in another folder; twice, to replace the first."""
    command = [sys.executable, "-m", "outcomes.cli", "audit", cohort.name, "--out", "report"]
    first = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)
    assert first.returncode == 0, first.stderr
    assert first.stderr == ""
    assert "report.html" in first.stdout
    assert sorted(path.name for path in tmp_path.iterdir()) == ["practice.csv", "report"]
    record = json.loads((tmp_path / "report" / "provenance.json").read_text())
    assert record["input"]["file"] == "practice.csv"
    assert not record["input"]["invented"]
    page = (tmp_path / "report" / "report.html").read_text(encoding="utf-8")
    assert "5 planned movements of 5 teeth in 3 patients; 1 row was left out" in page
    assert "invented" not in page.split("<main")[0].split("</style>")[1]
    again = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)
    assert again.returncode == 2
    assert "--overwrite" in again.stderr


# ---- template and lab ---------------------------------------------------------------------------


def test_template_is_never_written_over(tmp_path):
    path = tmp_path / "practice.xlsx"
    done = outcomes("template", path)
    assert done.exit_code == 0, done.output
    assert "movements" in pd.ExcelFile(path, engine="calamine").sheet_names
    before = path.read_bytes()
    assert outcomes("template", path).exit_code == 2
    assert path.read_bytes() == before
    assert outcomes("template", tmp_path / "none" / "practice.xlsx").exit_code == 2


def parameters_of(path: Path) -> dict:
    values: dict = {}
    for cell in nbformat.read(path, as_version=4).cells:
        if {"parameters", "injected-parameters"} & set(cell.metadata.get("tags", [])):
            exec(cell.source, values)
    return values


def test_lab_copies_the_notebooks_with_the_cohort(tmp_path, cohort):
    done = outcomes("lab", tmp_path / "mine", cohort, "--notation", "fdi", "--no-open")
    assert f"jupyter lab {tmp_path / 'mine'}" in done.output
    assert done.exit_code == 0, done.output
    for name in ("practice_audit.ipynb", "check_your_cohort.ipynb"):
        values = parameters_of(tmp_path / "mine" / name)
        assert values["cohort"] == str(cohort)
        assert values["notation"] == "fdi"
        assert read_cohort(values["cohort"], notation=values["notation"]).source == "practice.csv"


def test_lab_never_writes_over_an_edited_notebook(tmp_path, cohort):
    folder = tmp_path / "mine"
    outcomes("lab", folder, "--no-open")
    edited, untouched = folder / "practice_audit.ipynb", folder / "check_your_cohort.ipynb"
    edited.write_text(edited.read_text() + "\n")
    before = edited.read_bytes()
    done = outcomes("lab", folder, cohort, "--no-open")
    assert "Kept practice_audit.ipynb" in done.output
    assert "Copied check_your_cohort.ipynb" in done.output
    assert edited.read_bytes() == before
    assert parameters_of(untouched)["cohort"] == str(cohort)
    # A notebook of the same name that was never ours is kept as well.
    (folder / MANIFEST).unlink()
    assert "Kept check_your_cohort.ipynb" in outcomes("lab", folder, "--no-open").output


def test_lab_copies_are_the_same_every_time(tmp_path, cohort):
    for name in ("a", "b"):
        outcomes("lab", tmp_path / name, cohort, "--no-open")
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()


def test_lab_refuses_a_file(cohort):
    assert outcomes("lab", cohort, "--no-open").exit_code == 2


def test_version_and_help():
    assert "outcomes" in outcomes("--version").output
    done = outcomes("--help")
    assert done.exit_code == 0
    for command in ("template", "check", "audit", "calibrate", "lab"):
        assert command in done.output
