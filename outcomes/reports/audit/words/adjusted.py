"""p values of one list of a report, adjusted for their number."""

from outcomes.rates.adjusted import holm

__all__ = ["holm"]
