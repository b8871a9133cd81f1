"""What was written, read again: the same records, or it is refused."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.cohort import cells
from outcomes.cohort.records import Cohort
from outcomes.domain.tables import DERIVED, TABLES
from outcomes.errors import OutputRefused


def tables_of(cohort: Cohort) -> dict[str, pd.DataFrame]:
    """Tables of a cohort with all records that can be used, also those not measured yet."""
    tables = {name: getattr(cohort, name) for name in TABLES}
    tables["movements"] = pd.concat([cohort.movements, cohort.unmeasured], ignore_index=True)
    return {name: table for name, table in tables.items() if len(table)}


def require_same(written: dict[str, pd.DataFrame], read: dict[str, pd.DataFrame]) -> None:
    """Refuse what does not read back as the records that were to be written.

    Raises
    ------
    OutputRefused
        If records, columns or values differ; nothing may be left at its place then.
    """
    for name in {**written, **read}:
        if name not in written or name not in read or not _same(name, written[name], read[name]):
            raise OutputRefused(
                f"Nothing was written: the {name} would not read back as they are. Try another "
                "form with --out (a folder, or an .xlsx file)."
            )


def _same(name: str, written: pd.DataFrame, read: pd.DataFrame) -> bool:
    key = [column for column in TABLES[name].key if column in written]
    if len(written) != len(read) or not set(key) <= set(read.columns):
        return False
    one, other = (t.sort_values(key, kind="stable", ignore_index=True) for t in (written, read))
    columns = [column for column in one if column not in DERIVED or column == "unit"]
    return all(
        _alike(one[c], other[c]) if c in other else bool(one[c].isna().all()) for c in columns
    )


def _alike(written: pd.Series, read: pd.Series) -> bool:
    if pd.api.types.is_numeric_dtype(written) and pd.api.types.is_numeric_dtype(read):
        one, other = (v.to_numpy(float, na_value=np.nan) for v in (written, read))
        return np.array_equal(one, other, equal_nan=True)
    return bool((cells.texts(written) == cells.texts(read)).all())
