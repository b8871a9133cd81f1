"""Reporting checklists: what the generated report covers, what the author must add.

Items by number and topic, in our own short words, after STROBE (von Elm et al. 2007, 22 items) and
CARE for single cases (Gagnier et al. 2013, 13 items).
"""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.reports.series.cells import Tables
from outcomes.reports.series.results import Series
from outcomes.reports.table import Table, row

__all__ = ["Item", "care", "checklist", "checklist_table", "strobe"]


@dataclass(frozen=True)
class Item:
    """One item: its number and topic, what is covered and where, what the author must add."""

    number: str
    topic: str
    covered: str
    to_add: str


def strobe(series: Series, tables: Tables) -> list[Item]:
    """The 22 items for an observational study, as far as this series covers them."""
    has = tables.__contains__

    def at(short: str) -> str:
        return tables[short].label if has(short) else ""

    error = f"measurement error, {at('measurement')}" if has("measurement") else ""
    measures = f"; {at('before_after')}" if has("before_after") else ""
    return [
        Item("1", "Title and abstract", "", "design named in the title; a balanced abstract"),
        Item("2", "Background", "", "why the question matters, what is known"),
        Item("3", "Objectives", "", "the questions, set before looking at the results"),
        Item("4", "Study design", "Methods: retrospective series", "when and why it was planned"),
        Item("5", "Setting", _periods(series), "places, dates of recruitment and follow-up"),
        Item(
            "6",
            "Participants",
            f"numbers read and left out, {at('records')}",
            "who was eligible, where they came from, consecutive or chosen",
        ),
        Item("7", "Variables", "Methods: planned, achieved, measures, size that matters", ""),
        Item(
            "8",
            "Sources and measurement",
            "; ".join(filter(None, ("Methods", error))),
            "how scans were taken and superimposed, by whom"
            + ("" if error else "; repeat about 20 measurements"),
        ),
        Item(
            "9",
            "Bias",
            "Limitations (in part)",
            "how cases were chosen; who measured, blinded or not",
        ),
        Item("10", "Study size", f"{at('patients')}", "why this number"),
        Item("11", "Quantities", "Methods; rounding in the footnotes", ""),
        Item(
            "12", "Statistical methods", f"Methods; {at('settings')}", "changes to what was planned"
        ),
        Item(
            "13", "Flow of participants", at("records"), "those who were eligible but not recorded"
        ),
        Item(
            "14", "Description of participants", at("patients"), "whatever else matters to the bite"
        ),
        Item("15", "Outcome data", f"{at('achievement')}{measures}", ""),
        Item(
            "16",
            "Main results",
            "; ".join(filter(None, (at("rates"), at("before_after")))),
            "confounders that were considered",
        ),
        Item(
            "17",
            "Other analyses",
            "; ".join(filter(None, (at("contrasts"), at("courses"), at("unplanned"), at("bite")))),
            "which were planned and which came later",
        ),
        Item("18", "Key results", "Results (numbers)", "what they mean for the question"),
        Item("19", "Limitations", "Limitations (those the data show)", "those only you know"),
        Item("20", "Interpretation", "", "cautious, beside other studies"),
        Item("21", "Generalisability", "Limitations (in part)", "to whom it may apply"),
        Item("22", "Funding", "", "sources, and interests of every author"),
    ]


def care(series: Series, tables: Tables) -> list[Item]:
    """The 13 items for a report of a single case."""
    has = tables.__contains__
    timeline = "the case page, courses and aligners" if len(series.cohort.courses) else ""
    follow = tables["before_after"].label if has("before_after") else ""
    return [
        Item("1", "Title", "", "the words case report and what is of interest"),
        Item("2", "Key words", "", "two to five"),
        Item("3", "Abstract", "", "what is new, the case, the lesson"),
        Item("4", "Introduction", "", "background, with references"),
        Item(
            "5",
            "Patient",
            tables["patients"].label,
            "concerns, history, earlier treatment; nothing that identifies",
        ),
        Item("6", "Clinical findings", follow, "examination, periodontium"),
        Item("7", "Timeline", timeline, "visits and events that are not in the records"),
        Item("8", "Diagnosis", "", "methods, reasoning, radiographs, prognosis"),
        Item("9", "Intervention", timeline, "attachments, staging, changes and their reasons"),
        Item(
            "10",
            "Follow-up and outcome",
            "; ".join(
                filter(None, (tables["achievement"].label if has("achievement") else "", follow))
            ),
            "retention, wear as reported, adverse events",
        ),
        Item("11", "Discussion", "Limitations (in part)", "strengths, literature, conclusions"),
        Item("12", "Patient's view", "", "how the patient saw it, where possible"),
        Item("13", "Consent", "", "written consent to publish, also of pictures"),
    ]


def _periods(series: Series) -> str:
    courses = series.cohort.courses
    if "start" in courses.columns and courses["start"].notna().any():
        return "days of treatment, Table 1"
    return ""


def checklist(series: Series, tables: Tables) -> tuple[str, list[Item]]:
    """Name and items of the checklist that fits: CARE for one patient, STROBE for more."""
    if len(series.patients) == 1:
        return "CARE", care(series, tables)
    return "STROBE", strobe(series, tables)


def checklist_table(series: Series, tables: Tables) -> Table:
    """The checklist as a table for print."""
    name, items = checklist(series, tables)
    source = {
        "STROBE": "Items after STROBE, von Elm et al. Lancet 2007;370:1453–1457, in our words.",
        "CARE": "Items after CARE, Gagnier et al. Glob Adv Health Med 2013;2(5):38–43, in our words.",
    }[name]
    rows = tuple(
        row(item.number, [item.number, item.topic, item.covered or "–", item.to_add or "–"])
        for item in items
    )
    return Table(
        f"checklist_{name.lower()}",
        f"{name} checklist",
        "what this report covers, and what the author must add",
        ("Item", "Topic", "Covered here", "Author to add"),
        rows,
        (source,),
    )
