"""Text files: the encoding, the separator, and the cells as typed."""

from __future__ import annotations

import csv
import io
import re
import warnings
from collections import Counter

import numpy as np
import pandas as pd

from outcomes.cohort.headers import match_headings
from outcomes.cohort.problems import shown
from outcomes.cohort.sizes import hold_table
from outcomes.domain.tables import TABLES
from outcomes.errors import Unreadable
from outcomes.words.safe import as_meant

TEXT_FILES = (".csv", ".tsv", ".txt")
SEPARATORS = (",", ";", "\t", "|")


def read_delimited(data: bytes, table: str = "") -> pd.DataFrame:
    """Cells of a text file, one row for each row a spreadsheet shows.

    The separator is the one that shows most headings of ``table``; with no table, the one that
    cuts most lines alike.

    Raises
    ------
    Unreadable
        If the bytes are no text, the text is no table, or the table is over a limit.
    """
    # Most files are plain ASCII, and need not be decoded as a whole.
    plain = data.isascii() and b"\0" not in data
    text = "" if plain else decode(data)
    top = data[:_TOP].decode() if plain else text[:_TOP]
    if not top or (top.isspace() and (data.decode() if plain else text).isspace()):
        return pd.DataFrame()
    separator = _separator(top, table) if table else separator_of(top)
    cells = _regular(data if plain else text.encode(), separator)
    if cells is not None:
        return cells
    return _as_written(data.decode() if plain else text, separator)


#: Characters at the top of a file that tell its separator.
_TOP = 50_000


def separator_of(text: str) -> str:
    """Separator that cuts most of the first lines into equally many fields, and the most.

    Examples
    --------
    >>> separator_of("a;b;c\\n1,5;2,5;3,5\\n1;2,5;3\\n")
    ';'
    """
    top = text[:_TOP].splitlines()[:60]

    def score(separator: str) -> tuple[float, int]:
        widths = [len(r) for r in csv.reader(top, delimiter=separator, skipinitialspace=True)]
        many = Counter(w for w in widths if w > 1)
        if not many:
            return 0.0, 1
        width, lines = many.most_common(1)[0]
        return lines / len(widths), width

    return max(SEPARATORS, key=score)


def _as_written(text: str, separator: str) -> pd.DataFrame:
    """Cells of any text: quotation marks, line breaks inside cells, records of different lengths."""
    fields = _widest(text, separator)
    hold_table(len(text.splitlines()), fields, "the file")
    try:
        with warnings.catch_warnings():
            # pandas only warns where a record has more cells than columns, and loses them.
            warnings.simplefilter("error", pd.errors.ParserWarning)
            cells = pd.read_csv(
                io.StringIO(text),
                sep=separator,
                header=None,
                names=list(range(fields)),
                index_col=False,
                dtype=object,
                na_filter=False,
                skip_blank_lines=False,
                skipinitialspace=True,
            )
    except (pd.errors.ParserError, pd.errors.ParserWarning) as error:
        raise Unreadable(f"{_NO_TABLE} ({error})", _LONE_MARK) from None
    columns = {i: _distinct(cells[i]) for i in range(fields)}
    _hold_no_swallowed(columns, separator)
    return pd.DataFrame(columns)


def _hold_no_swallowed(columns: dict[int, pd.Categorical], separator: str) -> None:
    """Refuse a text in which a cell holds records: what lies between two lone quotation marks.

    Such a cell has as many separators as whole records, and what stands between these looks like
    most of what stands in the columns it would be in.
    """
    width = len(columns)
    for at, column in columns.items():
        for cell in column.categories:
            breaks = cell.count("\n")
            if not breaks or width < 3 or cell.count(separator) != breaks * (width - 1):
                continue
            pieces = re.split(f"\r?\n|{re.escape(separator)}", cell)[1:-1]
            alike = [_share(columns[(at + i) % width], piece) for i, piece in enumerate(pieces, 1)]
            if sum(alike) > len(alike) / 2:
                begins = shown(cell.split("\n")[0])
                raise Unreadable(f"{_NO_TABLE} (the cell {begins!r} goes over several)", _LONE_MARK)


def _share(column: pd.Categorical, text: str) -> float:
    """Share of the cells of a column that are numbers, words or codes as the text is."""
    like = np.array([*(_shape(cell) == _shape(text) for cell in column.categories), False])
    return float(like[column.codes].mean())


def _shape(text: str) -> str:
    """Numbers as 0 and words as a.

    Examples
    --------
    >>> _shape("P001"), _shape("-0.5"), _shape(" tip")
    ('a0', '0', 'a')
    """
    return re.sub(r"[^\W\d_]+", "a", re.sub(r"[+-]?\d+([.,]\d+)?", "0", text.strip()))


def _widest(text: str, separator: str) -> int:
    """Cells of the longest record; a record may go over several lines."""
    records = csv.reader(io.StringIO(text, newline=""), delimiter=separator, skipinitialspace=True)
    try:
        return max(map(len, records), default=1) or 1
    except csv.Error as error:
        raise Unreadable(f"{_NO_TABLE} ({error})", _LONE_MARK) from None


_NO_TABLE = "not a table with one record on each line"
_LONE_MARK = 'Look for a lone quotation mark (") in the file, or save it anew from a spreadsheet.'


def _distinct(column: pd.Series) -> pd.Categorical:
    """The texts of a column; a line cut short has no cell here."""
    codes, texts = pd.factorize(column.to_numpy(object), use_na_sentinel=True)
    return _as_meant(pd.Categorical.from_codes(codes, pd.Index(texts, dtype=object)))


def _regular(data: bytes, separator: str) -> pd.DataFrame | None:
    """Cells of a text without quotation marks, each line of as many cells; None of any other.

    A column is a categorical of its distinct texts, so that all that follows is done on these.
    ``data`` is the text in UTF-8.
    """
    from pyarrow import ArrowInvalid, csv, dictionary, int32, py_buffer, string

    if b'"' in data:
        return None
    fields = data[: data.find(b"\n") + 1].count(separator.encode()) + 1
    if len(data) > _LARGE:
        hold_table(data.count(b"\n"), fields, "the file")
    names = [str(i) for i in range(fields)]
    kinds = csv.ConvertOptions(
        column_types=dict.fromkeys(names, dictionary(int32(), string())), strings_can_be_null=False
    )
    parsing = csv.ParseOptions(delimiter=separator, quote_char=False, ignore_empty_lines=False)
    reading = csv.ReadOptions(column_names=names)
    try:
        table = csv.read_csv(py_buffer(data), reading, parsing, kinds)
    except ArrowInvalid:
        return None
    hold_table(table.num_rows, fields, "the file")
    columns = {}
    for i, column in enumerate(table.unify_dictionaries().columns):
        whole = column.combine_chunks()
        categories = pd.Index(whole.dictionary.to_pylist(), dtype=object)
        codes = whole.indices.to_numpy()
        columns[i] = _as_meant(pd.Categorical.from_codes(codes, categories, validate=False))
    return pd.DataFrame(columns, copy=False)


#: In files of more bytes rows are counted before memory is set aside for them.
_LARGE = 50_000_000


def _as_meant(cells: pd.Categorical) -> pd.Categorical:
    """Cells without the mark that keeps a text from being a formula (``words/safe.py``)."""
    written = cells.categories.tolist()
    meant = [as_meant(text) for text in written]
    if meant == written:
        return cells
    places = {text: i for i, text in enumerate(dict.fromkeys(meant))}
    to = np.array([*(places[text] for text in meant), -1])
    return pd.Categorical.from_codes(to[cells.codes], pd.Index(list(places), dtype=object))


def decode(data: bytes) -> str:
    """Text of a file: UTF-8, UTF-16 with or without its mark, or Windows-1252.

    Raises
    ------
    Unreadable
        If it is none of these.

    Examples
    --------
    >>> decode("Größe".encode("utf-16-le")), decode("Größe".encode("cp1252"))
    ('Größe', 'Größe')
    """
    for encoding in _encodings(data):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text.removeprefix("\ufeff")
    raise Unreadable(
        "neither UTF-8 nor Windows text", "Save the file as 'CSV UTF-8' from a spreadsheet program."
    )


def _encodings(data: bytes) -> tuple[str, ...]:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return ("utf-16",)
    top = data[:2000]
    # Text of European languages in UTF-16 is every other byte zero; no text in UTF-8 holds any.
    if top[1::2].count(0) > len(top) // 4:
        return ("utf-16-le",)
    if top[::2].count(0) > len(top) // 4:
        return ("utf-16-be",)
    return ("utf-8", "cp1252")


def _separator(text: str, table: str) -> str:
    """Separator with which the first lines hold most headings of the table."""
    top = text[:20_000].splitlines()[:25]

    def score(separator: str) -> tuple[int, int]:
        rows = list(csv.reader(top, delimiter=separator, skipinitialspace=True))
        matched = max((len(match_headings(list(r), TABLES[table]).known) for r in rows), default=0)
        return matched, max((len(r) for r in rows), default=0)

    return max(SEPARATORS, key=score)
