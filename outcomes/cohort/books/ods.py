"""Marks of the sheets of .ods files (OpenDocument 1.3 part 3, chapters 9 and 19)."""

from __future__ import annotations

import io
from xml.etree import ElementTree

from outcomes.cohort.books.marks import Marks, stretches
from outcomes.cohort.cells import UNCALCULATED, is_error
from outcomes.cohort.sizes import hold_table

BOOK = "content.xml"

#: Of a row or cell: twice the rows of the largest sheet.
_MOST_REPEATS = 2 * 1_048_576

_TRUTHS = {
    "TRUE", "FALSE", "WAHR", "FALSCH", "VRAI", "FAUX", "VERDADERO", "FALSO", "VERDADEIRO", "VERO",
    "SANT", "FALSKT",
}  # fmt: skip


def marks(parts: dict[str, bytes]) -> dict[str, Marks]:
    """Marks of each sheet, by its name."""
    found: dict[str, Marks] = {}
    sheet: _Sheet | None = None
    depth = 0
    for event, item in ElementTree.iterparse(io.BytesIO(parts[BOOK]), ("start", "end")):
        name = item.tag.rsplit("}", 1)[-1]
        if name == "table":
            depth += 1 if event == "start" else -1
            if depth == 1 and event == "start":
                sheet = _Sheet()
                label = _given(item, "name")
            elif depth == 0 and sheet is not None:
                found[label] = sheet.marks(label)
                sheet = None
                item.clear()
        elif sheet is None or depth != 1:
            continue
        elif name == "table-column" and event == "start":
            sheet.column_group(item)
        elif name == "table-row" and event == "start":
            sheet.begin_row(item)
        elif name in ("table-cell", "covered-table-cell") and event == "end":
            sheet.cell(item)
            item.clear()
        elif name == "table-row":
            sheet.end_row()
            item.clear()
    return found


def _given(item: ElementTree.Element, name: str) -> str:
    return next((v for k, v in item.attrib.items() if k.rsplit("}", 1)[-1] == name), "")


def _count(item: ElementTree.Element, name: str) -> int:
    text = _given(item, name)
    count = max(int(text), 1) if text else 1
    if count > _MOST_REPEATS:
        raise ValueError(f"{name} of {count:,}")
    return count


class _Sheet:
    """What has been found of a sheet, from its first row down."""

    def __init__(self) -> None:
        self.instead: list[tuple[range, range, str]] = []
        self.hidden_rows: list[tuple[int, int]] = []
        self.hidden_columns: list[tuple[int, int]] = []
        self.merged: list[tuple[int, int, int, int]] = []
        self.next_row = self.next_column = self.columns_seen = 0
        self.last_row = self.last_column = -1
        self.repeats = 1
        self.hidden = False
        self.in_row: list[tuple[int, int, str]] = []
        self.filled = False

    def column_group(self, item: ElementTree.Element) -> None:
        count = _count(item, "number-columns-repeated")
        if _given(item, "visibility") in ("collapse", "filter"):
            self.hidden_columns.append((self.columns_seen, self.columns_seen + count - 1))
        self.columns_seen += count

    def begin_row(self, item: ElementTree.Element) -> None:
        self.repeats = _count(item, "number-rows-repeated")
        self.hidden = _given(item, "visibility") in ("collapse", "filter")
        self.next_column, self.in_row, self.filled = 0, [], False

    def cell(self, item: ElementTree.Element) -> None:
        count = _count(item, "number-columns-repeated")
        first, self.next_column = self.next_column, self.next_column + count
        down, across = _count(item, "number-rows-spanned"), _count(item, "number-columns-spanned")
        if down > 1 or across > 1:
            row = self.next_row
            self.merged.append((row, first, row + down - 1, first + across - 1))
        kind = next((v for k, v in item.attrib.items() if k.endswith("office:1.0}value-type")), "")
        shown = " ".join("".join(p.itertext()) for p in item if p.tag.endswith("}p")).strip()
        if not kind and not shown and not _given(item, "formula"):
            return
        self.filled = True
        self.last_column = max(self.last_column, first + count - 1)
        text = self._instead(item, kind, shown)
        if text:
            self.in_row += [(first, count, text)]

    @staticmethod
    def _instead(item: ElementTree.Element, kind: str, shown: str) -> str:
        if "error" in (v for k, v in item.attrib.items() if k.endswith("}value-type")):
            return shown if is_error(shown) else "#N/A"
        if _given(item, "formula"):
            if is_error(shown):
                return shown
            if not kind and not shown:
                return UNCALCULATED
        if kind in ("float", "boolean") and shown.upper() in _TRUTHS:
            return shown.upper()
        return ""

    def end_row(self) -> None:
        first, self.next_row = self.next_row, self.next_row + self.repeats
        if not self.filled:
            return
        self.last_row = self.next_row - 1
        if self.hidden:
            self.hidden_rows.append((first, self.last_row))
        for column, count, text in self.in_row:
            self.instead.append((range(first, self.next_row), range(column, column + count), text))

    def marks(self, label: str) -> Marks:
        """All marks; what is repeated is written out only if the sheet is within the limits."""
        hold_table(self.last_row + 1, self.last_column + 1, label)
        instead = (
            (row, column, text)
            for rows, columns, text in self.instead
            for row in rows
            for column in columns
        )
        return Marks(
            tuple(instead),
            stretches(self.hidden_rows),
            tuple(self.hidden_columns),
            tuple(self.merged),
            self.last_row + 1,
            self.last_column + 1,
        )
