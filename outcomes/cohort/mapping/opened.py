"""All sheets of a file or folder, whatever they are called, with the hash of what was read."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace
from pathlib import Path

import pandas as pd

from outcomes.cohort import sources
from outcomes.cohort.books.marks import Block
from outcomes.cohort.books.pages import Page
from outcomes.cohort.headers import SEARCH_ROWS
from outcomes.cohort.mapping.apply import mapped_sheet
from outcomes.cohort.mapping.file import SUFFIX, mapping_at
from outcomes.cohort.mapping.pages import MERGED, Pages
from outcomes.cohort.mapping.parts import Found, sheets_read
from outcomes.cohort.mapping.spec import Mapping
from outcomes.cohort.problems import problem_frame
from outcomes.cohort.sources import Sheet, Source
from outcomes.domain.tables import TABLES
from outcomes.errors import Unreadable


@dataclass(frozen=True)
class Opened:
    """What stands at a path: its name, a hash of the bytes read, the cells of each sheet.

    ``hidden``: sheet -> problems that say what of it is hidden; a hidden sheet is not among the
    pages.
    """

    name: str
    sha256: str
    pages: Pages
    hidden: dict[str, list[pd.DataFrame]] = field(default_factory=dict)


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
        pages, data, hidden = _pages(path, alone=True)
        return Opened(path.name, hashlib.sha256(data).hexdigest(), pages, hidden)
    digest = hashlib.sha256()
    pages, hidden = {}, {}
    for file in sorted(p for p in path.iterdir() if p.is_file() and p.name[0] not in ".~"):
        if file.suffix.lower() in sources.READABLE:
            found, data, of_file = _pages(file, alone=False)
            digest.update(file.name.encode() + b"\0" + hashlib.sha256(data).digest())
            pages |= found
            hidden |= of_file
    if not pages:
        raise Unreadable(
            "there is no table in this folder", "Give a folder of .csv, .parquet or workbook files."
        )
    return Opened(path.resolve().name, digest.hexdigest(), pages, hidden)


def _pages(path: Path, *, alone: bool) -> tuple[Pages, bytes, dict[str, list[pd.DataFrame]]]:
    """Sheets of one file, its bytes, and what of it is hidden."""
    hidden: dict[str, list[pd.DataFrame]] = {}
    suffix, data = path.suffix.lower(), sources.bytes_at(path)
    label = "" if alone else path.name
    if suffix in sources.WORKBOOKS:
        found = {}
        for page in sources.read_pages(data):
            name = page.label if alone else f"{path.name} {page.label}"
            hidden[name] = sources.hidden_in("movements", page)
            if page.hidden:
                hidden[name] = [_hidden_sheet(name)]
            else:
                found[name] = page.cells.astype(object)
                found[name].attrs[MERGED] = _merged_headings(page)
    elif suffix == ".parquet":
        found = {label: _with_headings(sources.parquet_sheet(path.name, data, "movements"))}
    elif suffix in sources.TEXT_FILES:
        found = {label: sources.read_delimited(data)}
    else:
        raise Unreadable(
            f"a {suffix or 'file without an ending'} file cannot be read",
            "Save the table as .xlsx or .csv, or give a folder of such files.",
        )
    return {k: v.astype(object) for k, v in found.items()}, data, hidden


def _merged_headings(page: Page) -> tuple[Block, ...]:
    """Blocks of cells merged across, where headings may stand."""
    return tuple(b for b in page.marks.merged if b[0] < SEARCH_ROWS and b[3] > b[1])


def _hidden_sheet(name: str) -> pd.DataFrame:
    remedy = "If it holds records, show it in the spreadsheet program and map the file anew."
    return problem_frame("", None, "", name, "not read: a hidden sheet", remedy, "check")


def _with_headings(sheet: Sheet) -> pd.DataFrame:
    cells = sheet.cells.astype(object)
    top = pd.DataFrame([list(sheet.headings or ())], columns=cells.columns, dtype=object)
    return pd.concat([top, cells], ignore_index=True)


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
    read = sheets_read(mapping, opened.pages)
    for label, notes in opened.hidden.items():
        problems += notes if label in read or label not in opened.pages else []
    sheets = {} if any(f.severity == "stop" for f in found) else {"movements": sheet}
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


def source_at(path: str | Path, mapping: Mapping | str | Path | None = None) -> Source:
    """What stands at a path, read by a mapping or the file that keeps it, if one is given.

    A mapping that stands beside the input and is not given is a problem: without it the records
    would be read as something else than their owner said.
    """
    if mapping is not None:
        return mapped_source(path, mapping_at(mapping))
    source, beside = sources.read_source(path), mapping_beside(path)
    if not beside.is_file():
        return source
    unused = problem_frame(
        "movements",
        None,
        "",
        beside.name,
        "a mapping for this input stands beside it, and the input was read without it",
        f"Give it: --mapping {beside.name}, or read_cohort(..., mapping=...). If the input has "
        f"been brought into the schema's columns since, move the mapping away.",
        "stop",
    )
    return replace(source, found=(*source.found, unused))
