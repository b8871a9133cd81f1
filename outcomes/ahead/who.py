"""Whose next course: a patient of the cohort, a new one, or a code that was mistyped."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from difflib import get_close_matches

import pandas as pd

from outcomes.cohort.cells import plain_code
from outcomes.errors import InputError
from outcomes.overcorrect.aims import NEW_PATIENT
from outcomes.words.english import counted, listed

__all__ = ["settled", "with_patient"]

_NEAR, _SHOWN = 0.7, 8
"""Likeness of two codes from which one is perhaps meant (common practice, no source); codes that an
error lists."""


def settled(patient: str | None, past: Sequence[str], named: Sequence[str] | None) -> str:
    """The code of the patient whose course is planned.

    Parameters
    ----------
    patient
        As asked for; None: the one that the aims are of.
    past
        The patients of the cohort.
    named
        The patients that the aims name, None where there are no aims.

    Raises
    ------
    InputError
        If nobody is named, the aims are of several, or the code is not known and comes near a known
        one. A code that is a known one but for capitals, spaces, signs and zeros is never taken for
        a new patient; one that merely comes near is, where the aims name it.

    Examples
    --------
    >>> settled("P2", ["P001", "P002"], None)
    Traceback (most recent call last):
        ...
    outcomes.errors.InputError: No past patient is called P2: is P002 meant? Write P002, or for a ...
    """
    if patient is None:
        if named is None:
            raise InputError(
                "Say whose next course: a patient of the cohort (patient=), or give aims for a new "
                "one."
            )
        several = list(dict.fromkeys(named))
        if len(several) > 1:
            raise InputError(
                f"The aims are of {counted(len(several), 'patient')} ({_shown(several)}): say whose "
                "next course with patient=, or take next_courses for all of them."
            )
        patient = several[0] if several else NEW_PATIENT
    if not isinstance(patient, str):
        raise InputError(
            f"patient is of type {type(patient).__name__}: give the code as text, as {past[0]!r}."
            if past
            else "patient must be a code, as text."
        )
    given = set(named or ())
    if patient in past or patient == NEW_PATIENT:
        return patient
    slips = [code for code in past if plain_code(code) == plain_code(patient)]
    near = slips or get_close_matches(patient, past, n=3, cutoff=_NEAR)
    if slips or (near and patient not in given):
        codes = listed(near, "or")
        remedy = f"Write {codes}, or for a new patient " + (
            "a code that is not so near." if slips else f"name {patient} in the aims."
        )
        raise InputError(f"No past patient is called {patient}: is {codes} meant? {remedy}")
    if named is None:
        raise InputError(
            f"No past patient is called {patient}. The cohort has {_shown(past)}. For a new patient "
            "give aims."
        )
    return patient


def with_patient(rows: pd.DataFrame, patient: str) -> pd.DataFrame:
    """The aims of one patient; those that name nobody are the patient's where all do.

    Raises
    ------
    InputError
        If the aims are of others.
    """
    named = rows["patient"].astype(str)
    if len(rows) and (named == NEW_PATIENT).all():
        return rows.assign(patient=patient)
    own = rows[named == patient]
    if len(rows) and own.empty:
        raise InputError(
            f"No aim is of {patient}; the aims are of {_shown(list(dict.fromkeys(named)))}."
        )
    return own


def _shown(codes: Collection[str]) -> str:
    first = list(codes)[:_SHOWN]
    more = len(codes) - len(first)
    return listed([*first, f"{more} more"] if more else first)
