"""The next course of a patient: what past cases and the patient's own courses let one expect."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from outcomes.ahead.alternatives import alternatives_of
from outcomes.ahead.arch import arch_of
from outcomes.ahead.asks import Ask, asks_of, empty
from outcomes.ahead.expected import expected_rates
from outcomes.ahead.flags import NOT_MEASURED, flags_of, missing_said, row_cautions
from outcomes.ahead.holds import asked_of_records, holds_of
from outcomes.ahead.intervals import intervals_of, own_wear_said
from outcomes.ahead.past import Past
from outcomes.ahead.result import FLAGS, LEFT, NOT_KNOWN, SO_FAR, WITHIN, NextCourse
from outcomes.ahead.slips import aims_that_do_not_fit
from outcomes.ahead.so_far import aims_left, so_far
from outcomes.ahead.staged import stages
from outcomes.ahead.tried import tried_already
from outcomes.ahead.unlikely import HELPFUL, unlikely
from outcomes.ahead.who import settled, with_patient
from outcomes.cohort.problems import gather
from outcomes.cohort.records import Cohort
from outcomes.domain.teeth import Notation, arch, tooth_class
from outcomes.errors import InputError
from outcomes.overcorrect.aims import Aims, read_aims
from outcomes.overcorrect.plan import BEST, OVER_CAP, Plan, PlanLimits
from outcomes.overcorrect.prescribe import prescribe
from outcomes.overcorrect.rules import Rules
from outcomes.words.english import counted, is_, listed

__all__ = ["next_course", "next_courses"]

_SHOWN = 12
"""Teeth that a note names."""


def next_course(
    cohort: Cohort | pd.DataFrame,
    patient: str | None = None,
    aims: pd.DataFrame | str | Path | Aims | None = None,
    *,
    limits: PlanLimits | None = None,
    rules: Rules | None = None,
    notation: Notation | None = None,
    expectations: Mapping[str, Any] | None = None,
    helpful: float = HELPFUL,
    alternatives: bool = True,
    seed: int = 1,
) -> NextCourse:
    """Plan the next course of one patient, from past cases and the patient's own courses.

    Parameters
    ----------
    cohort
        A cohort, or a frame of movements: patient, tooth (FDI), movement, planned and achieved (mm
        or degrees, signed), perhaps course, aim, attachment. The patient's own records among them.
    patient
        The code of the patient. Without it the aims say whose they are; aims that name nobody are
        of a new patient.
    aims
        What the course shall reach, from where the teeth stand now: a frame, or the path of a
        spreadsheet or CSV file, as for ``prescribe``. An aim of 0 is a tooth to keep where it is.
        By default what the courses so far have left.
    limits
        Tolerances, cap on overshooting, steps of one aligner, days.
    rules
        When a plan is supported.
    notation
        How teeth are numbered in the aims.
    expectations
        What was learnt of each movement (``expect``), where it is at hand; learnt anew otherwise.
    helpful
        Another try is unlikely to help where its chance of a gain is below this (common practice,
        no source).
    alternatives
        Whether attachments and auxiliaries are compared, which takes some seconds.
    seed
        Of all quasi-random numbers.

    Returns
    -------
    NextCourse

    Raises
    ------
    InputError
        If the patient is not known, or named as another one is but for its writing; the message has
        the nearest codes.
    CohortError
        If no aim can be used; lists every problem.

    Notes
    -----
    The plan of a known patient rests on the conditional distribution given all own results of the
    movement, never on the raw ratio of reached to planned; a coming course varies of its own. What
    a course without a result has done is not known: a movement it planned has no row in the plan.

    Examples
    --------
    >>> from outcomes.simulate import simulate_rates
    >>> past = simulate_rates(12, seed=1, movement="vertical", rates=0.55)
    >>> ahead = next_course(past, aims=pd.DataFrame({"tooth": [31, 36], "aim": [-1.5, 0.0],
    ...     "movement": "vertical"}))
    >>> ahead.patient, ahead.course, ahead.plan.aims["tooth"].tolist()
    ('NEW', 1, [31])
    >>> print(ahead.holds["why"].iloc[0].split(":")[0])
    The cohort has no measured movement with a plan of 0 of this kind
    """
    limits, rules = _settings(limits, rules)
    past = Past(cohort, expectations, rules.fewest, seed)
    read = _read(aims, notation, past)
    return _course(past, patient, read, limits, rules, helpful, alternatives)


def next_courses(
    cohort: Cohort | pd.DataFrame,
    patients: Sequence[str] | None = None,
    aims: pd.DataFrame | str | Path | Aims | None = None,
    *,
    limits: PlanLimits | None = None,
    rules: Rules | None = None,
    notation: Notation | None = None,
    expectations: Mapping[str, Any] | None = None,
    helpful: float = HELPFUL,
    alternatives: bool = True,
    seed: int = 1,
) -> dict[str, NextCourse]:
    """`next_course` for several patients, by their codes; the cohort is learnt from once.

    ``patients`` are by default those that the aims name. The other parameters, and what is raised,
    are those of `next_course`.

    Examples
    --------
    >>> from outcomes.simulate import simulate_rates
    >>> past = simulate_rates(12, seed=1, movement="vertical", rates=0.55)
    >>> aims = pd.DataFrame({"patient": ["first", "second"], "tooth": [31, 41], "aim": [-1.5, -1.0],
    ...     "movement": "vertical"})
    >>> list(next_courses(past, aims=aims))
    ['first', 'second']
    """
    if isinstance(patients, str):
        patients = [patients]
    limits, rules = _settings(limits, rules)
    past = Past(cohort, expectations, rules.fewest, seed)
    read = _read(aims, notation, past)
    if patients is None:
        if read is None:
            raise InputError("Say whose next courses: patients of the cohort, or give aims.")
        patients = list(dict.fromkeys(_named(read)))
    return {
        patient: _course(past, patient, read, limits, rules, helpful, alternatives)
        for patient in dict.fromkeys(patients)
    }


def _settings(limits: PlanLimits | None, rules: Rules | None) -> tuple[PlanLimits, Rules]:
    limits, rules = PlanLimits() if limits is None else limits, Rules() if rules is None else rules
    for what, given, kind in (("limits", limits, PlanLimits), ("rules", rules, Rules)):
        if not isinstance(given, kind):
            raise InputError(f"{what} are {kind.__name__}(...), not a {type(given).__name__}.")
    return limits, rules


def _read(aims: Any, notation: Notation | None, past: Past) -> Aims | None:
    if aims is None or isinstance(aims, Aims):
        return aims
    if not isinstance(aims, pd.DataFrame | str | Path):
        raise InputError(
            f"aims is of type {type(aims).__name__}: give a frame with tooth, movement and aim, or the "
            "path of a spreadsheet or CSV file."
        )
    only = next(iter(past.expectations)) if len(past.expectations) == 1 else None
    usual: Notation | None = "fdi" if past.records.notation == "fdi" else None
    return read_aims(aims, movement=only, notation=notation, usual=usual, holds=True)


def _named(read: Aims) -> list[str]:
    parts = [part["patient"].astype(str) for part in (read.rows, read.holds) if len(part)]
    return [name for part in parts for name in part]


def _course(
    past: Past,
    patient: str | None,
    read: Aims | None,
    limits: PlanLimits,
    rules: Rules,
    helpful: float,
    alternatives: bool,
) -> NextCourse:
    records = past.records
    code = settled(patient, records.treated, None if read is None else _named(read))
    known = code in records.treated
    rows = records.of(code) if known else records.rows[:0]
    last = records.last_course(code) if known else 0
    done = so_far(rows, limits, last) if len(rows) else empty(SO_FAR)
    given, to_hold = _aims_of(read, code, done, rows)
    slips = [] if read is None or given is None else aims_that_do_not_fit(given.rows, done, limits)
    plan = None if given is None else _planned(past, given, limits, rules, known, code)
    asks = [] if plan is None else asks_of(plan, past.expectations, code)
    if read is None:
        taken = set() if plan is None else _keys(plan.aims)
        to_hold = asked_of_records(rows, taken)
    flags, plan = _flagged(plan, records.measures, rows, code)
    together, aligners = arch_of(plan)
    movements = list(dict.fromkeys(ask.movement for ask in asks))
    holds = holds_of(
        to_hold,
        past.side_movements(set(to_hold["movement"].astype(str))),
        rows,
        code,
        _plans(plan),
        limits,
        rules,
    )
    holds, flags = _holds_flagged(holds, flags, records.measures, code)
    levels = past.levels(movements) if alternatives else {}
    return NextCourse(
        patient=code,
        known=known,
        course=last + 1,
        plan=plan,
        so_far=done,
        expected=expected_rates(asks),
        holds=holds,
        stages=stages(asks, limits, rules.max_factor),
        unlikely=unlikely(asks, done, helpful),
        alternatives=alternatives_of(asks, levels, code),
        arch=together,
        aligners=aligners,
        intervals=intervals_of(
            records, movements, aligners, limits.days_per_aligner, past.of_intervals
        ),
        flags=flags,
        problems=_problems(plan, read, code, slips),
        notes=tuple(
            filter(
                None,
                [
                    *_notes(done, plan, asks, flags, read, known, last),
                    own_wear_said(records, code) if known else "",
                ],
            )
        ),
        limits=limits,
        source=records.source,
    )


def _aims_of(
    read: Aims | None, code: str, done: pd.DataFrame, rows: pd.DataFrame
) -> tuple[Aims | None, pd.DataFrame]:
    """The aims to plan for, None for none; and the teeth to hold that the aims name."""
    nothing = pd.DataFrame(columns=["tooth", "movement", "unit", "asked"])
    if read is None:
        left = aims_left(done, rows, code)
        return (read_aims(left, notation="fdi") if len(left) else None), nothing
    every = pd.concat([part for part in (read.rows, read.holds) if len(part)])
    own = with_patient(every, code)
    held = own[own["aim"] == 0].assign(asked="aim 0")[["tooth", "movement", "unit", "asked"]]
    wanted = own[own["aim"] != 0].reset_index(drop=True)
    given = replace(read, rows=wanted, holds=wanted[:0]) if len(wanted) else None
    return given, held.reset_index(drop=True)


def _planned(
    past: Past, given: Aims, limits: PlanLimits, rules: Rules, known: bool, code: str
) -> Plan:
    plan = prescribe(past.expectations, given, limits=limits, rules=rules)
    problems = plan.problems
    if known:  # whose results are missing for a movement is not a new patient for it
        problems = problems[(problems["column"] != "patient") | (problems["value"] != code)]
    return replace(plan, problems=problems)


def _keys(aims: pd.DataFrame) -> set[tuple[int, str]]:
    return set(zip(aims["tooth"].astype(int), aims["movement"].astype(str), strict=True))


def _plans(plan: Plan | None) -> dict[tuple[str, int], float]:
    """(movement, tooth) -> the plan with the best chance, signed."""
    if plan is None:
        return {}
    best = plan.options[plan.options["option"] == BEST].dropna(subset=["planned"])
    keys = zip(best["movement"].astype(str), best["tooth"].astype(int), strict=True)
    return dict(zip(keys, best["planned"].astype(float), strict=True))


def _flagged(
    plan: Plan | None, measures: pd.DataFrame, rows: pd.DataFrame, code: str
) -> tuple[pd.DataFrame, Plan | None]:
    """What measures say of the teeth of a plan, and the plan with the cautions beside its rows."""
    if plan is None:
        return empty(FLAGS), None
    best = plan.options[plan.options["option"] == BEST].set_index("at")["planned"].astype(float)
    flags = flags_of(measures, code, plan.aims, best)
    said, tried = row_cautions(flags, plan.aims), tried_already(plan.aims, rows, plan.limits)
    cautions = [
        " ".join(filter(None, [*said.get(int(str(at)), []), tried.get(int(str(at))), str(text)]))
        for at, text in plan.aims["cautions"].items()
    ]
    return flags, replace(plan, aims=plan.aims.assign(cautions=cautions))


def _holds_flagged(
    holds: pd.DataFrame, flags: pd.DataFrame, measures: pd.DataFrame, code: str
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Teeth to hold that measures warn of, where they may well go that way; and all flags."""
    ways = {1.0: "beyond_positive", -1.0: "beyond_negative"}
    cautions = {at: str(text) for at, text in holds["cautions"].items()}
    for sign, column in ways.items():
        likely = holds[holds[column].astype(float) > OVER_CAP]
        teeth = likely["tooth"].astype(int)
        drift = likely[["tooth", "movement"]].assign(
            aim=sign,
            tooth_class=[str(tooth_class(tooth)) for tooth in teeth],
            arch=[str(arch(tooth)) for tooth in teeth],
        )
        if drift.empty:
            continue
        found = flags_of(measures, code, drift, likely["expected"].astype(float))
        found = found[found["flag"] != NOT_MEASURED]
        for at, said in row_cautions(found, drift).items():
            cautions[at] = " ".join(filter(None, [cautions[at], *said]))
        flags = pd.concat([part for part in (flags, found) if len(part)]) if len(found) else flags
    flags = flags.drop_duplicates(["tooth", "measure"]).reset_index(drop=True)
    return holds.assign(cautions=list(cautions.values())), flags


def _problems(
    plan: Plan | None, read: Aims | None, code: str, slips: list[pd.DataFrame]
) -> pd.DataFrame:
    """What is wrong with the aims of one patient, and with those that name nobody."""
    if plan is not None:
        problems = plan.problems
    elif read is not None:
        problems = read.problems
    else:
        return gather([])
    if slips:
        problems = gather([problems, *slips])
    if read is None or "patient" not in problems:
        return problems
    others = set(_named(read)) - {code}
    return problems[~problems["patient"].astype(str).isin(others)]


def _notes(
    done: pd.DataFrame,
    plan: Plan | None,
    asks: Sequence[Ask],
    flags: pd.DataFrame,
    read: Aims | None,
    known: bool,
    last: int,
) -> list[str]:
    said = []
    if known and done.empty:
        said.append("No course of this patient aimed at a movement that is on record.")
    unknown = done[done["state"] == NOT_KNOWN]
    if len(unknown):
        n = len(unknown)
        said.append(
            f"What is left of {counted(n, 'movement')} is not known, as a course has no result: "
            f"{_teeth(unknown)}. Measure first; no plan is made for {'it' if n == 1 else 'them'}."
        )
    if known and read is None and plan is None:
        within = len(done[done["state"] == WITHIN])
        if within and unknown.empty:
            said.append(f"Nothing is left to plan: {counted(within, 'movement')} within tolerance.")
    if read is not None and known:
        left = done[done["state"] == LEFT]
        aimed = set() if plan is None else _keys(plan.aims)
        forgotten = left[[key not in aimed for key in _keys_in_order(left)]]
        if len(forgotten):
            n = len(forgotten)
            said.append(
                f"{counted(n, 'movement')} that the courses so far left outside the tolerance "
                f"{is_(n)} not among the aims: {_teeth(forgotten)}."
            )
    if asks and known and not any(ask.own_movements for ask in asks):
        said.append("No own result counts for these aims: the plan is as for a new patient.")
    missing = missing_said(flags)
    if missing:
        said.append(missing)
    return said


def _keys_in_order(table: pd.DataFrame) -> list[tuple[int, str]]:
    return list(zip(table["tooth"].astype(int), table["movement"].astype(str), strict=True))


def _teeth(table: pd.DataFrame) -> str:
    """The teeth of a table with their movements, the first ones where there are many."""
    keys = [f"{tooth} {movement}" for tooth, movement in _keys_in_order(table)]
    shown = keys[:_SHOWN]
    return listed([*shown, f"{len(keys) - _SHOWN} more"] if len(keys) > _SHOWN else shown)
