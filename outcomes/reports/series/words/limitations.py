"""The limitations of a case series in words: what its data cannot say."""

from __future__ import annotations

from outcomes.reports.series.cells import Tables
from outcomes.reports.series.results import Series
from outcomes.reports.series.sentences import Paragraph
from outcomes.reports.series.words.source import Source


def limitations(series: Series, tables: Tables) -> Paragraph:
    """What the data cannot say, for the discussion."""
    s, people = Source(series, tables), series.cohort.patients
    growing = "growing" in people.columns and bool((people["growing"].astype(str) == "yes").any())
    said = s.those(
        "This is one patient: what happened here need not happen in another."
        if s.one
        else "The series is of {patients} and has no control group, so that changes cannot be put "
        "down to treatment alone.",
        "Scans show crowns: not roots, not bone, and the gum only approximately, so that a crown "
        "that arrived says nothing about where its root has gone.",
        "Planned and achieved movement start from the same scan, so its error enters both; later "
        "courses hold the teeth that lagged, and rates describe these plans, not a law of the tooth.",
        (growing or "growing yes" in tables["patients"], "Some of the change may be growth."),
        ("measurement" not in s, "The measurement error is not known."),
        (series.cohort.invented, "The data are invented: these results are evidence of nothing."),
    )
    return Paragraph("Limitations", tuple(said))
