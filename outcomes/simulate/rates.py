"""One movement's rows with known truth, fast: for coverage, benchmarks and study planning."""

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.domain.movements import TOOTH_CLASSES
from outcomes.errors import InputError
from outcomes.simulate.noise import residuals, standard_effects
from outcomes.simulate.people import patient_names
from outcomes.simulate.scenario import (
    NAMES,
    PLAN_SD,
    RESIDUAL_SD,
    TEETH,
    TOOTH_CLASS,
    UNITS,
    check_known,
    check_shares,
    check_spreads,
    rate_table,
)

LATER_COURSE_PLAN = 0.6
"""Plans of the second and later rows of a tooth, as a share of the first."""


def simulate_rates(
    patients: int = 12,
    *,
    seed: int | np.random.Generator,
    movement: str = "rotation",
    rates: Mapping[str, float] | float | None = None,
    patient_sd: float = 0.10,
    tooth_sd: float = 0.08,
    residual_sd: float | None = None,
    teeth_per_patient: int = 20,
    rows_per_tooth: int = 1,
    plan_mean: float = 0.0,
    plan_sd: float | None = None,
    heteroscedastic: float = 0.0,
    outliers: float = 0.0,
    skew: float = 0.0,
    dominant: float = 0.0,
    attachment_share: float = 0.4,
    attachment_effect: float = 0.0,
    size_effect: float = 0.0,
    varying: Mapping[str, float] | None = None,
    effects: bool = False,
) -> pd.DataFrame:
    """Planned and achieved movement of one kind, by the rate model.

    ``achieved = (rate[class] + attachment_effect * attachment + size_effect * size + u + v)
    * planned + residual`` with u ~ (0, patient_sd) per patient and v ~ N(0, tooth_sd) per tooth of
    a patient; ``size`` is |planned| / plan_sd. Nothing is rounded.

    Parameters
    ----------
    patients
        How many patients.
    seed
        A seed, or a generator to go on with.
    movement
        Settles the unit (mm or degree) and the default rates and residual SD.
    rates
        tooth class -> rate, or one rate for all; classes not named keep the default.
    patient_sd, tooth_sd
        SD of the rate between patients, and between teeth of a patient.
    residual_sd
        SD of achieved around its expectation, mm or degree; default 0.22 mm or 1.6 degree.
    teeth_per_patient
        How many of the 28 teeth (third molars left out) each patient has rows for.
    rows_per_tooth
        Rows (courses) of each tooth; later ones plan 0.6 times as much.
    plan_mean, plan_sd
        Planned movement of a first course, mm or degree; default mean 0, SD 1 mm or 6 degrees.
    heteroscedastic
        Residual SD grows as 1 + heteroscedastic * size.
    outliers
        Share of rows with an eightfold residual.
    skew
        Skewness of the patient effects (their SD stays ``patient_sd``).
    dominant
        Share of all rows that belong to the first patient, e.g. 0.5; 0 for an even cohort.
    attachment_share, attachment_effect
        Share of teeth with an attachment (0 or 1, the same in every course), and what it adds to
        the rate.
    size_effect
        What one plan SD of |planned| adds to the rate: a departure from a straight line.
    varying
        SD of the rate within a patient, between courses, tooth classes or directions:
        {"course": 0.1} gives each course of each patient a rate of its own (wear, say).
    effects
        Also return the columns patient_effect and tooth_effect.

    Returns
    -------
    DataFrame
        patient, tooth (FDI), tooth_class (ordered), movement, course, attachment (0/1), planned,
        achieved; sorted by patient and tooth.

    Raises
    ------
    InputError
        For a number outside its range or an unknown movement or class.

    Examples
    --------
    >>> rows = simulate_rates(12, seed=1, rates=0.5, patient_sd=0, tooth_sd=0)
    >>> rows[["patient", "tooth", "planned", "achieved"]].head(2).round(2)
      patient  tooth  planned  achieved
    0    P001     11    -4.01     -1.69
    1    P001     13    -1.20      0.20
    """
    check_known(movement, NAMES, "movement")
    unit = UNITS[movement]
    residual_sd = RESIDUAL_SD[unit] if residual_sd is None else residual_sd
    plan_sd = PLAN_SD[unit] if plan_sd is None else plan_sd
    _check_design(patients, teeth_per_patient, rows_per_tooth, dominant)
    check_shares(outliers=outliers, attachment_share=attachment_share)
    check_spreads(
        patient_sd=patient_sd, tooth_sd=tooth_sd, residual_sd=residual_sd, plan_sd=plan_sd
    )
    check_spreads(heteroscedastic=heteroscedastic)
    rng = np.random.default_rng(seed)

    which = _teeth(rng, patients, teeth_per_patient)
    site_patient = np.repeat(np.arange(patients), teeth_per_patient)
    patient_effect = patient_sd * standard_effects(rng, patients, skew)
    tooth_effect = tooth_sd * rng.standard_normal(which.size)
    attachment = (rng.random(which.size) < attachment_share).astype(np.int64)
    beta = np.array([rate_table({movement: rates or {}})[movement][c] for c in TOOTH_CLASSES])
    if rates is not None and not isinstance(rates, Mapping):
        beta = np.full(len(TOOTH_CLASSES), float(rates))

    rows_of_site = _rows_of_site(patients, teeth_per_patient, rows_per_tooth, dominant)
    site = np.repeat(np.arange(which.size), rows_of_site)
    course = np.arange(site.size) - np.repeat(np.cumsum(rows_of_site) - rows_of_site, rows_of_site)
    planned = rng.normal(plan_mean, plan_sd, site.size)
    planned *= np.where(course == 0, 1.0, LATER_COURSE_PLAN)
    size = np.abs(planned) / (plan_sd if plan_sd > 0 else 1.0)
    slope_of_site = (
        beta[TOOTH_CLASS[which]]
        + attachment_effect * attachment
        + patient_effect[site_patient]
        + tooth_effect
    )
    achieved = (slope_of_site[site] + size_effect * size) * planned
    achieved += residuals(rng, residual_sd, size, heteroscedastic, outliers)

    class_code: NDArray[np.int64] = TOOTH_CLASS[which][site]
    tooth_class = pd.Categorical.from_codes(
        class_code, categories=pd.Index(list(TOOTH_CLASSES)), ordered=True
    )
    frame = pd.DataFrame(
        {
            "patient": pd.array(patient_names(patients), dtype="str").take(site_patient[site]),
            "tooth": TEETH[which][site],
            "tooth_class": tooth_class,
            "movement": pd.array([movement], dtype="str").take(np.zeros(site.size, np.int64)),
            "course": course + 1,
            "attachment": attachment[site],
            "planned": planned,
            "achieved": achieved,
        }
    )
    for name, sd in (varying or {}).items():
        level = _within_patients(name, frame)
        check_spreads(**{f"varying {name}": sd})
        own = sd * rng.standard_normal((patients, int(level.max()) + 1))
        frame["achieved"] += own[site_patient[site], level] * planned
    if effects:
        frame["patient_effect"] = patient_effect[site_patient][site]
        frame["tooth_effect"] = tooth_effect[site]
    return frame


def _within_patients(name: str, frame: pd.DataFrame) -> np.ndarray:
    """Code of what a patient's rate varies with, row by row."""
    if name == "course":
        return frame["course"].to_numpy(np.int64) - 1
    if name == "tooth_class":
        return frame["tooth_class"].cat.codes.to_numpy(np.int64)
    if name == "direction":
        return (frame["planned"] < 0).astype("int64").to_numpy()
    raise InputError(f"varying: course, tooth_class or direction, not {name!r}")


def _check_design(patients: int, teeth: int, rows: int, dominant: float) -> None:
    if patients < 1 or rows < 1:
        raise InputError("patients and rows_per_tooth must be at least 1")
    if not 1 <= teeth <= TEETH.size:
        raise InputError(f"teeth_per_patient must be 1 to {TEETH.size}, not {teeth}")
    check_shares(0.99, dominant=dominant)
    if dominant and patients < 2:
        raise InputError("dominant needs at least 2 patients")


def _teeth(rng: np.random.Generator, patients: int, teeth: int) -> NDArray[np.int64]:
    """Indices into TEETH, ``teeth`` different ones for each patient, in order; flat."""
    order = np.argsort(rng.random((patients, TEETH.size)), axis=1)[:, :teeth]
    return np.sort(order, axis=1).ravel()


def _rows_of_site(patients: int, teeth: int, rows: int, dominant: float) -> NDArray[np.int64]:
    """Rows of each tooth site; the first patient gets as many as make up their share."""
    counts = np.full(patients * teeth, rows)
    if dominant:
        wanted = round(dominant / (1 - dominant) * rows * teeth * (patients - 1))
        counts[:teeth] = wanted // teeth + (np.arange(teeth) < wanted % teeth)
    return counts
