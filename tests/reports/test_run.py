"""A report folder: what it holds, where it came from, and what happens when it goes wrong."""

import hashlib
import json
import os
import re
import signal
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path

import nbformat
import pandas as pd
import pytest
from openpyxl import load_workbook

from outcomes.cohort.read import read_cohort
from outcomes.errors import CohortError, OutputRefused, ReportFailed
from outcomes.paths import data_path
from outcomes.reports.build import run
from outcomes.reports.build.run import demo_path, execute, run_report


def provenance(report):
    return json.loads((report.folder / "provenance.json").read_text(encoding="utf-8"))


def test_the_folder_holds_what_was_promised(demo_report):
    names = sorted(path.name for path in demo_report.folder.iterdir())
    assert names == [
        "figures",
        "ledger.csv",
        "problems.csv",
        "provenance.json",
        "report.html",
        "report.ipynb",
        "tables",
    ]
    kinds = {path.suffix for path in (demo_report.folder / "figures").iterdir()}
    assert kinds == {".svg", ".pdf", ".png", ".csv"}
    listed = pd.read_csv(demo_report.folder / "tables" / "contents.csv")["table"]
    for name in listed:
        assert (demo_report.folder / "tables" / f"{name}.csv").exists()
    book = load_workbook(demo_report.folder / "tables" / "tables.xlsx", read_only=True)
    assert len(book.sheetnames) == len(listed) + 1
    assert demo_report.warnings == ()


def test_provenance_says_what_was_read_and_how(demo_report):
    record = provenance(demo_report)
    content = demo_path().read_bytes()
    assert record["input"] == {
        "file": "practice.xlsx",
        "sha256": hashlib.sha256(content).hexdigest(),
        "invented": True,
    }
    notebook = data_path("notebooks", "practice_audit.ipynb").read_bytes()
    assert record["notebook_sha256"] == hashlib.sha256(notebook).hexdigest()
    assert record["seed"] == 1
    assert record["versions"]["pandas"] == pd.__version__
    assert record["versions"]["python"] == ".".join(map(str, sys.version_info[:3]))
    written = datetime.fromisoformat(record["written"])
    assert written.tzinfo is not None
    assert abs(datetime.now().astimezone() - written).total_seconds() < 24 * 3600


def test_ledger_and_problems_are_those_of_the_cohort(demo_report):
    cohort = run.open_cohort()
    ledger = pd.read_csv(demo_report.folder / "ledger.csv", keep_default_na=False)
    assert ledger["rows"].tolist() == cohort.ledger["rows"].tolist()
    problems = pd.read_csv(demo_report.folder / "problems.csv")
    assert len(problems) == len(cohort.problems)
    movements = ledger[ledger["table"] == "movements"].groupby("step")["rows"].sum()
    assert movements["read"] == movements["excluded"] + movements["analysed"]


def test_no_machine_path_is_in_any_file(demo_report):
    home, checkout = str(Path.home()), str(Path(__file__).resolve().parents[2])
    secrets = {str(demo_report.folder.parent), checkout, home, sys.prefix, "/tmp", "site-packages"}
    for path in demo_report.folder.rglob("*"):
        if path.is_file() and path.suffix != ".png":
            text = path.read_bytes().decode("latin-1")
            for secret in secrets - {"/", "/root"}:
                assert secret not in text, f"{path.name} holds {secret}"


def test_the_executed_notebook_is_whole_and_can_be_run_again(demo_report):
    notebook = nbformat.read(demo_report.folder / "report.ipynb", as_version=4)
    nbformat.validate(notebook)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    parameters = [cell for cell in code if "parameters" in cell.metadata.get("tags", [])]
    assert len(parameters) == 1
    values: dict = {}
    exec(parameters[0].source, values)
    assert {"cohort", "notation", "out", "seed"} <= set(values)
    assert not any(o.output_type == "error" for cell in code for o in cell.outputs)


def test_numbers_in_the_tables_do_not_depend_on_the_run(demo_report):
    """The rates in the report are those of the package on the same file."""
    from outcomes.rates.fit import fit_rates

    cohort = read_cohort(demo_path(), notation="fdi")
    expected = fit_rates(cohort.frame()[cohort.movements["planned"].to_numpy() != 0]).rates
    found = pd.read_csv(demo_report.folder / "tables" / "rates_by_tooth_class.csv")
    assert found["rate"].tolist() == pytest.approx(expected["rate"].tolist(), rel=1e-9)


def test_a_cohort_that_cannot_be_read_leaves_nothing(tmp_path):
    (tmp_path / "bad.csv").write_text("name,number\nx,1\n")
    with pytest.raises(CohortError):
        run_report("practice_audit", tmp_path / "bad.csv", tmp_path / "new" / "report")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bad.csv"]


def test_an_existing_folder_is_refused_before_any_work(tmp_path, small_csv, monkeypatch):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "mine.txt").write_text("mine")
    monkeypatch.setattr(run, "open_cohort", lambda *a, **k: pytest.fail("read the cohort"))
    with pytest.raises(OutputRefused):
        run_report("practice_audit", small_csv, tmp_path / "out", overwrite=True)


def test_interrupted_while_the_page_is_written_leaves_nothing(tmp_path, small_csv, monkeypatch):
    def stop(*args, **kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr(run, "_write_folder", stop)
    monkeypatch.setattr(run, "execute", lambda *a, **k: (None, ()))
    with pytest.raises(KeyboardInterrupt):
        run_report("practice_audit", small_csv, tmp_path / "out")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["small.csv"]


def notebook_that(source: str, path: Path) -> Path:
    notebook = nbformat.v4.new_notebook()
    notebook.metadata = {
        "kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"},
        "language_info": {"name": "python"},
    }
    parameters = nbformat.v4.new_code_cell("cohort = None\nout = None\nseed = 1")
    parameters.metadata["tags"] = ["parameters"]
    notebook.cells = [parameters, nbformat.v4.new_code_cell(source)]
    nbformat.write(notebook, path)
    return path


def test_a_cell_that_fails_is_named(tmp_path):
    path = notebook_that("1 / 0", tmp_path / "n.ipynb")
    with pytest.raises(ReportFailed, match=r"cell 2 of n\.ipynb: ZeroDivisionError"):
        execute(path, {"seed": 2}, tmp_path)


def test_a_python_that_dies_is_reported(tmp_path):
    path = notebook_that("import os\nos._exit(3)", tmp_path / "n.ipynb")
    with pytest.raises(ReportFailed, match="stopped"):
        execute(path, {"seed": 2}, tmp_path)


def test_paths_and_warnings_stay_out_of_the_notebook(tmp_path):
    path = notebook_that("import warnings\nwarnings.warn('careful')", tmp_path / "n.ipynb")
    executed, warnings = execute(
        path, {"cohort": "/home/somebody/practice.xlsx", "out": str(tmp_path)}, tmp_path
    )
    text = nbformat.writes(executed)
    assert "careful" in warnings[0]
    assert "somebody" not in text
    assert str(tmp_path) not in text
    assert "cohort = 'practice.xlsx'" in executed.cells[0].source


def test_the_users_start_up_files_do_not_run(tmp_path, monkeypatch):
    start = tmp_path / "ipython" / "profile_default" / "startup"
    start.mkdir(parents=True)
    (start / "mine.py").write_text("mine = 1")
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path / "ipython"))
    path = notebook_that("print('mine' in globals())", tmp_path / "n.ipynb")
    executed, _ = execute(path, {"seed": 1}, tmp_path)
    assert executed.cells[1].outputs[0]["text"] == "False\n"
    assert os.environ["IPYTHONDIR"] == str(tmp_path / "ipython")


SLOW = """
import signal, sys, time
from pathlib import Path
signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored where a job runs in the background
from outcomes.reports.build.place import written_whole
from outcomes.reports.build.run import execute
try:
    with written_whole(Path(sys.argv[2])) as folder:
        print("started", flush=True)
        execute(Path(sys.argv[1]), {"seed": 1, "out": str(folder)}, folder)
except KeyboardInterrupt:
    sys.exit(130)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C cannot be sent to a process there")
def test_ctrl_c_leaves_no_folder_and_no_kernel(tmp_path):
    mark = tmp_path / "kernel.txt"
    slow = f"import os, time\nopen({str(mark)!r}, 'w').write(str(os.getpid()))\ntime.sleep(600)"
    path = notebook_that(slow, tmp_path / "n.ipynb")
    process = subprocess.Popen(
        [sys.executable, "-c", SLOW, str(path), str(tmp_path / "new" / "out")],
        stdout=subprocess.PIPE,
        text=True,
    )
    wait_for(lambda: mark.exists() and mark.read_text())
    process.send_signal(signal.SIGINT)
    assert process.wait(timeout=120) == 130
    assert sorted(p.name for p in tmp_path.iterdir()) == ["kernel.txt", "n.ipynb"]
    wait_for(lambda: not alive(int(mark.read_text())))


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    # A zombie is dead: the state stands after the name in brackets (proc(5)).
    stat = Path(f"/proc/{pid}/stat")
    return not (stat.exists() and re.search(r"\) Z ", stat.read_text()))


def wait_for(condition, seconds=120):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.05)
