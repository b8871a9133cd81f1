"""How a result shows itself: its tables and sentences in a terminal, and in a notebook."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pandas as pd

__all__ = ["as_html", "as_text", "bullets"]


def as_text(*parts: str | pd.DataFrame, digits: int = 2, blank: str = "NaN") -> str:
    """Sentences and tables below one another; ``blank`` stands for what is missing.

    Examples
    --------
    >>> print(as_text("Two patients", pd.DataFrame({"mean": [0.123]}), "As measured."))
    Two patients
     mean
     0.12
    As measured.
    """
    look = _look(digits, blank)
    return "\n".join(p if isinstance(p, str) else p.to_string(**look) for p in parts)


def as_html(
    *parts: str | pd.DataFrame, notes: Iterable[str] = (), digits: int = 2, blank: str = "NaN"
) -> str:
    """Paragraphs and tables, then the notes as a list; sentences are taken as they are.

    Examples
    --------
    >>> as_html("Two patients", notes=["As measured."])
    '<p>Two patients</p><ul><li>As measured.</li></ul>'
    """
    look = _look(digits, blank)
    body = (f"<p>{p}</p>" if isinstance(p, str) else p.to_html(border=0, **look) for p in parts)
    return f"{''.join(body)}{bullets(notes)}"


def bullets(sentences: Iterable[str]) -> str:
    """Sentences as an HTML list; nothing where there is none."""
    items = "".join(f"<li>{sentence}</li>" for sentence in sentences)
    return f"<ul>{items}</ul>" if items else ""


def _look(digits: int, blank: str) -> dict[str, Any]:
    return {"index": False, "float_format": f"{{:.{digits}f}}".format, "na_rep": blank}
