"""From an expectation (`outcomes.predictive`) to the outlook of each kind of tooth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr

from outcomes.errors import CannotAnswer
from outcomes.overcorrect.rules import Rules, Verdict
from outcomes.overcorrect.sources import Case, Expects, Known, Rated, Shown
from outcomes.overcorrect.spread import judge_spread

__all__ = ["ExpectedSource"]


@dataclass(frozen=True)
class ExpectedSource:
    """What one expectation says of each aim: of a past patient, with that patient's own results."""

    expectation: Expects
    fewest: int

    @classmethod
    def of(cls, expectation: Expects, rules: Rules | None = None) -> ExpectedSource:
        """With the patients below which a class does not bound its plans."""
        return cls(expectation, (rules or Rules()).fewest)

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns that an aim must have: those that the expected rates depend on."""
        return tuple(getattr(self.expectation, "covariates", ()))

    @property
    def depends_on_size(self) -> bool:
        """An expectation gives its rate at plans of the usual size, whatever the aim."""
        return False

    @property
    def patients(self) -> frozenset[str]:
        """Codes of the past patients."""
        return frozenset(self.expectation.patients)

    def case(self, aim: pd.Series) -> Case:
        """The kind of tooth of one aim: of a past patient the tooth itself, else all like it.

        Raises
        ------
        CannotAnswer
            If a column is missing or blank.
        """
        sign, tooth = (1 if aim["aim"] > 0 else -1), int(aim["tooth"])
        values: list[tuple[str, Any]] = []
        for name in self.columns:
            if name not in aim.index or pd.isna(aim[name]):
                raise CannotAnswer(f"{name} is blank, and the rates depend on it: fill it in.")
            values.append((name, aim[name]))
        cell = self.expectation.support(tooth, sign).cell
        if aim.get("patient") in self.patients:
            own = [("patient", str(aim["patient"])), ("tooth", tooth)]
            return Case((("cell", cell), *values, *own), sign, tooth)
        return Case((("cell", cell), *values), sign, tooth)

    def known(self, case: Case, size: float) -> Known:
        """What past cases say, at plans of about ``size``."""
        asked = self._asked(case)
        support = self.expectation.support(case.tooth, case.sign, patient=asked.get("patient"))
        rate, sd = self._look(case, size).rate()
        alone, alone_sd = rate, sd
        if "patient" in asked:
            alone, alone_sd = self._look(case, size, alone=True).rate()
        few = support.class_patients < self.fewest
        return Known(
            group=support.cell,
            rate=rate,
            se=sd,
            df=np.inf,
            patients=support.patients,
            movements=support.movements,
            records=support.direction_patients,
            largest=support.largest,
            class_patients=support.class_patients,
            own_movements=support.own_movements,
            own_tooth=support.own_tooth,
            others=support.largest_any if few else 0.0,
            sure=float(max(ndtr(alone / alone_sd), ndtr(rate / sd))),
            alone_se=alone_sd,
        )

    def outlook(self, case: Case, largest: float, known: Known) -> Rated:
        """The result at plans up to ``largest``, in the direction of the aim."""
        return self._look(case, largest)

    def verdict(self, known: Known, rules: Rules, shown: Shown | None = None) -> Verdict:
        """Judged by the spread of what may come; own results of a patient can only help."""
        return judge_spread(known, rules, shown)

    def _asked(self, case: Case) -> dict[str, Any]:
        return {name: value for name, value in case.values if name not in ("cell", "tooth")}

    def _look(self, case: Case, largest: float, *, alone: bool = False) -> Rated:
        asked = self._asked(case)
        return self.expectation.outlook(case.tooth, case.sign, largest, alone=alone, **asked)
