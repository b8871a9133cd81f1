"""What is taken to be likely before any record is seen."""

from __future__ import annotations

from dataclasses import dataclass, fields

from outcomes.errors import InputError

__all__ = ["SDS", "Priors"]

SDS = ("residual", "tooth_course", "tooth", "patient_course", "patient", "between")
"""The standard deviations that are integrated over, in the order of their columns."""


@dataclass(frozen=True)
class Priors:
    """Scales of half-normal distributions, and two normal ones; common practice, no source.

    A half-normal of scale s lies below s with 68 % and below 2 s with 95 %.

    Attributes
    ----------
    residual
        SD of results about their rate times the plan, as a share of a typical plan.
    tooth_course, tooth, patient_course, patient
        SD of rates (share of the plan) between courses of a tooth, teeth of a patient, courses of a
        patient, and patients.
    between
        SD of rates between classes, between directions, and between what both and the arch make.
    mean, mean_sd
        Mean and SD of the rate at large.
    bend
        SD of the change of the rate where the plan is twice the typical one.
    covariate
        SD of the change of the rate for one SD of a covariate that is a number.
    """

    residual: float = 0.5
    tooth_course: float = 0.08
    tooth: float = 0.12
    patient_course: float = 0.1
    patient: float = 0.15
    between: float = 0.12
    mean: float = 0.6
    mean_sd: float = 0.3
    bend: float = 0.15
    covariate: float = 0.1

    def __post_init__(self) -> None:
        for field in fields(self):
            if field.name != "mean" and not getattr(self, field.name) > 0:
                raise InputError(f"Prior {field.name} must be above 0.")
