"""Achievement rates: achieved = rate x planned, with patients and teeth as random effects.

The model of one movement, for row i of patient p and tooth site s (patient x tooth), group g::

    achieved_i = (rate_g + gamma' w_i + u_p + v_s) planned_i + e_i

A rate is a slope through the origin, so that nothing is divided by a small plan. Fitted by REML
with Satterthwaite degrees of freedom (outcomes.mixed).
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes.domain.movements import MOVEMENTS
from outcomes.errors import CannotAnswer, ModelError
from outcomes.mixed.fit import MixedFit
from outcomes.rates.design import FITTED, NOT_ASKED, NOT_IDENTIFIED, Design, rate_design, rate_error
from outcomes.rates.intervals import CLUSTER, MODEL, contrast_table
from outcomes.rates.later_courses import later_course_notes
from outcomes.rates.notes import fit_notes
from outcomes.rates.result import RateFit
from outcomes.rates.statsmodels_engine import by_statsmodels
from outcomes.rates.tooth_level import fit_levels

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["RateFits", "fit_design", "fit_rate", "fit_rates", "opinion_on", "second_opinion"]


def fit_rate(
    cohort: Cohort | pd.DataFrame,
    movement: str | None = None,
    *,
    group: str | Sequence[str] | None = "tooth_class",
    covariates: str | Sequence[str] = (),
    varies_by: str | Sequence[str] = (),
    intercept: bool = False,
    site: bool = True,
    reml: bool = True,
    level: float = 0.95,
    engine: str = "outcomes",
    covariance: str | None = None,
) -> RateFit:
    """Fit the achievement rates of one movement.

    Parameters
    ----------
    cohort
        A cohort, or a frame with patient, tooth, planned and achieved (mm or degrees, changes from
        the start of the course, same sign convention) and the columns named below. Rows with
        planned = 0 are unplanned movements and never enter; rows without a number are left out
        and counted in ``notes``.
    movement
        Which movement, where the data hold several.
    group
        Column or columns with a rate for each level; None for one rate. ``tooth_class``, ``arch``
        and ``direction`` are derived where the frame lacks them.
    covariates
        Columns that change the rate. Text columns are coded against their first level ("none" for
        attachment and auxiliary, else the most frequent); numbers other than 0/1 are taken from
        their mean over patients, so that rates refer to an average patient.
    varies_by
        Columns by which the rate of one patient varies: "course" where patients wear one series
        better than another, "direction", "tooth_class", or any other. Each adds a variance
        (patient x column), independent of the rest. Worth it where such levels are compared.
    intercept
        Add a drift that happens whatever was planned.
    site
        Keep the tooth level (patient x tooth).
    reml
        REML, or ML for likelihood-ratio tests of fixed effects.
    level
        Level of the intervals.
    engine
        "outcomes", or "statsmodels" for a second opinion by ``statsmodels`` MixedLM (planned
        scaled, L-BFGS): estimates, standard errors and log-likelihood are then its own, degrees of
        freedom ours at its variances. Slow beyond a few thousand rows.
    covariance
        Where standard errors and degrees of freedom come from: "model" (the variances of the
        model, Satterthwaite) or "CR2" (cluster-robust, patients as clusters, bias-reduced, with
        Satterthwaite degrees of freedom). By default the rates have those of the model and
        comparisons (``covariates``, ``contrasts``) CR2, which hold where a patient's rate varies
        by course, class or direction (benchmarks/README.md).

    Raises
    ------
    CannotAnswer
        If the data cannot answer; the message says what to change.

    Notes
    -----
    Intervals are t intervals on Satterthwaite degrees of freedom: in 28 simulated designs, from 8
    to 60 patients, with outliers, skewed patients, spread growing with the plan and one patient
    with half of the rows, they covered 93.5 to 96.5 % throughout, which no bootstrap did
    (benchmarks/README.md). Comparisons need more: where the rate of a patient varies by course, class
    or direction, intervals from the variances of this model covered 87 to 92 %, cluster-robust ones
    about as often as they say. Where the variance between patients is estimated as zero, the degrees of
    freedom are kept to the number of patients, and the intervals are on the safe side.

    Both changes are measured from the same start scan, so its error enters both and pulls the rate
    up, by under 1 % where plans spread by 1 mm. Clinicians plan more where they expect less: rates
    describe this practice's planning, not a law of the tooth.

    Examples
    --------
    >>> import pandas as pd
    >>> frame = pd.DataFrame({
    ...     "patient": ["P001"] * 3 + ["P002"] * 3 + ["P003"] * 3,
    ...     "tooth": [11, 12, 13] * 3,
    ...     "planned": [10, 8, 6, -9, 7, 5, 12, -6, 8.0],
    ...     "achieved": [6.1, 4.4, 3.3, -4.2, 3.6, 2.1, 7.0, -3.9, 4.6],
    ... })
    >>> fit = fit_rate(frame, group=None)
    >>> fit.rates[["group", "patients", "movements", "rate"]].round(2)
      group  patients  movements  rate
    0   all         3          9  0.55
    """
    if not 0 < level < 1:
        raise CannotAnswer(f"level must lie between 0 and 1, not {level}: 0.95 for 95 % intervals.")
    design = rate_design(
        cohort,
        movement,
        group=group,
        covariates=covariates,
        intercept=intercept,
        varies_by=varies_by,
    )
    design = replace(design, notes=(*design.notes, *later_course_notes(cohort, movement)))
    return fit_design(
        design, site=site, reml=reml, level=level, engine=engine, covariance=covariance
    )


def fit_design(
    design: Design,
    *,
    site: bool,
    reml: bool,
    level: float,
    engine: str = "outcomes",
    covariance: str | None = None,
) -> RateFit:
    """Fit a design. See ``fit_rate``."""
    if covariance not in (None, MODEL, CLUSTER):
        raise CannotAnswer(f"No covariance {covariance!r}: use {MODEL!r} or {CLUSTER!r}.")
    if engine not in ("outcomes", "statsmodels"):
        raise CannotAnswer(f"No engine {engine!r}: use 'outcomes' or 'statsmodels'.")
    if engine == "statsmodels":
        try:
            fitted = by_statsmodels(design, site=site, reml=reml)
        except ModelError as error:
            raise rate_error(error, design.movement) from error
        tooth_level = FITTED if site else NOT_ASKED
    else:
        fitted, tooth_level, left_out = fit_levels(design, site=site, reml=reml)
        design = replace(design, notes=(*design.notes, *left_out))
    eye = np.eye(len(fitted.beta))
    g = len(design.groups)
    comparisons = CLUSTER if covariance is None else covariance
    rates = contrast_table(fitted, design, eye[:g], level, covariance or MODEL)
    rates = rates.drop(columns="p").rename(columns={"estimate": "rate"})
    rates = pd.concat([design.counts, rates], axis=1)
    covariates = contrast_table(fitted, design, eye[g:], level, comparisons)
    covariates.insert(0, "covariate", list(design.names[g:]))
    return RateFit(
        movement=design.movement,
        unit=design.unit,
        group=design.group,
        level=level,
        rates=rates,
        covariates=covariates,
        variance=_variance_table(fitted, design, tooth_level),
        notes=(*design.notes, *fit_notes(fitted, design)),
        engine=engine,
        tooth_level=tooth_level,
        covariance=comparisons,
        design=design,
        mixed=fitted,
    )


def _variance_table(fitted: MixedFit, design: Design, tooth_level: str) -> pd.DataFrame:
    mean_square = float(design.planned @ design.planned) / len(design.planned)
    diagonal = np.diag(fitted.psi)
    parts = {"patient": float(diagonal[0])}
    for number, name in enumerate(design.varies_by, start=1):
        parts[f"patient x {name}"] = float(diagonal[design.variances.index(number)])
    if fitted.inner_variance is not None:
        parts["tooth"] = fitted.inner_variance
    variances = {**{k: v * mean_square for k, v in parts.items()}, "residual": fitted.sigma2}
    total = sum(variances.values())
    table = pd.DataFrame(
        {
            "component": list(variances),
            "sd": [np.sqrt(v) for v in (*parts.values(), fitted.sigma2)],
            "share": [v / total for v in variances.values()],
        }
    )
    if tooth_level == NOT_IDENTIFIED:
        unknown = pd.DataFrame(
            {"component": ["tooth", "residual"], "sd": [np.nan] * 2, "share": [np.nan] * 2}
        )
        table = pd.concat([table.iloc[:-1], unknown], ignore_index=True)
    return table


class RateFits(dict[str, RateFit]):
    """Fits by movement; ``rates`` is one tidy table, ``failed`` says why a movement has none."""

    failed: dict[str, str]

    @property
    def rates(self) -> pd.DataFrame:
        """The rates of all movements: movement, then the columns of ``RateFit.rates``."""
        if not self:
            return pd.DataFrame(columns=["movement", *_RATE_COLUMNS])
        parts = [fit.rates.assign(movement=name) for name, fit in self.items()]
        return pd.concat(parts, ignore_index=True)[["movement", *_RATE_COLUMNS]]


_RATE_COLUMNS = ["group", "patients", "movements", "rate", "se", "df", "low", "high"]


def fit_rates(
    cohort: Cohort | pd.DataFrame, movements: Sequence[str] | None = None, **options: Any
) -> RateFits:
    """Fit every movement: a dict {movement: RateFit}, in the order of the schema.

    Parameters
    ----------
    cohort
        A cohort, or a frame with a ``movement`` column.
    movements
        Which movements; by default all in the data, those of the schema first.
    **options
        As for ``fit_rate``.

    Returns
    -------
    RateFits
        A dict; ``.rates`` is one table, ``.failed`` holds the reason for each movement without a
        fit.
    """
    frame = cohort if isinstance(cohort, pd.DataFrame) else cohort.frame()
    if "movement" not in frame.columns:
        raise CannotAnswer("No column 'movement': add it, or use fit_rate for a single movement.")
    present: list[Hashable] = list(frame["movement"].dropna().unique())
    known = [m for m in MOVEMENTS if m in present]
    wanted = movements or [*known, *(str(m) for m in present if m not in MOVEMENTS)]
    fits = RateFits()
    fits.failed = {}
    for name in wanted:
        try:
            fits[name] = fit_rate(frame, name, **options)
        except CannotAnswer as error:
            fits.failed[name] = str(error)
    return fits


MOST_ROWS = 5000
"""Rows beyond which statsmodels takes minutes and often finds no optimum: not asked by reports."""


def opinion_on(fit: RateFit) -> tuple[pd.DataFrame, str]:
    """The table of ``second_opinion``, empty with the reason where there is none."""

    if fit.nobs > MOST_ROWS:
        return pd.DataFrame(), f"it is not asked beyond {MOST_ROWS:,} rows"
    try:
        return second_opinion(fit), ""
    except CannotAnswer:
        return pd.DataFrame(), "statsmodels MixedLM did not converge on these rows"


def second_opinion(fit: RateFit) -> pd.DataFrame:
    """Refit with statsmodels and put both side by side.

    Returns
    -------
    DataFrame
        quantity ("log-likelihood", each rate, each standard error), outcomes, statsmodels,
        difference.
    """
    other = fit_design(
        fit.design,
        site=fit.mixed.blocks.has_inner,
        reml=fit.reml,
        level=fit.level,
        engine="statsmodels",
    )
    names = [
        "log-likelihood",
        *(f"rate {g}" for g in fit.groups),
        *(f"standard error {g}" for g in fit.groups),
    ]
    both = [np.array([f.log_likelihood, *f.rates["rate"], *f.rates["se"]]) for f in (fit, other)]
    return pd.DataFrame(
        {
            "quantity": names,
            "outcomes": both[0],
            "statsmodels": both[1],
            "difference": both[0] - both[1],
        }
    )
