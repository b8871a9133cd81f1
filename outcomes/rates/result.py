"""A fitted rate model and what can be asked of it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from outcomes.domain.limits import FEW_PATIENTS
from outcomes.mixed.fit import MixedFit
from outcomes.mixed.resample import Replicates, without_each_outer
from outcomes.plot_hook import plot
from outcomes.rates import bootstrap, predict, questions
from outcomes.rates.design import Design
from outcomes.rates.intervals import contrast_table, holm
from outcomes.words.english import counted
from outcomes.words.numbers import percent
from outcomes.words.shown import as_html, as_text

__all__ = ["RateFit"]


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
    mixed: MixedFit

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
        return self.mixed.blocks.n_outer

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
        return contrast_table(
            self.mixed, self.design, contrasts, self.level, covariance or self.covariance
        )

    def contrasts(self) -> pd.DataFrame:
        """All differences between groups: a, b, difference, se, df, low, high, p, p_holm.

        ``difference`` is rate a minus rate b, its standard error by the ``covariance`` of the fit
        (cluster-robust unless asked otherwise). ``p_holm`` is adjusted for the number of
        comparisons in this table (Holm, Scand J Stat 1979;6:65-70); the intervals are not. A
        group of fewer than 5 patients is not tested: p and p_holm are missing, and not counted.
        """
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
        levels = zip(design.varies_by, design.varying_levels, strict=True)
        named = [(factor, level) for factor, of in levels for level in of]
        rows = [(p, *pair) for p in design.patient_labels for pair in named]
        table = pd.DataFrame(rows, columns=["patient", "factor", "level"])
        return table.assign(effect=self.mixed.effects[0][:, 1:].ravel())

    @cached_property
    def site_effects(self) -> pd.DataFrame:
        """patient, tooth, effect: predicted deviation of each tooth's rate within its patient."""
        effect = self.mixed.effects[2] if self.mixed.blocks.has_inner else 0.0
        return self.design.site_labels.assign(effect=effect)

    @cached_property
    def data(self) -> pd.DataFrame:
        """The rows used: patient, tooth, group, planned, achieved, fixed, fitted, residual.

        ``fixed`` is what the rates (and covariates) expect, ``fitted`` adds the predicted effects
        of the patient and the tooth, ``residual`` is achieved - fitted; all in the unit of the
        movement. The index is that of the frame the rows came from.
        """
        d = self.design
        rate = d.rate_deviation(self.mixed.effects[0])
        if self.mixed.blocks.has_inner:
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
        lines = []
        for row in self.rates.to_dict("records"):
            who = "" if row["group"] == "all" else f"{str(row['group']).capitalize()}: "
            lines.append(
                f"{who}{percent(row['rate'])} of the {of} was achieved ({percent(self.level)} "
                f"interval {percent(row['low'])} to {percent(row['high'])}; "
                f"{counted(row['patients'], 'patient')}, {counted(row['movements'], 'movement')})."
            )
        return lines

    predict = predict.predict
    bootstrap = bootstrap.bootstrap
    influence = questions.influence
    r_squared = questions.r_squared
    linearity = questions.linearity

    def leave_one_out(self) -> Replicates:
        """Coefficients and variances refitted without each patient, in the order of
        ``patient_effects``."""
        return without_each_outer(self.mixed)

    def plot(self, ax: Any = None) -> Any:
        """Planned against achieved with the fitted lines; returns the Axes."""
        return plot(self, ax=ax)

    def __repr__(self) -> str:
        return as_text(self._head, *self._tables, *self.notes, digits=3)

    def _repr_html_(self) -> str:
        return as_html(self._head, *self._tables, notes=self.notes, digits=3)

    @property
    def _head(self) -> str:
        what = self.movement or "movement"
        return (
            f"Achievement rates, {what}: {self.nobs:,} movements of {self.sites:,} teeth in "
            f"{self.patients:,} patients, {'REML' if self.reml else 'ML'} log-likelihood "
            f"{self.log_likelihood:.4f}"
        )

    @property
    def _tables(self) -> list[pd.DataFrame]:
        return [t for t in (self.rates, self.covariates, self.variance) if len(t)]
