"""What becomes of each column of a cohort that is de-identified, and which are refused."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.cohort import cells, headers
from outcomes.cohort.headed import head
from outcomes.cohort.identifying import (
    BIRTH_YEARS,
    LONG_NUMBER,
    NATIONAL,
    birth_dates,
    in_column,
    starts_of,
)
from outcomes.cohort.problems import problem_frame
from outcomes.cohort.sources import Sheet
from outcomes.domain.table_types import Column
from outcomes.domain.tables import DERIVED, TABLES
from outcomes.errors import InputError

#: Texts with more words than this are free text (common practice, no source).
FREE_TEXT_WORDS = 6

#: From so many patients on, a text that differs for each of them works like a name.
EACH_THEIR_OWN = 5

#: What is done with a column.
PSEUDONYM = "replaced by pseudonyms"
DAYS = "dates replaced by days since the patient's start of treatment"
NUMBERED = "numbered in its order within each patient"
TOP_CODED = "ages over 89 written as 90"
AS_IT_IS = "as it is"
KEPT = "kept, as asked"
DROPPED = "dropped, as asked"

#: Columns of persons and places, and the letter that begins their pseudonyms.
KINDS = {"patient": "P", "clinician": "C", "site": "S", "reader": "R"}


@dataclass(frozen=True)
class Choice:
    """One column of the input, and what becomes of it."""

    table: str
    column: str
    done: str


def columns_of(name: str, table: pd.DataFrame) -> tuple[list[str], list[str]]:
    """Columns of the schema that a table has, and those of the user's own."""
    derived = DERIVED if name == "movements" else ("row",)
    schema = [c.name for c in TABLES[name].columns if c.name in table]
    return schema, [c for c in table.columns if c not in schema and c not in derived]


def personal_columns(sheet: Sheet) -> dict[str, list[str]]:
    """Columns of a sheet under a heading that points to a person, and the texts in them.

    Sought in the row of headings and above it, and where none is known, in all rows that may hold
    headings.
    """
    found: dict[str, list[str]] = {}
    headings = head(sheet).headings
    rows = headings.at + 1 if headings.known else headers.SEARCH_ROWS
    for i in range(sheet.cells.shape[1]):
        words = cells.texts(sheet.cells.iloc[:, i])
        top = [] if sheet.headings is None else [str(sheet.headings[i])]
        top += [] if top else words[:rows].tolist()
        for heading in top:
            if heading and headers.looks_personal(headers.heading(heading).name):
                below = [str(w) for w in words if w and w != heading]
                found.setdefault(heading, []).extend(below)
                break
    return found


class Asked:
    """Columns to keep or to drop, as the user names them; each name has to be one of a column."""

    def __init__(self, drop: Sequence[str], keep: Sequence[str]) -> None:
        self._drop = {_plain(name): name for name in drop}
        self._keep = {_plain(name): name for name in keep}
        both = [name for plain, name in self._drop.items() if plain in self._keep]
        if both:
            raise InputError(f"Keep or drop {', '.join(both)}, not both.")
        self._met: set[str] = set()

    def drops(self, table: str, column: str) -> bool:
        """Whether a column is to be dropped."""
        return self._meets(self._drop, table, column)

    def keeps(self, table: str, column: str) -> bool:
        """Whether a column is to be kept."""
        return self._meets(self._keep, table, column)

    def _meets(self, asked: dict[str, str], table: str, column: str) -> bool:
        names = {_plain(column), _plain(f"{table}.{column}")}
        if column.endswith("_given"):
            names.add(_plain(column.removesuffix("_given")))
        self._met |= names & set(asked)
        return bool(names & set(asked))

    def require_all_met(self, choices: Sequence[Choice]) -> None:
        """InputError for a name that is no column's."""
        asked = self._drop | self._keep
        strange = [name for plain, name in asked.items() if plain not in self._met]
        if strange:
            known = ", ".join(dict.fromkeys(choice.column for choice in choices))
            raise InputError(f"There is no column {', '.join(strange)}. Columns: {known}.")


def _plain(name: str) -> str:
    return ".".join(headers.heading(part).name or part.casefold() for part in name.split("."))


def choose(
    tables: dict[str, pd.DataFrame],
    personal: dict[str, list[str]],
    asked: Asked,
) -> tuple[list[Choice], list[pd.DataFrame]]:
    """What becomes of each column; and a problem for each that is refused.

    Parameters
    ----------
    tables
        As :func:`outcomes.cohort.reread.tables_of` gives them.
    personal
        Table -> headings in its sheet that point to a person.
    asked
        What the user says.
    """
    choices: list[Choice] = []
    refused: list[pd.DataFrame] = []

    def settle(name: str, column: str, done: str, why: str, remedy: str) -> None:
        asked.keeps(name, column)
        if asked.drops(name, column):
            done, why = DROPPED, ""
        choices.append(Choice(name, column, done))
        if why:
            refused.append(problem_frame(name, None, column, "", why, remedy, "stop"))

    starts = starts_of(tables.get("courses"))
    for name, headings in personal.items():
        for heading in headings:
            why = "the heading points to a person"
            settle(name, heading, "", why, f"Say --drop {_quoted(heading)}.")
    for name, table in tables.items():
        schema, own = columns_of(name, table)
        for column in schema:
            if TABLES[name].column(column).required and asked.drops(name, column):
                raise InputError(f"{column} cannot be dropped: {name} are nothing without it.")
            settle(name, column, *_of_schema(name, TABLES[name].column(column), table, asked))
        for column in own:
            if column not in personal.get(name, ()):
                settle(name, column, *_of_own(name, column, table, asked, starts))
    asked.require_all_met(choices)
    return choices, refused


def _of_schema(
    name: str, column: Column, table: pd.DataFrame, asked: Asked
) -> tuple[str, str, str]:
    """What becomes of a column of the schema, why it is refused, and what to do."""
    values = table[column.name]
    keep = asked.keeps(name, column.name)
    if column.name == "occasion":
        return NUMBERED, "", ""
    if column.name in KINDS and not (keep and column.name != "patient"):
        return PSEUDONYM, "", ""
    if column.kind == "date":
        return DAYS, "", ""
    if column.name == "age":
        return TOP_CODED, "", ""
    strange = _strange_words(column, values)
    if not strange:
        return KEPT if keep else AS_IT_IS, "", ""
    return _words(name, column.name, values, table["patient"], asked, droppable=not column.required)


def _strange_words(column: Column, values: pd.Series) -> set[str]:
    """Words of a column that are not the schema's."""
    if column.kind not in ("text", "code"):
        return set()
    words = set(cells.texts(values).tolist()) - {"", *(code.name for code in column.codes)}
    if column.name == "unit":
        words = {word for word in words if not cells.unit_written(word)}
    return words


def _of_own(
    name: str, column: str, table: pd.DataFrame, asked: Asked, starts: pd.Series
) -> tuple[str, str, str]:
    """The same for a column of the user's own."""
    values = table[column]
    drop = f"Say --drop {_quoted(column)}."
    if headers.looks_personal(headers.heading(column).name):
        return "", "the heading points to a person", drop
    if pd.api.types.is_datetime64_any_dtype(values):
        if birth_dates(table, column, starts).any():
            return "", f"dates more than {BIRTH_YEARS} years before treatment: birth dates?", drop
        if not table["patient"].isin(starts.dropna().index).any():
            return "", "dates, and no start of treatment to count from", drop
        return (DAYS, "", "") if asked.keeps(name, column) else ("", *_ask(column))
    if pd.api.types.is_numeric_dtype(values):
        numbers = values.to_numpy(dtype=float, na_value=np.nan)
        if (np.isfinite(numbers) & (np.abs(numbers) >= LONG_NUMBER)).any():
            return "", f"numbers of seven digits or more: {NATIONAL}?", drop
        if _repeats_the_code(values, table["patient"]):
            return "", "the numbers are the patients' codes", drop
        return (KEPT, "", "") if asked.keeps(name, column) else ("", *_ask(column))
    return _words(name, column, values, table["patient"], asked, droppable=True)


def _ask(column: str) -> tuple[str, str]:
    return (
        "a column of your own: keep or drop it by name",
        f"Say --keep {_quoted(column)} if it can name nobody, else --drop {_quoted(column)}.",
    )


def _repeats_the_code(values: pd.Series, patients: pd.Series) -> bool:
    digits = patients.astype(str).str.extract(r"0*(\d+)\D*$")[0]
    there = values.notna()
    same = cells.texts(values[there]) == digits[there].fillna("").to_numpy(object)
    return len(same) > 1 and patients[there].nunique() > 1 and 2 * same.sum() > len(same)


def _words(
    name: str,
    column: str,
    values: pd.Series,
    patients: pd.Series,
    asked: Asked,
    *,
    droppable: bool,
) -> tuple[str, str, str]:
    """A column of words: kept only when asked, and only when nothing in it looks personal."""
    remedy = (
        f"Say --drop {_quoted(column)}." if droppable else "Correct these values in the source."
    )
    keep = asked.keeps(name, column)
    words = cells.texts(values)
    if not (words != "").any():
        return AS_IT_IS, "", ""
    found = in_column(values)
    if found:
        return "", f"the values seem to hold {' and '.join(found)}", remedy
    different = set(words.tolist()) - {""}
    if max(len(word.split()) for word in different) > FREE_TEXT_WORDS:
        return "", f"free text: more than {FREE_TEXT_WORDS} words in a cell", remedy
    written = patients[words != ""].nunique()
    if written >= EACH_THEIR_OWN and len(different) >= written:
        return "", "a text of its own for each patient works like a name", remedy
    if keep:
        return KEPT, "", ""
    why = "texts typed freely: keep or drop the column by name"
    remedy = f"Say --keep {_quoted(column)} if no text in it can name anybody"
    return "", why, remedy + (f", else --drop {_quoted(column)}." if droppable else ".")


def _quoted(name: str) -> str:
    return f'"{name}"' if " " in name else name
