"""Marks of the sheets of .xls files, from their records ([MS-XLS] 2.4, in a file of [MS-CFB])."""

from __future__ import annotations

import struct
from collections.abc import Iterator

from outcomes.cohort.books.marks import Marks, error_text
from outcomes.errors import Unreadable

SIGNATURE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"

_BEGIN, _END, _SHEET = 0x0809, 0x000A, 0x0085
_FORMULA, _TRUTH_OR_ERROR = 0x0006, 0x0205
_ROW, _COLUMNS, _MERGED, _PROTECTED = 0x0208, 0x007D, 0x00E5, 0x002F
_CELLS = {0x0006, 0x0205, 0x0203, 0x00FD, 0x027E, 0x00BD, 0x0204, 0x0201, 0x00BE, 0x00D6}
_STRINGS, _REACH = 0x00FC, 0x0200
_MOST_ROWS, _MOST_COLUMNS = 65_536, 256
_SPANS = {0x00BD, 0x00BE}


def records(stream: bytes, start: int = 0) -> Iterator[tuple[int, bytes]]:
    """Type and content of each record of a stream."""
    at, size = start, len(stream)
    while at + 4 <= size:
        kind, length = struct.unpack_from("<HH", stream, at)
        yield kind, stream[at + 4 : at + 4 + length]
        at += 4 + length


def marks(data: bytes) -> list[Marks]:
    """Marks of each sheet, in the order of the workbook.

    Raises
    ------
    Unreadable
        If the workbook is protected, or its records cannot be found.
    """
    stream = _stream(data)
    starts = []
    for kind, content in records(stream):
        # The fast reader sets aside the memory that these records ask for.
        if kind == _STRINGS and struct.unpack_from("<I", content, 4)[0] > len(stream):
            raise ValueError("more texts than there is room for")
        if kind == _PROTECTED:
            raise Unreadable(
                "the workbook is protected by a password",
                "Save a copy without password, and read that.",
            )
        if kind == _SHEET:
            (start,) = struct.unpack_from("<I", content)
            starts.append(start)
        if kind == _END:
            break
    return [_marks(stream, start) for start in starts]


def _marks(stream: bytes, start: int) -> Marks:
    instead = []
    hidden = []
    columns = []
    merged = []
    last_row = last_column = -1
    depth = 0
    for kind, content in records(stream, start):
        if kind == _REACH:
            _check_reach(content)
        if kind == _BEGIN:
            depth += 1
        elif kind == _END:
            depth -= 1
            if depth <= 0:
                break
        elif depth != 1:
            continue
        elif kind in _CELLS:
            row, column = struct.unpack_from("<HH", content)
            last_row, last_column = max(last_row, row), max(last_column, column)
            if kind in _SPANS:
                last_column = max(last_column, struct.unpack_from("<H", content[-2:])[0])
            code = _error(kind, content)
            if code is not None:
                instead.append((row, column, error_text(code)))
        elif kind == _ROW:
            if content[12] & 0x20:
                hidden.append(struct.unpack_from("<H", content)[0])
        elif kind == _COLUMNS:
            first, last = struct.unpack_from("<HH", content)
            if content[8] & 1:
                columns.append((first, last))
        elif kind == _MERGED:
            (count,) = struct.unpack_from("<H", content)
            for i in range(count):
                top, bottom, left, right = struct.unpack_from("<HHHH", content, 2 + 8 * i)
                merged.append((top, left, bottom, right))
    return Marks.gathered(instead, hidden, columns, merged, last_row, last_column)


def _check_reach(content: bytes) -> None:
    """Refuse the reach of a sheet that no sheet can have: memory for all of it is set aside."""
    if len(content) < 10:
        raise ValueError("a sheet that does not say how large it is")
    form = "<IIHH" if len(content) >= 12 else "<HHHH"
    first, rows, left, columns = struct.unpack_from(form, content)
    backwards = 0 < rows <= first or 0 < columns <= left
    if backwards or max(first, rows) > _MOST_ROWS or max(left, columns) > _MOST_COLUMNS:
        raise ValueError("a sheet larger than sheets can be")


def _error(kind: int, content: bytes) -> int | None:
    """Error code of a cell, None where it holds none."""
    if kind == _TRUTH_OR_ERROR and content[7]:
        return content[6]
    if kind == _FORMULA and content[12:14] == b"\xff\xff" and content[6] == 2:
        return content[8]
    return None


def _stream(data: bytes) -> bytes:
    """The stream of records inside the file ([MS-CFB] 2)."""
    shift, small_shift = struct.unpack_from("<HH", data, 30)
    if shift not in (9, 12) or small_shift != 6:
        raise ValueError("sectors of a size that is not used")
    sector = 1 << shift
    counts = (40, 44, 64, 72)
    if any(struct.unpack_from("<I", data, at)[0] * sector > len(data) for at in counts):
        raise ValueError("more sectors than there are")
    fat_count, first_directory, _, cutoff, first_small, _, first_more, _ = struct.unpack_from(
        "<I I I I I I I I", data, 44
    )

    def at(number: int) -> bytes:
        start = (number + 1) * sector
        return data[start : start + sector]

    blocks = list(struct.unpack_from("<109I", data, 76))
    more, seen = first_more, set()
    while more < 0xFFFFFFFA and more not in seen:
        seen.add(more)
        numbers = struct.unpack(f"<{sector // 4}I", at(more))
        blocks += numbers[:-1]
        more = numbers[-1]
    fat: list[int] = []
    for number in blocks[:fat_count]:
        if number < 0xFFFFFFFA:
            fat += struct.unpack(f"<{sector // 4}I", at(number))

    def chain(first: int, table: list[int]) -> list[int]:
        numbers, known = [], set()
        while first < len(table) and first not in known:
            known.add(first)
            numbers.append(first)
            first = table[first]
        return numbers

    directory = b"".join(at(n) for n in chain(first_directory, fat))
    entries: dict[str, tuple[int, int]] = {}
    for start in range(0, len(directory) - 127, 128):
        (length,) = struct.unpack_from("<H", directory, start + 64)
        if 2 <= length <= 64:
            name = directory[start : start + length - 2].decode("utf-16-le", "replace")
            first, size = struct.unpack_from("<IQ", directory, start + 116)
            entries.setdefault(name.casefold(), (first, size & 0xFFFFFFFF))
            if directory[start + 66] in (2, 5) and size & 0xFFFFFFFF > len(data):
                raise ValueError("a stream larger than the file")
    if "encryptedpackage" in entries:
        raise Unreadable(
            "the workbook is protected by a password",
            "Save a copy without password, and read that.",
        )
    found = entries.get("workbook") or entries.get("book")
    if found is None:
        raise ValueError("no workbook inside")
    first, size = found
    if size >= cutoff:
        return b"".join(at(n) for n in chain(first, fat))[:size]
    small_fat: list[int] = []
    for number in chain(first_small, fat):
        small_fat += struct.unpack(f"<{sector // 4}I", at(number))
    root = entries.get("root entry", (0, 0))[0]
    small = b"".join(at(n) for n in chain(root, fat))
    return b"".join(small[n * 64 : n * 64 + 64] for n in chain(first, small_fat))[:size]
