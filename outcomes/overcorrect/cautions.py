"""What to look at before a plan is used: sentences for single aims, of their kind and of their numbers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from outcomes.domain.limit_in_force import limit
from outcomes.domain.limits import within_tolerance
from outcomes.domain.movements import MOVEMENTS
from outcomes.overcorrect.by_tooth import ByTooth
from outcomes.overcorrect.plan import BEST, DIRECT, LEAST, OVER_CAP, PlanLimits
from outcomes.overcorrect.rules import Rules
from outcomes.overcorrect.sources import Known
from outcomes.words.english import counted
from outcomes.words.numbers import percent
from outcomes.words.units import NBSP, unit_mark

__all__ = ["BEYOND", "beyond_records", "cap_words", "clinical", "is_beyond", "of_numbers", "safer"]

BEYOND = "beyond the records"
"""The verdict on an aim so large that past cases say nothing of it."""

_FAR = 2.0
"""Times the largest past plan beyond which no plan is made; common practice, no source."""


def is_beyond(size: Any, largest: Any, expected: float, others: Any = 0.0) -> Any:
    """Is an aim or a plan so large that past cases say nothing of it?

    Its ``size`` (mm or degrees, unsigned) is larger than ``expected`` of any movement, or more than
    twice the ``largest`` past plan in that direction (0 or less for none) and larger than that of
    ``others`` that speak for it; all common practice, no source.

    Examples
    --------
    >>> is_beyond(np.array([24.0, 24.1, 61.0]), np.array([12.0, 12.0, 40.0]), 60).tolist()
    [False, True, True]
    >>> is_beyond(np.array([3.0, 3.1]), 0.5, 6, others=3.0).tolist()
    [False, True]
    """
    slack = 1 + 1e-9
    most = np.maximum(_FAR * np.maximum(largest, 0.0), others)
    return (size > expected * slack) | ((most > 0) & (size > most * slack))


def beyond_records(
    unit: str,
    aim: float,
    largest: float,
    *,
    movement: str = "",
    what: str = "The aim",
    then: str = "No plan is made.",
    others: float = 0.0,
) -> str:
    """Why past cases say nothing of an aim, or of a plan, this large; "" if they do.

    ``aim`` in mm or degrees, signed or not; ``largest`` and ``others`` as in ``is_beyond``;
    ``movement`` may have an expected size of its own; ``what`` is so large, and ``then`` what follows
    from it.

    Examples
    --------
    >>> beyond_records("degree", 30, 12).split(":")[0]
    'The aim is more than twice the largest past plan in this direction (30° against 12°)'
    >>> beyond_records("degree", 24, 12)
    ''
    """
    size, mark = abs(float(aim)), unit_mark(unit)
    expected = limit("expected_size", movement, unit)
    if not is_beyond(size, largest, expected, others):
        return ""
    if is_beyond(size, 0.0, expected):
        end = ": a slip?" if what == "The aim" else "."
        return (
            f"{what} ({size:.4g}{mark}) is larger than any movement expected "
            f"({expected:g}{mark}){end} {then}"
        )
    if others > _FAR * largest:
        return (
            f"{what} is larger than any past plan in this direction, of any tooth ({size:.4g}{mark} "
            f"against {others:.3g}{mark}): nothing is known of results that far out. {then}"
        )
    return (
        f"{what} is more than twice the largest past plan in this direction ({size:.4g}{mark} "
        f"against {largest:.3g}{mark}): nothing is known of results that far out. {then}"
    )


def cap_words(over_cap: ByTooth) -> str:
    """The cap on going too far; where it differs from tooth to tooth, the lowest to the highest.

    Examples
    --------
    >>> cap_words(0.1), cap_words({"torque": 0.05})
    ('10\xa0%', '5 to 10\xa0%')
    """
    given = over_cap.values() if isinstance(over_cap, Mapping) else [over_cap]
    caps = [*given, OVER_CAP] if isinstance(over_cap, Mapping) else [*given]
    low, high = (f"{100 * float(end):g}" for end in (min(caps), max(caps)))
    return f"{high if low == high else f'{low} to {high}'}{NBSP}%"


def safer(over_cap: ByTooth) -> str:
    """The name of the plan that keeps to the cap on going too far.

    Examples
    --------
    >>> safer(0.1)
    'safer plan (at most 10 % risk of going too far)'
    """
    words = cap_words(over_cap).replace(NBSP, " ")
    return f"safer plan (at most {words} risk of going too far)"


def clinical(movement: str, tooth_class: str, arch: str, aim: float) -> list[str]:
    """What a movement of this kind can do to bone, gum, roots and smile; common practice, no source.

    Words of the schema; the aim signed as in the cohort, mm or degrees.

    Examples
    --------
    >>> clinical("vertical", "incisor", "upper", 1.5)
    ['Extrusion of upper incisors shows more tooth and gum: look at the smile line first.']
    """
    front = tooth_class in ("incisor", "canine")
    found = []
    if movement == "buccolingual" and aim > 0:
        found.append(
            "Towards the outer plate of the bone: check its thickness, the gum and any recession."
        )
    if movement == "buccolingual" and aim < 0 and front:
        found.append("Towards the inner plate of the bone: check its thickness.")
    if movement in ("torque", "tip"):
        way = MOVEMENTS[movement].direction_in_full(aim, tooth_class, arch)
        crown, root = (part.strip() for part in way.split(", root "))
    if movement == "torque":
        plate = "inner" if aim > 0 else "outer"
        found.append(
            f"{crown.capitalize()} turns the root {root}, towards the {plate} plate of the bone, "
            "which a scan does not show: check the radiographs and the gum."
        )
    if movement == "tip" and front:
        found.append(
            f"{crown.capitalize()} takes the root {root}, nearer to its neighbour: check the "
            "radiographs."
        )
    if movement == "vertical" and aim > 0 and (arch, tooth_class) == ("upper", "incisor"):
        found.append(
            "Extrusion of upper incisors shows more tooth and gum: look at the smile line first."
        )
    if movement == "vertical" and aim > 0 and tooth_class == "molar":
        found.append("Extrusion of molars opens the bite and turns the mandible down and back.")
    if movement == "vertical" and aim < 0:
        found.append("Intrusion loads the root tip: check root length on the radiographs.")
    if movement == "mesiodistal" and aim < 0 and tooth_class in ("molar", "premolar"):
        found.append(
            "Distal movement of back teeth needs anchorage, or the front teeth pay for it."
        )
    return found


def of_numbers(
    aim: pd.Series, known: Known, options: pd.DataFrame, limits: PlanLimits, rules: Rules
) -> list[str]:
    """Cautions that follow from the numbers of one aim; each names the plan that it is about."""
    movement, unit = str(aim["movement"]), str(aim["unit"])
    size = abs(float(aim["aim"]))
    mark = unit_mark(unit)
    tolerance = limits.near(movement, unit)
    direct, best = (options.loc[option].to_dict() for option in (DIRECT, BEST))
    said = []
    if known.own_movements:
        own = counted(known.own_movements, "past movement")
        said.append(f"Uses this patient's own {own} beside those of others.")
    far = known.largest * (1 + 1e-9)
    for name, planned in (("The safer plan", best["planned"]), ("Aim / rate", direct["planned"])):
        if abs(planned) > far and known.largest == 0:
            said.append(
                f"{name} ({abs(planned):.3g}{mark}) rests on other teeth: no past plan of this kind "
                "went in this direction."
            )
        elif abs(planned) > far:
            said.append(
                f"{name} ({abs(planned):.3g}{mark}) is larger than any past plan of this kind in this "
                f"direction (largest {known.largest:.3g}{mark}): an extrapolation."
            )
    if within_tolerance(size, tolerance):
        said.append(
            f"The aim is within the tolerance of {tolerance:g}{mark}: leaving the tooth alone would "
            "count as landing too."
        )
    course = np.inf if limits.aligners is None else limits.aligners * limits.step(movement)
    if abs(direct["planned"]) >= course * (1 - 1e-6):
        said.append(
            f"Held at what {limits.aligners} aligners allow ({course:.3g}{mark}): expect "
            f"{abs(direct['expected']):.2g}{mark} of {size:.3g}{mark}."
        )
    elif abs(direct["expected"]) < size * (1 - 1e-3) and known.rate * rules.max_factor >= 1:
        capped = abs(direct["planned"]) >= rules.max_factor * size * (1 - 1e-6)
        where = f"At the cap of {rules.max_factor:g} times the aim" if capped else "At the most"
        said.append(f"{where}, expect {abs(direct['expected']):.2g}{mark} of {size:.3g}{mark}.")
    cap = limits.cap(aim["tooth"], movement, unit)
    if best["over"] > cap + 1e-3:
        said.append(
            f"The chance of overshooting is {percent(best['over'])} at the least, above the cap "
            f"of {cap_words(cap)}."
        )
    elif best["held"]:
        said.append(f"The cap of {cap_words(cap)} on overshooting holds the safer plan down.")
    least = options.loc[LEAST].to_dict() if LEAST in options.index else {"planned": np.nan}
    if np.isfinite(least["planned"]):
        over_cost = float(aim["over_cost"])
        said.append(
            f"Where 1{mark} too far costs {over_cost:g} times as much as 1{mark} too short, the plan "
            f"of least cost is {abs(least['planned']):.3g}{mark}, with a "
            f"{percent(least['over'])} chance of going too far."
        )
    if best["within"] < 0.5:
        said.append(
            f"More likely than not to miss by over {tolerance:g}{mark}: plan for a further course."
        )
    return said
