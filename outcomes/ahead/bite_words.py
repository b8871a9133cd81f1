"""Sentences on an overbite wanted: which way numbers go, what is assumed, what is not known."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np
import pandas as pd

from outcomes.ahead.bite_lever import Lever
from outcomes.ahead.bite_options import GROUPS, MOLARS, group_name
from outcomes.domain.limits import FEW_PATIENTS, within_tolerance
from outcomes.words.english import counted, listed
from outcomes.words.numbers import number, signed
from outcomes.words.units import unit_mark

__all__ = ["assumed", "signs", "task"]

_MM = unit_mark("mm")


def task(now: float, wanted: float) -> str:
    """What is to be done, in words.

    Examples
    --------
    >>> task(5.3, 2.0).replace("\\u00a0", " ")
    'Overbite 5.3 mm, wanted 2.0 mm: the bite is to open by 3.3 mm'
    >>> task(-1.5, 2.0).replace("\\u00a0", " ")
    'Overbite −1.5 mm (open bite), wanted 2.0 mm: the bite is to close by 3.5 mm'
    """
    way = "open" if wanted < now else "close"
    gap = " (open bite)" if now < 0 else ""
    asked = f"the bite is to {way} by {number(abs(wanted - now), 1)}{_MM}"
    return f"Overbite {number(now, 1)}{_MM}{gap}, wanted {number(wanted, 1)}{_MM}: {asked}"


def signs(now: float, wanted: float, tolerance: float) -> list[str]:
    """What a plus means, and which movements do what was asked for."""
    said = [
        "Overbite is the vertical overlap of the incisors, negative for an open bite. Vertical "
        "movements are positive for extrusion (out of the bone, towards the opposing teeth) and "
        "negative for intrusion (into the bone, towards the gum)."
    ]
    if within_tolerance(wanted - now, tolerance):
        return [
            *said,
            f"The overbite is within {number(tolerance, 1)}{_MM} of that wanted: there is nothing to "
            "plan for it.",
        ]
    if wanted < now:
        return [
            *said,
            "To open the bite incisors intrude or molars extrude. Extruded molars turn the mandible "
            "open: the lower face becomes longer, and what muscles press back is not in the numbers.",
        ]
    return [
        *said,
        "To close the bite incisors extrude or molars intrude. Intruded molars let the mandible "
        "close only as far as premolars and canines let it: plan them to follow; they are not in "
        "the numbers.",
    ]


def assumed(
    lever: Lever,
    kept: pd.DataFrame,
    unexplained: float,
    people: int | None,
    used: Collection[str],
    options: Mapping[str, Mapping[str, float]],
    size: int,
) -> list[str]:
    """What the chances rest on, and what they leave out."""
    said = []
    if set(used) & set(MOLARS) or kept["known"].any():
        said.append(_of_lever(lever))
    said += _kept(kept, options)
    said.append(_rest(unexplained, people))
    error = 100 * 2 * np.sqrt(0.25 / size)
    said.append(
        f"Chances are shares of {size:,} draws, each of all teeth of one patient in one course: good "
        f"to about {number(error, 1)} percentage points."
    )
    said.append(
        "Incisors that tip change the overbite too: more upright ones deepen it, proclined ones open "
        "it. That is not in the numbers; nor are growth and the bite between the courses."
    )
    return said


def _of_lever(lever: Lever) -> str:
    """What posterior intrusion is taken to give."""
    gives = f"1{_MM} of posterior intrusion, both arches added, "
    ends = (
        f"{number(lever.per_mm)}{_MM} of overbite; 19 in 20 draws lie between {number(lever.low)} and "
        f"{number(lever.high)}."
    )
    if lever.model is None:
        return f"{gives}is taken to give {ends}"
    return (
        f"By the hinge of this face {gives}gives {ends} A hinge is rigid and turns about one centre, "
        "by default the mean of one study; mandibles differ."
    )


def _kept(kept: pd.DataFrame, options: Mapping[str, Mapping[str, float]]) -> list[str]:
    """How teeth that are to be kept are reckoned with."""
    held = [g for g in GROUPS if any(g not in shares for shares in options.values())]
    of = {str(row["group"]): row for row in kept.to_dict("records")}
    known = [of[g] for g in held if of[g]["known"]]
    unknown = [of[g] for g in held if not of[g]["known"]]
    said = []
    if known:
        each = [
            f"{group_name(row['group'])} {signed(row['mean'])}{_MM} (SD {number(row['sd'])}, "
            f"{counted(row['patients'], 'patient')})"
            for row in known
        ]
        said.append(f"Teeth that were to stay went, on average: {listed(each)}.")
    if unknown:
        each = [
            f"{group_name(row['group'])} ({counted(row['patients'], 'patient')})" for row in unknown
        ]
        said.append(
            f"How far teeth go where they are to stay is not known of {listed(each)}; "
            f"{FEW_PATIENTS} patients are the fewest. They are reckoned as staying, so that chances "
            "are too high where they are kept."
        )
    return said


def _rest(unexplained: float, people: int | None) -> str:
    """What the teeth do not explain."""
    if people is None:
        return (
            f"What teeth do not explain of the overbite is taken to have an SD of "
            f"{number(unexplained)}{_MM}."
        )
    if np.isnan(unexplained):
        return (
            "How much of a change of overbite the teeth do not explain is known of "
            f"{counted(people, 'other patient')} only ({FEW_PATIENTS} are the fewest; all four groups "
            "must be measured). It is left out, so that ranges are too narrow and chances too high."
        )
    return (
        f"What teeth do not explain of the change of overbite was {number(unexplained)}{_MM} (root "
        f"mean square of {counted(people, 'other patient')}, over all their courses)."
    )
