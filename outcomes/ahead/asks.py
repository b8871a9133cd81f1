"""Each aim that has a plan, with what the coming course is expected to bring of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import pandas as pd

from outcomes.overcorrect.plan import BEST, Plan

__all__ = ["Ask", "Expects", "asks_of", "empty"]


class Foresees(Protocol):
    """What a coming course brings, in the direction of the aim, at plans of any shape."""

    @property
    def largest(self) -> float: ...
    @property
    def mean(self) -> Callable[..., Any]: ...

    def at(self, plan: Any) -> tuple[Any, Any, Any]: ...
    def chances(self, plan: Any, aim: Any, tolerance: Any) -> Any: ...
    def range(self, plan: Any, level: Any) -> tuple[Any, Any]: ...
    def rate(self) -> tuple[float, float]: ...


class Expects(Protocol):
    """What is expected of one movement (``outcomes.predictive.expect``)."""

    @property
    def movement(self) -> str: ...
    @property
    def patients(self) -> Sequence[str]: ...

    def support(self, tooth: int, sign: int, **of: Any) -> Any: ...
    def outlook(self, tooth: int, sign: int, largest: float, **of: Any) -> Foresees: ...
    def draws(self) -> pd.DataFrame: ...


@dataclass(frozen=True)
class Ask:
    """One aim with a plan; sizes in its direction, mm or degrees.

    ``planned`` is the plan with the best chance, ``most`` the largest that is allowed, ``over_cap`` the
    largest chance of going too far; ``outlook`` is
    of this patient, ``alone`` of one who is not known; ``of_course`` is the variance of the rate from
    course to course, which a result in this course does not tell of the next one.
    """

    at: int
    tooth: int
    movement: str
    unit: str
    aim: float
    tolerance: float
    planned: float
    most: float
    over_cap: float
    outlook: Foresees
    alone: Foresees
    of_course: float
    own_movements: int
    own_tooth: bool

    @property
    def sign(self) -> int:
        """Of the aim."""
        return 1 if self.aim > 0 else -1

    @property
    def size(self) -> float:
        """Of the aim, unsigned."""
        return abs(self.aim)

    @property
    def head(self) -> dict[str, Any]:
        """The columns with which its rows in all tables begin."""
        return {name: getattr(self, name) for name in ("at", "tooth", "movement", "unit", "aim")}


def asks_of(plan: Plan, expectations: Mapping[str, Expects], patient: str) -> list[Ask]:
    """The aims of a plan for which there is a plan with the best chance, in the order of the plan."""
    best = plan.options[plan.options["option"] == BEST].set_index("at")["planned"]
    found = []
    for row in plan.aims.to_dict("index").items():
        at, aim = int(str(row[0])), row[1]
        movement = str(aim["movement"])
        if movement not in expectations or np.isnan(best.get(at, np.nan)):
            continue
        found.append(_ask(at, aim, abs(float(best[at])), expectations[movement], plan, patient))
    return found


def _ask(
    at: int, aim: dict[Any, Any], planned: float, past: Expects, plan: Plan, patient: str
) -> Ask:
    size, movement, tooth = abs(float(aim["aim"])), str(aim["movement"]), int(aim["tooth"])
    sign = 1 if aim["aim"] > 0 else -1
    unit = str(aim["unit"])
    most = float(plan.limits.most(np.array([size]), movement, plan.rules.max_factor)[0])
    given = {name: aim[name] for name in getattr(past, "covariates", ()) if name in aim}
    of = {"patient": patient} if patient in past.patients else {}
    support = past.support(tooth, sign, **of, **given)
    largest = max(most, size, planned)
    draws = past.draws()
    variance = draws["patient_course"] ** 2 + draws["tooth_course"] ** 2
    return Ask(
        at=at,
        tooth=tooth,
        movement=movement,
        unit=unit,
        aim=float(aim["aim"]),
        tolerance=plan.limits.near(movement, unit),
        planned=planned,
        most=most,
        over_cap=float(aim.get("over_cap", plan.limits.cap(tooth, movement, unit))),
        outlook=past.outlook(tooth, sign, largest, **of, **given),
        alone=past.outlook(tooth, sign, largest, **of, **given, alone=True),
        of_course=float((draws["weight"] * variance).sum() / draws["weight"].sum()),
        own_movements=int(support.own_movements),
        own_tooth=bool(support.own_tooth),
    )


def empty(columns: Sequence[str]) -> pd.DataFrame:
    """A table of these columns without rows."""
    return pd.DataFrame(columns=list(columns))
