"""Numbers, names and lists as they stand in an English sentence."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from outcomes.domain.tables import MOVEMENTS
from outcomes.reports.audit.tables import NBSP, count, p_value, percent, range_words

CLASSES = {"incisor": "incisors", "canine": "canines", "premolar": "premolars", "molar": "molars"}
UNITS = {"mm": f"{NBSP}mm", "degree": "°"}


def number_of(n: float, noun: str, plural: str | None = None) -> str:
    """A count with its noun in the right number.

    Examples
    --------
    >>> number_of(1, "patient"), number_of(0, "tooth", "teeth")
    ('1 patient', 'no teeth')
    """
    many = plural or f"{noun}s"
    if n == 0:
        return f"no {many}"
    return f"{count(n)} {noun if n == 1 else many}"


def listed(items: Iterable[str], last: str = "and") -> str:
    """Items as an English list.

    Examples
    --------
    >>> listed(["tip", "torque", "rotation"])
    'tip, torque and rotation'
    """
    names = list(items)
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} {last} {names[-1]}"


def capital(text: str) -> str:
    """The text with its first letter as a capital, the rest untouched."""
    return text[:1].upper() + text[1:]


def was(n: int) -> str:
    return "was" if n == 1 else "were"


def is_(n: int) -> str:
    return "is" if n == 1 else "are"


def none_(n: int, capital_letter: bool = True) -> str:
    return ("None" if capital_letter else "none") if n == 0 else count(n)


def movement_name(movement: str) -> str:
    """The movement as it stands in a sentence.

    Examples
    --------
    >>> movement_name("vertical")
    'vertical movement'
    """
    known = MOVEMENTS.get(movement)
    return (known.spoken if known is not None else "") or movement


def heading(movement: str) -> str:
    """The movement as a heading.

    Examples
    --------
    >>> heading("vertical")
    'Vertical movement'
    """
    return capital(movement_name(movement))


def class_name(name: str) -> str:
    """A tooth class in the plural; anything else as it is."""
    return CLASSES.get(name, name)


def points_of(share: float) -> str:
    """A difference of shares, unsigned, in percentage points.

    Examples
    --------
    >>> points_of(-0.012), points_of(0.15)
    ('1 percentage point', '15 percentage points')
    """
    n = abs(round(100 * share))
    return f"{n} percentage {'point' if n == 1 else 'points'}"


SAYS_NOTHING = 3.0
"""An interval that reaches beyond this many times the plan, either way, is not known."""


def rate_words(row: Any) -> str:
    """A rate with its interval: ``57 % (95 % interval 51 to 63 %)``."""
    if not (abs(row.low) <= SAYS_NOTHING and abs(row.high) <= SAYS_NOTHING):
        return f"{percent(row.rate)} (interval not known)"
    return f"{percent(row.rate)} (95{NBSP}% interval {range_words(row.low, row.high)})"


def equals(p: float) -> str:
    text = p_value(p)
    return text if text.startswith("<") else f"= {text}"


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
        mark = UNITS.get(unit, f" {unit}")
        for size, of_size in names.items():
            of = f" for {listed(of_size)}" if len(names) > 1 else ""
            parts.append(f"{size:g}{mark}{of}")
    return listed(parts, last)


def tolerance_of(tolerance: Mapping[str, float], units: Mapping[str, str], last: str = "or") -> str:
    """The tolerance of movements, given with their units, in the order of the units."""
    order = sorted(units.items(), key=lambda pair: list(UNITS).index(pair[1]))
    return sizes_by_movement(
        {name: (tolerance[name], unit) for name, unit in order},
        last,
    )
