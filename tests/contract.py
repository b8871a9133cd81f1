"""A second statement of the rules of the tables, as pandera schemas: what reading must give."""

from __future__ import annotations

from functools import cache

import pandera.pandas as pa

from outcomes.domain.table_types import Column
from outcomes.domain.tables import TABLES
from outcomes.domain.teeth import FDI_TEETH


@cache
def pandera_schema(table: str) -> pa.DataFrameSchema:
    """Contract of a cleaned table as a pandera schema, derived from :data:`TABLES`.

    Reading gives problems with rows and remedies; this second, independent statement of the same
    rules is for code that makes tables itself, and for the tests.

    Parameters
    ----------
    table
        ``"movements"``, ``"patients"``, ``"courses"``, ``"measures"`` or ``"repeats"``.

    Raises
    ------
    KeyError
        If there is no such table.

    Examples
    --------
    >>> sorted(pandera_schema("patients").columns)[:3]
    ['age', 'clinician', 'growing']
    """

    def checks(column: Column) -> list[pa.Check]:
        found = []
        if column.kind == "tooth":
            found.append(pa.Check.isin(FDI_TEETH))
        if column.kind == "code" and not column.other_codes:
            found.append(pa.Check.isin([code.name for code in column.codes]))
        if column.hard_low is not None:
            found.append(pa.Check.ge(column.hard_low))
        return found

    dtypes = {"number": float, "date": "datetime64[us]"}
    columns = {
        column.name: pa.Column(
            dtypes.get(column.kind),
            checks(column),
            nullable=not (column.required or column.default is not None),
            required=column.required or column.default is not None,
        )
        for column in TABLES[table].columns
    }
    key = [name for name in TABLES[table].key if columns[name].required]
    unique = key if set(key) == set(TABLES[table].key) else None
    return pa.DataFrameSchema(columns, unique=unique, strict=False)
