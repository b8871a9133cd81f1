"""Closing the loop: what was left of the aims before and after factors were used."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes.calibrate import cautions
from outcomes.cohort.schema import TOLERANCE
from outcomes.estimate.design import RateError
from outcomes.estimate.rates import fit_rate
from outcomes.measure.tolerance import beyond_tolerance, within_tolerance

if TYPE_CHECKING:
    from outcomes.cohort.read import Cohort

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
        movement, reached, reached_low, reached_high (change of the share of the aim reached, for
        the same kinds of teeth; mixed model), shortfall, shortfall_low, shortfall_high (change of
        the mean; ``shortfall_by`` "bootstrap" of patients, or where a period has fewer than 20 "t":
        Welch's interval of the means of patients). A shortfall grows with the aims, so that it is
        no measure of what factors did on its own. Missing where a period has too few patients.
    sentences, notes
        In words; what was left out.
    """

    periods: pd.DataFrame
    change: pd.DataFrame
    sentences: tuple[str, ...]
    notes: tuple[str, ...]
    since: pd.Timestamp

    def __repr__(self) -> str:
        tables = [
            t.to_string(index=False, float_format="{:.2f}".format)
            for t in (self.periods, self.change)
        ]
        words = [*self.sentences, *self.notes, NOT_A_TRIAL, *cautions.standing()]
        return "\n".join([*tables, *words])

    def _repr_html_(self) -> str:
        tables = "".join(
            t.to_html(index=False, float_format="{:.2f}".format, border=0, na_rep="–")
            for t in (self.periods, self.change)
        )
        words = [*self.sentences, *self.notes, NOT_A_TRIAL, *cautions.standing()]
        return f"{tables}<ul>{''.join(f'<li>{w}</li>' for w in words)}</ul>"


def closing_loop(
    cohort: Cohort | pd.DataFrame,
    since: str | date | pd.Timestamp,
    *,
    group: str | None = "tooth_class",
    level: float = 0.95,
    n_boot: int = 1000,
    seed: int = 1,
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
    level
        Level of the intervals.
    n_boot, seed
        Bootstrap of patients.

    Raises
    ------
    RateError
        If there are no start dates, or no course on one side of the date.

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
        unit = _unit(part, name)
        periods += [_period(part, name, unit, label) for label in ("before", "after")]
        change, why = _change(part, name, group, level, n_boot, seed)
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
        raise RateError(
            "No course has a start date: fill in the column start of the table courses."
        )
    if "movement" not in frame.columns:
        raise RateError("No column 'movement'.")
    aim = frame["planned"]
    if "aim" in frame.columns:
        aim = frame["aim"].fillna(frame["planned"])
    frame = frame.assign(aim=aim, start=pd.to_datetime(frame["start"]))
    undated = frame["start"].isna()
    notes = []
    if undated.any():
        n = int(undated.sum())
        left = "1 movement of a course" if n == 1 else f"{n:,} movements of courses"
        notes.append(f"{left} without a start {'is' if n == 1 else 'are'} left out.")
    used = frame[~undated & (frame["aim"] != 0) & (frame["planned"] != 0)]
    used = used[used["achieved"].notna()]
    after = (used["start"] >= when).astype(int)
    if after.nunique() < 2:
        side = "before" if not len(after) or after.iloc[0] else "on or after"
        raise RateError(f"No measured course began {side} {when:%Y-%m-%d}: nothing to compare.")
    both = used.assign(after=after).groupby("patient")["after"].nunique()
    if (both > 1).any():
        n = int((both > 1).sum())
        notes.append(
            f"{n} {'patient has' if n == 1 else 'patients have'} courses on both sides of the "
            "date: the later courses hold the teeth that lagged."
        )
    return used.assign(after=after), notes


def _unit(part: pd.DataFrame, movement: str) -> str:
    from outcomes.cohort.schema import MOVEMENTS

    if movement in MOVEMENTS:
        return MOVEMENTS[movement].unit
    return str(part["unit"].iloc[0]) if "unit" in part.columns else "mm"


def _period(part: pd.DataFrame, movement: str, unit: str, label: str) -> dict[str, Any]:
    rows = part[part["after"] == (label == "after")]
    sign = np.sign(rows["aim"])
    miss = (rows["aim"] - rows["achieved"]) * sign
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
        "shortfall": float(miss.abs().mean()),
        "within": float(within_tolerance(miss, TOLERANCE[unit]).mean()),
        "over": float(beyond_tolerance(-miss, TOLERANCE[unit]).mean()),
    }


_CHANGES = (
    "reached",
    "reached_low",
    "reached_high",
    "shortfall",
    "shortfall_low",
    "shortfall_high",
)


def _change(
    part: pd.DataFrame, movement: str, group: str | None, level: float, n_boot: int, seed: int
) -> tuple[dict[str, Any], str]:
    """Changes with intervals; and why there are none."""
    blank = {"movement": movement, **dict.fromkeys(_CHANGES, np.nan), "shortfall_by": ""}
    people = part.groupby("after")["patient"].nunique().reindex([0, 1]).fillna(0)
    if people.min() < 5:
        least = "before" if people[0] < people[1] else "after"
        return blank, f"only {int(people.min())} patients {least} the date"
    try:
        # the share of the aim reached is the rate model with the aim in the place of the plan
        reached = part.assign(planned=part["aim"]).drop(columns="aim")
        fit = fit_rate(reached, movement, group=group, covariates=["after"], level=level)
    except RateError as error:
        return blank, str(error)
    row = fit.covariates.set_index("covariate").loc["after"]
    few = people.min() < _ENOUGH_TO_RESAMPLE
    low, high, shift = _welch(part, level) if few else _bootstrap(part, level, n_boot, seed)
    values = (row["estimate"], row["low"], row["high"], shift, low, high)
    return {
        "movement": movement,
        **dict(zip(_CHANGES, np.asarray(values, dtype=float).tolist(), strict=True)),
        "shortfall_by": "t" if few else "bootstrap",
    }, ""


_ENOUGH_TO_RESAMPLE = 20  # with fewer patients percentile limits are too narrow


def _welch(part: pd.DataFrame, level: float) -> tuple[float, float, float]:
    """Change of the mean over patients of their mean absolute shortfall: low, high, change.

    Welch, Biometrika 1947;34:28–35.
    """
    from scipy.stats import ttest_ind

    miss = (part["aim"] - part["achieved"]).abs()
    means = miss.groupby([part["after"], part["patient"]]).mean()
    test = ttest_ind(means.loc[1], means.loc[0], equal_var=False)
    limits = test.confidence_interval(level)
    return float(limits.low), float(limits.high), float(means.loc[1].mean() - means.loc[0].mean())


def _bootstrap(
    part: pd.DataFrame, level: float, n_boot: int, seed: int
) -> tuple[float, float, float]:
    """Change of the mean absolute shortfall, patients resampled: low, high, change."""
    miss = (part["aim"] - part["achieved"]).abs()
    sums = miss.groupby([part["patient"], part["after"]]).agg(["sum", "size"]).unstack(fill_value=0)
    total, count = sums["sum"].to_numpy(float), sums["size"].to_numpy(float)
    rng = np.random.default_rng(seed)
    weights = rng.multinomial(len(total), np.full(len(total), 1 / len(total)), size=n_boot)
    with np.errstate(invalid="ignore", divide="ignore"):
        means = (weights @ total) / (weights @ count)
    shift = total.sum(0) / count.sum(0)
    tails = [(1 - level) / 2, (1 + level) / 2]
    low, high = np.nanquantile(means[:, 1] - means[:, 0], tails)
    return float(low), float(high), float(shift[1] - shift[0])


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
    mark = " mm" if unit == "mm" else "°"
    share = _direction(change["reached_low"], change["reached_high"])
    limits = (
        f"{100 * level:.0f} % interval {100 * change['reached_low']:+.0f} to "
        f"{100 * change['reached_high']:+.0f}"
    )
    size = f"{100 * abs(change['reached']):.0f} percentage points"
    said = {
        1: f"{size} more of the aim reached after than before ({limits})",
        -1: f"{size} less of the aim reached after than before ({limits})",
        0: f"no clear change of the share of the aim reached ({limits} percentage points)",
    }[share]
    before, after = (f"{period['aim']:.2f}{mark}" for period in periods)
    said += f"; aims were {before} on average before and {after} after"
    miss = _direction(change["shortfall_low"], change["shortfall_high"])
    limits = (
        f"{100 * level:.0f} % interval {change['shortfall_low']:+.2f} to "
        f"{change['shortfall_high']:+.2f}{mark}"
    )
    size = f"{abs(change['shortfall']):.2f}{mark}"
    if miss == 0:
        said += f"; no clear change of the shortfall ({limits})"
    elif miss == -share:
        said += f"; {size} {'less' if miss < 0 else 'more'} shortfall ({limits})"
    elif share == 0:
        said += (
            f"; the shortfall is {'smaller' if miss < 0 else 'larger'} by {size} ({limits}), but no "
            "clear change of the share goes with it: a shortfall changes with the size of the aims "
            "alone"
        )
    else:
        said += (
            f"; the shortfall is {'smaller' if miss < 0 else 'larger'} by {size} ({limits}): the two "
            "do not agree, and more of the aim can mean too far"
        )
    return f"{movement.capitalize()}: {said}.".replace(" -", " −")


def _direction(low: float, high: float) -> int:
    """1 where an interval lies above 0, −1 below, 0 otherwise."""
    return int(low > 0) - int(high < 0)
