"""Marks of the sheets of .xlsb files, from their records ([MS-XLSB] 2.1.4, 2.4)."""

from __future__ import annotations

import posixpath
import struct
from collections.abc import Iterator
from xml.etree import ElementTree

from outcomes.cohort.books.marks import Marks, error_text

BOOK = "xl/workbook.bin"
_RELATIONS = "xl/_rels/workbook.bin.rels"

_ROW, _ERROR, _FORMULA_ERROR = 0, 3, 11
_CELLS = range(1, 12)
_COLUMNS, _SHEET, _MERGED = 60, 156, 176
_REACH = 148
#: Records that say how many follow: texts, formats, styles, fonts.
_COUNTS = {159: 4, 615: 0, 617: 0, 611: 0}
_MOST_ROWS, _MOST_COLUMNS = 1_048_576, 16_384


def records(part: bytes) -> Iterator[tuple[int, bytes]]:
    """Type and content of each record of a part."""
    at, size = 0, len(part)
    while at < size:
        kind = part[at]
        at += 1
        if kind & 0x80:
            if at >= size:
                return
            kind = (kind & 0x7F) | (part[at] & 0x7F) << 7
            at += 1
        length = 0
        for i in range(4):
            if at >= size:
                return
            byte = part[at]
            at += 1
            length |= (byte & 0x7F) << 7 * i
            if not byte & 0x80:
                break
        yield kind, part[at : at + length]
        at += length


def marks(parts: dict[str, bytes]) -> dict[str, Marks]:
    """Marks of each sheet, by its name."""
    targets = {
        item.attrib.get("Id", ""): item.attrib.get("Target", "")
        for item in ElementTree.fromstring(parts[_RELATIONS])
    }
    for name, binary in parts.items():
        if name.endswith(".bin"):
            _check_counts(binary)
    found = {}
    for kind, content in records(parts[BOOK]):
        if kind == _SHEET:
            key, at = _wide(content, 8)
            label, _ = _wide(content, at)
            target = targets.get(key, "")
            part = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
            part = posixpath.normpath(part)
            if part in parts:
                found[label] = _marks(parts[part])
    return found


def _check_counts(part: bytes) -> None:
    """Refuse counts no part can hold: the fast reader sets aside the memory they ask for."""
    for kind, content in records(part):
        if kind in _COUNTS and struct.unpack_from("<I", content, _COUNTS[kind])[0] > len(part):
            raise ValueError("more entries than there is room for")
        if kind == _REACH:
            _, rows, _, columns = struct.unpack_from("<IIII", content)
            if rows >= _MOST_ROWS or columns >= _MOST_COLUMNS:
                raise ValueError("a sheet larger than sheets can be")


def _wide(content: bytes, at: int) -> tuple[str, int]:
    """A counted string of two-byte characters, and where it ends."""
    (count,) = struct.unpack_from("<I", content, at)
    end = at + 4 + 2 * count
    return content[at + 4 : end].decode("utf-16-le"), end


def _marks(part: bytes) -> Marks:
    instead = []
    hidden = []
    columns = []
    merged = []
    row = -1
    last_row = last_column = -1
    for kind, content in records(part):
        if kind == _ROW:
            (row,) = struct.unpack_from("<I", content)
            if content[11] & 0x10:
                hidden.append(row)
        elif kind in _CELLS:
            (column,) = struct.unpack_from("<I", content)
            last_row, last_column = max(last_row, row), max(last_column, column)
            if kind in (_ERROR, _FORMULA_ERROR):
                instead.append((row, column, error_text(content[8])))
        elif kind == _COLUMNS:
            first, last = struct.unpack_from("<II", content)
            if content[16] & 1:
                columns.append((first, last))
        elif kind == _MERGED:
            top, bottom, left, right = struct.unpack_from("<IIII", content)
            merged.append((top, left, bottom, right))
    return Marks.gathered(instead, hidden, columns, merged, last_row, last_column)
