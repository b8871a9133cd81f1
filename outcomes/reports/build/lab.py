"""Copy the notebooks to a user's folder, set to their cohort; never over an edited one."""

import hashlib
import json
import os
import shlex
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from outcomes.paths import data_path

MANIFEST = ".outcomes-notebooks.json"
"""In the user's folder: the SHA-256 of each notebook as it was copied."""


@dataclass(frozen=True)
class Copied:
    """Names of the notebooks written, and of those left alone because they were edited."""

    written: tuple[str, ...]
    kept: tuple[str, ...]


def copy_notebooks(
    folder: Path,
    cohort: Path | None = None,
    *,
    notation: str | None = None,
    mapping: Path | None = None,
) -> Copied:
    """Copy every notebook, with the cohort as its parameter.

    A notebook that is there already is replaced only when it is still as it was copied.

    Parameters
    ----------
    folder
        Made when it is not there.
    cohort
        The user's cohort; None for the demonstration.
    notation
        Tooth notation of the cohort, if it must be said.
    mapping
        How the cohort is read, where its layout is its own.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     "practice_audit.ipynb" in copy_notebooks(Path(folder)).written
    True
    """
    folder.mkdir(parents=True, exist_ok=True)
    manifest = _read_manifest(folder)
    written, kept = [], []
    for source in sorted(data_path("notebooks").glob("*.ipynb")):
        target = folder / source.name
        if target.exists() and _sha256(target.read_bytes()) != manifest.get(source.name):
            kept.append(source.name)
            continue
        content = _with_parameters(source, cohort, notation, mapping)
        _write_whole(target, content)
        manifest[source.name] = _sha256(content)
        written.append(source.name)
    _write_whole(folder / MANIFEST, (json.dumps(manifest, indent=2) + "\n").encode())
    return Copied(tuple(written), tuple(kept))


def open_jupyter(folder: Path) -> int:
    """Open JupyterLab in a folder; wait until it is closed and give back its exit status."""
    command = [sys.executable, "-m", "jupyterlab", "--notebook-dir", str(folder)]
    return subprocess.run(command, check=False).returncode


def lab_command(folder: Path) -> str:
    """What to type to open the notebooks later.

    Examples
    --------
    >>> lab_command(Path("my notebooks"))
    "jupyter lab 'my notebooks'"
    """
    return f"jupyter lab {shlex.quote(str(folder))}"


def _with_parameters(
    source: Path, cohort: Path | None, notation: str | None, mapping: Path | None
) -> bytes:
    """The notebook without outputs, and with new values in its cell tagged ``parameters``."""
    import nbformat
    from papermill.iorw import load_notebook_node
    from papermill.parameterize import parameterize_notebook

    notebook = load_notebook_node(str(source))
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    if cohort is not None:
        values = {
            "cohort": str(cohort.absolute()),
            "notation": notation,
            "mapping": None if mapping is None else str(mapping.absolute()),
        }
        notebook = parameterize_notebook(notebook, values, kernel_name="python3", language="python")
        for number, cell in enumerate(notebook.cells):
            if "injected-parameters" in cell.metadata.get("tags", []):
                # The same copy must give the same bytes, or it would look edited.
                cell.id = f"your-cohort-{number}"
                cell.source = cell.source.replace("# Parameters", "# Your cohort")
    notebook.metadata.pop("papermill", None)
    for cell in notebook.cells:
        cell.metadata.pop("papermill", None)
    return (nbformat.writes(notebook) + "\n").encode("utf-8")


def _read_manifest(folder: Path) -> dict[str, str]:
    path = folder / MANIFEST
    return json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}


def _write_whole(path: Path, content: bytes) -> None:
    beside = path.with_name(f".{path.name}.new")
    beside.write_bytes(content)
    os.replace(beside, path)


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
