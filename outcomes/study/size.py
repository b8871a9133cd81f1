"""The size of a study, twice: in closed form, and by simulation.

The closed form is a t interval on patients' means. Every tooth counts as a reading of its patient's
rate, with variance ``s2 = patient_sd² + w`` and intraclass correlation ``icc = patient_sd² / s2``;
``m`` teeth of a patient are then worth ``m / (1 + (m - 1) icc)`` teeth of different patients.

For the simulation studies are made by the rate model, fitted, and counted.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.optimize import brentq
from scipy.special import gammaln, ndtr, stdtrit
from scipy.stats import chi2, nct

from outcomes.errors import CannotAnswer
from outcomes.mixed.blocks import Blocks, cross_products
from outcomes.mixed.cluster import ClusterRobust
from outcomes.mixed.fit import MixedFit, at_optimum, fit_mixed
from outcomes.mixed.likelihood import as_observed
from outcomes.mixed.optimum import minimise
from outcomes.rates.intervals import kept_to_patients
from outcomes.simulate import simulate_rates
from outcomes.study.asked import Aim, Assumptions

__all__ = ["FEWEST", "ClosedForm", "closed_form", "needed", "one_study"]

_ROUNDS = 3

FEWEST = 3
"""Patients below which no study is considered."""


@dataclass(frozen=True)
class ClosedForm:
    """A t interval on patients' means: ``variance`` of one patient's contribution."""

    icc: float
    design_effect: float
    variance: float
    aim: Aim
    teeth: int

    def df(self, patients: float) -> float:
        if self.aim.compare == "teeth":  # the patient's own effect cancels
            return patients * (self.teeth - 1) - 1
        return self.aim.arms * (patients - 1)

    def se(self, patients: float) -> float:
        return math.sqrt(self.aim.arms * self.variance / patients)

    def width(self, patients: float) -> float:
        """Mean width, or that which a share ``assurance`` of studies stays within."""
        df = self.df(patients)
        if self.aim.assurance is None:
            # mean of an estimated SD over the SD itself
            shrink = math.exp(gammaln((df + 1) / 2) - gammaln(df / 2)) * math.sqrt(2 / df)
        else:
            shrink = math.sqrt(chi2.ppf(self.aim.assurance, df) / df)
        return float(2 * stdtrit(df, 0.5 + self.aim.level / 2) * self.se(patients) * shrink)

    def power(self, patients: float) -> float:
        if self.aim.difference is None:
            return float("nan")
        df, shift = self.df(patients), self.aim.difference / self.se(patients)
        critical = float(stdtrit(df, 0.5 + self.aim.level / 2))
        found = float(nct.sf(critical, df, shift) + nct.cdf(-critical, df, shift))
        return found if found == found else 1.0  # nct gives up where power is certain

    def missed_by(self, patients: float) -> float:
        found = {"width": self.width(patients), "power": self.power(patients)}
        return self.aim.missed_by({**found, "width_wide": found["width"]})

    def patients(self) -> int:
        """Fewest patients (per group) that do."""
        if self.missed_by(FEWEST) <= 0:
            return FEWEST
        high = float(FEWEST)
        while self.missed_by(high) > 0:
            high *= 2
        return math.ceil(brentq(self.missed_by, high / 2, high, xtol=1e-6) - 1e-5)


def closed_form(assumed: Assumptions, aim: Aim, teeth: int) -> ClosedForm:
    """The closed form for a number of teeth in each patient."""
    tooth = assumed.tooth_variance()
    between = assumed.patient_sd**2
    icc = between / (between + tooth)
    effect = 1 + (teeth - 1) * icc
    variance = (between + tooth) * effect / teeth
    if aim.compare == "teeth":
        half = teeth // 2
        variance = tooth * (1 / half + 1 / (teeth - half))
    return ClosedForm(icc, effect, variance, aim, teeth)


def needed(
    assumed: Assumptions,
    aim: Aim,
    teeth: int,
    most: int,
    simulations: int,
    seed: int,
    progress: Callable[[str], None] | None,
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Fewest patients that do by simulation, beginning where the closed form says.

    What is left to the aim falls smoothly with the number of patients, and simulation adds noise;
    so a few sizes are simulated near the answer, and the closed form, corrected by what they show,
    is solved.
    """
    closed = closed_form(assumed, aim, teeth)
    tried: dict[int, dict[str, Any]] = {}
    size = min(closed.patients(), most)
    for _ in range(_ROUNDS):
        if size in tried:
            break
        if progress is not None:
            progress(f"{teeth} teeth in each of {size} patients: {simulations} studies")
        found = _simulate(assumed, aim, teeth, size, simulations, seed)
        tried[size] = {
            **found,
            "closed_form_width": closed.width(size),
            "closed_form_power": closed.power(size),
        }
        size = min(_corrected(closed, tried), most)
    final = tried[size] if size in tried else tried[min(tried, key=lambda n: abs(n - size))]
    size = int(final["patients"])
    reached = aim.missed_by(final) <= 2 * final["error"]
    row = {**final, "patients": size if reached or size < most else None, "closed": closed}
    return row, [tried[n] for n in sorted(tried)]


def _corrected(closed: ClosedForm, tried: dict[int, dict[str, Any]]) -> int:
    """Solve the closed form again, as if each patient counted for what simulation shows."""
    aim = closed.aim
    ratios = []
    for size, found in tried.items():
        if aim.width is not None:
            ratios.append((found[aim.target] / closed.width(size)) ** 2)
        else:
            ratios.append(_variance_ratio(closed, size, float(found["power"])))
    ratio = float(np.mean(ratios))
    return replace(closed, variance=closed.variance * ratio).patients()


def _variance_ratio(closed: ClosedForm, size: int, power: float) -> float:
    """How many times the closed form's variance would give the simulated power."""
    power = min(max(power, 0.08), 0.99)

    def excess(log_ratio: float) -> float:
        at = replace(closed, variance=closed.variance * math.exp(log_ratio))
        return at.power(size) - power

    if excess(-3.0) < 0 or excess(3.0) > 0:
        return 1.0
    return math.exp(brentq(excess, -3.0, 3.0))


def _simulate(
    assumed: Assumptions, aim: Aim, teeth: int, patients: int, simulations: int, seed: int
) -> dict[str, Any]:
    """Many studies of one size."""
    rng = np.random.default_rng([seed, teeth, patients])
    truth = assumed.rate if aim.compare is None else (aim.difference or 0.0)
    results, failed = [], 0
    for _ in range(simulations):
        try:
            results.append(one_study(assumed, aim, teeth, patients, rng))
        except CannotAnswer:
            failed += 1
    if len(results) < 2:
        raise CannotAnswer(
            f"Studies of {teeth} teeth in {patients} patients could not be fitted: plan more teeth."
        )
    estimate, se, df = np.array(results).T
    half = stdtrit(df, 0.5 + aim.level / 2) * se
    found = {"teeth_per_patient": teeth, "patients": patients, "studies": len(results)}
    return {
        **found,
        "failed": failed,
        **_measures(estimate, half, truth, aim),
        "coverage": float(np.mean(np.abs(estimate - truth) <= half)),
        "error": _error(estimate, half, truth, aim, rng),
    }


def _measures(estimate: np.ndarray, half: np.ndarray, truth: float, aim: Aim) -> dict[str, float]:
    """Widths, and the power: the chance that a normal estimate leaves each study's half-width.

    The spread of the estimates is that simulated; averaging chances instead of counting findings
    takes some five times fewer studies for the same error.
    """
    power = float("nan")
    if aim.difference is not None:
        spread = float(np.sqrt(np.mean((estimate - truth) ** 2)))
        power = float(np.mean(ndtr((truth - half) / spread) + ndtr((-truth - half) / spread)))
    return {
        "width": float(2 * half.mean()),
        "width_wide": float(2 * np.quantile(half, aim.assurance or 0.5)),
        "power": power,
    }


def _error(
    estimate: np.ndarray, half: np.ndarray, truth: float, aim: Aim, rng: np.random.Generator
) -> float:
    """Monte Carlo standard error of what is aimed at, by bootstrap over studies."""
    n = len(half)
    draws = [rng.integers(0, n, n) for _ in range(100)]
    again = [_measures(estimate[i], half[i], truth, aim)[aim.target] for i in draws]
    return float(np.std(again, ddof=1))


def one_study(
    assumed: Assumptions, aim: Aim, teeth: int, patients: int, rng: np.random.Generator
) -> tuple[float, float, float]:
    """Estimate, standard error and degrees of freedom of what the study asks."""
    effect = aim.difference or 0.0
    arms = [
        simulate_rates(
            patients,
            seed=rng,
            rates=assumed.rate + (effect if arm and aim.compare == "patients" else 0.0),
            teeth_per_patient=teeth,
            **assumed.simulated,
        )
        for arm in range(aim.arms)
    ]
    rows = teeth * assumed.rows_per_tooth
    planned = np.concatenate([frame["planned"].to_numpy(float) for frame in arms])
    achieved = np.concatenate([frame["achieved"].to_numpy(float) for frame in arms])
    patient = np.repeat(np.arange(aim.arms * patients), rows)
    if aim.compare == "patients":
        arm = patient >= patients
        x = np.stack([planned, planned * arm], axis=1)
    elif aim.compare == "teeth":
        treated = _half_of_the_teeth(rng, patients, teeth, assumed.rows_per_tooth)
        achieved = achieved + effect * planned * treated
        x = np.stack([planned, planned * treated], axis=1)
    else:
        x = planned[:, None]
    # With one row for each tooth and plans of one size, tooth and residual are one and the same.
    one_level = assumed.plan_sd == 0 and assumed.rows_per_tooth == 1
    site = None if one_level else np.arange(len(planned)) // assumed.rows_per_tooth
    blocks = cross_products(
        x, achieved, planned[:, None], patient, inner=site, inner_z=None if one_level else planned
    )
    fitted = _fit(blocks, assumed)
    contrast = np.eye(x.shape[1])[-1:]
    if aim.compare is not None:  # comparisons are reported cluster-robust
        robust = ClusterRobust(fitted)
        se, df = robust.standard_error(contrast), robust.df(contrast)
    else:
        se = fitted.standard_error(contrast)
        df = kept_to_patients(fitted, fitted.df(contrast), blocks.n_outer)
    return float(fitted.beta[-1]), float(se[0]), float(df[0])


def _fit(blocks: Blocks, assumed: Assumptions) -> MixedFit:
    """Fit from the true variances, which spares the search for a start."""
    start = [assumed.patient_sd * blocks.z_scale[0]]
    if blocks.has_inner:
        start.append(assumed.tooth_sd * blocks.inner_scale)
    theta, converged = minimise(
        blocks, as_observed(blocks), reml=True, start=np.array(start) / assumed.residual_sd
    )
    return at_optimum(blocks, theta[0], reml=True) if converged[0] else fit_mixed(blocks)


def _half_of_the_teeth(
    rng: np.random.Generator, patients: int, teeth: int, rows: int
) -> np.ndarray:
    """1 for the rows of half of each patient's teeth, drawn at random; an odd one at random."""
    order = np.argsort(rng.random((patients, teeth)), axis=1)
    half = teeth // 2 + (rng.random(patients) < 0.5) * (teeth % 2)
    return np.repeat((order < half[:, None]).ravel(), rows).astype(float)
