"""What to prescribe for a new patient's aims, and when the records cannot say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from outcomes.cohort.problems import gather, problem_frame
from outcomes.cohort.records import Cohort
from outcomes.domain.teeth import Notation
from outcomes.errors import CannotAnswer, InputError
from outcomes.overcorrect import cautions
from outcomes.overcorrect.aims import Aims, read_aims
from outcomes.overcorrect.codes import unknown_patients
from outcomes.overcorrect.factors import JUDGED
from outcomes.overcorrect.learnt import sources_of
from outcomes.overcorrect.options import Answer, odd_days, options_of, with_limits
from outcomes.overcorrect.plan import BEST, Plan, PlanLimits
from outcomes.overcorrect.rules import Rules
from outcomes.overcorrect.sources import Case, Expects, Shown, Source
from outcomes.rates.result import RateFit

__all__ = ["prescribe"]

Past = Cohort | pd.DataFrame | RateFit | Expects | Mapping[str, RateFit] | Mapping[str, Expects]
"""What a plan can be made from."""


def prescribe(
    past: Past,
    aims: pd.DataFrame | str | Path | Aims,
    *,
    limits: PlanLimits | None = None,
    rules: Rules | None = None,
    notation: Notation | None = None,
    towards: tuple[str, ...] = ("tooth_class",),
) -> Plan:
    """Two prescriptions for each aim, with what to expect and the chances of landing.

    Parameters
    ----------
    past
        A cohort, or a frame of its movements; or what has been learnt from one: an expectation
        (`outcomes.expect`), or several by movement (`outcomes.expect_all`); or a fit (``fit_rate``),
        or several by movement (``fit_rates``).
    aims
        A frame, or the path of a spreadsheet or CSV file: tooth, aim (mm or degrees, signed as in
        the cohort), movement (unless one fit is given), and the columns the rates depend on,
        as attachment; perhaps days (per aligner) and patient. The aims of a patient of the cohort
        use what is known of that patient.
    limits
        Tolerance, cap on overshooting, steps of one aligner, days.
    rules
        When a factor is supported.
    notation
        How teeth are numbered in the aims; None: as the aims say, or else as in an FDI cohort.
    towards
        What single-tooth rates are pooled towards, for a fit by tooth.

    Returns
    -------
    Plan

    Raises
    ------
    CohortError
        If no aim can be used; lists every problem.
    InputError
        If ``past``, ``aims``, ``limits`` or ``rules`` is not what is asked for.

    Notes
    -----
    No plan is made for an aim larger than the schema expects of any movement (6 mm, 60 degrees), and
    no option is given that lies beyond the records itself: more than twice the largest past plan in
    its direction (common practice, no source); an expectation with too few patients of the class goes
    as far as the largest past plan of any tooth. The verdict on an aim, and whether a plan goes beyond
    the past ones, are those of the safer plan: of a fit by the interval of the factor, of an
    expectation by the range of what may come (see `Rules`).

    A patient code that differs from that of a past patient in its writing only ("C5", "C005") is
    not used, but listed in ``problems`` with the codes that come near.

    achieved at plan x ~ rate x ± t sqrt((var_rate + var_patient + var_tooth) x² + var_residual).
    The chances are of what the next scan will show, its measurement error included, and hold for a
    patient and a tooth like those of the cohort.

    Examples
    --------
    >>> from outcomes.rates.fit import fit_rate
    >>> from outcomes.simulate import simulate_rates
    >>> past = simulate_rates(40, seed=1, movement="vertical", rates=0.55)
    >>> plan = prescribe(fit_rate(past), pd.DataFrame({"tooth": [31, 16], "aim": [-1.5, 0.6]}))
    >>> plan.table[["tooth", "direct_planned", "best_planned", "best_expected"]].round(1)
       tooth  direct_planned  best_planned  best_expected
    0     31            -2.7          -2.6           -1.4
    1     16             1.1           1.1            0.6
    """
    limits, rules = PlanLimits() if limits is None else limits, Rules() if rules is None else rules
    for what, given, kind in (("limits", limits, PlanLimits), ("rules", rules, Rules)):
        if not isinstance(given, kind):
            raise InputError(f"{what} are {kind.__name__}(...), not a {type(given).__name__}.")
    sources = sources_of(past, towards, rules)
    only = next(iter(sources)) if len(sources) == 1 else None
    usual: Notation | None = None
    if isinstance(past, Cohort) and past.notation == "fdi":
        usual = "fdi"
    how: dict[str, Any] = {"movement": only, "notation": notation, "usual": usual}
    read = aims if isinstance(aims, Aims) else read_aims(aims, **how)
    codes = {code for source in sources.values() for code in source.patients}
    found, slips = unknown_patients(read.rows, codes)
    rows, lacking = _with_columns(read.rows.drop(index=list(slips)), sources)
    rows, odd = with_limits(rows, limits)
    found += [*lacking, *odd, *odd_days(rows, limits)]
    answers, declined = _answers(rows, sources, rules)
    options, left_out = options_of(rows, sources, answers, limits, rules)
    safer: Any = options[options["option"] == BEST].set_index("at")
    for at, answer in answers.items():
        if pd.notna(safer.loc[at, "planned"]):
            shown = _shown(rows.loc[at], safer.loc[at], limits)
            verdict = sources[str(rows.loc[at, "movement"])].verdict(answer.known, rules, shown)
            answers[at] = replace(answer, verdict=verdict)
    return Plan(
        aims=_aims_table(rows, answers, declined, options, left_out, limits, rules),
        options=options,
        problems=_named(gather([read.problems, *found]), read.rows),
        limits=limits,
        rules=rules,
        sources=sources,
        source=read.source,
    )


def _with_columns(
    rows: pd.DataFrame, sources: Mapping[str, Source]
) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    """The aims that have the columns their rates depend on; problems of the others."""
    found, lacking = [], []
    for at, aim in rows.iterrows():
        source = sources.get(str(aim["movement"]))
        columns = () if source is None else source.columns
        missing = [c for c in columns if c not in (*rows.columns, "direction")]
        if missing:
            names = ", ".join(missing)
            problem = (
                f"the rates of {aim['movement']} depend on {names}, which the aims do not give"
            )
            remedy = f"Add the column {names}, or fit the rates without."
            lacking.append(at)
            found.append(
                problem_frame("aims", int(aim["row"]), missing[0], "", problem, remedy, "exclude")
            )
    return rows.drop(index=lacking), found


#: Why past cases say nothing to an aim, and how many more patients they need to; None if that
#: would not help.
Declined = tuple[str, int | None]


def _answers(
    rows: pd.DataFrame, sources: Mapping[str, Source], rules: Rules
) -> tuple[dict[int, Answer], dict[int, Declined]]:
    """Index of an aim -> what past cases say to it; or why they say nothing."""
    answers: dict[int, Answer] = {}
    declined: dict[int, Declined] = {}
    needed = f"{rules.enough} patients with such movements are needed for a firm factor."
    asked: dict[tuple[str, Case, float], Answer] = {}
    for at, aim in rows.iterrows():
        index, movement = int(str(at)), str(aim["movement"])
        if movement not in sources:
            none = f"The past cases hold no rates of {movement}."
            declined[index] = (f"{none} {needed}", rules.enough)
            continue
        source = sources[movement]
        try:
            case = source.case(aim)
        except CannotAnswer as error:  # the aim is incomplete: more patients would not help
            declined[index] = (str(error), None)
            continue
        try:
            size = abs(float(aim["aim"])) if source.depends_on_size else 1.0
            key = (movement, case, size)
            if key not in asked:
                known = source.known(case, size)
                asked[key] = Answer(case, known, source.verdict(known, rules))
            answers[index] = asked[key]
        except CannotAnswer as error:
            declined[index] = (f"{error} {needed}", rules.enough)
    return answers, declined


def _named(problems: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """With the tooth and the patient of each row that has a problem."""
    by_row = rows.drop_duplicates("row").set_index("row")
    for name in ("tooth", "patient"):
        of = by_row[name].astype(str).reindex(problems["row"]).fillna("").to_numpy(object)
        there = problems[name].astype(object).fillna("").to_numpy() if name in problems else ""
        problems[name] = np.where(there == "", of, there)
    return problems


def _shown(aim: Any, plan: Any, limits: PlanLimits) -> Shown:
    """The safer plan of an aim, in its direction."""
    sign = 1 if aim["aim"] > 0 else -1
    low, high = sorted(sign * float(plan[end]) for end in ("low_80", "high_80"))
    movement, unit = str(aim["movement"]), str(aim["unit"])
    size, planned = abs(float(aim["aim"])), abs(float(plan["planned"]))
    return Shown(size, planned, low, high, limits.near(movement, unit), unit)


_PER_AIM = ("over_cap", "over_cost")


def _aims_table(
    rows: pd.DataFrame,
    answers: Mapping[int, Answer],
    declined: Mapping[int, Declined],
    options: pd.DataFrame,
    left_out: Mapping[int, Mapping[str, str]],
    limits: PlanLimits,
    rules: Rules,
) -> pd.DataFrame:
    """Aims with what is known of them: cautions of their numbers, where there are, come first."""
    by_aim = {int(str(at)): part.set_index("option") for at, part in options.groupby("at")}
    records = []
    for at, aim in rows.iterrows():
        index, movement = int(str(at)), str(aim["movement"])
        said = cautions.clinical(movement, str(aim["tooth_class"]), str(aim["arch"]), aim["aim"])
        record: dict[str, Any] = {"tolerance": limits.near(movement, str(aim["unit"]))}
        record |= {name: aim[name] for name in _PER_AIM}
        if index in answers:
            known, verdict = answers[index].known, answers[index].verdict
            record |= {
                "group": known.group,
                "patients": known.patients,
                "movements": known.movements,
                "rate": known.rate,
                "factor": 1 / known.rate if known.rate else np.inf,
                **verdict.row,
            }
            out = left_out.get(index, {})
            if BEST in out:
                record |= {"verdict": cautions.BEYOND, "why": out[BEST]}
            elif verdict.verdict != "not supported":
                numbers = cautions.of_numbers(aim, known, by_aim[index], limits, rules)
                said = [*out.values(), *numbers, *said]
        else:
            why, more = declined[index]
            record |= {"verdict": "not supported", "why": why, "more_patients": more}
        records.append({**record, "cautions": " ".join(said)})
    extra = pd.DataFrame(records, index=rows.index)
    extra = extra.reindex(columns=[*JUDGED, "tolerance", *_PER_AIM, "cautions"])
    extra["more_patients"] = extra["more_patients"].astype("Int64")
    clash = [c for c in rows.columns if c in extra.columns]
    return pd.concat([rows.drop(columns=clash), extra], axis=1)
