"""An invented cohort: its five tables, and the truth behind them."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from outcomes.cohort.read import from_frames
from outcomes.cohort.records import Cohort
from outcomes.domain.tables import TABLES


@dataclass(frozen=True)
class Truth:
    """What was put into a simulated cohort.

    Attributes
    ----------
    rates : DataFrame
        movement, tooth_class, rate (no attachment), mean_rate (with attachments as they came,
        weighted by planned², what a fit without the covariate aims at).
    spread : DataFrame
        movement, unit, patient_sd, tooth_sd, residual_sd, repeat_sd, attachment_effect.
    patient_effects : DataFrame
        patient, movement, effect: added to the rate; the site's effect is not in it.
    tooth_effects : DataFrame
        patient, tooth, movement, effect: added to the rate.
    site_effects : DataFrame
        site, effect: added to the rate of every patient of the site.
    bite : DataFrame
        patient, course, upper_incisor, lower_incisor (extrusion, mm), posterior (intrusion, mm,
        upper + lower molars), overbite_change (mm): cumulated over courses, without reading error.
    lever : float
        mm of overbite per mm of posterior intrusion.
    """

    rates: pd.DataFrame
    spread: pd.DataFrame
    patient_effects: pd.DataFrame
    tooth_effects: pd.DataFrame
    site_effects: pd.DataFrame
    bite: pd.DataFrame
    lever: float


@dataclass(frozen=True)
class SimulatedCohort:
    """The five tables of an invented cohort, and the truth behind them.

    ``planted`` lists the bad cells put in (table, row as a spreadsheet shows it, column, value,
    kind, outcome); empty unless asked for.
    """

    movements: pd.DataFrame
    patients: pd.DataFrame
    courses: pd.DataFrame
    measures: pd.DataFrame
    repeats: pd.DataFrame
    truth: Truth
    planted: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """The five tables by name, in the order a workbook has them."""
        return {name: getattr(self, name) for name in TABLES}

    def cohort(self, *, strict: bool = True) -> Cohort:
        """The same tables through the checks that files go through; marked as invented."""
        return from_frames(
            self.movements,
            self.patients,
            self.courses,
            self.measures,
            self.repeats,
            notation="fdi",
            strict=strict,
            source="simulated",
            invented=True,
        )
