"""Workbooks: tables for print with the numbers behind them, and the tables of a report folder."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pandas as pd

from outcomes.reports.table import Table
from outcomes.words.safe import meant_frame, no_formulas

RAW = ("table", "line", "column", "printed", "value", "second", "third")
"""Columns of the sheet of numbers as they were before rounding."""


def write_xlsx(tables: Iterable[Table], path: str | Path) -> Path:
    """A workbook: a sheet for each table as printed, and one with the numbers behind all."""
    from openpyxl import Workbook
    from openpyxl.styles import Alignment, Border, Font, Side

    book = Workbook()
    book.remove(book.active)
    raw: list[list[Any]] = []
    for table in tables:
        sheet = book.create_sheet(re.sub(r"[\[\]:*?/\\]", " ", table.label)[:31])
        sheet.append([f"{table.label}. {table.title}"])
        sheet["A1"].font = Font(bold=True)
        sheet.append(list(table.columns))
        for cell in sheet[2]:
            cell.font = Font(bold=True)
            cell.alignment = Alignment(wrap_text=True, vertical="bottom")
            cell.border = Border(top=Side("thin"), bottom=Side("thin"))
        numeric = table.numeric()
        for line, texts in zip(table.rows, table.texts(), strict=True):
            sheet.append(texts)
            for cell, flag in zip(sheet[sheet.max_row], numeric, strict=True):
                cell.data_type = "s"  # never a formula, whatever the text begins with
                cell.font = Font(bold=line.heading)
                cell.alignment = Alignment(horizontal="right" if flag else "left", wrap_text=False)
        for cell in sheet[sheet.max_row]:
            cell.border = Border(bottom=Side("thin"))
        for note in table.notes:
            sheet.append([note])
        for title, cell, *texts in zip(table.columns, sheet[2], *table.texts(), strict=True):
            _widen(sheet, cell, [*title.split(), *texts], most=44)
        sheet.freeze_panes = "B3"
        raw += _raw_rows(table)
    sheet = book.create_sheet("unrounded")
    for raw_line in (RAW, *raw):
        sheet.append(raw_line)
    sheet.freeze_panes = "A2"
    for sheet in book.worksheets:
        no_formulas(sheet)
    book.save(path)
    return Path(path)


def _raw_rows(table: Table) -> list[list[Any]]:
    """Line, column, text and the numbers before rounding: one line for each cell with some."""
    lines: list[list[Any]] = []
    for line in table.rows:
        for column, cell in zip(table.columns, line.cells, strict=True):
            if cell.value is None:
                continue
            values = cell.value if isinstance(cell.value, tuple) else (cell.value,)
            filled = [*values, *[""] * (3 - len(values))]
            lines.append([table.label, line.key, column, cell.text, *filled])
    return lines


def gather_workbook(tables: Path) -> Path | None:
    """Put every CSV of a ``tables`` folder into one workbook there, a sheet each.

    Returns
    -------
    Path or None
        ``tables.xlsx``; None where the folder holds no tables.
    """
    contents = tables / "contents.csv"
    if not contents.exists():
        return None
    listed = meant_frame(pd.read_csv(contents, keep_default_na=False))
    listed["sheet"] = _sheet_names(listed["table"].tolist())
    path = tables / "tables.xlsx"
    with pd.ExcelWriter(path, engine="openpyxl") as book:
        _write_sheet(book, listed[["sheet", "caption"]], "contents")
        for name, sheet in zip(listed["table"], listed["sheet"], strict=True):
            _write_sheet(book, meant_frame(pd.read_csv(tables / f"{name}.csv")), sheet)
    return path


def _sheet_names(names: list[str]) -> list[str]:
    # A workbook allows 31 characters in the name of a sheet, each name once.
    cut = [name[:31] for name in names]
    if len(set(cut)) == len(cut):
        return cut
    return [f"{name[:27]}_{number}" for number, name in enumerate(names, start=1)]


def _write_sheet(book: pd.ExcelWriter, frame: pd.DataFrame, name: str) -> None:
    frame.to_excel(book, sheet_name=name, index=False, freeze_panes=(1, 0))
    sheet = book.sheets[name]
    no_formulas(sheet)
    for title, cells in zip(frame.columns, sheet.columns, strict=True):
        _widen(sheet, cells[0], [str(title), *(str(c.value or "") for c in cells)], most=60)


def _widen(sheet: Any, cell: Any, texts: Iterable[str], most: int) -> None:
    """Make the column of a cell as wide as its longest text, within reason."""
    longest = max(map(len, texts), default=8)
    sheet.column_dimensions[cell.column_letter].width = min(longest + 2, most)
