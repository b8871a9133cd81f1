"""Tooth numbers: FDI (ISO 3950:2016), Universal (ADA) and quadrant shorthand; class, arch, side.

Everything inside the package is FDI. A column of tooth numbers is read in one notation only, and
one that could be two is a problem for its owner to settle (:func:`settle_notation`).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal, cast

import numpy as np
import pandas as pd

from outcomes.domain.movements import TOOTH_CLASSES
from outcomes.errors import InputError

Notation = Literal["fdi", "universal", "quadrant"]
NOTATIONS: tuple[Notation, ...] = ("fdi", "universal", "quadrant")

#: Left to right as one looks at the patient: the patient's right first.
FDI_ORDER_UPPER = (*range(18, 10, -1), *range(21, 29))
FDI_ORDER_LOWER = (*range(48, 40, -1), *range(31, 39))
DECIDUOUS_ORDER_UPPER = (*range(55, 50, -1), *range(61, 66))
DECIDUOUS_ORDER_LOWER = (*range(85, 80, -1), *range(71, 76))
FDI_TEETH = tuple(
    sorted((*FDI_ORDER_UPPER, *FDI_ORDER_LOWER, *DECIDUOUS_ORDER_UPPER, *DECIDUOUS_ORDER_LOWER))
)


def _universal() -> dict[str, int]:
    # Clockwise from the upper right third molar: 1-16 above, then 17-32 back along the lower arch
    # from the left; the deciduous teeth alike, A-T.
    permanent = (*FDI_ORDER_UPPER, *reversed(FDI_ORDER_LOWER))
    deciduous = (*DECIDUOUS_ORDER_UPPER, *reversed(DECIDUOUS_ORDER_LOWER))
    numbers = {str(n): tooth for n, tooth in enumerate(permanent, 1)}
    letters = dict(zip("ABCDEFGHIJKLMNOPQRST", deciduous, strict=True))
    return numbers | letters


def _quadrant() -> dict[str, int]:
    teeth: dict[str, int] = {}
    for quadrant, name in enumerate(("UR", "UL", "LL", "LR"), 1):
        teeth |= {f"{name}{n}": 10 * quadrant + n for n in range(1, 9)}
        teeth |= {f"{name}{c}": 10 * (quadrant + 4) + n for n, c in enumerate("ABCDE", 1)}
    return teeth


#: How each notation is called in sentences.
NOTATION_NAMES = {"fdi": "FDI", "universal": "Universal", "quadrant": "quadrant"}

#: For each notation, every token it knows and the FDI number it means.
TOKENS: dict[str, dict[str, int]] = {
    "fdi": {str(tooth): tooth for tooth in FDI_TEETH}
    | {f"{tooth // 10}.{tooth % 10}": tooth for tooth in FDI_TEETH},
    "universal": _universal(),
    "quadrant": _quadrant(),
}

#: Crown and root length, mm, by arch and position from the midline: means in Wheeler's Dental
#: Anatomy, Physiology and Occlusion (from memory). Of molars with several roots, the longest.
CROWN_AND_ROOT = {
    "upper": {
        1: (10.5, 13.0),
        2: (9.0, 13.0),
        3: (10.0, 17.0),
        4: (8.5, 14.0),
        5: (8.5, 14.0),
        6: (7.5, 13.0),
        7: (7.0, 12.0),
        8: (6.5, 11.0),
    },
    "lower": {
        1: (9.0, 12.5),
        2: (9.5, 14.0),
        3: (11.0, 16.0),
        4: (8.5, 14.0),
        5: (8.0, 14.5),
        6: (7.5, 14.0),
        7: (7.0, 13.0),
        8: (7.0, 11.0),
    },
}

#: Mesiodistal crown width, mm, by arch and position from the midline: means in Wheeler's Dental
#: Anatomy, Physiology and Occlusion (from memory).
CROWN_WIDTH = {
    "upper": (8.5, 6.5, 7.5, 7.0, 7.0, 10.0, 9.0, 8.5),
    "lower": (5.0, 5.5, 7.0, 7.0, 7.0, 11.0, 10.5, 10.0),
}

LOWER_INCISORS = (31, 32, 41, 42)

_NOISE = re.compile(r"[\s\-_#]+|TOOTH")


def tooth_token(value: object) -> str:
    """Cell of a tooth column in one spelling: ``13.0`` → ``"13"``, ``"ur 3"`` → ``"UR3"``.

    Examples
    --------
    >>> tooth_token(13.0), tooth_token(" ur-3 "), tooth_token("#8"), tooth_token(None)
    ('13', 'UR3', '8', '')
    """
    if value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, (int, float, np.number)) and float(value).is_integer():
        return str(int(value))
    token = _NOISE.sub("", str(value).upper())
    return token[:-2] if token.endswith(".0") and token[:-2].isdigit() else token


def parse_tooth(text: object, notation: Notation = "fdi") -> int:
    """FDI number of one tooth.

    Parameters
    ----------
    text
        The cell: a number or a text.
    notation
        ``"fdi"``, ``"universal"`` or ``"quadrant"``.

    Raises
    ------
    InputError
        If the notation has no such tooth.

    Examples
    --------
    >>> parse_tooth("UR3", "quadrant"), parse_tooth(6, "universal"), parse_tooth("1.3", "fdi")
    (13, 13, 13)
    """
    tooth = _tokens(notation).get(tooth_token(text))
    if tooth is None:
        raise InputError(
            f"{text!r} is no tooth in {notation} notation: use {describe_notation(notation)}."
        )
    return tooth


def parse_teeth(values: Iterable[object], notation: Notation = "fdi") -> np.ndarray:
    """FDI numbers of many teeth as floats, NaN where the notation has no such tooth.

    Examples
    --------
    >>> parse_teeth(["UR3", "ll6", "x"], "quadrant")
    array([13., 36., nan])
    """
    codes, uniques = pd.factorize(np.asarray(pd.Series(values, dtype=object), dtype=object))
    tokens = _tokens(notation)
    teeth = np.array([tokens.get(tooth_token(u), np.nan) for u in uniques] + [np.nan], dtype=float)
    return teeth[codes]


def _tokens(notation: str) -> dict[str, int]:
    if notation not in TOKENS:
        raise InputError(f"Notation {notation!r} is not one of {', '.join(NOTATIONS)}.")
    return TOKENS[notation]


def describe_notation(notation: str) -> str:
    """What the notation's tooth numbers look like, in words."""
    return {
        "fdi": "FDI numbers 11-18, 21-28, 31-38, 41-48 (deciduous 51-55, 61-65, 71-75, 81-85)",
        "universal": "Universal numbers 1-32 (deciduous A-T)",
        "quadrant": "quadrant shorthand such as UR3 or LL6 (deciduous URA to URE and so on)",
    }[notation]


@dataclass(frozen=True)
class Settled:
    """What a column's tokens say about its notation.

    ``notation`` is None when they leave it open. ``only`` then holds, for each notation, the
    tokens that no other notation knows: all empty when the column could be two, several filled
    when it mixes them.
    """

    notation: Notation | None
    fits: tuple[Notation, ...] = ()
    only: dict[str, tuple[str, ...]] = field(default_factory=dict)


def settle_notation(tokens: Iterable[str]) -> Settled:
    """Settle in which notation a column of tooth tokens is written, without guessing.

    A notation is taken when every recognised token belongs to it and to no other notation as a
    whole. Numbers that are all within 11-18, 21-28, 31 and 32 are both FDI and Universal, so
    they settle nothing. Tokens no notation knows are left to be reported one by one.

    Examples
    --------
    >>> settle_notation(["13", "23", "36"]).notation
    'fdi'
    >>> settle_notation(["3", "14", "30"]).notation
    'universal'
    >>> settle_notation(["13", "23"]).fits
    ('fdi', 'universal')
    >>> settle_notation(["8", "36"]).only
    {'fdi': ('36',), 'universal': ('8',)}
    """
    known = {token for token in tokens if any(token in table for table in TOKENS.values())}
    if not known:
        return Settled("fdi", NOTATIONS)
    fits = cast(
        "tuple[Notation, ...]",
        tuple(name for name in NOTATIONS if all(token in TOKENS[name] for token in known)),
    )
    if len(fits) == 1:
        return Settled(fits[0], fits)
    only = {
        name: tuple(sorted(t for t in known if [n for n in NOTATIONS if t in TOKENS[n]] == [name]))
        for name in NOTATIONS
    }
    return Settled(None, fits, {name: found for name, found in only.items() if found})


def _quadrant_of(fdi: np.ndarray) -> np.ndarray:
    return np.floor_divide(fdi, 10)


def tooth_class(fdi: int | Iterable[int]) -> str | pd.Categorical[str]:
    """Class of a tooth: incisor, canine, premolar or molar (deciduous molars are molars).

    Parameters
    ----------
    fdi
        One FDI number, or many.

    Returns
    -------
    str or pandas.Categorical
        One word for one number, an ordered categorical for many.

    Examples
    --------
    >>> tooth_class(13), tooth_class(54)
    ('canine', 'molar')
    >>> list(tooth_class([11, 24, 36]))
    ['incisor', 'premolar', 'molar']
    """
    numbers, one = _numbers(fdi)
    position = numbers % 10
    deciduous = _quadrant_of(numbers) >= 5
    code = np.select([position <= 2, position == 3, (position <= 5) & ~deciduous], [0, 1, 2], 3)
    if one:
        return TOOTH_CLASSES[int(code[0])]
    return pd.Categorical.from_codes(
        code.tolist(), categories=pd.Index(list(TOOTH_CLASSES)), ordered=True
    )


def arch(fdi: int | Iterable[int]) -> str | np.ndarray:
    """``"upper"`` or ``"lower"`` for one FDI number, an array of them for many.

    Examples
    --------
    >>> arch(13), arch(75)
    ('upper', 'lower')
    """
    numbers, one = _numbers(fdi)
    names = np.where(np.isin(_quadrant_of(numbers), (1, 2, 5, 6)), "upper", "lower")
    return str(names[0]) if one else names.astype(object)


def side(fdi: int | Iterable[int]) -> str | np.ndarray:
    """``"right"`` or ``"left"`` (the patient's) for one FDI number, an array of them for many.

    Examples
    --------
    >>> side(13), side(75)
    ('right', 'left')
    """
    numbers, one = _numbers(fdi)
    names = np.where(np.isin(_quadrant_of(numbers), (1, 4, 5, 8)), "right", "left")
    return str(names[0]) if one else names.astype(object)


def _numbers(fdi: int | Iterable[int]) -> tuple[np.ndarray, bool]:
    one = np.isscalar(fdi)
    numbers = np.atleast_1d(np.asarray(fdi, dtype=int))
    wrong = sorted(set(numbers[~np.isin(numbers, FDI_TEETH)].tolist()))
    if wrong:
        raise InputError(f"{wrong} are no FDI tooth numbers: use {describe_notation('fdi')}.")
    return numbers, bool(one)
