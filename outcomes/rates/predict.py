"""What a plan is expected to achieve: predictive distributions for new and known patients.

For a plan x of a new tooth in a new patient, with rate b of its group::

    achieved ~ b x +/- t sqrt(Var(b) x^2 + (s2_patient + s2_tooth) x^2 + s2)

For a known patient (and a known tooth, as in a second course) the predicted effects replace their
variances by what is left of them once the patient's own records are used. Degrees of freedom of
the whole variance by Satterthwaite's rule (Kuznetsova et al., J Stat Softw 2017;82(13)).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from outcomes.errors import CannotAnswer
from outcomes.mixed.likelihood import as_observed, evaluate, relative_variances
from outcomes.mixed.shares import Shares
from outcomes.rates.design import group_labels, with_derived
from outcomes.rates.intervals import degrees_of_freedom

if TYPE_CHECKING:
    from outcomes.mixed.blocks import Array
    from outcomes.rates.design import Design
    from outcomes.rates.result import RateFit


@dataclass(frozen=True)
class _Rows:
    """Rows to predict: coefficients of the rate (n, p), plan (n,), known patient and site codes.

    Codes are -1 where the patient or the tooth is new. ``levels`` (n, factors of varies_by) are
    codes of their levels, -1 where a level is new or not said.
    """

    rate: Array
    drift: Array
    planned: Array
    patient: np.ndarray
    site: np.ndarray
    levels: np.ndarray


def predict(
    fit: RateFit, new: pd.DataFrame, *, levels: Sequence[float] = (0.8, 0.95)
) -> pd.DataFrame:
    """Expected result and prediction ranges of plans.

    Parameters
    ----------
    fit
        A fitted rate model.
    new
        One row per plan: ``planned`` (mm or degrees, as fitted), the group columns (or ``tooth``,
        FDI, from which tooth class and arch follow) and the covariates. With ``patient``, and
        ``tooth``, rows of patients in the data use what is known of them; so do columns of
        ``varies_by`` (a level without a column, or new to the data, is one of which nothing is
        known).
    levels
        Levels of the ranges.

    Returns
    -------
    DataFrame
        expected, sd, df, then low_80, high_80, low_95, high_95 (by level); index of ``new``. The
        ranges hold the next measured result, so that they include measurement error.

    Raises
    ------
    CannotAnswer
        If a column is missing or a group or level was never seen.
    """
    rows = _rows(fit, new)
    expected, variance, df = _distribution(fit, rows)
    sd = np.sqrt(variance)
    table = pd.DataFrame({"expected": expected, "sd": sd, "df": df}, index=new.index)
    for level in levels:
        half = stdtrit(df, 0.5 + level / 2) * sd
        name = f"{100 * level:g}"
        table[f"low_{name}"], table[f"high_{name}"] = expected - half, expected + half
    return table


def rate_moments(fit: RateFit, new: pd.DataFrame) -> pd.DataFrame:
    """rate, variance_estimate, variance_patient, variance_tooth, df for each row of ``new``.

    ``rate`` is that of the row's group and covariates (plus the predicted effects of a known
    patient and tooth); the variances are those of the estimate and of what is not known of the
    patient and the tooth, all in rate units; ``df`` belongs to the rate itself (Satterthwaite).
    Columns of ``new`` as for ``predict``; ``planned`` is not needed.
    """
    rows = _rows(fit, new.assign(planned=1.0))
    parts = _parts(fit, rows, fit.mixed.theta)
    sigma2 = fit.mixed.sigma2
    return pd.DataFrame(
        {
            "rate": parts.mean - rows.drift @ fit.mixed.beta,
            "variance_estimate": sigma2 * parts.estimate,
            "variance_patient": sigma2 * parts.patient,
            "variance_tooth": sigma2 * parts.tooth,
            "df": degrees_of_freedom(fit.mixed, fit.design, rows.rate),
        },
        index=new.index,
    )


def own_rate_moments(fit: RateFit, new: pd.DataFrame) -> pd.DataFrame:
    """rate, variance_left, df_left, variance, df of the own rates of known patients.

    ``rate`` is that of ``rate_moments``. ``variance_left`` is what is not known of the patient and,
    where the tooth has records too, of that tooth; ``variance`` adds that of the estimate; each with
    degrees of freedom by Satterthwaite's rule. For a tooth without records the rate meant is the
    mean over the patient's teeth of its kind, so that the variation between teeth is no part of it.

    Raises
    ------
    CannotAnswer
        If a patient is not in the data.
    """
    rows = _rows(fit, new.assign(planned=1.0))
    if (rows.patient < 0).any():
        raise CannotAnswer("A patient is not in the data, so that nothing is known of an own rate.")

    def both(theta: Array) -> Array:
        """Relative variances, what is left and the whole: (2 n,)."""
        parts = _parts(fit, rows, theta)
        left = parts.patient + np.where(rows.site >= 0, parts.tooth, 0.0)
        return np.concatenate([left, left + parts.estimate])

    theta, sigma2 = fit.mixed.theta, fit.mixed.sigma2
    variance = sigma2 * both(theta)
    df = _satterthwaite(fit, both)
    n = len(new)
    rate = _parts(fit, rows, theta).mean - rows.drift @ fit.mixed.beta
    return pd.DataFrame(
        {
            "rate": rate,
            "variance_left": variance[:n],
            "df_left": df[:n],
            "variance": variance[n:],
            "df": df[n:],
        },
        index=new.index,
    )


def df_as_if_new(fit: RateFit) -> Array:
    """Degrees of freedom (n,) of the predictive distributions of the fitted rows, each taken as a
    new tooth of a new patient."""
    design = fit.design
    drift = np.zeros_like(design.x)
    if "intercept" in design.names:
        drift[:, -1] = 1.0
    rate = np.where(drift == 1.0, 0.0, design.x) / design.planned[:, None]
    new = np.full(len(design.planned), -1)
    levels = np.full((len(new), len(design.varies_by)), -1)
    return _distribution(fit, _Rows(rate, drift, design.planned, new, new, levels))[2]


def _rows(fit: RateFit, new: pd.DataFrame) -> _Rows:
    design = fit.design
    frame = with_derived(new, (*fit.group, *design.covariates))
    if "planned" not in frame.columns:
        raise CannotAnswer("No column 'planned': the plan to predict, in mm or degrees.")
    n, g = len(frame), len(design.groups)
    rate = np.zeros((n, len(design.names)))
    label = group_labels(frame, fit.group)
    code = pd.Index(design.groups).get_indexer(pd.Index(label))
    if (code < 0).any():
        unseen = sorted(set(label[code < 0]))
        raise CannotAnswer(
            f"No rate for {', '.join(unseen)}: the fit holds {', '.join(design.groups)}. Use a "
            "broader group, or add cases."
        )
    rate[np.arange(n), code] = 1.0
    column = g
    for name in design.covariates:
        values = frame[name]
        if name in design.covariate_levels:
            levels = design.covariate_levels[name]
            text = values.astype(str)
            unknown = sorted(set(text) - set(levels))
            if unknown:
                raise CannotAnswer(
                    f"{name} = {', '.join(unknown)} is not in the fit, which holds "
                    f"{', '.join(levels)}."
                )
            for level in levels[1:]:
                rate[:, column] = text == level
                column += 1
        else:
            rate[:, column] = values.to_numpy(float) - design.covariate_centres.get(name, 0.0)
            column += 1
    drift = np.zeros_like(rate)
    if "intercept" in design.names[g:]:
        drift[:, -1] = 1.0
    patient, site = np.full((2, n), -1)
    if "patient" in frame.columns:
        patient = pd.Index(design.patient_labels).get_indexer(pd.Index(frame["patient"]))
        if "tooth" in frame.columns:
            known = pd.MultiIndex.from_frame(design.site_labels)
            site = known.get_indexer(pd.MultiIndex.from_frame(frame[["patient", "tooth"]]))
    within = np.full((n, len(design.varies_by)), -1)
    for k, name in enumerate(design.varies_by):
        if name in frame.columns:
            known_levels = pd.Index(design.varying_levels[k])
            within[:, k] = known_levels.get_indexer(pd.Index(frame[name].astype(str)))
    return _Rows(rate, drift, frame["planned"].to_numpy(float), patient, site, within)


def _effects_of(design: Design, rows: _Rows) -> tuple[Array, Array]:
    """(n, q) effects of a patient that a row has, 1 or 0; (n, variances) how many it has of a new
    level, of which nothing is known."""
    n, q = len(rows.planned), len(design.variances)
    held, new = np.zeros((n, q)), np.zeros((n, 1 + len(design.varies_by)))
    held[:, 0] = 1.0
    start = 1
    for k, levels in enumerate(design.varying_levels):
        there = np.flatnonzero(rows.levels[:, k] >= 0)
        held[there, start + rows.levels[there, k]] = 1.0
        new[rows.levels[:, k] < 0, k + 1] = 1.0
        start += len(levels)
    return held, new


@dataclass(frozen=True)
class _Parts:
    """Mean rate (plus drift) and relative variances (divide by sigma2), n rows each.

    ``loading`` (n, p) are the coefficients of b in the prediction of the rate.
    """

    mean: Array
    estimate: Array
    patient: Array
    tooth: Array
    loading: Array
    inverse: Array


def _parts(fit: RateFit, rows: _Rows, theta: Array) -> _Parts:
    """At ``theta``: b is re-estimated, and so are the effects."""
    blocks = fit.mixed.blocks
    e = evaluate(theta[None], blocks, as_observed(blocks), reml=fit.reml)
    shares = Shares(blocks, theta)
    scaled = e.beta[0]
    to_rate = blocks.y_scale / blocks.z_scale[0]  # planned is the column of z and of the site
    contrast = np.append(-scaled, 1.0)
    known, seen = rows.patient >= 0, rows.site >= 0
    held, new = _effects_of(fit.design, rows)
    lam = theta[-1] ** 2 if blocks.has_inner else 0.0
    w = np.where(seen, shares.w[rows.site], 0.0) if blocks.has_inner else np.zeros(len(seen))
    site_w = np.zeros((len(seen), len(contrast)))
    # a seen tooth has taken up w c of the effects of its patient
    kept = held.copy()
    if blocks.has_inner:
        kept -= w[:, None] * np.where(seen[:, None], blocks.inner_c.T[rows.site], 0.0)
        site_w = np.where(seen[:, None], blocks.inner_w.T[rows.site], 0.0)
    patients = np.where(known, rows.patient, 0)
    gain = np.einsum("nq,nqr->nr", kept, shares.gain[patients])
    by_patient = np.einsum("nq,nkq->nk", gain, shares.t[patients])
    weights = np.where(known[:, None], by_patient, 0.0) + w[:, None] * site_w  # on (X, y)
    effect = weights @ contrast
    own_variance = relative_variances(theta, blocks)
    by_number = own_variance[np.unique(fit.design.variances, return_index=True)[1]]
    left = np.einsum("nq,nq->n", gain, kept) + new @ by_number
    unknown = held @ own_variance + new @ by_number
    unit = blocks.y_scale / blocks.x_scale
    loading = rows.rate * unit - weights[:, :-1] * to_rate  # on scaled b, in rate units
    base = rows.rate @ ((scaled + blocks.y_shift) * unit)
    drift = rows.drift @ ((scaled + blocks.y_shift) * unit)
    y2 = blocks.y_scale**2
    inverse = e.cxx_inverse[0]
    scale = to_rate**2 / y2
    return _Parts(
        mean=base + drift + effect * to_rate,
        estimate=np.einsum("ni,ij,nj->n", loading, inverse, loading) / y2,
        patient=np.where(known, left, unknown) * scale,
        tooth=(np.where(seen, w, lam) if blocks.has_inner else np.zeros(len(seen))) * scale,
        loading=loading,
        inverse=inverse,
    )


def _relative_variance(fit: RateFit, rows: _Rows, theta: Array) -> tuple[Array, Array]:
    """Expected result and its predictive variance over sigma2."""
    parts = _parts(fit, rows, theta)
    blocks = fit.mixed.blocks
    x = rows.planned
    unit = blocks.y_scale / blocks.x_scale
    drift = rows.drift @ fit.mixed.beta
    loading = parts.loading * x[:, None] + rows.drift * unit
    estimate = np.einsum("ni,ij,nj->n", loading, parts.inverse, loading) / blocks.y_scale**2
    expected = (parts.mean - drift) * x + drift
    return expected, estimate + (parts.patient + parts.tooth) * x**2 + 1.0


def _distribution(fit: RateFit, rows: _Rows) -> tuple[Array, Array, Array]:
    """Expected result, predictive variance and its degrees of freedom, row by row."""
    expected, relative = _relative_variance(fit, rows, fit.mixed.theta)
    df = _satterthwaite(fit, lambda theta: _relative_variance(fit, rows, theta)[1])
    return expected, fit.mixed.sigma2 * relative, df


def _satterthwaite(fit: RateFit, of: Callable[[Array], Array]) -> Array:
    """Degrees of freedom of variances given, relative to sigma2, as functions of theta; (n,)."""
    theta, sigma2 = fit.mixed.theta, fit.mixed.sigma2
    relative = of(theta)
    variance = sigma2 * relative
    slopes = []
    for j in np.flatnonzero(theta != 0):
        step = 1e-4 * max(abs(theta[j]), 0.05)
        move = step * (np.arange(len(theta)) == j)
        up, down = of(theta + move), of(theta - move)
        slopes.append(sigma2 * (up - down) / (2 * step))
    slopes.append(relative * fit.mixed.blocks.y_scale**2)  # sigma2 is kept in scaled units
    return np.where(variance > 0, fit.mixed.satterthwaite(variance, np.stack(slopes, 1)), np.inf)
