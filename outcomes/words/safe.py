"""What is written into cells: no text is a formula when a spreadsheet opens the file.

In a text file a mark (') goes before a text that begins like a formula, and reading takes it away
again; in a workbook such a text is stored as text. Numbers stay as they are.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

#: First characters a spreadsheet may take for a formula (OWASP, "CSV Injection", 2024).
_STARTS = "=+\\-@\t\r\n\uff1d\uff0b\uff0d\uff20"
_LIKE_A_FORMULA = re.compile(f"'*[{_STARTS}]")
_MARKED = re.compile(f"'+[{_STARTS}]")
#: A signed number, with its unit or interval: nothing in it can be calculated or called, and no tab
#: or line break ends the cell.
_NUMBER = re.compile(
    r"[+-] ?\d(?:[\d., \u00a0\u2009\u202f%°–—−±()\[\];:†]|\bto\b|\bmm\b|\bdegrees?\b|[eE][+-]?\d)*"
)


def safe_text(text: str) -> str:
    """A text as it goes into a cell of a text file.

    Examples
    --------
    >>> safe_text("=1+1"), safe_text("-0.5 mm"), safe_text("P1")
    ("'=1+1", '-0.5 mm', 'P1')
    """
    if _LIKE_A_FORMULA.match(text) and not _NUMBER.fullmatch(text):
        return "'" + text
    return text


def as_meant(text: str) -> str:
    """The text of a cell that :func:`safe_text` wrote.

    Examples
    --------
    >>> as_meant("'=1+1"), as_meant("'tis")
    ('=1+1', "'tis")
    """
    return text[1:] if text[:1] == "'" and _MARKED.match(text) else text


def safe_rows(rows: Iterable[Iterable[Any]]) -> list[list[Any]]:
    """Rows of cells for a text file."""
    return [[safe_text(v) if isinstance(v, str) else v for v in row] for row in rows]


def safe_frame(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with headings and texts as they go into a text file; numbers and dates unharmed."""
    safe = frame.copy()
    for place in range(safe.shape[1]):
        column = safe.iloc[:, place]
        if column.dtype.kind not in "Ob" and str(column.dtype) != "category":
            if str(column.dtype) in ("str", "string"):
                safe.isetitem(place, column.map(safe_text, na_action="ignore").array)
            continue
        cells = column.astype(object)
        if any(isinstance(v, str) for v in cells):
            safe.isetitem(place, [safe_text(v) if isinstance(v, str) else v for v in cells])
    safe.columns = [safe_text(c) if isinstance(c, str) else c for c in safe.columns]
    return safe


def write_csv(frame: pd.DataFrame, path: str | Path) -> None:
    """Write a frame as CSV in UTF-8, headings first, no cell of it a formula."""
    safe_frame(frame).to_csv(path, index=False, encoding="utf-8")


def no_formulas(sheet: Any) -> None:
    """Make text of all cells of an openpyxl sheet that would be stored as formulas."""
    for row in sheet.iter_rows():
        for cell in row:
            if cell.data_type == "f":
                cell.data_type = "s"
                cell.quotePrefix = True


def meant_frame(frame: pd.DataFrame) -> pd.DataFrame:
    """A frame read from a CSV that was written here, with the texts as they were."""
    meant = frame.copy()
    for place in range(meant.shape[1]):
        cells: Sequence[Any] = meant.iloc[:, place].tolist()
        if any(isinstance(v, str) for v in cells):
            meant.isetitem(place, [as_meant(v) if isinstance(v, str) else v for v in cells])
    meant.columns = [as_meant(c) if isinstance(c, str) else c for c in meant.columns]
    return meant
