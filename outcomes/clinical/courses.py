"""Several courses of aligners: how much of the aim is reached, and how many are needed.

With rate r in every course and the shortfall planned anew each time, the share left after k courses
is the product of (1 - r).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes.clinical.following import SITE, followed, history
from outcomes.domain.tolerance import within_tolerance
from outcomes.errors import CannotAnswer
from outcomes.plotting import plot
from outcomes.rates.result import RateFit

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["Courses", "courses", "courses_needed", "share_reached"]


def share_reached(rate: float | Sequence[float], courses: int | None = None) -> float:
    """Share of the aim reached after several courses: 1 - product of (1 - rate).

    Parameters
    ----------
    rate
        Rate of every course, or one for each course.
    courses
        How many courses, with one rate.

    Examples
    --------
    >>> [round(share_reached(r, k), 3) for k in (2, 3) for r in (0.5, 0.6)]
    [0.75, 0.84, 0.875, 0.936]
    """
    rates = np.full(courses or 1, rate) if np.isscalar(rate) else np.asarray(rate, dtype=float)
    if courses is not None and len(rates) != courses:
        raise CannotAnswer(
            f"{len(rates)} rates for {courses} courses: give one rate, or one for each."
        )
    return float(1 - np.prod(1 - rates))


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
        table = self.overall.to_string(index=False, float_format="{:.2f}".format)
        return "\n".join(["Share of the aim reached after each course", table, *self.notes])

    def _repr_html_(self) -> str:
        notes = "".join(f"<li>{note}</li>" for note in self.notes)
        table = self.overall.to_html(index=False, float_format="{:.2f}".format, border=0)
        return f"{table}<ul>{notes}</ul>"


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
    notes += more
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
    stopped = int(frame["stopped"].max())
    if stopped:
        notes.append(
            "Patients and teeth without a further course keep the state of their last one. The share "
            "of those treated on is of a choice of those who began, and flatters or slights the rest."
        )
    return Courses(
        overall=frame[[*order, *(c for c in frame.columns if c not in order)]],
        patients=people[["patient", *order, *(c for c in _PATIENT_COLUMNS if c not in order)]],
        notes=tuple(notes),
    )


_PATIENT_COLUMNS = (
    "teeth",
    "teeth_measured",
    "aim",
    "reached",
    "share",
    "first_aim",
    "reached_first",
    "treated",
    "waits",
    "courses",
)


def _rows(
    cohort: Cohort | pd.DataFrame, columns: tuple[str, ...]
) -> tuple[pd.DataFrame, list[str]]:
    """One row for each movement of a tooth in a course, measured or not."""
    from outcomes.domain.movements import MOVEMENTS
    from outcomes.rates.design import with_derived

    if isinstance(cohort, pd.DataFrame):
        need = ("patient", "tooth", "course", "planned", "achieved")
        absent = [name for name in need if name not in cohort.columns]
        if absent:
            raise CannotAnswer(f"Missing column{'s' * (len(absent) > 1)}: {', '.join(absent)}.")
        if "movement" not in cohort.columns:
            cohort = cohort.assign(movement="movement")
    frame = with_derived(history(cohort), columns).reset_index(drop=True)
    if "unit" not in frame.columns:
        units = {name: movement.unit for name, movement in MOVEMENTS.items()}
        frame = frame.assign(unit=frame["movement"].astype(object).map(units))
    unmeasured = int(frame["achieved"].isna().sum())
    notes = []
    if unmeasured:
        notes.append(
            f"{unmeasured:,} movements not measured yet: their teeth are in no share from that course "
            "on, as where they stand is not known."
        )
    return frame, notes


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
    results = (
        rows.groupby(["patient", "movement", "course"], observed=True)["achieved"]
        .count()
        .rename("results")
        .reset_index()
    )
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
    last = table["patient"].map(results.groupby("patient")["course"].max())
    count = results.set_index(key)["results"].reindex(pd.MultiIndex.from_frame(table[key]))
    return table.assign(
        share=table["reached"] / table["aim"].where(table["aim"] > 0),
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


def courses_needed(
    fit: RateFit,
    aim: float,
    tolerance: float | None = None,
    *,
    factor: float = 1.0,
    most: int = 6,
    draws: int = 20_000,
    seed: int = 1,
) -> pd.DataFrame:
    """How many courses a new patient's tooth needs, as a distribution, group by group.

    Each course plans what is left (times ``factor``). A patient and a tooth keep their rate through
    all courses: one that lags in the first lags in the next, so that more courses are needed than
    the average rate suggests for some, and fewer for others.

    Parameters
    ----------
    fit
        A fit (``fit_rate``) without covariates or intercept, or read at their reference.
    aim
        What is wanted, mm or degrees.
    tolerance
        Near enough; by default 0.5 mm or 2 degrees.
    factor
        Overcorrection of every plan.
    most
        Courses after which the count ends.
    draws, seed
        Simulated patients, and their seed.

    Returns
    -------
    DataFrame
        group, courses, chance (needs exactly so many), within (chance of being within tolerance
        after so many), left (median absolute shortfall), arithmetic_left (|aim| (1 - rate
        factor)^courses).  ``courses`` runs from 0 to ``most``; the chances up to ``most`` and the
        chance of needing more add up to 1.

    Raises
    ------
    CannotAnswer
        If a number makes no sense.

    Examples
    --------
    >>> from outcomes.rates.fit import fit_rate
    >>> from outcomes.simulate import simulate_rates
    >>> rows = simulate_rates(30, seed=1, movement="vertical", rates=0.55)
    >>> table = courses_needed(fit_rate(rows, group=None), aim=-2.0, most=2)
    >>> table[["courses", "within", "arithmetic_left"]].round(1)
       courses  within  arithmetic_left
    0        0     0.0              2.0
    1        1     0.1              0.9
    2        2     0.6              0.4
    """
    from outcomes.domain.limits import limit

    tolerance = limit("tolerance", fit.movement, fit.unit, tolerance)
    if np.isnan(tolerance):
        raise CannotAnswer("Give a tolerance: the fit does not say whether it is in mm or degrees.")
    if not aim or tolerance <= 0 or factor <= 0 or most < 1:
        raise CannotAnswer("aim must not be 0; tolerance, factor and most must be above 0.")
    parts = [
        _needed(fit, g, abs(aim), tolerance, factor, most, draws, seed)
        for g in range(len(fit.groups))
    ]
    return pd.concat(parts, ignore_index=True)


def _needed(
    fit: RateFit,
    g: int,
    aim: float,
    tolerance: float,
    factor: float,
    most: int,
    draws: int,
    seed: int,
) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    row = fit.rates.iloc[g]
    spread = np.sqrt(fit.mixed.psi[0, 0] + (fit.mixed.inner_variance or 0.0))
    rate = row["rate"] + row["se"] * rng.standard_t(row["df"], draws)
    rate = rate + spread * rng.standard_normal(draws)
    sigma = np.sqrt(fit.mixed.sigma2)
    left = np.full(draws, aim)
    needed = np.full(draws, most + 1)
    table = []
    for course in range(most + 1):
        if course:
            going = needed > most
            moved = rate * factor * left + sigma * rng.standard_normal(draws)
            left = np.where(going, left - moved, left)
        near = within_tolerance(left, tolerance)
        needed = np.where(near & (needed > most), course, needed)
        table.append(
            {
                "group": row["group"],
                "courses": course,
                "chance": float(np.mean(needed == course)),
                "within": float(np.mean(needed <= course)),
                "left": float(np.median(np.abs(left))),
                "arithmetic_left": aim * abs(1 - row["rate"] * factor) ** course,
            }
        )
    return pd.DataFrame(table)
