"""What differs between attachments, growing and grown patients, clinicians, sites, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from outcomes.domain.limits import FEW_PATIENTS
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.names import class_name, movement_name
from outcomes.reports.common.rows import STANDS_OUT, lines, standing_out
from outcomes.words.english import capital, equals, listed, number_of, points_of, verb
from outcomes.words.numbers import (
    bare_percent,
    count,
    interval_words,
    number,
    percent,
    points,
    range_words,
    size,
)

if TYPE_CHECKING:
    from outcomes.rates.differences import Differences
    from outcomes.reports.audit.results import Audit


_EITHER = "attachment or auxiliary"
"""The factor that sets attachments against what stands in their place."""
NOT_THE_SAME = "That is not evidence that they are the same."


def differences(audit: Audit) -> list[str]:
    """What was compared, what stands out, what could not be asked."""
    table, result = audit.differences.table, audit.differences
    tested = table[table["p"].notna()]
    sentences = []
    if len(tested):
        sentences.append(
            "Patients were not allocated at random. Clinicians and sites see different patients, "
            "and attachments go where trouble is expected, so a difference here is a question to "
            "look into. An audit is not a ranking."
        )
        sentences.append(compared(table))
        sentences += _adjusted(tested)
        sentences += [
            f"{capital(difference_words(row))} ({_how_sure(row, audit.level)}; "
            f"{number_of(row.patients, 'patient')} against {count(row.reference_patients)}, "
            f"{_both(row.patients_with_both)})."
            for row in lines(standing_out(tested))
        ]
    sentences += [*_instead(result, audit.level), *_tied(table), *_too_few(table)]
    if len(tested) and tested["not_recorded"].any():
        blank = tested.groupby("factor", sort=False)["not_recorded"].max()
        parts = [f"{factor} in {count(n)}" for factor, n in blank.items() if n]
        sentences.append(
            f"Rows without the factor are left out of its comparison: up to {listed(parts)} of a "
            "movement's rows."
        )
    if result.not_recorded:
        sentences.append(
            f"Not compared, because not recorded or the same everywhere: "
            f"{listed(result.not_recorded)}."
        )
    for factor in dict.fromkeys(factor for _, factor in result.unanswered):
        without = [movement_name(m) for m, name in result.unanswered if name == factor]
        sentences.append(
            f"{capital(plural(factor))} cannot be compared for {listed(without)}: the cohort "
            "holds too little of it, or the levels are tied up with the kinds of tooth."
        )
    return sentences


def _how_sure(row: Any, level: float) -> str:
    interval = range_words(row.low, row.high, bare_percent)
    return f"{interval_words(level)} {interval}; adjusted p {equals(row.p_holm)}"


def _both(patients: int) -> str:
    return f"{count(patients)} of them on both sides" if patients else "none on both sides"


def _adjusted(tested: pd.DataFrame) -> list[str]:
    """What the comparisons hold equal, and what some of them could not."""
    every = [set(words.split(", ")) for words in tested["adjusted_for"]]
    shared = [w for w in tested["adjusted_for"].iloc[0].split(", ") if all(w in e for e in every)]
    if not shared or shared == [""]:
        return []
    more = " What else was adjusted for, and what the rows did not allow, stands in the table."
    return [
        f"Every comparison is adjusted for {listed(shared)}."
        f"{more if tested['not_adjusted_for'].any() else ''} Adjusting removes only what is recorded."
    ]


def _instead(result: Differences, level: float) -> list[str]:
    """Attachment against pressure point: who chose what for whom, and the answer."""
    sentences = []
    for movement, chosen in result.chosen.groupby("movement", sort=False):
        who: list[Any] = list(chosen.itertuples())
        mine = result.table[
            (result.table["movement"] == movement)
            & (result.table["level"] == who[0].choice)
            & (result.table["reference"] == who[1].choice)
        ]
        row: Any = next(mine.itertuples(), None)
        sides = f"{plural(who[0].choice)} and {plural(who[1].choice)}"
        name = movement_name(str(movement))
        if row is None or row.too_few:
            answer = f"For {name} {sides} cannot be compared: " + (
                "the rows do not allow it." if row is None else "too few patients had one of them."
            )
        elif row.p_holm < STANDS_OUT:
            answer = f"{capital(difference_words(row))}: see above."
        else:
            answer = (
                f"For {name} no difference is shown between {sides}: {points(row.difference)} "
                f"percentage points ({_how_sure(row, level)}). {NOT_THE_SAME}"
            )
        both = "" if row is None else f" {capital(_had_both(row.patients_with_both))}."
        sentences.append(
            f"{answer} Which tooth got which was chosen by the clinician for the case, not "
            f"allotted (common practice, no source): {' '.join(_chosen(w) for w in who)}{both}"
        )
    return sentences


def _had_both(patients: int) -> str:
    return "no patient had both" if not patients else f"{number_of(patients, 'patient')} had both"


def _chosen(row: Any) -> str:
    """``Attachments on 120 teeth ...``: what one choice went with."""
    known = MOVEMENTS.get(row.movement)
    plan = size(row.plan_size, known.unit) if known else number(row.plan_size)
    parts = [f"mean plan {plan}", f"{percent(row.upper)} upper teeth"]
    if pd.notna(row.tooth_class):
        parts.append(f"most often {class_name(str(row.tooth_class))} ({percent(row.of_class)})")
    if pd.notna(row.first_course):
        parts.append(f"{percent(row.first_course)} in first courses")
    if pd.notna(row.clinician):
        parts.append(f"{percent(row.of_clinician)} by clinician {row.clinician}")
    return (
        f"{plural(row.choice)} for {number_of(row.movements, 'movement')} of "
        f"{number_of(row.patients, 'patient')} ({', '.join(parts)})"
        f"{';' if row.choice == 'attachment' else '.'}"
    )


def _tied(table: pd.DataFrame) -> list[str]:
    """Comparisons that are two questions at once."""
    sentences = []
    tied = table[table["tied_with"] != ""]
    for (factor, level, reference, told), rows in tied.groupby(
        ["factor", "level", "reference", "tied_with"], sort=False
    ):
        names = listed([movement_name(m) for m in rows["movement"]])
        sentences.append(
            f"For {names}, {'' if factor == _EITHER else f'{factor} '}{level} against {reference} is "
            f"one comparison with {told}: these records cannot tell which of them makes a difference."
        )
    return sentences


def _too_few(table: pd.DataFrame) -> list[str]:
    few = int(table["too_few"].sum())
    said = (
        f"{capital(number_of(few, 'comparison'))} {verb(few, 'have')} fewer than {FEW_PATIENTS} "
        "patients on a side: too few, not tested and not counted among the comparisons."
    )
    return [said] if few else []


def compared(table: pd.DataFrame) -> str:
    """How many comparisons, and how many stand out; those not tested are not counted."""
    table = table[table["p"].notna()]
    if not len(table):
        return "No comparison rests on enough patients to be made."
    tried = number_of(len(table), "comparison")
    factors = listed(plural(f) for f in dict.fromkeys(table["factor"]))
    found = len(standing_out(table))
    if len(table) == 1:
        what = "stands out." if found else f"does not stand out. {NOT_THE_SAME}"
        return f"The one comparison that could be made, between {factors}, {what}"
    if not found:
        return (
            f"None of {tried} between {factors} stands out once their number is allowed for. "
            f"{NOT_THE_SAME}"
        )
    return (
        f"Of {tried} between {factors}, {count(found)} {verb(found, 'stand')} out after allowing "
        "for their number."
    )


def difference_words(row: Any) -> str:
    """``15 percentage points more vertical movement with bevelled attachments than with none``."""
    more = "more" if row.difference > 0 else "less"
    a, b = (_level_words(row.factor, level) for level in (row.level, row.reference))
    if b == f"with no {row.factor}":
        b = "with none"
    return f"{points_of(row.difference)} {more} {movement_name(row.movement)} {a} than {b}"


def _level_words(factor: str, level: str) -> str:
    if factor in ("attachment", "auxiliary"):
        # an auxiliary names itself: bevelled attachments, pressure points
        device = plural(level) if factor == "auxiliary" else f"{level} {plural(factor)}"
        return f"with no {factor}" if level == "none" else f"with {device}"
    if factor == _EITHER:
        return f"with {plural(level)}"
    if factor == "growing":
        return f"in {_GROWTH.get(level, level)} patients"
    return f"{'at' if factor == 'site' else 'for'} {factor} {level}"


_GROWTH = {"yes": "growing", "no": "grown"}
_PLURALS = {
    "auxiliary": "auxiliaries",
    _EITHER: "attachments against what stands in their place",
    "growing": "growing or grown patients",
    "elastics": "elastics",
}


def plural(factor: str) -> str:
    """
    >>> plural("site"), plural("auxiliary")
    ('sites', 'auxiliaries')
    """
    return _PLURALS.get(factor, f"{factor.replace('_', ' ')}s")
