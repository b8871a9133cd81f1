"""Who is not in the rates, in words: later courses alone, patients not rescanned."""

from __future__ import annotations

from typing import Any

import pandas as pd

from outcomes.domain.names import movement_name
from outcomes.reports.common.rows import lines, rate_name
from outcomes.words.english import capital, listed, number_of, verb
from outcomes.words.numbers import percent, points


def not_in_the_rates(later: pd.DataFrame, rescans: pd.DataFrame) -> list[str]:
    """Whether later courses stand alone, and what the missing rescans could change.

    The tables are those of `outcomes.later_courses_alone` and `outcomes.missing_rescans`.
    """
    return [*later_alone(later), *missing(rescans)]


def later_alone(table: pd.DataFrame) -> list[str]:
    """Later courses without their earlier ones."""
    found = table[table["alone"] > 0]
    if not len(found):
        if not int(table["later"].sum()):
            return []
        return ["Every movement of a later course has the earlier course of its tooth beside it."]
    named = [
        f"{number_of(row.alone, 'row')} of {row.movements:,} in {movement_name(row.movement)}"
        for row in lines(found)
    ]
    whole = int(found["without_first"].sum())
    why = (
        f" In {number_of(whole, 'row')} the patient has no earlier record at all: records of first "
        "courses are absent."
        if whole
        else " These patients have earlier records of other teeth, so a movement may also have begun "
        "in the later course."
    )
    return [
        f"Later courses without the earlier course of the same tooth: {listed(named)}.{why} Teeth "
        "that lag are treated again, so such rows make rates too low."
    ]


def missing(table: pd.DataFrame) -> list[str]:
    """How far the rates would move if those not rescanned had done worse."""
    if not len(table):
        return ["Every planned movement among the records was measured again: none is missing."]
    one = table.drop_duplicates(["movement", "group"])
    rows = int(one["missing_movements"].sum())
    sentences = [
        f"{capital(number_of(rows, 'planned movement'))} {verb(rows, 'have')} no rescan "
        "yet. The rates take it that they do as well as the others. The table shows the rates if "
        "they had achieved nothing, half of what is expected, or the same; which of these is near "
        "the truth the records cannot tell."
    ]
    known = table[table["rate"].notna() & (table["achieved_share"] < 1)]
    if len(known):
        worst: Any = next(
            known.loc[[known["change"].abs().idxmax()]].itertuples()  # the first of the largest
        )
        sentences.append(
            f"The rate that could move most is that of {rate_name(worst)}: "
            f"{points(worst.change)} percentage points, to {percent(worst.rate)}, if "
            f"{number_of(worst.missing_movements, 'missing movement')} of "
            f"{number_of(worst.missing_patients, 'patient')} ({percent(worst.missing_share)} of what "
            f"was planned) had achieved {_share_words(worst.achieved_share)}."
        )
    silent = one[one["rate"].isna()]
    if len(silent):
        names = listed(map(rate_name, lines(silent)))
        sentences.append(f"For {names} too little was measured to expect anything.")
    return sentences


def _share_words(share: float) -> str:
    """
    >>> _share_words(0.0), _share_words(0.5), _share_words(0.25).replace(chr(160), " ")
    ('nothing', 'half of what is expected', '25 % of what is expected')
    """
    if share == 0:
        return "nothing"
    return f"{'half' if share == 0.5 else percent(share)} of what is expected"
