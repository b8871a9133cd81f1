"""The options of each aim: as aimed, aim / rate, the plan with the best chance, that of least cost.

An option so large that past cases say nothing of it has no numbers; each is looked at by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.cohort.problems import problem_frame
from outcomes.overcorrect.cautions import beyond_records
from outcomes.overcorrect.costs import least_cost_plan
from outcomes.overcorrect.landing import Looks, best_plan, plan_for_mean
from outcomes.overcorrect.plan import AS_AIMED, BEST, DIRECT, LEAST, OPTIONS, PlanLimits
from outcomes.overcorrect.rules import Rules, Verdict
from outcomes.overcorrect.sources import Case, Known, Source

__all__ = ["Answer", "odd_days", "options_of", "with_limits"]


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
) -> tuple[pd.DataFrame, dict[int, dict[str, str]]]:
    """Rows for each aim, without numbers where no plan is supported or known.

    ``rows`` are aims by index (movement, unit, aim, tooth, over_cap, over_cost), ``sources`` by
    movement, ``answers`` what past cases say to the aim of an index. Given back are the options as
    those of `Plan`, and by index and option why one is left out as beyond the records.
    """
    alike: dict[tuple[str, Case], list[int]] = {}
    for at, answer in answers.items():
        if answer.verdict.verdict != "not supported":
            alike.setdefault((str(rows.loc[at, "movement"]), answer.case), []).append(at)
    parts = []
    for (movement, case), index in alike.items():  # one kind of tooth has one outlook
        aims = rows.loc[index]
        size = aims["aim"].abs().to_numpy(float)
        most = limits.most(size, movement, rules.max_factor)
        known = answers[index[0]].known
        outlook = sources[movement].outlook(case, float(max(most.max(), size.max())), known)
        parts.append(_for_case(aims, movement, case, outlook, most, limits))
    filled = pd.concat(parts) if parts else pd.DataFrame(columns=_OPTION_COLUMNS, dtype=float)
    costed = set(rows.index[rows["over_cost"].notna()])
    every = [(at, o) for at in rows.index for o in (*OPTIONS, LEAST) if o != LEAST or at in costed]
    wanted = pd.MultiIndex.from_tuples(every, names=["at", "option"])
    options = filled.set_index(["at", "option"]).reindex(wanted).reset_index()[_OPTION_COLUMNS]
    return _held_back(rows, options, {at: answer.known for at, answer in answers.items()})


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
    best, held = best_plan(outlook, size, tolerance, most, aims["over_cap"].to_numpy(float))
    plans = {AS_AIMED: size, DIRECT: plan_for_mean(outlook, size, most), BEST: best}
    cost = aims["over_cost"].to_numpy(float)
    if not np.isnan(cost).all():
        # where an aim has no cost this is left out again
        plans[LEAST] = least_cost_plan(outlook, size, most, np.where(np.isnan(cost), 1.0, cost))
    parts = []
    for option, plan in plans.items():
        chances = outlook.chances(plan, size, tolerance)
        mean = np.asarray(outlook.mean(plan))
        # never minus zero
        aligners = np.maximum(np.ceil(plan / limits.step(movement) - 1e-9), 0.0) + 0.0
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


def with_limits(aims: pd.DataFrame, limits: PlanLimits) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    """The aims with over_cap and over_cost in force for each, and problems of costs that are no
    number above 0."""
    keys = list(
        zip(aims["tooth"], aims["movement"].astype(str), aims["unit"].astype(str), strict=True)
    )
    cost = np.array([limits.cost(*key) for key in keys], dtype=float)
    name = next((str(c) for c in aims.columns if str(c).casefold() in _COST_NAMES), None)
    found = []
    if name is not None:
        number = pd.to_numeric(aims[name], errors="coerce").to_numpy(float, na_value=np.nan)
        fine = (number > 0) & np.isfinite(number)
        cost = np.where(fine, number, cost)
        odd = aims[~fine & aims[name].notna().to_numpy() & (aims[name] != "").to_numpy()]
        problem = "not a cost above 0: what the limits say is used"
        remedy = "Write how many times as much a mm or degree too far costs as one too short."
        found = [
            problem_frame("aims", int(row), name, str(value), problem, remedy, "check")
            for row, value in zip(odd["row"], odd[name], strict=True)
        ]
    caps = np.array([limits.cap(*key) for key in keys], dtype=float)
    return aims.assign(over_cap=caps, over_cost=cost), found


_COST_NAMES = ("over_cost", "over cost")


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
    rows: pd.DataFrame, options: pd.DataFrame, known: Mapping[int, Known]
) -> tuple[pd.DataFrame, dict[int, dict[str, str]]]:
    """Options without numbers where they lie beyond the records themselves, and the reasons; all
    where the aim is larger than any movement expected."""
    left_out: dict[int, dict[str, str]] = {}
    for row in options.rename(columns={"at": "at_"}).itertuples():
        plan, at = float(str(row.planned)), int(str(row.at_))
        if np.isnan(plan):
            continue
        aim = rows.loc[at].to_dict()
        unit, movement, past = aim["unit"], aim["movement"], known[at]
        how: dict[str, Any] = {"movement": movement, "others": past.others}
        reason = beyond_records(unit, aim["aim"], 0.0, movement=movement)
        reason = reason or beyond_records(
            unit,
            plan,
            past.largest,
            what=_CALLED[str(row.option)],
            then="No plan is made." if row.option == BEST else "It is left out.",
            **how,
        )
        if reason and row.option == BEST:  # said of the aim, if that is beyond as well
            reason = beyond_records(unit, aim["aim"], past.largest, **how) or reason
        if reason:
            left_out.setdefault(at, {})[str(row.option)] = reason
    blank = [
        option in left_out.get(int(at), {})
        for at, option in zip(options["at"], options["option"], strict=True)
    ]
    numbers = list(options.loc[:, "planned":"days"])
    return options.assign(**options[numbers].mask(pd.Series(blank, options.index))), left_out


_CALLED = {
    AS_AIMED: "The aim",
    DIRECT: "Aim / rate",
    BEST: "The safer plan",
    LEAST: "The plan of least cost",
}
