"""Rows of result tables, ready to be put into words."""

from __future__ import annotations

from typing import Any

import pandas as pd


def first_row(frame: pd.DataFrame, position: int) -> Any:
    return lines(frame.iloc[[position]])[0]


def lines(frame: pd.DataFrame) -> list[Any]:
    return list(frame.itertuples(index=False))


def shares(table: pd.DataFrame, column: str) -> tuple[int, int]:
    """Movements with a property, and movements in all, from shares by group."""
    total = int(table["movements"].sum())
    return round(float((table[column] * table["movements"]).sum())), total
