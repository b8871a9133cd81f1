"""Notebooks run unattended, and what they write: pages, tables, words, provenance."""

from importlib import import_module
from typing import Any

_WHERE = {
    "Series": "series",
    "open_series": "series",
    "run_series": "series",
    "manuscript_tables": "manuscript",
    "checklist_table": "checklists",
    "case_gallery": "documents",
    "reminders": "documents",
    "show_figure": "documents",
    "show_paper": "documents",
    "write_documents": "documents",
    "written_words": "documents",
    "Calibration": "calibration",
    "open_aims": "calibration",
    "run_calibration": "calibration",
    "write_plan_sheet": "plan_sheet",
    "Audit": "audit",
    "run_audit": "audit",
    "copy_notebooks": "lab",
    "save_table": "output",
    "say": "output",
    "show": "output",
    "fold": "output",
    "side_by_side": "output",
    "titled": "output",
    "OutputRefused": "place",
    "Report": "run",
    "ReportError": "run",
    "open_cohort": "run",
    "run_report": "run",
}

__all__ = list(_WHERE)


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        return getattr(import_module(f"outcomes.report.{_WHERE[name]}"), name)
    raise AttributeError(f"module 'outcomes.report' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
