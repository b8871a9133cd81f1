"""What is asked of a study, and what its plan rests on."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np

from outcomes.domain.movements import MOVEMENTS
from outcomes.errors import InputError
from outcomes.rates.result import RateFit
from outcomes.simulate.rates import LATER_COURSE_PLAN
from outcomes.simulate.scenario import PLAN_SD, RESIDUAL_SD

__all__ = ["Aim", "Assumptions", "Compare", "assumptions"]

Compare = Literal["patients", "teeth"]
_DRAWS = 20_000


@dataclass(frozen=True)
class Assumptions:
    """What a plan rests on: rate, SDs and planned movement, mm or degrees. See ``plan_study``."""

    movement: str
    rate: float
    patient_sd: float
    tooth_sd: float
    residual_sd: float
    plan_mean: float
    plan_sd: float
    rows_per_tooth: int
    source: str

    @property
    def unit(self) -> str:
        return MOVEMENTS[self.movement].unit

    @property
    def simulated(self) -> dict[str, Any]:
        """What ``simulate_rates`` is told of it, but for the rate."""
        return {k: v for k, v in asdict(self).items() if k not in ("rate", "source")}

    def tooth_variance(self) -> float:
        """Variance w of one tooth's rate about its patient's, in rate units.

        ``tooth_sd² + residual_sd² / (sum of squared plans)``; where plans vary, the harmonic mean
        over teeth, as precisions add up.
        """
        first = self.plan_mean + self.plan_sd * np.random.default_rng(0).standard_normal(
            (_DRAWS if self.plan_sd > 0 else 1, self.rows_per_tooth)
        )
        # Later rows of a tooth plan a share of the first, as in outcomes.simulate.simulate_rates.
        later = np.where(np.arange(self.rows_per_tooth) == 0, 1.0, LATER_COURSE_PLAN)
        squares = ((first * later) ** 2).sum(axis=1)
        precision = squares / (self.tooth_sd**2 * squares + self.residual_sd**2)
        return float(1 / precision.mean())


@dataclass(frozen=True)
class Aim:
    """What the study is for: an interval no wider than ``width``, or to find ``difference``.

    Raises
    ------
    InputError
        If both or neither are given, or a number is out of its range.
    """

    width: float | None
    difference: float | None
    compare: Compare | None
    power: float
    assurance: float | None
    level: float

    def __post_init__(self) -> None:
        if (self.width is None) == (self.difference is None):
            raise InputError("Give width= or difference=, one of the two.")
        for name in ("width", "difference"):
            value = getattr(self, name)
            if value is not None and not value > 0:
                raise InputError(
                    f"{name} is {value}: give a share of the plan above 0, such as 0.1."
                )
        if self.compare not in (None, "patients", "teeth"):
            raise InputError(f"compare={self.compare!r}: give None, 'patients' or 'teeth'.")
        for name in ("power", "assurance", "level"):
            value = getattr(self, name)
            if value is not None and not 0 < value < 1:
                raise InputError(f"{name} must lie between 0 and 1, not {value}.")

    @property
    def arms(self) -> int:
        return 2 if self.compare == "patients" else 1

    @property
    def target(self) -> str:
        """The result that decides: a column of ``studies``."""
        if self.width is None:
            return "power"
        return "width" if self.assurance is None else "width_wide"

    def missed_by(self, found: dict[str, float]) -> float:
        """Positive where the size does not do, negative where it does."""
        if self.width is None:
            return self.power - found["power"]
        return found[self.target] - self.width


def assumptions(
    pilot: RateFit | None,
    group: str | None,
    movement: str,
    rate: float,
    patient_sd: float,
    tooth_sd: float,
    residual_sd: float | None,
    plan_mean: float,
    plan_sd: float | None,
    rows_per_tooth: int,
) -> Assumptions:
    """What a plan rests on: the numbers stated, or those of a pilot. See ``plan_study``."""
    if pilot is not None:
        return _from_pilot(pilot, group, rows_per_tooth)
    if movement not in MOVEMENTS:
        raise InputError(f"{movement!r} is no movement: use one of {', '.join(MOVEMENTS)}.")
    unit = MOVEMENTS[movement].unit
    residual_sd = RESIDUAL_SD[unit] if residual_sd is None else residual_sd
    plan_sd = PLAN_SD[unit] if plan_sd is None else plan_sd
    for name, value in {"patient_sd": patient_sd, "tooth_sd": tooth_sd, "plan_sd": plan_sd}.items():
        if not value >= 0:
            raise InputError(f"{name} is {value}: an SD is not negative.")
    if not residual_sd > 0:
        raise InputError(f"residual_sd is {residual_sd}: measurements always err, give it above 0.")
    if plan_mean == 0 and plan_sd == 0:
        raise InputError("plan_mean and plan_sd are both 0: nothing would be planned.")
    return Assumptions(
        movement, rate, patient_sd, tooth_sd, residual_sd, plan_mean, plan_sd, rows_per_tooth,
        "stated",
    )  # fmt: skip


def _from_pilot(pilot: RateFit, group: str | None, rows_per_tooth: int) -> Assumptions:
    if pilot.movement not in MOVEMENTS:
        raise InputError("The pilot does not say which movement it is of: fit it with movement=.")
    known = pilot.rates["group"].astype(str).tolist()
    if group is None and len(known) > 1:
        raise InputError(f"The pilot has rates of {', '.join(known)}: say which with group=.")
    name = known[0] if group is None else group
    if name not in known:
        raise InputError(f"The pilot has no rate of {name!r}. It has: {', '.join(known)}.")
    sd = dict(zip(pilot.variance["component"], pilot.variance["sd"], strict=True))
    planned = pilot.data.loc[pilot.data["group"].astype(str) == name, "planned"].to_numpy(float)
    return Assumptions(
        movement=str(pilot.movement),
        rate=float(pilot.rates["rate"].to_numpy(float)[known.index(name)]),
        patient_sd=float(sd["patient"]),
        # teeth not told from measurement are part of the residual variation
        tooth_sd=float(sd.get("tooth", 0.0)) if pilot.mixed.blocks.has_inner else 0.0,
        residual_sd=float(np.sqrt(pilot.mixed.sigma2)),
        plan_mean=float(planned.mean()),
        plan_sd=float(planned.std()),
        rows_per_tooth=rows_per_tooth,
        source=f"pilot of {pilot.patients} patients",
    )
