"""All sheets of a file or folder, whatever they are called, with the hash of what was read."""

from __future__ import annotations

import csv
import hashlib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from outcomes.cohort import sources
from outcomes.cohort.mapping.apply import mapped_sheet
from outcomes.cohort.mapping.file import SUFFIX
from outcomes.cohort.mapping.pages import Pages
from outcomes.cohort.mapping.parts import Found, sheets_read
from outcomes.cohort.mapping.spec import Mapping
from outcomes.cohort.problems import problem_frame
from outcomes.cohort.sources import Sheet, Source
from outcomes.domain.tables import TABLES
from outcomes.errors import Unreadable


@dataclass(frozen=True)
class Opened:
    """What stands at a path: its name, a hash of the bytes read, the cells of each sheet."""

    name: str
    sha256: str
    pages: Pages


def open_pages(path: str | Path) -> Opened:
    """Every sheet of a workbook, every table of a folder, or the one table of a file.

    Raises
    ------
    FileNotFoundError
        If there is nothing at ``path``.
    Unreadable
        If it is no table that can be read.
    """
    path = Path(path)
    if not path.exists():
        raise FileNotFoundError(
            f"There is no file or folder {str(path)!r}: check the spelling and the folder."
        )
    if not path.is_dir():
        data = path.read_bytes()
        return Opened(path.name, hashlib.sha256(data).hexdigest(), _pages(path, data, alone=True))
    digest = hashlib.sha256()
    pages: Pages = {}
    for file in sorted(p for p in path.iterdir() if p.is_file() and p.name[0] not in ".~"):
        if file.suffix.lower() not in sources.READABLE:
            continue
        data = file.read_bytes()
        digest.update(file.name.encode() + b"\0" + hashlib.sha256(data).digest())
        pages |= _pages(file, data, alone=False)
    if not pages:
        raise Unreadable(
            "there is no table in this folder", "Give a folder of .csv, .parquet or workbook files."
        )
    return Opened(path.resolve().name, digest.hexdigest(), pages)


def _pages(path: Path, data: bytes, *, alone: bool) -> Pages:
    suffix = path.suffix.lower()
    if suffix in sources.WORKBOOKS:
        pages = sources.workbook_pages(data)
        return pages if alone else {f"{path.name} {k}": v for k, v in pages.items()}
    label = "" if alone else path.name
    if suffix == ".parquet":
        return {label: _with_headings(sources.parquet_sheet(path.name, data, "movements"))}
    if suffix in sources.TEXT_FILES:
        return {
            label: sources.csv_cells(sources.decoded(data), separator_of(sources.decoded(data)))
        }
    raise Unreadable(
        f"a {suffix or 'file without an ending'} file cannot be read",
        "Save the table as .xlsx or .csv, or give a folder of such files.",
    )


def _with_headings(sheet: Sheet) -> pd.DataFrame:
    cells = sheet.cells.astype(object)
    top = pd.DataFrame([list(sheet.headings or ())], columns=cells.columns, dtype=object)
    return pd.concat([top, cells], ignore_index=True)


def separator_of(text: str) -> str:
    """Separator that cuts most of the first lines into equally many fields, and the most.

    Examples
    --------
    >>> separator_of("a;b;c\\n1,5;2,5;3,5\\n1;2,5;3\\n")
    ';'
    """
    top = text[:50_000].splitlines()[:60]

    def score(separator: str) -> tuple[float, int]:
        widths = [len(r) for r in csv.reader(top, delimiter=separator, skipinitialspace=True)]
        many = Counter(w for w in widths if w > 1)
        if not many:
            return 0.0, 1
        width, lines = many.most_common(1)[0]
        return lines / len(widths), width

    return max(sources.SEPARATORS, key=score)


def mapped_source(path: str | Path, mapping: Mapping) -> Source:
    """What stands at a path, its movements brought into the schema's columns by a mapping."""
    try:
        opened = open_pages(path)
    except Unreadable as error:
        name = Path(path).name
        wrong = problem_frame("movements", None, "", name, error.problem, error.remedy, "stop")
        return Source(name, "", found=(wrong,))
    sheet, found = mapped_sheet(opened.pages, mapping)
    problems = [_problem(f) for f in found]
    sheets = {} if any(f.severity == "stop" for f in found) else {"movements": sheet}
    read = sheets_read(mapping, opened.pages)
    invented = False
    for label, cells in opened.pages.items():
        stem = Path(label).stem if Path(path).is_dir() else label
        invented |= stem.strip().casefold() == sources.INVENTED
        table = sources.table_called(stem)
        if label in read or stem.strip().casefold() in sources.COMPANIONS or not cells.size:
            continue
        if table and table != "movements" and table not in sheets:
            sheets[table] = Sheet(table, label, cells)
        else:
            problems.append(
                problem_frame(
                    "",
                    None,
                    "",
                    label,
                    "not read: the mapping does not name this sheet",
                    f"If it holds movements, add it to the mapping; other tables are called "
                    f"{', '.join(name for name in TABLES if name != 'movements')}.",
                    "check",
                )
            )
    return Source(opened.name, opened.sha256, sheets, tuple(problems), invented, mapping)


def _problem(found: Found) -> pd.DataFrame:
    return problem_frame(
        "movements", None, found.column, "", found.problem, found.remedy, found.severity
    )


def mapping_beside(path: str | Path) -> Path:
    """Where the mapping of a file or folder stands: beside it, under its name."""
    path = Path(path)
    return path.with_name((path.name if path.is_dir() else path.stem) + SUFFIX)
