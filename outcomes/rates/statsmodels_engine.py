"""The rate model by an independent program: statsmodels MixedLM."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pandas as pd

from outcomes.errors import ModelError
from outcomes.mixed.fit import MixedFit, at_optimum, relative_sds
from outcomes.rates.design import Design


def by_statsmodels(design: Design, *, site: bool, reml: bool) -> MixedFit:
    """Fit with statsmodels MixedLM; planned scaled to unit SD, L-BFGS, never its defaults.

    With its default optimiser and unscaled plans MixedLM can stop unconverged on this model, with
    standard errors several times too large.

    Raises
    ------
    ModelError
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
            raise ModelError(f"statsmodels MixedLM stopped: {error}") from error
    if not fit.converged:
        raise ModelError(
            "statsmodels MixedLM did not converge on these rows: use engine='outcomes'."
        )
    error_variances = np.diag(np.asarray(fit.cov_params()))[: len(design.names)]
    if not (np.isfinite([fit.llf, fit.scale]).all() and (error_variances > 0).all()):
        raise ModelError(
            "statsmodels MixedLM gives no finite likelihood or standard errors on these rows: use "
            "engine='outcomes'."
        )
    sigma2 = float(fit.scale)
    within = dict(zip(codes, np.asarray(fit.vcomp, dtype=float) / scale**2, strict=True))
    tau = within.pop("tooth", None) if site else None
    by_number = np.array([np.asarray(fit.cov_re)[0, 0] / scale**2, *within.values()])
    ours = at_optimum(blocks, relative_sds(blocks, by_number, tau, sigma2), reml=reml)
    # columns divided by c change a restricted log-likelihood by -sum(log c)
    unscaled = float(np.log(columns_scale).sum()) if reml else 0.0
    p = len(design.names)
    covariance = np.asarray(fit.cov_params())[:p, :p] / np.outer(columns_scale, columns_scale)
    return replace(
        ours,
        beta=np.asarray(fit.fe_params) / columns_scale,
        covariance=covariance,
        sigma2=sigma2,
        psi=np.diag(by_number[list(design.variances)]),
        inner_variance=tau,
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
