"""Days for each aligner, and wear, as a trade-off: what the cohort's own courses tell of it."""

from __future__ import annotations

from collections.abc import MutableMapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd
from scipy.special import stdtrit

from outcomes.ahead.asks import empty
from outcomes.ahead.records import Records
from outcomes.ahead.result import INTERVALS
from outcomes.domain.limits import ENOUGH_PATIENTS, FEW_PATIENTS
from outcomes.errors import CannotAnswer
from outcomes.rates.fit import fit_rate
from outcomes.words.english import counted
from outcomes.words.numbers import points

__all__ = ["Evidence", "intervals_of"]


@dataclass(frozen=True)
class Evidence:
    """What one column tells of one movement: ``row`` of the table, and the change of the rate with
    its standard error and degrees of freedom; missing where nothing is told."""

    row: dict[str, Any]
    estimate: float = float("nan")
    se: float = float("nan")
    df: float = float("nan")


_COLUMNS = {
    "days_per_aligner": ("day", "days per aligner"),
    "wear_hours": ("hour", "hours of wear"),
}

NOT_ALLOTTED = (
    "Nobody was allotted to it at random: patients who wore aligners otherwise may differ in more."
)


def intervals_of(
    records: Records,
    movements: Sequence[str],
    aligners: int | None,
    days: float,
    found: MutableMapping[tuple[str, str], Evidence] | None = None,
) -> pd.DataFrame:
    """The table ``intervals`` of `NextCourse`.

    A row for each number of days that courses were recorded with (and for ``days``, which the plan
    takes), then for each of ``movements`` the change of its rate for a day more, adjusted for the
    tooth class; likewise for hours of wear. Where the courses do not differ, or were not recorded,
    one row says so. The intervals hold for all the movements together with 95 % (Bonferroni).
    ``found`` keeps the evidence from one patient to the next.
    """
    known = {} if found is None else found
    parts = []
    for column, (unit, words) in _COLUMNS.items():
        parts += _of_column(records, column, unit, words, movements, aligners, days, known)
    if not parts:
        return empty(INTERVALS)
    table = pd.DataFrame(parts).reindex(columns=list(INTERVALS))
    for name in ("aligners", "patients", "courses"):
        table[name] = table[name].astype("Int64")
    table["told"] = table["told"].astype("boolean")
    return table


def _of_column(
    records: Records,
    column: str,
    unit: str,
    words: str,
    movements: Sequence[str],
    aligners: int | None,
    days: float,
    found: MutableMapping[tuple[str, str], Evidence],
) -> list[dict[str, Any]]:
    rows = []
    courses = records.courses
    known = courses.dropna(subset=[column]) if column in courses else pd.DataFrame()
    with_days = column == "days_per_aligner"
    if with_days:
        counts = known.groupby(column)["patient"].agg(["nunique", "size"]) if len(known) else None
        values = {} if counts is None else {float(str(v)): c for v, c in counts.iterrows()}
        for value in sorted({*values, float(days)}):
            count = values.get(value)
            rows.append(
                {
                    "column": column,
                    "value": value,
                    "aligners": aligners,
                    "days": None if aligners is None else aligners * value,
                    "patients": 0 if count is None else int(count["nunique"]),
                    "courses": 0 if count is None else int(count["size"]),
                    "note": "The plan's interval." if value == float(days) else "",
                }
            )
    if known.empty:
        note = f"The cohort does not record {words}: it holds no evidence of what they change."
        return [*rows, {"column": column, "note": note}]
    if known[column].nunique() < 2:
        same = f"{known[column].iloc[0]:g}"
        note = f"All courses were recorded with {same} {words}: what another number changes is not "
        return [*rows, {"column": column, "note": f"{note}in the records."}]
    level = 1 - 0.05 / max(len(movements), 1)
    for name in movements:
        if (column, name) not in found:
            found[column, name] = _evidence(records, column, name)
        rows.append(_worded(found[column, name], unit, level))
    return rows


def _evidence(records: Records, column: str, movement: str) -> Evidence:
    """What a day or an hour more changes in the rate of one movement."""
    frame = records.measured
    frame = frame[(frame["movement"] == movement) & (frame["planned"] != 0)].dropna(subset=[column])
    patients = frame["patient"].nunique()
    usual = frame[column].median()
    apart = min(
        frame.loc[frame[column] <= usual, "patient"].nunique(),
        frame.loc[frame[column] > usual, "patient"].nunique(),
        patients,
    )
    courses = len(frame[["patient", "course"]].drop_duplicates())
    row = {"column": column, "movement": movement, "patients": patients, "courses": courses}
    if patients < ENOUGH_PATIENTS or apart < FEW_PATIENTS:
        note = (
            f"{counted(patients, 'patient')} with planned {movement} in such courses, "
            f"{apart} on the smaller side: too few to tell."
        )
        return Evidence({**row, "note": note})
    try:
        fit = fit_rate(frame, movement, covariates=(column,))
    except CannotAnswer as error:
        return Evidence({**row, "note": f"Not told: {error}"})
    found = fit.covariates.iloc[0]
    return Evidence(row, *(float(found[name]) for name in ("estimate", "se", "df")))


def _worded(found: Evidence, unit: str, level: float) -> dict[str, Any]:
    """The row of the table, with an interval of this level."""
    if found.estimate != found.estimate:
        return found.row
    half = float(stdtrit(found.df, 0.5 + level / 2)) * found.se
    low, high = found.estimate - half, found.estimate + half
    told = low > 0 or high < 0
    change = f"{points(found.estimate, 1)} percentage points of the rate for one {unit} more"
    between = f"interval {points(low, 1)} to {points(high, 1)}"
    end = NOT_ALLOTTED if told else "The cohort does not tell whether it matters."
    return {
        **found.row,
        "difference": found.estimate,
        "low": low,
        "high": high,
        "told": told,
        "note": f"{change} ({between}). {end}",
    }
