"""The verdict on a plan made from an expectation: by the spread of what may come of it."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from outcomes.overcorrect.rules import Rules, Verdict, fieller_reciprocal, held_factor
from outcomes.overcorrect.sources import Known, Shown
from outcomes.words.english import counted, is_
from outcomes.words.numbers import percent, size, size_range

__all__ = ["judge_spread"]

_SLACK = 1 + 1e-9


def judge_spread(known: Known, rules: Rules, shown: Shown | None = None) -> Verdict:
    """Judge an aim by what past cases say, and the plan ``shown`` for it by the range of its result.

    Not supported only if nobody, or fewer than ``rules.fewest`` patients, had the movement planned in
    this direction for any tooth, or if the chance that it moves that way at all is below
    ``rules.sure`` without this patient's own results, and with them: they can only help.
    Wide if few patients of the tooth's class had it, if the plan is larger than any of theirs, or if
    the 80 % range of the result is wide. Without ``shown`` only whether there are plans at all.
    All limits stand in `Rules`; common practice, no source.

    Examples
    --------
    >>> known = Known("lower incisor intrusion", 0.6, 0.1, np.inf, 12, 40, 14, 2.0, class_patients=12)
    >>> judge_spread(known, Rules(), Shown(1.0, 1.6, 0.6, 1.4, 0.5, "mm")).verdict
    'supported'
    >>> judge_spread(known, Rules(), Shown(1.0, 1.6, 0.4, 1.6, 0.5, "mm")).verdict
    'wide'
    """
    interval = fieller_reciprocal(known.rate, known.se, level=rules.level)
    many = known.patients if known.class_patients is None else known.class_patients
    more = max(rules.enough - many, 0)
    why = _refused(known, rules)
    if why:
        few = known.records < rules.fewest
        takes = f"{_wanted(more)} with such plans {is_(more)} wanted." if few else _WOULD_TELL
        return Verdict("not supported", f"{why} {takes}", np.nan, interval, more if few else None)
    reasons = _reasons(known, rules, shown, many)
    said = [*reasons]
    if not reasons:
        said.append(_supported(known, shown, many))
    elif more:
        said.append(f"{_wanted(more)} with such teeth {is_(more)} wanted.")
    if known.own_movements and known.se > known.alone_se * _SLACK:
        said.append(
            "This patient's own results make the range wider than it is for a new patient, and are "
            "used all the same."
        )
    if known.rate > 0:
        high = known.rate + float(ndtri(0.5 + rules.level / 2)) * known.se
        said.append(held_factor(known.rate, high, rules))
        factor = min(1 / known.rate, rules.max_factor)
    else:
        said.append(
            "This patient's own results went the wrong way: look for the reason before more is "
            "planned."
        )
        factor = np.nan
    verdict = "wide" if reasons else "supported"
    # a range that is wide for the spread between teeth is not made narrow by a number of patients
    left = more if more or not reasons else None
    return Verdict(verdict, " ".join(filter(None, said)), factor, interval, left)


_WOULD_TELL = "Further past cases of this kind would tell."


def _wanted(more: int) -> str:
    return counted(more, "more patient")


def _refused(known: Known, rules: Rules) -> str:
    """Why there is no plan; "" if there is one."""
    if known.records == 0:
        return (
            "Nobody among the past cases had this movement planned in this direction, of any tooth: "
            "nothing is known of it."
        )
    if known.records < rules.fewest:
        return (
            f"Only {counted(known.records, 'patient')} had this movement planned in this direction, "
            f"of any tooth, and {rules.fewest} are the fewest for any plan."
        )
    if known.sure < 1 - rules.sure:
        return "In past cases these movements went the wrong way: planning more would do harm."
    if known.sure < rules.sure:
        return (
            f"From past cases the chance that such a tooth moves the planned way at all is "
            f"{percent(known.sure, 1)}, and {percent(rules.sure)} is the least for any plan."
        )
    return ""


def _reasons(known: Known, rules: Rules, shown: Shown | None, many: int) -> list[str]:
    """Why the answer is wide; none if it is supported."""
    reasons = []
    if many < rules.enough:
        lean = f"the rate leans on those of other teeth ({counted(known.records, 'patient')})"
        if many == 0:
            reasons.append(f"Nobody had such a tooth planned in this direction: {lean}.")
        else:
            rest = f": {lean}" if known.records > many else ""
            reasons.append(
                f"{counted(many, 'patient')} only with such teeth planned in this direction; "
                f"{rules.enough} are wanted{rest}."
            )
    if shown is None:
        return reasons
    if 0 < known.largest * _SLACK < shown.planned:
        reasons.append(
            f"The safer plan ({size(shown.planned, shown.unit)}) goes beyond every past plan of such "
            f"teeth in this direction (largest {size(known.largest, shown.unit)}), so that it is "
            "untested."
        )
    width = shown.high_80 - shown.low_80
    of_aim, of_tolerance = (
        rules.range_of_aim * shown.aim,
        rules.range_of_tolerance * shown.tolerance,
    )
    if width > max(of_aim, of_tolerance) * _SLACK:
        reasons.append(
            f"The result can hardly be foretold: {_range(shown)}, wider than {_far(rules)}."
        )
    return reasons


def _far(rules: Rules) -> str:
    aim = "the aim itself" if rules.range_of_aim == 1 else f"{rules.range_of_aim:g} times the aim"
    return f"{aim} and {rules.range_of_tolerance:g} times the tolerance"


def _range(shown: Shown) -> str:
    ends = size_range(shown.low_80, shown.high_80, shown.unit)
    return f"80 % range at the safer plan {ends} for an aim of {size(shown.aim, shown.unit)}"


def _supported(known: Known, shown: Shown | None, many: int) -> str:
    own = counted(known.own_movements, "past movement")
    besides = f", and {own} of this patient" if known.own_movements else ""
    end = "" if shown is None else f"; {_range(shown)}"
    return f"{counted(many, 'patient')} with such teeth planned in this direction{besides}{end}."
