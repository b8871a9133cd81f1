"""A patient of the cohort, or the codes that come near."""

from __future__ import annotations

from collections.abc import Collection

import pandas as pd

from outcomes.errors import CannotAnswer
from outcomes.overcorrect.codes import unknown_patients
from outcomes.words.english import capital

__all__ = ["require_patient"]


def require_patient(patient: str, known: Collection[str]) -> None:
    """Raise CannotAnswer, with the nearest codes, unless ``patient`` is one of ``known``.

    Examples
    --------
    >>> require_patient("C5", ["C005", "C006"])
    Traceback (most recent call last):
        ...
    outcomes.errors.CannotAnswer: No past patient is called C5: is C005 meant?
    """
    if patient in known:
        return
    asked = pd.DataFrame({"row": [1], "patient": [patient]})
    found, _ = unknown_patients(asked, known)
    if found:
        raise CannotAnswer(capital(str(found[0]["problem"].iloc[0])))
    some = ", ".join(sorted(known)[:5]) or "none"
    raise CannotAnswer(
        f"No past patient is called {patient}: write a code as it stands in the cohort ({some}"
        f"{', ...' if len(known) > 5 else ''})."
    )
