"""A measure before and after in the same patients: paired t, effect size, signed ranks, target."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.special import nctdtr, stdtr, stdtrit

from outcomes.errors import CannotAnswer

__all__ = [
    "NO_TOOTH",
    "SMALL",
    "TOTAL",
    "effect_size",
    "judged",
    "paired_summary",
    "periods",
    "sd",
    "value_of_patient",
]

TOTAL = "total"
"""The period from the start to the last value."""
SMALL = 30
"""Below this number of patients the Wilcoxon test stands beside t (common practice, no source)."""
NO_TOOTH = -1
"""The tooth of a measure of the patient, while pairs are formed."""
_DECIMALS = 9
"""Differences are rounded so: 4.6 − 3.4 and 3.2 − 2.0 are the same change, and a tie."""


def value_of_patient(patients: pd.DataFrame, by: str) -> dict[str, Any]:
    """patient -> what a column of the patients table says."""
    if by not in patients.columns:
        there = ", ".join(map(str, patients.columns)) or "nothing"
        raise CannotAnswer(f"by={by!r} is no column of the patients table. It has: {there}.")
    return dict(zip(patients["patient"].astype(str), patients[by].astype(object), strict=True))


def periods(
    rows: pd.DataFrame, courses: Mapping[str, int]
) -> Iterator[tuple[str, pd.DataFrame, pd.DataFrame]]:
    """Each period: its name, the pairs, and who lacks one end and why."""
    key = ["patient", "tooth"]
    seen = rows.dropna(subset="value")
    wide = seen.pivot(index=key, columns="after_course", values="value")
    sites = pd.MultiIndex.from_frame(rows[key].drop_duplicates().sort_values(key))
    wide = wide.reindex(sites)
    target = _targets(rows).reindex(sites)
    last_seen = seen.groupby(key)["after_course"].max().reindex(sites)
    begun = pd.Series([courses.get(p, 0) for p in sites.get_level_values(0)], index=sites)
    begun = begun.where(begun >= last_seen.fillna(0), last_seen).astype(int)
    for course in range(1, int(begun.max() if len(begun) else 0) + 1):
        expected = begun >= course
        start, end = (_at(wide, visit)[expected] for visit in (course - 1, course))
        name = f"course {course}"
        reasons = (f"not measured before {name}", f"not measured after {name}")
        yield name, *_split(start, end, target, course, reasons)
    later = wide.loc[:, wide.columns.to_numpy(int) > 0]
    end = later.ffill(axis=1).iloc[:, -1] if later.shape[1] else _at(wide, -1)
    after = last_seen.where(last_seen > 0)
    reasons = ("not measured at the start", "not measured after any course")
    yield TOTAL, *_split(_at(wide, 0), end, target, after, reasons)


def _at(wide: pd.DataFrame, visit: int) -> pd.Series:
    if visit in wide.columns:
        return wide[visit]
    return pd.Series(np.nan, index=wide.index)


def _targets(rows: pd.DataFrame) -> pd.Series:
    """The last target given for each patient and tooth."""
    given = rows.dropna(subset="target").sort_values("after_course")
    return given.groupby(["patient", "tooth"])["target"].last()


def _split(
    start: pd.Series,
    end: pd.Series,
    target: pd.Series,
    after: int | pd.Series,
    reasons: tuple[str, str],
) -> tuple[pd.DataFrame, pd.DataFrame]:
    pairs = pd.DataFrame({"start": start, "end": end})
    pairs = pairs.assign(target=target.reindex(pairs.index), after_course=after)
    lacks = pairs[["start", "end"]].isna()
    whole = pairs[~lacks.any(axis=1)].reset_index()
    whole["after_course"] = whole["after_course"].astype(int)
    absent = lacks[lacks.any(axis=1)]
    reason = [
        "; ".join(r for r, lacking in zip(reasons, row, strict=True) if lacking)
        for row in absent.to_numpy()
    ]
    return whole, absent.index.to_frame(index=False).assign(reason=reason)


def judged(pairs: pd.DataFrame, near: float | None) -> pd.DataFrame:
    """Change and distance from the target of each pair."""
    change = (pairs["end"] - pairs["start"]).round(_DECIMALS)
    before, after = (
        (pairs[name] - pairs["target"]).abs().round(_DECIMALS) for name in ("start", "end")
    )
    unknown = pairs["target"].isna()
    within = np.inf if near is None else near

    def yes(condition: pd.Series, blank: pd.Series) -> pd.Series:
        return condition.astype("boolean").mask(blank)

    no_limit = unknown | (near is None)
    return pairs.assign(
        change=change,
        from_target=(pairs["end"] - pairs["target"]).round(_DECIMALS),
        met=yes(after <= within, no_limit),
        met_at_start=yes(before <= within, no_limit),
        nearer=yes(after < before, unknown),
    )


def paired_summary(pairs: pd.DataFrame, *, small: int, level: float) -> dict[str, Any]:
    """What is said of one measure in one period, patients as the unit.

    ``pairs`` as ``judged`` gives them; patient means are taken over teeth. With fewer patients than
    ``small`` the Wilcoxon test stands beside t.
    """
    by_patient = pairs.groupby("patient", sort=True)
    start, end = (by_patient[name].mean().to_numpy(float) for name in ("start", "end"))
    change = np.round(end - start, _DECIMALS)
    n = len(change)
    same = n > 1 and np.ptp(change) <= 1e-9
    usable = n > 1 and not same
    nan = float("nan")
    mean, spread = (float(change.mean()) if n else nan), sd(change)
    se = spread / np.sqrt(n) if usable else nan
    half = float(stdtrit(n - 1, 0.5 + level / 2)) * se if usable else nan
    effect = effect_size(start, end, level) if usable else (nan, nan, nan)
    with_target = by_patient["target"].count() > 0
    judged = by_patient["met"].count() > 0
    every = {name: by_patient[name].min() for name in ("met", "met_at_start", "nearer")}
    target_distance = _distances(pairs)
    note = {0: "nobody was measured at both times", 1: "one patient: no interval"}.get(n, "")
    if same:
        note = "every change is the same: no interval"
    return {
        "patients": n,
        "teeth": int((pairs["tooth"] != NO_TOOTH).sum()),
        "start_mean": float(start.mean()) if n else nan,
        "start_sd": sd(start),
        "end_mean": float(end.mean()) if n else nan,
        "end_sd": sd(end),
        "difference": mean,
        "sd": spread,
        "se": se,
        "df": float(n - 1) if usable else nan,
        "low": mean - half,
        "high": mean + half,
        "p": float(2 * stdtr(n - 1, -abs(mean / se))) if usable else nan,
        "effect_size": effect[0],
        "effect_low": effect[1],
        "effect_high": effect[2],
        "median_difference": float(np.median(change)) if n else nan,
        "wilcoxon_p": _wilcoxon(change) if 1 < n < small else nan,
        "with_target": int(with_target.sum()),
        "met": _count(every["met"], judged),
        "met_at_start": _count(every["met_at_start"], judged),
        "nearer": _count(every["nearer"], with_target),
        "distance_at_start": target_distance["start"],
        "distance": target_distance["end"],
        "note": note,
    }


def _distances(pairs: pd.DataFrame) -> dict[str, float]:
    """Mean distance from target at both ends, over patients."""
    aimed = pairs.dropna(subset="target")
    return {
        name: float((aimed[name] - aimed["target"]).abs().groupby(aimed["patient"]).mean().mean())
        for name in ("start", "end")
    }


def _count(yes: pd.Series, among: pd.Series) -> int:
    return int(yes[among].astype(bool).sum())


def sd(values: np.ndarray) -> float:
    """Missing for fewer than two values."""
    return float(values.std(ddof=1)) if len(values) > 1 else float("nan")


def effect_size(start: np.ndarray, end: np.ndarray, level: float) -> tuple[float, float, float]:
    """Cohen's d of paired data (d_av) and its interval, by the noncentral t.

    With D the mean change, s_D its SD and s_av the root mean square of both SDs, d = D / s_av. The
    limits of the noncentrality of t = √n D / s_D, at n − 1 df, times s_D / (√n s_av), are those of d:
    s_D holds the correlation of start and end.
    """
    n = len(start)
    both = float(np.sqrt((start.var(ddof=1) + end.var(ddof=1)) / 2))
    change = end - start
    se = float(change.std(ddof=1) / np.sqrt(n))
    if both == 0 or se == 0:
        return float("nan"), float("nan"), float("nan")
    t = float(change.mean()) / se
    low, high = (_noncentrality(t, n - 1, p) for p in (0.5 + level / 2, 0.5 - level / 2))
    return t * se / both, low * se / both, high * se / both


def _noncentrality(t: float, df: int, p: float) -> float:
    """Noncentrality at which a noncentral t of ``df`` lies below ``t`` with probability p."""

    def below(nc: float) -> float:
        chance = float(nctdtr(df, nc, t))
        # far out scipy gives NaN, where the chance is 0 or 1
        return (float(nc < t) if np.isnan(chance) else chance) - p

    reach = 1.0
    while below(t - reach) < 0 or below(t + reach) > 0:
        reach *= 2
    return float(brentq(below, t - reach, t + reach))


def _wilcoxon(change: np.ndarray) -> float:
    """p of the signed rank test; NaN where nothing changed."""
    import pingouin as pg

    if not change.any():
        return float("nan")
    return float(pg.wilcoxon(change)["p_val"].iloc[0])
