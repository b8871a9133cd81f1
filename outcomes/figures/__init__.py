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
    "shrinkage": "effects",
    "influence": "patients_left_out",
    "intervals": "interval_kinds",
    "pooled_teeth": "pooling",
    "plausibility": "screening",
    "study_size": "study",
    "case_page": "case",
    "series_panels": "series",
    "before_after_panels": "before_after",
    "save_for_print": "publication",
    "factors_forest": "factors",
    "chance_map": "chances",
    "prediction_fan": "fan",
    "bite_options": "overbite",
    "decision_curve": "decision",
    "landing_ranges": "landing",
    "shortfall_change": "shortfall",
    "reliability": "stated_chances",
    "courses_curve": "courses",
    "course_ahead": "coming",
    "published_values": "published",
    "arch_outlines": "arches",
    "arch_arrows": "crown_arrows",
    "residual_map": "crown_residuals",
    "measured_arches": "measured",
    "clicked_teeth": "clicked",
    "View3D": "view3d",
    "view_arch": "view3d",
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
