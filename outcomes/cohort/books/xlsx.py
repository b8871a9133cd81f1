"""Marks of the sheets of .xlsx and .xlsm files (ISO/IEC 29500-1, SpreadsheetML)."""

from __future__ import annotations

import io
import posixpath
import re
from collections.abc import Iterator
from xml.etree import ElementTree

from outcomes.cohort.books.marks import Marks, block, place, stretches
from outcomes.cohort.cells import UNCALCULATED

BOOK = "xl/workbook.xml"
_RELATIONS = "xl/_rels/workbook.xml.rels"

_CELL = re.compile(rb"<c\s([^>]*[^/>])>(.*?)</c>", re.DOTALL)
_PLACE = re.compile(rb'\br="([A-Z]+\d+)"')
_VALUE = re.compile(rb"<v(?:\s[^>]*)?>([^<]+)</")
_ROWS = re.compile(rb'<row\s[^>]*?\br="0*([1-9]\d*)"')
_CELL_AT = re.compile(rb'<c r="([A-Z]+)0*([1-9]\d*)')
_HIDDEN_ROW = re.compile(rb'<row\s[^>]*\bhidden="(?:1|true)"[^>]*>')
_ROW = re.compile(rb'\br="(\d+)"')
_COLUMN = re.compile(rb"<col\s[^>]*>")
_COUNT = re.compile(rb"""ount\s*=\s*["']\s*\+?(\d+)""")
#: A cell that holds a text shared with others takes no fewer bytes: <c t="s"><v>0</v></c>.
_BYTES_OF_A_CELL = 22
_MERGED = re.compile(rb'<mergeCell\s[^>]*\bref="([^"]*)"')


def marks(parts: dict[str, bytes]) -> dict[str, Marks]:
    """Marks of each sheet, by its name."""
    _check_counts(parts)
    return {label: _marks(parts[part]) for label, part in _sheet_parts(parts).items()}


def _check_counts(parts: dict[str, bytes]) -> None:
    """Refuse counts no file has room for: the fast reader sets aside the memory they ask for.

    Texts that differ stand in their part; how often they are used is counted over all sheets.
    """
    cells = sum(map(len, parts.values())) // _BYTES_OF_A_CELL
    for name, part in parts.items():
        for match in _COUNT.finditer(part) if name.endswith(".xml") else ():
            unique = part.endswith(b"uniqueC", 0, match.start())
            most = len(part) if unique else max(len(part), cells)
            if len(match[1]) > 12 or int(match[1]) > most:
                raise ValueError(f"{name} counts more entries than it has room for")


def _sheet_parts(parts: dict[str, bytes]) -> dict[str, str]:
    targets = {
        item.attrib.get("Id", ""): item.attrib.get("Target", "")
        for item in ElementTree.fromstring(parts[_RELATIONS])
    }
    found = {}
    for item in ElementTree.fromstring(parts[BOOK]).iter():
        if _local(item.tag) == "sheet":
            key = next((v for k, v in item.attrib.items() if k.endswith("}id")), "")
            target = targets.get(key, "")
            part = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
            part = posixpath.normpath(part)
            if part in parts:
                found[item.attrib.get("name", "")] = part
    return found


def _local(tag: str) -> str:
    return tag.rsplit("}", 1)[-1]


def _marks(page: bytes) -> Marks:
    if not _plainly_written(page):
        return _walked(page)
    head, tail = _around(page)
    rows, columns = _reach(page)
    return Marks(
        tuple(_instead(page)) if b't="e"' in page or b"<f" in page else (),
        _hidden_rows(page),
        _hidden_columns(head),
        tuple(block(m[1].decode()) for m in _MERGED.finditer(tail)),
        rows,
        columns,
    )


def _plainly_written(page: bytes) -> bool:
    """Whether each cell says where it is, as all spreadsheet programs write it.

    Between head and tail stand rows and cells only: another element in c is a cell written
    otherwise.
    """
    head, tail = _around(page)
    if not head or b"<mergeCell" in head:
        return False
    cells = page.count(b"<c") - head.count(b"<c") - tail.count(b"<c")
    return page.count(b'<c r="') == cells and b":c" not in page and b"<!" not in page


def _around(page: bytes) -> tuple[bytes, bytes]:
    """What stands before and after the rows: columns, and merged blocks (18.3.1.99)."""
    first, last = page.find(b"<sheetData"), page.rfind(b"</sheetData>")
    return page[: max(first, 0)], page[last:] if last > first else b""


def _reach(page: bytes) -> tuple[int, int]:
    """Rows and columns beyond which no cell lies; of a long sheet the columns as 26 if no more."""
    last = _ROWS.search(page, max(page.rfind(b"<row"), 0))
    rows = int(last[1]) if last and len(last[1]) < 9 else 0
    if rows * 26 > _LONG and _beyond(rows).search(page) is None:
        if rows * 26 < _MANY:
            return rows, 26
        return rows, next((i for i in range(26, 0, -1) if b'<c r="%c' % (64 + i) in page), 0)
    letters, rows = set(), 0
    for match in _CELL_AT.finditer(page):
        letters.add(match[1])
        rows = max(rows, int(match[2][:20]))
    return rows, max((place(f"{name[:4].decode()}1")[1] + 1 for name in letters), default=0)


def _beyond(rows: int) -> re.Pattern[bytes]:
    """A cell in a column with two letters, or in a row below ``rows``.

    Examples
    --------
    >>> [bool(_beyond(120).search(cell)) for cell in (b'<c r="B120"', b'<c r="B121"', b'<c r="AA1"')]
    [False, True, True]
    """
    digits = str(rows)
    more = [rf"\d{{{len(digits) + 1},}}"]
    for i, digit in enumerate(digits):
        if digit < "9":
            left = len(digits) - i - 1
            more.append(rf"{digits[:i]}[{int(digit) + 1}-9]\d{{{left}}}")
    return re.compile(rf'<c r="(?:[A-Z][A-Z]|[A-Z](?:{"|".join(more)})")'.encode())


_LONG, _MANY = 500_000, 10_000_000


def _instead(page: bytes) -> Iterator[tuple[int, int, str]]:
    """Error cells, and formulas without a stored result.

    The fast reader gives both as blank, and a blank means "not measured yet": a wrong guess.
    """
    for match in _CELL.finditer(page):
        attributes, inside = match.groups()
        is_error = b't="e"' in attributes
        if not is_error and b"<f" not in inside:
            continue
        where = _PLACE.search(attributes)
        value = _VALUE.search(inside)
        if where is None:
            continue
        text = _text(is_error, value[1].decode() if value else "", b't="str"' in attributes)
        if text:
            yield (*place(where[1].decode()), text)


def _text(is_error: bool, value: str, is_text: bool) -> str:
    if is_error:
        return value or "#N/A"
    return "" if value or is_text else UNCALCULATED


def _hidden_rows(page: bytes) -> tuple[tuple[int, int], ...]:
    if b"hidden=" not in page:
        return ()
    numbers = [_ROW.search(match[0]) for match in _HIDDEN_ROW.finditer(page)]
    rows = [int(number[1]) - 1 for number in numbers if number]
    return stretches((row, row) for row in rows)


def _hidden_columns(page: bytes) -> tuple[tuple[int, int], ...]:
    found = []
    for match in _COLUMN.finditer(page):
        given = dict(re.findall(rb'(\w+)="([^"]*)"', match[0]))
        if given.get(b"hidden") in (b"1", b"true"):
            found.append((int(given.get(b"min", b"1")) - 1, int(given.get(b"max", b"1")) - 1))
    return tuple(found)


def _walked(page: bytes) -> Marks:
    """The same from a sheet written in another way: element by element, slower."""
    instead: list[tuple[int, int, str]] = []
    hidden: list[int] = []
    columns: list[tuple[int, int]] = []
    merged = []
    row = column = last_row = last_column = -1
    for event, item in ElementTree.iterparse(io.BytesIO(page), ("start", "end")):
        name, given = _local(item.tag), item.attrib
        if event == "start" and name == "row":
            row = int(given["r"]) - 1 if "r" in given else row + 1
            column = -1
            if given.get("hidden") in ("1", "true"):
                hidden.append(row)
        elif event == "end" and name == "c":
            here = place(given["r"]) if "r" in given else (row, column + 1)
            row, column = here
            last_row, last_column = max(last_row, row), max(last_column, column)
            inside = {_local(child.tag): child for child in item}
            is_error = given.get("t") == "e"
            if is_error or "f" in inside:
                value = inside["v"].text if "v" in inside else ""
                text = _text(is_error, value or "", given.get("t") == "str")
                if text:
                    instead.append((*here, text))
            item.clear()
        elif event == "start" and name == "col" and given.get("hidden") in ("1", "true"):
            columns.append((int(given.get("min", 1)) - 1, int(given.get("max", 1)) - 1))
        elif event == "start" and name == "mergeCell":
            merged.append(block(given.get("ref", "")))
        elif event == "end" and name == "row":
            item.clear()
    return Marks.gathered(instead, hidden, columns, merged, last_row, last_column)
