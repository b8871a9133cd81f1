"""Is this a new patient, or the code of a past one, mistyped?"""

from __future__ import annotations

from collections.abc import Collection
from difflib import get_close_matches

import pandas as pd

from outcomes.cohort.cells import plain_code
from outcomes.cohort.problems import problem_frame
from outcomes.overcorrect.aims import NEW_PATIENT

__all__ = ["unknown_patients"]


def unknown_patients(
    rows: pd.DataFrame, past: Collection[str]
) -> tuple[list[pd.DataFrame], set[int]]:
    """Questions about patients that no past case has, and the aims that are not used for it.

    A code that is another one's but for capitals, spaces, signs and zeros in front of a number is
    taken for a slip, and not used; any other unknown one is a new patient, listed where past codes
    come near. Aims have row and patient; ``past`` are the codes of the past patients. Given back are
    frames of problems, and the index of the aims that are not used.

    Examples
    --------
    >>> rows = pd.DataFrame({"row": [2, 3], "patient": ["C5", "X9"]})
    >>> found, unused = unknown_patients(rows, ["C005", "C006"])
    >>> found[0]["problem"].tolist(), unused
    (['no past patient is called C5: is C005 meant?'], {0})
    """
    past = sorted(past)
    plain: dict[str, list[str]] = {}
    for code in past:
        plain.setdefault(plain_code(code), []).append(code)
    found, same = [], set()
    for patient, part in rows.groupby("patient", sort=False):
        name = str(patient)
        if name in past or name == NEW_PATIENT:
            continue
        slips = plain.get(plain_code(name), [])
        near = slips or get_close_matches(name, past, n=3, cutoff=_NEAR)
        if not near:
            continue
        codes = " or ".join(near)
        problem = f"no past patient is called {name}: is {codes} meant?"
        leave = "leave it: the plan takes this patient for a new one."
        new = "a code that is not so near." if slips else leave
        remedy = f"Write {codes} if that is who is meant, or for a new patient {new}"
        how = (name, problem, remedy, "exclude" if slips else "check")
        rows_said = part["row"] if slips else part["row"].iloc[:1]
        found += [problem_frame("aims", int(row), "patient", *how) for row in rows_said]
        if slips:
            same |= {int(str(at)) for at in part.index}
    return found, same


_NEAR = 0.7
"""Likeness of two codes from which one is listed as perhaps meant; common practice, no source."""
