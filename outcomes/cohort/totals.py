"""Rows of totals and means below or between records: they are no records."""

from __future__ import annotations

import re
import unicodedata

import numpy as np
import pandas as pd

from outcomes.cohort import cells
from outcomes.cohort.problems import TOTALS_ROW, Sieve
from outcomes.domain.table_types import TOTALS, TableSchema


def total_word(text: str) -> str:
    """Whether a cell names a total: "only" that, or "also" something else; "" if it does not.

    Examples
    --------
    >>> total_word("Mittelwert:"), total_word("Mean (SD)"), total_word("Max"), total_word("P7")
    ('only', 'only', 'also', '')
    """
    words = _words(text)
    if not words or not words <= _ALL:
        return ""
    return "only" if words & _ONLY else "also"


def _words(text: str) -> set[str]:
    """The words of a text, in small letters without accents."""
    plain = text.casefold()
    if not plain.isascii():
        parts = unicodedata.normalize("NFKD", plain)
        plain = "".join(letter for letter in parts if not unicodedata.combining(letter))
    return set(re.findall(r"[^\W\d_]+", plain))


def names_total(text: str) -> bool:
    """Whether a code of a record says that the row is a total of something.

    Examples
    --------
    >>> names_total("Total P001"), names_total("Summe 31"), names_total("P001")
    (True, True, False)
    """
    return any(total_word(word) == "only" for word in text.split())


_ONLY = frozenset(TOTALS["only"])
_ALL = _ONLY | frozenset(TOTALS["also"])


def set_totals_aside(frame: pd.DataFrame, table: TableSchema, sieve: Sieve) -> None:
    """Set rows of totals aside, each listed; exclude what names a total and looks like a record.

    A row of totals names one, and leaves every other column blank that tells records apart. Where
    those are filled, "Mean" may be a mean and may be a record: the row is excluded.
    """
    key = [name for name in table.key if name in frame]
    worded = [name for name in frame if not _numbers(frame[name])]
    found = [cell for name in worded for cell in cells.distinct(frame[name])[1]]
    if not _words("\n".join(cell for cell in found if isinstance(cell, str))) & _ALL:
        return
    said = {str(name): cells.by_unique(frame[name], _total_word) for name in worded}
    named = np.any([words != "" for words in said.values()], axis=0)
    only = np.any([words == "only" for words in said.values()], axis=0)
    blank = {name: cells.blank_cells(frame[name]) for name in key}
    here = {name: said.get(name, np.full(len(frame), "", dtype=object)) != "" for name in key}
    no_key = np.all([blank[name] | here[name] for name in key], axis=0) if key else ~named
    missing = np.any([blank[name] for name in key if name in table.required], axis=0)
    total = named & no_key & (missing | only) & sieve.kept
    values = _first(said, frame, total)
    sieve.check(
        total,
        "",
        values,
        TOTALS_ROW,
        "Nothing, if that is right: it is set aside. If it is a record, give it a code.",
    )
    sieve.set_aside(total, TOTALS_ROW)
    if "patient" in said:
        sieve.exclude(
            (said["patient"] == "only") & sieve.kept,
            "patient",
            frame["patient"].to_numpy(object),
            "the patient is called like a row of totals or means",
            "Delete the row if it is one; else give the patient another code.",
        )


def _numbers(column: pd.Series) -> bool:
    return bool(
        pd.api.types.is_numeric_dtype(column) or pd.api.types.is_datetime64_any_dtype(column)
    )


def _total_word(cell: object) -> str:
    return total_word(cell) if isinstance(cell, str) and cell.upper() != cell.lower() else ""


def _first(said: dict[str, np.ndarray], frame: pd.DataFrame, where: np.ndarray) -> np.ndarray:
    """The word that names the total, for each row in ``where``."""
    values = np.full(len(frame), "", dtype=object)
    for name, words in reversed(said.items()):
        here = where & (words != "")
        if here.any():
            values[here] = frame[name].to_numpy(object)[here]
    return values
