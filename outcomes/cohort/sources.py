"""Records in: a workbook, a folder of CSV or Parquet files, or one movements table.

Nothing is interpreted here beyond finding sheets, separators and encodings: cells come out as
typed, with the row numbers a spreadsheet shows. The input is only ever opened for reading.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
import zipfile
from dataclasses import dataclass, field
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pandas as pd

from outcomes.cohort.cells import UNCALCULATED, texts, word_key
from outcomes.cohort.headers import find_headings, match_headings, near
from outcomes.cohort.mapping.spec import Mapping
from outcomes.cohort.problems import problem_frame
from outcomes.domain.tables import TABLES
from outcomes.errors import Unreadable

#: Older and other workbook formats do not let error cells be told from blank ones.
WORKBOOKS = (".xlsx", ".xlsm")
TEXT_FILES = (".csv", ".tsv", ".txt")
READABLE = (*WORKBOOKS, *TEXT_FILES, ".parquet")
SEPARATORS = (",", ";", "\t")

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

    ``known`` (column of the schema -> column of the sheet), ``aside`` and ``places`` (row -> where
    it stands in the file) are those of a mapped table: its own headings mean nothing.
    """

    table: str
    label: str
    cells: pd.DataFrame
    headings: tuple[object, ...] | None = None
    delimited: bool = False
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
    if not path.exists():
        raise FileNotFoundError(
            f"There is no file or folder {str(path)!r}: check the spelling and the folder."
        )
    if path.is_dir():
        return _read_folder(path)
    data = path.read_bytes()
    sha256 = hashlib.sha256(data).hexdigest()
    suffix = path.suffix.lower()
    try:
        if suffix in WORKBOOKS:
            sheets, found, invented = _read_workbook(path.name, data)
        elif suffix == ".parquet":
            sheets, found, invented = (
                {"movements": parquet_sheet(path.name, data, "movements")},
                [],
                False,
            )
        elif suffix in TEXT_FILES:
            sheets, found, invented = {"movements": _csv(path.name, data, "movements")}, [], False
        else:
            raise Unreadable(
                f"a {suffix or 'file without an ending'} file cannot be read",
                "Save the table as .xlsx or .csv, or give a folder of .csv or .parquet files.",
            )
    except Unreadable as error:
        return Source(path.name, sha256, found=(_stopped("movements", path.name, error),))
    return Source(path.name, sha256, sheets, tuple(found), invented)


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
            continue
        if table in sheets:
            problem = f"two files hold this table: {sheets[table].label} and {file.name}"
            remedy = "Leave only the right one in the folder."
            found.append(problem_frame(table, None, "", file.name, problem, remedy, "stop"))
            continue
        data = file.read_bytes()
        digest.update(file.name.encode() + b"\0" + hashlib.sha256(data).digest())
        read = parquet_sheet if file.suffix.lower() == ".parquet" else _csv
        try:
            sheets[table] = read(file.name, data, table)
        except Unreadable as error:
            found.append(_stopped(table, file.name, error))
    return Source(path.resolve().name, digest.hexdigest(), sheets, tuple(found), invented)


def _not_a_table(label: str, name: str) -> pd.DataFrame:
    close = near(name, list(TABLES))
    hint = f"If it is the {close} table, call it {close}. " if close else ""
    remedy = f"{hint}Tables are called {', '.join(TABLES)}."
    return problem_frame(
        close or "", None, "", label, "not read: no table of that name", remedy, "check"
    )


# Workbooks ---------------------------------------------------------------------------------------


def _read_workbook(name: str, data: bytes) -> tuple[dict[str, Sheet], list[pd.DataFrame], bool]:
    pages = workbook_pages(data)
    sheets: dict[str, Sheet] = {}
    found: list[pd.DataFrame] = []
    others: dict[str, pd.DataFrame] = {}
    for label, cells in pages.items():
        table = table_called(label)
        if table and table in sheets:
            problem = f"two sheets hold this table: {sheets[table].label} and {label}"
            remedy = "Leave only the right one in the workbook, or rename the other."
            found.append(problem_frame(table, None, "", label, problem, remedy, "stop"))
        elif table:
            sheets[table] = Sheet(table, label, cells)
        elif label.strip().casefold() not in COMPANIONS and cells.size:
            others[label] = cells
    if "movements" not in sheets:
        _adopt_movements(sheets, others, found, alone=len(pages) == 1)
    found += [_not_a_table(label, label) for label in others]
    invented = any(label.strip().casefold() == INVENTED for label in pages)
    return sheets, found, invented


def _adopt_movements(
    sheets: dict[str, Sheet],
    others: dict[str, pd.DataFrame],
    found: list[pd.DataFrame],
    *,
    alone: bool,
) -> None:
    """Take a sheet of another name for the movements where only one can be meant."""
    table = TABLES["movements"]
    fits = [
        label
        for label, cells in others.items()
        if set(table.required) <= set(find_headings(cells, table).known)
    ]
    if alone and others:
        fits = list(others)
    if len(fits) == 1:
        sheets["movements"] = Sheet("movements", fits[0], others.pop(fits[0]))
        if not alone:
            problem = "read as the movements table: the only sheet with all its columns"
            remedy = "Call the sheet movements to say so."
            found.append(problem_frame("movements", None, "", fits[0], problem, remedy, "check"))
    elif fits:
        problem = f"several sheets could be the movements table: {', '.join(fits)}"
        remedy = "Put all movements in one sheet called movements."
        found.append(problem_frame("movements", None, "", "", problem, remedy, "stop"))


def workbook_pages(data: bytes) -> dict[str, pd.DataFrame]:
    from python_calamine import CalamineError, PasswordError

    try:
        # Text such as "NA" or "None" must stay what was typed: no NA filter, no type guessing.
        pages = pd.read_excel(
            io.BytesIO(data),
            engine="calamine",
            sheet_name=None,
            header=None,
            dtype=object,
            na_filter=False,
        )
        errors_in = _errors_in(data)
    except PasswordError:
        raise Unreadable(
            "the workbook is protected by a password",
            "Save a copy without password, and read that.",
        ) from None
    except (CalamineError, zipfile.BadZipFile, ValueError) as error:
        raise Unreadable(
            f"not a workbook that can be opened ({error})",
            "Open it in a spreadsheet program and save it anew as .xlsx, or as .csv.",
        ) from None
    for label, errors in errors_in.items():
        if label in pages:
            page = pages[label]
            for row, column, text in errors:
                if row < page.shape[0] and column < page.shape[1]:
                    page.iat[row, column] = text
    return {str(label): _without_truths(page) for label, page in pages.items()}


def _without_truths(page: pd.DataFrame) -> pd.DataFrame:
    """TRUE and FALSE as words: as numbers they would pass for 1 and 0."""
    return pd.DataFrame(
        {i: _truths_as_words(page.iloc[:, i]) for i in range(page.shape[1])}, index=page.index
    )


def _truths_as_words(column: pd.Series) -> pd.Series:
    cells = column.to_numpy(object)
    truths = [type(v) in (bool, np.bool_) for v in cells]
    if not any(truths):
        return column
    words = [str(v).upper() if t else v for v, t in zip(cells, truths, strict=True)]
    return pd.Series(words, index=column.index, dtype=object)


_CELL = re.compile(rb"<(?:\w+:)?c\s([^>]*[^/>])>(.*?)</(?:\w+:)?c>", re.DOTALL)
_PLACE = re.compile(rb'\br="([A-Z]+)(\d+)"')
_VALUE = re.compile(rb"<(?:\w+:)?v(?:\s[^>]*)?>([^<]+)</")


def _errors_in(data: bytes) -> dict[str, list[tuple[int, int, str]]]:
    """Error cells, and formulas without a stored result, of each sheet of an .xlsx file.

    The fast reader gives both as blank, and a blank means "not measured yet": a wrong guess.
    """
    errors: dict[str, list[tuple[int, int, str]]] = {}
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        parts = _sheet_parts(archive)
        if not parts:
            raise ValueError("no sheets inside")
        for label, part in parts.items():
            page = archive.read(part)
            if b't="e"' in page or re.search(rb"<(?:\w+:)?f[\s/>]", page):
                errors[label] = list(_errors_of(page))
    return errors


def _errors_of(page: bytes):
    for match in _CELL.finditer(page):
        attributes, inside = match.groups()
        is_error = b't="e"' in attributes
        if not is_error and (b"<f" not in inside and b":f" not in inside):
            continue
        place = _PLACE.search(attributes)
        value = _VALUE.search(inside)
        if place is None:
            continue
        if is_error:
            text = value[1].decode() if value else "#N/A"
        elif value is None and b't="str"' not in attributes:
            text = UNCALCULATED
        else:
            continue
        column = 0
        for letter in place[1]:
            column = column * 26 + letter - 64
        yield int(place[2]) - 1, column - 1, text


def _sheet_parts(archive: zipfile.ZipFile) -> dict[str, str]:
    """Path of each sheet inside an .xlsx file; none for other formats."""
    names = set(archive.namelist())
    if not {"xl/workbook.xml", "xl/_rels/workbook.xml.rels"} <= names:
        return {}
    targets = {
        item.attrib["Id"]: item.attrib["Target"]
        for item in ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
    }
    parts = {}
    for item in ElementTree.fromstring(archive.read("xl/workbook.xml")).iter():
        if item.tag.rsplit("}", 1)[-1] == "sheet":
            key = next((v for k, v in item.attrib.items() if k.endswith("}id")), "")
            target = targets.get(key, "")
            part = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
            if part in names:
                parts[item.attrib["name"]] = part
    return parts


# CSV and Parquet ---------------------------------------------------------------------------------


def _csv(label: str, data: bytes, table: str) -> Sheet:
    text = decoded(data)
    return Sheet(table, label, csv_cells(text, _separator(text, table)), delimited=True)


def csv_cells(text: str, separator: str) -> pd.DataFrame:
    """Cells of a delimited text as typed, row i of the frame being line i + 1."""
    lines = text.splitlines()
    fields = max((line.count(separator) for line in lines), default=0) + 1
    if not text.strip():
        return pd.DataFrame()
    try:
        return pd.read_csv(
            io.StringIO(text),
            sep=separator,
            header=None,
            names=list(range(fields)),
            index_col=False,
            dtype=object,
            na_filter=False,
            skip_blank_lines=False,
            skipinitialspace=True,
        )
    except pd.errors.ParserError as error:
        raise Unreadable(
            f"not a table with one record on each line ({error})",
            'Look for a lone quotation mark (") in the file, or save it anew from a spreadsheet.',
        ) from None


def decoded(data: bytes) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16")
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise Unreadable(
        "neither UTF-8 nor Windows text", "Save the file as 'CSV UTF-8' from a spreadsheet program."
    )


def _separator(text: str, table: str) -> str:
    """Separator with which the first lines hold most headings of the table."""
    top = text[:20_000].splitlines()[:25]

    def score(separator: str) -> tuple[int, int]:
        rows = list(csv.reader(top, delimiter=separator, skipinitialspace=True))
        matched = max((len(match_headings(list(r), TABLES[table]).known) for r in rows), default=0)
        return matched, max((len(r) for r in rows), default=0)

    return max(SEPARATORS, key=score)


def parquet_sheet(label: str, data: bytes, table: str) -> Sheet:
    import pyarrow

    try:
        frame = pd.read_parquet(io.BytesIO(data))
    except (pyarrow.ArrowInvalid, OSError) as error:
        raise Unreadable(
            f"not a Parquet file that can be opened ({error})", "Write the file anew."
        ) from None
    return sheet_of(frame, table, label)


def sheet_of(frame: pd.DataFrame, table: str, label: str) -> Sheet:
    """A frame whose columns are the headings, as a sheet."""
    columns = {}
    for i in range(frame.shape[1]):
        column = frame.iloc[:, i].reset_index(drop=True)
        if isinstance(column.dtype, pd.CategoricalDtype):
            column = column.astype(object)
        if column.dtype == object or pd.api.types.is_bool_dtype(column):
            column = _truths_as_words(column)
        columns[i] = column
    return Sheet(table, label, pd.DataFrame(columns), tuple(frame.columns))


def frames_hash(frames: dict[str, pd.DataFrame]) -> str:
    """SHA-256 of the content of frames, for cohorts that never were a file."""
    digest = hashlib.sha256()
    for name, frame in sorted(frames.items()):
        digest.update(repr((name, [str(c) for c in frame.columns], len(frame))).encode())
        for i in range(frame.shape[1]):
            words = pd.Series(texts(frame.iloc[:, i]), dtype=object)
            digest.update(pd.util.hash_pandas_object(words, index=False).to_numpy().tobytes())
    return digest.hexdigest()
