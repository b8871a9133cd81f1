"""Teeth to keep where they are: how far they go although no plan moves them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from outcomes.ahead.asks import empty
from outcomes.ahead.beside import Beside, beside_of, neighbours, plans_beside, rows_beside
from outcomes.ahead.drift import Drift, SideMovement, learn_drift
from outcomes.ahead.records import Records
from outcomes.ahead.result import HOLDS
from outcomes.domain.limit_in_force import limit
from outcomes.domain.teeth import arch, tooth_class
from outcomes.overcorrect.plan import PlanLimits
from outcomes.overcorrect.rules import Rules
from outcomes.words.english import counted
from outcomes.words.numbers import size

__all__ = ["Learnt", "asked_of_records", "holds_of", "learn_side_movement"]


class Learnt:
    """What the cohort tells of the side movements of one movement; without ``drift`` it has too few
    patients, ``patients`` of them."""

    def __init__(self, rows: pd.DataFrame, every: pd.DataFrame, fewest: int, seed: int) -> None:
        self.rows = rows
        self.patients = int(rows["patient"].nunique())
        self.beside = Beside(0.0, 0.0, False, "")
        self.drift: Drift | None = None
        if self.patients >= fewest:
            self.beside = beside_of(rows, every)
            movement, unit = str(rows["movement"].iloc[0]), str(rows["unit"].iloc[0])
            self.drift = learn_drift(
                self._without_neighbours(every), limit("tolerance", movement, unit), seed
            )

    def _without_neighbours(self, every: pd.DataFrame) -> pd.DataFrame:
        """The rows as if the teeth beside had had no plan."""
        if not self.beside.told:
            return self.rows
        added = self.beside.slope * np.nan_to_num(rows_beside(self.rows, every))
        return self.rows.assign(achieved=self.rows["achieved"] - added)


def learn_side_movement(records: Records, movement: str, fewest: int, seed: int = 1) -> Learnt:
    """What is told of one movement by the rows whose plan was recorded as 0."""
    measured = records.measured
    rows = measured[(measured["planned"] == 0) & (measured["movement"] == movement)]
    every = records.rows[records.rows["movement"] == movement]
    return Learnt(rows, every, fewest, seed)


def asked_of_records(rows: pd.DataFrame, planned: set[tuple[int, str]]) -> pd.DataFrame:
    """What the last recorded course of a patient left where it was: tooth, movement, unit, asked.

    Left out is what the coming course plans.
    """
    if rows.empty:
        return pd.DataFrame(columns=["tooth", "movement", "unit", "asked"])
    last = int(rows["course"].max())
    still = rows[(rows["course"] == last) & (rows["planned"] == 0)]
    keys = zip(still["tooth"].astype(int), still["movement"].astype(str), strict=True)
    keep = [key not in planned for key in keys]
    asked = still.loc[keep, ["tooth", "movement", "unit"]]
    return asked.assign(asked=f"planned 0 in course {last}").reset_index(drop=True)


def holds_of(
    asked: pd.DataFrame,
    learnt: Mapping[str, Learnt],
    own_rows: pd.DataFrame,
    patient: str,
    plans: Mapping[tuple[str, int], float],
    limits: PlanLimits,
    rules: Rules,
) -> pd.DataFrame:
    """The table ``holds`` of `NextCourse`, the least likely to stay first.

    Parameters
    ----------
    asked
        tooth, movement, unit, asked.
    learnt
        By movement.
    own_rows
        All rows of the patient.
    patient
        The code.
    plans
        (movement, tooth) -> plan of the coming course, signed.
    limits, rules
        Tolerances; from how many patients an answer is given.
    """
    rows = [
        _held(one, learnt[one["movement"]], own_rows, patient, plans, limits, rules)
        for one in asked.to_dict("records")
    ]
    if not rows:
        return empty(HOLDS)
    table = pd.DataFrame(rows).reindex(columns=list(HOLDS))
    numbers = list(HOLDS[HOLDS.index("expected") : HOLDS.index("own_movements")])
    table[numbers] = table[numbers].astype(float)
    for name in ("own_movements", "patients", "movements"):
        table[name] = table[name].astype("Int64")
    return table.sort_values("within", kind="stable", na_position="last", ignore_index=True)


def _held(
    asked: dict[Any, Any],
    learnt: Learnt,
    own_rows: pd.DataFrame,
    patient: str,
    plans: Mapping[tuple[str, int], float],
    limits: PlanLimits,
    rules: Rules,
) -> dict[str, Any]:
    tooth, movement, unit = int(asked["tooth"]), str(asked["movement"]), str(asked["unit"])
    tolerance = limits.near(movement, unit)
    cell = f"{arch(tooth)} {tooth_class(tooth)}"
    past = learnt.rows
    alike = past[(past["arch"].astype(str) + " " + past["tooth_class"].astype(str)) == cell]
    own = alike[alike["patient"] == patient]
    row: dict[str, Any] = {
        "tooth": tooth,
        "movement": movement,
        "unit": unit,
        "asked": asked["asked"],
        "tolerance": tolerance,
        "so_far": _so_far(own_rows, tooth, movement),
        "own_movements": len(own),
        "patients": alike["patient"].nunique(),
        "movements": len(alike),
        "neighbours": "",
        "cautions": "",
    }
    if learnt.drift is None:
        return {**row, "verdict": "not supported", "why": _too_few(learnt.patients, rules)}
    ahead, said = _ahead(learnt, cell, patient, tooth, movement, unit, plans)
    low, high = ahead.range(0.8)
    wide_low, wide_high = ahead.range(0.95)
    below, not_above = ahead.below(-tolerance), ahead.below(tolerance)
    why = _why(row, cell, high - low, rules)
    return {
        **row,
        "expected": ahead.expected + 0.0,
        "low_80": low,
        "high_80": high,
        "low_95": wide_low,
        "high_95": wide_high,
        "within": not_above - below,
        "beyond_positive": 1 - not_above,
        "beyond_negative": below,
        "verdict": "wide" if why else "supported",
        "neighbours": said,
        "why": why or _resting(row, cell),
    }


def _ahead(
    learnt: Learnt,
    cell: str,
    patient: str,
    tooth: int,
    movement: str,
    unit: str,
    plans: Mapping[tuple[str, int], float],
) -> tuple[SideMovement, str]:
    """The side movement to come, and what the plans of the teeth beside it have to do with it."""
    assert learnt.drift is not None
    ahead = learnt.drift.outlook(cell, patient)
    beside = plans_beside(tooth, {t: p for (name, t), p in plans.items() if name == movement})
    if beside != beside or not beside:
        return ahead, ""
    if not learnt.beside.told:
        return ahead, learnt.beside.said
    by, se = learnt.beside.slope * beside, learnt.beside.se * abs(beside)
    teeth = [n for n in neighbours(tooth) if (movement, n) in plans]
    said = f"The plans beside it ({', '.join(map(str, teeth))}) add {size(by, unit)}."
    return ahead.shifted(by, se), f"{said} {learnt.beside.said}"


def _so_far(rows: pd.DataFrame, tooth: int, movement: str) -> float:
    """Sum of the side movements of the courses that planned 0; missing if one is not measured."""
    if rows.empty:
        return float("nan")
    own = rows[(rows["tooth"] == tooth) & (rows["movement"] == movement) & (rows["planned"] == 0)]
    return float(own["achieved"].sum(skipna=False)) if len(own) else float("nan")


def _too_few(patients: int, rules: Rules) -> str:
    if not patients:
        return (
            "The cohort has no measured movement with a plan of 0 of this kind: what was not planned "
            "was not recorded, which does not mean that it stayed."
        )
    return (
        f"Only {counted(patients, 'patient')} with a measured plan of 0 of this kind; "
        f"{rules.fewest} are needed for an answer."
    )


def _why(row: dict[str, Any], cell: str, width: float, rules: Rules) -> str:
    """Why an answer is wide; "" where it is not."""
    said = []
    if row["patients"] < rules.fewest:
        few = counted(row["patients"], "patient") if row["patients"] else "No patient"
        said.append(f"{few} with a plan of 0 in this class and arch ({cell}): others stand in.")
    if width > 2 * row["tolerance"] * (1 + 1e-9):
        said.append("The 80 % range is wider than from one tolerance to the other.")
    return " ".join(said)


def _resting(row: dict[str, Any], cell: str) -> str:
    text = f"{counted(row['movements'], 'side movement')} of {counted(row['patients'], 'patient')}"
    own = f", {row['own_movements']} of them own" if row["own_movements"] else ""
    return f"Rests on {text} ({cell}{own})."
