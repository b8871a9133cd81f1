"""Tables as they are shown: one form, which HTML, Word, LaTeX, workbooks, posters and slides take."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from outcomes.domain.limits import FEW_PATIENTS
from outcomes.words.english import capital
from outcomes.words.safe import safe_rows

NOT_MEASURED = "not measured"
"""In the place of a number that nobody measured."""
SMALL_NOTE = (
    f"fewer than {FEW_PATIENTS} patients: could identify somebody; take out or merge before sharing"
)
"""Of lines and rows that a reader may recognise somebody in."""


@dataclass(frozen=True)
class Cell:
    """A printed cell: its text, with its unit and decimals, and the number or numbers behind it."""

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
        It rests on fewer than 5 patients: it is marked with a dagger.
    again
        On a screen its first text, that of the line above, is there for screen readers only.
    """

    key: str
    cells: tuple[Cell, ...]
    heading: bool = False
    few: bool = False
    again: bool = False


@dataclass(frozen=True)
class Look:
    """How a column is set.

    Attributes
    ----------
    right
        Whether to the right, as numbers are; None where the texts decide.
    bold
        The column that matters most.
    width
        Its share of the width of a table; 0: as its words ask. On a page only where all columns have
        one.
    """

    right: bool | None = None
    bold: bool = False
    width: float = 0.0


@dataclass(frozen=True)
class Table:
    """A table as it is shown.

    Attributes
    ----------
    name
        File stem, such as ``"table_2_achievement"``.
    label
        As the text calls it, such as ``"Table 2"``; "" where no text does.
    title
        Caption; "" for none.
    columns
        Headings; the first column names the line. Units stand in the cells: mm and degrees share
        most columns.
    rows
        Lines.
    footnotes
        Sentences under the table. One on lines of few patients is added where it is needed.
    looks
        How columns are set, by heading, where it is not as their texts ask.
    marked
        Number, from 0, of the column in which lines of few patients carry their dagger.
    """

    name: str
    label: str
    title: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    footnotes: tuple[str, ...] = ()
    looks: Mapping[str, Look] = field(default_factory=dict)
    marked: int = 0

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
            return (*self.footnotes, f"† {capital(SMALL_NOTE)}.")
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
                texts[self.marked] += " †"
            lines.append(texts)
        return lines

    def look(self, column: str) -> Look:
        """How a column is set."""
        return self.looks.get(column, Look())

    def numeric(self) -> list[bool]:
        """Which columns are set to the right: those of numbers, where no look says otherwise."""
        found = []
        for place, column in enumerate(self.columns):
            texts = [line.cells[place].text for line in self.rows if not line.heading]
            texts = [text for text in texts if text not in ("", "–", NOT_MEASURED)]
            numbers = bool(texts) and all(text[0] in "0123456789−+<≥" for text in texts)
            right = self.look(column).right
            found.append(numbers if right is None else right)
        return found

    def csv(self) -> str:
        """The printed texts, comma-separated.

        Examples
        --------
        >>> print(Table("t", "Table 1", "Ages", ("", "All"), (row("age", ["Age", "24"]),)).csv())
        ,All
        Age,24
        <BLANKLINE>
        """
        buffer = io.StringIO()
        csv.writer(buffer, lineterminator="\n").writerows(safe_rows([self.columns, *self.texts()]))
        return buffer.getvalue()


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


def from_frame(
    frame: pd.DataFrame,
    title: str = "",
    *,
    few: Sequence[bool] = (),
    looks: Mapping[str, Look] | None = None,
    repeats: bool = True,
) -> Table:
    """A frame of texts and numbers, a line for each row, its columns named as they are headed.

    Columns without a look are set to the right where every cell is a number, an interval, a
    percentage or a length. ``few`` says which rows rest on fewer than 5 patients; without
    ``repeats``, a first text that is that of the line above is not drawn on a screen.

    Examples
    --------
    >>> shown = from_frame(pd.DataFrame({"Tip": ["all", "all"], "Rate": [0.5123, None]}))
    >>> shown.texts(), shown.numeric()
    ([['all', '0.512'], ['all', '–']], [False, True])
    """
    columns = tuple(map(str, frame.columns))
    texts = {name: [_cell_text(v) for v in frame[name]] for name in frame.columns}
    found = {str(k): Look(right=all(map(_NUMBER.match, v))) for k, v in texts.items()}
    rows: list[Row] = []
    for place, line in enumerate(zip(*texts.values(), strict=True)):
        above = rows[-1].cells[0].text if rows else None
        again = not repeats and len(line) > 1 and line[0] == above
        cells = tuple(map(Cell, line))
        rows.append(Row(str(place), cells, few=bool(few) and few[place], again=again))
    marked = next((k for k, name in enumerate(columns) if name.lower() == "patients"), 0)
    return Table("", "", title, columns, tuple(rows), (), found | dict(looks or {}), marked)


_NUMBER = re.compile(r"^[<–−+\d][\d\s.,:%°−+<–mto\u202f\u00a0]*$")


def _cell_text(value: Any) -> str:
    if value is None or (not isinstance(value, str) and pd.isna(value)):
        return "–"
    if isinstance(value, float):
        return f"{value:.3g}".replace("-", "−")
    return str(value)


def small_rows(frame: pd.DataFrame) -> pd.Series:
    """Which rows of a frame rest on fewer than 5 patients; none without a ``patients`` column."""
    if "patients" not in frame:
        return pd.Series(False, index=frame.index)
    patients = pd.to_numeric(frame["patients"])
    return ((patients > 0) & (patients < FEW_PATIENTS)).fillna(False).astype(bool)
