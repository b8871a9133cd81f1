"""How large a study must be: patients and teeth for an interval width or a detectable difference.

Two answers stand side by side (``size``): the closed form, and a simulation that makes studies by
the rate model, fits each as ``fit_rate`` would, and counts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import InputError
from outcomes.plot_hook import plot
from outcomes.rates.result import RateFit
from outcomes.simulate.scenario import TEETH
from outcomes.study.asked import Aim, Assumptions, Compare, assumptions
from outcomes.study.size import FEWEST, closed_form, needed
from outcomes.study.words import notes, sentence
from outcomes.words.shown import as_html, as_text

__all__ = ["StudyPlan", "plan_study"]

TABLE_COLUMNS = (
    "teeth_per_patient",
    "patients",
    "groups",
    "patients_total",
    "recruit",
    "movements",
    "icc",
    "design_effect",
    "closed_form_patients",
    "width",
    "power",
    "coverage",
    "error",
    "note",
)
STUDY_COLUMNS = (
    "teeth_per_patient",
    "patients",
    "studies",
    "failed",
    "width",
    "width_wide",
    "closed_form_width",
    "power",
    "closed_form_power",
    "coverage",
    "error",
)


@dataclass(frozen=True)
class StudyPlan:
    """Size of a study. See ``plan_study``.

    Attributes
    ----------
    table
        One row for each number of teeth per patient: what is needed.
    studies
        Every size that was simulated, and the closed form at that size.
    assumptions
        What it rests on.
    sentences
        The answer in words.
    notes
        Sentences on what was assumed.
    aim
        What was asked for.
    """

    table: pd.DataFrame
    studies: pd.DataFrame
    assumptions: Assumptions
    sentences: tuple[str, ...]
    notes: tuple[str, ...]
    aim: Aim

    def closed_form(self, teeth: int, patients: np.ndarray) -> np.ndarray:
        """What the closed form gives for ``teeth`` in each of so many patients (per group), shape
        (n,): the width, or the power where a difference is to be found."""
        form = closed_form(self.assumptions, self.aim, teeth)
        of = form.power if self.aim.width is None else form.width
        return np.array([of(float(n)) for n in np.ravel(patients)])

    def plot(self, ax: Any = None) -> Any:
        """Width or power by number of patients; returns the Axes."""
        return plot(self, ax=ax)

    def __repr__(self) -> str:
        shown = self.table.drop(columns="note")
        return as_text(*self.sentences, shown, *self.notes, digits=3, blank="-")

    def _repr_html_(self) -> str:
        return as_html(*self.sentences, self.table, notes=self.notes, digits=3, blank="")


def plan_study(
    *,
    width: float | None = None,
    difference: float | None = None,
    compare: Compare | None = None,
    pilot: RateFit | None = None,
    group: str | None = None,
    movement: str = "rotation",
    rate: float = 0.5,
    patient_sd: float = 0.10,
    tooth_sd: float = 0.08,
    residual_sd: float | None = None,
    plan_mean: float = 0.0,
    plan_sd: float | None = None,
    teeth_per_patient: int | Sequence[int] = (4, 8, 16),
    rows_per_tooth: int = 1,
    power: float = 0.8,
    assurance: float | None = None,
    level: float = 0.95,
    drop_out: float = 0.0,
    most_patients: int = 1000,
    simulations: int = 200,
    seed: int = 1,
    progress: Callable[[str], None] | None = None,
) -> StudyPlan:
    """How many patients, with how many teeth each, a study of achievement rates needs.

    Parameters
    ----------
    width
        Wanted width of the interval, high − low, as a share of the plan (0.1: from 0.45 to 0.55, for
        instance): of the rate, or with ``compare`` of a difference between rates.
    difference
        Or the difference between two rates that should be detected, as a share of the plan. Give
        one of the two.
    compare
        None: one rate. "patients": two groups of patients of equal size, as two clinics or with and
        without an auxiliary. "teeth": teeth within each patient, half of them with, as attachments.
        A ``difference`` needs one; "patients" by default.
    pilot
        A fit of ``fit_rate``: its rate, SDs and planned movements are taken in place of the numbers
        below.
    group
        Which rate of the pilot, where it has several.
    movement
        Settles the unit and the defaults.
    rate, patient_sd, tooth_sd
        Assumed rate; SD of the rate between patients, and between teeth of a patient.
    residual_sd
        SD of achieved about its expectation, mm or degrees; by default 0.22 mm or 1.6°.
    plan_mean, plan_sd
        Planned movement of a tooth, mm or degrees; by default mean 0 (both directions) with SD 1 mm
        or 6°. A balanced study has ``plan_sd=0``.
    teeth_per_patient
        One number, or several to choose from; at most 28.
    rows_per_tooth
        Courses recorded of each tooth; later ones plan 0.6 times as much.
    power
        Wanted chance to find ``difference``, two-sided at 1 − level.
    assurance
        Wanted chance that the interval is no wider than ``width``; by default the mean width counts,
        which about half of all studies exceed.
    level
        Level of the intervals.
    drop_out
        Share of patients that will be lost: ``recruit`` allows for them.
    most_patients
        Where to stop looking, per group.
    simulations, seed
        Studies simulated at each size.
    progress
        Called with a line of text for each size.

    Returns
    -------
    StudyPlan
        ``.table``: teeth_per_patient; patients needed by simulation (in each group with
        compare="patients", blank beyond ``most_patients``), groups, patients_total, recruit, movements; icc,
        design_effect 1 + (m − 1)·icc and closed_form_patients; then at that size, simulated: mean
        width, power (of finding ``difference``), coverage of the intervals, and error: the Monte
        Carlo standard error of what was aimed at.
        ``.studies``: every size simulated; width_wide is the width that a share ``assurance`` stays
        within.

    Raises
    ------
    InputError
        If both or neither of width and difference are given, or a number is out of its range.
    CannotAnswer
        If the studies simulated could not be fitted.

    Notes
    -----
    The closed form is exact in balanced studies (all plans of one size) with a clear variance
    between patients: a t interval on patients' means. Elsewhere it is an approximation, and the
    simulation decides. Neither knows whether the assumptions hold: variances from a small pilot are
    uncertain, and a study at another practice has other patients.

    References
    ----------
    Kish L. Survey Sampling. Wiley 1965 (design effect). Donner A, Klar N. Design and Analysis of
    Cluster Randomization Trials. Arnold 2000.

    Examples
    --------
    >>> plan = plan_study(width=0.15, teeth_per_patient=[4, 12], simulations=20)
    >>> plan.table[["teeth_per_patient", "design_effect", "closed_form_patients"]].round(2)
       teeth_per_patient  design_effect  closed_form_patients
    0                  4           1.30                    24
    1                 12           2.12                    14
    """
    if difference is not None and compare is None:
        compare = "patients"
    aim = Aim(width, difference, compare, power, assurance, level)
    assumed = assumptions(
        pilot, group, movement, rate, patient_sd, tooth_sd, residual_sd, plan_mean, plan_sd,
        rows_per_tooth,
    )  # fmt: skip
    counts = [teeth_per_patient] if isinstance(teeth_per_patient, int) else list(teeth_per_patient)
    _require_sizes(aim, counts, drop_out, most_patients, simulations)
    found, studies = [], []
    for teeth in counts:
        row, tried = needed(assumed, aim, teeth, most_patients, simulations, seed, progress)
        found.append(_complete(row, aim, assumed, drop_out, most_patients))
        studies += tried
    table = pd.DataFrame(found, columns=list(TABLE_COLUMNS))
    whole = ["patients", "patients_total", "recruit", "movements", "closed_form_patients"]
    return StudyPlan(
        table=table.astype(dict.fromkeys(whole, "Int64")),
        studies=pd.DataFrame(studies, columns=list(STUDY_COLUMNS)),
        assumptions=assumed,
        sentences=tuple(sentence(row, aim, assumed, most_patients) for row in found),
        notes=notes(aim, assumed, pilot, simulations, seed),
        aim=aim,
    )


def _require_sizes(
    aim: Aim, counts: list[int], drop_out: float, most_patients: int, simulations: int
) -> None:
    fewest = 2 if aim.compare == "teeth" else 1
    bad = [m for m in counts if not fewest <= m <= TEETH.size]
    if bad or not counts:
        raise InputError(
            f"teeth_per_patient must be {fewest} to {TEETH.size}, not {', '.join(map(str, bad))}."
        )
    if not 0 <= drop_out < 1:
        raise InputError(f"drop_out must be 0 or more and below 1, not {drop_out}.")
    if most_patients < FEWEST or simulations < 2:
        raise InputError(f"most_patients must be {FEWEST} or more, and simulations 2 or more.")


def _complete(
    row: dict[str, Any], aim: Aim, assumed: Assumptions, drop_out: float, most: int
) -> dict[str, Any]:
    teeth, patients, closed = row["teeth_per_patient"], row["patients"], row["closed"]
    total = None if patients is None else patients * aim.arms
    note = "" if patients is not None else f"more than {most:,} patients"
    if row["failed"]:
        note = "; ".join(filter(None, [note, f"{row['failed']} studies had no fit"]))
    return {
        **row,
        "groups": aim.arms,
        "patients_total": total,
        "recruit": None if total is None else math.ceil(total / (1 - drop_out) - 1e-9),
        "movements": None if total is None else total * teeth * assumed.rows_per_tooth,
        "icc": closed.icc,
        "design_effect": closed.design_effect,
        "closed_form_patients": closed.patients(),
        "note": note,
    }
