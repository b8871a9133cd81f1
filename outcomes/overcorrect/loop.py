"""Closing the loop: what was left of the aims before and after factors were used."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from outcomes.domain.limit_in_force import Given, limit, unit_of, units_of
from outcomes.domain.limits import FEW_PATIENTS
from outcomes.errors import CannotAnswer, ModelError, require_columns
from outcomes.mixed.blocks import cross_products, independent
from outcomes.mixed.cluster import ClusterRobust
from outcomes.mixed.fit import fit_mixed
from outcomes.overcorrect.validate import left_of
from outcomes.rates.design import rate_error
from outcomes.rates.fit import fit_rate
from outcomes.rates.result import RateFit
from outcomes.words.cautions import PLANNING
from outcomes.words.cautions import cautions as standing_cautions
from outcomes.words.english import counted, is_, points_of, verb
from outcomes.words.numbers import Format, number, percent, points, signed
from outcomes.words.shown import as_html, as_text
from outcomes.words.units import unit_mark

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["NOT_A_TRIAL", "Loop", "closing_loop"]

NOT_A_TRIAL = (
    "This compares before with after; it is not a trial. Patients, teeth, wear, attachments and "
    "experience changed over the same time, nobody was allocated at random, and a practice that "
    "starts after a bad year improves by chance alone (regression to the mean)."
)


@dataclass(frozen=True)
class Loop:
    """Before and after.

    Attributes
    ----------
    periods
        movement, unit, period ("before", "after"), patients, movements, aim (mean |aim|, mm or
        degree), plan (planned over aim), reached (achieved over aim, sums), shortfall (mean |aim - achieved|, mm or degree), within,
        over (shares of movements within tolerance, beyond it).
    change
        movement, reached, reached_low, reached_high (change of the share of the aim reached), then
        shortfall, shortfall_low, shortfall_high (change of |aim - achieved|, mm or degree, at the
        same size of the aim), and adjusted_for: what both hold equal. Missing where a period has
        too few patients.
    sentences, notes
        In words; what was left out.
    """

    periods: pd.DataFrame
    change: pd.DataFrame
    sentences: tuple[str, ...]
    notes: tuple[str, ...]
    since: pd.Timestamp

    def __repr__(self) -> str:
        return as_text(self.periods, self.change, *self._said)

    def _repr_html_(self) -> str:
        return as_html(self.periods, self.change, notes=self._said, blank="–")

    @property
    def _said(self) -> list[str]:
        return [*self.sentences, *self.notes, NOT_A_TRIAL, *standing_cautions(*PLANNING)]


def closing_loop(
    cohort: Cohort | pd.DataFrame,
    since: str | date | pd.Timestamp,
    *,
    group: str | None = "tooth_class",
    tolerance: Given = None,
    level: float = 0.95,
) -> Loop:
    """Compare courses that began before a date with those that began on it or after.

    Parameters
    ----------
    cohort
        A cohort with start dates of courses, or a frame with patient, tooth, movement, planned,
        achieved, start, perhaps aim.
    since
        The day from which factors were used.
    group
        Kinds of teeth held equal in the comparison.
    tolerance
        Near enough, mm or degrees: a number, or numbers by movement or unit; by default 0.5 mm and
        2 degrees.
    level
        Level of the intervals.

    Raises
    ------
    CannotAnswer
        If there are no start dates, or no course on one side of the date.

    Notes
    -----
    Both comparisons are cluster-robust (CR2, patients as clusters, see ``outcomes.fit_rate``), and
    hold equal the kinds of teeth and, where both kinds lie on both sides of the date, first and
    later courses. A shortfall grows with the aim, and later courses aim at less: it is compared at
    the same size of the aim (linear and quadratic). Simulated practices in which nothing changed
    have intervals that hold no change as often as they say (benchmarks/README.md).

    Examples
    --------
    >>> from outcomes.simulate import simulate_rates
    >>> rows = simulate_rates(30, seed=1, movement="vertical", rates=0.5).assign(
    ...     start=lambda f: pd.to_datetime("2024-01-01") + pd.to_timedelta(
    ...         f["patient"].str[1:].astype(int) * 30, unit="D"), aim=lambda f: f["planned"])
    >>> later = rows["start"] >= "2025-04-01"
    >>> rows.loc[later, "aim"] /= 2
    >>> closing_loop(rows, "2025-04-01").periods[["period", "plan", "reached"]].round(1)
       period  plan  reached
    0  before   1.0      0.4
    1   after   2.0      1.1
    """
    when = pd.Timestamp(since)
    frame = cohort if isinstance(cohort, pd.DataFrame) else cohort.frame()
    rows, notes = _rows(frame, when)
    periods, changes, sentences = [], [], []
    for movement, part in rows.groupby("movement", sort=False, observed=True):
        name = str(movement)
        unit = unit_of(name) or str(units_of(part).fillna("mm").iloc[0])
        near = limit("tolerance", name, unit, tolerance)
        periods += [_period(part, name, unit, near, label) for label in ("before", "after")]
        change, why = _change(part, name, group, level)
        changes.append(change)
        sentences.append(_sentence(name, unit, change, why, level, periods[-2:]))
    return Loop(
        periods=pd.DataFrame([p for p in periods if p["movements"]]),
        change=pd.DataFrame(changes),
        sentences=tuple(sentences),
        notes=tuple(notes),
        since=when,
    )


def _rows(frame: pd.DataFrame, when: pd.Timestamp) -> tuple[pd.DataFrame, list[str]]:
    if "start" not in frame.columns or frame["start"].isna().all():
        raise CannotAnswer(
            "No course has a start date: fill in the column start of the table courses."
        )
    require_columns(frame, ["movement"])
    aim = frame["planned"] if "aim" not in frame else frame["aim"].fillna(frame["planned"])
    frame = frame.assign(aim=aim, start=pd.to_datetime(frame["start"]))
    undated = frame["start"].isna()
    notes = []
    if undated.any():
        n = int(undated.sum())
        of = "a course" if n == 1 else "courses"
        notes.append(f"{counted(n, 'movement')} of {of} without a start {is_(n)} left out.")
    used = frame[~undated & (frame["aim"] != 0) & (frame["planned"] != 0)]
    used = used[used["achieved"].notna()]
    after = (used["start"] >= when).astype(int)
    if after.nunique() < 2:
        side = "before" if not len(after) or after.iloc[0] else "on or after"
        raise CannotAnswer(f"No measured course began {side} {when:%Y-%m-%d}: nothing to compare.")
    both = used.assign(after=after).groupby("patient")["after"].nunique()
    if (both > 1).any():
        n = int((both > 1).sum())
        notes.append(
            f"{counted(n, 'patient')} {verb(n, 'have')} courses on both sides of the "
            "date: the later courses hold the teeth that lagged."
        )
    return used.assign(after=after), notes


def _period(
    part: pd.DataFrame, movement: str, unit: str, tolerance: float, label: str
) -> dict[str, Any]:
    rows = part[part["after"] == (label == "after")]
    sign = np.sign(rows["aim"])
    total = rows["aim"].abs().sum()
    empty = not len(rows)
    return {
        "movement": movement,
        "unit": unit,
        "period": label,
        "patients": rows["patient"].nunique(),
        "movements": len(rows),
        "aim": float(rows["aim"].abs().mean()),
        "plan": np.nan if empty else float((rows["planned"] * sign).sum() / total),
        "reached": np.nan if empty else float((rows["achieved"] * sign).sum() / total),
        **left_of(rows["aim"], rows["achieved"], tolerance),
    }


_CHANGES = [f"{name}{end}" for name in ("reached", "shortfall") for end in ("", "_low", "_high")]


def _change(
    part: pd.DataFrame, movement: str, group: str | None, level: float
) -> tuple[dict[str, Any], str]:
    """Changes with intervals; and why there are none."""
    blank = {"movement": movement, **dict.fromkeys(_CHANGES, np.nan), "adjusted_for": ""}
    people = part.groupby("after")["patient"].nunique().reindex([0, 1]).fillna(0)
    if people.min() < FEW_PATIENTS:
        least = "before" if people[0] < people[1] else "after"
        n = int(people.min())
        return blank, f"only {counted(n, 'patient')} {least} the date"
    # the share of the aim reached is the rate model with the aim in the place of the plan
    rows = part.assign(planned=part["aim"], later=_later(part)).drop(columns="aim")
    held = ["later"] if _both_sides(rows) else []
    try:
        fit = fit_rate(rows, movement, group=group, covariates=["after", *held], level=level)
        shortfall = _shortfall(fit, rows, level)
    except ModelError as error:
        return blank, str(rate_error(error))
    except CannotAnswer as error:
        return blank, str(error)
    row = fit.covariates.set_index("covariate").loc["after"]
    values = [*row[["estimate", "low", "high"]], *shortfall[["estimate", "low", "high"]]]
    names = [*([group] if group else []), *(["course"] if held else [])]
    return {
        "movement": movement,
        **dict(zip(_CHANGES, np.asarray(values, dtype=float).tolist(), strict=True)),
        "adjusted_for": ", ".join(names),
    }, ""


def _later(part: pd.DataFrame) -> pd.Series:
    """1 for rows of a second or later course, 0 for the first."""
    if "course" not in part.columns:
        return pd.Series(0, index=part.index)
    return (part["course"] > 1).astype(int)


def _both_sides(rows: pd.DataFrame) -> bool:
    """Are there first and later courses before the date, and after it?"""
    return bool((rows.groupby("after")["later"].nunique() == 2).all())


def _shortfall(fit: RateFit, rows: pd.DataFrame, level: float) -> pd.Series:
    """Change of |aim - achieved| at the same size of the aim, for the teeth and courses of ``fit``:
    estimate, low, high. A random intercept for each patient; cluster-robust."""
    design = fit.design
    used = rows.loc[design.index]
    size = np.abs(design.planned)
    groups = np.eye(len(design.groups))[design.group_code]
    adjusters = [groups, size, size**2]
    if "later" in design.covariates:
        adjusters.append(used["later"].to_numpy(float))
    x = np.column_stack([*adjusters, used["after"].to_numpy(float)])
    names = (*design.groups, "size", "size squared", *["later"] * (len(adjusters) - 3), "after")
    kept = independent(x)
    if x.shape[1] - 1 not in kept:
        raise CannotAnswer("before and after cannot be told from the size of the aims")
    blocks = cross_products(
        x[:, kept],
        np.abs(design.achieved - design.planned),
        np.ones((len(x), 1)),
        design.patient,
        names=tuple(names[j] for j in kept),
    )
    contrast = (np.arange(len(kept)) == len(kept) - 1).astype(float)
    fitted = fit_mixed(blocks)
    robust = ClusterRobust(fitted)
    half = stdtrit(robust.df(contrast)[0], 0.5 + level / 2) * robust.standard_error(contrast)[0]
    change = float(fitted.beta[-1])
    return pd.Series({"estimate": change, "low": change - half, "high": change + half})


def _sentence(
    movement: str,
    unit: str,
    change: dict[str, Any],
    why: str,
    level: float,
    periods: list[dict[str, Any]],
) -> str:
    """The share of the aim reached first; the shortfall only as far as the two agree."""
    if why:
        return f"{movement.capitalize()}: no comparison ({why})."
    mark = unit_mark(unit)
    share = _direction(change["reached_low"], change["reached_high"])
    limits = _interval(change, "reached", level, points)
    most = points_of(change["reached"])
    said = {
        1: f"{most} more of the aim reached after than before ({limits})",
        -1: f"{most} less of the aim reached after than before ({limits})",
        0: f"no clear change of the share of the aim reached ({limits} percentage points)",
    }[share]
    before, after = (f"{number(period['aim'])}{mark}" for period in periods)
    said += f"; aims were {before} on average before and {after} after"
    said += "; at the same size of the aim "
    miss = _direction(change["shortfall_low"], change["shortfall_high"])
    limits = f"{_interval(change, 'shortfall', level, signed)}{mark}"
    size = f"{number(abs(change['shortfall']))}{mark}"
    smaller = f"the shortfall is {'smaller' if miss < 0 else 'larger'} by {size} ({limits})"
    if miss == 0:
        said += f"no clear change of the shortfall ({limits})"
    elif miss == -share:
        said += f"{size} {'less' if miss < 0 else 'more'} shortfall ({limits})"
    elif share == 0:
        said += f"{smaller}, but no clear change of the share goes with it"
    else:
        said += f"{smaller}: the two do not agree, and more of the aim can mean too far"
    return f"{movement.capitalize()}: {said}."


def _interval(change: dict[str, Any], name: str, level: float, form: Format) -> str:
    low, high = form(change[f"{name}_low"]), form(change[f"{name}_high"])
    return f"{percent(level)} interval {low} to {high}"


def _direction(low: float, high: float) -> int:
    """1 where an interval lies above 0, −1 below, 0 otherwise."""
    return int(low > 0) - int(high < 0)
