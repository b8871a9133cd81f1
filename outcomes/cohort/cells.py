"""From the cells of a column, as people type them, to numbers and words.

Every function works on the distinct values of a column, so that half a million rows cost little
more than a thousand. None of them guesses: what has two readings comes back as trouble, with a
problem and a remedy in :data:`TROUBLE`.
"""

from __future__ import annotations

import datetime as dt
import functools
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.cohort.distinct import as_types, by_unique, distinct, first_rows, where, words_of
from outcomes.domain.table_types import UNIT_WORDS, Code

__all__ = [
    "TROUBLE", "UNCALCULATED", "Numbers", "as_types", "blank_cells", "by_unique", "by_word", "clean_text",
    "code_lookup", "distinct", "first_rows", "is_error", "numbers", "plain_code", "plain_codes",
    "texts", "unit_written", "where", "word_key", "words_of",
]  # fmt: skip

#: Written by reading into cells whose formula has no stored result.
UNCALCULATED = "#UNCALCULATED!"

#: Kinds of trouble: what is wrong, and what to do.
TROUBLE = {
    "error": (
        "a spreadsheet error, not a value",
        "Correct the formula, or type the value in its place.",
    ),
    "uncalculated": (
        "a formula without a stored result",
        "Open the file in a spreadsheet program and save it, or type the value in its place.",
    ),
    "date": (
        "a date where a number belongs",
        "The spreadsheet has probably turned a number such as 1.5 into a date: format the column "
        "as number and type the value again.",
    ),
    "ambiguous": (
        "a number with two readings: thousands or decimals",
        "Write 1234 or 1.234 (or 1,2340), whichever is meant.",
    ),
    "text": ("not a number", "Write one number in the cell, with nothing else but its unit."),
    "infinite": ("not a finite number", "Type the value that was measured, or leave it blank."),
    "unit": ("an unknown unit", "Use mm for lengths and degrees for angles, or no unit."),
    "whole": ("not a whole number", "Write a whole number."),
    "day": (
        "a date with two readings: day first or month first",
        "Write dates as 2024-01-31.",
    ),
    "not a date": ("not a date", "Write dates as 2024-01-31."),
}

_UNITS = {word: unit for unit, words in UNIT_WORDS.items() for word in words}
#: Signs and spaces as typed -> as read.
SIGNS = str.maketrans(dict.fromkeys("−–‒—﹣－‐‑", "-") | {"＋": "+"} | dict.fromkeys("\t\r\n", " "))
#: What people write into a cell that holds nothing.
BLANK_WORDS = {
    "",
    "na",
    "n/a",
    "n.a.",
    "nan",
    "null",
    "none",
    "-",
    "--",
    ".",
    "missing",
    "not measured",
}
_ERROR = re.compile(r"#N/A|#[^\W\d_][^\s#]*[!?]|Err:\d+", re.IGNORECASE)
_MONTH = (
    r"(?:jan|feb|fév|mar|mär|mrz|apr|avr|abr|may|mai|mag|jun|jui|giu|jul|lug|aug|ago|aoû|sep|set"
    r"|oct|okt|ott|nov|dec|dez|déc|dic|ene|gen)[^\W\d_]*\.?"
)
_DATE_LIKE = re.compile(
    r"\d{1,4}([-/.])\d{1,2}\1\d{1,4}( \d.*)?|\d{1,2}[-/]\d{1,2}|\d{1,2}:\d{2}.*"
    rf"|\d{{1,2}}[-. ]*{_MONTH}([-. ]+\d{{2,4}})?|{_MONTH}[-. ]+\d{{2,4}}",
    re.IGNORECASE,
)
_NUMBER = re.compile(
    r"(?P<sign>[+-]?) ?(?P<core>\d[\d.,'’ ]*\d|\d|[.,]\d+|\d+[.,])(?P<unit>[^\d].*)?"
)
_ONE_MARK = re.compile(r"(?P<whole>\d*)(?P<mark>[.,])(?P<part>\d+)")


@dataclass(frozen=True)
class Numbers:
    """A column read as numbers: values (NaN where none), trouble and unit of each cell.

    Trouble and units are kept for the distinct cells; ``which`` of these each row holds.
    """

    values: np.ndarray
    trouble_of: np.ndarray
    unit_of: np.ndarray
    which: np.ndarray | None = None

    @property
    def trouble(self) -> np.ndarray:
        """A key of :data:`TROUBLE` for each cell, ``""`` where there is none."""
        return self.trouble_of if self.which is None else np.asarray(self.trouble_of[self.which])

    @property
    def units(self) -> np.ndarray:
        """Unit written in each cell, ``""`` where none."""
        return self.unit_of if self.which is None else np.asarray(self.unit_of[self.which])

    @property
    def blank(self) -> np.ndarray:
        """True where a cell holds nothing."""
        none = np.isnan(self.values)
        return none & (self.trouble == "") if none.any() else none


def clean_text(value: object) -> str:
    """One cell as tidy text: whole numbers without ``.0``, single spaces, no blanks around.

    Examples
    --------
    >>> clean_text(12.0), clean_text("  P 7\\u00a0"), clean_text(None)
    ('12', 'P 7', '')
    """
    if type(value) is str:
        return _tidy(value)
    if value is None or value is pd.NaT or value is pd.NA:
        return ""
    if isinstance(value, (float, np.floating)):
        if np.isnan(value):
            return ""
        return str(int(value)) if float(value).is_integer() else repr(float(value))
    if isinstance(value, (bool, np.bool_)):
        return str(value).upper()
    if isinstance(value, dt.datetime):
        return value.date().isoformat() if value.time() == dt.time(0) else value.isoformat(" ")
    return _tidy(str(value))


@functools.lru_cache(maxsize=20_000)
def _tidy(text: str) -> str:
    return " ".join(text.replace("\ufeff", "").replace("\0", "").split())


def texts(column: pd.Series) -> np.ndarray:
    """Tidy text of each cell, ``""`` where blank."""
    return by_unique(column, clean_text)


def by_word(words: np.ndarray, function: Callable[[str], object]) -> np.ndarray:
    """Apply ``function`` to the distinct texts of an array, ``""`` staying ``""``."""
    return by_unique(pd.Series(words, dtype=object), lambda w: function(str(w)) if w else "")


def blank_cells(column: pd.Series) -> np.ndarray:
    """True where a cell holds nothing but spaces."""
    if pd.api.types.is_numeric_dtype(column) or pd.api.types.is_datetime64_any_dtype(column):
        return column.isna().to_numpy()
    return where(column, _is_blank)


def _is_blank(cell: object) -> bool:
    if type(cell) is float:
        return cell != cell
    if type(cell) is str and (cell[:1].isalnum() or cell[-1:].isalnum()):
        return False
    return clean_text(cell) == ""


def is_error(text: str) -> bool:
    """Whether a cell's text is a spreadsheet error such as ``#DIV/0!``.

    Examples
    --------
    >>> is_error("#DIV/0!"), is_error("#N/A"), is_error("#12")
    (True, True, False)
    """
    return text[:1] in "#Ee" and bool(_ERROR.fullmatch(text))


def numbers(column: pd.Series) -> Numbers:
    """Read a column as numbers.

    Decimal points and commas, thousands marks, Unicode minus signs, stray spaces and a unit
    behind the number are understood. ``1,234`` is taken as a decimal number only where the rest
    of the column settles it (decimal commas and no decimal points); else it is trouble.

    Parameters
    ----------
    column
        Cells as read.

    Returns
    -------
    Numbers
        Values, trouble (a key of :data:`TROUBLE` or ``""``) and unit (``""`` where none).

    Examples
    --------
    >>> read = numbers(pd.Series(["0,8 mm", "−1.5", 12, "1,234", "", "#REF!"], dtype=object))
    >>> read.values
    array([ 0.8, -1.5, 12. ,  nan,  nan,  nan])
    >>> list(read.trouble)
    ['', '', '', 'ambiguous', '', 'error']
    """
    if isinstance(column.dtype, pd.CategoricalDtype):
        return _distinct_numbers(column)
    size = len(column)
    trouble = np.full(size, "", dtype=object)
    units = np.full(size, "", dtype=object)
    if pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column):
        values = column.to_numpy(dtype=float, na_value=np.nan).copy()
    else:
        cells = column.to_numpy(object)
        kinds = list(map(type, cells))
        plain = np.ones(size, dtype=bool)
        if set(kinds) != {float}:
            plain = np.fromiter((kind in (float, int) for kind in kinds), dtype=bool, count=size)
        values = np.full(size, np.nan)
        values[plain] = _floats(cells[plain])
        if not plain.all():
            _read_rest(cells, ~plain, values, trouble, units)
    infinite = np.isinf(values)
    values[infinite] = np.nan
    trouble[infinite] = "infinite"
    return Numbers(values, trouble, units)


def _floats(cells: np.ndarray) -> np.ndarray:
    try:
        return cells.astype(float)
    except OverflowError:
        return np.array([c if abs(c) < 1e300 else np.inf for c in cells], dtype=float)


def _distinct_numbers(column: pd.Series) -> Numbers:
    """Numbers of a column whose distinct cells are known."""
    codes, uniques = distinct(column)
    read = numbers(pd.Series([*uniques, None], dtype=object))
    return Numbers(read.values[codes], read.trouble_of, read.unit_of, codes)


def _read_rest(
    cells: np.ndarray,
    where: np.ndarray,
    values: np.ndarray,
    trouble: np.ndarray,
    units: np.ndarray,
) -> None:
    codes, uniques = pd.factorize(cells[where], use_na_sentinel=True)
    words = [_number_text(unique) for unique in uniques]
    commas = _decimal_commas_only(words)
    # The plain ones in one call; float() alone would also take "1_000".
    quick = pd.to_numeric(pd.Series(words, dtype=object), errors="coerce").to_numpy(float)
    plain = np.isfinite(quick) & (not commas)
    read = [
        (value, "", "") if fine else _read_number(word, unique, decimal_commas=commas)
        for value, fine, word, unique in zip(
            quick.tolist(), plain.tolist(), words, uniques, strict=True
        )
    ]
    read.append((np.nan, "", ""))
    values[where] = np.array([r[0] for r in read], dtype=float)[codes]
    trouble[where] = np.array([r[1] for r in read], dtype=object)[codes]
    units[where] = np.array([r[2] for r in read], dtype=object)[codes]


def _number_text(cell: object) -> str:
    text = clean_text(cell)
    return text if text.isascii() else text.translate(SIGNS).strip()


def _decimal_commas_only(words: Sequence[str]) -> bool:
    if not any("," in w for w in words):
        return False
    marks = {"," if "," in w else "." for w in words if _settles_the_mark(w)}
    return marks == {","}


def _settles_the_mark(word: str) -> bool:
    """Whether a number can only be read one way: ``0,8`` and ``12,50`` can, ``1,234`` cannot."""
    if "," not in word and "." not in word:
        return False
    match = _NUMBER.fullmatch(word)
    if match is None:
        return False
    core = match["core"].replace(" ", "").replace("'", "").replace("’", "")
    one = _ONE_MARK.fullmatch(core)
    return one is not None and not _could_be_thousands(one)


def _could_be_thousands(one: re.Match[str]) -> bool:
    return len(one["part"]) == 3 and 1 <= len(one["whole"]) <= 3 and one["whole"][0] != "0"


def _read_number(word: str, cell: object, *, decimal_commas: bool) -> tuple[float, str, str]:
    """Value, trouble and unit of one cell's text."""
    if isinstance(cell, (dt.date, dt.time, dt.timedelta)):
        return np.nan, "date", ""
    if word.casefold() in BLANK_WORDS:
        return np.nan, "", ""
    if word == UNCALCULATED:
        return np.nan, "uncalculated", ""
    if is_error(word):
        return np.nan, "error", ""
    if word.casefold().lstrip("+-") in ("inf", "infinity", "∞"):
        return np.nan, "infinite", ""
    match = _NUMBER.fullmatch(word)
    if match is not None:
        value, trouble = _read_core(match["core"], decimal_commas)
        unit = (match["unit"] or "").strip()
        if not trouble and unit:
            known = _UNITS.get(unit.casefold())
            if known is not None:
                return (-value if match["sign"] == "-" else value), "", known
            if re.fullmatch(r"[eE][+-]?\d+", unit):
                return float(word.replace(" ", "").replace(",", ".")), "", ""
        elif not trouble:
            return (-value if match["sign"] == "-" else value), "", ""
        elif trouble == "ambiguous":
            return np.nan, "ambiguous", ""
        if not trouble and not _DATE_LIKE.fullmatch(word):
            return np.nan, ("unit" if re.fullmatch(r"[^\W\d]+|%", unit) else "text"), ""
    return np.nan, ("date" if _DATE_LIKE.fullmatch(word) else "text"), ""


def _read_core(core: str, decimal_commas: bool) -> tuple[float, str]:
    """Digits with their marks: a value, or the trouble with them."""
    for mark in (" ", "'", "’"):
        if mark in core:
            if not re.fullmatch(rf"\d{{1,3}}({mark}\d{{3}})+([.,]\d*)?", core):
                return np.nan, "text"
            core = core.replace(mark, "")
            # Groups already marked: the point or comma that is left is the decimal one.
            return float(core.replace(",", ".")), ""
    kinds = {mark for mark in ".," if mark in core}
    if not kinds or core in (".", ","):
        return (float(core), "") if core.isdigit() else (np.nan, "text")
    if len(kinds) == 2:
        decimal = max(kinds, key=core.rfind)
        group = "," if decimal == "." else "."
        if re.fullmatch(rf"\d{{1,3}}(\{group}\d{{3}})+\{decimal}\d+", core):
            return float(core.replace(group, "").replace(decimal, ".")), ""
        return np.nan, "text"
    (mark,) = kinds
    if core.count(mark) > 1:
        if re.fullmatch(rf"[1-9]\d{{0,2}}(\{mark}\d{{3}}){{2,}}", core):
            return float(core.replace(mark, "")), ""
        return np.nan, "text"
    one = _ONE_MARK.fullmatch(core)
    if one is None:
        return (float(core[:-1]), "") if mark == "." else (np.nan, "text")
    if _could_be_thousands(one) and (mark == ",") != decimal_commas:
        return np.nan, "ambiguous"
    return float(core.replace(",", ".")), ""


def word_key(text: str) -> str:
    """Spelling of a coded value reduced to what tells values apart.

    Examples
    --------
    >>> word_key("Mesio-Distal"), word_key("pressure_point (upper)")
    ('mesiodistal', 'pressurepoint(upper)')
    """
    return re.sub(r"[\s\-_/]+", "", text.translate(SIGNS).casefold())


def plain_code(code: str) -> str:
    """A patient code without capitals, spaces, signs and zeros in front of a number.

    Two codes that are alike so are taken for two spellings of one.

    Examples
    --------
    >>> plain_code("C 005"), plain_code("c5"), plain_code("C50")
    ('c5', 'c5', 'c50')
    """
    return plain_codes([code])[0]


def plain_codes(codes: Sequence[str]) -> list[str]:
    """:func:`plain_code` of each of many codes, none of which holds a line break."""
    if not codes:
        return []
    text = re.sub(r"[^\w\n]+|_+", "", "\n".join(codes).casefold())
    return re.sub(r"(?<!\d)0+(?=\d)", "", text).split("\n")


def code_lookup(codes: Sequence[Code]) -> dict[str, str]:
    """Every accepted spelling of a set of codes, reduced by :func:`word_key`."""
    return {word_key(word): code.name for code in codes for word in (code.name, *code.also)}


def unit_written(text: str) -> str:
    """Unit a word stands for, ``""`` if it is none.

    Examples
    --------
    >>> unit_written("Degrees"), unit_written("mm"), unit_written("inch")
    ('degree', 'mm', '')
    """
    return _UNITS.get(text.strip().casefold(), "")
