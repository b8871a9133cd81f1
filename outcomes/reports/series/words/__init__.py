"""A case series in the words of a paper, part by part."""

from outcomes.reports.series.words.limitations import limitations
from outcomes.reports.series.words.methods import methods
from outcomes.reports.series.words.results import results
from outcomes.reports.series.words.summary import summary

__all__ = ["limitations", "methods", "results", "summary"]
