"""Invented patients and their courses of treatment."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.tables import TABLES

FIRST_DAY = np.datetime64("2022-03-01")


def patient_names(patients: int) -> list[str]:
    """Codes of invented patients.

    Examples
    --------
    >>> patient_names(2)
    ['P001', 'P002']
    """
    width = max(3, len(str(patients)))
    return [f"P{i:0{width}d}" for i in range(1, patients + 1)]


def patients_table(
    rng: np.random.Generator,
    patients: int,
    malocclusions: Mapping[str, float],
    sites: Sequence[str],
    clinicians: Sequence[str],
) -> pd.DataFrame:
    """Patients P001 and on; each clinician works at one site, in turn."""
    age = np.where(
        rng.random(patients) < 0.35,
        rng.integers(12, 19, patients),
        np.clip(np.rint(19 + rng.gamma(2.0, 7.0, patients)), 19, 70).astype(int),
    )
    sex = np.where(rng.random(patients) < 0.62, "female", "male")
    clinician = rng.integers(len(clinicians), size=patients)
    weights = np.array(list(malocclusions.values()), dtype=float)
    return pd.DataFrame(
        {
            "patient": patient_names(patients),
            "sex": sex,
            "age": age,
            "growing": np.where(age < np.where(sex == "female", 15, 17), "yes", "no"),
            "clinician": np.array(clinicians)[clinician],
            "site": np.array(sites)[clinician % len(sites)],
            "malocclusion": rng.choice(
                list(malocclusions), size=patients, p=weights / weights.sum()
            ),
        }
    )


def courses_table(
    rng: np.random.Generator, people: pd.DataFrame, rows: pd.DataFrame, cooperation: np.ndarray
) -> pd.DataFrame:
    """One row for each course of each patient: aligners, wear, dates.

    The number of aligners follows from the largest planned movement; wear follows cooperation,
    the part of the patient effects that all movements share. A course that was left has no end.
    """
    step = rows["movement"].map({name: m.per_aligner for name, m in MOVEMENTS.items()})
    steps = np.ceil(rows["planned"].abs() / step)
    table = (
        rows.assign(steps=steps)
        .groupby(["p", "patient", "course"], as_index=False)
        .agg(steps=("steps", "max"), measured=("measured", "all"))
    )
    n = len(table)
    table["aligners"] = (table["steps"].clip(6, 46) + rng.integers(2, 8, n)).astype(int)
    days = rng.choice([7, 10, 14], size=len(people), p=[0.6, 0.25, 0.15])
    table["days_per_aligner"] = days[table["p"]]
    wear = 20.3 + 1.1 * cooperation[table["p"]] + rng.normal(0, 0.5, n)
    table["wear_hours"] = np.round(np.clip(wear, 10, 23.5), 1)
    start, end = _dates(rng, table)
    table["start"], table["end"] = start, end
    table["end"] = table["end"].where(table["measured"])
    elastic = rows["auxiliary"].eq("elastics").groupby([rows["patient"], rows["course"]]).any()
    keys = pd.MultiIndex.from_frame(table[["patient", "course"]])
    table["elastics"] = np.where(elastic.reindex(keys, fill_value=False), "intermaxillary", "none")
    return table[[c.name for c in TABLES["courses"].columns if c.name != "anchorage"]]


def _dates(rng: np.random.Generator, table: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    length = table["aligners"] * table["days_per_aligner"] + rng.integers(0, 15, len(table))
    pause = pd.Series(rng.integers(21, 50, len(table)), index=table.index)
    first = rng.integers(0, 540, int(table["p"].max()) + 1)
    before = (length + pause).groupby(table["p"]).cumsum() - (length + pause)
    start = FIRST_DAY + pd.to_timedelta(first[table["p"]] + before, unit="D")
    start = pd.Series(start).astype("datetime64[s]")
    return start, start + pd.to_timedelta(length, unit="D")
