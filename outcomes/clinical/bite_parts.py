"""The parts of the overbite in each patient: measured at both ends, and what teeth did between."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from outcomes.clinical.hinge import Hinge, hinge
from outcomes.errors import CannotAnswer, require_columns

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["by_visit", "first_and_last", "hinges_of", "taken_apart", "vertical"]

TEETH = {
    "upper_incisor": (11, 12, 21, 22),
    "lower_incisor": (31, 32, 41, 42),
    "upper_molar": (16, 17, 26, 27),
    "lower_molar": (36, 37, 46, 47),
}
COUNTED = {
    "upper_incisor_teeth": ("upper_incisor",),
    "lower_incisor_teeth": ("lower_incisor",),
    "posterior_teeth": ("upper_molar", "lower_molar"),
}
"""Column that counts measured teeth, and whose."""


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
    require_columns(cephalometry, given, "The coordinates")
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
