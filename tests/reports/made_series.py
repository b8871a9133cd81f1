"""Case series of every kind, each computed once: whole, one patient, bare, no change, worse."""

from functools import cache

import pandas as pd

from outcomes.cohort.read import from_frames
from outcomes.cohort.records import Cohort
from outcomes.reports.series.cells import Tables
from outcomes.reports.series.results import Series, open_series, run_series
from outcomes.reports.series.tables import manuscript_tables

DERIVED = ["row", "tooth_class", "arch", "side", "direction", "unit", "tooth_site"]


@cache
def demo() -> Cohort:
    return open_series()


def part(patients: list[str], *, measures: bool = True, courses: bool = True) -> Cohort:
    """Some patients of the demonstration series, without the rows that were left out."""
    whole = demo()

    def of(frame: pd.DataFrame, drop: list[str]) -> pd.DataFrame:
        return frame[frame["patient"].isin(patients)].drop(columns=drop, errors="ignore")

    return from_frames(
        of(whole.movements, DERIVED),
        patients=of(whole.patients, ["row"]),
        courses=of(whole.courses, ["row"]) if courses else None,
        measures=of(whole.measures, ["row"]) if measures else None,
        notation="fdi",
    )


def measured(changes: list[float], *, target: float | None, measure: str = "overbite") -> Cohort:
    """One movement, and one measure that starts at 4 and changes so."""
    people = [f"P{k:03d}" for k in range(1, len(changes) + 1)]
    rows = pd.DataFrame(
        {
            "patient": [p for p in people for _ in range(3)],
            "tooth": [11, 21, 13] * len(people),
            "movement": "rotation",
            "planned": [10.0, -8.0, 6.0] * len(people),
            "achieved": [round(6.0 - 0.3 * k, 2) for k in range(3 * len(people))],
        }
    )
    measures = pd.DataFrame(
        {
            "patient": [p for p in people for _ in (0, 1)],
            "after_course": [0, 1] * len(people),
            "measure": measure,
            "unit": "mm",
            "value": [v for change in changes for v in (4.0, 4.0 + change)],
        }
    )
    if measure == "recession":
        measures["tooth"] = 31
    if target is not None:
        measures["target"] = target
    return from_frames(rows, measures=measures, notation="fdi")


@cache
def whole() -> tuple[Series, Tables]:
    return _both(demo())


@cache
def one() -> tuple[Series, Tables]:
    return _both(part(["P002"]))


@cache
def bare() -> tuple[Series, Tables]:
    """Movements alone, of six patients, with only the required columns."""
    rows = demo().movements
    rows = rows[rows["patient"].isin([f"P{k:03d}" for k in range(1, 7)])]
    return _both(
        from_frames(
            rows[rows["course"] == 1][["patient", "tooth", "movement", "planned", "achieved"]],
            notation="fdi",
        )
    )


@cache
def small() -> tuple[Series, Tables]:
    return _both(part(["P001", "P002", "P003"]))


@cache
def null() -> tuple[Series, Tables]:
    return _both(measured([-0.3, 0.2, -0.1, 0.3, 0.0, -0.2, 0.1], target=2.0))


@cache
def worse() -> tuple[Series, Tables]:
    return _both(measured([0.9, 1.1, 1.4, 0.8, 1.2, 1.0, 1.3], target=2.0))


@cache
def better() -> tuple[Series, Tables]:
    return _both(measured([-1.9, -1.7, -2.2, -1.8, -1.6, -2.0, -1.5], target=2.0))


def _both(cohort: Cohort) -> tuple[Series, Tables]:
    series = run_series(cohort)
    return series, manuscript_tables(series)


EVERY = {
    "whole": whole,
    "one": one,
    "bare": bare,
    "small": small,
    "null": null,
    "worse": worse,
    "better": better,
}
