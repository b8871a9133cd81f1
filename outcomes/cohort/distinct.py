"""Work on the distinct cells of a column, so that a million rows cost little more than a thousand."""

from __future__ import annotations

from collections.abc import Callable
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
    if isinstance(column.dtype, pd.StringDtype) or pd.api.types.is_numeric_dtype(column):
        codes, kinds = pd.factorize(column)
        return codes, kinds.tolist()
    codes, uniques = pd.factorize(column.to_numpy(object), use_na_sentinel=True)
    return codes, uniques.tolist()


def words_of(column: pd.Series, function: Callable[[object], str]) -> pd.Series:
    """The words ``function`` makes of the cells of a column, as a categorical; blank where "".

    Cells of one word have one category, and every category is there.
    """
    codes, uniques = distinct(column)
    words = [*(function(unique) for unique in uniques), function(None)]
    places = {word: i for i, word in enumerate(sorted(set(words) - {""}))}
    to = np.array([places.get(word, -1) for word in words], dtype=np.int64)
    categories = pd.Index(list(places), dtype="str")
    read = pd.Categorical.from_codes(to[codes], categories=categories)
    return pd.Series(read, index=column.index)


def spread(distinct: Any, codes: np.ndarray) -> Any:
    """A column from its distinct cells and which of them each row holds, -1 for none; (n,).

    Texts become a column of strings, a categorical stays one.
    """
    if not isinstance(distinct, pd.api.extensions.ExtensionArray):
        distinct = pd.array(list(distinct), dtype="str")
    return distinct.take(codes, allow_fill=bool((codes < 0).any())) if len(codes) else distinct[:0]


def as_type(column: pd.Series, dtype: str) -> pd.Series:
    """A column as another type; of a categorical, by its distinct cells."""
    if dtype == "str" and isinstance(column.dtype, pd.CategoricalDtype):
        codes, words = distinct(column)
        if len(words):
            return pd.Series(spread([str(word) for word in words], codes), index=column.index)
    return column.astype(cast(Any, dtype))
