"""Everything a case series rests on, computed once from a cohort."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from outcomes.clinical.achieved import achievement
from outcomes.clinical.bite import BiteChange, bite_change
from outcomes.clinical.following import remaining
from outcomes.clinical.measures import BeforeAfter, before_after, opposed_measures
from outcomes.clinical.roots import ApexDisplacement, apex_displacement
from outcomes.clinical.unplanned import unplanned
from outcomes.domain.limits import TOLERANCE
from outcomes.rates.fit import RateFits, fit_rates
from outcomes.reports.build.run import open_cohort
from outcomes.reports.common.measured import error_of_readings
from outcomes.reports.series.scans import matched, no_outlines, read_outlines
from outcomes.words.numbers import LEVEL

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

RESAMPLES = 1000
"""Bootstrap replicates of the descriptive intervals."""
SPLIT_BY = "malocclusion"


@dataclass(frozen=True)
class Series:
    """Results of a case series.

    Attributes
    ----------
    cohort
        What was read.
    seed
        Seed of the bootstrap intervals.
    tolerance
        Unit to the size that matters.
    overall, by_class
        `outcomes.achievement` by movement, and by movement and tooth class.
    fits, class_fits
        Rate models: one rate for each movement, and one for each tooth class.
    contrasts
        movement, then differences between tooth classes, Holm-adjusted within each movement.
    before_after
        Measures of all patients.
    split
        Column of patients by which opposed measures are split; None where there is no need.
    before_after_split
        The same measures for each value of ``split``; None without one.
    opposed
        Measures that should rise in some patients and fall in others.
    bite
        What changed the overbite.
    unplanned
        Movements where the plan was zero.
    remaining
        What was left at the last scan, tooth by tooth.
    roots
        How far the apices of the lower incisors went, by computation.
    measurement, measurement_reason
        Error of repeated readings; why there is none.
    outlines, outlines_left_out
        Outlines of crowns of courses whose scans were measured (`outcomes.measure.outlines`); a
        sentence on scans of no course in these records, or "".
    """

    cohort: Cohort
    seed: int
    tolerance: dict[str, float]
    overall: pd.DataFrame
    by_class: pd.DataFrame
    fits: RateFits
    class_fits: RateFits
    contrasts: pd.DataFrame
    before_after: BeforeAfter
    split: str | None
    before_after_split: BeforeAfter | None
    opposed: tuple[str, ...]
    bite: BiteChange
    unplanned: pd.DataFrame
    remaining: pd.DataFrame
    roots: ApexDisplacement
    measurement: pd.DataFrame
    measurement_reason: str
    outlines: pd.DataFrame
    outlines_left_out: str

    @property
    def level(self) -> float:
        """Level of the intervals."""
        return next((fit.level for fit in self.fits.values()), LEVEL)

    @property
    def patients(self) -> list[str]:
        """Everybody with a movement, measured or not, or a measure, in order."""
        return sorted(self.cohort.treated)


def open_series(
    cohort: str | Path | None = None,
    *,
    notation: str | None = None,
    mapping: str | Path | None = None,
) -> Cohort:
    """Read a cohort, or the invented series of 12 patients when None.

    Raises
    ------
    CohortError
        If it cannot be analysed; the message lists every problem.
    """
    return open_cohort(cohort, notation=notation, mapping=mapping, notebook="case_series")


def run_series(cohort: Cohort, *, seed: int = 1, scans: str | Path | None = None) -> Series:
    """Compute a case series.

    Parameters
    ----------
    cohort
        From `outcomes.read_cohort`; movements alone are enough, one patient too.
    seed
        Seed of the bootstrap intervals.
    scans
        A folder that `outcomes measure` wrote: its outlines of crowns are shown with the cases,
        matched by patient and course. None where there are no scans.

    Returns
    -------
    Series
        Complete for any cohort that can be read: what cannot be answered is empty, with the reason
        in the ``failed`` of the fits, the ``notes`` and ``measurement_reason``.

    Examples
    --------
    >>> from outcomes.cohort.read import from_frames
    >>> rows = pd.DataFrame({"patient": "P001", "tooth": [11, 12, 21], "movement": "rotation",
    ...     "planned": [10.0, 8.0, 6.0], "achieved": [6.0, 4.5, 3.0]})
    >>> series = run_series(from_frames(rows, notation="fdi"))
    >>> series.patients, len(series.fits)
    (['P001'], 0)
    """
    frame = cohort.frame()
    planned = frame[frame["planned"] != 0]
    class_fits = fit_rates(planned, group="tooth_class")
    opposed = opposed_measures(cohort)
    split = _split_column(cohort) if opposed else None
    measurement, reason = error_of_readings(cohort)
    given = no_outlines() if scans is None else read_outlines(scans)
    outlines, left_out = matched(given, cohort)
    return Series(
        cohort=cohort,
        seed=seed,
        tolerance=dict(TOLERANCE),
        overall=achievement(cohort, ["movement"], seed=seed, n_boot=RESAMPLES),
        by_class=achievement(cohort, ["movement", "tooth_class"], seed=seed, n_boot=RESAMPLES),
        fits=fit_rates(planned, group=None),
        class_fits=class_fits,
        contrasts=_contrasts(class_fits),
        before_after=before_after(cohort),
        split=split,
        before_after_split=before_after(cohort, by=split) if split else None,
        opposed=opposed,
        bite=bite_change(cohort, by=split),
        unplanned=unplanned(cohort),
        remaining=remaining(cohort),
        roots=apex_displacement(cohort),
        measurement=measurement,
        measurement_reason=reason,
        outlines=outlines,
        outlines_left_out=left_out,
    )


def _split_column(cohort: Cohort) -> str | None:
    table = cohort.patients
    if SPLIT_BY not in table.columns or table[SPLIT_BY].nunique() < 2:
        return None
    return SPLIT_BY


def _contrasts(fits: RateFits) -> pd.DataFrame:
    parts = [
        fit.contrasts().assign(movement=name) for name, fit in fits.items() if len(fit.rates) > 1
    ]
    columns = ["movement", "a", "b", "difference", "se", "df", "low", "high", "p", "p_holm"]
    if not parts:
        return pd.DataFrame(columns=columns)
    return pd.concat(parts, ignore_index=True)[columns]
