"""The second step of reading: a sheet as found becomes a headed sheet.

Which row holds the headings, which column of the schema each one means, and the records below
them. Cells stay as typed, and nothing is judged yet.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.cohort.cells import blank_cells
from outcomes.cohort.headers import Headings, find_headings, heading, match_headings
from outcomes.cohort.sources import Sheet
from outcomes.domain.table_types import TableSchema
from outcomes.domain.tables import TABLES


@dataclass(frozen=True)
class Headed:
    """A sheet with its headings; n rows below them that are not blank, k columns.

    Attributes
    ----------
    sheet, table
        As found, and the table it should be.
    headings
        As written (k,), and where each column of the schema stands.
    body
        Cells as typed, (n, k).
    rows
        Row of each in the spreadsheet, (n,).
    blank
        True where a cell holds nothing, (n, k).
    """

    sheet: Sheet
    table: TableSchema
    headings: Headings
    body: pd.DataFrame
    rows: np.ndarray
    blank: np.ndarray


def head(sheet: Sheet) -> Headed:
    """Find the headings of a sheet, and the rows below them."""
    table = TABLES[sheet.table]
    if sheet.headings is None:
        headings = find_headings(sheet.cells, table)
        body = sheet.cells.iloc[headings.at + 1 :] if headings.headings else sheet.cells
    elif sheet.known is not None:
        headings = Headings(0, tuple(heading(cell) for cell in sheet.headings), sheet.known)
        body = sheet.cells
    else:
        headings = match_headings(list(sheet.headings), table)
        body = sheet.cells
    rows = body.index.to_numpy() + (1 if sheet.headings is None else 2)
    blank = np.ones(body.shape, dtype=bool, order="F")
    for i in range(body.shape[1]):
        blank[:, i] = blank_cells(body.iloc[:, i])
    filled = ~blank.all(axis=1)
    if not filled.all():
        body, rows, blank = body.iloc[np.flatnonzero(filled)], rows[filled], blank[filled]
    left = {i: _still_there(body[i]) for i in body}
    body = pd.DataFrame(left, copy=False).set_axis(range(len(rows)), axis=0)
    return Headed(sheet, table, headings, body, rows, blank)


def _still_there(column: pd.Series) -> pd.Series:
    """A column by its distinct cells, without those of rows that are left out, such as headings."""
    if column.dtype == object:
        places, cells = pd.factorize(column.to_numpy(object), use_na_sentinel=True)
        read = pd.Categorical.from_codes(places, categories=pd.Index(cells, dtype=object))
        return pd.Series(read, index=column.index)
    if not isinstance(column.dtype, pd.CategoricalDtype):
        return column
    codes, categories = column.cat.codes.to_numpy(), column.cat.categories
    there = codes if codes.min(initial=0) >= 0 else codes[codes >= 0]
    used = np.bincount(there, minlength=len(categories)) > 0
    if used.all():
        return column
    to = np.append(np.cumsum(used) - 1, -1).astype(codes.dtype)
    left = pd.Categorical.from_codes(to[codes], categories=categories[used], validate=False)
    return pd.Series(left, index=column.index)
