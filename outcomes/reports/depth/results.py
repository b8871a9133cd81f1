"""The rates of one movement as a reviewer would ask about them: everything that is estimated."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import pandas as pd

from outcomes.errors import CannotAnswer
from outcomes.paths import data_path
from outcomes.rates.bootstrap import REPLICATES, SEED, Bootstrap, bootstrap
from outcomes.rates.design import one_movement
from outcomes.rates.fit import fit_rate, opinion_on
from outcomes.rates.intervals import holm
from outcomes.rates.later_courses import later_courses_alone
from outcomes.rates.missing_rescans import missing_rescans
from outcomes.rates.pooling import ToothRates, tooth_rates
from outcomes.rates.questions import influence, likelihood_ratio_test, linearity, r_squared
from outcomes.rates.result import RateFit
from outcomes.reports.common.robust import read_again

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

Found = TypeVar("Found")

COVARIATES = ("attachment", "age", "growing", "clinician", "site")
"""Columns whose effect on the rate is asked for where they are recorded and vary."""


@dataclass(frozen=True)
class Depth:
    """Everything estimated about the rates of one movement.

    Attributes
    ----------
    fit
        Rates by tooth class.
    contrasts
        ``fit.contrasts()``.
    covariates
        Covariate to the fit that holds it; ``covariate_tests``: covariate, p (cluster-robust t
        test, over its levels), p_holm, and chisq, df, p_lrt of the
        likelihood-ratio test, which with few patients finds too much.
    linearity, r_squared
        As named; linearity None where plans hardly differ in size.
    influence
        Rates with each patient left out.
    bootstraps
        "patient bootstrap", "parametric bootstrap".
    teeth
        Single-tooth rates pooled towards their class; None where they cannot be fitted.
    second_opinion
        The same fit by statsmodels; ``second_opinion_reason`` says why it is empty.
    later_alone, missing
        Later courses without their earlier ones; rates by tooth class if movements without a rescan
        had achieved less (`outcomes.missing_rescans`).
    robust
        `outcomes.robust_rates` of ``fit``, with the movement in front.
    skipped
        What could not be answered, in words.
    """

    fit: RateFit
    contrasts: pd.DataFrame
    covariates: dict[str, RateFit]
    covariate_tests: pd.DataFrame
    linearity: pd.Series | None
    r_squared: pd.Series
    influence: pd.DataFrame
    bootstraps: dict[str, Bootstrap]
    teeth: ToothRates | None
    second_opinion: pd.DataFrame
    second_opinion_reason: str
    later_alone: pd.DataFrame
    missing: pd.DataFrame
    robust: pd.DataFrame
    skipped: tuple[str, ...]
    seed: int
    invented: bool

    @property
    def rate_table(self) -> pd.DataFrame:
        """The rates, with the name of the movement in front."""
        rates = self.fit.rates
        return rates.assign(movement=self.fit.movement)[["movement", *rates.columns]]


def rows_in_depth(
    cohort: str | Path | None = None,
    *,
    notation: str | None = None,
    mapping: str | Path | None = None,
) -> Cohort | pd.DataFrame:
    """The cohort to analyse, or the invented rotations of 40 patients when None.

    Raises
    ------
    CohortError
        If the cohort cannot be analysed; the message lists every problem.
    """
    from outcomes.reports.build.run import open_cohort

    if cohort is None:
        frame = pd.read_csv(data_path("synthetic_data", "rotation_cohort.csv"))
        frame.attrs["invented"] = True
        return frame
    return open_cohort(cohort, notation=notation, mapping=mapping)


def run_depth(
    cohort: Cohort | pd.DataFrame,
    movement: str,
    *,
    covariates: Sequence[str] = COVARIATES,
    replicates: int = REPLICATES,
    seed: int = SEED,
) -> Depth:
    """Analyse the rates of one movement in depth.

    Parameters
    ----------
    cohort
        A cohort, or a frame with patient, tooth, planned, achieved.
    movement
        Which movement.
    covariates
        Columns to test; those not recorded, or the same everywhere, are passed over.
    replicates
        Bootstrap replicates of each kind.
    seed
        Seed of the bootstraps.

    Raises
    ------
    CannotAnswer
        If the rates themselves cannot be fitted.
    """
    described = cohort.attrs if isinstance(cohort, pd.DataFrame) else vars(cohort)
    every_course, movement_name = one_movement(cohort, movement)
    planned = cohort if isinstance(cohort, pd.DataFrame) else cohort.frame(unmeasured=True)
    frame = every_course[every_course["planned"] != 0]
    fit = fit_rate(frame, movement_name)
    skipped: list[str] = []
    present = [c for c in covariates if c in frame.columns and frame[c].nunique() > 1]
    effects: dict[str, RateFit] = {}
    tests = []
    for name in present:
        rows = frame.dropna(subset=[name])
        try:
            effects[name] = fit_rate(rows, movement_name, covariates=name)
            base = fit if len(rows) == len(frame) else fit_rate(rows, movement_name)
            test = likelihood_ratio_test(base, effects[name])
        except CannotAnswer as error:
            skipped.append(f"{name}: {error}")
            continue
        p = effects[name].covariates["p"]
        any_level = float(min(1.0, p.min() * len(p)))  # Bonferroni, over the levels
        tests.append((name, any_level, test["chisq"], test["df"], test["p"]))
    tested = pd.DataFrame(tests, columns=["covariate", "p", "chisq", "df", "p_lrt"])
    bend = _or_skip(lambda: linearity(fit), skipped)
    by_tooth = _or_skip(
        lambda: tooth_rates(fit_rate(frame, movement_name, group="tooth")),
        skipped,
        "Single teeth: ",
    )
    opinion, reason = opinion_on(fit)
    kinds = {"patient bootstrap": "patient", "parametric bootstrap": "parametric"}
    return Depth(
        fit=fit,
        contrasts=fit.contrasts(),
        covariates=effects,
        covariate_tests=tested.assign(p_holm=holm(tested["p"])),
        linearity=bend,
        r_squared=r_squared(fit),
        influence=influence(fit),
        bootstraps={
            name: bootstrap(fit, replicates, kind=kind, seed=seed) for name, kind in kinds.items()
        },
        teeth=by_tooth,
        second_opinion=opinion,
        second_opinion_reason=reason,
        later_alone=later_courses_alone(every_course),
        missing=missing_rescans(planned, movement_name, group="tooth_class"),
        robust=read_again(cohort, frame, {fit.movement: fit}),
        skipped=tuple(skipped),
        seed=seed,
        invented=bool(described.get("invented", False)),
    )


def _or_skip(make: Callable[[], Found], skipped: list[str], what: str = "") -> Found | None:
    """What is made; None where it cannot be answered, and why among what was skipped."""
    try:
        return make()
    except CannotAnswer as error:
        skipped.append(f"{what}{error}")
        return None
