"""What changed the bite on average, and per mm of posterior intrusion beside published studies."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from outcomes.clinical.bite_parts import by_visit
from outcomes.clinical.hinge import Hinge, published_per_mm
from outcomes.errors import CannotAnswer

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["NAMES", "averages", "comparison"]

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


def averages(patients: pd.DataFrame, cohort: Cohort, by: str | None, level: float) -> pd.DataFrame:
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
