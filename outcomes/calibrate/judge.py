"""When a factor may be used: the rules, and what more cases would bring."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri, stdtrit

from outcomes.calibrate.fieller import FiellerInterval, fieller_reciprocal

__all__ = ["VERDICTS", "Rules", "Verdict", "judge", "more_patients_needed"]

VERDICTS = ("supported", "wide", "not supported")

_MOST = 5000  # patients beyond which nobody should wait for the answer


@dataclass(frozen=True)
class Rules:
    """When a factor is supported; common practice, no source; all settable.

    Attributes
    ----------
    enough
        Patients from which a factor may be called supported.
    fewest
        Patients below which no factor is given.
    widest
        Largest width of the factor's interval, as a share of the factor, to be called supported.
    max_factor
        No factor above this is given out. A rate below 1 / max_factor needs more than that.
    linear_p
        p of the linearity test below which one factor for all sizes of plan is called wide.
    level
        Level of the interval.
    """

    enough: int = 10
    fewest: int = 5
    widest: float = 0.5
    max_factor: float = 2.0
    linear_p: float = 0.01
    level: float = 0.95

    def __post_init__(self) -> None:
        if not 2 <= self.fewest <= self.enough:
            raise ValueError("fewest and enough must be patients, with 2 <= fewest <= enough.")
        if self.max_factor < 1:
            raise ValueError(
                f"max_factor must be at least 1, not {self.max_factor}: 1 plans the aim itself."
            )
        if not 0 < self.level < 1 or self.widest <= 0:
            raise ValueError("level must lie between 0 and 1, and widest above 0.")


@dataclass(frozen=True)
class Verdict:
    """supported, wide or not supported; the reasons in words; more patients for supported.

    ``factor`` is the factor to use, capped, or NaN; ``more_patients`` is None where no number of
    further patients like these would do.
    """

    verdict: str
    why: str
    factor: float
    interval: FiellerInterval
    more_patients: int | None


def judge(
    rate: float,
    se: float,
    df: float,
    patients: int,
    rules: Rules,
    *,
    borrowed: str = "",
    class_patients: int | None = None,
    bent: str = "",
) -> Verdict:
    """Judge one rate.

    Parameters
    ----------
    rate, se, df
        Achievement rate (share of the plan), its standard error and degrees of freedom.
    patients
        Patients with such movements.
    rules
        The limits.
    borrowed
        Where the rate leans on other teeth: their name, as "incisor".
    class_patients
        Patients with those.
    bent
        The sentence of a failed linearity test.

    Examples
    --------
    >>> judge(0.5, 0.02, 12, 14, Rules()).verdict
    'supported'
    >>> judge(0.5, 0.02, 3, 4, Rules()).why
    'Only 4 patients, and 5 are the fewest for any factor. 6 more would be enough for a firm one.'
    """
    interval = fieller_reciprocal(rate, se, df=df, level=rules.level)
    counted = patients if class_patients is None else class_patients
    low, high = _limits(rate, se, df, rules.level)
    hopeless = high < 1 / rules.max_factor
    more = None if hopeless else more_patients_needed(rate, se, df, counted, rules)
    level = f"{100 * rules.level:g} %"
    reasons: list[str] = []
    if counted < rules.fewest:
        what = f" with {borrowed} teeth" if borrowed else ""
        reasons.append(
            f"Only {_people(counted)}{what}, and {rules.fewest} are the fewest for any factor."
        )
    if high <= 0:
        reasons.append("These movements went the wrong way: planning more would do harm.")
    elif low <= 0:
        reasons.append(
            f"The rate cannot be told from zero ({level} interval {_percent(low)} to "
            f"{_percent(high)}), so any factor from {interval.high:.2g} to infinity would fit the "
            "records."
        )
    elif 1 / high > rules.max_factor:
        reasons.append(
            f"Even the most hopeful rate ({_percent(high)}) would need a factor of "
            f"{1 / high:.2g}, above the limit of {rules.max_factor:g}: think of an attachment, an "
            "auxiliary or another way rather than a larger plan."
        )
    if reasons:
        takes = (
            _to_tell_from_zero(rate, se, df, counted, rules)
            if hopeless
            else _what_it_takes(rate, more, rules)
        )
        return Verdict("not supported", " ".join([*reasons, takes]), np.nan, interval, more)
    factor = 1 / rate
    if counted < rules.enough:
        reasons.append(f"{_people(counted)} only; {rules.enough} are wanted.")
    if class_patients is not None and patients < rules.fewest:
        reasons.append(
            f"{_people(patients)} with this tooth itself: the rate leans on those of other "
            f"{borrowed} teeth."
        )
    if interval.high - interval.low > rules.widest * factor:
        reasons.append(
            f"The interval of the factor is wide: {interval.low:.2f} to {interval.high:.2f}."
        )
    if factor > rules.max_factor:
        reasons.append(
            f"The factor would be {factor:.2f} and is held at {rules.max_factor:g}: expect "
            f"{_percent(rate * rules.max_factor)} of the aim."
        )
    if bent:
        reasons.append(bent)
    used = min(factor, rules.max_factor)
    if reasons:
        takes = _what_it_takes(rate, more, rules) if more else ""
        return Verdict("wide", " ".join([*reasons, takes]).strip(), used, interval, more)
    why = f"{_people(counted)}; the factor is known to within {interval.low:.2f} to "
    return Verdict("supported", f"{why}{interval.high:.2f}.", used, interval, 0)


def more_patients_needed(
    rate: float, se: float, df: float, patients: int, rules: Rules
) -> int | None:
    """How many more patients like these until the factor is supported.

    Standard errors shrink with the square root of the number of patients, degrees of freedom grow
    in proportion, and the rate is taken to stay as it is. For a rate that cannot be told from zero
    and is too low for any factor, the number until it could be told whether it reaches
    1 / max_factor.

    Returns
    -------
    int or None
        None beyond 5,000 patients.

    Examples
    --------
    >>> more_patients_needed(0.5, 0.10, 5, 6, Rules())
    14
    """
    assumed = max(rate, 1 / rules.max_factor)
    for total in range(max(patients, rules.enough), _MOST + 1):
        share = total / patients
        if _narrow(assumed, se / np.sqrt(share), df * share, rules):
            return total - patients
    return None


def _narrow(rate: float, se: float, df: float, rules: Rules) -> bool:
    low, high = _limits(rate, se, df, rules.level)
    return low > 0 and (1 / low - 1 / high) * rate <= rules.widest


def _limits(rate: float, se: float, df: float, level: float) -> tuple[float, float]:
    tail = 0.5 + level / 2
    half = float(stdtrit(df, tail) if np.isfinite(df) else ndtri(tail)) * se
    return rate - half, rate + half


def _to_tell_from_zero(rate: float, se: float, df: float, patients: int, rules: Rules) -> str:
    """What more patients bring where even the upper limit is too low for any factor."""
    known = (
        f"The records already show a rate below {_percent(1 / rules.max_factor)}, the lowest that a "
        f"factor of {rules.max_factor:g} can serve: more patients would not change that."
    )
    if _limits(rate, se, df, rules.level)[0] > 0 or rate <= 0:
        return known
    for total in range(patients, _MOST + 1):
        share = total / patients
        if _limits(rate, se / np.sqrt(share), df * share, rules.level)[0] > 0:
            return f"{total - patients:,} more would tell it from zero. {known}"
    return known


def _what_it_takes(rate: float, more: int | None, rules: Rules) -> str:
    if more is None:
        return "No practicable number of further patients would change that."
    if rate < 1 / rules.max_factor:
        return (
            f"{more} more patients would tell whether the rate reaches "
            f"{_percent(1 / rules.max_factor)}, the lowest that a factor of {rules.max_factor:g} "
            "can serve."
        )
    return f"{more} more would be enough for a firm one."


def _people(n: int) -> str:
    return "1 patient" if n == 1 else f"{n:,} patients"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %".replace("-", "−")
