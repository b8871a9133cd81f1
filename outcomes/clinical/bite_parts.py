"""The parts of the overbite in each patient, on average, and beside published studies."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from outcomes.clinical.hinge import Hinge, hinge, published_per_mm
from outcomes.clinical.paired import sd, value_of_patient
from outcomes.domain.teeth import LOWER_INCISORS
from outcomes.errors import CannotAnswer

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = [
    "NAMES",
    "averages",
    "comparison",
    "first_and_last",
    "hinges_of",
    "taken_apart",
    "vertical",
]

TEETH = {
    "upper_incisor": (11, 12, 21, 22),
    "lower_incisor": LOWER_INCISORS,
    "upper_molar": (16, 17, 26, 27),
    "lower_molar": (36, 37, 46, 47),
}
COUNTED = {
    "upper_incisor_teeth": ("upper_incisor",),
    "lower_incisor_teeth": ("lower_incisor",),
    "posterior_teeth": ("upper_molar", "lower_molar"),
}
"""Column that counts measured teeth, and whose."""
COMPONENTS = ("change", "upper_incisor", "lower_incisor", "from_posterior", "unexplained")
SMALLEST_INTRUSION = 0.2
"""Patients with less posterior movement (mm) say nothing about a change per mm of it."""

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


def first_and_last(cohort: Cohort) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Overbite at the start and last: patient, after_course, start, end; and who lacks one and why."""
    wide = by_visit(cohort, "overbite")
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


def by_visit(cohort: Cohort, measure: str) -> dict[str, dict[int, float]]:
    """patient -> after_course -> value."""
    rows = cohort.measures[cohort.measures["measure"] == measure].dropna(subset="value")
    found: dict[str, dict[int, float]] = {}
    for patient, visit, value in rows[["patient", "after_course", "value"]].to_numpy(object):
        found.setdefault(patient, {})[int(visit)] = float(value)
    return found


def vertical(cohort: Cohort, overbite: pd.DataFrame) -> pd.DataFrame:
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

    table = pd.DataFrame(
        {name: moved.reindex(columns=list(teeth)).mean(axis=1) for name, teeth in TEETH.items()}
    )
    for name in ("upper_molar", "lower_molar"):
        table[name] = 0.0 - table[name]
    table["posterior"] = table["upper_molar"] + table["lower_molar"]
    for name, groups in COUNTED.items():
        teeth = [tooth for group in groups for tooth in TEETH[group]]
        table[name] = moved.reindex(columns=teeth).notna().sum(axis=1)
    courses = rows.groupby("patient")["course"].agg(set)
    table["note"] = [
        _note(row, courses[str(patient)], last[patient]) for patient, row in table.iterrows()
    ]
    return table.rename_axis("patient").rename_axis(columns=None).reset_index()


def _note(row: pd.Series, courses: set[int], last: int) -> str:
    """What of a patient is not measured."""
    parts = []
    unseen = [str(k) for k in range(1, last + 1) if k not in courses]
    if unseen:
        parts.append(f"no measured movement in course {' and '.join(unseen)}")
    silent = [f"{group.replace('_', ' ')}s" for group in TEETH if pd.isna(row[group])]
    if silent:
        when = "the course" if last == 1 else "every course"
        parts.append(f"no {', no '.join(silent)} with a vertical result in {when}")
    return "; ".join(parts)


def hinges_of(cephalometry: pd.DataFrame | None) -> tuple[dict[str, Hinge], list[str]]:
    """Usable hinges by patient, and a sentence on each that is not."""
    if cephalometry is None:
        return {}, []
    given = ["patient", "landmark", "x", "y"]
    absent = [c for c in given if c not in cephalometry.columns]
    if absent:
        raise CannotAnswer(
            f"The cephalometry has no column {', '.join(absent)}: give {', '.join(given)}."
        )
    found: dict[str, Hinge] = {}
    trouble: list[str] = []
    # A landmark without coordinates is a landmark that is not there.
    known = cephalometry.dropna(subset=given)
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


def taken_apart(
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
    from_posterior = both["posterior"] * levers
    explained = incisors + from_posterior
    counts = list(COUNTED)
    return pd.DataFrame(
        {
            **both[["patient", "after_course", "start", "end"]],
            "change": change,
            **both[[*TEETH, "posterior"]],
            "lever": levers,
            "lever_source": np.where(own, "hinge", "assumed"),
            "from_posterior": from_posterior,
            "explained": explained,
            "unexplained": change - explained,
            "unexplained_low": ends.min(axis=0),
            "unexplained_high": ends.max(axis=0),
            "posterior_low": posterior.min(axis=0),
            "posterior_high": posterior.max(axis=0),
            **both[[*counts, "note"]],
        }
    )


def averages(patients: pd.DataFrame, cohort: Cohort, by: str | None, level: float) -> pd.DataFrame:
    treated = cohort.treated
    if by is None:
        return _average(patients, len(treated), level)
    of = value_of_patient(cohort.patients, by)
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
    mean, spread = float(x.mean()) if n else nan, sd(x)
    half = float(stdtrit(n - 1, 0.5 + level / 2)) * spread / np.sqrt(n) if spread > 1e-9 else nan
    return mean, spread, mean - half, mean + half


def _ends(of: pd.DataFrame, name: str) -> tuple[float, float]:
    """Mean of a component at both ends of the range of the lever."""
    if name == "unexplained":
        low, high = of["unexplained_low"], of["unexplained_high"]
    elif name == "from_posterior":
        low, high = of["posterior_low"], of["posterior_high"]
    else:
        low = high = of[name]
    return float(low.mean()), float(high.mean())


def comparison(
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
    wide = by_visit(cohort, measure)
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
