"""The sheets of a workbook: values from a fast reader, and with them what it does not tell."""

from __future__ import annotations

import io
import struct
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain
from xml.etree import ElementTree

import numpy as np
import pandas as pd

from outcomes.cohort.books import archive, ods, xls, xlsb, xlsx
from outcomes.cohort.books.marks import Marks
from outcomes.cohort.sizes import hold_table
from outcomes.errors import Unreadable

WORKBOOKS = (".xlsx", ".xlsm", ".xls", ".xlsb", ".ods")

#: Of merged blocks, and of error cells, in a sheet: more is no table.
_MOST_MARKS = 500_000

_ANEW = "Open it in a spreadsheet program and save it anew as .xlsx, or as .csv."


@dataclass(frozen=True)
class Page:
    """A sheet: its cells as typed, from A1 on, its marks, and whether it is shown."""

    label: str
    cells: pd.DataFrame
    marks: Marks
    hidden: bool = False


def read_pages(data: bytes) -> list[Page]:
    """Sheets of a workbook, whatever its ending says: values only, no formula is calculated.

    Raises
    ------
    Unreadable
        If it is damaged, protected or over a limit, or if its error cells cannot be told from
        blank ones.
    """
    from python_calamine import CalamineError, PasswordError

    try:
        return _read(data)
    except Unreadable:
        raise
    except PasswordError:
        raise Unreadable(
            "the workbook is protected by a password",
            "Save a copy without password, and read that.",
        ) from None
    except (
        CalamineError, ElementTree.ParseError, zipfile.BadZipFile, struct.error,
        ValueError, LookupError, OverflowError, OSError, NotImplementedError,
    ) as error:  # fmt: skip
        raise Unreadable(f"not a workbook that can be opened ({_said(error)})", _ANEW) from None
    except BaseException as error:
        # The fast reader is compiled: what it does not foresee is no Exception of Python.
        if type(error).__name__ != "PanicException":
            raise
        raise Unreadable("not a workbook that can be opened (it is damaged)", _ANEW) from None


def _said(error: BaseException) -> str:
    return " ".join(str(error).split())[:120] or type(error).__name__


def _read(data: bytes) -> list[Page]:
    from python_calamine import CalamineWorkbook, SheetTypeEnum, SheetVisibleEnum

    if data.startswith(xls.SIGNATURE):
        listed = xls.marks(data)
        for i, marks in enumerate(listed, 1):
            hold_table(marks.rows, marks.columns, f"sheet {i}")
        book = CalamineWorkbook.from_filelike(io.BytesIO(data))
        if len(listed) != len(book.sheet_names):
            raise ValueError("its sheets cannot be told apart")
        found = dict(zip(book.sheet_names, listed, strict=True))
    elif data.startswith(b"PK"):
        parts = archive.unpacked(data)
        found = _marks_of(parts)
        for label, marks in found.items():
            hold_table(marks.rows, marks.columns, f"the sheet {label}")
        book = CalamineWorkbook.from_filelike(io.BytesIO(archive.repacked(parts)))
    else:
        raise ValueError("its beginning is not that of a workbook")
    for label, marks in found.items():
        if max(len(marks.merged), len(marks.instead)) > _MOST_MARKS:
            raise ValueError(f"more than {_MOST_MARKS:,} merged or error cells in {label}")
    pages = []
    for sheet in book.sheets_metadata:
        if sheet.typ != SheetTypeEnum.WorkSheet:
            continue
        if sheet.name not in found:
            raise ValueError(f"the sheet {sheet.name} has no content that can be checked")
        marks = found[sheet.name]
        rows = book.get_sheet_by_name(sheet.name).to_python(skip_empty_area=False)
        cells = _with_marks(_frame(rows), marks)
        pages.append(Page(sheet.name, cells, marks, sheet.visible != SheetVisibleEnum.Visible))
    return pages


def _marks_of(parts: dict[str, bytes]) -> dict[str, Marks]:
    for form in (xlsx, xlsb, ods):
        if form.BOOK in parts:
            return form.marks(parts)
    raise ValueError("no sheets inside")


def _frame(rows: Sequence[Sequence[object]]) -> pd.DataFrame:
    width = min(map(len, rows), default=0)
    each = chain.from_iterable(row if len(row) == width else row[:width] for row in rows)
    written = np.fromiter(each, dtype=object, count=width * len(rows)).reshape(len(rows), width)
    columns = {i: _by_distinct(written[:, i]) for i in range(width)}
    return pd.DataFrame(columns, index=range(len(rows)))


def _by_distinct(cells: np.ndarray) -> pd.Categorical:
    if bool in set(map(type, cells)):
        # TRUE and FALSE as words: as numbers they would pass for 1 and 0.
        cells = cells.copy()
        for i in [i for i, cell in enumerate(cells) if type(cell) is bool]:
            cells[i] = str(cells[i]).upper()
    codes, distinct = pd.factorize(cells, use_na_sentinel=True)
    return pd.Categorical.from_codes(codes, pd.Index(distinct, dtype=object))


def _with_marks(cells: pd.DataFrame, marks: Marks) -> pd.DataFrame:
    """Put what a cell says in place of what the fast reader makes of it."""
    if not marks.instead:
        return cells
    rows = max(len(cells), 1 + max(row for row, _, _ in marks.instead))
    width = max(cells.shape[1], 1 + max(column for _, column, _ in marks.instead))
    columns = {i: np.full(rows, "", dtype=object) for i in range(width)}
    for i in range(cells.shape[1]):
        columns[i][: len(cells)] = cells[i].to_numpy(object)
    for row, column, text in marks.instead:
        columns[column][row] = text
    return pd.DataFrame({i: pd.Series(v, dtype=object) for i, v in columns.items()})
