"""The size of a study in closed form: a t interval on patients' means.

Every tooth counts as a reading of its patient's rate, with variance ``s2 = patient_sd² + w`` and
intraclass correlation ``icc = patient_sd² / s2``; ``m`` teeth of a patient are then worth
``m / (1 + (m - 1) icc)`` teeth of different patients.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.optimize import brentq
from scipy.special import gammaln, stdtrit
from scipy.stats import chi2, nct

from outcomes.study.asked import Aim, Assumptions

__all__ = ["FEWEST", "ClosedForm", "closed_form"]

FEWEST = 3
"""Patients below which no study is considered."""


@dataclass(frozen=True)
class ClosedForm:
    """A t interval on patients' means: ``variance`` of one patient's contribution."""

    icc: float
    design_effect: float
    variance: float
    aim: Aim
    teeth: int

    def df(self, patients: float) -> float:
        if self.aim.compare == "teeth":  # the patient's own effect cancels
            return patients * (self.teeth - 1) - 1
        return self.aim.arms * (patients - 1)

    def se(self, patients: float) -> float:
        return math.sqrt(self.aim.arms * self.variance / patients)

    def width(self, patients: float) -> float:
        """Mean width, or that which a share ``assurance`` of studies stays within."""
        df = self.df(patients)
        if self.aim.assurance is None:
            # mean of an estimated SD over the SD itself
            shrink = math.exp(gammaln((df + 1) / 2) - gammaln(df / 2)) * math.sqrt(2 / df)
        else:
            shrink = math.sqrt(chi2.ppf(self.aim.assurance, df) / df)
        return float(2 * stdtrit(df, 0.5 + self.aim.level / 2) * self.se(patients) * shrink)

    def power(self, patients: float) -> float:
        if self.aim.difference is None:
            return float("nan")
        df, shift = self.df(patients), self.aim.difference / self.se(patients)
        critical = float(stdtrit(df, 0.5 + self.aim.level / 2))
        found = float(nct.sf(critical, df, shift) + nct.cdf(-critical, df, shift))
        return found if found == found else 1.0  # nct gives up where power is certain

    def missed_by(self, patients: float) -> float:
        found = {"width": self.width(patients), "power": self.power(patients)}
        return self.aim.missed_by({**found, "width_wide": found["width"]})

    def patients(self) -> int:
        """Fewest patients (per group) that do."""
        if self.missed_by(FEWEST) <= 0:
            return FEWEST
        high = float(FEWEST)
        while self.missed_by(high) > 0:
            high *= 2
        return math.ceil(brentq(self.missed_by, high / 2, high, xtol=1e-6) - 1e-5)


def closed_form(assumed: Assumptions, aim: Aim, teeth: int) -> ClosedForm:
    """The closed form for a number of teeth in each patient."""
    tooth = assumed.tooth_variance()
    between = assumed.patient_sd**2
    icc = between / (between + tooth)
    effect = 1 + (teeth - 1) * icc
    variance = (between + tooth) * effect / teeth
    if aim.compare == "teeth":
        half = teeth // 2
        variance = tooth * (1 / half + 1 / (teeth - half))
    return ClosedForm(icc, effect, variance, aim, teeth)
