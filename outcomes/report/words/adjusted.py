"""p values of one list of a report, adjusted for their number."""

from outcomes.estimate.adjusted import holm

__all__ = ["holm"]
