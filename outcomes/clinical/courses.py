"""Several courses of aligners: what share of the aim was reached after each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes.clinical.following import SITE, followed, history
from outcomes.domain.limit_in_force import units_of
from outcomes.errors import CannotAnswer, require_columns
from outcomes.plot_hook import plot
from outcomes.rates.design import with_derived
from outcomes.words.shown import as_html, as_text

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["Courses", "courses"]


@dataclass(frozen=True)
class Courses:
    """What share of the aim was reached after each course.

    Attributes
    ----------
    overall
        movement (and the columns of ``by``), course, patients and teeth (followed, in it or before),
        teeth_measured (those of them whose state is known), still_treated (patients with this
        course, measured or not), not_measured (those of them without a measured result in it),
        stopped (patients whose last course came before), reached, low, high (share of the latest
        aims of the teeth measured, with the last state of whoever stopped), reached_of_treated
        (patients with a measured result in this course only), reached_first (share of the first
        aims, whatever was aimed at later), arithmetic (1 - (1 - r)^k at the rate r of the first
        course, k the courses that a tooth had for its aim). Limits are by bootstrap of patients.
    patients
        patient, movement, course, teeth, teeth_measured, aim and reached (mm or degree, sums over
        the teeth measured, in the direction of their latest aims), share, first_aim and
        reached_first (the same of their first), treated (has this course), waits (has it, without
        any result yet), courses (their last one).
    notes
        What was left out, and what carrying on means, in words.
    """

    overall: pd.DataFrame
    patients: pd.DataFrame
    notes: tuple[str, ...]

    def plot(self, ax: Any = None) -> Any:
        """Share reached after each course; returns the Axes."""
        return plot(self, ax=ax)

    def __repr__(self) -> str:
        return as_text("Share of the aim reached after each course", self.overall, *self.notes)

    def _repr_html_(self) -> str:
        return as_html(self.overall, notes=self.notes)


def courses(
    cohort: Cohort | pd.DataFrame,
    *,
    by: str | Sequence[str] = (),
    smallest: dict[str, float] | None = None,
    level: float = 0.95,
    n_boot: int = 1000,
    seed: int = 1,
) -> Courses:
    """Share of the original aim that is reached after each course.

    The aim of a tooth is that of the first course that has one (``aim``, or ``planned`` where there
    is none) until a later course sets another (`outcomes.clinical.following` has the rule). What is
    reached after course k is the sum of what the courses up to it achieved, in the direction of the
    aim; a new aim that turns the tooth round counts from where it then stood. Teeth and patients that
    stop keep their last state: leaving them out would follow only those who lagged and were treated
    on. From a course that is not measured on, a tooth is in no share: where it stands is not known.

    Parameters
    ----------
    cohort
        A cohort, or a frame with patient, tooth, movement, course, planned and achieved (mm or
        degrees), perhaps aim.
    by
        Further columns to tell apart, as tooth_class.
    smallest
        movement -> smallest original aim that counts, mm or degree; all by default.
    level
        Level of the bootstrap limits.
    n_boot
        Replicates; 0 leaves the limits blank.
    seed
        Seed of the bootstrap.

    Raises
    ------
    CannotAnswer
        If columns are missing or nobody has a first course with an aim.

    Examples
    --------
    >>> frame = pd.DataFrame({
    ...     "patient": ["P001", "P001", "P002"], "tooth": 41, "movement": "vertical",
    ...     "course": [1, 2, 1], "planned": [-2.0, -1.0, -1.0], "achieved": [-1.0, -0.5, -0.6]})
    >>> courses(frame).overall[["course", "still_treated", "stopped", "reached"]].round(2)
       course  still_treated  stopped  reached
    0       1              2        0     0.53
    1       2              1        1     0.70
    """
    columns = (by,) if isinstance(by, str) else tuple(by)
    rows, notes = _rows(cohort, columns)
    steps, results, more = _sites(rows, columns, smallest or {})
    keys = ["movement", *columns]
    most = int(steps["course"].max())
    per_patient, overall = [], []
    for key, part in steps.groupby(keys, sort=False, observed=True):
        named: dict[str, Any] = {str(k): v for k, v in zip(keys, key, strict=True)}
        states = _states(part, most)
        people = _by_patient(states, results[results["movement"] == named["movement"]])
        table = _overall(people, states, level, n_boot, seed)
        overall.append(table.assign(**named))
        per_patient.append(people.assign(**named))
    order = [*keys, "course"]
    frame = pd.concat(overall, ignore_index=True)
    people = pd.concat(per_patient, ignore_index=True)
    notes += more
    if frame["stopped"].max():
        notes.append(
            "Patients and teeth without a further course keep the state of their last one. The share "
            "of those treated on is of a choice of those who began, and flatters or slights the rest."
        )
    return Courses(
        overall=frame[[*order, *(c for c in frame.columns if c not in order)]],
        patients=people[["patient", *order, *(c for c in people if c not in ("patient", *order))]],
        notes=tuple(notes),
    )


def _rows(
    cohort: Cohort | pd.DataFrame, columns: tuple[str, ...]
) -> tuple[pd.DataFrame, list[str]]:
    """One row for each movement of a tooth in a course, measured or not."""
    if isinstance(cohort, pd.DataFrame):
        require_columns(cohort, ("patient", "tooth", "course", "planned", "achieved"))
        if "movement" not in cohort.columns:
            cohort = cohort.assign(movement="movement")
    frame = with_derived(history(cohort), columns).reset_index(drop=True)
    unmeasured = int(frame["achieved"].isna().sum())
    note = (
        f"{unmeasured:,} movements not measured yet: their teeth are in no share from that course on, "
        "as where they stand is not known."
    )
    return frame.assign(unit=units_of(frame)), [note] if unmeasured else []


def _sites(
    rows: pd.DataFrame, columns: tuple[str, ...], smallest: dict[str, float]
) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Every step of the movements that are followed, with ``columns`` as in their first course, and
    the courses of patients (patient, movement, course, results)."""
    steps = followed(rows)
    began = steps[steps["course"] == steps["begun"]]
    least = began["movement"].astype(object).map(smallest).astype(float).fillna(0.0)
    small = began["first"].abs() < least
    blank = began["end"].isna()
    # Whoever has no record of an earlier course may have begun in it.
    earliest = rows.groupby("patient")["course"].min()
    hidden = (began["begun"] > 1) & (began["patient"].map(earliest) > 1)
    kept = began[~small & ~blank & ~hidden]
    if not len(kept):
        raise CannotAnswer("No tooth has a first course with an aim: nothing can be followed.")
    late = int((kept["begun"] > 1).sum())
    again = steps[steps["aims"] > 1].merge(kept[SITE], on=SITE)
    notes = []
    for count, words in (
        (int(blank.sum()), "whose first course is not measured are not followed."),
        (late, "that began in a later course count from it on."),
        (
            int((hidden & ~blank).sum()),
            "are not followed, as the first course of the patient is not recorded.",
        ),
        (len(again[SITE].drop_duplicates()), "got a new aim in a later course, which is followed."),
        (int((small & ~blank).sum()), "with smaller aims than asked for are left out."),
    ):
        if count:
            notes.append(f"{count:,} tooth movements {words}")
    kept = kept.join(rows[list(columns)])
    by_course = rows.groupby(["patient", "movement", "course"], observed=True)["achieved"]
    results = by_course.count().rename("results").reset_index()
    return steps.merge(kept[[*SITE, *columns]], on=SITE), results, notes


def _states(steps: pd.DataFrame, most: int) -> pd.DataFrame:
    """For each movement and course from its first on: the way to its aim, and what is done of it.

    A movement without a further row keeps its last state; one that is not measured has none.
    """
    numbered = steps.assign(step=np.arange(len(steps)))
    by_course = numbered.pivot(index=SITE, columns="course", values="step")
    held = by_course.reindex(columns=range(1, most + 1)).ffill(axis=1)
    long = held.melt(ignore_index=False, var_name="course", value_name="step").dropna()
    at = steps.iloc[long["step"].astype(int)].reset_index(drop=True)
    way = at["aim"] - at["leg_start"]
    course = long["course"].astype(int).to_numpy()
    return pd.DataFrame(
        {
            "patient": at["patient"],
            "course": course,
            "measured": at["end"].notna(),
            "aim": way.abs(),
            "reached": np.sign(way) * (at["end"] - at["leg_start"]),
            "first_aim": at["first"].abs(),
            "reached_first": np.sign(at["first"]) * at["end"],
            "times": course - at["leg"] + 1,
        }
    )


_SUMS = ["aim", "reached", "first_aim", "reached_first"]


def _by_patient(states: pd.DataFrame, results: pd.DataFrame) -> pd.DataFrame:
    """For each patient and course: teeth, sums over those measured, and what became of the course."""
    key = ["patient", "course"]
    teeth = states.groupby(key).agg(teeth=("measured", "size"), teeth_measured=("measured", "sum"))
    sums = states[states["measured"]].groupby(key)[_SUMS].sum()
    table = teeth.join(sums).reset_index()
    table[_SUMS] = table[_SUMS].fillna(0.0)
    share = table["reached"] / table["aim"].where(table["aim"] > 0)
    table.insert(list(table).index("reached") + 1, "share", share)
    last = table["patient"].map(results.groupby("patient")["course"].max())
    count = results.set_index(key)["results"].reindex(pd.MultiIndex.from_frame(table[key]))
    return table.assign(
        treated=last >= table["course"],
        waits=count.eq(0).to_numpy(bool),
        courses=last,
    )


def _overall(
    people: pd.DataFrame, states: pd.DataFrame, level: float, n_boot: int, seed: int
) -> pd.DataFrame:
    reached, aim = (
        people.pivot(index="patient", columns="course", values=name).fillna(0.0).to_numpy()
        for name in ("reached", "aim")
    )
    share = _share(people, "reached", "aim")
    low = high = np.full(len(share), np.nan)
    if n_boot and len(aim) > 1:
        rng = np.random.default_rng(seed)
        counts = rng.multinomial(len(aim), np.full(len(aim), 1 / len(aim)), size=n_boot)
        with np.errstate(invalid="ignore", divide="ignore"):
            replicates = (counts @ reached) / (counts @ aim)
        limits = [(1 - level) / 2, (1 + level) / 2]
        low, high = np.nanquantile(replicates, limits, axis=0)
    by_course = people.groupby("course")
    treated = by_course["treated"].sum().to_numpy(int)
    patients = by_course.size().to_numpy(int)
    waits = people["treated"] & people["waits"]
    seen = people[people["treated"] & ~people["waits"]]
    rate = share.iloc[0]
    known = states[states["measured"]]
    expected = known["aim"] * (1 - (1 - rate) ** known["times"])
    arithmetic = expected.groupby(known["course"]).sum() / known.groupby("course")["aim"].sum()
    return pd.DataFrame(
        {
            "course": share.index.to_numpy(int),
            "patients": patients,
            "teeth": by_course["teeth"].sum().to_numpy(int),
            "teeth_measured": by_course["teeth_measured"].sum().to_numpy(int),
            "still_treated": treated,
            "not_measured": waits.groupby(people["course"]).sum().to_numpy(int),
            "stopped": patients - treated,
            "reached": share.to_numpy(float),
            "low": low,
            "high": high,
            "reached_of_treated": _share(seen, "reached", "aim")
            .reindex(share.index)
            .to_numpy(float),
            "reached_first": _share(people, "reached_first", "first_aim").to_numpy(float),
            "arithmetic": arithmetic.reindex(share.index).to_numpy(float),
        }
    )


def _share(people: pd.DataFrame, reached: str, aim: str) -> pd.Series:
    """Reached over aims, by course; missing where there are none."""
    sums = people.groupby("course")[[reached, aim]].sum()
    return sums[reached] / sums[aim].where(sums[aim] > 0)
