"""Aims of a known patient that do not fit to what is left: perhaps counted from another start."""

from __future__ import annotations

import pandas as pd

from outcomes.ahead.result import NOT_KNOWN, WITHIN
from outcomes.cohort.problems import problem_frame
from outcomes.overcorrect.plan import PlanLimits
from outcomes.words.numbers import size

__all__ = ["aims_that_do_not_fit"]

_SAME = 0.1
"""Share of the tolerance within which two aims are one, written with fewer decimals (as where aims are
followed from course to course)."""


def aims_that_do_not_fit(
    aims: pd.DataFrame, so_far: pd.DataFrame, limits: PlanLimits
) -> list[pd.DataFrame]:
    """Problems to look at, one frame each.

    Parameters
    ----------
    aims
        Of one patient: row, tooth, movement, unit, aim; from where the teeth stand now.
    so_far
        What the courses so far have left (``NextCourse.so_far``).
    limits
        The tolerances.

    Notes
    -----
    An aim that repeats that of an earlier course, though less (or nothing) is left of it, may have been
    counted from the start of that course. An aim that goes the other way than what is left, where
    that is beyond the tolerance, may be a slip of the sign. Both are kept as they are.
    """
    found = []
    states = {(int(row["tooth"]), str(row["movement"])): row for row in so_far.to_dict("records")}
    for aim in aims.to_dict("records"):
        row = states.get((int(aim["tooth"]), str(aim["movement"])))
        if row is None or row["state"] == NOT_KNOWN:
            continue
        unit, wanted, left = str(aim["unit"]), float(aim["aim"]), float(row["left"])
        tolerance = limits.near(str(aim["movement"]), unit)
        earlier = (float(row["first_aim"]), float(row["latest_aim"]))
        repeated = any(abs(wanted - one) <= _SAME * tolerance + 1e-9 for one in earlier)
        if repeated and abs(wanted - left) > tolerance + 1e-9:
            problem = f"the aim is that of an earlier course, of which {size(left, unit)} is left"
            remedy = "Aims count from where the tooth stands now: write what is still wanted."
        elif wanted * left < 0 and row["state"] != WITHIN:
            problem = f"the aim goes the other way than what is left ({size(left, unit)})"
            remedy = "Check the sign; leave it if the tooth is to go back."
        else:
            continue
        how = (size(wanted, unit), problem, remedy, "check")
        found.append(
            problem_frame("aims", int(aim["row"]), "aim", *how).assign(
                tooth=str(aim["tooth"]), patient=str(aim["patient"])
            )
        )
    return found
