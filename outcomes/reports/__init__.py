"""Notebooks run unattended, and what they write: pages, tables, words, provenance."""

from importlib import import_module
from typing import Any

_WHERE = {
    "Series": "series.results",
    "open_series": "series.results",
    "run_series": "series.results",
    "manuscript_tables": "series.tables",
    "checklist_table": "series.checklists",
    "case_gallery": "series.documents",
    "reminders": "series.documents",
    "show_figure": "series.documents",
    "show_paper": "series.documents",
    "write_documents": "series.documents",
    "written_words": "series.documents",
    "Calibration": "overcorrection.results",
    "open_aims": "overcorrection.results",
    "run_calibration": "overcorrection.results",
    "write_plan_sheet": "sheet.plan",
    "Audit": "audit.results",
    "run_audit": "audit.results",
    "copy_notebooks": "build.lab",
    "save_table": "build.show",
    "say": "build.show",
    "show": "build.show",
    "fold": "build.show",
    "side_by_side": "build.show",
    "titled": "build.show",
    "OutputRefused": ".errors",
    "Report": "build.run",
    "ReportError": ".errors",
    "open_cohort": "build.run",
    "run_report": "build.run",
}

__all__ = list(_WHERE)


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        return getattr(import_module(f".{_WHERE[name]}", __name__), name)
    raise AttributeError(f"module 'outcomes.reports' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
