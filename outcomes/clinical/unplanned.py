"""Movements that were not planned: what happened where the plan was zero."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import stdtr, stdtrit

from outcomes.clinical.paired import sd
from outcomes.domain.limit_in_force import Given, limits, units_of
from outcomes.domain.limits import FEW_PATIENTS, beyond_tolerance
from outcomes.domain.movements import MOVEMENTS
from outcomes.errors import CannotAnswer, require_columns
from outcomes.mixed.blocks import cross_products
from outcomes.mixed.fit import fit_mixed
from outcomes.rates.design import with_derived

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = [
    "FEWEST_PATIENTS",
    "LEAST_MEASURED",
    "ClusteredMean",
    "clustered_mean",
    "unplanned",
    "worst_unplanned",
]

FEWEST_PATIENTS = FEW_PATIENTS
"""Equivalence is tested where at least so many patients were measured (common practice, no source)."""
LEAST_MEASURED = 0.8
"""... and at least this share of the records with a plan of zero: where more than a fifth is lost,
the rest need not be like it (the rule of five and twenty, Lancet 2002;359:781–785, from memory)."""

COLUMNS = (
    "patients",
    "treated",
    "movements",
    "not_measured",
    "mean",
    "sd",
    "se",
    "df",
    "low",
    "high",
    "limit",
    "tost_low",
    "tost_high",
    "p_tost",
    "equivalent",
    "largest",
    "largest_patient",
    "largest_tooth",
    "beyond_tolerance",
    "note",
)
_SAME = 1e-9
"""Values that differ by less than this share of their size are the same value."""
_NO_SPREAD = 1e-8
"""Share of the variation below which the rows of a patient do not vary."""


@dataclass(frozen=True)
class ClusteredMean:
    """A mean over rows of patients; ``se`` and ``df`` are NaN where nothing can be said of others.

    ``note`` says why, or what was assumed.
    """

    mean: float
    se: float
    df: float
    patients: int
    note: str = ""

    def interval(self, level: float) -> tuple[float, float]:
        """t interval of this level."""
        half = float(stdtrit(self.df, 0.5 + level / 2)) * self.se
        return self.mean - half, self.mean + half

    def equivalence(self, limit: float) -> float:
        """p of two one-sided tests against ±limit: the larger of the two."""
        above = stdtr(self.df, -(self.mean + limit) / self.se)
        below = stdtr(self.df, (self.mean - limit) / self.se)
        return float(max(above, below))


def clustered_mean(values: np.ndarray, patient: np.ndarray) -> ClusteredMean:
    """Mean of rows that belong to patients: mixed model with a random intercept, REML.

    Parameters
    ----------
    values
        One number for each row, shape (n,).
    patient
        The patient of each row, shape (n,).

    Returns
    -------
    ClusteredMean
        With one row for each patient this is the ordinary one-sample t.

    Notes
    -----
    Degrees of freedom are Satterthwaite's, and never more than patients − 1: for few patients the
    variance between them is often estimated as zero, and the rows would then count as if each came
    from another patient. In balanced data Satterthwaite's value is patients − 1 itself.

    Examples
    --------
    >>> mean = clustered_mean(
    ...     np.array([0.1, 0.2, 0.3, 0.5, 0.0, 0.1]), np.array(["P1", "P1", "P2", "P2", "P3", "P3"])
    ... )
    >>> f"{mean.mean:.2f} (SE {mean.se:.2f}, {mean.df:.0f} df)"
    '0.20 (SE 0.10, 2 df)'
    """
    values = np.asarray(values, dtype=float)
    code, labels = pd.factorize(np.asarray(patient))
    n, patients = len(values), len(labels)
    nan = float("nan")
    if n == 0:
        return ClusteredMean(nan, nan, nan, 0, "no row")
    if patients == 1:
        return ClusteredMean(float(values.mean()), nan, nan, 1, "one patient: no interval")
    if np.ptp(values) <= _SAME * max(1.0, float(np.abs(values).max())):
        return ClusteredMean(
            float(values.mean()), nan, nan, patients, "every value is the same: no interval"
        )
    means = np.bincount(code, values) / np.bincount(code)
    within = values - means[code]
    if within @ within <= _NO_SPREAD * float(np.var(values)) * n:
        # One row for each patient, or the same value in all rows of a patient: the limit of the
        # mixed model as the variance between patients outgrows that between rows.
        note = "" if n == patients else "the rows of a patient are all alike: patients' means used"
        se = float(means.std(ddof=1) / np.sqrt(patients))
        return ClusteredMean(float(means.mean()), se, float(patients - 1), patients, note)
    one = np.ones((n, 1))
    fitted = fit_mixed(cross_products(one, values, one, code, names=("mean",)))
    note = "no variation between patients beyond that between rows" if fitted.singular else ""
    contrast = np.ones((1, 1))
    return ClusteredMean(
        mean=float(fitted.beta[0]),
        se=float(fitted.standard_error(contrast)[0]),
        df=float(min(fitted.df(contrast)[0], patients - 1)),
        patients=patients,
        note=note,
    )


def unplanned(
    cohort: Cohort | pd.DataFrame,
    by: str | Sequence[str] = ("movement", "tooth_class"),
    *,
    tolerance: Given = None,
    level: float = 0.95,
    alpha: float = 0.05,
) -> pd.DataFrame:
    """Describe movements with planned = 0: side effects and loss of anchorage, never a rate.

    Parameters
    ----------
    cohort
        A cohort, or a frame with patient, movement, planned, achieved and ``by`` (tooth class,
        arch and side are derived from tooth where absent).
    by
        Columns to group by, ``movement`` among them where there are several. For "upper incisors
        not extruded while molars are intruded", take ``("movement", "arch", "tooth_class")``.
    tolerance
        Size that matters, and the limits of equivalence: a number, or numbers by movement or unit;
        by default 0.5 mm and 2° (Angle Orthod 2017;87(6):809–815, doi:10.2319/022717-147.1).
    level
        Level of the interval.
    alpha
        Level of each of the two one-sided tests.

    Returns
    -------
    DataFrame
        *by*, unit, then

        - patients, movements: rows with a value; treated: patients in the cohort or frame, with such
          rows or not; not_measured: rows with planned = 0 and without a value. A row that is blank
          or not there is no row at zero: it enters no mean.
        - mean, se, df, low, high: mm or degrees, sign of the movement; of a mixed model with a
          random intercept for each patient (``clustered_mean``), so that a patient with many rows
          does not count as many patients. sd is that between rows.
        - limit, tost_low, tost_high, p_tost, equivalent: two one-sided tests against ± limit, and
          the 1 − 2·alpha interval that says the same: equivalent where it lies inside the limits.
          Not adjusted for the number of groups. p_tost and equivalent are blank where no interval
          can be given, fewer than 5 patients were measured (``FEWEST_PATIENTS``), or less than 80 %
          of the rows (``LEAST_MEASURED``); that a test does not show equivalence is no proof of a
          movement.
        - largest, largest_patient, largest_tooth: the row furthest from zero.
        - beyond_tolerance: share of rows beyond the limit.
        - note: what could not be said, and why.

        No rows where nothing was unplanned.

    Raises
    ------
    CannotAnswer
        If columns are missing, movements would be mixed, or no limit is known.

    References
    ----------
    Schuirmann DJ. J Pharmacokinet Biopharm 1987;15:657–680 (the two one-sided tests).

    Examples
    --------
    >>> frame = pd.DataFrame({"patient": ["P001", "P002", "P003", "P004", "P005"],
    ...     "movement": "vertical", "tooth_class": "molar", "unit": "mm", "planned": 0.0,
    ...     "achieved": [0.2, 0.6, 0.1, 0.0, 0.3]})
    >>> unplanned(frame)[["movements", "mean", "low", "high", "p_tost", "largest"]].round(2)
       movements  mean   low  high  p_tost  largest
    0          5  0.24 -0.05  0.53    0.03      0.6

    Three patients are described and not tested:

    >>> print(unplanned(frame.head(3))["note"].iloc[0])
    3 patients measured: equivalence is not tested with fewer than 5
    """
    for name, value in (("level", level), ("alpha", alpha)):
        if not 0 < value < 1:
            raise CannotAnswer(f"{name} must lie between 0 and 1, not {value}.")
    by = (by,) if isinstance(by, str) else tuple(by)
    clash = [name for name in by if name in (*COLUMNS, "unit")]
    if clash:
        raise CannotAnswer(
            f"{', '.join(clash)}: a result column has that name. Group by other columns."
        )
    rows = _rows(cohort, by, tolerance)
    treated = (
        cohort["patient"].nunique() if isinstance(cohort, pd.DataFrame) else len(cohort.treated)
    )
    keys = [*by, "unit"]
    parts = []
    for key, group in rows.groupby(keys, observed=True, sort=True, dropna=False):
        if "movement" in group.columns and group["movement"].nunique() > 1:
            raise CannotAnswer("A group would mix movements: put 'movement' into by.")
        found: dict[str, Any] = dict(zip(keys, key, strict=True))
        parts.append({**found, "treated": treated, **_describe(group, level, alpha)})
    table = pd.DataFrame(parts, columns=[*keys, *COLUMNS])
    table["equivalent"] = table["equivalent"].astype("boolean")
    if "movement" in by:
        table["movement"] = table["movement"].astype(str)
    return table


def worst_unplanned(
    cohort: Cohort | pd.DataFrame, n: int = 10, *, tolerance: Given = None
) -> pd.DataFrame:
    """The unplanned movements that went furthest, whatever their unit.

    Parameters
    ----------
    cohort, tolerance
        As for ``unplanned``.
    n
        How many rows at most.

    Returns
    -------
    DataFrame
        patient, tooth, course (where given), movement, unit, achieved, limit, times_limit, sorted by
        times_limit = \\|achieved\\| / limit, the largest first. The index is that of the movements.

    Examples
    --------
    >>> frame = pd.DataFrame({"patient": "P001", "tooth": [11, 36], "movement": ["tip", "vertical"],
    ...     "planned": 0.0, "achieved": [-3.0, 0.9]})
    >>> worst_unplanned(frame)[["tooth", "movement", "achieved", "times_limit"]]
       tooth  movement  achieved  times_limit
    1     36  vertical       0.9          1.8
    0     11       tip      -3.0          1.5
    """
    rows = _rows(cohort, (), tolerance).dropna(subset="achieved")
    rows = rows.assign(times_limit=rows["achieved"].abs() / rows["limit"])
    shown = ["patient", "tooth", "course", "movement", "unit", "achieved", "limit", "times_limit"]
    rows = rows.sort_values("times_limit", ascending=False, kind="stable").head(n)
    return rows[[name for name in shown if name in rows.columns]]


def _rows(cohort: Cohort | pd.DataFrame, by: tuple[str, ...], tolerance: Given) -> pd.DataFrame:
    """Rows with planned = 0, with the columns of ``by``, unit and limit."""
    frame = cohort if isinstance(cohort, pd.DataFrame) else cohort.frame(unmeasured=True)
    if "tooth" in frame.columns:
        frame = with_derived(frame, [c for c in by if c in ("tooth_class", "arch", "side")])
    require_columns(frame, ("patient", "planned", "achieved", *by))
    rows = frame[(frame["planned"] == 0).to_numpy(dtype=bool, na_value=False)]
    units = units_of(rows)
    if "unit" not in rows.columns and units.isna().any():
        raise CannotAnswer("Whether mm or degrees is not known: add a column 'movement' or 'unit'.")
    limit = limits("tolerance", rows.get("movement"), units, tolerance)
    if not (limit > 0).all():
        raise CannotAnswer("Give tolerance as a positive number, or positive numbers by unit.")
    rows = rows.assign(unit=rows.get("unit", units), limit=limit)
    if "movement" in rows.columns:
        rows = rows.assign(movement=_in_schema_order(rows["movement"]))
    return rows


def _in_schema_order(movement: pd.Series) -> pd.Series:
    present = [str(m) for m in movement.dropna().unique()]
    order = [m for m in MOVEMENTS if m in present] + sorted(set(present) - set(MOVEMENTS))
    return pd.Series(pd.Categorical(movement, order, ordered=True), index=movement.index)


def _describe(rows: pd.DataFrame, level: float, alpha: float) -> dict[str, Any]:
    seen = rows.dropna(subset="achieved")
    achieved = seen["achieved"].to_numpy(float)
    average = clustered_mean(achieved, seen["patient"].to_numpy())
    limit = float(rows["limit"].iloc[0])
    low, high = average.interval(level)
    inner = average.interval(1 - 2 * alpha)
    few = _too_few(average.patients, len(seen), len(rows))
    p = float("nan") if few else average.equivalence(limit)
    worst = seen.iloc[int(np.abs(achieved).argmax())] if len(seen) else None
    return {
        "patients": average.patients,
        "movements": len(seen),
        "not_measured": len(rows) - len(seen),
        "mean": average.mean,
        "sd": sd(achieved),
        "se": average.se,
        "df": average.df,
        "low": low,
        "high": high,
        "limit": limit,
        "tost_low": inner[0],
        "tost_high": inner[1],
        "p_tost": p,
        "equivalent": None if np.isnan(p) else p < alpha,
        "largest": np.nan if worst is None else float(worst["achieved"]),
        "largest_patient": None if worst is None else worst["patient"],
        "largest_tooth": None if worst is None else worst.get("tooth"),
        "beyond_tolerance": beyond_tolerance(seen["achieved"].abs(), limit).mean(),
        "note": "; ".join(filter(None, [average.note, few])),
    }


def _too_few(patients: int, measured: int, rows: int) -> str:
    """Why equivalence is not tested; nothing where enough was measured."""
    if not measured or patients == 1:
        return ""  # there is no interval, and the note says so
    if patients < FEWEST_PATIENTS:
        return (
            f"{patients} patients measured: equivalence is not tested with fewer than "
            f"{FEWEST_PATIENTS}"
        )
    if measured < LEAST_MEASURED * rows - _SAME:
        return (
            f"{measured} of {rows} movements measured: equivalence is not tested below "
            f"{LEAST_MEASURED:.0%}"
        )
    return ""
