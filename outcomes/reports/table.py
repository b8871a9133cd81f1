"""Tables as they are printed: one form, from which Word, Excel, CSV, LaTeX and HTML are written."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from outcomes.domain.movements import FEW_PATIENTS

__all__ = ["NOT_MEASURED", "Cell", "PaperTable", "Ref", "Row", "row"]

NOT_MEASURED = "not measured"
"""In the place of a number that nobody measured."""
SMALL_NOTE = f"† Fewer than {FEW_PATIENTS} patients: could identify somebody; take out or merge before sharing."


@dataclass(frozen=True)
class Cell:
    """A printed cell: its text, and the number or numbers behind it, unrounded."""

    text: str
    value: Any = None


@dataclass(frozen=True)
class Ref:
    """A printed cell and where it stands, for words that quote it."""

    table: str
    row: str
    column: str
    text: str

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True)
class Row:
    """A line of a table.

    Attributes
    ----------
    key
        Name of the line, once in a table.
    cells
        One for each column.
    heading
        A line that only names the group of lines below it.
    few
        It rests on fewer than 5 patients: its first cell is marked.
    """

    key: str
    cells: tuple[Cell, ...]
    heading: bool = False
    few: bool = False


@dataclass(frozen=True)
class PaperTable:
    """A table for print.

    Attributes
    ----------
    name
        File stem, such as ``"table_2_achievement"``.
    label
        As the text calls it, such as ``"Table 2"``.
    title
        Caption.
    columns
        Headings; the first column names the line.
    rows
        Lines.
    footnotes
        Sentences under the table. One on lines of few patients is added where it is needed.
    """

    name: str
    label: str
    title: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    footnotes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        wrong = [line.key for line in self.rows if len(line.cells) != len(self.columns)]
        if wrong:
            raise ValueError(f"{self.label}: lines with another number of cells: {wrong}.")
        keys = [line.key for line in self.rows]
        if len(set(keys)) != len(keys):
            raise ValueError(f"{self.label}: two lines have the same key.")

    @property
    def notes(self) -> tuple[str, ...]:
        """Footnotes, with that on small numbers where a line is marked."""
        if any(line.few for line in self.rows):
            return (*self.footnotes, SMALL_NOTE)
        return self.footnotes

    def __contains__(self, key: str) -> bool:
        return any(line.key == key for line in self.rows)

    def ref(self, key: str, column: str) -> Ref:
        """The cell of a line and a column.

        Raises
        ------
        KeyError
            If there is no such line or column.
        """
        if column not in self.columns:
            raise KeyError(f"{self.label} has no column {column!r}: {', '.join(self.columns)}.")
        for line in self.rows:
            if line.key == key:
                cell = line.cells[self.columns.index(column)]
                return Ref(self.label, key, column, cell.text)
        raise KeyError(f"{self.label} has no line {key!r}.")

    def texts(self) -> list[list[str]]:
        """Lines as they are printed, marks included."""
        lines = []
        for line in self.rows:
            texts = [cell.text for cell in line.cells]
            if line.few:
                texts[0] += " †"
            lines.append(texts)
        return lines

    def numeric(self) -> list[bool]:
        """Which columns hold numbers: all but the first and those of words."""
        found = []
        for place in range(len(self.columns)):
            texts = [line.cells[place].text for line in self.rows if not line.heading]
            texts = [text for text in texts if text not in ("", "–", NOT_MEASURED)]
            found.append(bool(texts) and all(text[0] in "0123456789−+<≥" for text in texts))
        return found

    def chosen(
        self, columns: Iterable[str], keys: Iterable[str] | None = None, title: str | None = None
    ) -> PaperTable:
        """The same table with some of its columns and lines only."""
        wanted = list(columns)
        places = [self.columns.index(name) for name in wanted]
        kept = None if keys is None else set(keys)
        rows = tuple(
            Row(line.key, tuple(line.cells[place] for place in places), line.heading, line.few)
            for line in self.rows
            if kept is None or line.key in kept
        )
        return PaperTable(
            self.name, self.label, title or self.title, tuple(wanted), rows, self.footnotes
        )


def row(
    key: str,
    cells: Mapping[str, Cell] | Iterable[Cell | str],
    *,
    heading: bool = False,
    patients: int | None = None,
) -> Row:
    """A line; texts become cells; marked where ``patients`` is from 1 to 4.

    Examples
    --------
    >>> row("age", ["Age", "24"], patients=3).few
    True
    """
    given = cells.values() if isinstance(cells, Mapping) else cells
    made = tuple(cell if isinstance(cell, Cell) else Cell(cell) for cell in given)
    return Row(key, made, heading, patients is not None and 0 < patients < FEW_PATIENTS)
