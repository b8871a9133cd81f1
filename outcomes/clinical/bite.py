"""What changed the bite: the overbite that incisors and posterior teeth account for.

    change of overbite = upper incisor extrusion + lower incisor extrusion
                         + posterior intrusion x lever + unexplained

The lever is how much overbite 1 mm of posterior intrusion gives, because the mandible closes behind
it: from a hinge model where there are cephalometric coordinates, else a number with a range.

A part is a mean over the teeth and patients in whom it was measured. A record that is not there, or
is blank, is not a tooth that stayed where it was.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from outcomes.clinical.hinge import Hinge, hinge, published_per_mm
from outcomes.errors import CannotAnswer

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["BiteChange", "bite_change", "hinge"]

UPPER_INCISORS = (11, 12, 21, 22)
LOWER_INCISORS = (31, 32, 41, 42)
UPPER_MOLARS = (16, 17, 26, 27)
LOWER_MOLARS = (36, 37, 46, 47)
COMPONENTS = ("change", "upper_incisor", "lower_incisor", "from_posterior", "unexplained")
SMALLEST_INTRUSION = 0.2
"""Patients with less posterior movement (mm) say nothing about a change per mm of it."""

PATIENT_COLUMNS = (
    "patient",
    "after_course",
    "start",
    "end",
    "change",
    "upper_incisor",
    "lower_incisor",
    "upper_molar",
    "lower_molar",
    "posterior",
    "lever",
    "lever_source",
    "from_posterior",
    "explained",
    "unexplained",
    "unexplained_low",
    "unexplained_high",
    "posterior_low",
    "posterior_high",
    "upper_incisor_teeth",
    "lower_incisor_teeth",
    "posterior_teeth",
    "note",
)
AVERAGE_COLUMNS = (
    "component",
    "patients",
    "treated",
    "teeth",
    "mean",
    "sd",
    "low",
    "high",
    "range_low",
    "range_high",
)
TEETH_OF = {
    "upper_incisor": "upper_incisor_teeth",
    "lower_incisor": "lower_incisor_teeth",
    "from_posterior": "posterior_teeth",
}
"""Component to the column that counts its measured teeth."""
NAMES = {
    "upper_incisor": "upper incisors",
    "lower_incisor": "lower incisors",
    "from_posterior": "molars of both arches",
}
COMPARISON_COLUMNS = ("quantity", "unit", "source", "patients", "per_mm", "low", "high", "doi")


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
        head = f"What changed the overbite (mm), {_patients(len(self.patients))}"
        parts = [self.average, self.comparison.drop(columns="doi")]
        look: dict[str, Any] = {"index": False, "float_format": "{:.2f}".format, "na_rep": "–"}
        tables = [t.to_string(**look) for t in parts if len(t)]
        return "\n".join([head, *tables, *self.notes])

    def _repr_html_(self) -> str:
        parts = [t for t in (self.average, self.comparison, self.patients) if len(t)]
        body = "".join(
            t.to_html(index=False, float_format="{:.2f}".format, border=0, na_rep="–")
            for t in parts
        )
        notes = "".join(f"<li>{note}</li>" for note in self.notes)
        head = f"What changed the overbite (mm), {_patients(len(self.patients))}"
        return f"<p>{head}</p>{body}<ul>{notes}</ul>"


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
    overbite, missing = _overbite(cohort)
    moved = _vertical(cohort, overbite)
    silent = sorted(set(overbite["patient"]) - set(moved["patient"]))
    missing += [(patient, "no vertical movement was recorded") for patient in silent]
    hinges, trouble = _hinges(cephalometry)
    patients = _taken_apart(overbite.merge(moved, on="patient"), hinges, lever, lever_range)
    average = _averages(patients, cohort, by, level)
    return BiteChange(
        patients=patients,
        average=average,
        comparison=_comparison(patients, cohort, hinges, level),
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


def _overbite(cohort: Cohort) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Overbite at the start and last; and who lacks one."""
    wide = _wide(cohort, "overbite")
    rows, missing = [], []
    for patient in cohort.treated:
        seen = wide.get(patient, {})
        later = [visit for visit in seen if visit > 0]
        if 0 in seen and later:
            last = max(later)
            rows.append((patient, last, seen[0], seen[last]))
        elif not seen:
            missing.append((patient, "overbite was not measured"))
        elif later:
            missing.append((patient, "overbite was not measured at the start"))
        else:
            missing.append((patient, "overbite was not measured after any course"))
    return pd.DataFrame(rows, columns=["patient", "after_course", "start", "end"]), missing


def _wide(cohort: Cohort, measure: str) -> dict[str, dict[int, float]]:
    """patient -> after_course -> value."""
    rows = cohort.measures[cohort.measures["measure"] == measure].dropna(subset="value")
    found: dict[str, dict[int, float]] = {}
    for patient, visit, value in zip(
        rows["patient"], rows["after_course"], rows["value"], strict=True
    ):
        found.setdefault(patient, {})[int(visit)] = float(value)
    return found


def _vertical(cohort: Cohort, overbite: pd.DataFrame) -> pd.DataFrame:
    """Mean extrusion of incisors and intrusion of molars, courses up to the last overbite.

    Over the teeth with a vertical result in each of these courses; missing where there is none.
    """
    last = dict(zip(overbite["patient"], overbite["after_course"], strict=True))
    rows = cohort.movements
    rows = rows[rows["course"] <= rows["patient"].map(last).fillna(0)]
    vertical = rows[rows["movement"] == "vertical"].dropna(subset="achieved")
    by_tooth = vertical.groupby(["patient", "tooth"]).agg(
        moved=("achieved", "sum"), courses=("course", "nunique")
    )
    needed = by_tooth.index.get_level_values("patient").map(last)
    whole = (by_tooth["courses"] == needed).to_numpy(bool)
    moved = by_tooth["moved"].where(whole).unstack("tooth")

    def of(teeth: Sequence[int]) -> pd.DataFrame:
        return moved.reindex(columns=list(teeth))

    molars = [0.0 - of(teeth).mean(axis=1) for teeth in (UPPER_MOLARS, LOWER_MOLARS)]
    table = pd.DataFrame(
        {
            "upper_incisor": of(UPPER_INCISORS).mean(axis=1),
            "lower_incisor": of(LOWER_INCISORS).mean(axis=1),
            "upper_molar": molars[0],
            "lower_molar": molars[1],
            "posterior": molars[0] + molars[1],
            "upper_incisor_teeth": of(UPPER_INCISORS).notna().sum(axis=1),
            "lower_incisor_teeth": of(LOWER_INCISORS).notna().sum(axis=1),
            "posterior_teeth": of((*UPPER_MOLARS, *LOWER_MOLARS)).notna().sum(axis=1),
        }
    )
    courses = rows.groupby("patient")["course"].agg(set)
    table["note"] = [
        _note(row, courses[str(patient)], last[patient]) for patient, row in table.iterrows()
    ]
    return table.rename_axis("patient").rename_axis(columns=None).reset_index()


def _note(row: pd.Series, courses: set[int], last: int) -> str:
    """What of a patient is not measured."""
    groups = {"upper_incisor": "upper incisors", "lower_incisor": "lower incisors"}
    groups |= {"upper_molar": "upper molars", "lower_molar": "lower molars"}
    silent = [name for key, name in groups.items() if pd.isna(row[key])]
    parts = [_unseen(courses, last)]
    if silent:
        when = "the course" if last == 1 else "every course"
        parts.append(f"no {', no '.join(silent)} with a vertical result in {when}")
    return "; ".join(filter(None, parts))


def _unseen(courses: set[int], last: int) -> str:
    absent = [str(k) for k in range(1, last + 1) if k not in courses]
    if not absent:
        return ""
    return f"no measured movement in course {' and '.join(absent)}"


def _hinges(cephalometry: pd.DataFrame | None) -> tuple[dict[str, Hinge], list[str]]:
    """Usable hinges by patient, and a sentence on each that is not."""
    if cephalometry is None:
        return {}, []
    absent = [c for c in ("patient", "landmark", "x", "y") if c not in cephalometry.columns]
    if absent:
        raise CannotAnswer(
            f"The cephalometry has no column {', '.join(absent)}: give patient, landmark, x, y."
        )
    found: dict[str, Hinge] = {}
    trouble: list[str] = []
    # A landmark without coordinates is a landmark that is not there.
    known = cephalometry.dropna(subset=["patient", "landmark", "x", "y"])
    for patient, rows in known.groupby("patient", sort=True):
        twice = rows[rows["landmark"].duplicated()]["landmark"]
        if len(twice):
            trouble.append(f"{patient}: {twice.iloc[0]} is given twice, so no hinge.")
            continue
        points = {
            str(name): (float(x), float(y))
            for name, x, y in zip(rows["landmark"], rows["x"], rows["y"], strict=True)
        }
        try:
            found[str(patient)] = hinge(points)
        except CannotAnswer as error:
            trouble.append(f"{patient}: no hinge. {error}")
    return found, trouble


def _taken_apart(
    both: pd.DataFrame,
    hinges: dict[str, Hinge],
    lever: float,
    lever_range: tuple[float, float],
) -> pd.DataFrame:
    own = both["patient"].isin(hinges).to_numpy(bool)
    levers = np.array([hinges[p].lever if p in hinges else lever for p in both["patient"]], float)
    incisors = both["upper_incisor"] + both["lower_incisor"]
    change = (both["end"] - both["start"]).round(9)
    posterior = np.array([both["posterior"] * np.where(own, levers, k) for k in lever_range])
    ends = np.array([change - incisors - part for part in posterior])
    table = both.assign(
        change=change,
        lever=levers,
        lever_source=np.where(own, "hinge", "assumed"),
        from_posterior=both["posterior"] * levers,
    )
    table["explained"] = incisors + table["from_posterior"]
    table["unexplained"] = table["change"] - table["explained"]
    table["unexplained_low"] = ends.min(axis=0)
    table["unexplained_high"] = ends.max(axis=0)
    table["posterior_low"], table["posterior_high"] = posterior.min(axis=0), posterior.max(axis=0)
    return table[list(PATIENT_COLUMNS)]


def _averages(patients: pd.DataFrame, cohort: Cohort, by: str | None, level: float) -> pd.DataFrame:
    treated = cohort.treated
    if by is None:
        return _average(patients, len(treated), level)
    if by not in cohort.patients.columns:
        raise CannotAnswer(
            f"by={by!r} is no column of the patients table. It has: "
            f"{', '.join(map(str, cohort.patients.columns))}."
        )
    of = dict(zip(cohort.patients["patient"], cohort.patients[by].astype(object), strict=True))
    value = np.array([_text(of.get(p)) for p in patients["patient"]], dtype=object)
    everybody = [_text(of.get(p)) for p in treated]
    columns = [by, *AVERAGE_COLUMNS]
    parts = []
    for name in sorted(set(value)):
        part = _average(patients[value == name], everybody.count(name), level)
        part.insert(0, by, name)
        parts.append(part)
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def _text(value: object) -> str:
    return "not recorded" if value is None or value != value else str(value)


def _average(patients: pd.DataFrame, treated: int, level: float) -> pd.DataFrame:
    if not len(patients):
        return pd.DataFrame(columns=list(AVERAGE_COLUMNS))
    rows = []
    for name in COMPONENTS:
        of = patients[patients[name].notna()]
        teeth = int(of[TEETH_OF[name]].sum()) if name in TEETH_OF else pd.NA
        rows.append((name, len(of), treated, teeth, *_spread(of[name], level), *_ends(of, name)))
    table = pd.DataFrame(rows, columns=list(AVERAGE_COLUMNS))
    return table.assign(teeth=table["teeth"].astype("Int64"))


def _spread(values: pd.Series, level: float) -> tuple[float, float, float, float]:
    """Mean, SD and t interval of measured values; missing where there are none."""
    x = values.to_numpy(float)
    n, nan = len(x), float("nan")
    mean = float(x.mean()) if n else nan
    sd = float(x.std(ddof=1)) if n > 1 else nan
    half = float(stdtrit(n - 1, 0.5 + level / 2)) * sd / np.sqrt(n) if sd > 1e-9 else nan
    return mean, sd, mean - half, mean + half


def _ends(of: pd.DataFrame, name: str) -> tuple[float, float]:
    """Mean of a component at both ends of the range of the lever."""
    if name == "unexplained":
        low, high = of["unexplained_low"], of["unexplained_high"]
    elif name == "from_posterior":
        low, high = of["posterior_low"], of["posterior_high"]
    else:
        low = high = of[name]
    return float(low.mean()), float(high.mean())


def _comparison(
    patients: pd.DataFrame, cohort: Cohort, hinges: dict[str, Hinge], level: float
) -> pd.DataFrame:
    rows = []
    incisors = patients["upper_incisor"] + patients["lower_incisor"]
    changes = {
        "overbite": patients["change"] - incisors,
        "lower_face_height": _changes(patients, cohort, "lower_face_height"),
        "mandibular_plane": _changes(patients, cohort, "mandibular_plane"),
    }
    own = [h.per_mm.set_index("quantity")["per_mm"] for h in hinges.values()]
    published = published_per_mm()
    for quantity, unit in published.drop_duplicates("quantity")[["quantity", "unit"]].to_numpy():
        if quantity in changes:
            n, *slope = _slope(patients["posterior"], changes[quantity], level)
            rows.append((quantity, unit, "this cohort", n, *slope, ""))
        levers = [float(table[quantity]) for table in own if quantity in table.index]
        if levers:
            name = "hinge model, mean"
            rows.append(
                (quantity, unit, name, len(levers), float(np.mean(levers)), np.nan, np.nan, "")
            )
        for row in published[published["quantity"] == quantity].itertuples():
            rows.append((quantity, unit, row.source, pd.NA, row.per_mm, np.nan, np.nan, row.doi))
    table = pd.DataFrame(rows, columns=list(COMPARISON_COLUMNS))
    return table.assign(patients=table["patients"].astype("Int64"))


def _changes(patients: pd.DataFrame, cohort: Cohort, measure: str) -> pd.Series:
    """Change of another measure over the same time."""
    wide = _wide(cohort, measure)
    nan = float("nan")
    return pd.Series(
        [
            wide.get(p, {}).get(last, nan) - wide.get(p, {}).get(0, nan)
            for p, last in zip(patients["patient"], patients["after_course"], strict=True)
        ],
        index=patients.index,
        dtype=float,
    )


def _slope(x: pd.Series, y: pd.Series, level: float) -> tuple[int, float, float, float]:
    """patients, slope through the origin and its t interval; from three patients on."""
    use = (x.abs() >= SMALLEST_INTRUSION) & y.notna()
    a, b = x[use].to_numpy(float), y[use].to_numpy(float)
    n = len(a)
    if n < 3:
        return n, float("nan"), float("nan"), float("nan")
    slope = float(a @ b / (a @ a))
    residual = b - slope * a
    se = float(np.sqrt(residual @ residual / (n - 1) / (a @ a)))
    half = float(stdtrit(n - 1, 0.5 + level / 2)) * se
    return n, slope, slope - half, slope + half


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
        notes.append(f"{_patients(len(missing))} {verb} not in it; 'missing' says why.")
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
    counted = average.groupby("component", sort=False)[["patients", "treated"]].sum()
    short = counted[counted["patients"] < counted["treated"]]
    notes += [_measured_in(NAMES[part], *short.loc[part]) for part in NAMES if part in short.index]
    if counted.loc[["change", *NAMES], "patients"].nunique() > 1:
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
    return f"Vertical movement of {name}: measured in {patients} of {_patients(treated)} treated."


def _patients(n: int) -> str:
    return f"{n} patient{'' if n == 1 else 's'}"
