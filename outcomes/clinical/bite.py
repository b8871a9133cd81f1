"""What changed the bite: the overbite that incisors and posterior teeth account for.

    change of overbite = upper incisor extrusion + lower incisor extrusion
                         + posterior intrusion x lever + unexplained

The lever is how much overbite 1 mm of posterior intrusion gives, because the mandible closes behind
it: from a hinge model where there are cephalometric coordinates, else a number with a range.

A part is a mean over the teeth and patients in whom it was measured. A record that is not there, or
is blank, is not a tooth that stayed where it was.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from outcomes.clinical.bite_parts import (
    NAMES,
    averages,
    comparison,
    first_and_last,
    hinges_of,
    taken_apart,
    vertical,
)
from outcomes.errors import CannotAnswer
from outcomes.words.english import counted
from outcomes.words.shown import as_html, as_text

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["BiteChange", "bite_change"]


@dataclass(frozen=True)
class BiteChange:
    """What changed the overbite. See ``bite_change``.

    Attributes
    ----------
    patients
        One row for each patient whose overbite was measured at the start and later, and a vertical
        movement. A part that was not measured is missing, never 0.
    average
        The mean of each component over the patients in whom it was measured (``patients``, of
        ``treated``), with its interval. Where the patients are the same for all, they add up.
    comparison
        Change per mm of posterior intrusion: this cohort, the hinge, published studies.
    missing
        Who is not in it and why: patient, reason.
    level, lever, lever_range
        As asked for.
    notes
        Sentences on what was assumed.
    """

    patients: pd.DataFrame
    average: pd.DataFrame
    comparison: pd.DataFrame
    missing: pd.DataFrame
    level: float
    lever: float
    lever_range: tuple[float, float]
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        tables = [t for t in (self.average, self.comparison.drop(columns="doi")) if len(t)]
        return as_text(self._head, *tables, *self.notes, blank="–")

    def _repr_html_(self) -> str:
        tables = [t for t in (self.average, self.comparison, self.patients) if len(t)]
        return as_html(self._head, *tables, notes=self.notes, blank="–")

    @property
    def _head(self) -> str:
        return f"What changed the overbite (mm), {counted(len(self.patients), 'patient')}"


def bite_change(
    cohort: Cohort,
    cephalometry: pd.DataFrame | None = None,
    *,
    lever: float = 2.0,
    lever_range: tuple[float, float] = (1.5, 3.0),
    by: str | None = None,
    level: float = 0.95,
) -> BiteChange:
    """Take the change of overbite apart, for each patient and on average.

    Parameters
    ----------
    cohort
        With vertical movements (extrusion positive, mm) and overbite among its measures, at the
        start and after a course. Movements of the courses up to the last overbite are added up; a
        tooth counts as measured where it has a vertical result in each of these courses. A planned
        zero with a result is a result.
    cephalometry
        patient, landmark, x, y: coordinates before treatment, mm, x forwards and y upwards;
        landmarks as in ``hinge``. A patient with a usable set gets their own lever.
    lever
        mm of overbite per mm of posterior intrusion, for the others (about 2 to 1: Prog Orthod
        2018;19:13, doi:10.1186/s40510-018-0213-5).
    lever_range
        What the lever may well be; gives the range of the unexplained part.
    by
        A column of the patients table, such as malocclusion: averages for each of its values.
    level
        Level of the intervals.

    Returns
    -------
    BiteChange
        ``.patients``: after_course (of the last overbite), start, end, change; upper_incisor and
        lower_incisor (extrusion), upper_molar and lower_molar (intrusion, first and second molars):
        means over the teeth measured, missing where none was; posterior, both arches of molars
        added, where both were measured; lever, lever_source; from_posterior = posterior × lever;
        explained, unexplained, and unexplained_low to unexplained_high over the range of the lever,
        where all parts were measured; how many teeth were measured; note. mm.
        ``.average``: patients in whom the component was measured, treated (everybody in the cohort,
        or with this value of ``by``), teeth measured; mean, sd and t interval over these patients,
        and the mean at both ends of the range of the lever. Missing where nobody was measured.
        ``.comparison``: per mm of posterior intrusion, overbite (less what incisors account for),
        lower face height and mandibular plane in this cohort (slope through the origin over
        patients who moved by 0.2 mm or more), by the hinge model, and as published.

    Raises
    ------
    CannotAnswer
        If lever or range make no sense, or the cephalometry lacks columns.

    Notes
    -----
    The unexplained part holds the errors of measurement, the lever of the patient, growth, tipping
    of incisors and everything else that opens or closes a bite.

    Examples
    --------
    >>> from outcomes.cohort.read import from_frames
    >>> teeth = [11, 21, 31, 41, 16, 26, 36, 46]
    >>> rows = pd.DataFrame({"patient": "P001", "tooth": teeth, "movement": "vertical",
    ...     "planned": [1.2] * 2 + [0] * 2 + [-0.8] * 2 + [0] * 2,
    ...     "achieved": [0.8] * 2 + [0] * 2 + [-0.5] * 2 + [0] * 2})
    >>> measures = pd.DataFrame({"patient": "P001", "after_course": [0, 1],
    ...     "measure": "overbite", "value": [-1.0, 1.0]})
    >>> result = bite_change(from_frames(rows, measures=measures, notation="fdi"))
    >>> result.patients[["change", "upper_incisor", "from_posterior", "unexplained"]].round(2)
       change  upper_incisor  from_posterior  unexplained
    0     2.0            0.8             1.0          0.2

    Without a record of the lower incisors their part is not known, nor what is left unexplained:

    >>> upper = rows[~rows["tooth"].isin([31, 41])]
    >>> result = bite_change(from_frames(upper, measures=measures, notation="fdi"))
    >>> result.patients[["lower_incisor", "from_posterior", "unexplained"]].round(2)
       lower_incisor  from_posterior  unexplained
    0            NaN             1.0          NaN
    """
    _require_options(lever, lever_range, level)
    overbite, missing = first_and_last(cohort)
    moved = vertical(cohort, overbite)
    silent = sorted(set(overbite["patient"]) - set(moved["patient"]))
    missing += [(patient, "no vertical movement was recorded") for patient in silent]
    hinges, trouble = hinges_of(cephalometry)
    patients = taken_apart(overbite.merge(moved, on="patient"), hinges, lever, lever_range)
    average = averages(patients, cohort, by, level)
    return BiteChange(
        patients=patients,
        average=average,
        comparison=comparison(patients, cohort, hinges, level),
        missing=pd.DataFrame(missing, columns=["patient", "reason"]),
        level=level,
        lever=lever,
        lever_range=(float(lever_range[0]), float(lever_range[1])),
        notes=(*_notes(patients, average, missing, lever, lever_range), *trouble),
    )


def _require_options(lever: float, lever_range: tuple[float, float], level: float) -> None:
    low, high = lever_range
    if not 0 < low <= lever <= high:
        raise CannotAnswer(
            f"The lever {lever:g} must lie inside its range, {low:g} to {high:g}, above zero."
        )
    if not 0 < level < 1:
        raise CannotAnswer(f"level must lie between 0 and 1, not {level}: 0.95 for 95 %.")


def _notes(
    patients: pd.DataFrame,
    average: pd.DataFrame,
    missing: list[tuple[str, str]],
    lever: float,
    lever_range: tuple[float, float],
) -> tuple[str, ...]:
    notes = []
    if missing:
        verb = "is" if len(missing) == 1 else "are"
        notes.append(f"{counted(len(missing), 'patient')} {verb} not in it; 'missing' says why.")
    if not len(patients):
        return (*notes, "Nobody has an overbite at both times and vertical movements.")
    if (patients["lever_source"] == "assumed").any():
        low, high = lever_range
        notes.append(
            f"1 mm of posterior intrusion is taken to give {lever:g} mm of overbite (range {low:g} "
            f"to {high:g}) where there is no hinge."
        )
    if (patients["lever_source"] == "hinge").any():
        notes.append(
            "A hinge is rigid and turns about one centre, by default the mean of one study; "
            "mandibles differ."
        )
    notes.append(
        "Means are over teeth with a vertical result in every course up to the last overbite, and "
        "over patients with such teeth; a tooth without one is not measured, which is not still."
    )
    measured = average.groupby("component", sort=False)[["patients", "treated"]].sum()
    short = measured[measured["patients"] < measured["treated"]]
    notes += [_measured_in(NAMES[part], *short.loc[part]) for part in NAMES if part in short.index]
    if measured.loc[["change", *NAMES], "patients"].nunique() > 1:
        notes.append(
            "The parts are means of different patients, so they need not add up to the change."
        )
    if (patients["change"] > 0).any() and (patients["change"] < 0).any():
        notes.append(
            "The overbite rose in some patients and fell in others, so that averages over all of "
            "them say little: split them with by=."
        )
    if len(patients) == 1:
        notes.append("One patient: no interval.")
    notes.append(
        "The unexplained part holds measurement error, the patient's own lever, growth and tipping."
    )
    return tuple(notes)


def _measured_in(name: str, patients: int, treated: int) -> str:
    if not patients:
        return f"Vertical movement of {name}: not measured."
    return f"Vertical movement of {name}: measured in {patients} of {counted(treated, 'patient')} treated."
