"""The empty workbook, written from the schema: a sheet for each table, drop-downs, notes."""

from __future__ import annotations

import datetime as dt
import io
from pathlib import Path
from typing import TYPE_CHECKING

from outcomes.cohort.codebook import allowed_words, codebook_rows, unit_words
from outcomes.cohort.write import require_free
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.table_types import BY_MOVEMENT, Column
from outcomes.domain.tables import EXAMPLE_PATIENT, TABLES
from outcomes.domain.teeth import FDI_TEETH
from outcomes.errors import InputError
from outcomes.words.units import unit_in_full

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.datavalidation import DataValidation
    from openpyxl.worksheet.worksheet import Worksheet

#: Rows below the headings that get drop-downs.
ROWS = 5000

_FONT = "Calibri"
_INK, _PAPER, _SOFT, _GREY = "1F2A36", "DDE3EA", "F2F4F7", "6B7280"
_TEETH_LIST = f"lists!$A$2:$A${len(FDI_TEETH) + 1}"


def write_template(path: str | Path) -> Path:
    """Write an empty cohort workbook.

    It has a sheet for each table (headings with notes on unit and sign, drop-downs for coded
    columns, an example row that reading ignores) and a codebook.

    Parameters
    ----------
    path
        Where to, ending in ``.xlsx``.

    Returns
    -------
    pathlib.Path
        The file written.

    Raises
    ------
    FileExistsError
        If there is a file already; it stays as it is.
    InputError
        If the name does not end in ``.xlsx``.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_template(Path(folder, "cohort.xlsx")).name
    'cohort.xlsx'
    """
    path = Path(path)
    if path.suffix.lower() != ".xlsx":
        raise InputError(f"{path.name} does not end in .xlsx: the template is a workbook.")
    require_free(path)
    buffer = io.BytesIO()
    _workbook().save(buffer)
    with path.open("xb") as file:
        file.write(buffer.getvalue())
    return path


def _workbook() -> Workbook:
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    for name in TABLES:
        _table_sheet(book.create_sheet(name), name)
    _codebook_sheet(book.create_sheet("codebook"))
    _lists_sheet(book.create_sheet("lists"))
    return book


def _table_sheet(sheet: Worksheet, name: str) -> None:
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
    from openpyxl.utils import get_column_letter

    line = Border(bottom=Side(style="thin", color=_INK))
    for number, column in enumerate(TABLES[name].columns, 1):
        letter = get_column_letter(number)
        head = sheet.cell(1, number, "tooth (FDI)" if column.kind == "tooth" else column.name)
        head.font = Font(name=_FONT, bold=column.required, color=_INK)
        head.fill = PatternFill("solid", fgColor=_PAPER if column.required else _SOFT)
        head.border = line
        numeric = column.kind in ("number", "integer", "tooth", "date")
        across = "right" if numeric else "left"
        head.alignment = Alignment(vertical="center", horizontal=across, indent=1)
        head.comment = _note(column)
        example = sheet.cell(2, number, _example(column))
        example.font = Font(name=_FONT, italic=True, color=_GREY)
        example.alignment = Alignment(horizontal=across, indent=1)
        if column.kind == "date":
            for row in range(2, ROWS + 2):
                sheet.cell(row, number).number_format = "yyyy-mm-dd"
        longest = max(len(str(head.value)), *(len(c.name) for c in column.codes), 7)
        sheet.column_dimensions[letter].width = max(longest, len(str(column.example))) + 3
        rule = _validation(column)
        if rule is not None:
            rule.add(f"{letter}2:{letter}{ROWS + 1}")
            sheet.add_data_validation(rule)
    _example_note(sheet)
    sheet.row_dimensions[1].height = 20
    sheet.freeze_panes = "B2"
    sheet.print_title_rows = "1:1"
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True


def _example(column: Column) -> object:
    if column.kind == "date":
        return dt.date.fromisoformat(str(column.example))
    return column.example if column.example != "" else None


def _note(column: Column):
    from openpyxl.comments import Comment

    parts = ["Required." if column.required else "Optional.", f"{_sentence(column.description)}"]
    if unit_words(column):
        parts.append(f"Unit: {unit_words(column)}.")
    if column.unit == BY_MOVEMENT or column.name == "movement":
        parts += [
            f"{m.name} ({unit_in_full(m.unit)}): + {m.positive}, − {m.negative}"
            for m in MOVEMENTS.values()
        ]
    elif allowed_words(column):
        parts.append(f"Values: {allowed_words(column)}.")
    text = "\n".join(parts)
    lines = sum(1 + len(part) // 52 for part in parts)
    return Comment(text, "outcomes", width=380, height=18 * lines + 16)


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:].rstrip(".") + "."


def _example_note(sheet: Worksheet) -> None:
    from openpyxl.comments import Comment

    text = (
        f"An example: rows of the patient {EXAMPLE_PATIENT} are ignored when the file is read. "
        "Write over it, delete it, or leave it."
    )
    sheet.cell(2, 1).comment = Comment(text, "outcomes", width=300, height=70)


def _validation(column: Column) -> DataValidation | None:
    """Rule for a column: a list for codes and teeth, a range for numbers, else none."""
    from openpyxl.worksheet.datavalidation import DataValidation

    names = ",".join(code.name for code in column.codes)
    if column.kind == "tooth":
        rule = DataValidation(type="list", formula1=_TEETH_LIST)
        message = "Use FDI numbers: 11-18, 21-28, 31-38, 41-48 (deciduous 51-85)."
    elif column.codes:
        rule = DataValidation(type="list", formula1=f'"{names}"')
        message = f"Known: {names}." if len(names) < 180 else "See the codebook sheet."
    elif column.unit == BY_MOVEMENT:
        most = max(movement.expected_size for movement in MOVEMENTS.values())
        rule = DataValidation(type="decimal", formula1=f"{-most:g}", formula2=f"{most:g}")
        message = "One number, in mm or degrees; see the note at the heading."
    elif column.kind == "date":
        rule = DataValidation(type="date", operator="greaterThan", formula1="36526")
        message = "Write a date, as 2024-01-31."
    elif column.kind in ("number", "integer") and column.hard_low is not None:
        whole = "whole" if column.kind == "integer" else "decimal"
        high = column.high if column.high is not None else 10_000
        rule = DataValidation(type=whole, formula1=f"{column.hard_low:g}", formula2=f"{high:g}")
        message = f"Expected: {column.hard_low:g} to {high:g}."
    else:
        return None
    rule.allow_blank = True
    rule.showErrorMessage = True
    # Only a value that would exclude the row is refused; the rest may be right, so warn.
    strict = column.kind == "tooth" or (bool(column.codes) and not column.other_codes)
    rule.errorStyle = "stop" if strict else "warning"
    rule.errorTitle = column.name
    rule.error = message
    return rule


def _lists_sheet(sheet: Worksheet) -> None:
    for row, value in enumerate(("tooth", *FDI_TEETH), 1):
        sheet.cell(row, 1, value)
    sheet.sheet_state = "hidden"


def _codebook_sheet(sheet: Worksheet) -> None:
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Side

    signs = ("movement", "unit", "positive", "negative")
    columns = ("table", "column", "needed", "kind", "unit", "values", "meaning")
    blocks: list[tuple[tuple[str, ...], list[tuple[str, ...]]]] = [
        (signs, [(m.name, m.unit, m.positive, m.negative) for m in MOVEMENTS.values()]),
        (columns, [(name, *row) for name in TABLES for row in codebook_rows(name)]),
    ]
    widths = (15, 20, 30, 30, 20, 40, 62)
    hair = Border(bottom=Side(style="hair", color=_GREY))
    top = Alignment(wrap_text=True, vertical="top")
    number = 1
    for titles, rows in blocks:
        for c, title in enumerate(titles, 1):
            cell = sheet.cell(number, c, title)
            cell.font = Font(name=_FONT, bold=True, color=_INK)
            cell.fill = PatternFill("solid", fgColor=_PAPER)
        for r, row in enumerate(rows, number + 1):
            for c, text in enumerate(row, 1):
                cell = sheet.cell(r, c, text)
                cell.alignment, cell.border, cell.font = top, hair, Font(name=_FONT, color=_INK)
            # Not every program fits the height of a row to wrapped text when it opens a file.
            lines = max(-(-len(text) // (w - 2)) for text, w in zip(row, widths, strict=False))
            sheet.row_dimensions[r].height = 15.5 * max(lines, 1)
        number += len(rows) + 3
    for letter, width in zip("ABCDEFG", widths, strict=True):
        sheet.column_dimensions[letter].width = width
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
