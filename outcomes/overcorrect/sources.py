"""What a plan is made from: what past cases know of each kind of tooth, whichever model learnt it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol, runtime_checkable

import numpy as np
import pandas as pd

from outcomes.overcorrect.landing import Looks
from outcomes.overcorrect.rules import Rules, Verdict

__all__ = ["Case", "Expects", "Known", "Looks", "Rated", "Shown", "Source", "Supports"]


@dataclass(frozen=True)
class Case:
    """One kind of tooth: the values of the columns a source asks for, and the sign of the aim.

    ``tooth`` (FDI) is one tooth of the kind; cases that differ in nothing else are alike.
    """

    values: tuple[tuple[str, Any], ...]
    sign: int
    tooth: int = field(default=0, compare=False)

    def frame(self, planned: np.ndarray) -> pd.DataFrame:
        """Rows for a fit with these signed plans."""
        values: dict[str, Any] = dict(self.values)
        return pd.DataFrame({**values, "planned": planned, "plan_size": np.abs(planned)})


@dataclass(frozen=True)
class Known:
    """What past cases say of a kind of tooth.

    ``patients`` and ``movements`` are those with the same group and the same levels of covariates,
    planned in the direction of the aim; ``records`` the patients on whom the rate rests: of a fit
    those in either direction, of an expectation those with any tooth in this direction; ``largest``
    the largest past plan in the direction of the aim, for a fit by tooth and an expectation of any
    tooth of the class; ``others`` the largest of any tooth at all, where the class has too few
    patients to say how far plans go (0 otherwise); ``class_patients`` those of the class in that
    direction. ``own_movements`` are records of this very patient, whose own rate this is then
    (``own_tooth``: of this very tooth). ``pooled_se`` and ``shift`` (pooled minus unpooled rate)
    belong to a fit by tooth and do not depend on the size of the plan. ``sure`` is the chance that
    the rate is above 0, without the patient's own records or with them, whichever is more;
    ``alone_se`` its standard error without them.
    """

    group: str
    rate: float
    se: float
    df: float
    patients: int
    movements: int
    records: int
    largest: float
    tooth_class: str = ""
    class_patients: int | None = None
    own_movements: int = 0
    own_tooth: bool = False
    pooled_se: float = 0.0
    shift: float = 0.0
    others: float = 0.0
    sure: float = 1.0
    alone_se: float = float("nan")


@dataclass(frozen=True)
class Shown:
    """The safer plan as it is shown: sizes in the direction of the aim, mm or degrees."""

    aim: float
    planned: float
    low_80: float
    high_80: float
    tolerance: float
    unit: str


class Source(Protocol):
    """What the plans of one movement are made from."""

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns that an aim must have."""

    @property
    def depends_on_size(self) -> bool:
        """Does the rate change with the size of the plan?"""

    @property
    def patients(self) -> frozenset[str]:
        """Codes of the past patients."""

    def case(self, aim: pd.Series) -> Case:
        """The kind of tooth of one aim; CannotAnswer if a column is missing or blank."""

    def known(self, case: Case, size: float) -> Known:
        """What past cases say, at plans of about ``size``; CannotAnswer if nothing."""

    def outlook(self, case: Case, largest: float, known: Known) -> Looks:
        """The result at plans up to ``largest``, in the direction of the aim."""

    def verdict(self, known: Known, rules: Rules, shown: Shown | None = None) -> Verdict:
        """The verdict on an aim: first whether it has plans at all, then on the one ``shown``."""


class Supports(Protocol):
    """How many past cases an expectation rests on; as `outcomes.predictive` gives them."""

    @property
    def patients(self) -> int: ...
    @property
    def movements(self) -> int: ...
    @property
    def class_patients(self) -> int: ...
    @property
    def direction_patients(self) -> int: ...
    @property
    def largest(self) -> float: ...
    @property
    def largest_any(self) -> float: ...
    @property
    def own_movements(self) -> int: ...
    @property
    def own_tooth(self) -> bool: ...
    @property
    def cell(self) -> str: ...


class Rated(Looks, Protocol):
    """An outlook that knows the rate expected now."""

    def rate(self) -> tuple[float, float]:
        """The expected share of the plan and its standard deviation."""


@runtime_checkable
class Expects(Protocol):
    """What has been learnt of one movement; as `outcomes.predictive` gives it."""

    @property
    def movement(self) -> str: ...
    @property
    def unit(self) -> str: ...
    @property
    def patients(self) -> Sequence[str]: ...

    def support(self, tooth: int, sign: int, *, patient: str | None = None) -> Supports: ...

    def outlook(
        self,
        tooth: int,
        sign: int,
        largest: float,
        *,
        patient: str | None = None,
        alone: bool = False,
        **covariates: Any,
    ) -> Rated: ...
