"""The limits that hold by default, and the one comparison of a miss with its tolerance."""

from __future__ import annotations

from typing import Any

import numpy as np

__all__ = [
    "AT_REST",
    "CONTINUING",
    "ENOUGH_PATIENTS",
    "EXPECTED_SIZE",
    "FEW_PATIENTS",
    "HIGH_RATE",
    "LARGEST_LOSS",
    "LIMITS",
    "OUTSIDE",
    "OUTSIDE_SHARE",
    "PER_ALIGNER",
    "SMALLEST_PLAN",
    "SUSPICIOUS_ROWS",
    "TOLERANCE",
    "TOO_GOOD",
    "beyond_tolerance",
    "within_tolerance",
]

#: Clinically relevant difference (Angle Orthod 2017;87(6):809-815, doi:10.2319/022717-147.1).
TOLERANCE = {"mm": 0.5, "degree": 2.0}

#: Smallest planned movement that enters a per-row ratio (common practice, no source).
SMALLEST_PLAN = {"mm": 0.2, "degree": 1.0}

#: Larger than this is listed to be looked at, never excluded (common practice, no source).
EXPECTED_SIZE = {"mm": 6.0, "degree": 60.0}

#: Largest step of one aligner (common practice, no source).
PER_ALIGNER = {"mm": 0.25, "degree": 1.0}

#: A plan that moves a tooth no further than this in any way leaves it where it is: that much the
#: superimposition of two scans adds (common practice, no source).
AT_REST = {"mm": 0.05, "degree": 0.5}

#: The limits of movements, by unit; a movement may have its own (see :class:`Movement`).
LIMITS = {
    "tolerance": TOLERANCE,
    "smallest_plan": SMALLEST_PLAN,
    "expected_size": EXPECTED_SIZE,
    "per_aligner": PER_ALIGNER,
}

#: Patients below which a result is described only: it leads no summary, is not compared, and is
#: marked or withheld where it is shared, because it could identify somebody (common practice, no
#: source).
FEW_PATIENTS = 5

#: Patients from which a rate can be used (common practice, no source).
ENOUGH_PATIENTS = 10

# What looks readable and is probably read wrongly (``outcomes.cohort.suspicion``). The limits are
# chosen by simulation: benchmarks/suspicion.py shows what they find and how often they cry wolf.

#: Above this share of rows lost to problems, a cohort says so first (common practice, no source).
LARGEST_LOSS = 0.2

#: Fewer rows than these say nothing: blank cells of one column; a column of teeth or one movement;
#: planned and achieved of a whole cohort; rows of a tooth in a course and in the next.
SUSPICIOUS_ROWS = {"blank": 3, "column": 8, "cohort": 20, "pairs": 10}

#: What measuring can add to a movement or take from it, and where none was planned drift too; in
#: tolerances.
OUTSIDE = {"planned": 0.8, "unplanned": 2.0}

#: How far achieved lies outside of what was planned, summed, as a share of all that was planned.
OUTSIDE_SHARE = {"check": 0.05, "stop": 0.15}

#: Achieved over planned of a whole cohort: more than is usual, and more than is possible. Published
#: rates of whole cohorts are 0.59 to 0.74 (shared/published_values.csv).
HIGH_RATE = {"check": 0.8, "stop": 1.3}

#: Share of the squares of achieved that planned explains beside a rate near 1: more than scans can.
TOO_GOOD = 0.98

#: Sum of squares left if later courses went on counting, over what is left if they began at zero.
CONTINUING = {"check": 0.8, "stop": 0.6}

_SLACK = 1e-9  # a miss of exactly the tolerance counts as within, whatever 1.1 - 0.6 is in binary


def within_tolerance(miss: Any, tolerance: Any) -> Any:
    """Is the size of a miss no more than the tolerance?

    Parameters
    ----------
    miss
        Aim minus achieved, mm or degrees, of any sign; a number or an array.
    tolerance
        In the same unit; a number or an array that broadcasts.

    Returns
    -------
    bool or array of bool
        A missing miss is not within.

    Examples
    --------
    >>> bool(within_tolerance(1.1 - 0.6, 0.5)), 1.1 - 0.6 <= 0.5
    (True, False)
    """
    return np.abs(miss) <= tolerance + _SLACK


def beyond_tolerance(excess: Any, tolerance: Any) -> Any:
    """Is the result past the aim by more than the tolerance?

    Parameters
    ----------
    excess
        How far past the aim, in its direction; mm or degrees.
    tolerance
        In the same unit.

    Examples
    --------
    >>> bool(beyond_tolerance(1.1 - 0.6, 0.5)), bool(beyond_tolerance(0.6, 0.5))
    (False, True)
    """
    return excess > tolerance + _SLACK
