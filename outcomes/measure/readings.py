"""Measurement error from repeated readings: Dahlberg, systematic error, limits, ICC, change.

A subject is one movement of one tooth of one patient in one course. Two readings of it by the same
reader, or the first readings of two readers, are a pair; d is the second minus the first.

What is read is a movement: already the change of a tooth from one scan to the next, read once from
both. So SEM is the error of one reading of a change, and two questions have two answers: a change
is told from none by 1.96 SEM (one reading against nought), and two changes, as those of two courses
or two teeth, are told apart by 1.96 sqrt(2) SEM (two readings, each with its error). The usual
smallest detectable change, 1.96 sqrt(2) SEM, is for scores read at two times, each with its own
error, as a measure before and after. Errors of the scans themselves, which every reading shares,
are in none of these.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.domain.limit_in_force import unit_of
from outcomes.domain.movements import MOVEMENTS
from outcomes.errors import CannotAnswer, InputError
from outcomes.words.english import counted

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["measurement_error", "smallest_detectable_change"]

Comparison = Literal["readings", "readers"]

COLUMNS = [
    "movement",
    "unit",
    "comparison",
    "subjects",
    "patients",
    "readings",
    "pairs",
    "dahlberg",
    "bias",
    "bias_low",
    "bias_high",
    "bias_p",
    "sd_difference",
    "loa_low",
    "loa_low_from",
    "loa_low_to",
    "loa_high",
    "loa_high_from",
    "loa_high_to",
    "icc_a1",
    "icc_a1_low",
    "icc_a1_high",
    "icc_c1",
    "icc_c1_low",
    "icc_c1_high",
    "sem",
    "smallest_detectable_change",
    "smallest_detectable_difference",
    "note",
]
_SUBJECT = ["patient", "tooth", "course"]
_REQUIRED = ["patient", "tooth", "movement", "reader", "reading", "value"]
_MISSING = float("nan")


def measurement_error(
    repeats: Cohort | pd.DataFrame,
    *,
    compare: Comparison | None = None,
    multiple: float = 1.96,
    level: float = 0.95,
) -> pd.DataFrame:
    """How well each movement was measured, from repeated readings.

    Parameters
    ----------
    repeats
        A cohort, or its repeats table: patient, tooth, movement, reader, reading, value (mm or
        degrees), where known course (else 1) and occasion (orders the readings).
    compare
        ``"readings"``: a reader against themselves, all readers together; ``"readers"``: the first
        reading of each reader. None takes readings where any movement of a tooth was read twice by
        one reader, else readers; the column ``comparison`` says which.
    multiple
        Limits of agreement are bias ± multiple x SD of the differences.
    level
        Level of the confidence intervals.

    Returns
    -------
    DataFrame
        One row per movement, in mm or degrees as ``unit`` says: subjects (with at least two
        readings), patients, readings (how many of each subject enter ICC and SEM), pairs, dahlberg
        = sqrt(sum d^2 / 2n), bias (mean d) with interval and paired t p-value, sd_difference,
        limits of agreement with intervals (``_from``, ``_to``), ICC(A,1) and ICC(C,1) with
        intervals, sem (error of one reading), smallest_detectable_change = 1.96 sem (a movement
        read once, told from none), smallest_detectable_difference = 1.96 sqrt(2) sem (two movements
        told apart), and a note where a figure cannot be had. ICC and sem use all readings of the subjects that have the usual number of
        them; the rest use the first two.

    Raises
    ------
    InputError
        If columns are missing, or compare is none of these.
    CannotAnswer
        If no subject has two readings.

    Notes
    -----
    ``sem`` is that of agreement, sqrt(variance between readings + residual variance) from the
    two-way analysis of variance, so that a systematic error counts. ICC and their intervals are the
    F-based ones of McGraw & Wong (tables 4 and 7), not rounded; perfect repeats have no interval.
    Intervals of the limits use
    SE = SD sqrt(1/n + multiple^2 / (2(n-1))) and t on n-1 degrees of freedom. Pairs of one patient
    are taken as independent.

    References
    ----------
    Dahlberg G. Statistical Methods for Medical and Biological Students. 1940.
    Bland JM, Altman DG. Lancet 1986;1:307-310. Stat Methods Med Res 1999;8:135-160.
    McGraw KO, Wong SP. Psychol Methods 1996;1:30-46.
    de Vet HCW et al. J Clin Epidemiol 2006;59:1033-1039.

    Examples
    --------
    >>> import pandas as pd
    >>> read = pd.DataFrame({
    ...     "patient": ["P001", "P002", "P003", "P004"] * 2, "tooth": 11, "movement": "vertical",
    ...     "reader": "A", "reading": [1] * 4 + [2] * 4,
    ...     "value": [1.0, -0.4, 0.6, 0.2, 1.1, -0.5, 0.6, 0.3],
    ... })
    >>> error = measurement_error(read)
    >>> error[["movement", "pairs", "dahlberg", "bias", "icc_a1"]].round(3)
       movement  pairs  dahlberg   bias  icc_a1
    0  vertical      4     0.061  0.025   0.991
    """
    table = _readings(repeats)
    compare = compare or _usual_comparison(table)
    rows = [
        _movement_row(str(movement), part, compare, multiple, level)
        for movement, part in table.groupby("movement", sort=False)
    ]
    result = pd.DataFrame(rows, columns=COLUMNS)
    if not len(result) or not result["pairs"].any():
        raise CannotAnswer(_no_pairs(compare))
    return _in_schema_order(result)


def smallest_detectable_change(repeats: Cohort | pd.DataFrame) -> dict[str, float]:
    """Smallest movement that one reading tells from none, 1.96 SEM, mm or degrees, by movement.

    Movements without two readings are left out.

    Examples
    --------
    >>> import pandas as pd
    >>> smallest_detectable_change(pd.DataFrame(columns=["patient", "tooth", "movement",
    ...                                                  "reader", "reading", "value"]))
    {}
    """
    table = _readings(repeats)
    compare = _usual_comparison(table)
    found = {}
    for movement, part in table.groupby("movement", sort=False):
        sem = _standard_error_of_measurement(_complete(_wide(part, compare)))
        if np.isfinite(sem):
            found[str(movement)] = 1.96 * sem
    return found


def _readings(repeats: Cohort | pd.DataFrame) -> pd.DataFrame:
    table = repeats if isinstance(repeats, pd.DataFrame) else repeats.repeats
    missing = [name for name in _REQUIRED if name not in table.columns]
    if missing:
        raise InputError(
            f"The repeats table lacks {', '.join(missing)}; it has "
            f"{', '.join(map(str, table.columns)) or 'no columns'}."
        )
    table = table[table["value"].notna()].copy()
    if "course" not in table.columns:
        table["course"] = 1
    table["course"] = table["course"].fillna(1)
    order = [name for name in ("occasion", "reading") if name in table.columns]
    return table.sort_values(order, kind="stable", na_position="first")


def _usual_comparison(table: pd.DataFrame) -> Comparison:
    twice = table.duplicated([*_SUBJECT, "movement", "reader"]).any()
    return "readings" if twice else "readers"


def _wide(part: pd.DataFrame, compare: Comparison) -> pd.DataFrame:
    """One row a subject, one column a reading (1st, 2nd, ...) or a reader, NaN where not read."""
    if compare == "readings":
        subject = [*_SUBJECT, "reader"]
        column = part.groupby(subject).cumcount()
    elif compare == "readers":
        subject = _SUBJECT
        part = part.drop_duplicates([*_SUBJECT, "reader"])
        column = part["reader"]
    else:
        raise InputError(f"compare is 'readings', 'readers' or None, not {compare!r}.")
    wide = part.assign(_column=column).pivot(index=subject, columns="_column", values="value")
    return wide[sorted(wide.columns)].astype(float)


def _complete(wide: pd.DataFrame) -> pd.DataFrame:
    """Subjects that have every one of the first k readings; k >= 2 keeps the most numbers."""
    if wide.shape[1] < 2:
        return wide.iloc[:0]
    kept = {k: wide.iloc[:, :k].dropna() for k in range(2, wide.shape[1] + 1)}
    return max(kept.values(), key=lambda block: block.size)


def _first_pairs(wide: pd.DataFrame) -> np.ndarray:
    """The first two columns that were read, for each subject that has two: shape (n, 2)."""
    values = wide.to_numpy(dtype=float)
    pairs = [row[np.isfinite(row)][:2] for row in values if np.isfinite(row).sum() >= 2]
    return np.array(pairs, dtype=float).reshape(-1, 2)


def _movement_row(
    movement: str, part: pd.DataFrame, compare: Comparison, multiple: float, level: float
) -> dict[str, object]:
    wide = _wide(part, compare)
    pairs = _first_pairs(wide)
    block = _complete(wide)
    sem = _standard_error_of_measurement(block)
    read_twice = wide[wide.notna().sum(axis=1) >= 2]
    row: dict[str, object] = dict.fromkeys(COLUMNS, _MISSING)
    row |= {
        "movement": movement,
        "unit": unit_of(movement),
        "comparison": compare,
        "subjects": len(read_twice),
        "patients": read_twice.index.get_level_values("patient").nunique(),
        "readings": block.shape[1] if len(block) else 0,
        "pairs": len(pairs),
        "sem": sem,
        "smallest_detectable_change": 1.96 * sem,  # one reading of a change against no change
        "smallest_detectable_difference": float(1.96 * np.sqrt(2) * sem),  # two, of two changes
        "note": _note(len(pairs)),
    }
    return row | _agreement(pairs, multiple, level) | _reliability(block, level)


def _agreement(pairs: np.ndarray, multiple: float, level: float) -> dict[str, float]:
    """Dahlberg's error, bias with its paired t test, limits of agreement with intervals."""
    n = len(pairs)
    if n == 0:
        return {}
    d = pairs[:, 1] - pairs[:, 0]
    bias = float(d.mean())
    found = {"dahlberg": float(np.sqrt(d @ d / (2 * n))), "bias": bias}
    if n < 2:
        return found
    sd = float(d.std(ddof=1))
    t = float(stats.t.ppf(0.5 + level / 2, n - 1))
    half = t * sd / np.sqrt(n)
    half_limit = t * sd * np.sqrt(1 / n + multiple**2 / (2 * (n - 1)))
    low, high = bias - multiple * sd, bias + multiple * sd
    return found | {
        "bias_low": bias - half,
        "bias_high": bias + half,
        "bias_p": float(stats.ttest_1samp(d, 0.0).pvalue) if sd > 0 else float(bias == 0),
        "sd_difference": sd,
        "loa_low": low,
        "loa_low_from": low - half_limit,
        "loa_low_to": low + half_limit,
        "loa_high": high,
        "loa_high_from": high - half_limit,
        "loa_high_to": high + half_limit,
    }


def _mean_squares(block: pd.DataFrame) -> tuple[float, float, float]:
    """Mean squares of subjects, readings and residual in the two-way layout, one value a cell."""
    y = block.to_numpy(dtype=float)
    n, k = y.shape
    rows, columns = y.mean(axis=1, keepdims=True), y.mean(axis=0, keepdims=True)
    residual = y - rows - columns + y.mean()
    return (
        k * float(np.var(rows, ddof=1)),
        n * float(np.var(columns, ddof=1)),
        float((residual**2).sum()) / ((n - 1) * (k - 1)),
    )


def _standard_error_of_measurement(block: pd.DataFrame) -> float:
    if len(block) < 2:
        return _MISSING
    _, between, residual = _mean_squares(block)
    return float(np.sqrt(max(0.0, (between - residual) / len(block)) + residual))


def _reliability(block: pd.DataFrame, level: float) -> dict[str, float]:
    """ICC(A,1) and ICC(C,1) with F-based intervals, for at least three subjects that differ."""
    if len(block) < 3:
        return {}
    n, k = block.shape
    subjects, readings, residual = _mean_squares(block)
    if subjects == 0:
        return {}
    total = subjects + (k - 1) * residual
    found = {
        "icc_c1": (subjects - residual) / total,
        "icc_a1": (subjects - residual) / (total + k * (readings - residual) / n),
    }
    if residual > _NONE * subjects:
        found |= _limits_of_consistency(subjects / residual, n, k, level)
        found |= _limits_of_agreement(found["icc_a1"], (subjects, readings, residual), n, k, level)
    return {name: float(value) for name, value in found.items()}


_NONE = 1e-12  # a residual this small is that of binary numbers: the repeats are perfect


def _limits_of_consistency(ratio: float, n: int, k: int, level: float) -> dict[str, float]:
    """Of ICC(C,1), from F = MS subjects / MS residual."""
    tail, freedom = 0.5 + level / 2, (n - 1) * (k - 1)
    low = ratio / stats.f.ppf(tail, n - 1, freedom)
    high = ratio * stats.f.ppf(tail, freedom, n - 1)
    return {
        "icc_c1_low": (low - 1) / (low + k - 1),
        "icc_c1_high": (high - 1) / (high + k - 1),
    }


def _limits_of_agreement(
    icc: float, squares: tuple[float, float, float], n: int, k: int, level: float
) -> dict[str, float]:
    """Of ICC(A,1); the denominator's degrees of freedom are Satterthwaite's."""
    subjects, readings, residual = squares
    if icc >= 1:
        return {}
    a = k * icc / (n * (1 - icc))
    b = 1 + k * icc * (n - 1) / (n * (1 - icc))
    v = (a * readings + b * residual) ** 2 / (
        (a * readings) ** 2 / (k - 1) + (b * residual) ** 2 / ((n - 1) * (k - 1))
    )
    tail = 0.5 + level / 2
    rest = k * readings + (k * n - k - n) * residual
    over, under = stats.f.ppf(tail, n - 1, v), stats.f.ppf(tail, v, n - 1)
    if not np.isfinite([over, under]).all():
        return {}
    return {
        "icc_a1_low": n * (subjects - over * residual) / (over * rest + n * subjects),
        "icc_a1_high": n * (under * subjects - residual) / (rest + n * under * subjects),
    }


def _note(pairs: int) -> str:
    if pairs == 0:
        return "no second reading: nothing to compare"
    if pairs < 3:
        return f"{counted(pairs, 'pair')}: too few for a reliability coefficient"
    if pairs < 20:
        return f"only {pairs} pairs: wide intervals"
    return ""


def _no_pairs(compare: Comparison) -> str:
    if compare == "readers":
        return (
            "No movement of a tooth was read by two readers or twice by one reader: enter each "
            "repeated reading as a row of the repeats table, with its reader and reading number."
        )
    return (
        "No movement of a tooth was read twice by the same reader: use compare='readers', or "
        "enter the second readings."
    )


def _in_schema_order(table: pd.DataFrame) -> pd.DataFrame:
    place = {name: i for i, name in enumerate(MOVEMENTS)}
    order = table["movement"].map(lambda name: place.get(name, len(place)))
    return table.iloc[np.argsort(order.to_numpy(), kind="stable")].reset_index(drop=True)
