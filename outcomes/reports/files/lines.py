"""Rows of a frame as plain dictionaries."""

from __future__ import annotations

from typing import Any

import pandas as pd

__all__ = ["dicts"]


def dicts(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """The rows of a frame, by the names of its columns."""
    return [{str(name): value for name, value in line.items()} for line in frame.to_dict("records")]
