"""Invented cohorts whose truth is known.

For tests, the demo cohort, coverage checks, benchmarks and study planning. The movements follow
the rate model of the estimates exactly (a slope per tooth class through the origin, patients and
tooth sites as random effects), so that what a fit should find is known beforehand.

``simulate_arch`` (in ``arches/``) makes scans of teeth whose crowns move exactly as asked.
``simulate_cohort`` makes all five tables, several courses long; ``simulate_rates`` makes one
movement's rows only, fast enough for thousands of cohorts.
"""

from outcomes.simulate.cohorts import simulate_cohort
from outcomes.simulate.invented import SimulatedCohort, Truth
from outcomes.simulate.mess import with_bad_rows
from outcomes.simulate.rates import simulate_rates
from outcomes.simulate.scenario import DEFAULT_RATES, MALOCCLUSIONS

__all__ = [
    "DEFAULT_RATES",
    "MALOCCLUSIONS",
    "SimulatedCohort",
    "Truth",
    "simulate_cohort",
    "simulate_rates",
    "with_bad_rows",
]
