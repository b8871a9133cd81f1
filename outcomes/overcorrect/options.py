"""The three options of each aim: as aimed, aim / rate, and the plan with the best chance.

No plan is made where an aim, or a plan, is so large that past cases say nothing of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.cohort.problems import problem_frame
from outcomes.overcorrect.cautions import beyond_records
from outcomes.overcorrect.landing import Looks, best_plan, plan_for_mean
from outcomes.overcorrect.plan import AS_AIMED, BEST, DIRECT, OPTIONS, PlanLimits
from outcomes.overcorrect.rules import Rules, Verdict
from outcomes.overcorrect.sources import Case, Known, Source

__all__ = ["Answer", "odd_days", "options_of"]


@dataclass(frozen=True)
class Answer:
    """What past cases say to one aim."""

    case: Case
    known: Known
    verdict: Verdict


def options_of(
    rows: pd.DataFrame,
    sources: Mapping[str, Source],
    answers: Mapping[int, Answer],
    limits: PlanLimits,
    rules: Rules,
) -> tuple[pd.DataFrame, dict[int, str], dict[int, str]]:
    """Three rows for each aim, without numbers where no factor is supported or known.

    ``rows`` are aims by index (movement, unit, aim, tooth), ``sources`` the fits by movement,
    ``answers`` what past cases say to the aim of an index.

    An aim beyond the records has no plan at all, nor has one whose safer plan would be; where only
    aim / rate would be, that alone is left out. Given back are the options as those of `Plan`, and by
    index why there is no plan, and why there is no aim / rate.
    """
    alike: dict[tuple[str, Case], list[int]] = {}
    for at, answer in answers.items():
        if answer.verdict.verdict != "not supported":
            alike.setdefault((str(rows.loc[at, "movement"]), answer.case), []).append(at)
    parts = []
    for (movement, case), index in alike.items():  # one kind of tooth has one outlook
        aims = rows.loc[index]
        size = aims["aim"].abs().to_numpy(float)
        most = rules.max_factor * size
        if limits.aligners is not None:
            most = np.minimum(most, limits.aligners * limits.step(movement))
        known = answers[index[0]].known
        outlook = sources[movement].outlook(case, float(max(most.max(), size.max())), known)
        parts.append(_for_case(aims, movement, case, outlook, most, limits))
    filled = pd.concat(parts) if parts else pd.DataFrame(columns=_OPTION_COLUMNS, dtype=float)
    every = pd.MultiIndex.from_product([rows.index, OPTIONS], names=["at", "option"])
    options = filled.set_index(["at", "option"]).reindex(every).reset_index()[_OPTION_COLUMNS]
    return _held_back(rows, options, {at: answer.known.largest for at, answer in answers.items()})


_OPTION_COLUMNS = [
    "at",
    "tooth",
    "movement",
    "aim",
    "option",
    "planned",
    "expected",
    "low_80",
    "high_80",
    "low_95",
    "high_95",
    "within",
    "over",
    "aligners",
    "days",
    "held",
]


def _for_case(
    aims: pd.DataFrame,
    movement: str,
    case: Case,
    outlook: Looks,
    most: np.ndarray,
    limits: PlanLimits,
) -> pd.DataFrame:
    size = aims["aim"].abs().to_numpy(float)
    tolerance = limits.near(movement, str(aims["unit"].iloc[0]))
    days = _days(aims, limits)
    best, held = best_plan(outlook, size, tolerance, most, limits.over_cap)
    direct = plan_for_mean(outlook, size, most)
    parts = []
    for option, plan in ((AS_AIMED, size), (DIRECT, direct), (BEST, best)):
        chances = outlook.chances(plan, size, tolerance)
        mean = np.asarray(outlook.mean(plan))
        aligners = np.maximum(np.ceil(plan / limits.step(movement) - 1e-9), 0.0)
        columns: dict[str, Any] = {
            "at": aims.index,
            "tooth": aims["tooth"].to_numpy(),
            "movement": movement,
            "aim": aims["aim"].to_numpy(float),
            "option": option,
            "planned": case.sign * plan + 0.0,  # never minus zero
            "expected": case.sign * mean + 0.0,
        }
        for level in (0.80, 0.95):
            ends = np.sort(case.sign * np.stack(outlook.range(plan, level)), axis=0)
            columns[f"low_{100 * level:.0f}"], columns[f"high_{100 * level:.0f}"] = ends
        columns |= {"within": chances.within, "over": chances.over, "aligners": aligners}
        columns |= {"days": aligners * days, "held": held if option == BEST else False}
        parts.append(pd.DataFrame(columns))
    return pd.concat(parts, ignore_index=True)


def _days(aims: pd.DataFrame, limits: PlanLimits) -> np.ndarray:
    """Days per aligner of each aim: its own, or that of the limits."""
    given = _given_days(aims)[1]
    return np.where(given > 0, given, limits.days_per_aligner)


def _given_days(aims: pd.DataFrame) -> tuple[str | None, np.ndarray]:
    """The column with days per aligner, and its numbers; missing where they are none."""
    names = ("days", "days_per_aligner", "days per aligner")
    name = next((str(c) for c in aims.columns if str(c).casefold() in names), None)
    if name is None:
        return None, np.full(len(aims), np.nan)
    given = pd.to_numeric(aims[name], errors="coerce")
    return name, given.to_numpy(float, na_value=np.nan)


def odd_days(aims: pd.DataFrame, limits: PlanLimits) -> list[pd.DataFrame]:
    """Problems of days that are no number above 0."""
    name, given = _given_days(aims)
    if name is None:
        return []
    odd = aims[~(given > 0) & aims[name].notna() & (aims[name] != "")]
    problem = f"not a number of days: {limits.days_per_aligner:g} are used"
    remedy = "Write the days each aligner is worn."
    return [
        problem_frame("aims", int(row), name, str(value), problem, remedy, "check")
        for row, value in zip(odd["row"], odd[name], strict=True)
    ]


def _held_back(
    rows: pd.DataFrame, options: pd.DataFrame, largest: Mapping[int, float]
) -> tuple[pd.DataFrame, dict[int, str], dict[int, str]]:
    """Options without numbers where they lie beyond ``largest``, the largest past plan in the
    direction of each aim; and the reasons."""
    beyond: dict[int, str] = {}
    left_out: dict[int, str] = {}
    planned = options.pivot(index="at", columns="option", values="planned").astype(float)
    for at, most in largest.items():
        aim, plan = rows.loc[at].to_dict(), planned.loc[at].to_dict()
        if np.isnan(plan[DIRECT]):
            continue
        for what, size, reasons, then in (
            ("The aim", aim["aim"], beyond, "No plan is made."),
            ("The safer plan", plan[BEST], beyond, "No plan is made."),
            ("Aim / rate", plan[DIRECT], left_out, "It is left out."),
        ):
            reason = beyond_records(
                aim["unit"], size, most, movement=aim["movement"], what=what, then=then
            )
            if reason:
                reasons[at] = reason
                break
    blank = options["at"].isin(beyond)
    blank |= options["at"].isin(left_out) & (options["option"] == DIRECT)
    numbers = list(options.loc[:, "planned":"days"])
    return options.assign(**options[numbers].mask(blank)), beyond, left_out
