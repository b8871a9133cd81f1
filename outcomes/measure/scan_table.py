"""The table of scans: which files belong to one arch of one patient in one course.

Paths are relative to the folder of the table. An absolute path is read too, and listed, as the
table can then not be moved; an address on a network is refused, and nothing in a path is expanded
(no ``~``, no variables). Files are only read. Capitals that differ from the file's are forgiven
where just one file is meant; backslashes are taken for slashes.
"""

from __future__ import annotations

import filecmp
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Literal

import numpy as np
import pandas as pd

from outcomes.domain.scan_tables import MM_PER_UNIT, SCANS, STAGES
from outcomes.domain.teeth import arch as arch_of
from outcomes.domain.teeth import describe_notation, parse_teeth
from outcomes.measure.tables_in import CannotMeasure, Rows, open_table

__all__ = ["FEWEST_REFERENCE_TEETH", "Reference", "ScanRow", "ScanTable", "read_scan_table"]

Reference = Literal["palate", "all"] | tuple[int, ...]

FEWEST_REFERENCE_TEETH = 3
"""With fewer listed teeth, a small error on them turns the whole arch."""


@dataclass(frozen=True, slots=True)
class ScanRow:
    """One arch of one patient in one course.

    Attributes
    ----------
    row
        In the table, as a spreadsheet shows it.
    patient, course, arch, repeat
        What it is; repeat 1 counts, others are the same course measured again.
    start, planned, achieved
        Meshes; planned or achieved is None where the table leaves it blank.
    teeth
        A table of the points clicked on the start scan, or a folder with a mesh for each crown.
    reference
        What is taken as stable: "palate", "all", or FDI numbers.
    unit
        Of meshes and points.
    """

    row: int
    patient: str
    course: int
    arch: str
    start: Path
    planned: Path | None
    achieved: Path | None
    teeth: Path
    reference: Reference
    unit: str
    repeat: int = 1

    @property
    def label(self) -> str:
        """The row in words: ``P001, course 1, upper``."""
        again = f", repeat {self.repeat}" if self.repeat > 1 else ""
        return f"{self.patient}, course {self.course}, {self.arch}{again}"

    @property
    def mm(self) -> float:
        """mm in one unit of the files."""
        return MM_PER_UNIT[self.unit]

    def stages(self) -> dict[str, Path]:
        """planned, achieved -> its mesh, where there is one."""
        files = {"planned": self.planned, "achieved": self.achieved}
        return {stage: file for stage, file in files.items() if file is not None}

    def files(self) -> list[Path]:
        """Every file of the row; a folder of crowns as such."""
        return [self.start, *self.stages().values(), self.teeth]


@dataclass(frozen=True)
class ScanTable:
    """The rows that can be measured, and what is wrong with the others.

    Attributes
    ----------
    rows
        In the order of the table.
    problems
        In the columns of ``Cohort.problems``.
    name, sha256
        Of the file.
    """

    rows: tuple[ScanRow, ...]
    problems: pd.DataFrame
    name: str
    sha256: str


def read_scan_table(path: str | Path) -> ScanTable:
    """Read a table of scans: a text file, or the sheet ``scans`` of a workbook.

    Raises
    ------
    FileNotFoundError
        If there is nothing at ``path``.
    CannotMeasure
        If no row can be measured; lists every problem with its row.
    """
    path = Path(path)
    rows = open_table(path, SCANS)
    sieve = rows.sieve
    folder = path.absolute().parent
    patients = rows.require_text("patient")
    course, repeat = rows.numbers("course"), rows.numbers("repeat")
    arch, unit = rows.codes("arch"), rows.codes("unit", blank="mm")
    names = ("start", *STAGES, "teeth")
    files = {name: _paths(rows, name, folder) for name in names}
    references = [_reference(text, str(a)) for text, a in zip(rows.texts("reference"), arch, strict=True)]  # fmt: skip
    _list_each(rows, "reference", [said for _, said in references])
    neither = np.array([all(files[s][i] is None for s in STAGES) for i in range(len(course))])
    sieve.exclude(
        neither & sieve.kept,
        "achieved",
        np.full(len(course), "", dtype=object),
        "achieved and planned are both blank: nothing to compare with the start",
        "Give at least one of them.",
    )
    _same_files(rows, files)
    key = pd.DataFrame({"p": patients, "c": course, "a": arch, "r": repeat})
    twice = key.duplicated(keep=False).to_numpy() & sieve.kept
    sieve.exclude(
        twice,
        "arch",
        arch,
        "the same patient, course and arch in several rows",
        "Leave one, or number them in a column repeat: 2, 3 ... for the same course measured again.",
    )
    read = []
    for i in np.flatnonzero(sieve.kept):
        start, teeth = files["start"][i], files["teeth"][i]
        assert start is not None
        assert teeth is not None
        read.append(
            ScanRow(
                int(sieve.rows[i]),
                str(patients[i]),
                int(course[i]),
                str(arch[i]),
                start,
                files["planned"][i],
                files["achieved"][i],
                teeth,
                references[i][0],
                str(unit[i]),
                int(repeat[i]),
            )
        )
    if not read:
        sieve.stop("", "no row of scans can be measured", "Correct what is listed here.")
        raise CannotMeasure(rows.problems(), path.name)
    return ScanTable(tuple(read), rows.problems(), path.name, rows.sha256)


Said = tuple[str, str, str] | None
"""Problem, remedy, severity; None where all is well."""


def _list_each(rows: Rows, column: str, said: list[Said]) -> None:
    """List the problems of single rows, those alike together."""
    words = rows.texts(column)
    for problem, remedy, severity in dict.fromkeys(s for s in said if s is not None):
        at = np.array([s == (problem, remedy, severity) for s in said])
        listing: Callable[..., None] = (
            rows.sieve.exclude if severity == "exclude" else rows.sieve.check
        )
        listing(at, column, words, problem, remedy)


def _paths(rows: Rows, column: str, folder: Path) -> list[Path | None]:
    """The file of each row; a blank one is a problem where it is required."""
    words = rows.require_text(column) if SCANS.column(column).required else rows.texts(column)
    seen: dict[str, tuple[Path | None, Said]] = {
        word: _file(word, folder, or_folder=column == "teeth") for word in pd.unique(words) if word
    }
    found = [seen.get(word, (None, None)) for word in words]
    _list_each(rows, column, [said for _, said in found])
    return [file for file, _ in found]


def _file(text: str, folder: Path, *, or_folder: bool = False) -> tuple[Path | None, Said]:
    """The file that a cell means, and what is to be said of it."""
    if re.match(r"^[A-Za-z][A-Za-z0-9+.-]+://", text) or text.startswith(("\\\\", "//")):
        return None, ("an address, not a file", "Copy the file beside this table.", "exclude")
    absolute = PurePosixPath(text).is_absolute() or PureWindowsPath(text).is_absolute()
    parts = text if "\\" not in text else text.replace("\\", "/")
    try:
        path, forgiven = _as_written(folder / parts)
        if path is None:
            near = (
                f"In {Path(parts).parent.name or 'the folder of this table'} it is not to be found."
            )
            return None, ("there is no such file", f"{near} Correct the path.", "exclude")
        if not (path.is_file() or (or_folder and path.is_dir())):
            return None, ("a folder, not a file", "Give the path of one file.", "exclude")
    except (OSError, ValueError):
        return None, ("a path that cannot be looked up", "Correct the path.", "exclude")
    if absolute:
        return path, (
            "an absolute path: the table can be used on this computer only",
            "Write paths from the folder of the table.",
            "check",
        )
    if forgiven:
        said = f"the file is called {path.name}"
        return path, (said, "Write its name with the same capitals.", "check")
    return path, None


def _as_written(path: Path) -> tuple[Path | None, bool]:
    """The path, or the one that differs from it in capitals alone; and whether it does."""
    if path.exists():
        return path, False
    here = path.parent
    if not here.exists():
        found, _ = _as_written(here) if here != here.parent else (None, False)
        if found is None:
            return None, False
        here = found
    if not here.is_dir():
        return None, False
    alike = [p for p in here.iterdir() if p.name.casefold() == path.name.casefold()]
    return (alike[0], True) if len(alike) == 1 else (None, False)


def _reference(text: str, arch: str) -> tuple[Reference, Said]:
    """What a cell names as stable."""
    word = text.strip().casefold()
    if word in ("", "all", "all teeth"):
        return "all", None
    if word in ("palate", "palatal", "rugae"):
        if arch == "lower":
            return "palate", ("a lower arch has no palate", "Name teeth, or all.", "exclude")
        return "palate", None
    parts = [p for p in re.split(r"[\s,;+]+", word) if p]
    numbers = parse_teeth(parts, "fdi")
    unknown = [p for p, n in zip(parts, numbers, strict=True) if np.isnan(n)]
    if unknown:
        remedy = f"Write palate, all, or {describe_notation('fdi')} separated by blanks."
        return "all", (f"{', '.join(unknown)}: no reference", remedy, "exclude")
    teeth = tuple(dict.fromkeys(int(n) for n in numbers))
    other = [str(t) for t in teeth if arch and arch_of(t) != arch]
    if other:
        return teeth, (
            f"{', '.join(other)} of the other arch as reference",
            "Name teeth of this arch.",
            "exclude",
        )
    if len(teeth) < FEWEST_REFERENCE_TEETH:
        return teeth, (
            f"fewer than {FEWEST_REFERENCE_TEETH} reference teeth",
            "Name more teeth that are thought not to move, if there are, or palate, or all: a small "
            "error on few teeth turns the whole arch.",
            "check",
        )
    return teeth, None


def _same_files(rows: Rows, files: dict[str, list[Path | None]]) -> None:
    """One file, or a copy of it, for two models of a row: nothing could have moved."""
    for first, second in (("start", "planned"), ("start", "achieved"), ("planned", "achieved")):
        pairs = zip(files[first], files[second], strict=True)
        name = "the start scan" if first == "start" else "the plan"
        rows.sieve.exclude(
            np.array([_copies(a, b) for a, b in pairs]),
            second,
            rows.texts(second),
            f"{name} is given as {second} too",
            "Give the right file, or leave the cell blank.",
        )


def _copies(a: Path | None, b: Path | None) -> bool:
    if a is None or b is None:
        return False
    try:
        return a == b or (a.stat().st_size == b.stat().st_size and filecmp.cmp(a, b, shallow=False))
    except OSError:
        return False  # reading the mesh says why
