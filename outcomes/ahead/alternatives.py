"""Attachments and auxiliaries side by side, where the cohort can tell them apart."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from outcomes.ahead.asks import Ask, empty
from outcomes.ahead.result import ALTERNATIVES
from outcomes.domain.limits import FEW_PATIENTS
from outcomes.domain.teeth import tooth_class
from outcomes.errors import CannotAnswer
from outcomes.overcorrect.landing import best_plan
from outcomes.predictive.expect import expect
from outcomes.rates.fit import fit_rate
from outcomes.words.english import counted
from outcomes.words.numbers import points, range_words

__all__ = ["COLUMNS", "Levels", "alternatives_of", "levels_of"]

COLUMNS = {"attachment": "attachments", "auxiliary": "auxiliaries"}
NOT_ALLOTTED = (
    "Not allotted at random: teeth that were thought difficult may have got one, and others none, so "
    "that a difference is not what changing it would bring."
)


class Levels:
    """What the cohort tells of the levels of one column for one movement.

    ``told`` maps a level to the sentence on its difference from ``reference`` where the interval
    leaves out 0; ``said`` has the sentences of the others; ``why`` says why nothing can be told, ""
    where something is; ``past`` expects results by level (None without any level that is told).
    """

    def __init__(
        self,
        rows: pd.DataFrame,
        movement: str,
        column: str,
        learn: Callable[[pd.DataFrame], Any] | None = None,
    ) -> None:
        self.rows, self.movement, self.column = rows, movement, column
        self.reference, self.why = "", ""
        self.past: Any = None
        self.told: dict[str, str] = {}
        self.said: dict[str, str] = {}
        counts = rows.groupby(column)["patient"].nunique() if column in rows else pd.Series()
        self.levels = [str(level) for level in counts.index[counts >= FEW_PATIENTS]]
        if len(self.levels) < 2:
            self.why = self._too_few(counts)
            return
        kept = rows[rows[column].astype(str).isin(self.levels)]
        kept = kept.assign(**{column: kept[column].astype(str)})
        try:
            level = 1 - 0.05 / (len(self.levels) - 1)  # of all comparisons together 95 %
            fit = fit_rate(kept, movement, covariates=(column,), level=level)
        except CannotAnswer as error:
            self.why = f"{self._start}: {error}"
            return
        self._compare(fit.covariates, kept)
        if self.told:
            past = learn or (lambda part: expect(part, movement, covariates=(column,)))
            self.past = past(kept)
        else:
            self.why = f"{self._start}: {'; '.join(self.said.values())}."

    @property
    def _start(self) -> str:
        return f"The cohort does not tell {COLUMNS[self.column]} apart for {self.movement}"

    def _too_few(self, counts: pd.Series) -> str:
        if not len(counts):
            return f"The cohort records no {COLUMNS[self.column]} for {self.movement}."
        each = ", ".join(f"{level} {n}" for level, n in counts.items())
        return (
            f"{self._start}: with {each} (patients), fewer than two have {FEW_PATIENTS} patients."
        )

    def _compare(self, table: pd.DataFrame, rows: pd.DataFrame) -> None:
        named = {str(row["covariate"]).split(": ")[-1]: row for row in table.to_dict("records")}
        self.reference = next(level for level in self.levels if level not in named)
        for level, row in named.items():
            low, high = float(row["low"]), float(row["high"])
            between = range_words(low, high, lambda share: points(share))
            text = (
                f"{level} against {self.reference} {points(float(row['estimate']))} percentage points "
                f"of the rate (interval {between})"
            )
            target = self.told if low > 0 or high < 0 else self.said
            target[level] = text


def levels_of(
    rows: pd.DataFrame, movement: str, columns: Sequence[str] = tuple(COLUMNS)
) -> list[Levels]:
    """What is told of each column for one movement; ``rows`` are planned and measured."""
    of_movement = rows[(rows["movement"] == movement) & (rows["planned"] != 0)]
    found = []
    for column in columns:
        known = of_movement.dropna(subset=[column]) if column in of_movement else of_movement[:0]
        found.append(Levels(known, movement, column))
    return found


def alternatives_of(
    asks: Sequence[Ask],
    levels: Mapping[str, Sequence[Levels]],
    patient: str,
) -> pd.DataFrame:
    """The table ``alternatives`` of `NextCourse`: for each aim the levels of each column, or one row
    that says why the cohort cannot tell them apart."""
    rows: list[dict[str, Any]] = []
    for ask in asks:
        for one in levels.get(ask.movement, ()):
            if one.past is None:
                note = one.why
                rows.append({**ask.head, "column": one.column, "told": False, "note": note})
                continue
            rows += [_row(ask, one, level, patient) for level in one.levels]
    if not rows:
        return empty(ALTERNATIVES)
    table = pd.DataFrame(rows).reindex(columns=list(ALTERNATIVES))
    for name in ("patients", "movements"):
        table[name] = table[name].astype("Int64")
    return table


def _row(ask: Ask, one: Levels, level: str, patient: str) -> dict[str, Any]:
    past = one.past
    assert past is not None
    of: dict[str, Any] = {"patient": patient} if patient in past.patients else {}
    outlook = past.outlook(
        ask.tooth, ask.sign, max(ask.most, ask.size), **of, **{one.column: level}
    )
    aim, most = np.array([ask.size]), np.array([ask.most])
    plan, _ = best_plan(outlook, aim, ask.tolerance, most, ask.over_cap)
    chances = outlook.chances(plan, aim, ask.tolerance)
    ends = np.sort(ask.sign * np.stack(outlook.range(plan, 0.8))[:, 0])
    rows = one.rows
    alike = rows[(rows[one.column].astype(str) == level) & (rows["planned"] * ask.sign > 0)]
    alike = alike[alike["tooth_class"].astype(str) == str(tooth_class(ask.tooth))]
    told = level in one.told or level == one.reference
    said = one.told.get(level) or one.said.get(level, "")
    parts = [f"{said}." if said else "", "" if level == one.reference else NOT_ALLOTTED]
    if level in one.said:
        parts.insert(1, "The cohort does not tell these two apart.")
    patients = int(alike["patient"].nunique())
    if patients < FEW_PATIENTS:
        end = "its numbers lean on other teeth."
        parts.insert(
            0, f"{counted(patients, 'patient')} with it in this class and direction: {end}"
        )
    return {
        **ask.head,
        "column": one.column,
        "level": level,
        "planned": ask.sign * float(plan[0]) + 0.0,
        "expected": ask.sign * float(np.asarray(outlook.mean(plan))[0]) + 0.0,
        "low_80": ends[0],
        "high_80": ends[1],
        "within": float(chances.within[0]),
        "over": float(chances.over[0]),
        "patients": patients,
        "movements": len(alike),
        "told": told,
        "note": " ".join(filter(None, parts)),
    }
