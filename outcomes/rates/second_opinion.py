"""The same rate model by an independent program: statsmodels MixedLM."""

from __future__ import annotations

import warnings
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from outcomes.errors import CannotAnswer
from outcomes.mixed import fit as mixed
from outcomes.rates.design import Design

if TYPE_CHECKING:
    from outcomes.rates.fit import RateFit


def by_statsmodels(design: Design, *, site: bool, reml: bool) -> mixed.MixedFit:
    """Fit with statsmodels MixedLM; planned scaled to unit SD, L-BFGS, never its defaults.

    With its default optimiser and unscaled plans MixedLM can stop unconverged on this model, with
    standard errors several times too large.

    Raises
    ------
    CannotAnswer
        If MixedLM does not converge, or gives no standard errors.
    """
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec
    from statsmodels.tools.sm_exceptions import ConvergenceWarning, SingularMatrixWarning

    blocks = design.blocks(site=site)
    scale = float(design.planned.std()) or 1.0
    order = np.lexsort((design.tooth_code, design.patient))
    patient, tooth = design.patient[order], design.tooth_code[order]
    z = design.planned[order] / scale
    columns_scale = np.array([1.0 if n == "intercept" else scale for n in design.names])
    codes = {
        name: code[order] for name, code in zip(design.varies_by, design.varying_codes, strict=True)
    }
    if site:
        codes["tooth"] = tooth
    spec = None
    if codes:
        blocks_of = [_within_patients(code, patient, z) for code in codes.values()]
        names = [[[f"{j}" for j in range(m.shape[1])] for m in ms] for ms in blocks_of]
        spec = VCSpec(list(codes), names, blocks_of)
    model = MixedLM(
        design.achieved[order],
        design.x[order] / columns_scale,
        patient,
        exog_re=z[:, None],
        exog_vc=spec,
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # converged is asked for below
        warnings.simplefilter("ignore", SingularMatrixWarning)  # a variance of zero is an answer
        try:
            fit = model.fit(reml=reml, method="lbfgs", maxiter=5000)
        except (np.linalg.LinAlgError, ValueError) as error:
            raise CannotAnswer(f"statsmodels MixedLM stopped: {error}") from error
    if not fit.converged:
        raise CannotAnswer(
            "statsmodels MixedLM did not converge on these rows: use engine='outcomes'."
        )
    error_variances = np.diag(np.asarray(fit.cov_params()))[: len(design.names)]
    if not (np.isfinite([fit.llf, fit.scale]).all() and (error_variances > 0).all()):
        raise CannotAnswer(
            "statsmodels MixedLM gives no finite likelihood or standard errors on these rows: use "
            "engine='outcomes'."
        )
    sigma2 = float(fit.scale)
    within = dict(zip(codes, np.asarray(fit.vcomp, dtype=float) / scale**2, strict=True))
    tau = within.pop("tooth", None) if site else None
    by_number = [float(np.asarray(fit.cov_re)[0, 0]) / scale**2, *within.values()]
    relative = [v * blocks.z_scale[0] ** 2 for v in by_number]
    if tau is not None:
        relative.append(tau * blocks.site_scale**2)
    ours = mixed.at_optimum(blocks, np.sqrt(np.array(relative) / sigma2), reml=reml)
    # columns divided by c change a restricted log-likelihood by -sum(log c)
    unscaled = float(np.log(columns_scale).sum()) if reml else 0.0
    p = len(design.names)
    covariance = np.asarray(fit.cov_params())[:p, :p] / np.outer(columns_scale, columns_scale)
    return replace(
        ours,
        beta=np.asarray(fit.fe_params) / columns_scale,
        covariance=covariance,
        sigma2=sigma2,
        psi=np.diag(np.array(by_number)[list(design.variances)]),
        site_variance=tau,
        log_likelihood=float(fit.llf) - unscaled,
    )


def _within_patients(code: np.ndarray, patient: np.ndarray, z: np.ndarray) -> list[np.ndarray]:
    """For each patient, z in a column for each of its levels; rows in order of the patients."""
    matrices = []
    for i in range(patient.max() + 1):
        mine = np.flatnonzero(patient == i)
        levels, labels = pd.factorize(code[mine])
        matrix = np.zeros((len(mine), len(labels)))
        matrix[np.arange(len(mine)), levels] = z[mine]
        matrices.append(matrix)
    return matrices


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
    from outcomes.rates.fit import fit_design

    other = fit_design(
        fit.design,
        site=fit.mixed.blocks.has_site,
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
