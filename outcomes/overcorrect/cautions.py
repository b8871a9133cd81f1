"""What to look at before a plan is used: sentences for single aims, of their kind and of their numbers."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from outcomes.domain.limit_in_force import limit
from outcomes.domain.limits import within_tolerance
from outcomes.domain.movements import MOVEMENTS
from outcomes.overcorrect.plan import BEST, DIRECT, PlanLimits
from outcomes.overcorrect.rules import Rules
from outcomes.overcorrect.sources import Known
from outcomes.words.english import capital, counted
from outcomes.words.numbers import percent
from outcomes.words.units import unit_mark

__all__ = ["BEYOND", "beyond_records", "clinical", "is_beyond", "of_numbers", "safer"]

BEYOND = "beyond the records"
"""The verdict on an aim so large that past cases say nothing of it."""

_FAR = 2.0
"""Times the largest past plan beyond which no plan is made; common practice, no source."""


def is_beyond(size: Any, largest: Any, expected: float) -> Any:
    """Is an aim or a plan so large that past cases say nothing of it?

    Its ``size`` (mm or degrees, unsigned) is larger than ``expected`` of any movement, or more than
    twice the ``largest`` past plan in that direction (0 or less for none); both common practice, no
    source.

    Examples
    --------
    >>> is_beyond(np.array([24.0, 24.1, 61.0]), np.array([12.0, 12.0, 40.0]), 60).tolist()
    [False, True, True]
    """
    slack = 1 + 1e-9
    return (size > expected * slack) | ((largest > 0) & (size > _FAR * largest * slack))


def beyond_records(
    unit: str,
    aim: float,
    largest: float,
    *,
    movement: str = "",
    what: str = "The aim",
    then: str = "No plan is made.",
) -> str:
    """Why past cases say nothing of an aim, or of a plan, this large; "" if they do.

    ``aim`` in mm or degrees, signed or not; ``largest`` as in ``is_beyond``; ``movement`` may have an
    expected size of its own; ``what`` is so large, and ``then`` what follows from it.

    Examples
    --------
    >>> beyond_records("degree", 30, 12).split(":")[0]
    'The aim is more than twice the largest past plan in this direction (30° against 12°)'
    >>> beyond_records("degree", 24, 12)
    ''
    """
    size, mark = abs(float(aim)), unit_mark(unit)
    expected = limit("expected_size", movement, unit)
    if not is_beyond(size, largest, expected):
        return ""
    if is_beyond(size, 0.0, expected):
        end = ": a slip?" if what == "The aim" else "."
        return (
            f"{what} ({size:.4g}{mark}) is larger than any movement expected "
            f"({expected:g}{mark}){end} {then}"
        )
    return (
        f"{what} is more than twice the largest past plan in this direction ({size:.4g}{mark} "
        f"against {largest:.3g}{mark}): nothing is known of results that far out. {then}"
    )


def safer(over_cap: float) -> str:
    """The name of the plan that keeps to the cap on going too far.

    Examples
    --------
    >>> safer(0.1)
    'safer plan (at most 10 % risk of going too far)'
    """
    return f"safer plan (at most {100 * over_cap:g} % risk of going too far)"


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
        way = capital(MOVEMENTS[movement].direction_in_full(aim, tooth_class, arch))
    if movement == "torque":
        plate = "inner" if aim > 0 else "outer"
        found.append(
            f"{way}: the root goes towards the {plate} plate of the bone, which a scan does not "
            "show: check the radiographs and the gum."
        )
    if movement == "tip" and front:
        found.append(f"{way}: the root comes nearer to its neighbour: check the radiographs.")
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
        if abs(planned) > far:
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
    if best["over"] > limits.over_cap + 1e-3:
        said.append(
            f"The chance of overshooting is {percent(best['over'])} at the least, above the cap "
            f"of {percent(limits.over_cap)}."
        )
    elif best["held"]:
        said.append(
            f"The cap of {percent(limits.over_cap)} on overshooting holds the safer plan down."
        )
    if best["within"] < 0.5:
        said.append(
            f"More likely than not to miss by over {tolerance:g}{mark}: plan for a further course."
        )
    return said
