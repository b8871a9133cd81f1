"""Achievement rates: achieved = rate x planned, with patients and teeth as random effects.

The model of one movement, for row i of patient p and tooth site s (patient x tooth), group g::

    achieved_i = (rate_g + gamma' w_i + u_p + v_s) planned_i + e_i

A rate is a slope through the origin, so that nothing is divided by a small plan. Fitted by REML
with Satterthwaite degrees of freedom (outcomes.mixed.fit).
"""

from __future__ import annotations

import itertools
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import stdtr, stdtrit

from outcomes.domain.movements import FEW_PATIENTS
from outcomes.mixed import fit as mixed
from outcomes.mixed import resample
from outcomes.mixed.cluster import ClusterRobust
from outcomes.plotting import plot
from outcomes.rates.design import (
    FITTED,
    NOT_ASKED,
    NOT_IDENTIFIED,
    Design,
    RateError,
    rate_design,
)
from outcomes.rates.lagging import later_course_notes
from outcomes.rates.notes import check_notes

if TYPE_CHECKING:
    from outcomes.cohort.read import Cohort
    from outcomes.rates.robustness import Bootstrap

__all__ = ["RateError", "RateFit", "RateFits", "fit_rate", "fit_rates"]


@dataclass(frozen=True)
class RateFit:
    """A fitted rate model. See ``fit_rate``; tables are tidy DataFrames.

    Attributes
    ----------
    movement, unit
        What was fitted; None if the frame did not say.
    rates
        group, patients, movements, rate, se, df, low, high. Rates are shares: 0.5 is half the plan.
    covariates
        covariate, estimate, se, df, low, high, p: change of the rate per unit, or against the
        reference level.
    variance
        component (patient, "patient x course" and so on for ``varies_by``, tooth, residual), sd,
        share. The sd of the residual is in the unit of the movement, the others are in rate units.
        Shares are of the variance of achieved among the rows at hand (mean square plan times the
        rate variance). Where teeth cannot be told from measurement, both have neither.
    level
        Level of all intervals (low, high): t intervals on Satterthwaite degrees of freedom.
    notes
        Sentences on boundaries, rows left out and what the numbers refer to.
    tooth_level
        "fitted", "not asked" (``site=False``) or "not identified".
    covariance
        Where the standard errors of comparisons (``covariates``, ``contrasts``) come from: "CR2"
        or "model".
    """

    movement: str | None
    unit: str | None
    group: tuple[str, ...]
    level: float
    rates: pd.DataFrame
    covariates: pd.DataFrame
    variance: pd.DataFrame
    notes: tuple[str, ...]
    engine: str
    tooth_level: str
    covariance: str
    design: Design
    mixed: mixed.MixedFit

    @property
    def log_likelihood(self) -> float:
        """Restricted log-likelihood, or the log-likelihood of an ML fit."""
        return self.mixed.log_likelihood

    @property
    def reml(self) -> bool:
        return self.mixed.reml

    @property
    def singular(self) -> bool:
        """Is a variance estimated as zero?"""
        return self.mixed.singular

    @property
    def nobs(self) -> int:
        return self.mixed.n

    @property
    def patients(self) -> int:
        return self.mixed.blocks.patients

    @property
    def sites(self) -> int:
        """Patient x tooth combinations."""
        return len(self.design.site_labels)

    @property
    def groups(self) -> tuple[str, ...]:
        return self.design.groups

    def contrast_table(
        self, contrasts: np.ndarray, *, covariance: str | None = None
    ) -> pd.DataFrame:
        """estimate, se, df, low, high, p of contrasts (c, p) of all coefficients.

        ``covariance`` is "model" or "CR2", by default that of the fit's comparisons.
        """
        return _contrast_table(
            self.mixed, self.design, contrasts, self.level, covariance or self.covariance
        )

    def contrasts(self) -> pd.DataFrame:
        """All differences between groups: a, b, difference, se, df, low, high, p, p_holm.

        ``difference`` is rate a minus rate b, its standard error by the ``covariance`` of the fit
        (cluster-robust unless asked otherwise). ``p_holm`` is adjusted for the number of
        comparisons in this table (Holm, Scand J Stat 1979;6:65-70); the intervals are not. A
        group of fewer than 5 patients is not tested: p and p_holm are missing, and not counted.
        """
        from outcomes.rates.adjusted import holm

        pairs = list(itertools.combinations(range(len(self.groups)), 2))
        names = ["a", "b", "difference", "se", "df", "low", "high", "p", "p_holm"]
        if not pairs:
            return pd.DataFrame({n: pd.Series(dtype=str if n in "ab" else float) for n in names})
        matrix = np.zeros((len(pairs), len(self.mixed.beta)))
        for row, (i, j) in enumerate(pairs):
            matrix[row, i], matrix[row, j] = 1.0, -1.0
        table = self.contrast_table(matrix).rename(columns={"estimate": "difference"})
        table.insert(0, "a", [self.groups[i] for i, _ in pairs])
        table.insert(1, "b", [self.groups[j] for _, j in pairs])
        few = self.design.counts["patients"].to_numpy() < FEW_PATIENTS
        table.loc[[bool(few[i] or few[j]) for i, j in pairs], "p"] = np.nan
        table["p_holm"] = holm(table["p"])
        return table

    @cached_property
    def patient_effects(self) -> pd.DataFrame:
        """patient, effect, se, movements: predicted deviation of each patient's rate.

        Best linear unbiased predictions, shrunken towards zero; ``se`` is their prediction error
        given the rates.
        """
        effect, error, _ = self.mixed.effects
        # the effect of the patient alone; those by course, direction ... are varying_effects
        return pd.DataFrame(
            {
                "patient": self.design.patient_labels,
                "effect": effect[:, 0],
                "se": np.sqrt(error[:, 0, 0]),
                "movements": self.mixed.blocks.rows,
            }
        )

    @cached_property
    def varying_effects(self) -> pd.DataFrame:
        """patient, factor, level, effect: predicted deviations of the rate within each patient by
        the factors of ``varies_by``; a level of which the patient has no row has the effect 0."""
        design = self.design
        named = [
            (f, v)
            for f, levels in zip(design.varies_by, design.varying_levels, strict=True)
            for v in levels
        ]
        patients = len(design.patient_labels)
        return pd.DataFrame(
            {
                "patient": np.repeat(design.patient_labels, len(named)),
                "factor": [f for f, _ in named] * patients,
                "level": [v for _, v in named] * patients,
                "effect": self.mixed.effects[0][:, 1:].ravel(),
            }
        )

    @cached_property
    def site_effects(self) -> pd.DataFrame:
        """patient, tooth, effect: predicted deviation of each tooth's rate within its patient."""
        table = self.design.site_labels.copy()
        table["effect"] = self.mixed.effects[2] if self.mixed.blocks.has_site else 0.0
        return table

    @cached_property
    def data(self) -> pd.DataFrame:
        """The rows used: patient, tooth, group, planned, achieved, fixed, fitted, residual.

        ``fixed`` is what the rates (and covariates) expect, ``fitted`` adds the predicted effects
        of the patient and the tooth, ``residual`` is achieved - fitted; all in the unit of the
        movement. The index is that of the frame the rows came from.
        """
        d = self.design
        rate = d.rate_deviation(self.mixed.effects[0])
        if self.mixed.blocks.has_site:
            rate = rate + self.site_effects["effect"].to_numpy()[d.site_row]
        fixed = d.x @ self.mixed.beta
        fitted = fixed + rate * d.planned
        return pd.DataFrame(
            {
                "patient": d.patient_labels[d.patient],
                "tooth": d.tooth,
                "group": pd.Categorical.from_codes(d.group_code, categories=pd.Index(d.groups)),
                "planned": d.planned,
                "achieved": d.achieved,
                "fixed": fixed,
                "fitted": fitted,
                "residual": d.achieved - fitted,
            },
            index=d.index,
        )

    @property
    def sentences(self) -> list[str]:
        """One plain sentence for each rate."""
        of = f"planned {self.movement}" if self.movement else "plan"
        level = f"{self.level:.0%}".replace("%", " %")
        lines = []
        for row in self.rates.itertuples():
            who = "" if row.group == "all" else f"{str(row.group).capitalize()}: "
            patients = "1 patient" if row.patients == 1 else f"{row.patients:,} patients"
            moves = "1 movement" if row.movements == 1 else f"{row.movements:,} movements"
            lines.append(
                f"{who}{row.rate:.0%} of the {of} was achieved ({level} interval "
                f"{row.low:.0%} to {row.high:.0%}; {patients}, {moves}).".replace(
                    "%", " %"
                ).replace("  %", " %")
            )
        return lines

    def predict(self, new: pd.DataFrame, *, levels: Sequence[float] = (0.8, 0.95)) -> pd.DataFrame:
        """Expected result and ranges of plans: see ``outcomes.rates.predict.predict``."""
        from outcomes.rates.predict import predict

        return predict(self, new, levels=levels)

    def bootstrap(self, n: int = 1000, *, kind: str = "patient", seed: int = 1) -> Bootstrap:
        """Bootstrap the rates: see ``outcomes.rates.robustness.bootstrap``."""
        from outcomes.rates.robustness import bootstrap

        return bootstrap(self, n, kind=kind, seed=seed)

    def leave_one_out(self) -> resample.Replicates:
        """Coefficients and variances refitted without each patient, in the order of
        ``patient_effects``."""
        return resample.without_each_patient(self.mixed)

    def influence(self) -> pd.DataFrame:
        """Rates with each patient left out: see ``outcomes.rates.robustness.influence``."""
        from outcomes.rates.robustness import influence

        return influence(self)

    def r_squared(self) -> pd.Series:
        """Marginal and conditional R-squared: see ``outcomes.rates.models_compared.r_squared``."""
        from outcomes.rates.models_compared import r_squared

        return r_squared(self)

    def linearity(self) -> pd.Series:
        """Does the rate change with the size of the plan? See
        ``outcomes.rates.models_compared.linearity``."""
        from outcomes.rates.models_compared import linearity

        return linearity(self)

    def plot(self, ax: Any = None) -> Any:
        """Planned against achieved with the fitted lines; returns the Axes."""
        return plot(self, ax=ax)

    def __repr__(self) -> str:
        what = self.movement or "movement"
        head = (
            f"Achievement rates, {what}: {self.nobs:,} movements of {self.sites:,} teeth in "
            f"{self.patients:,} patients, {'REML' if self.reml else 'ML'} log-likelihood "
            f"{self.log_likelihood:.4f}"
        )
        parts = [head, self.rates.to_string(index=False, float_format="{:.3f}".format)]
        if len(self.covariates):
            parts.append(self.covariates.to_string(index=False, float_format="{:.3f}".format))
        parts.append(self.variance.to_string(index=False, float_format="{:.3f}".format))
        return "\n".join([*parts, *self.notes])

    def _repr_html_(self) -> str:
        tables = [self.rates, self.covariates, self.variance]
        body = "".join(
            t.to_html(index=False, float_format="{:.3f}".format, border=0) for t in tables if len(t)
        )
        notes = "".join(f"<li>{n}</li>" for n in self.notes)
        return f"<p>{repr(self).splitlines()[0]}</p>{body}<ul>{notes}</ul>"


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


def degrees_of_freedom(fitted: mixed.MixedFit, design: Design, contrasts: Any) -> np.ndarray:
    """Satterthwaite degrees of freedom of contrasts (c, p), kept to the number of patients where
    the variance between patients is estimated as zero.

    An estimate of zero from few patients is no proof that they are alike, but it turns rows into
    independent evidence: with 3 patients the intervals then covered 80 % instead of 95 %. So a
    contrast has at most the patients of the smallest group that matters in it (half the largest
    weight or more), less one, as degrees of freedom.
    """
    contrasts = np.atleast_2d(np.asarray(contrasts, dtype=float))
    df = fitted.df(contrasts)
    patients = design.counts["patients"].to_numpy()
    weight = np.abs(contrasts[:, : len(patients)])
    touched = (weight > 0) & (weight >= 0.5 * weight.max(axis=1, keepdims=True))
    smallest = np.where(touched, patients, fitted.blocks.patients).min(axis=1)
    return kept_to_patients(fitted, df, smallest)


def kept_to_patients(fitted: mixed.MixedFit, df: np.ndarray, patients: Any) -> np.ndarray:
    """Degrees of freedom of at most ``patients`` - 1 where patients are estimated to be alike."""
    if fitted.psi[0, 0] > 0:
        return df
    return np.minimum(df, np.maximum(np.asarray(patients) - 1, 1))


MODEL, CLUSTER = "model", "CR2"
"""Where standard errors come from: the variances of the model, or the patients as clusters."""


def _contrast_table(
    fitted: mixed.MixedFit, design: Design, contrasts: Any, level: float, covariance: str
) -> pd.DataFrame:
    """estimate, se, df, low, high, p of contrasts (c, p) of all coefficients."""
    contrasts = np.atleast_2d(np.asarray(contrasts, dtype=float))
    se = fitted.standard_error(contrasts)
    df = degrees_of_freedom(fitted, design, contrasts)
    if covariance == CLUSTER and len(contrasts):
        robust = ClusterRobust(fitted)
        alone = robust.rests_on_single_patients(contrasts)
        se = np.where(alone, se, robust.standard_error(contrasts))
        df = np.where(alone, np.minimum(df, 1.0), robust.df(contrasts))
    return _interval_table(contrasts @ fitted.beta, se, df, level)


def _interval_table(estimate: Any, se: Any, df: Any, level: float) -> pd.DataFrame:
    quantile = stdtrit(df, 0.5 + level / 2)
    return pd.DataFrame(
        {
            "estimate": estimate,
            "se": se,
            "df": df,
            "low": estimate - quantile * se,
            "high": estimate + quantile * se,
            "p": 2 * stdtr(df, -np.abs(estimate / se)),
        }
    )


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
    RateError
        If the data cannot answer; the message says what to change.

    Notes
    -----
    Intervals are t intervals on Satterthwaite degrees of freedom: in 28 simulated designs, from 8
    to 60 patients, with outliers, skewed patients, spread growing with the plan and one patient
    with half of the rows, they covered 93.5 to 96.5 % throughout, which no bootstrap did
    (benchmarks/README.md). Comparisons need more: where the rate of a patient varies by course, class
    or direction, intervals from the variances of this model covered 86 to 92 %, cluster-robust ones
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
        raise RateError(f"level must lie between 0 and 1, not {level}: 0.95 for 95 % intervals.")
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
        raise RateError(f"No covariance {covariance!r}: use {MODEL!r} or {CLUSTER!r}.")
    if engine not in ("outcomes", "statsmodels"):
        raise RateError(f"No engine {engine!r}: use 'outcomes' or 'statsmodels'.")
    try:
        if engine == "statsmodels":
            from outcomes.rates.second_opinion import by_statsmodels

            fitted = by_statsmodels(design, site=site, reml=reml)
            tooth_level = FITTED if site else NOT_ASKED
        else:
            fitted, tooth_level, left_out = _fit_blocks(design, site=site, reml=reml)
            design = replace(design, notes=(*design.notes, *left_out))
    except mixed.ModelError as error:
        where = f"{design.movement}: " if design.movement else ""
        raise RateError(f"{where}{error}") from error
    eye = np.eye(len(fitted.beta))
    g = len(design.groups)
    comparisons = CLUSTER if covariance is None else covariance
    rates = _contrast_table(fitted, design, eye[:g], level, covariance or MODEL)
    rates = rates.drop(columns="p").rename(columns={"estimate": "rate"})
    rates = pd.concat([design.counts, rates], axis=1)
    covariates = _contrast_table(fitted, design, eye[g:], level, comparisons)
    covariates.insert(0, "covariate", list(design.names[g:]))
    return RateFit(
        movement=design.movement,
        unit=design.unit,
        group=design.group,
        level=level,
        rates=rates,
        covariates=covariates,
        variance=_variance_table(fitted, design, tooth_level),
        notes=(*design.notes, *_fit_notes(fitted, design), *check_notes(fitted, design)),
        engine=engine,
        tooth_level=tooth_level,
        covariance=comparisons,
        design=design,
        mixed=fitted,
    )


LEAST_PLAN_SPREAD = 0.05
"""Coefficient of variation of planned squared, over teeth of one record each, below which the
variation between teeth is not told from measurement."""

_EXACT = 1e-18  # share of the sum of squares left around the own rates of teeth that is no scatter


def _teeth_unidentified(design: Design) -> str:
    """Why the variation between teeth cannot be told from measurement; empty where it can."""
    sites = len(design.site_labels)
    several = np.bincount(design.site_row, minlength=sites) > 1
    square = design.planned**2
    if not several.any():
        if square.std() / square.mean() < LEAST_PLAN_SPREAD:
            return (
                "not identified: every tooth has one record, and all plans are of one size. It is "
                "part of the residual variation"
            )
        return ""
    products = np.bincount(design.site_row, design.planned * design.achieved, minlength=sites)
    around = np.bincount(design.site_row, design.achieved**2, minlength=sites)
    left = (around - products**2 / np.bincount(design.site_row, square, minlength=sites))[several]
    if left.sum() <= _EXACT * around.sum() + 1e-15 * around[several].sum():
        return (
            "not identified: all records of a tooth agree exactly on its rate, without any "
            "scatter, as no measurement does. Check that achieved was not computed from planned"
        )
    return ""


def _fit_blocks(
    design: Design, *, site: bool, reml: bool
) -> tuple[mixed.MixedFit, str, tuple[str, ...]]:
    """The fit; what became of the tooth level; and sentences.

    The level is left out where its variance cannot be told from the residual one.
    """
    if not site:
        return mixed.fit(design.blocks(site=False), reml=reml), NOT_ASKED, ()
    why = _teeth_unidentified(design)
    if not why:
        try:
            return mixed.fit(design.blocks(), reml=reml), FITTED, ()
        except mixed.NoOptimum:
            why = (
                "not identified: with so few records a tooth it cannot be told from measurement. "
                "It is part of the residual variation"
            )
    fitted = mixed.fit(design.blocks(site=False), reml=reml)
    return fitted, NOT_IDENTIFIED, (f"The variation between teeth is {why}.",)


def _variance_table(fitted: mixed.MixedFit, design: Design, tooth_level: str) -> pd.DataFrame:
    mean_square = float(design.planned @ design.planned) / len(design.planned)
    diagonal = np.diag(fitted.psi)
    parts = {"patient": float(diagonal[0])}
    for number, name in enumerate(design.varies_by, start=1):
        parts[f"patient x {name}"] = float(diagonal[design.variances.index(number)])
    if fitted.site_variance is not None:
        parts["tooth"] = fitted.site_variance
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


def _fit_notes(fitted: mixed.MixedFit, design: Design) -> list[str]:
    notes = []
    if fitted.psi[0, 0] == 0:
        notes.append(
            "Patients do not differ beyond what teeth and measurement explain: the variance "
            "between patients is estimated as zero. The intervals are kept to the degrees of "
            "freedom of the number of patients all the same."
        )
    if fitted.site_variance == 0:
        notes.append(
            "Teeth within a patient do not differ beyond measurement: the variance between teeth "
            "is estimated as zero."
        )
    one_each = fitted.blocks.has_site and len(design.site_labels) == len(design.planned)
    if one_each:
        notes.append(
            "Every tooth has one record, so the variation between teeth is told from measurement "
            "only by residuals that grow with the plan."
        )
    few = fitted.blocks.patients
    if few < FEW_PATIENTS:
        notes.append(
            f"Only {few} patients: the variation between patients is hardly known, and the "
            "intervals are correspondingly wide."
        )
    return notes


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
    from outcomes.domain.movements import MOVEMENTS

    frame = cohort if isinstance(cohort, pd.DataFrame) else cohort.frame()
    if "movement" not in frame.columns:
        raise RateError("No column 'movement': add it, or use fit_rate for a single movement.")
    present: list[Hashable] = list(frame["movement"].dropna().unique())
    known = [m for m in MOVEMENTS if m in present]
    wanted = movements or [*known, *(str(m) for m in present if m not in MOVEMENTS)]
    fits = RateFits()
    fits.failed = {}
    for name in wanted:
        try:
            fits[name] = fit_rate(frame, name, **options)
        except RateError as error:
            fits.failed[name] = str(error)
    return fits
