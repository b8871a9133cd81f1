"""A plan: what is prescribed for each aim, what to expect of it, and the limits it keeps to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from html import escape
from typing import Any

import numpy as np
import pandas as pd

from outcomes.domain.limit_in_force import limit, require_known
from outcomes.errors import InputError
from outcomes.overcorrect.by_tooth import ByTooth, in_force, require_by_tooth
from outcomes.overcorrect.rules import Rules
from outcomes.overcorrect.sources import Source
from outcomes.plot_hook import plot
from outcomes.words.cautions import PLANNING
from outcomes.words.cautions import cautions as standing_cautions
from outcomes.words.shown import as_html, as_text

__all__ = [
    "AS_AIMED",
    "BEST",
    "DIRECT",
    "LEAST",
    "OPTIONS",
    "OVER_CAP",
    "Plan",
    "PlanLimits",
]

AS_AIMED, DIRECT, BEST, LEAST = "as aimed", "aim / rate", "best chance", "least cost"
OPTIONS = (AS_AIMED, DIRECT, BEST)
"""The options of every aim; ``LEAST`` is a further one where a cost was given."""

OVER_CAP = 0.10
"""Largest chance of going too far by default; common practice, no source."""


@dataclass(frozen=True)
class PlanLimits:
    """What a plan must keep to; common practice, no source; all settable.

    Attributes
    ----------
    tolerance
        Near enough: mm and degree, or by movement; what is not named keeps its default, 0.5 mm and
        2 degrees (Angle Orthod 2017;87(6):809–815, doi:10.2319/022717-147.1).
    over_cap
        Largest chance of overshooting by more than the tolerance, for the best-chance plan: a number,
        or numbers by tooth (FDI), movement, (tooth, movement) or unit, as ``{(31, "torque"): 0.02}``
        where the root of a tooth with recession must not go too far; what is not named keeps 0.10.
    over_cost
        How many times as much a mm or degree too far costs as one too short; a number, or as
        ``over_cap``. Where it is given (also by a column over_cost of the aims, which goes first),
        the plan of least expected cost is a further option. Nobody has measured it, so there is
        none by default: the best-chance plan keeps to ``over_cap`` instead (see
        `outcomes.decision_curve`, which shows at which costs that is as good).
    per_aligner
        mm and degree, or movement -> largest step of one aligner; what is not named keeps that of
        the schema.
    aligners
        Most aligners a course may have; None for no limit.
    days_per_aligner
        Wear interval, days; a days column of the aims goes first.
    """

    tolerance: Mapping[str, float] = field(default_factory=dict)
    over_cap: ByTooth = OVER_CAP
    over_cost: ByTooth = field(default_factory=dict)
    per_aligner: Mapping[str, float] = field(default_factory=dict)
    aligners: int | None = None
    days_per_aligner: float = 7.0

    def __post_init__(self) -> None:
        require_by_tooth("over_cap", self.over_cap, 1)
        require_by_tooth("over_cost", self.over_cost)
        require_known("tolerance", self.tolerance)
        require_known("per_aligner", self.per_aligner)
        if not self.days_per_aligner > 0 or (self.aligners is not None and self.aligners < 1):
            raise InputError("Days and aligners must be above 0.")

    def near(self, movement: str, unit: str) -> float:
        """The tolerance of a movement, in its unit."""
        return limit("tolerance", movement, unit, self.tolerance)

    def step(self, movement: str) -> float:
        """The largest step of one aligner."""
        return limit("per_aligner", movement, None, self.per_aligner)

    def cap(self, tooth: Any, movement: str, unit: str) -> float:
        """The largest chance of overshooting for an aim of this tooth."""
        return in_force(self.over_cap, tooth, movement, unit, OVER_CAP)

    def cost(self, tooth: Any, movement: str, unit: str) -> float:
        """What a mm or degree too far costs; NaN where nobody said it."""
        return in_force(self.over_cost, tooth, movement, unit, float("nan"))

    def most(self, size: np.ndarray, movement: str, max_factor: float) -> np.ndarray:
        """The largest plan allowed for aims of a size (n,), mm or degrees."""
        most = max_factor * size
        if self.aligners is not None:
            most = np.minimum(most, self.aligners * self.step(movement))
        return most


@dataclass(frozen=True)
class Plan:
    """Prescriptions for aims, with what to expect and what to look at.

    Attributes
    ----------
    aims
        One row for each aim: row, patient, tooth, movement, unit, aim, group, rate, factor, low,
        high, kind, verdict, why, more_patients, patients, movements, tolerance, over_cap, over_cost
        (missing where none was given), cautions.
    options
        Three rows for each aim, option "as aimed", "aim / rate" (the factor, capped) and "best
        chance" (best chance of landing within the tolerance under the cap on overshooting), and
        "least cost" where a cost was given: planned, expected, low_80, high_80, low_95, high_95 (mm
        or degrees, signed; ranges of the next measured result), within, over (chances), aligners,
        days. There are no numbers where the verdict is "not supported", nor for an option that lies
        beyond the records itself; if that is the best chance, the verdict is "beyond the records".
    problems
        What was wrong with the aims: table, row, column, value, problem, remedy, severity.
    limits, rules
        The limits that were kept.
    sources
        What the plans are made from, by movement.
    standing
        The cautions that go with every plan.
    """

    aims: pd.DataFrame
    options: pd.DataFrame
    problems: pd.DataFrame
    limits: PlanLimits
    rules: Rules
    sources: Mapping[str, Source]
    source: str

    @property
    def patients(self) -> list[str]:
        """The patients of the aims, in their order; "NEW" for one who is not named."""
        return list(dict.fromkeys(self.aims["patient"].astype(str)))

    def of_patient(self, patient: str) -> Plan:
        """What belongs to one patient; problems of rows that name no patient of the plan as well.

        Raises
        ------
        InputError
            If the plan has no such patient.
        """
        if patient not in self.patients:
            raise InputError(f"No aim is of {patient}; the aims are of {', '.join(self.patients)}.")
        aims = self.aims[self.aims["patient"] == patient]
        problems = self.problems
        if "patient" in problems:
            others = [name for name in self.patients if name != patient]
            problems = problems[~problems["patient"].isin(others)]
        options = self.options[self.options["at"].isin(aims.index)]
        return replace(self, aims=aims, options=options, problems=problems)

    @property
    def standing(self) -> tuple[str, ...]:
        """The cautions that go with every plan."""
        return tuple(standing_cautions(*PLANNING))

    @property
    def table(self) -> pd.DataFrame:
        """One row for each aim with both prescriptions side by side."""
        wide = self.aims[["row", "patient", "tooth", "movement", "unit", "aim", "verdict"]]
        for option, name in ((DIRECT, "direct"), (BEST, "best")):
            rows = self.options[self.options["option"] == option].set_index("at")
            rows = rows.loc[:, "planned":"days"].add_prefix(f"{name}_")
            wide = wide.join(rows)
        plain = self.options[self.options["option"] == AS_AIMED].set_index("at")
        return wide.assign(
            as_aimed_within=plain["within"].reindex(wide.index),
            why=self.aims["why"],
            cautions=self.aims["cautions"],
        )

    @property
    def aligners(self) -> pd.DataFrame:
        """option, aligners, days: of the slowest tooth, as all teeth move at once."""
        known = self.options.dropna(subset=["aligners"])
        table = known.groupby("option", sort=False)[["aligners", "days"]].max().reset_index()
        return table.astype({"aligners": "int64"})

    def plot(self, movement: str | None = None, ax: Any = None) -> Any:
        """Aim against plan with the chance of landing shaded; returns the Axes."""
        return plot(self, movement, ax=ax)

    def __repr__(self) -> str:
        columns = ["tooth", "movement", "aim", "verdict", "direct_planned", "best_planned"]
        shown = self.table[[*columns, "best_expected", "best_within", "best_over"]]
        return as_text(shown, *self._said, *self.standing)

    def _repr_html_(self) -> str:
        table = self.table.drop(columns=["why", "cautions"])
        said = as_html(table, notes=map(escape, self._said), blank="–")
        return said + as_html("Always:", notes=map(escape, self.standing))

    @property
    def _said(self) -> list[str]:
        rows = self.aims.itertuples()
        return [f"{r.tooth} {r.movement}: {r.why} {r.cautions}".strip() for r in rows]
