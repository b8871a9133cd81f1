"""Rows of result tables, ready to be put into words."""

from __future__ import annotations

from typing import Any

import pandas as pd

from outcomes.domain.names import class_name, movement_name

STANDS_OUT = 0.05
"""An adjusted p value below this is said to stand out."""


def first_row(frame: pd.DataFrame, position: int) -> Any:
    return lines(frame.iloc[[position]])[0]


def lines(frame: pd.DataFrame) -> list[Any]:
    return list(frame.itertuples(index=False))


def rate_name(row: Any) -> str:
    """Whose rate a line gives: its movement, and the kind of tooth where it is one."""
    of = "" if row.group == "all" else f" of {class_name(str(row.group))}"
    return f"{movement_name(str(row.movement))}{of}"


def shares(table: pd.DataFrame, column: str) -> tuple[int, int]:
    """Movements with a property, and movements in all, from shares by group."""
    total = int(table["movements"].sum())
    return round(float((table[column] * table["movements"]).sum())), total


def standing_out(table: pd.DataFrame) -> pd.DataFrame:
    """The comparisons that stand out after adjustment, the clearest first."""
    return table[table["p_holm"] < STANDS_OUT].sort_values("p_holm")
