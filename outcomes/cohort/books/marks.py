"""What a workbook says of its cells besides their values."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

#: First row, first column, last row, last column; all from 0.
Block = tuple[int, int, int, int]


@dataclass(frozen=True)
class Marks:
    """Of one sheet, rows and columns counted from 0.

    Attributes
    ----------
    instead
        Row, column and text of cells whose value the fast reader gives as blank, or as a number,
        although it is none: errors, formulas without a stored result, truths.
    hidden_rows, hidden_columns
        First and last of each stretch that is not shown.
    merged
        Blocks of cells merged into their first one.
    rows, columns
        How far the cells reach.
    """

    instead: tuple[tuple[int, int, str], ...] = ()
    hidden_rows: tuple[tuple[int, int], ...] = ()
    hidden_columns: tuple[tuple[int, int], ...] = ()
    merged: tuple[Block, ...] = ()
    rows: int = 0
    columns: int = 0

    @classmethod
    def gathered(
        cls,
        instead: Iterable[tuple[int, int, str]],
        hidden_rows: Iterable[int],
        hidden_columns: Iterable[tuple[int, int]],
        merged: Iterable[Block],
        last_row: int,
        last_column: int,
    ) -> Marks:
        """From what was met while going through a sheet; hidden rows one by one, in any order."""
        return cls(
            tuple(instead),
            stretches((row, row) for row in hidden_rows),
            tuple(hidden_columns),
            tuple(merged),
            last_row + 1,
            last_column + 1,
        )


#: Codes of error cells in binary workbooks ([MS-XLS] 2.5.10 Bes, [MS-XLSB] 2.5.97.2 BErr).
ERROR_CODES = {
    0x00: "#NULL!",
    0x07: "#DIV/0!",
    0x0F: "#VALUE!",
    0x17: "#REF!",
    0x1D: "#NAME?",
    0x24: "#NUM!",
    0x2A: "#N/A",
    0x2B: "#GETTING_DATA!",
}


def error_text(code: int) -> str:
    """Error of a code; one not known is an error all the same.

    Examples
    --------
    >>> error_text(0x07), error_text(0x99)
    ('#DIV/0!', '#ERROR!')
    """
    return ERROR_CODES.get(code, "#ERROR!")


_REFERENCE = re.compile(r"\$?([A-Za-z]{1,3})\$?(\d{1,7})")


def place(reference: str) -> tuple[int, int]:
    """Row and column, from 0, of a cell's reference.

    Examples
    --------
    >>> place("A1"), place("AB10")
    ((0, 0), (9, 27))
    """
    match = _REFERENCE.fullmatch(reference)
    if match is None:
        raise ValueError(f"{reference[:20]!r} is no reference to a cell")
    column = 0
    for letter in match[1].upper():
        column = column * 26 + ord(letter) - 64
    return int(match[2]) - 1, column - 1


def block(reference: str) -> Block:
    """Corners of a range.

    Examples
    --------
    >>> block("A2:B4")
    (1, 0, 3, 1)
    """
    first, _, last = reference.partition(":")
    return (*place(first), *place(last or first))


def stretches(runs: Iterable[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Runs of numbers in order, neighbours joined.

    Examples
    --------
    >>> stretches([(5, 5), (3, 4), (9, 9)])
    ((3, 5), (9, 9))
    """
    joined: list[tuple[int, int]] = []
    for first, last in sorted(runs):
        if joined and first <= joined[-1][1] + 1:
            joined[-1] = (joined[-1][0], max(last, joined[-1][1]))
        else:
            joined.append((first, last))
    return tuple(joined)
