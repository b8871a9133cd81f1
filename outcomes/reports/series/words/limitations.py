"""The limitations of a case series in words: what its data cannot say."""

from __future__ import annotations

from outcomes.reports.series.cells import Tables
from outcomes.reports.series.results import Series
from outcomes.reports.series.sentences import Paragraph, Sentence, counted, say
from outcomes.reports.series.words.source import Source

__all__ = ["limitations"]


def limitations(series: Series, tables: Tables) -> Paragraph:
    """What the data cannot say, for the discussion."""
    s = Source(series, tables)
    sentences = [
        Sentence("This is one patient: what happened here need not happen in another.")
        if s.one
        else say(
            "The series is of {n} and has no control group, so that changes cannot be put down "
            "to treatment alone.",
            n=counted(s.value("patients", "patients"), "patient"),
        ),
        Sentence(
            "Scans show crowns: not roots, not bone, and the gum only approximately, so that a crown "
            "that arrived says nothing about where its root has gone."
        ),
        Sentence(
            "Planned and achieved movement start from the same scan, so its error enters both; later "
            "courses hold the teeth that lagged, and rates describe these plans, not a law of the "
            "tooth."
        ),
    ]
    if "growing yes" in tables["patients"] or _grows(series):
        sentences.append(Sentence("Some of the change may be growth."))
    if "measurement" not in s:
        sentences.append(Sentence("The measurement error is not known."))
    if s.series.cohort.invented:
        sentences.append(Sentence("The data are invented: these results are evidence of nothing."))
    return Paragraph("Limitations", tuple(sentences))


def _grows(series: Series) -> bool:
    table = series.cohort.patients
    return "growing" in table.columns and bool((table["growing"].astype(str) == "yes").any())
