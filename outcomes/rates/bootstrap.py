"""Bootstrap intervals of the rates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from outcomes.errors import CannotAnswer
from outcomes.mixed import resample
from outcomes.progress import counted
from outcomes.words.numbers import level_words
from outcomes.words.shown import as_html, as_text

if TYPE_CHECKING:
    from outcomes.mixed.blocks import Array
    from outcomes.rates.result import RateFit

REPLICATES, SEED = 1000, 1
"""By default, here and wherever a fit is bootstrapped."""


@dataclass(frozen=True)
class Bootstrap:
    """Bootstrapped rates.

    Attributes
    ----------
    kind, n, seed, level
        "patient" (whole patients drawn with replacement) or "parametric" (responses drawn from
        the fitted model); replicates; seed; level of the percentile intervals.
    rates
        group, rate (of the data), bias, se, low, high, replicates (that had the group).
    covariates
        The same for covariates.
    replicates
        One row per replicate: a column per coefficient, then sd_patient, sd_tooth, sd_residual.
    failed
        Replicates without an optimum; left out.
    """

    kind: str
    n: int
    seed: int
    level: float
    rates: pd.DataFrame
    covariates: pd.DataFrame
    replicates: pd.DataFrame
    failed: int

    def __repr__(self) -> str:
        return as_text(self._head, self.rates, digits=3)

    def _repr_html_(self) -> str:
        return as_html(self._head, self.rates, digits=3)

    @property
    def _head(self) -> str:
        note = f", {self.failed} failed" if self.failed else ""
        return (
            f"{self.kind.capitalize()} bootstrap, {self.n:,} replicates (seed {self.seed}{note}), "
            f"{level_words(self.level, space=' ')} percentile intervals"
        )


def bootstrap(
    fit: RateFit,
    n: int = REPLICATES,
    *,
    kind: str = "patient",
    seed: int = SEED,
) -> Bootstrap:
    """Percentile bootstrap of the rates and variances.

    Parameters
    ----------
    fit
        A fitted rate model.
    n
        Number of replicates.
    kind
        "patient": whole patients are drawn with replacement, whatever the distribution of their
        effects. "parametric": new responses are drawn from the fitted model.
    seed
        Seed of the random numbers; the same seed gives the same replicates.

    Raises
    ------
    CannotAnswer
        If kind or n make no sense.

    Notes
    -----
    A check on ``fit.rates``, not a better interval: in simulated cohorts the 95 % percentile
    interval of the patient bootstrap covered 87 % with 8 patients, 92 % with 25 and 93 % with 60,
    that of the parametric bootstrap 93 to 94 %, the t interval of the fit 94 to 96 % throughout
    (benchmarks/README.md).
    """
    if n < 2:
        raise CannotAnswer(f"A bootstrap needs at least 2 replicates, not {n}; 1000 is usual.")
    if kind not in ("patient", "parametric"):
        raise CannotAnswer(f"kind must be 'patient' or 'parametric', not {kind!r}.")
    with counted(f"{kind} bootstrap", n) as advance:
        if kind == "patient":
            result = resample.over_outer(fit.mixed, n=n, seed=seed, progress=advance)
        else:
            result = resample.parametric(fit.mixed, _rows(fit), n=n, seed=seed, progress=advance)
    names = list(fit.design.names)
    replicates = pd.DataFrame(result.beta, columns=names)
    replicates["sd_patient"] = np.sqrt(result.outer_variance)
    replicates["sd_tooth"] = np.sqrt(result.inner_variance)
    replicates["sd_residual"] = np.sqrt(result.sigma2)
    table = _summary(result.beta, fit.mixed.beta, fit.level)
    g = len(fit.groups)
    rates = table.iloc[:g].rename(columns={"estimate": "rate"}).reset_index(drop=True)
    rates.insert(0, "group", list(fit.groups))
    covariates = table.iloc[g:].reset_index(drop=True)
    covariates.insert(0, "covariate", names[g:])
    return Bootstrap(
        kind=kind,
        n=n,
        seed=seed,
        level=fit.level,
        rates=rates,
        covariates=covariates,
        replicates=replicates[result.converged].reset_index(drop=True),
        failed=int((~result.converged).sum()),
    )


def _rows(fit: RateFit) -> resample.RowArrays:
    d, blocks = fit.design, fit.mixed.blocks
    site = d.tooth_code if blocks.has_inner else None
    return resample.sorted_rows(blocks, d.x, d.effect_columns, d.patient, site, d.planned)


def _summary(beta: Array, estimate: Array, level: float) -> pd.DataFrame:
    tails = [100 * (1 - level) / 2, 100 * (1 + level) / 2]
    low, high = np.nanpercentile(beta, tails, axis=0)
    return pd.DataFrame(
        {
            "estimate": estimate,
            "bias": np.nanmean(beta, axis=0) - estimate,
            "se": np.nanstd(beta, axis=0, ddof=1),
            "low": low,
            "high": high,
            "replicates": (~np.isnan(beta)).sum(axis=0),
        }
    )
