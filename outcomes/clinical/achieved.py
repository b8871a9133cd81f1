"""Descriptive achievement, beside the model: counts, means, pooled rates, misses by group."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes.clinical.paired import sd
from outcomes.domain.limit_in_force import Given, limits, units_of
from outcomes.domain.limits import within_tolerance
from outcomes.domain.movements import MOVEMENTS, TOOTH_CLASSES
from outcomes.errors import CannotAnswer, require_columns
from outcomes.measure.readings import smallest_detectable_change
from outcomes.rates.design import with_derived

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["achievement"]

MEASURES = [
    "patients",
    "movements",
    "planned_mean",
    "planned_sd",
    "achieved_mean",
    "achieved_sd",
    "pooled_rate",
    "pooled_low",
    "pooled_high",
    "median_ratio",
    "ratio_rows",
    "mean_absolute_error",
    "within_tolerance",
    "wrong_way",
    "overshot",
    "accuracy_percent",
    "note",
]
_REQUIRED = ["patient", "planned", "achieved"]
_DERIVED = ("tooth_class", "arch", "side", "direction")
_CHUNK = 2_000_000
"""Bootstrap weights held at once (draws x patients)."""


def achievement(
    cohort: Cohort | pd.DataFrame,
    by: str | Sequence[str] = ("movement", "tooth_class"),
    *,
    tolerance: Given = None,
    smallest_plan: Given = None,
    seed: int = 1,
    n_boot: int = 1000,
    level: float = 0.95,
) -> pd.DataFrame:
    """How much of the plan was achieved, described by group.

    Parameters
    ----------
    cohort
        A cohort, or a frame with patient, planned and achieved (mm or degrees, changes from the
        start of the course, same sign convention), ``movement`` or ``unit`` unless both limits
        below are numbers, and the columns of ``by`` (tooth class, arch, side and direction are
        derived from tooth and planned where absent). Rows with planned = 0 are unplanned
        movements and are left out.
    by
        Columns that make the groups; those of the patients and courses tables too. An empty list
        puts all rows in one group. Rows without a value form a group of their own.
    tolerance
        Largest |planned - achieved| that counts as within tolerance: a number, or numbers by
        movement or unit; by default 0.5 mm and 2 degrees.
    smallest_plan
        Smallest |planned| that enters the ratio columns, likewise; by default the smallest
        detectable change of the movement where the cohort has repeats, else 0.2 mm and 1 degree.
    seed, n_boot, level
        Patient bootstrap of the pooled rate: percentile interval from ``n_boot`` resamples of the
        group's patients. The same group gets the same interval whatever other groups there are.

    Returns
    -------
    DataFrame
        The columns of ``by``, then

        - patients, movements: how many.
        - planned_mean, planned_sd, achieved_mean, achieved_sd: mm or degrees in the planned
          direction, so that planned is positive and achieved negative only where it went the
          wrong way.
        - pooled_rate, pooled_low, pooled_high: sum of achieved in the planned direction over sum
          of |planned|; 0.5 is half the plan.
        - median_ratio: median of achieved/planned over the ``ratio_rows`` with a plan large
          enough.
        - mean_absolute_error: mean |planned - achieved|, mm or degrees.
        - within_tolerance, wrong_way, overshot: shares of movements. Overshot is any amount beyond
          the plan.
        - accuracy_percent: mean of 100 - 100 |planned - achieved| / |planned| over the
          same ``ratio_rows``. For comparison with papers only: biased for small plans, where
          measurement error alone makes it poor.
        - note: why a figure is missing.

    Raises
    ------
    CannotAnswer
        If columns are missing, numbers are missing, or a group would mix mm and degrees.

    Examples
    --------
    >>> import pandas as pd
    >>> frame = pd.DataFrame({
    ...     "patient": ["P001", "P001", "P002", "P002"], "movement": "rotation",
    ...     "planned": [10.0, -6.0, 8.0, 0.0], "achieved": [6.0, -3.0, 9.0, 0.4],
    ... })
    >>> table = achievement(frame, by="movement")
    >>> table[["movement", "patients", "movements", "pooled_rate", "overshot"]].round(2)
       movement  patients  movements  pooled_rate  overshot
    0  rotation         2          3         0.75      0.33
    """
    by = [by] if isinstance(by, str) else list(by)
    rows = _planned_rows(_frame(cohort, by), by)
    unit = units_of(rows)
    _refuse_mixed_units(rows, unit, by)
    planned, achieved = rows["planned"].to_numpy(float), rows["achieved"].to_numpy(float)
    size = np.abs(planned)
    detectable = {} if smallest_plan is not None else _detectable_change(cohort)
    work = pd.DataFrame(
        {
            "patient": pd.factorize(rows["patient"], sort=True)[0],
            "size": size,
            "moved": achieved * np.sign(planned),
            "error": np.abs(planned - achieved),
            "tolerance": _limit_of_rows("tolerance", tolerance, rows, unit),
            "usable": size
            >= _limit_of_rows("smallest_plan", smallest_plan, rows, unit, detectable),
        },
        index=rows.index,
    )
    if not by:
        found = [_describe(work, seed, n_boot, level)] if len(work) else []
        return pd.DataFrame(found, columns=MEASURES)
    ordered = rows[by].apply(_in_known_order)
    numbers = ordered.groupby(by, observed=True, dropna=False, sort=True).ngroup().to_numpy()
    keys = rows[by].iloc[np.unique(numbers, return_index=True)[1]].reset_index(drop=True)
    found = [
        _describe(work[numbers == g], seed, n_boot, level)
        for g in range(numbers.max(initial=-1) + 1)
    ]
    return pd.concat([keys, pd.DataFrame(found, columns=MEASURES)], axis=1)


def _frame(cohort: Cohort | pd.DataFrame, by: list[str]) -> pd.DataFrame:
    if isinstance(cohort, pd.DataFrame):
        frame = cohort
    else:
        wanted = [*_REQUIRED, *by]
        inside = all(name in cohort.movements.columns for name in wanted)
        frame = cohort.movements if inside else cohort.frame()
    if "tooth" in frame.columns:
        frame = with_derived(frame, [name for name in by if name in _DERIVED])
    require_columns(frame, [*_REQUIRED, *by])
    return frame.reset_index(drop=True)


def _in_known_order(values: pd.Series) -> pd.Series:
    """Movements, tooth classes and arches in the order of the schema rather than the alphabet."""
    known = {"movement": MOVEMENTS, "tooth_class": TOOTH_CLASSES, "arch": ("upper", "lower")}
    names = list(known.get(str(values.name), ()))
    if isinstance(values.dtype, pd.CategoricalDtype) or not values.dropna().isin(names).all():
        return values
    return pd.Series(pd.Categorical(values, names, ordered=True), index=values.index)


def _planned_rows(frame: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    clash = [name for name in by if name in MEASURES]
    if clash:
        raise CannotAnswer(
            f"{', '.join(clash)}: a result column has that name; rename the column to group by."
        )
    blank = int(frame[_REQUIRED].isna().any(axis=1).sum())
    if blank:
        raise CannotAnswer(
            f"patient, planned or achieved is blank in {blank} of {len(frame)} rows. Read the "
            "table with read_cohort or from_frames, which list such rows in the ledger, or drop "
            "them."
        )
    return frame[frame["planned"] != 0]


def _refuse_mixed_units(rows: pd.DataFrame, unit: pd.Series, by: list[str]) -> None:
    if not len(rows):
        return
    named = rows[by].assign(_unit=unit.to_numpy())
    units = named.groupby(by, observed=True, dropna=False)["_unit"] if by else None
    most = units.nunique().max() if units is not None else named["_unit"].nunique()
    if most > 1:
        raise CannotAnswer(
            "A group would add up mm and degrees: put 'movement' (or 'unit') into by, or choose "
            "one movement first."
        )


def _detectable_change(cohort: Cohort | pd.DataFrame) -> dict[str, float]:
    if isinstance(cohort, pd.DataFrame) or not len(cohort.repeats):
        return {}
    return smallest_detectable_change(cohort)


def _limit_of_rows(
    name: str,
    given: Given,
    rows: pd.DataFrame,
    unit: pd.Series,
    measured: Mapping[str, float] | None = None,
) -> np.ndarray:
    """The limit of each row: as given, else measured for its movement, else that of its unit."""
    if isinstance(given, int | float):
        if not given >= 0:
            raise CannotAnswer(f"{name} is {given}: give a number that is not negative.")
        return np.full(len(rows), float(given))
    movements = rows["movement"] if "movement" in rows.columns else None
    limit = limits(name, movements, unit, {**(measured or {}), **(given or {})})
    if np.isnan(limit).any():
        raise CannotAnswer(
            f"No {name} is known for some rows: give {name} as a number, or add a column "
            "'movement' or 'unit' (mm, degree)."
        )
    return limit


def _describe(group: pd.DataFrame, seed: int, n_boot: int, level: float) -> dict[str, Any]:
    size, moved, error = (group[name].to_numpy(float) for name in ("size", "moved", "error"))
    usable = group["usable"].to_numpy(bool)
    patients = group["patient"].nunique()
    low, high = _bootstrap_pooled(group, seed, n_boot, level)
    notes = []
    if patients < 2:
        notes.append("one patient: no interval")
    if not usable.any():
        notes.append("all plans too small for a ratio")
    with_ratio = (moved[usable] / size[usable], error[usable] / size[usable])
    return {
        "patients": patients,
        "movements": len(group),
        "planned_mean": size.mean(),
        "planned_sd": sd(size),
        "achieved_mean": moved.mean(),
        "achieved_sd": sd(moved),
        "pooled_rate": moved.sum() / size.sum(),
        "pooled_low": low,
        "pooled_high": high,
        "median_ratio": np.median(with_ratio[0]) if usable.any() else np.nan,
        "ratio_rows": int(usable.sum()),
        "mean_absolute_error": error.mean(),
        "within_tolerance": np.mean(within_tolerance(error, group["tolerance"].to_numpy(float))),
        "wrong_way": np.mean(moved < 0),
        "overshot": np.mean(moved > size),
        "accuracy_percent": 100 - 100 * with_ratio[1].mean() if usable.any() else np.nan,
        "note": "; ".join(notes),
    }


def _bootstrap_pooled(
    group: pd.DataFrame, seed: int, n_boot: int, level: float
) -> tuple[float, float]:
    """Percentile interval of the pooled rate; a resample is a multinomial weight per patient."""
    sums = group.groupby("patient")[["moved", "size"]].sum().to_numpy(float)
    n = len(sums)
    if n < 2 or n_boot < 1:
        return float("nan"), float("nan")
    rng = np.random.default_rng(seed)
    rates = []
    step = max(1, _CHUNK // n)
    for start in range(0, n_boot, step):
        weights = rng.multinomial(n, np.full(n, 1 / n), size=min(step, n_boot - start))
        totals = weights @ sums
        rates.append(totals[:, 0] / totals[:, 1])
    tail = (1 - level) / 2
    low, high = np.quantile(np.concatenate(rates), [tail, 1 - tail])
    return float(low), float(high)
