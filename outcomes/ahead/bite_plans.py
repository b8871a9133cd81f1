"""The plans of one way to reach an overbite: as aimed, aim / rate, and with the best chance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.ahead.bite_draws import Landed, Spread, landed
from outcomes.ahead.bite_lever import Lever
from outcomes.ahead.bite_options import GROUPS, aims_of, group_name, teeth_rows
from outcomes.domain.limit_in_force import limit
from outcomes.domain.names import direction
from outcomes.domain.teeth import arch, tooth_class
from outcomes.overcorrect.cautions import is_beyond
from outcomes.overcorrect.landing import plan_for_mean
from outcomes.overcorrect.plan import AS_AIMED, BEST, DIRECT, OPTIONS, PlanLimits
from outcomes.overcorrect.rules import Rules
from outcomes.predictive.expect import Expectation
from outcomes.predictive.mixture import MixtureOutlook
from outcomes.words.english import counted, listed
from outcomes.words.numbers import number
from outcomes.words.units import unit_mark

__all__ = ["OPTION_COLUMNS", "TEETH_COLUMNS", "Question", "plans_of"]

_LEVELS = (0.80, 0.95)
_SCALES = np.round(np.arange(0.4, 1.61, 0.1), 1)
"""Plans tried for the best chance, as shares of aim / rate."""
_ALIKE = 0.005
"""Chances that differ by less are taken to be the same: draws tell no more."""

OPTION_COLUMNS = (
    "option", "plan", "verdict", "why", *GROUPS,
    *(f"from_{name}" for name in ("upper_incisor", "lower_incisor", "posterior")),
    "expected", "low_80", "high_80", "low_95", "high_95", "on_target", "short", "beyond",
    "on_target_lever_low", "on_target_lever_high", "overjet", "lower_face_height",
    "mandibular_plane", "aligners", "days",
)  # fmt: skip
TEETH_COLUMNS = (
    "option", "plan", "group", "tooth", "aim", "direction", "planned", "expected", "low_80",
    "high_80", "cell", "patients", "movements", "class_patients", "largest", "own_movements",
    "own_tooth",
)  # fmt: skip


@dataclass(frozen=True)
class Question:
    """What is asked of each option, and what it is answered from.

    ``now``, ``wanted`` and ``tolerance`` of the overbite, mm; ``patient`` None for one whose own
    courses are not known; ``over_cap`` the largest chance of going beyond the target by more than
    the tolerance.
    """

    now: float
    wanted: float
    tolerance: float
    over_cap: float
    lever: Lever
    spread: Spread
    expectation: Expectation
    teeth: Mapping[str, tuple[int, ...]]
    patient: str | None
    limits: PlanLimits
    rules: Rules
    seed: int

    def landed(self, rows: pd.DataFrame) -> Landed:
        """Draws of the overbite for rows with group, tooth, planned."""
        return landed(
            rows, self.now, self.lever, self.spread, self.expectation,
            patient=self.patient, seed=self.seed,
        )  # fmt: skip


def plans_of(
    name: str, shares: Mapping[str, float], question: Question
) -> tuple[list[dict[str, Any]], pd.DataFrame]:
    """Three rows of ``OPTION_COLUMNS`` and the teeth of each, for one way of sharing."""
    aims = aims_of(shares, question.wanted - question.now, question.lever)
    head = {"option": name, **{group: aims.get(group, np.nan) for group in GROUPS}}
    empty = [group for group in aims if not question.teeth[group]]
    if empty:
        why = f"No {listed(map(group_name, empty), 'or')} are there."
        return _without(head, "not possible", why), pd.DataFrame(columns=list(TEETH_COLUMNS))
    rows = _with_support(teeth_rows(aims, question.teeth), question)
    refused = _refused(rows, question.rules)
    if refused:
        return _without(head, "not supported", refused), _teeth(rows, name, AS_AIMED, np.nan)
    outlooks = _outlooks(rows, question)
    options, teeth = [], []
    for plan, size in _sizes(rows, outlooks, question).items():
        planned = np.sign(rows["aim"].to_numpy(float)) * size
        one, why = {**head, "plan": plan}, _beyond(rows, size)
        if why:
            options.append({**one, "verdict": "beyond the records", "why": why})
            teeth.append(_teeth(rows, name, plan, np.nan))
            continue
        drawn = question.landed(rows.assign(planned=planned))
        numbers = _numbers(drawn, question) | _aligners(size, question.limits)
        verdict, why = _verdict(rows, size, numbers, question)
        options.append({**one, **numbers, "verdict": verdict, "why": why})
        teeth.append(_teeth(rows, name, plan, planned, outlooks))
    return options, pd.concat(teeth, ignore_index=True)


def _without(head: Mapping[str, Any], verdict: str, why: str) -> list[dict[str, Any]]:
    return [{**head, "plan": plan, "verdict": verdict, "why": why} for plan in OPTIONS]


def _with_support(rows: pd.DataFrame, question: Question) -> pd.DataFrame:
    """The past plans that speak for each tooth."""
    found = [
        question.expectation.support(int(tooth), 1 if aim > 0 else -1, patient=question.patient)
        for tooth, aim in zip(rows["tooth"], rows["aim"], strict=True)
    ]
    names = [name for name in TEETH_COLUMNS[10:] if name != "largest"]
    table = pd.DataFrame([{name: getattr(s, name) for name in names} for s in found])
    # where no tooth of the class went this way, any tooth's largest plan is the measure
    largest = [s.largest if s.class_patients else s.largest_any for s in found]
    towards = [s.direction_patients for s in found]
    return pd.concat([rows, table.assign(largest=largest, towards=towards)], axis=1)


def _refused(rows: pd.DataFrame, rules: Rules) -> str:
    """Why there are no plans at all; "" where there are."""
    few = rows[rows["towards"] < rules.fewest]
    said = []
    for aim, part in few.groupby(np.sign(few["aim"]), sort=False):
        way, many = direction(float(str(aim)), "vertical"), int(part["towards"].iloc[0])
        whose = counted(many, "past patient") if many else "No past patient"
        was = "was" if many <= 1 else "were"
        said.append(f"{whose} {was} planned {way} of any tooth, and {rules.fewest} are the fewest.")
    return " ".join(said)


def _outlooks(rows: pd.DataFrame, question: Question) -> list[MixtureOutlook]:
    most = question.rules.max_factor
    return [
        question.expectation.outlook(
            int(tooth), 1 if aim > 0 else -1, most * abs(aim), patient=question.patient
        )
        for tooth, aim in zip(rows["tooth"], rows["aim"], strict=True)
    ]


def _sizes(
    rows: pd.DataFrame, outlooks: list[MixtureOutlook], question: Question
) -> dict[str, np.ndarray]:
    """Sizes of the plans of each kind, mm, shape (teeth,)."""
    aim = rows["aim"].abs().to_numpy(float)
    most = question.rules.max_factor * aim
    if question.limits.aligners is not None:
        step = question.limits.step("vertical")
        most = np.minimum(most, question.limits.aligners * step)
    any_kind: list[Any] = list(outlooks)
    direct = np.array(
        [
            float(plan_for_mean(outlook, aim[i : i + 1], most[i : i + 1])[0])
            for i, outlook in enumerate(any_kind)
        ]
    )
    return {AS_AIMED: aim, DIRECT: direct, BEST: _best(rows, direct, most, question)}


def _best(
    rows: pd.DataFrame, direct: np.ndarray, most: np.ndarray, question: Question
) -> np.ndarray:
    """The sizes, all the same share of aim / rate, with the best chance of the overbite wanted.

    Plans that go beyond the target too often, or lie beyond the records, are left out; where none
    is left, the one that goes beyond least. Of plans whose chances the draws cannot tell apart, the
    one that comes nearest on average.
    """
    sign = np.sign(rows["aim"].to_numpy(float))
    tried = []
    for scale in _SCALES:
        size = np.minimum(scale * direct, most)
        if _beyond(rows, size):
            continue
        drawn = question.landed(rows.assign(planned=sign * size))
        within, _, beyond = drawn.chances(question.wanted, question.tolerance)
        off = float(np.abs(drawn.overbite - question.wanted).mean())
        tried.append((size, within, beyond, off))
    if not tried:
        return direct
    allowed = [one for one in tried if one[2] <= question.over_cap]
    if not allowed:
        return min(tried, key=lambda one: one[2])[0]
    top = max(one[1] for one in allowed)
    alike = [one for one in allowed if one[1] >= top - _ALIKE]
    return min(alike, key=lambda one: one[3])[0]


def _beyond(rows: pd.DataFrame, size: np.ndarray) -> str:
    """Why past cases say nothing of plans of these sizes; "" where they do."""
    expected = limit("expected_size", "vertical", "mm")
    beyond = np.asarray(is_beyond(size, rows["largest"].to_numpy(float), expected))
    if not beyond.any():
        return ""
    at = int(np.flatnonzero(beyond)[size[beyond].argmax()])
    return (
        f"A plan of {number(size[at])}{unit_mark('mm')} ({rows['cell'].iloc[at]}) is beyond the "
        f"records: the largest past one is {number(rows['largest'].iloc[at])}{unit_mark('mm')}."
    )


def _numbers(drawn: Landed, question: Question) -> dict[str, float]:
    """What an option may bring, as in ``OPTION_COLUMNS``."""
    overbite = drawn.overbite
    within, short, beyond = drawn.chances(question.wanted, question.tolerance)
    found = {
        "from_upper_incisor": float(drawn.moved["upper_incisor"].mean()),
        "from_lower_incisor": float(drawn.moved["lower_incisor"].mean()),
        "from_posterior": float(drawn.from_posterior.mean()),
        "expected": float(overbite.mean()),
        "on_target": within,
        "short": short,
        "beyond": beyond,
    }
    for level in _LEVELS:
        ends = drawn.range(level)
        found |= {
            f"{end}_{100 * level:.0f}": x for end, x in zip(("low", "high"), ends, strict=True)
        }
    lever = question.lever
    for end, per_mm in (("low", lever.low), ("high", lever.high)):
        at_end = drawn.with_lever(per_mm / lever.per_mm)
        chance = at_end.chances(question.wanted, question.tolerance)[0]
        found[f"on_target_lever_{end}"] = chance
    if lever.model is not None:
        effects = lever.model.effects(float(drawn.intrusion.mean()))
        face = ("overjet", "lower_face_height", "mandibular_plane")
        found |= {name: effects.get(name, float("nan")) for name in face}
    return found


def _aligners(size: np.ndarray, limits: PlanLimits) -> dict[str, float]:
    """Of the slowest tooth, as all move at once."""
    aligners = float(max(np.ceil(size.max() / limits.step("vertical") - 1e-9), 0.0))
    return {"aligners": aligners, "days": aligners * limits.days_per_aligner}


def _verdict(
    rows: pd.DataFrame, size: np.ndarray, numbers: Mapping[str, float], question: Question
) -> tuple[str, str]:
    """supported or wide, and why."""
    rules, mm = question.rules, unit_mark("mm")
    reasons = []
    for cell, part in rows.groupby("cell", sort=False):
        many = int(part["class_patients"].min())
        if many < rules.enough:
            reasons.append(
                f"{cell}: {counted(many, 'past patient')}, and {rules.enough} are enough."
            )
    past = size > rows["largest"].to_numpy(float) * (1 + 1e-9)
    for cell, part in rows.assign(size=size)[past].groupby("cell", sort=False):
        reasons.append(
            f"{cell}: the plan of {number(part['size'].max())}{mm} is larger than any past one "
            f"({number(part['largest'].max())}{mm})."
        )
    width = numbers["high_80"] - numbers["low_80"]
    change = abs(question.wanted - question.now)
    if width > max(change, 2 * question.tolerance):
        reasons.append(
            f"The 80 % range of the overbite is {number(width)}{mm} wide, and the change wanted is "
            f"{number(change)}{mm}."
        )
    return ("wide", " ".join(reasons)) if reasons else ("supported", "")


def _teeth(
    rows: pd.DataFrame,
    name: str,
    plan: str,
    planned: np.ndarray | float,
    outlooks: list[MixtureOutlook] | None = None,
) -> pd.DataFrame:
    """The plan of each tooth and what to expect of it, as in ``TEETH_COLUMNS``."""
    aim = rows["aim"].to_numpy(float)
    kinds = [str(x) for x in tooth_class(rows["tooth"].to_numpy(int))]
    arches = [str(x) for x in arch(rows["tooth"].to_numpy(int))]
    ways = [direction(a, "vertical", k, s) for a, k, s in zip(aim, kinds, arches, strict=True)]
    table = rows.assign(option=name, plan=plan, direction=ways, planned=planned)
    ends = np.full((len(rows), 3), np.nan)
    for i, outlook in enumerate(outlooks or []):
        size = np.abs(np.atleast_1d(planned)[i : i + 1])
        expected, (low, high) = outlook.mean(size), outlook.range(size, 0.80)
        ends[i] = np.sign(aim[i]) * np.array([np.ravel(x)[0] for x in (expected, low, high)])
        ends[i, 1:] = np.sort(ends[i, 1:])
    table[["expected", "low_80", "high_80"]] = ends + 0.0
    return table[list(TEETH_COLUMNS)]
