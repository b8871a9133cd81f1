"""Work on the distinct cells of a column, so that a million rows cost little more than a thousand."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, cast

import numpy as np
import pandas as pd


def by_unique(
    column: pd.Series, function: Callable[[object], object], dtype: Any = object
) -> np.ndarray:
    """Apply ``function`` to the distinct cells of a column; one result for each row."""
    codes, uniques = distinct(column)
    results = np.empty(len(uniques) + 1, dtype=dtype)
    for i, unique in enumerate(uniques):
        results[i] = function(unique)
    results[-1] = function(None)
    return results[codes]


def where(column: pd.Series, function: Callable[[object], bool]) -> np.ndarray:
    """True where ``function`` of a cell is true; shape (n,)."""
    codes, uniques = distinct(column)
    return chosen(codes, [*(bool(function(u)) for u in uniques), bool(function(None))])


def chosen(codes: np.ndarray, flags: list[bool]) -> np.ndarray:
    """True where the distinct cell of a row is flagged, (n,); the last flag is that of no cell."""
    if not any(flags):
        return np.zeros(len(codes), dtype=bool)
    return np.array(flags)[codes]


def distinct(column: pd.Series) -> tuple[np.ndarray, list[object]]:
    """Which of the distinct cells each row holds, (n,) with -1 for none; and those cells.

    Of a categorical column all categories count as cells that are there.
    """
    if isinstance(column.dtype, pd.CategoricalDtype):
        return column.cat.codes.to_numpy(), column.cat.categories.tolist()
    if pd.api.types.is_numeric_dtype(column) and (small := _small_numbers(column)):
        return small
    if isinstance(column.dtype, pd.StringDtype) or pd.api.types.is_numeric_dtype(column):
        codes, kinds = pd.factorize(column)
        return codes, kinds.tolist()
    codes, uniques = pd.factorize(column.to_numpy(object), use_na_sentinel=True)
    return codes, uniques.tolist()


def _small_numbers(column: pd.Series) -> tuple[np.ndarray, list[object]] | None:
    """Like :func:`distinct`, of whole numbers from 0 to 255, such as teeth; None of any other."""
    values = column.to_numpy()
    if values.dtype.kind not in "if" or not len(values):
        return None
    if not (values.min() >= 0 and values.max() <= 255):
        return None
    small = values.astype(np.uint8)
    if not np.array_equal(small, values):
        return None
    there = np.zeros(256, dtype=bool)
    there[small] = True
    codes = (np.cumsum(there) - 1).astype(np.int16)[small]
    return codes, np.flatnonzero(there).astype(values.dtype).tolist()


def first_rows(column: pd.Series) -> np.ndarray:
    """Place of the first row of each cell there is in a column, in their order."""
    codes, uniques = distinct(column)
    first = np.full(len(uniques) + 1, len(codes))
    first[codes[::-1]] = np.arange(len(codes) - 1, -1, -1)
    first[-1] = len(codes)  # where there is no cell
    return np.sort(first[first < len(codes)])


def places_of_each(column: pd.Series, where: np.ndarray) -> list[tuple[str, np.ndarray]]:
    """Each word of a column with its places among those in ``where``, the first word first."""
    codes, words = distinct(column)
    found = [(str(word), np.flatnonzero(where & (codes == i))) for i, word in enumerate(words)]
    return sorted((pair for pair in found if len(pair[1])), key=lambda pair: pair[1][0])


def words_of(column: pd.Series, function: Callable[[object], str]) -> pd.Series:
    """The words ``function`` makes of the cells of a column, as a categorical; blank where "".

    Cells of one word have one category, and every category is there.
    """
    codes, uniques = distinct(column)
    words = [*(function(unique) for unique in uniques), function(None)]
    places = {word: i for i, word in enumerate(sorted(set(words) - {""}))}
    to = np.array([places.get(word, -1) for word in words], dtype=np.int32)
    categories = pd.Index(list(places), dtype="str")
    read = pd.Categorical.from_codes(to[codes], categories=categories, validate=False)
    return pd.Series(read, index=column.index)


def spread(distinct: Any, codes: np.ndarray) -> Any:
    """A column from its distinct cells and which of them each row holds, -1 for none; (n,).

    Texts become a column of strings, a categorical stays one.
    """
    if not isinstance(distinct, pd.api.extensions.ExtensionArray):
        distinct = pd.array(list(distinct), dtype="str")
    return distinct.take(codes, allow_fill=bool((codes < 0).any())) if len(codes) else distinct[:0]


def spread_all(columns: dict[str, tuple[Any, np.ndarray]]) -> dict[str, Any]:
    """:func:`spread` of several columns, two at a time."""
    with ThreadPoolExecutor(2) as pool:
        made = list(pool.map(lambda column: spread(*column), columns.values()))
    return dict(zip(columns, made, strict=True))


def as_types(
    frame: pd.DataFrame, types: dict[str, str], more: dict[str, tuple[Any, np.ndarray]]
) -> pd.DataFrame:
    """A frame with columns of other types, and ``more`` behind them, as for :func:`spread`."""
    words: dict[str, tuple[Any, np.ndarray]] = {}
    others = {}
    for name, dtype in types.items():
        if dtype == "str" and isinstance(frame[name].dtype, pd.CategoricalDtype):
            codes, found = distinct(frame[name])
            if found:
                words[name] = ([str(word) for word in found], codes)
                continue
        others[name] = frame[name].astype(cast(Any, dtype))
    return frame.assign(**others, **spread_all(words | more))
