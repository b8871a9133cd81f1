"""Figures: a function takes data and Axes, draws on them, and returns them.

With no Axes a function makes a new figure, which pyplot does not know of; in a notebook the Axes
shows itself. ``alt_text(ax)`` gives the words for it, ``save_figure(ax, stem)`` the files.
"""

from importlib import import_module
from typing import Any

_WHERE = {
    "planned_achieved": "scatter",
    "rates_forest": "forest",
    "tooth_chart": "teeth",
    "record_flow": "flow",
    "residuals": "diagnostics",
    "shrinkage": "diagnostics",
    "influence": "diagnostics",
    "intervals": "diagnostics",
    "pooled_teeth": "diagnostics",
    "plausibility": "scatter",
    "study_size": "study",
    "case_page": "case",
    "series_panels": "courses",
    "before_after_panels": "courses",
    "save_for_print": "publication",
    "factors_forest": "overcorrection",
    "chance_map": "overcorrection",
    "landing_ranges": "overcorrection",
    "shortfall_change": "overcorrection",
    "reliability": "overcorrection",
    "courses_curve": "courses",
    "published_values": "forest",
    "alt_text": "base",
    "figure_bytes": "base",
    "save_figure": "base",
    "style": "base",
}

__all__ = list(_WHERE)


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        return getattr(import_module(f"outcomes.figures.{_WHERE[name]}"), name)
    raise AttributeError(f"module 'outcomes.figures' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
