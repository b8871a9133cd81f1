"""A robust second reading of the rates: without rows flagged by the check, and by M-estimation.

Huber's weights in the same model: a row of weight w has residual variance sigma^2 / w. With
lambda_u and lambda_v the variances of patients and teeth relative to sigma^2, W = [X, y], site sums
S = sum w z W and n = sum w z^2, the sums of outcomes.mixed with weights::

    k = lambda_v / (1 + lambda_v n)          T = sum_p w z W - sum_s k n S
    K = lambda_u / (1 + lambda_u A)          A = sum_p w z^2 - sum_s k n^2
    C = sum w W W' - sum_s k S S' - sum_p K T T'

give the coefficients from C, and the predicted patient effects as K (T_y - T_x b).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd

from outcomes.cohort.checks import OPPOSITE, TOO_LARGE
from outcomes.domain.teeth import tooth_class
from outcomes.errors import CannotAnswer
from outcomes.rates.design import Design
from outcomes.rates.fit import fit_design
from outcomes.rates.notes import stray_rows
from outcomes.rates.result import RateFit
from outcomes.words.shown import as_html, as_text

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort
    from outcomes.mixed.blocks import Array

__all__ = ["HUBER", "LARGE_WEIGHT", "RobustRates", "flagged_rows", "robust_rates"]

HUBER = 1.345
"""Robust standard deviations from which a residual weighs less: 95 % efficiency if normal
(Huber & Ronchetti, Robust Statistics, 2nd ed., 2009; the constant of statsmodels HuberT)."""

LARGE_WEIGHT = 0.5
"""Weight below which a row is counted as weighing little: beyond 2.7 robust SD."""

_TO_SD = 0.6744897501960817
"""Median absolute deviation of a standard normal."""

_MOST, _SETTLED = 100, 1e-8


@dataclass(frozen=True)
class RobustRates:
    """Rates read a second time, so that a few results far off do not decide them.

    Attributes
    ----------
    rates
        group, patients, movements, rate, low, high (as fitted), flagged (rows flagged by the check
        or far from what the fit expects), without_flagged (the rate without them), m_estimate,
        weigh_little (rows with less than ``LARGE_WEIGHT``), reading (the rate to show where one
        number is wanted: the M-estimate; missing where half of the rows or more are far off),
        differs (a reading lies more than half an interval from the rate; the narrower of the
        intervals with and without the flagged rows).
    weights
        Weight of each row, by the index of the rows, 0 to 1.
    flagged
        Index of the flagged rows.
    """

    COLUMNS: ClassVar[tuple[str, ...]] = (
        "group",
        "patients",
        "movements",
        "rate",
        "low",
        "high",
        "flagged",
        "without_flagged",
        "m_estimate",
        "weigh_little",
        "reading",
        "differs",
    )

    rates: pd.DataFrame
    weights: pd.Series
    flagged: pd.Index

    @property
    def differ(self) -> pd.DataFrame:
        """The groups in which a second reading differs."""
        return self.rates[self.rates["differs"]]

    def __repr__(self) -> str:
        return as_text("Rates with a robust second reading", self.rates, digits=3)

    def _repr_html_(self) -> str:
        return as_html(self.rates, digits=3)


def flagged_rows(cohort: Cohort, *, opposite: bool = True) -> pd.Index:
    """Row numbers of movements whose planned or achieved the check holds to be unlikely.

    Parameters
    ----------
    cohort
        A cohort; the numbers are those of its column ``row``.
    opposite
        Also those with planned and achieved of opposite sign. Teeth do move the wrong way: leaving
        these out pulls a rate up.
    """
    problems = cohort.problems
    told = [*TOO_LARGE.values(), *([OPPOSITE] if opposite else [])]
    found = problems[
        (problems["table"] == "movements")
        & (problems["severity"] == "check")
        & problems["column"].isin(["planned", "achieved"])
        & problems["problem"].isin(told)
    ]
    return pd.Index(found["row"].astype("int64").unique())


def robust_rates(fit: RateFit, *, flagged: Iterable[Any] = ()) -> RobustRates:
    """Read the rates of a fit without flagged rows, and by M-estimation.

    Parameters
    ----------
    fit
        A fitted rate model.
    flagged
        Index labels of the rows to leave out in the first reading (``fit.data.index``), such as
        those flagged by the check. Rows beyond 6 robust standard deviations of what one rate for
        each kind of tooth expects are added.

    Returns
    -------
    RobustRates

    Raises
    ------
    CannotAnswer
        If a label in ``flagged`` is none of the rows.

    Notes
    -----
    The M-estimate is that of Huber (Ann Math Stat 1964;35:73–101): iteratively reweighted, at the
    variances between patients and teeth of the fit without the flagged rows, each row's residual from the rates and the predicted patient effect, over the square root of 1 +
    (tooth variance / residual variance) planned², and the scale their median absolute deviation.
    Patients are
    not weighted down: one with mostly slips pulls the readings too (``influence`` shows it). Neither reading replaces the rate: results far off can be true,
    and leaving out results because of their size or sign is a choice by the result. No interval goes
    with the readings.

    Examples
    --------
    One slip of the decimal point among 12 results:

    >>> frame = pd.DataFrame({"patient": [f"P{i // 2}" for i in range(12)], "tooth": [11, 21] * 6,
    ...     "planned": [4.0, 6, 5, 7, 6, 4, 8, 5, 6, 7, 5, 6],
    ...     "achieved": [2.1, 2.9, 2.6, 3.4, 3.1, 1.8, 4.1, 26.0, 2.8, 3.6, 2.4, 3.2]})
    >>> from outcomes.rates.fit import fit_rate
    >>> robust_rates(fit_rate(frame, group=None)).rates[
    ...     ["rate", "flagged", "without_flagged", "m_estimate", "differs"]].round(2)
       rate  flagged  without_flagged  m_estimate  differs
    0  0.79        1              0.5         0.5     True
    """
    design = fit.design
    wanted = pd.Index(list(flagged))
    unknown = wanted.difference(design.index)
    if len(unknown):
        raise CannotAnswer(
            f"No such row in the fit: {', '.join(map(str, unknown[:3]))}. Give labels of "
            "fit.data.index."
        )
    far = _far_off(fit)
    out = design.index.isin(wanted) | far
    without = _without(fit, out)
    beta, weights = _m_estimate(fit, fit if without is None else without)
    g = len(fit.groups)
    code = design.group_code
    table = fit.rates[["group", "patients", "movements", "rate", "low", "high"]].copy()
    table["flagged"] = np.bincount(code[out], minlength=g)
    table["without_flagged"] = np.nan if without is None else _by_group(without, fit, "rate")
    table["m_estimate"] = beta[:g]
    table["weigh_little"] = np.bincount(code[weights < LARGE_WEIGHT], minlength=g)
    broken = np.bincount(code[far], minlength=g) * 2 >= fit.rates["movements"].to_numpy()
    table["reading"] = table["m_estimate"].mask(broken)
    half = (table["high"] - table["low"]) / 2
    if without is not None:
        other = (_by_group(without, fit, "high") - _by_group(without, fit, "low")) / 2
        half = np.fmin(half, other)
    readings = table[["without_flagged", "m_estimate"]].sub(table["rate"], axis=0).abs()
    table["differs"] = (readings.max(axis=1) > half) | broken
    return RobustRates(
        rates=table,
        weights=pd.Series(weights, index=design.index),
        flagged=design.index[out],
    )


def _by_group(other: RateFit, fit: RateFit, column: str) -> np.ndarray:
    """A column of another fit's rates in the order of this one's groups, NaN where there is none."""
    values = other.rates.set_index("group")[column]
    return values.reindex(list(fit.groups)).to_numpy(float)


def _far_off(fit: RateFit) -> np.ndarray:
    """Rows far from what one rate for each kind of tooth expects, (n,).

    The groups of the fit may be single teeth, whose rate would follow a slip.
    """
    design = fit.design
    try:
        names = [str(tooth_class(int(t))) for t in design.tooth]
    except (TypeError, ValueError):
        names = ["all"] * fit.nobs
    code, groups = pd.factorize(np.asarray(names))
    coarse = _regrouped(design, code, tuple(groups))
    try:
        weighing = _Weighing(coarse, _refit(fit, coarse))
    except CannotAnswer:
        weighing = _Weighing(design, fit)
    residual = weighing.solve(np.ones(fit.nobs))[1]
    return np.isin(np.arange(fit.nobs), stray_rows(residual))


def _regrouped(design: Design, code: np.ndarray, groups: tuple[str, ...]) -> Design:
    """The design with other groups, (n,) codes of ``groups``."""
    seen = pd.Series(design.patient).groupby(code).nunique().reindex(range(len(groups)))
    rest = design.names[len(design.groups) :]
    counts = pd.DataFrame(
        {"group": list(groups), "patients": seen.to_numpy(), "movements": np.bincount(code)}
    )
    return replace(
        design,
        groups=groups,
        names=(*groups, *rest),
        columns=replace(design.columns, code=code, levels=len(groups)),
        group_code=code,
        counts=counts,
    )


def _refit(fit: RateFit, design: Design) -> RateFit:
    return fit_design(design, site=fit.mixed.blocks.has_inner, reml=fit.reml, level=fit.level)


def _without(fit: RateFit, out: np.ndarray) -> RateFit | None:
    """The fit to the rows that are not flagged; None where they cannot be fitted."""
    if not out.any():
        return fit
    if out.all():
        return None
    try:
        return _refit(fit, _kept(fit.design, ~out))
    except CannotAnswer:
        return None


def _kept(design: Design, kept: np.ndarray) -> Design:
    """Some rows of a design; patients, teeth and groups without a row left are gone from it."""
    people, patient = np.unique(design.patient[kept], return_inverse=True)
    places, site_row = np.unique(design.site_row[kept], return_inverse=True)
    there, code = np.unique(design.group_code[kept], return_inverse=True)
    groups = tuple(design.groups[g] for g in there)
    planned = design.planned[kept]
    part = replace(
        design,
        planned=planned,
        achieved=design.achieved[kept],
        aim=design.aim[kept],
        patient=patient,
        tooth=design.tooth[kept],
        tooth_code=design.tooth_code[kept],
        patient_labels=design.patient_labels[people],
        site_labels=design.site_labels.iloc[places].reset_index(drop=True),
        site_row=site_row,
        index=design.index[kept],
        columns=replace(design.columns, values=planned, extra=design.columns.extra[kept]),
    )
    return _regrouped(part, code, groups)


def _m_estimate(fit: RateFit, clean: RateFit) -> tuple[Array, Array]:
    """Coefficients (p,) and weights (n,) by Huber's M-estimation, at the variances of ``clean``."""
    weigh = _Weighing(fit.design, clean)
    weights = np.ones(fit.nobs)
    beta, residual = weigh.solve(weights)
    for _ in range(_MOST):
        scale = float(np.median(np.abs(residual))) / _TO_SD
        if scale == 0:
            break
        before = beta
        weights = np.minimum(1.0, HUBER * scale / np.maximum(np.abs(residual), 1e-300))
        beta, residual = weigh.solve(weights)
        if np.abs(beta - before).max() < _SETTLED:
            break
    return beta, weights


class _Weighing:
    """Coefficients and residuals of a design with weighted rows; see the head of the module."""

    def __init__(self, design: Design, clean: RateFit) -> None:
        from scipy.sparse import csr_array

        n = len(design.planned)
        ones, rows = np.ones(n), np.arange(n)
        self.design = design
        self.w = np.column_stack([design.x, design.achieved])
        self.z = design.planned
        self.patients = csr_array((ones, (design.patient, rows)))
        self.sites = csr_array((ones, (design.site_row, rows)))
        self.owner = np.zeros(self.sites.shape[0], dtype=np.int64)
        self.owner[design.site_row] = design.patient
        sigma2 = clean.mixed.sigma2
        self.of_patient = float(clean.mixed.psi[0, 0]) / sigma2
        self.of_tooth = (clean.mixed.inner_variance or 0.0) / sigma2
        self.spread = np.sqrt(1 + self.of_tooth * self.z**2)

    def solve(self, weights: Array) -> tuple[Array, Array]:
        """Coefficients (p,), and residuals (n,) from the rates and the predicted patient effects, over
        the square root of 1 + (tooth variance / residual variance) planned²."""
        p = self.w.shape[1] - 1
        along = weights * self.z
        products = along[:, None] * self.w
        site_n, site_w = self.sites @ (along * self.z), self.sites @ products
        k = self.of_tooth / (1 + self.of_tooth * site_n)
        patients = self.patients.shape[0]
        taken = np.zeros((patients, p + 1))
        np.add.at(taken, self.owner, (k * site_n)[:, None] * site_w)
        t = self.patients @ products - taken
        a = self.patients @ (along * self.z)
        a = a - np.bincount(self.owner, k * site_n**2, minlength=patients)
        gain = self.of_patient / (1 + self.of_patient * a)
        c = self.w.T @ (weights[:, None] * self.w)
        c = c - site_w.T @ (k[:, None] * site_w) - t.T @ (gain[:, None] * t)
        beta = np.linalg.solve(c[:p, :p], c[:p, p])
        effect = gain * (t[:, p] - t[:, :p] @ beta)
        fitted = self.w[:, :p] @ beta + effect[self.design.patient] * self.z
        return beta, (self.design.achieved - fitted) / self.spread
