"""Several courses of aligners: how much of the first aim is reached, and how many are needed.

With rate r in every course and the shortfall planned anew each time, the share left after k courses
is the product of (1 - r).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes.estimate.design import RateError
from outcomes.estimate.rates import RateFit
from outcomes.measure.tolerance import within_tolerance

if TYPE_CHECKING:
    from outcomes.cohort.read import Cohort

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
        raise RateError(
            f"{len(rates)} rates for {courses} courses: give one rate, or one for each."
        )
    return float(1 - np.prod(1 - rates))


@dataclass(frozen=True)
class Courses:
    """What share of the first aim was reached after each course.

    Attributes
    ----------
    overall
        movement (and the columns of ``by``), course, patients, teeth, still_treated (patients with
        this course, measured or not), not_measured (those of them without a measured result in
        it), stopped (patients whose last course came before), reached, low, high (share of
        the aims, with the last known state of whoever stopped or is not measured yet),
        reached_of_treated (patients with a measured result in this course only), arithmetic (1 - (1 - r)^k at the rate r of the first course). Limits are
        by bootstrap of patients.
    patients
        patient, movement, course, teeth, aim and reached (mm or degree, sums over teeth in the
        direction of their aims), share, treated (has this course), waits (has it, without any
        result yet), courses (their last one).
    notes
        What was left out, and what carrying on means, in words.
    """

    overall: pd.DataFrame
    patients: pd.DataFrame
    notes: tuple[str, ...]

    def plot(self, ax: Any = None) -> Any:
        """Share reached after each course; returns the Axes."""
        from outcomes.figures.calibration import courses_curve

        return courses_curve(self, ax=ax)

    def __repr__(self) -> str:
        table = self.overall.to_string(index=False, float_format="{:.2f}".format)
        return "\n".join(["Share of the first aim reached after each course", table, *self.notes])

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

    The original aim of a tooth is that of its first course (``aim``, or ``planned`` where there is
    none); what is reached after course k is the sum of what courses 1 to k achieved, in the
    direction of the aim. Teeth and patients that stop keep their last state: leaving them out
    would follow only those who lagged and were treated on.

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
    RateError
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
    sites, steps, waits, more = _sites(rows, columns, smallest or {})
    notes += more
    keys = ["movement", *columns]
    per_patient, overall = [], []
    for key, part in sites.groupby(keys, sort=False, observed=True):
        named: dict[str, Any] = {str(k): v for k, v in zip(keys, key, strict=True)}
        states = _states(part, steps, waits[waits["movement"] == named["movement"]])
        table = _overall(states, level, n_boot, seed)
        overall.append(table.assign(**named))
        per_patient.append(states.assign(**named))
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


_PATIENT_COLUMNS = ("teeth", "aim", "reached", "share", "treated", "waits", "courses")


def _rows(
    cohort: Cohort | pd.DataFrame, columns: tuple[str, ...]
) -> tuple[pd.DataFrame, list[str]]:
    """One row for each movement of a tooth in a course, measured or not, with its aim."""
    from outcomes.estimate.design import with_derived

    frame = cohort if isinstance(cohort, pd.DataFrame) else cohort.frame(unmeasured=True)
    need = ("patient", "tooth", "course", "planned", "achieved")
    absent = [name for name in need if name not in frame.columns]
    if absent:
        raise RateError(f"Missing column{'s' * (len(absent) > 1)}: {', '.join(absent)}.")
    frame = with_derived(frame, columns)
    if "movement" not in frame.columns:
        frame = frame.assign(movement="movement")
    aim = frame["planned"]
    if "aim" in frame.columns:
        aim = frame["aim"].fillna(frame["planned"])
    frame = frame.assign(aim=aim)
    key = ["patient", "movement", "tooth", "course"]
    frame = frame.assign(achieved=frame["achieved"].astype(float))
    unmeasured = frame["achieved"].isna()
    if frame[~unmeasured].duplicated(key).any():
        raise RateError(
            "A tooth has two records of one movement in one course: number the courses in the "
            "column course."
        )
    notes = []
    if unmeasured.any():
        notes.append(
            f"{int(unmeasured.sum()):,} movements not measured yet are not followed; their teeth "
            "keep the state before."
        )
    # a result goes before a blank of the same record
    frame = frame.assign(blank=unmeasured).sort_values("blank", kind="stable")
    return frame.drop_duplicates(key).drop(columns="blank").sort_index(), notes


def _sites(
    rows: pd.DataFrame, columns: tuple[str, ...], smallest: dict[str, float]
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, list[str]]:
    """First aims of the teeth that have one, what every course did in that direction, and the
    courses of patients (patient, movement, course) without any result yet."""
    key = ["patient", "movement", "tooth"]
    every, rows = rows, rows[rows["achieved"].notna()]
    first = rows[rows["course"] == 1]
    least = first["movement"].map(smallest).fillna(0.0).to_numpy(float)
    size = first["aim"].abs().to_numpy(float)
    sites = first[(size > 0) & (size >= least)]
    if not len(sites):
        raise RateError("No tooth has a first course with an aim: nothing can be followed.")
    later = rows.loc[rows["course"] > 1, key].drop_duplicates()
    begun = later.merge(first[key].drop_duplicates(), on=key, how="left", indicator=True)
    begun = begun[begun["_merge"] == "left_only"].drop(columns="_merge")
    unknown = every.loc[(every["course"] == 1) & every["achieved"].isna(), key].drop_duplicates()
    late = len(begun) - len(begun.merge(unknown, on=key))
    notes = []
    if len(unknown):
        notes.append(
            f"{len(unknown):,} tooth movements whose first course is not measured are not followed."
        )
    if late:
        notes.append(
            f"{late:,} tooth movements that began in a later course have no first aim and are not "
            "followed."
        )
    small = int(((size > 0) & (size < least)).sum())
    if small:
        notes.append(f"{small:,} tooth movements with smaller aims than asked for are left out.")
    sites = sites[[*key, *columns, "aim"]]
    steps = rows[[*key, "course", "achieved"]].merge(sites[[*key, "aim"]], on=key)
    steps["reached"] = steps["achieved"] * np.sign(steps["aim"])
    # whoever has a further course has not stopped, measured or not
    last = every.groupby(["patient", "movement"])["course"].max().rename("courses").reset_index()
    results = every.groupby(["patient", "movement", "course"])["achieved"].count()
    waits = results[results == 0].reset_index()
    return sites.merge(last, on=["patient", "movement"]), steps, waits, notes


def _states(sites: pd.DataFrame, steps: pd.DataFrame, waits: pd.DataFrame) -> pd.DataFrame:
    """For each patient and course: teeth, sums of aims and of what is reached so far."""
    key = ["patient", "movement", "tooth"]
    steps = steps.merge(sites[key], on=key)
    aims = sites.groupby("patient", sort=False).agg(
        teeth=("tooth", "size"), aim=("aim", lambda a: a.abs().sum()), courses=("courses", "first")
    )
    most = int(steps["course"].max())
    gained = (
        steps.pivot_table(index="patient", columns="course", values="reached", aggfunc="sum")
        .reindex(index=aims.index, columns=range(1, most + 1))
        .fillna(0.0)
        .cumsum(axis=1)
    )
    long = gained.reset_index().melt("patient", var_name="course", value_name="reached")
    long = long.merge(aims.reset_index(), on="patient")
    return long.assign(
        share=long["reached"] / long["aim"],
        treated=long["courses"] >= long["course"],
        waits=pd.MultiIndex.from_frame(long[["patient", "course"]]).isin(
            pd.MultiIndex.from_frame(waits[["patient", "course"]])
        ),
    )


def _overall(states: pd.DataFrame, level: float, n_boot: int, seed: int) -> pd.DataFrame:
    reached = states.pivot(index="patient", columns="course", values="reached")
    aims = states.drop_duplicates("patient").set_index("patient").loc[reached.index]
    aim, last = aims["aim"].to_numpy(), aims["courses"].to_numpy()
    total = reached.to_numpy()
    share = total.sum(axis=0) / aim.sum()
    low = high = np.full(len(share), np.nan)
    if n_boot and len(aim) > 1:
        rng = np.random.default_rng(seed)
        counts = rng.multinomial(len(aim), np.full(len(aim), 1 / len(aim)), size=n_boot)
        replicates = (counts @ total) / (counts @ aim)[:, None]
        low, high = np.quantile(replicates, [(1 - level) / 2, (1 + level) / 2], axis=0)
    treated = last[:, None] >= reached.columns.to_numpy()
    waits = states.pivot(index="patient", columns="course", values="waits").to_numpy()
    measured = treated & ~waits
    return pd.DataFrame(
        {
            "course": reached.columns.to_numpy(),
            "patients": len(aim),
            "teeth": int(aims["teeth"].sum()),
            "still_treated": treated.sum(axis=0),
            "not_measured": waits.sum(axis=0),
            "stopped": (~treated).sum(axis=0),
            "reached": share,
            "low": low,
            "high": high,
            "reached_of_treated": _share(total, aim[:, None], measured),
            "arithmetic": [share_reached(share[0], int(k)) for k in reached.columns],
        }
    )


def _share(total: np.ndarray, aim: np.ndarray, of: np.ndarray) -> np.ndarray:
    """Reached over aims, of some patients; missing where there are none."""
    with np.errstate(invalid="ignore"):
        return (total * of).sum(axis=0) / (aim * of).sum(axis=0)


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
    RateError
        If a number makes no sense.

    Examples
    --------
    >>> from outcomes.estimate.rates import fit_rate
    >>> from outcomes.simulate import simulate_rates
    >>> rows = simulate_rates(30, seed=1, movement="vertical", rates=0.55)
    >>> table = courses_needed(fit_rate(rows, group=None), aim=-2.0, most=2)
    >>> table[["courses", "within", "arithmetic_left"]].round(1)
       courses  within  arithmetic_left
    0        0     0.0              2.0
    1        1     0.1              0.9
    2        2     0.6              0.4
    """
    from outcomes.cohort.limits import limit

    tolerance = limit("tolerance", fit.movement, fit.unit, tolerance)
    if np.isnan(tolerance):
        raise RateError("Give a tolerance: the fit does not say whether it is in mm or degrees.")
    if not aim or tolerance <= 0 or factor <= 0 or most < 1:
        raise RateError("aim must not be 0; tolerance, factor and most must be above 0.")
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
    spread = np.sqrt(fit.mixed.psi[0, 0] + (fit.mixed.site_variance or 0.0))
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
