"""Records in: a workbook, a folder of CSV or Parquet files, or one movements table.

Nothing is interpreted here beyond finding sheets: cells come out as typed, with the row numbers a
spreadsheet shows. The input is only ever opened for reading.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import io
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.cohort.books.marks import Block
from outcomes.cohort.books.pages import WORKBOOKS, Page, read_pages
from outcomes.cohort.cells import texts, word_key
from outcomes.cohort.delimited import TEXT_FILES, read_delimited
from outcomes.cohort.headers import find_headings, near
from outcomes.cohort.mapping.spec import Mapping
from outcomes.cohort.problems import problem_frame
from outcomes.cohort.sizes import FILE_MB, hold_table, megabytes
from outcomes.domain.tables import TABLES
from outcomes.errors import Unreadable
from outcomes.paths import data_path

READABLE = (*WORKBOOKS, *TEXT_FILES, ".parquet")

#: Sheets and files that belong to a cohort without being one of its tables.
COMPANIONS = ("codebook", "lists", "readme", "read me", "about", "notes", "invented")

#: A sheet or file of this name marks invented records.
INVENTED = "invented"


@dataclass(frozen=True)
class Aside:
    """Rows that a mapping could not bring into the schema's columns, and why."""

    column: str
    problem: str
    remedy: str
    rows: tuple[int, ...]
    values: tuple[str, ...]


@dataclass(frozen=True)
class Sheet:
    """One table as found: its cells, with headings apart where the format keeps them apart.

    ``merged`` are the blocks of merged cells: first row, first column, last row, last column, from
    0 as in ``cells``. Only the first cell of a block holds its value. ``known`` (column of the schema -> column of the sheet), ``aside`` and ``places`` (row -> where
    it stands in the file) are those of a mapped table: its own headings mean nothing.
    """

    table: str
    label: str
    cells: pd.DataFrame
    headings: tuple[object, ...] | None = None
    delimited: bool = False
    merged: tuple[Block, ...] = ()
    known: dict[str, int] | None = None
    aside: tuple[Aside, ...] = ()
    places: dict[int, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Source:
    """What was found at a path: sheets, problems, a hash of the bytes read."""

    name: str
    sha256: str
    sheets: dict[str, Sheet] = field(default_factory=dict)
    found: tuple[pd.DataFrame, ...] = ()
    invented: bool = False
    mapping: Mapping | None = None


def read_source(path: str | Path) -> Source:
    """Read whatever is at ``path`` into sheets.

    Raises
    ------
    FileNotFoundError
        If there is nothing at ``path``.
    """
    path = Path(path)
    try:
        if not path.exists():
            raise FileNotFoundError(
                f"There is no file or folder {str(path)!r}: check the spelling and the folder."
            )
        if path.is_dir():
            return _read_folder(path)
    except PermissionError:
        return Source(path.name, "", found=(_stopped("movements", path.name, _locked("folder")),))
    try:
        source = source_of(path.name, bytes_at(path))
    except Unreadable as error:
        return Source(path.name, "", found=(_stopped("movements", path.name, error),))
    if source.sheets and _is_open(path):
        problem = "open in another program: what is not saved there is not read"
        remedy = "Save and close it there, and read it again."
        note = problem_frame("", None, "", path.name, problem, remedy, "check")
        return replace(source, found=(*source.found, note))
    return source


def source_of(name: str, data: bytes) -> Source:
    """The content of one file of that name, as :func:`read_source` gives it."""
    with ThreadPoolExecutor(1) as beside:
        digest = beside.submit(hashlib.sha256, data)
        try:
            sheets, found, invented = _read_file(name, Path(name).suffix.lower(), data)
        except Unreadable as error:
            sheets, found, invented = {}, [_stopped("movements", name, error)], False
    return Source(name, digest.result().hexdigest(), sheets, tuple(found), invented)


def bytes_at(path: Path) -> bytes:
    """Content of a file, read once its size is known."""
    if not path.is_file():
        raise Unreadable("neither a file nor a folder", "Give the file that holds the records.")
    try:
        FILE_MB.hold(megabytes(path.stat().st_size), "the file")
        return path.read_bytes()
    except OSError:
        raise _locked("file") from None


def pages_at(path: Path) -> list[Page]:
    """Sheets of the workbook at a path; none where there is no workbook.

    Raises
    ------
    Unreadable
        If the workbook cannot be read.
    """
    workbook = path.suffix.lower() in WORKBOOKS and path.is_file()
    return read_pages(bytes_at(path)) if workbook else []


def _locked(what: str) -> Unreadable:
    return Unreadable(
        f"the {what} cannot be opened",
        "Close it in other programs, or ask for the right to read it; or read a copy.",
    )


def _is_open(path: Path) -> bool:
    """Whether the lock file of a spreadsheet program lies beside a file."""
    names = (f"~${path.name}", f"~${path.name[2:]}", f".~lock.{path.name}#")
    return any((path.parent / name).exists() for name in names)


def _read_file(
    name: str, suffix: str, data: bytes
) -> tuple[dict[str, Sheet], list[pd.DataFrame], bool]:
    if name.startswith(("~$", ".~lock.")):
        raise Unreadable(
            "a lock file, which holds no records",
            "Give the workbook it belongs to: the name without the signs in front.",
        )
    if not data and suffix not in TEXT_FILES:
        raise Unreadable("the file is empty", "Save it anew, or copy it again from its source.")
    if suffix in WORKBOOKS:
        return _read_workbook(name, data)
    if suffix == ".parquet":
        return {"movements": parquet_sheet(name, data, "movements")}, [], False
    if suffix in TEXT_FILES:
        return {"movements": _csv(name, data, "movements")}, [], False
    raise Unreadable(
        f"a {suffix or 'file without an ending'} file cannot be read",
        "Save the table as .xlsx or .csv, or give a folder of .csv or .parquet files.",
    )


def _stopped(table: str, name: str, error: Unreadable) -> pd.DataFrame:
    return problem_frame(table, None, "", name, error.problem, error.remedy, "stop")


def table_called(name: str) -> str:
    """Table a sheet or file is called after, ``""`` if none.

    Examples
    --------
    >>> table_called("Movements "), table_called("patient"), table_called("Sheet1")
    ('movements', 'patients', '')
    """
    for table in TABLES.values():
        if word_key(name) in (table.name, *(word_key(s) for s in table.synonyms)):
            return table.name
    return ""


def _read_folder(path: Path) -> Source:
    sheets: dict[str, Sheet] = {}
    found: list[pd.DataFrame] = []
    digest = hashlib.sha256()
    invented = False
    files = sorted(p for p in path.iterdir() if p.is_file() and not p.name.startswith((".", "~")))
    for file in files:
        table = table_called(file.stem)
        readable = file.suffix.lower() in (*TEXT_FILES, ".parquet")
        invented |= file.stem.casefold() == INVENTED
        if not table or not readable:
            if readable and file.stem.casefold() not in COMPANIONS:
                found.append(_not_a_table(file.name, file.stem))
            elif table and file.suffix.lower() in WORKBOOKS:
                problem = "not read: of a folder, .csv and .parquet files are"
                remedy = "Save it as .csv, or put all tables into one workbook and give that."
                found.append(problem_frame(table, None, "", file.name, problem, remedy, "check"))
            continue
        if table in sheets:
            problem = f"two files hold this table: {sheets[table].label} and {file.name}"
            remedy = "Leave only the right one in the folder."
            found.append(problem_frame(table, None, "", file.name, problem, remedy, "stop"))
            continue
        read = parquet_sheet if file.suffix.lower() == ".parquet" else _csv
        try:
            data = bytes_at(file)
            digest.update(file.name.encode() + b"\0" + hashlib.sha256(data).digest())
            sheets[table] = read(file.name, data, table)
        except Unreadable as error:
            found.append(_stopped(table, file.name, error))
    return Source(path.resolve().name, digest.hexdigest(), sheets, tuple(found), invented)


def _not_a_table(label: str, name: str, *, hidden: bool = False) -> pd.DataFrame:
    close = near(name, list(TABLES))
    hint = f"If it is the {close} table, call it {close}. " if close else ""
    remedy = f"{hint}Tables are called {', '.join(TABLES)}."
    problem = f"not read: {'a hidden sheet, ' if hidden else ''}no table of that name"
    return problem_frame(close or "", None, "", label, problem, remedy, "check")


# Workbooks ---------------------------------------------------------------------------------------


def _read_workbook(name: str, data: bytes) -> tuple[dict[str, Sheet], list[pd.DataFrame], bool]:
    pages = read_pages(data)
    sheets: dict[str, Sheet] = {}
    found: list[pd.DataFrame] = []
    others: dict[str, Page] = {}
    for page in pages:
        table, label = table_called(page.label), page.label
        if table and table in sheets:
            problem = f"two sheets hold this table: {sheets[table].label} and {label}"
            remedy = "Leave only the right one in the workbook, or rename the other."
            found.append(problem_frame(table, None, "", label, problem, remedy, "stop"))
        elif table:
            sheets[table] = _sheet(table, page)
        elif label.strip().casefold() not in COMPANIONS and page.cells.size:
            others[label] = page
    if "movements" not in sheets:
        _adopt_movements(sheets, others, found, alone=sum(not p.hidden for p in pages) == 1)
    found += [_not_a_table(label, label, hidden=page.hidden) for label, page in others.items()]
    for sheet in sheets.values():
        found += hidden_in(sheet.table, next(p for p in pages if p.label == sheet.label))
    invented = any(page.label.strip().casefold() == INVENTED for page in pages)
    return sheets, found, invented


def _sheet(table: str, page: Page) -> Sheet:
    return Sheet(table, page.label, page.cells, merged=page.marks.merged)


def _adopt_movements(
    sheets: dict[str, Sheet],
    others: dict[str, Page],
    found: list[pd.DataFrame],
    *,
    alone: bool,
) -> None:
    """Take a sheet of another name for the movements where only one can be meant."""
    table = TABLES["movements"]
    shown = {label: page for label, page in others.items() if not page.hidden}
    fits = [
        label
        for label, page in shown.items()
        if set(table.required) <= set(find_headings(page.cells, table).known)
    ]
    if alone and shown:
        fits = list(shown)
    if len(fits) == 1:
        sheets["movements"] = _sheet("movements", others.pop(fits[0]))
        if not alone:
            problem = "read as the movements table: the only sheet with all its columns"
            remedy = "Call the sheet movements to say so."
            found.append(problem_frame("movements", None, "", fits[0], problem, remedy, "check"))
    elif fits:
        problem = f"several sheets could be the movements table: {', '.join(fits)}"
        remedy = "Put all movements in one sheet called movements."
        found.append(problem_frame("movements", None, "", "", problem, remedy, "stop"))


def hidden_in(table: str, page: Page) -> list[pd.DataFrame]:
    """What of a sheet is not shown, and read all the same: hiding is not deleting."""
    rows, columns = page.cells.shape
    down = [(a, min(b, rows - 1)) for a, b in page.marks.hidden_rows if a < rows]
    across = [(a, min(b, columns - 1)) for a, b in page.marks.hidden_columns if a < columns]
    said = ["the sheet is hidden"] * page.hidden
    if down:
        said.append(f"hidden rows: {_ranges(down, lambda n: str(n + 1))}")
    if across:
        said.append(f"hidden columns: {_ranges(across, _letters)}")
    remedy = "Show them and look; delete what should not count."
    return [
        problem_frame(
            table, None, "", page.label, f"{what}; read like what is shown", remedy, "check"
        )
        for what in said
    ]


def _ranges(runs: Iterable[tuple[int, int]], name: Callable[[int], str]) -> str:
    """Runs of numbers in words.

    Examples
    --------
    >>> _ranges([(2, 2), (4, 6)], lambda n: str(n + 1))
    '3, 5-7'
    """
    shown = [name(a) if a == b else f"{name(a)}-{name(b)}" for a, b in runs]
    more = f" and {len(shown) - _SHOWN} more" if len(shown) > _SHOWN else ""
    return ", ".join(shown[:_SHOWN]) + more


_SHOWN = 12


def _letters(column: int) -> str:
    """Letters of a column counted from 0.

    Examples
    --------
    >>> _letters(0), _letters(27)
    ('A', 'AB')
    """
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


# CSV and Parquet ---------------------------------------------------------------------------------


def _csv(label: str, data: bytes, table: str) -> Sheet:
    return Sheet(table, label, read_delimited(data, table), delimited=True)


def parquet_sheet(label: str, data: bytes, table: str) -> Sheet:
    import pyarrow
    import pyarrow.parquet

    try:
        shape = pyarrow.parquet.read_metadata(io.BytesIO(data))
        hold_table(shape.num_rows, shape.num_columns, "the file")
        frame = pd.read_parquet(io.BytesIO(data))
    except (pyarrow.ArrowException, OSError) as error:
        raise Unreadable(
            f"not a Parquet file that can be opened ({error})", "Write the file anew."
        ) from None
    return sheet_of(frame, table, label)


def sheet_of(frame: pd.DataFrame, table: str, label: str) -> Sheet:
    """A frame whose columns are the headings, as a sheet."""
    columns = {i: _plain(frame.iloc[:, i]) for i in range(frame.shape[1])}
    cells = pd.DataFrame(columns, index=range(len(frame)))
    return Sheet(table, label, cells, tuple(frame.columns))


def _plain(column: pd.Series) -> pd.Series:
    """A column as a spreadsheet would hold it: numbers, dates, texts; truths and all else as text."""
    column = column.reset_index(drop=True)
    if isinstance(column.dtype, pd.CategoricalDtype):
        column = column.astype(object)
    if pd.api.types.is_bool_dtype(column) or not (
        column.dtype == object
        or isinstance(column.dtype, pd.StringDtype)
        or pd.api.types.is_datetime64_any_dtype(column)
        or (pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_complex_dtype(column))
    ):
        column = column.astype(object)
    if column.dtype == object:
        kinds = set(map(type, column))
        if not kinds <= _CELL_TYPES:
            column = pd.Series([_cell(value) for value in column], dtype=object)
    return column


_CELL_TYPES = {str, float, int, type(None), dt.date, dt.datetime, dt.time, pd.Timestamp}


def _cell(value: object) -> object:
    if value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, (bool, np.bool_)):
        return str(value).upper()
    if type(value) in _CELL_TYPES or isinstance(value, (dt.timedelta, np.number, np.datetime64)):
        return value
    return str(value)


def frames_hash(frames: dict[str, pd.DataFrame]) -> str:
    """SHA-256 of the content of frames, for cohorts that never were a file."""
    digest = hashlib.sha256()
    for name, frame in sorted(frames.items()):
        digest.update(repr((name, [str(c) for c in frame.columns], len(frame))).encode())
        for i in range(frame.shape[1]):
            words = pd.Series(texts(frame.iloc[:, i]), dtype=object)
            digest.update(pd.util.hash_pandas_object(words, index=False).to_numpy().tobytes())
    return digest.hexdigest()


def is_demo(path: str | Path) -> bool:
    """Whether something stands in the folder of invented cohorts that comes with the package."""
    try:
        demo = data_path("synthetic_data")
    except FileNotFoundError:
        return False
    return Path(path).resolve().is_relative_to(demo.resolve())
