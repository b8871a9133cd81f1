"""Reporting checklists: what the generated report covers, what the author must add.

Items by number and topic, in our own short words, after STROBE (von Elm et al. 2007, 22 items) and
CARE for single cases (Gagnier et al. 2013, 13 items).
"""

from __future__ import annotations

import re
from typing import NamedTuple

from outcomes.reports.series.cells import Tables
from outcomes.reports.series.results import Series
from outcomes.reports.table import Table, row

Topics = tuple[tuple[str, str, str], ...]

STROBE: Topics = (
    ("Title and abstract", "", "design named in the title; a balanced abstract"),
    ("Background", "", "why the question matters, what is known"),
    ("Objectives", "", "the questions, set before looking at the results"),
    ("Study design", "Methods: retrospective series", "when and why it was planned"),
    ("Setting", "{periods}", "places, dates of recruitment and follow-up"),
    (
        "Participants",
        "numbers read and left out, {records}",
        "who was eligible, where they came from, consecutive or chosen",
    ),
    ("Variables", "Methods: planned, achieved, measures, size that matters", ""),
    (
        "Sources and measurement",
        "Methods; measurement error, {measurement}",
        "how scans were taken and superimposed, by whom; {repeat}",
    ),
    ("Bias", "Limitations (in part)", "how cases were chosen; who measured, blinded or not"),
    ("Study size", "{patients}", "why this number"),
    ("Quantities", "Methods; rounding in the footnotes", ""),
    ("Statistical methods", "Methods; {settings}", "changes to what was planned"),
    ("Flow of participants", "{records}", "those who were eligible but not recorded"),
    ("Description of participants", "{patients}", "whatever else matters to the bite"),
    ("Outcome data", "{achievement}; {before_after}", ""),
    ("Main results", "{rates}; {before_after}", "confounders that were considered"),
    (
        "Other analyses",
        "{contrasts}; {courses}; {unplanned}; {bite}",
        "which were planned and which came later",
    ),
    ("Key results", "Results (numbers)", "what they mean for the question"),
    ("Limitations", "Limitations (those the data show)", "those only you know"),
    ("Interpretation", "", "cautious, beside other studies"),
    ("Generalisability", "Limitations (in part)", "to whom it may apply"),
    ("Funding", "", "sources, and interests of every author"),
)
"""Topic, what is covered, what the author must add; parts that name a table the series lacks fall
out."""
CARE: Topics = (
    ("Title", "", "the words case report and what is of interest"),
    ("Key words", "", "two to five"),
    ("Abstract", "", "what is new, the case, the lesson"),
    ("Introduction", "", "background, with references"),
    ("Patient", "{patients}", "concerns, history, earlier treatment; nothing that identifies"),
    ("Clinical findings", "{before_after}", "examination, periodontium"),
    ("Timeline", "{timeline}", "visits and events that are not in the records"),
    ("Diagnosis", "", "methods, reasoning, radiographs, prognosis"),
    ("Intervention", "{timeline}", "attachments, staging, changes and their reasons"),
    (
        "Follow-up and outcome",
        "{achievement}; {before_after}",
        "retention, wear as reported, adverse events",
    ),
    ("Discussion", "Limitations (in part)", "strengths, literature, conclusions"),
    ("Patient's view", "", "how the patient saw it, where possible"),
    ("Consent", "", "written consent to publish, also of pictures"),
)


class Item(NamedTuple):
    """One item: its number and topic, what is covered and where, what the author must add."""

    number: str
    topic: str
    covered: str
    to_add: str


def items(listed: Topics, series: Series, tables: Tables) -> list[Item]:
    """The items of a checklist, as far as this series covers them."""
    courses = series.cohort.courses
    known = {short: table.label for short, table in tables.items()}
    if len(courses):
        known["timeline"] = "the case page, courses and aligners"
    if "start" in courses.columns and courses["start"].notna().any():
        known["periods"] = "days of treatment, Table 1"
    if "measurement" not in tables:
        known["repeat"] = "repeat about 20 measurements"

    def said(text: str) -> str:
        parts = [p for p in text.split("; ") if set(re.findall(r"{(\w+)}", p)) <= set(known)]
        return "; ".join(parts).format_map(known)

    return [
        Item(str(number), topic, said(covered), said(to_add))
        for number, (topic, covered, to_add) in enumerate(listed, start=1)
    ]


def checklist_table(series: Series, tables: Tables) -> Table:
    """The checklist that fits as a table for print: CARE for one patient, STROBE for more."""
    name, listed, source = (
        ("CARE", CARE, "Gagnier et al. Glob Adv Health Med 2013;2(5):38–43")
        if len(series.patients) == 1
        else ("STROBE", STROBE, "von Elm et al. Lancet 2007;370:1453–1457")
    )
    return Table(
        f"checklist_{name.lower()}",
        f"{name} checklist",
        "what this report covers, and what the author must add",
        ("Item", "Topic", "Covered here", "Author to add"),
        tuple(row(i.number, [text or "–" for text in i]) for i in items(listed, series, tables)),
        (f"Items after {name}, {source}, in our words.",),
    )
