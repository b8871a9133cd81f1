"""The plan of a study in sentences."""

from __future__ import annotations

from typing import Any

from outcomes.rates.result import RateFit
from outcomes.study.asked import Aim, Assumptions
from outcomes.words.english import number_of, points_of
from outcomes.words.numbers import level_words, number
from outcomes.words.units import unit_mark

__all__ = ["notes", "sentence"]

SURE_PILOT = 30
"""Patients of a pilot below which its variances are said to be uncertain."""


def sentence(row: dict[str, Any], aim: Aim, assumed: Assumptions, most: int) -> str:
    """How many patients are needed: the answer of one row of the plan's table."""
    teeth = number_of(row["teeth_per_patient"], "tooth", "teeth")
    if aim.width is not None:
        what = "a rate" if aim.compare is None else "a difference between rates"
        how = "on average" if aim.assurance is None else f"with {100 * aim.assurance:g} % assurance"
        goal = (
            f"to know {what} within an interval of {points_of(aim.width, exact=True)} "
            f"({level_words(aim.level, space=' ')}, {how})"
        )
    else:
        goal = (
            f"to find a difference of {points_of(aim.difference or 0.0, exact=True)} with {100 * aim.power:g} % "
            "power"
        )
    each = " in each group" if aim.compare == "patients" else ""
    closed = f"the closed form says {row['closed_form_patients']:,}"
    if row["patients"] is None:
        return f"More than {most:,} patients{each} with {teeth} each are needed {goal}; {closed}."
    return f"{row['patients']:,} patients{each} with {teeth} each are needed {goal}; {closed}."


def notes(
    aim: Aim, assumed: Assumptions, pilot: RateFit | None, simulations: int, seed: int
) -> tuple[str, ...]:
    """What was assumed, and what it leaves open."""
    unit = unit_mark(assumed.unit)
    said = [
        f"Assumed ({assumed.source}): rate {assumed.rate:.2f}; SD between patients "
        f"{assumed.patient_sd:.3f}, between teeth {assumed.tooth_sd:.3f}, residual "
        f"{assumed.residual_sd:.2f}{unit}; planned {number(assumed.plan_mean, 1)} ± "
        f"{assumed.plan_sd:.1f}{unit}, {number_of(assumed.rows_per_tooth, 'course')}.",
        f"{simulations} studies simulated at each size, seed {seed}, fitted as fit_rate does.",
        "More teeth in the same patients help less the more patients differ: m teeth count as m "
        "divided by the design effect.",
    ]
    if pilot is not None and pilot.patients < SURE_PILOT:
        said.append(
            f"Variances from {pilot.patients} patients are uncertain: plan for larger ones too."
        )
    if assumed.patient_sd == 0:
        said.append(
            "No variation between patients is assumed, which is hardly ever true: plan with some."
        )
    if aim.compare == "teeth":
        said.append("The groups of teeth are drawn at random within each patient, half and half.")
    return tuple(said)
