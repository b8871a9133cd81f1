"""What a fit tells about itself and its data: variances of zero, few patients, spread that grows,
stray results, dominant patients.

The intervals were tried on such data (benchmarks/README.md); these notes say what then holds and
what to look at.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import stdtr

from outcomes.domain.limits import FEW_PATIENTS
from outcomes.words.numbers import percent

if TYPE_CHECKING:
    from outcomes.mixed.blocks import Array
    from outcomes.mixed.fit import MixedFit
    from outcomes.rates.design import Design

GROWTH, GROWTH_P = 1.25, 0.01
"""Ratio of scatter between large and small plans, and its p value, from which it is mentioned."""

STRAY = 6.0
"""Robust standard deviations from which a residual is called stray: 2 in 10^9 if normal."""

MOST_ROWS, MOST_WEIGHT = 1 / 3, 1 / 2
"""Share of the rows, and of the weight of a rate, from which a single patient is mentioned."""


def fit_notes(fitted: MixedFit, design: Design) -> list[str]:
    """Sentences on what the variances, residuals and weights show, empty if there is nothing."""
    residual = residuals(fitted, design)
    return [
        *_variance_notes(fitted, design),
        *_spread_note(residual, design),
        *_stray_note(residual, design),
        *_dominant_note(fitted, design),
    ]


def _variance_notes(fitted: MixedFit, design: Design) -> list[str]:
    notes = []
    if fitted.psi[0, 0] == 0:
        notes.append(
            "Patients do not differ beyond what teeth and measurement explain: the variance "
            "between patients is estimated as zero. The intervals are kept to the degrees of "
            "freedom of the number of patients all the same."
        )
    if fitted.inner_variance == 0:
        notes.append(
            "Teeth within a patient do not differ beyond measurement: the variance between teeth "
            "is estimated as zero."
        )
    one_each = fitted.blocks.has_inner and len(design.site_labels) == len(design.planned)
    if one_each:
        notes.append(
            "Every tooth has one record, so the variation between teeth is told from measurement "
            "only by residuals that grow with the plan."
        )
    few = fitted.blocks.n_outer
    if few < FEW_PATIENTS:
        notes.append(
            f"Only {few} patients: the variation between patients is hardly known, and the "
            "intervals are correspondingly wide."
        )
    return notes


def residuals(fitted: MixedFit, design: Design) -> Array:
    """achieved less what the rates and the predicted patient and tooth effects expect, (n,)."""
    effect, _, site_effect = fitted.effects
    columns, g = design.columns, len(design.groups)
    rate = fitted.beta[:g][design.group_code] + design.rate_deviation(effect)
    if fitted.blocks.has_inner:
        rate += site_effect[design.site_row]
    rate *= design.planned
    if columns.extra.shape[1]:
        rate += columns.extra @ fitted.beta[g:]
    return np.asarray(np.subtract(design.achieved, rate, out=rate))


def spread_growth(residual: Array, design: Design) -> tuple[float, float]:
    """Scatter about teeth with large plans over that about teeth with small plans, and a p value.

    A tooth with several records has a slope of its own; what is left around it holds neither the
    patient nor the tooth, and by the model does not depend on the plan. The teeth are halved at the
    median of their mean square plan. One-sided p value of a t test of the difference in standard
    deviation within patients, so that patients may differ in scatter. NaN with fewer than 5
    patients who have teeth with several records in both halves.
    """
    site, sites = design.site_row, len(design.site_labels)
    patients = len(design.patient_labels)
    planned = design.planned

    def total(values: Array) -> Array:
        return np.asarray(np.bincount(site, values, minlength=sites), dtype=np.float64)

    rows = np.bincount(site, minlength=sites)
    power = planned * planned
    squares = total(power)
    fourth = total(np.multiply(power, power, out=power))
    del power
    around = total(residual * residual) - total(residual * planned) ** 2 / squares
    several = rows > 1
    if not several.any():
        return np.nan, np.nan
    owner = np.zeros(sites, dtype=np.int64)
    owner[site] = design.patient
    # the mean square plan of the rows, each weighing as much as it adds to what is left
    size = (squares - fourth / squares) / np.maximum(rows - 1, 1)
    large = several & (size > np.median(size[several]))

    def variances(teeth: np.ndarray) -> tuple[Array, float]:
        scatter = np.bincount(owner[teeth], around[teeth], minlength=patients)
        free = np.bincount(owner[teeth], rows[teeth] - 1, minlength=patients)
        own = np.divide(scatter, free, out=np.full(patients, np.nan), where=free > 0)
        return own, float(scatter.sum() / max(free.sum(), 1))

    (far, far_all), (near, near_all) = variances(large), variances(several & ~large)
    difference = np.sqrt(np.maximum(far, 0)) - np.sqrt(np.maximum(near, 0))
    difference = difference[~np.isnan(difference)]
    if len(difference) < FEW_PATIENTS or near_all <= 0:
        return np.nan, np.nan
    error = max(float(difference.std(ddof=1)) / np.sqrt(len(difference)), 1e-300)
    p = float(stdtr(len(difference) - 1, -difference.mean() / error))
    return float(np.sqrt(far_all / near_all)), p


def _spread_note(residual: Array, design: Design) -> list[str]:
    ratio, p = spread_growth(residual, design)
    if not (ratio >= GROWTH and p < GROWTH_P):
        return []
    return [
        f"Results scatter more where more was planned: {ratio:.1f} times as much around teeth with "
        "large plans as around those with small ones. In simulated data of this kind the intervals "
        "of the rates held; part of the scatter is taken for variation between teeth, and ranges "
        "for a single result are too wide for small plans."
    ]


def stray_rows(residual: Array) -> np.ndarray:
    """Positions of residuals beyond ``STRAY`` robust standard deviations, the largest first."""
    spread = 1.4826 * float(np.median(np.abs(residual)))
    far = np.flatnonzero(np.abs(residual) > STRAY * spread) if spread > 0 else np.empty(0, int)
    return np.asarray(far[np.argsort(-np.abs(residual[far]), kind="stable")])


def _stray_note(residual: Array, design: Design) -> list[str]:
    far = stray_rows(residual)
    if not len(far):
        return []
    named = [f"{design.patient_labels[design.patient[i]]} tooth {design.tooth[i]}" for i in far[:3]]
    more = ", the furthest" if len(far) > 3 else ""
    rows = "1 result lies" if len(far) == 1 else f"{len(far):,} results lie"
    return [
        f"{rows} far from what the fit expects{more}: {', '.join(named)}. Check for scanning or "
        "typing errors; if real, they stay. They make the intervals wider rather than wrong."
    ]


def _dominant_note(fitted: MixedFit, design: Design) -> list[str]:
    blocks = fitted.blocks
    if blocks.n_outer < FEW_PATIENTS:
        return []  # with a handful of patients an even share is a large one
    shares = fitted.shares.weights()[:, : len(design.groups)]
    notes = []
    most = int(np.argmax(blocks.rows))
    share = blocks.rows[most] / blocks.n
    if share >= MOST_ROWS:
        notes.append(
            f"Patient {design.patient_labels[most]} has {percent(share)} of the rows and "
            f"{percent(float(shares[most].max()))} of the weight of a rate at most: the weight of "
            "one patient levels off as rows are added."
        )
    for g, group in enumerate(design.groups):
        heavy = int(np.argmax(shares[:, g]))
        if shares[heavy, g] >= MOST_WEIGHT and design.counts["patients"].iloc[g] > 1:
            which = "the rate" if group == "all" else f"the rate of {group}"
            notes.append(
                f"Patient {design.patient_labels[heavy]} carries {percent(shares[heavy, g])} of "
                f"the weight of {which}: influence() gives the rates without each patient."
            )
    return notes
