"""The numbers behind an invented practice: which teeth are planned to move, how far, how well.

The rates are near what published studies report (shared/published_values.csv; the comparison is
in tests/test_demo.py). Everything else here is invented: common practice, no source.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from outcomes.domain.movements import MOVEMENTS, TOOTH_CLASSES
from outcomes.domain.teeth import arch, tooth_class
from outcomes.errors import InputError

TEETH = np.array([q * 10 + p for q in (1, 2, 3, 4) for p in range(1, 8)])
"""The 28 permanent teeth that are simulated, FDI (third molars left out)."""
TOOTH_CLASS = np.array([TOOTH_CLASSES.index(str(tooth_class(int(tooth)))) for tooth in TEETH])
"""Index into TOOTH_CLASSES of each tooth of TEETH."""
UPPER = np.array([arch(int(tooth)) == "upper" for tooth in TEETH])

UNITS = {name: movement.unit for name, movement in MOVEMENTS.items()}
NAMES = tuple(MOVEMENTS)
"""The movements in the order of the arrays: index m."""
DECIMALS = {"mm": 2, "degree": 1}

DEFAULT_RATES: dict[str, dict[str, float]] = {
    name: dict(zip(TOOTH_CLASSES, movement.invented.rates, strict=True))
    for name, movement in MOVEMENTS.items()
}
"""Share of the plan achieved by movement and tooth class, for teeth without an attachment."""

PLAN_SD = {"mm": 1.0, "degree": 6.0}
"""SD of the plans of ``simulate_rates``; the usual size of a plan."""
RESIDUAL_SD = {"mm": 0.22, "degree": 1.6}
REPEAT_SD = {"mm": 0.08, "degree": 0.6}
"""Error of one reading, part of the residual."""

BASE_PLAN = {
    name: tuple(
        zip(
            movement.invented.planned,
            movement.invented.aim_sd or (PLAN_SD[movement.unit],) * len(TOOTH_CLASSES),
            strict=True,
        )
    )
    for name, movement in MOVEMENTS.items()
}
"""Share of teeth planned to move and SD of the aim, by movement, then tooth class."""

# What a malocclusion adds: (movement, arch or both, class, share of teeth, mean aim, SD of the aim).
Pattern = tuple[str, str, str, float, float, float]
MALOCCLUSIONS: dict[str, tuple[Pattern, ...]] = {
    "crowding": (
        ("rotation", "both", "incisor", 0.65, 0.0, 9.0),
        ("buccolingual", "both", "incisor", 0.60, 0.8, 0.9),
        ("buccolingual", "both", "premolar", 0.50, 0.9, 0.6),
    ),
    "deep bite": (
        ("vertical", "lower", "incisor", 0.90, -1.7, 0.5),
        ("vertical", "upper", "incisor", 0.60, -0.9, 0.5),
        ("vertical", "lower", "canine", 0.50, -0.8, 0.4),
        ("vertical", "lower", "premolar", 0.35, 0.5, 0.3),
        ("torque", "upper", "incisor", 0.55, 4.0, 4.0),
    ),
    "open bite": (
        ("vertical", "upper", "incisor", 0.80, 1.3, 0.5),
        ("vertical", "lower", "incisor", 0.60, 0.7, 0.4),
        ("vertical", "upper", "molar", 0.85, -0.8, 0.3),
        ("vertical", "lower", "molar", 0.50, -0.5, 0.3),
    ),
    "distal occlusion": (
        ("mesiodistal", "upper", "molar", 0.85, -1.8, 0.6),
        ("mesiodistal", "upper", "premolar", 0.65, -1.4, 0.6),
        ("mesiodistal", "upper", "canine", 0.60, -1.2, 0.6),
        ("torque", "upper", "incisor", 0.50, -3.0, 4.0),
    ),
    "spacing": (
        ("mesiodistal", "both", "incisor", 0.65, 0.6, 0.4),
        ("tip", "both", "incisor", 0.50, 1.5, 3.5),
    ),
}
MALOCCLUSION_WEIGHTS = {
    "crowding": 0.40,
    "deep bite": 0.22,
    "open bite": 0.12,
    "distal occlusion": 0.14,
    "spacing": 0.12,
}

SMALLEST_AIM = {"mm": 0.05, "degree": 0.4}
"""Below this a plan is not written down."""
WORTH_CONTINUING = {"mm": 0.30, "degree": 2.0}
"""A shortfall smaller than this is left as it is."""
OVERCORRECTION = {"mm": 1.5, "degree": 1.4}
"""What later courses multiply the aim by: the habit of a clinician, not an optimum."""

# Mean movement where none was planned (mm): molars that anchor drift mesially, and upper incisors
# extrude a little. (movement, arch, class) -> mean of achieved at planned 0.
SIDE_EFFECTS = {
    ("mesiodistal", "upper", "molar"): 0.15,
    ("mesiodistal", "lower", "molar"): 0.15,
    ("vertical", "upper", "incisor"): 0.08,
}

ATTACHMENTS = ("rectangular", "bevelled", "ellipsoid")
ATTACHMENT_SHARE = {"incisor": 0.25, "canine": 0.55, "premolar": 0.60, "molar": 0.35}


def rate_table(rates: Mapping[str, Any] | None) -> dict[str, dict[str, float]]:
    """Rates by movement and tooth class: the defaults, with those given put in their place.

    Parameters
    ----------
    rates
        movement -> rate for every class, or movement -> {tooth class: rate}. Movements and
        classes not named keep the default.

    Raises
    ------
    InputError
        For a movement or tooth class that does not exist.

    Examples
    --------
    >>> rate_table({"rotation": {"canine": 0.4}})["rotation"]
    {'incisor': 0.62, 'canine': 0.4, 'premolar': 0.46, 'molar': 0.5}
    """
    table = {movement: dict(by_class) for movement, by_class in DEFAULT_RATES.items()}
    for movement, given in (rates or {}).items():
        check_known(movement, NAMES, "movement")
        by_class = given if isinstance(given, Mapping) else dict.fromkeys(TOOTH_CLASSES, given)
        for name, rate in by_class.items():
            check_known(name, TOOTH_CLASSES, "tooth class")
            table[movement][name] = float(rate)
    return table


def teeth_of(which_arch: str, name: str) -> NDArray[np.bool_]:
    """Which of TEETH are of a tooth class, in the arch ``"upper"``, ``"lower"`` or ``"both"``.

    Examples
    --------
    >>> TEETH[teeth_of("lower", "canine")].tolist()
    [33, 43]
    """
    of_class = np.equal(TOOTH_CLASS, TOOTH_CLASSES.index(name))
    return of_class if which_arch == "both" else of_class & np.equal(UPPER, which_arch == "upper")


def by_movement(value: Any, default: Mapping[str, float] | None = None) -> dict[str, float]:
    """One number per movement from a number, or from a mapping by movement or by unit.

    Examples
    --------
    >>> by_movement({"mm": 0.2, "degree": 1.5, "torque": 2.0})["torque"]
    2.0
    """
    if isinstance(value, Mapping):
        for name in value:
            check_known(name, (*NAMES, *DECIMALS), "movement or unit")
        given = {**(default or {}), **value}
        return {m: float(given.get(m, given.get(UNITS[m], 0.0))) for m in NAMES}
    if value is None:
        return by_movement(default or {})
    return dict.fromkeys(NAMES, float(value))


def by_index(values: Mapping[str, float]) -> NDArray[np.float64]:
    """Numbers by movement or by unit as an array over the movements, in the order of NAMES.

    Examples
    --------
    >>> by_index(DECIMALS).tolist()
    [2.0, 2.0, 2.0, 1.0, 1.0, 1.0]
    """
    return np.array(list(by_movement(values).values()))


def check_known(name: object, known: tuple[str, ...], what: str) -> None:
    """Raise InputError, naming the choices, unless ``name`` is one of ``known``."""
    if name not in known:
        raise InputError(f"unknown {what} {name!r}: use one of {', '.join(known)}")


def check_shares(most: float = 1.0, **shares: float) -> None:
    """Raise InputError unless each is at least 0 and at most ``most``."""
    for name, value in shares.items():
        if not 0 <= value <= most:
            raise InputError(f"{name} must be between 0 and {most:g}, not {value!r}")


def check_spreads(**spreads: Mapping[str, float] | float) -> None:
    """Raise InputError if a standard deviation is negative or not a number."""
    for name, values in spreads.items():
        for value in values.values() if isinstance(values, Mapping) else (values,):
            if not value >= 0 or not np.isfinite(value):
                raise InputError(f"{name} must be 0 or larger, not {value!r}")
