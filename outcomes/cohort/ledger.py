"""Where every row read has gone: rows read = rows excluded, by reason, + rows analysed."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd

from outcomes.cohort.typed import Typed
from outcomes.domain.tables import TABLES

__all__ = ["LEDGER_COLUMNS", "excluded", "ledger"]

LEDGER_COLUMNS = ["table", "step", "reason", "rows", "patients"]

#: The two lines of analysed movements.
PLANNED = "planned movement: enters the rates"
UNPLANNED = "planned = 0: unplanned movement, reported apart, never a rate"


def ledger(tables: dict[str, Typed]) -> pd.DataFrame:
    """Rows and patients of each table: read, excluded by reason, analysed."""
    lines = [line for name, table in tables.items() for line in _lines(name, table)]
    if not lines:
        lines = [["movements", "read", "", 0, 0]]
        lines += [["movements", "analysed", why, 0, 0] for why in (PLANNED, UNPLANNED)]
    frame = pd.DataFrame(lines, columns=LEDGER_COLUMNS)
    return frame.astype(
        {"table": "str", "step": "str", "reason": "str", "rows": int, "patients": int}
    )


def _lines(name: str, table: Typed) -> list[list[object]]:
    """The lines of one table; the commonest reason first."""
    codes, patients = table.named.patient_codes
    sieve = table.sieve
    kept = sieve.kept

    def line(step: str, why: str, where: np.ndarray) -> list[object]:
        seen = np.bincount(codes[where] + 1, minlength=len(patients) + 1)[1:] > 0
        return [name, step, why, int(where.sum()), int(seen.sum())]

    reasons = Counter(sieve.reasons_of(~kept).tolist()).most_common()
    analysed = {"": kept}
    if name == "movements":
        unplanned = table.frame["planned"].astype(float).to_numpy() == 0
        analysed = {PLANNED: kept & ~unplanned, UNPLANNED: kept & unplanned}
    return [
        line("read", "", np.ones(len(kept), dtype=bool)),
        *(line("excluded", why, sieve.set_aside_for(why)) for why, _ in reasons),
        *(line("analysed", why, where) for why, where in analysed.items()),
    ]


def excluded(tables: dict[str, Typed]) -> pd.DataFrame:
    """The rows set aside, cells as typed: table, row, reason, then what the row holds."""
    parts = []
    for name, table in tables.items():
        out = ~table.sieve.kept
        part = table.named.frame[out].astype(object).map(_as_typed)
        labels = {
            "table": name,
            "row": table.sieve.rows[out],
            "reason": table.sieve.reasons_of(out),
        }
        clash = {column: f"{column}_given" for column in part.columns if column in labels}
        parts.append(pd.DataFrame(labels).join(part.rename(columns=clash).reset_index(drop=True)))
    parts = [part for part in parts if len(part)]
    if not parts:
        return pd.DataFrame(columns=["table", "row", "reason", *TABLES["movements"].required])
    return pd.concat(parts, ignore_index=True)


def _as_typed(cell: object) -> object:
    """A cell as a spreadsheet shows it: whole numbers without a decimal point."""
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return int(cell)
    return cell
