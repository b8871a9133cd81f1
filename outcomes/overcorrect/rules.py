"""When a factor may be used: its interval (Fieller), the rules, and what more cases would bring."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy.special import stdtrit

from outcomes.domain.limits import ENOUGH_PATIENTS, FEW_PATIENTS
from outcomes.errors import InputError
from outcomes.words.english import counted, is_
from outcomes.words.numbers import level_words, percent

__all__ = [
    "VERDICTS",
    "FiellerInterval",
    "Rules",
    "Verdict",
    "factor_given",
    "fieller",
    "fieller_reciprocal",
    "held_factor",
    "judge",
    "more_patients_needed",
]

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
    sure
        Of an expectation: chance that the rate is above 0 below which no plan is made; that of the
        past cases, or that with this patient's own results if it is more.
    range_of_aim, range_of_tolerance
        Of an expectation: the 80 % range of the result is wide where it is wider than so many times
        the aim, and than so many times the tolerance.
    """

    enough: int = ENOUGH_PATIENTS
    fewest: int = FEW_PATIENTS
    widest: float = 0.5
    max_factor: float = 2.0
    linear_p: float = 0.01
    level: float = 0.95
    sure: float = 0.90
    range_of_aim: float = 1.0
    range_of_tolerance: float = 2.0

    def __post_init__(self) -> None:
        if not 2 <= self.fewest <= self.enough:
            raise InputError("fewest and enough must be patients, with 2 <= fewest <= enough.")
        if self.max_factor < 1:
            raise InputError(
                f"max_factor must be at least 1, not {self.max_factor}: 1 plans the aim itself."
            )
        if not 0 < self.level < 1 or not 0 < self.linear_p < 1 or self.widest <= 0:
            raise InputError("level and linear_p must lie between 0 and 1, and widest above 0.")
        if not 0 < self.sure < 1 or self.range_of_aim <= 0 or self.range_of_tolerance <= 0:
            raise InputError(
                "sure must lie between 0 and 1, and range_of_aim and range_of_tolerance above 0."
            )


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

    @property
    def row(self) -> dict[str, Any]:
        """As it stands in a table: low, high, kind, verdict, why, more_patients."""
        ends = {name: getattr(self.interval, name) for name in ("low", "high", "kind")}
        said = {name: getattr(self, name) for name in ("verdict", "why", "more_patients")}
        return ends | said


def factor_given(low: Any, patients: Any, rules: Rules, *, tested: Any = True) -> Any:
    """The one rule for whether any factor is given; numbers, or arrays of one shape.

    ``low`` is the lower end of the interval of the rate, ``patients`` are those with such movements in
    that direction, ``tested`` says whether anything was ever planned in it.

    Examples
    --------
    >>> factor_given(np.array([0.1, 0.0, 0.1]), np.array([5, 9, 4]), Rules()).tolist()
    [True, False, False]
    """
    return tested & (np.asarray(patients) >= rules.fewest) & (np.asarray(low) > 0)


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
    records: int | None = None,
    untested: str = "",
    beyond: str = "",
    own_movements: int = 0,
    own: str = "patient",
) -> Verdict:
    """Judge one rate (share of the plan) with its standard error and degrees of freedom.

    Parameters
    ----------
    patients
        Patients with such movements.
    borrowed
        Where the rate leans on other teeth: their name, as "incisor".
    class_patients
        Patients with those.
    bent
        The sentence of a failed linearity test.
    records
        Patients on whom the rate rests, where those that count are fewer, as when only some had
        plans in the direction asked for.
    untested
        Why nothing like this was ever planned: then no factor is supported.
    beyond
        Why the plan lies outside the past ones: then no factor is more than wide.
    own_movements, own
        Past movements of this very patient, where the rate and its error are that patient's own,
        and whose rate it is ("patient" or "tooth"). More of other patients then bring little.

    Examples
    --------
    >>> judge(0.5, 0.02, 12, 14, Rules()).verdict
    'supported'
    >>> judge(0.5, 0.02, 3, 4, Rules()).why
    'Only 4 patients, and 5 are the fewest for any factor. 6 more patients would be enough for a firm one.'
    """
    interval = fieller_reciprocal(rate, se, df=df, level=rules.level)
    many = patients if class_patients is None else class_patients
    low, high = _limits(rate, se, df, rules.level)
    more = more_patients_needed(rate, se, df, many, rules, records=records)
    of_own = f" of this {own}" if own_movements else ""
    if own_movements and more:
        more = None if many >= rules.enough else rules.enough - many
    there = " with plans in this direction" if records is not None and records > many else ""
    level = level_words(rules.level, space=" ")
    reasons: list[str] = []
    if untested:
        reasons.append(untested)
    elif many < rules.fewest:
        what = f" with {borrowed} teeth" if borrowed else ""
        reasons.append(
            f"Only {counted(many, 'patient')}{what}{there}, and {rules.fewest} are the fewest for any factor."
        )
    if high <= 0:
        reasons.append("These movements went the wrong way: planning more would do harm.")
    elif low <= 0:
        reasons.append(
            f"The rate{of_own} cannot be told from zero ({level} interval {percent(low)} to "
            f"{percent(high)}), so any factor from {interval.high:.2g} to infinity would fit the "
            "records."
        )
    if not factor_given(low, many, rules, tested=not untested):
        takes = _what_it_takes(rate, high, more, rules)
        if own_movements:
            takes = _what_own_takes(more)
        return Verdict("not supported", " ".join([*reasons, takes]), np.nan, interval, more)
    factor = 1 / rate
    if many < rules.enough:
        reasons.append(f"{counted(many, 'patient')}{there} only; {rules.enough} are wanted.")
    if class_patients is not None and patients < rules.fewest:
        reasons.append(
            f"{counted(patients, 'patient')} with this tooth itself{there}: the rate leans on those of other "
            f"{borrowed} teeth."
        )
    if interval.high - interval.low > rules.widest * factor:
        reasons.append(
            f"The interval of the factor{of_own} is wide: {interval.low:.2f} to "
            f"{interval.high:.2f}."
        )
    if beyond:
        reasons.append(beyond)
    if bent:
        reasons.append(bent)
    held = held_factor(rate, high, rules)
    used = min(factor, rules.max_factor)
    if reasons:
        takes = _what_it_takes(rate, high, more, rules) if more else ""
        if own_movements:
            narrow = _narrow(rate, se, df, rules)
            takes = "" if narrow and not more else _what_own_takes(more)
        return Verdict(
            "wide", " ".join(filter(None, [*reasons, takes, held])), used, interval, more
        )
    why = f"{counted(many, 'patient')}{there}; the factor is known to within {interval.low:.2f} to "
    if own_movements:
        why = (
            f"{counted(many, 'patient')}{there}, and {counted(own_movements, 'past movement')} of this patient; the "
            f"factor{of_own} is known to within {interval.low:.2f} to "
        )
    return Verdict("supported", f"{why}{interval.high:.2f}. {held}".strip(), used, interval, 0)


def held_factor(rate: float, high: float, rules: Rules) -> str:
    """What the cap on factors means for a low rate, whose interval ends at ``high``; perhaps "".

    Examples
    --------
    >>> held_factor(0.4, 0.6, Rules()).replace("\\u00a0", " ")
    'The factor would be 2.50 and is held at 2: expect 80 % of the aim.'
    """
    if rate * rules.max_factor >= 1:
        return ""
    held = (
        f"The factor would be {1 / rate:.2f} and is held at {rules.max_factor:g}: expect "
        f"{percent(rate * rules.max_factor)} of the aim."
    )
    if high * rules.max_factor < 1:
        held += " An attachment, an auxiliary or a further course will do more than a larger plan."
    return held


def more_patients_needed(
    rate: float, se: float, df: float, patients: int, rules: Rules, *, records: int | None = None
) -> int | None:
    """How many more patients like these until the factor is supported.

    Standard errors shrink with the square root of the number of patients, degrees of freedom grow
    in proportion, and the rate is taken to stay as it is; or, where it is lower but may reach
    1 / max_factor, to be that: the number then tells whether it is. ``records`` are the patients
    on whom the rate rests, where they are more than those that count. None beyond 5,000 patients, and
    where nothing moves in the planned direction.

    Examples
    --------
    >>> more_patients_needed(0.5, 0.10, 5, 6, Rules())
    14
    """
    may_reach = _limits(rate, se, df, rules.level)[1] >= 1 / rules.max_factor
    assumed = max(rate, 1 / rules.max_factor) if may_reach else rate
    if assumed <= 0:
        return None
    base = max(patients if records is None else records, 1)
    for total in range(max(patients, rules.enough), _MOST + 1):
        share = (base + total - patients) / base
        if _narrow(assumed, se / np.sqrt(share), df * share, rules):
            return total - patients
    return None


def _narrow(rate: float, se: float, df: float, rules: Rules) -> bool:
    low, high = _limits(rate, se, df, rules.level)
    return low > 0 and (1 / low - 1 / high) * rate <= rules.widest


def _limits(rate: float, se: float, df: float, level: float) -> tuple[float, float]:
    half = float(stdtrit(df, 0.5 + level / 2)) * se
    return rate - half, rate + half


def _what_it_takes(rate: float, high: float, more: int | None, rules: Rules) -> str:
    lowest = f"{percent(1 / rules.max_factor)}, the lowest that a factor of {rules.max_factor:g}"
    if high * rules.max_factor < 1:
        known = f"The records already show a rate below {lowest} could make up for."
        if more:
            return f"{counted(more, 'more patient')} would be needed for a firm factor. {known}"
        return f"No practicable number of further patients would give a firm factor. {known}"
    if more is None:
        return "No practicable number of further patients would change that."
    if rate * rules.max_factor < 1:
        return f"{counted(more, 'more patient')} would tell whether the rate reaches {lowest} can make up for."
    return f"{counted(more, 'more patient')} would be enough for a firm one."


def _what_own_takes(more: int | None) -> str:
    """What would help where the rate is a patient's own."""
    words = f"{counted(more, 'more patient')} {is_(more)} wanted. " if more else ""
    return f"{words}Only further records of this patient would make the own factor firmer."


# ------------------------------------------- the interval of a ratio


@dataclass(frozen=True)
class FiellerInterval:
    """All ratios that the two estimates do not contradict.

    Attributes
    ----------
    low, high
        ``bounded``: the limits. ``unbounded``: every ratio up to ``low`` and every ratio from
        ``high`` on (``low < high``), as the denominator may be zero. ``everything``: minus and plus
        infinity.
    kind
        Which of the three shapes it is.
    """

    low: float
    high: float
    kind: Literal["bounded", "unbounded", "everything"]

    def contains(self, ratio: float) -> bool:
        """Is the ratio among those not contradicted?"""
        if self.kind == "unbounded":
            return ratio <= self.low or ratio >= self.high
        return self.low <= ratio <= self.high


def fieller(
    numerator: float,
    denominator: float,
    *,
    variances: tuple[float, float],
    covariance: float = 0.0,
    df: float = np.inf,
    level: float = 0.95,
) -> FiellerInterval:
    """Interval of numerator / denominator.

    The ratios f with ``(a - f b)^2 <= t^2 (v_aa - 2 f v_ab + f^2 v_bb)``: Fieller, J R Stat Soc B
    1954;16:175–185.

    Parameters
    ----------
    numerator, denominator
        The two estimates, a and b.
    variances
        Their variances, v_aa and v_bb.
    covariance
        v_ab.
    df
        Degrees of freedom of the t quantile.
    level
        Level of the interval.

    Raises
    ------
    InputError
        If a variance is negative or an estimate is not finite.

    Examples
    --------
    >>> fieller(1.0, 0.5, variances=(0.0, 0.05**2)).kind
    'bounded'
    >>> fieller(1.0, 0.1, variances=(0.0, 0.20**2)).kind
    'unbounded'
    """
    if not np.isfinite([numerator, denominator, *variances, covariance]).all():
        raise InputError("fieller needs finite estimates and variances.")
    if min(variances) < 0:
        raise InputError("A variance cannot be negative.")
    t2 = float(stdtrit(df, 0.5 + level / 2)) ** 2
    quadratic = denominator**2 - t2 * variances[1]
    linear = numerator * denominator - t2 * covariance
    constant = numerator**2 - t2 * variances[0]
    root2 = linear**2 - quadratic * constant
    if quadratic == 0:  # the interval of the denominator ends exactly at zero
        if linear == 0:
            return FiellerInterval(-np.inf, np.inf, "everything")
        end = constant / (2 * linear)
        low, high = (end, np.inf) if linear > 0 else (-np.inf, end)
        return FiellerInterval(low, high, "bounded")
    if quadratic < 0 and root2 < 0:
        return FiellerInterval(-np.inf, np.inf, "everything")
    root = np.sqrt(max(root2, 0.0))
    # of the two roots the larger in size first, the other from their product: no cancellation
    first = (linear + np.copysign(root, linear)) / quadratic
    second = constant / (quadratic * first) if first != 0 else -first
    low, high = sorted((float(first), float(second)))
    return FiellerInterval(low, high, "bounded" if quadratic > 0 else "unbounded")


def fieller_reciprocal(
    rate: float, se: float, *, df: float = np.inf, level: float = 0.95
) -> FiellerInterval:
    """Interval of 1 / rate, the overcorrection factor.

    The reciprocals of the rates in the t interval of the rate; unbounded as soon as that reaches 0.

    Examples
    --------
    >>> interval = fieller_reciprocal(0.5, 0.05)
    >>> round(interval.low, 2), round(interval.high, 2), interval.kind
    (1.67, 2.49, 'bounded')
    """
    return fieller(1.0, rate, variances=(0.0, se**2), df=df, level=level)
