"""Run a notebook unattended and write its report folder.

The notebook is run by papermill in a kernel that is this same Python; the folder is written
beside its place and moved there when whole.
"""

import os
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outcomes.errors import ReportFailed
from outcomes.measure.outlines import OUTLINES_FILE
from outcomes.paths import data_path
from outcomes.progress import Step, silent
from outcomes.reports.build.place import check_free, written_whole
from outcomes.reports.build.provenance import file_sha256, provenance, write_provenance
from outcomes.words.safe import write_csv

if TYPE_CHECKING:
    from nbformat import NotebookNode

    from outcomes.cohort.records import Cohort

TITLES = {
    "practice_audit": "Practice audit",
    "case_series": "Case series",
    "overcorrection": "Overcorrection",
    "check_your_cohort": "Check of a cohort",
}


@dataclass(frozen=True)
class Report:
    """Where a report is, and what is in it.

    Attributes
    ----------
    folder
        The report folder.
    page
        ``report.html`` in it.
    warnings
        What the notebook wrote to standard error; empty when all was quiet.
    """

    folder: Path
    page: Path
    warnings: tuple[str, ...]


DEMOS = {"case_series": "series.xlsx"}
"""Notebooks with a demonstration cohort of their own."""


def demo_path(notebook: str | None = None) -> Path:
    """The invented cohort that a report command runs on when none is given.

    Examples
    --------
    >>> demo_path().name, demo_path("case_series").name
    ('practice.xlsx', 'series.xlsx')
    """
    return data_path("synthetic_data", DEMOS.get(notebook or "", "practice.xlsx"))


def open_cohort(
    cohort: str | Path | None = None,
    *,
    notation: str | None = None,
    mapping: str | Path | None = None,
    strict: bool = True,
    notebook: str | None = None,
) -> "Cohort":
    """Read a cohort, or the invented practice when None.

    Parameters
    ----------
    cohort
        Workbook, folder or movements table; None for the demonstration.
    notation
        Tooth notation of the file; None to settle it from the input.
    mapping
        How the file is read, where its layout is its own; not used for the demonstration.
    strict
        Refuse a cohort that cannot be analysed; otherwise give it with its problems.
    notebook
        Whose demonstration to read, where it has one of its own.

    Raises
    ------
    CohortError
        If it cannot be analysed; the message lists every problem.
    """
    from outcomes.cohort.read import read_cohort

    if cohort is None:
        return read_cohort(demo_path(notebook), notation="fdi", strict=strict)
    return read_cohort(cohort, mapping=mapping, notation=notation, strict=strict)  # type: ignore[arg-type]


def run_report(
    notebook: str,
    cohort_path: str | Path | None,
    out: str | Path,
    parameters: Mapping[str, Any] | None = None,
    progress: Step = silent,
    *,
    overwrite: bool = False,
) -> Report:
    """Run one of the notebooks on a cohort and write its report folder.

    Parameters
    ----------
    notebook
        Name without ending, such as ``"practice_audit"``.
    cohort_path
        The cohort; None for the demonstration.
    out
        Folder to write. It appears whole or not at all.
    parameters
        Values for the notebook's parameters cell: ``seed``, ``notation``, ``mapping``.
    progress
        Called with what is being done, steps done, steps in all.
    overwrite
        Replace ``out`` if it is a report of ours.

    Raises
    ------
    CohortError
        If the cohort cannot be analysed.
    OutputRefused
        If ``out`` may not be written.
    ReportFailed
        If the notebook stops on the way.
    """
    source, out = data_path("notebooks", f"{notebook}.ipynb"), Path(out)
    options = {"seed": 1, "notation": None, "mapping": None} | dict(parameters or {})
    check_free(out.absolute(), overwrite=overwrite)
    progress("Reading the cohort", 0, 1)
    cohort = open_cohort(
        cohort_path,
        notation=options["notation"],
        mapping=options["mapping"],
        notebook=notebook,
    )
    where = None if cohort_path is None else str(Path(cohort_path).absolute())
    with written_whole(out, overwrite=overwrite) as folder:
        executed, warnings = execute(
            source, options | {"cohort": where, "out": str(folder)}, folder, progress
        )
        record = provenance(
            report=notebook,
            source=cohort.source,
            sha256=cohort.sha256,
            invented=cohort.invented,
            notebook_sha256=file_sha256(source),
            seed=options["seed"],
            options=_recorded(options),
        )
        _write_folder(folder, executed, cohort, record)
    return Report(out, out / "report.html", warnings)


def _write_folder(
    folder: Path, executed: "NotebookNode", cohort: "Cohort", record: Mapping[str, Any]
) -> None:
    import nbformat

    from outcomes.reports.build.page import page
    from outcomes.reports.build.show import mark_small
    from outcomes.reports.files.workbook import gather_workbook

    nbformat.write(executed, folder / "report.ipynb")
    title = TITLES.get(record["report"], record["report"].replace("_", " ").capitalize())
    (folder / "report.html").write_text(page(executed, title, record), encoding="utf-8")
    write_csv(mark_small(cohort.ledger), folder / "ledger.csv")
    write_csv(cohort.problems, folder / "problems.csv")
    gather_workbook(folder / "tables")
    write_provenance(record, folder)


def execute(
    source: Path, parameters: Mapping[str, Any], folder: Path, progress: Step = silent
) -> tuple["NotebookNode", tuple[str, ...]]:
    """Run a notebook with parameters; give it back with outputs, its warnings apart.

    The parameters replace those in its cell tagged ``parameters``; paths among them are cut to file
    names in what is given back. ``folder`` is the working folder of the kernel; ``progress`` is
    called before each cell.

    Raises
    ------
    ReportFailed
        If a cell stops.
    """
    import papermill
    from papermill.exceptions import PapermillExecutionError
    from papermill.iorw import load_notebook_node

    from outcomes.reports.build.kernel import register_engine

    progress("Starting", 0, 1)
    with _quiet_kernel() as log:
        try:
            executed = papermill.execute_notebook(
                load_notebook_node(str(source)),
                None,
                parameters=dict(parameters),
                engine_name=register_engine(),
                kernel_name="python3",
                progress_bar=False,
                cwd=str(folder),
                step=progress,
                log=log,
            )
        except PapermillExecutionError as error:
            raise ReportFailed(
                f"The report stopped in cell {error.cell_index} of {source.name}: "
                f"{error.ename}: {error.evalue}"
            ) from error
        except RuntimeError as error:  # the kernel died, or never came up
            said = log.read_text(encoding="utf-8", errors="replace").strip() if log.exists() else ""
            raise ReportFailed(
                f"The Python that runs the notebook stopped: {error} {said[-500:]}".strip()
            ) from error
    return _without_paths(executed, parameters)


@contextmanager
def _quiet_kernel() -> Iterator[Path]:
    """Environment of the kernel: drawing without a screen, and nothing of the user's start-up.

    Gives the file for what the kernel itself writes, beside the notebook.

    Start-up files and history of the user's own sessions would make a report depend on them.
    """
    with tempfile.TemporaryDirectory(prefix="outcomes-") as home:
        ours = {
            "MPLBACKEND": "agg",
            "IPYTHONDIR": home,
            "JUPYTER_RUNTIME_DIR": home,
            "PYDEVD_DISABLE_FILE_VALIDATION": "1",
        }
        before = {name: os.environ.get(name) for name in ours}
        os.environ.update(ours)
        try:
            yield Path(home, "kernel.log")
        finally:
            for name, value in before.items():
                if value is None:
                    os.environ.pop(name, None)
                else:
                    os.environ[name] = value


def _recorded(options: Mapping[str, Any]) -> dict[str, Any]:
    """Options for the provenance: files by name, with their hashes."""
    found = {name: _shared(name, value) for name, value in options.items() if name != "seed"}
    for name in ("aims", "mapping"):
        if options.get(name):
            found[f"{name}_sha256"] = file_sha256(Path(options[name]))
    if options.get("scans"):
        found["scans_sha256"] = file_sha256(Path(options["scans"], OUTLINES_FILE))
    return found


PATHS = ("cohort", "aims", "mapping", "scans")
"""Parameters that are paths: only their file names leave the machine."""


def _shared(name: str, value: Any) -> Any:
    return Path(value).name if name in PATHS and value else value


def _without_paths(
    executed: "NotebookNode", parameters: Mapping[str, Any]
) -> tuple["NotebookNode", tuple[str, ...]]:
    shared = {name: _shared(name, value) for name, value in parameters.items() if name != "out"}
    shared |= {"out": None}
    warnings: list[str] = []
    kept = []
    replaced = any("injected-parameters" in c.metadata.get("tags", []) for c in executed.cells)
    for cell in executed.cells:
        tags = cell.metadata.get("tags", [])
        if "parameters" in tags and replaced:
            continue
        if "injected-parameters" in tags:
            cell.source = "\n".join(
                ["# parameters of this report", *(f"{k} = {v!r}" for k, v in shared.items())]
            )
            cell.metadata["tags"] = ["parameters"]
        cell.metadata.pop("papermill", None)
        cell.metadata.pop("execution", None)
        if cell.cell_type == "code":
            # Warnings quote the files that raise them: they go to the terminal instead.
            loud = [o for o in cell.outputs if o.get("name") == "stderr"]
            warnings += [str(o["text"]).strip() for o in loud]
            cell.outputs = [o for o in cell.outputs if o.get("name") != "stderr"]
        kept.append(cell)
    executed.cells = kept
    executed.metadata.pop("papermill", None)
    return executed, tuple(warnings)
