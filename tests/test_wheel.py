"""The wheel carries notebooks, shared files and the demonstration: it works outside the checkout."""

import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).resolve().parents[1]

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    out = tmp_path_factory.mktemp("dist")
    build = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(out)]
    done = subprocess.run([*build, str(CHECKOUT)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    (path,) = out.glob("outcomes-*.whl")
    return path


def test_the_wheel_holds_data_and_nothing_of_the_machine(wheel):
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
        for name in (
            "notebooks/practice_audit.ipynb",
            "notebooks/check_your_cohort.ipynb",
            "shared/cautions.md",
            "shared/codebook.md",
            "shared/figures.mplstyle",
            "shared/published_values.csv",
            "synthetic_data/practice.xlsx",
        ):
            assert f"outcomes/_data/{name}" in names
        for name in (
            "build/templates/page.html.j2",
            "build/templates/report/index.html.j2",
            "files/templates/shared.css",
            "sheet/templates/sheet.css",
            "sheet/templates/sheet.html.j2",
        ):
            assert f"outcomes/reports/{name}" in names
        assert not [name for name in names if "checkpoint" in name or "__pycache__" in name]
        assert not [name for name in names if name.startswith(("tests/", "benchmarks/"))]
        text = b"".join(archive.read(name) for name in names if not name.endswith(".xlsx"))
    assert str(CHECKOUT).encode() not in text


def test_an_installed_copy_writes_an_audit_in_another_folder(wheel, tmp_path):
    """An own environment that holds the wheel, and borrows only the dependencies of this one."""
    home, work = tmp_path / "env", tmp_path / "work"
    work.mkdir()
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(home)], check=True)
    python = home / ("Scripts" if os.name == "nt" else "bin") / "python"
    ours = python_says(python, "import sysconfig; print(sysconfig.get_path('purelib'))")
    install = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index"]
    subprocess.run([*install, "--target", ours, str(wheel)], check=True)
    borrowed = python_says(sys.executable, "import sysconfig; print(sysconfig.get_path('purelib'))")
    # Put behind our own packages on sys.path; .pth files in there (an editable install of the
    # checkout) are not read.
    Path(ours, "borrowed.pth").write_text(borrowed + "\n")
    where = python_says(python, "import outcomes; print(outcomes.__file__)", cwd=work)
    assert Path(where).is_relative_to(home)

    command = [str(python), "-m", "outcomes.cli", "audit", "--out", "report"]
    environment = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "VIRTUAL_ENV")}
    done = subprocess.run(command, cwd=work, capture_output=True, text=True, env=environment)
    assert done.returncode == 0, done.stderr
    assert "invented" in done.stdout
    assert (work / "report" / "report.html").exists()
    record = json.loads((work / "report" / "provenance.json").read_text())
    assert record["input"]["file"] == "practice.xlsx"
    assert sorted(path.name for path in work.iterdir()) == ["report"]


def python_says(python, code, cwd=None):
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
    done = subprocess.run(
        [str(python), "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=cwd,
        env=environment,
    )
    return done.stdout.strip()
