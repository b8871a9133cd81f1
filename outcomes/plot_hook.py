"""How a result draws itself while it knows nothing of figures.

Figures stand above results, so no room of results imports them. ``outcomes/__init__.py``, which
stands above every room and knows where each public name is, leaves here the way to
``outcomes.plot``; the method ``plot`` of a result is one line that takes it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

__all__ = ["plot", "plot_with"]

_way: list[Callable[[], Callable[..., Any]]] = []


def plot_with(find: Callable[[], Callable[..., Any]]) -> None:
    """Say where the function that draws results is found; it is looked up when first needed."""
    _way[:] = [find]


def plot(result: Any, *args: Any, **options: Any) -> Any:
    """Draw a result: what ``outcomes.plot(result, ...)`` gives."""
    return _way[0]()(result, *args, **options)
