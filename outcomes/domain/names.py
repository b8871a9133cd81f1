"""What things of the trade are called in a sentence, a heading, an axis."""

from __future__ import annotations

from collections.abc import Mapping

from outcomes.domain.limits import FEW_PATIENTS
from outcomes.domain.movements import MOVEMENTS
from outcomes.words.english import capital, counted, listed
from outcomes.words.units import unit_mark

__all__ = [
    "class_name",
    "direction",
    "few_mark",
    "group_in_full",
    "heading",
    "measure_name",
    "movement_name",
    "patients_counted",
    "sign_words",
    "sizes_by_movement",
    "tolerance_of",
]

CLASSES = {"incisor": "incisors", "canine": "canines", "premolar": "premolars", "molar": "molars"}


def movement_name(movement: str | None) -> str:
    """The movement as it stands in a sentence.

    Examples
    --------
    >>> movement_name("vertical"), movement_name(None)
    ('vertical movement', 'movement')
    """
    known = MOVEMENTS.get(movement or "")
    return (known.spoken if known is not None else "") or movement or "movement"


def heading(movement: str) -> str:
    """The movement as a heading.

    Examples
    --------
    >>> heading("vertical")
    'Vertical movement'
    """
    return capital(movement_name(movement))


def measure_name(measure: str) -> str:
    """A measure as it stands in a sentence.

    Examples
    --------
    >>> measure_name("lower_face_height"), measure_name("arch_width_3_3")
    ('lower face height', 'arch width 3-3')
    """
    name = measure.replace("_3_3", " 3-3").replace("_6_6", " 6-6").replace("_", " ")
    return name.replace("apex to plate", "apex to labial plate")


def class_name(name: str) -> str:
    """A tooth class in the plural; anything else as it is."""
    return CLASSES.get(name, name)


def patients_counted(patients: int | float) -> str:
    """Patients counted, with the mark of a number so small that it could identify somebody.

    Examples
    --------
    >>> patients_counted(5), patients_counted(4), patients_counted(1), patients_counted(0)
    ('5 patients', '4 patients*', '1 patient*', '0 patients')
    """
    return f"{counted(int(patients), 'patient')}{few_mark(patients)}"


def few_mark(patients: int | float) -> str:
    """The mark of a number of patients so small that it could identify somebody."""
    return "*" if 0 < patients < FEW_PATIENTS else ""


def sign_words(movement: str | None) -> tuple[str, str]:
    """What a negative and a positive number mean; empty where the movement is not known.

    Examples
    --------
    >>> sign_words("vertical")
    ('intrusion', 'extrusion')
    """
    known = MOVEMENTS.get(movement or "")
    return (known.negative_direction, known.positive_direction) if known else ("", "")


def direction(value: float, movement: str, tooth_class: str = "", arch: str = "") -> str:
    """The direction that a signed number means, crown and root; "" for 0 and a movement not known.

    Examples
    --------
    >>> direction(-8, "torque", "incisor", "lower")
    'crown lingually, root labially'
    """
    known = MOVEMENTS.get(movement)
    return "" if known is None else known.direction_in_full(value, tooth_class, arch)


def group_in_full(group: str, movement: str) -> str:
    """A group of a fit by direction, its direction so that it cannot be misread.

    Examples
    --------
    >>> group_in_full("molar buccal torque", "torque"), group_in_full("molar", "torque")
    ('molar, crown buccally, root lingually or palatally', 'molar')
    """
    known = MOVEMENTS.get(movement)
    if known is None:
        return group
    for value in (1, -1):
        if group.endswith(f" {known.direction(value)}"):
            kind = group.removesuffix(f" {known.direction(value)}")
            return f"{kind}, {known.direction_in_full(value, kind)}"
    return group


def sizes_by_movement(sizes: Mapping[str, tuple[float, str]], last: str = "and") -> str:
    """A limit of several movements: once for each unit, by name where movements differ.

    Parameters
    ----------
    sizes
        movement -> size, unit.

    Examples
    --------
    >>> sizes_by_movement({"tip": (2.0, "degree"), "torque": (2.0, "degree")})
    '2°'
    >>> sizes_by_movement({"tip": (2.0, "degree"), "rotation": (3.0, "degree")})
    '2° for tip and 3° for rotation'
    """
    parts = []
    for unit in dict.fromkeys(unit for _, unit in sizes.values()):
        names: dict[float, list[str]] = {}
        for movement, (size, of) in sizes.items():
            if of == unit:
                names.setdefault(size, []).append(movement_name(movement))
        after = unit_mark(unit) or f" {unit}"
        for size, of_size in names.items():
            of = f" for {listed(of_size)}" if len(names) > 1 else ""
            parts.append(f"{size:g}{after}{of}")
    return listed(parts, last)


def tolerance_of(tolerance: Mapping[str, float], units: Mapping[str, str], last: str = "or") -> str:
    """The tolerance of movements, given with their units, in the order of the units."""
    order = sorted(units.items(), key=lambda pair: ("mm", "degree").index(pair[1]))
    return sizes_by_movement(
        {name: (tolerance[name], unit) for name, unit in order},
        last,
    )
