"""Everything a practice audit rests on, computed once from a cohort."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import pandas as pd

from outcomes.clinical.achieved import achievement
from outcomes.clinical.unplanned import unplanned
from outcomes.domain.limit_in_force import limit, require_known
from outcomes.domain.movements import MOVEMENTS
from outcomes.rates.differences import FACTORS, Differences, differences
from outcomes.rates.fit import RateFits, fit_rates, opinion_on
from outcomes.rates.later_courses import later_courses_alone
from outcomes.rates.missing_rescans import missing_rescans
from outcomes.reports.common.measured import error_of_readings
from outcomes.reports.common.robust import read_again
from outcomes.words.numbers import LEVEL

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort


__all__ = ["Audit", "run_audit"]


@dataclass(frozen=True)
class Audit:
    """Results of a practice audit.

    Attributes
    ----------
    cohort
        What was read.
    seed
        Seed of the bootstrap intervals.
    tolerance
        Movement to the difference from the plan that counts as on target, mm or degrees.
    overall, by_class, by_direction, by_tooth
        `outcomes.achievement` by movement, and by movement and tooth class, direction, tooth.
    fits, class_fits, direction_fits, tooth_fits
        Rate models: one rate for each movement, and one for each tooth class, direction, tooth.
    later_alone
        Later courses whose earlier course is not among the records, by movement.
    missing
        `outcomes.missing_rescans`: rates if movements without a rescan had achieved less.
    robust
        `outcomes.robust_rates` of ``fits`` (group "all") and ``class_fits``, with the rows flagged
        by the check: movement, then the columns of its table.
    differences
        Between attachments, auxiliaries, growing and grown patients, clinicians, sites.
    unplanned
        Movements where the plan was zero, by movement and tooth class.
    measurement
        Measurement error from repeats; empty without them.
    measurement_reason
        Why there is none, or an empty string.
    opinion, opinion_reason, opinion_of
        The class fit with most rows beside that of statsmodels; why there is none; its movement.
    """

    cohort: Cohort
    seed: int
    tolerance: dict[str, float]
    overall: pd.DataFrame
    by_class: pd.DataFrame
    by_direction: pd.DataFrame
    by_tooth: pd.DataFrame
    fits: RateFits
    class_fits: RateFits
    direction_fits: RateFits
    tooth_fits: RateFits
    later_alone: pd.DataFrame
    missing: pd.DataFrame
    robust: pd.DataFrame
    differences: Differences
    unplanned: pd.DataFrame
    measurement: pd.DataFrame
    measurement_reason: str
    opinion: pd.DataFrame
    opinion_reason: str
    opinion_of: str

    @property
    def level(self) -> float:
        """Level of the intervals."""
        return next((fit.level for fit in self.fits.values()), LEVEL)

    @property
    def planned(self) -> pd.DataFrame:
        """The planned movements that were analysed: the rows behind every rate."""
        movements = self.cohort.movements
        return movements[movements["planned"] != 0]

    @property
    def movements(self) -> list[str]:
        """Movements with a plan, in the order of the schema."""
        return self.overall["movement"].astype(str).tolist()

    @property
    def rate_table(self) -> pd.DataFrame:
        """Model rate and descriptive achievement of each movement, side by side."""
        model = self.fits.rates.drop(columns=["group", "patients", "movements"])
        return self.overall.merge(model, on="movement", how="left")

    def tooth_rates(self, movement: str) -> pd.DataFrame:
        """The robust second reading of each tooth of a movement, for the tooth chart: tooth (FDI)
        and the columns of ``RobustRates.rates``."""
        rates = self._tooth_readings.query("movement == @movement").drop(columns="movement")
        return rates.rename(columns={"group": "tooth"}).reset_index(drop=True)

    @cached_property
    def _tooth_readings(self) -> pd.DataFrame:
        rows = self.cohort.movements
        rates = read_again(self.cohort, rows, self.tooth_fits, opposite=False)
        return rates.assign(group=rates["group"].astype(int))

    @property
    def model_table(self) -> pd.DataFrame:
        """Variance components and fit of each class model: what a statistician asks for."""
        rows = []
        for movement, fit in self.class_fits.items():
            sd = fit.variance.set_index("component")["sd"]
            row: dict[str, Any] = {"movement": movement, "unit": fit.unit}
            row |= {"patients": fit.patients, "teeth": fit.sites, "movements": fit.nobs}
            row |= {f"sd_{level}": sd.get(level) for level in ("patient", "tooth", "residual")}
            rows.append(row | {"log_likelihood": fit.log_likelihood, "note": " ".join(fit.notes)})
        return pd.DataFrame(rows)


def run_audit(
    cohort: Cohort, *, tolerance: Mapping[str, float] | None = None, seed: int = 1
) -> Audit:
    """Compute a practice audit.

    Parameters
    ----------
    cohort
        From `outcomes.read_cohort`; the movements table alone is enough.
    tolerance
        Near enough: mm and degree, or by movement; what is not named keeps its default, 0.5 mm and
        2 degrees.
    seed
        Seed of the bootstrap intervals.

    Returns
    -------
    Audit
        Complete for any cohort that can be read: what cannot be answered stands in the ``failed``
        of the fits, in ``differences.unanswered`` and in ``measurement_reason``.

    Examples
    --------
    >>> from outcomes.cohort.read import from_frames
    >>> rows = pd.DataFrame({"patient": ["P001", "P002", "P003"], "tooth": [11, 12, 21],
    ...     "movement": "rotation", "planned": [10.0, 8.0, 6.0], "achieved": [6.0, 4.5, 3.0]})
    >>> run_audit(from_frames(rows)).fits["rotation"].rates["rate"].round(2).tolist()
    [0.57]
    """
    require_known("tolerance", tolerance or {})
    near = {n: limit("tolerance", n, m.unit, tolerance) for n, m in MOVEMENTS.items()}
    frame = cohort.frame()
    planned = frame[frame["planned"] != 0]
    measurement, reason = error_of_readings(cohort)
    fits = fit_rates(planned, group=None)
    class_fits = fit_rates(planned, group="tooth_class")
    opinion, opinion_reason, largest = _opinion(class_fits)
    return Audit(
        cohort=cohort,
        seed=seed,
        tolerance=near,
        overall=achievement(cohort, ["movement"], tolerance=tolerance, seed=seed),
        by_class=achievement(cohort, ["movement", "tooth_class"], tolerance=tolerance, seed=seed),
        by_direction=achievement(cohort, ["movement", "direction"], tolerance=tolerance, seed=seed),
        by_tooth=achievement(cohort, ["movement", "tooth"], tolerance=tolerance, seed=seed),
        fits=fits,
        class_fits=class_fits,
        direction_fits=fit_rates(planned, group="direction"),
        tooth_fits=fit_rates(planned, group="tooth"),
        later_alone=later_courses_alone(frame),
        missing=missing_rescans(cohort),
        robust=read_again(cohort, frame, fits, class_fits),
        differences=differences(planned, FACTORS),
        unplanned=unplanned(cohort, tolerance=tolerance),
        measurement=measurement,
        measurement_reason=reason,
        opinion=opinion,
        opinion_reason=opinion_reason,
        opinion_of=largest,
    )


def _opinion(fits: RateFits) -> tuple[pd.DataFrame, str, str]:
    """A second opinion on the fit with most rows: table, reason if none, movement."""
    if not fits:
        return pd.DataFrame(), "no movement has rates", ""
    largest = max(fits, key=lambda name: fits[name].nobs)
    return (*opinion_on(fits[largest]), largest)
