"""Numbers of one row, told along the direction that the row names: no sign to be misread."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from outcomes.domain.names import direction, heading
from outcomes.domain.teeth import arch, tooth_class
from outcomes.reports.common.views import BLANK
from outcomes.words.numbers import percent, size, size_range
from outcomes.words.units import NBSP

__all__ = ["OTHER_WAY", "Way", "chance"]

OTHER_WAY = "the other way"
"""Of a number against the direction that its row names."""


@dataclass(frozen=True)
class Way:
    """A direction in which crown and root go, and how numbers are told along it.

    Attributes
    ----------
    unit
        "mm" or "degree".
    sign
        1 or -1: that of the numbers that go this way.
    words
        The movement and the direction of crown and root; the movement alone where it has none.
    """

    unit: str
    sign: int
    words: str

    @classmethod
    def of(
        cls, value: float, unit: str, movement: str, tooth_class: str = "", arch: str = ""
    ) -> Way:
        """The direction of a signed number; that of positive numbers for 0 and what is missing.

        Examples
        --------
        >>> Way.of(-5, "degree", "torque", "incisor", "upper").words
        'Torque: crown palatally, root labially'
        """
        sign = -1 if value < 0 else 1
        way = direction(sign, movement, tooth_class, arch)
        name = heading(movement).removesuffix(" movement")
        return cls(unit, sign, f"{name}: {way}" if way else name)

    @classmethod
    def of_row(cls, row: Any, value: float) -> Way:
        """That of a value in a row with movement, unit and tooth (FDI)."""
        tooth = int(row.tooth)
        kind = str(tooth_class(tooth)), str(arch(tooth))
        return cls.of(value, str(row.unit), str(row.movement), *kind)

    def size(self, value: float) -> str:
        """A signed number along this direction.

        Examples
        --------
        >>> way = Way.of(-1, "mm", "vertical")
        >>> [way.size(x).replace(NBSP, " ") for x in (-1.2, 0.3, 0.001, float("nan"))]
        ['1.20 mm', '0.30 mm the other way', '0.00 mm', '–']
        """
        if pd.isna(value):
            return BLANK
        along = self.sign * float(value)
        said = size(abs(along), self.unit)
        return f"{said} {OTHER_WAY}" if along < 0 and said != size(0, self.unit) else said

    def ends(self, low: float, high: float) -> str:
        """An interval of signed numbers along this direction, the smaller end first.

        Examples
        --------
        >>> way = Way.of(-1, "mm", "vertical")
        >>> [way.ends(*x).replace(NBSP, " ") for x in ((-1.5, -0.2), (-1.5, 0.2), (0.1, 0.2))]
        ['0.20 to 1.50 mm', '0.20 mm the other way to 1.50 mm', '0.10 to 0.20 mm the other way']
        """
        if pd.isna(low) or pd.isna(high):
            return BLANK
        first, last = sorted((self.sign * float(low), self.sign * float(high)))
        said = [self.size(self.sign * end) for end in (first, last)]
        against = [OTHER_WAY in one for one in said]
        if against == [True, False]:
            return f"{said[0]} to{NBSP}{said[1]}"
        if against == [True, True]:
            return f"{_kept(size_range(-last, -first, self.unit))} {OTHER_WAY}"
        return _kept(size_range(max(first, 0.0), last, self.unit))

    def expected(self, mean: float, low: float, high: float) -> str:
        """An expected result and its range.

        Examples
        --------
        >>> Way.of(1, "degree", "tip").expected(4.0, 1.5, 6.5).replace(NBSP, " ")
        '4.0°, 1.5 to 6.5°'
        """
        return BLANK if pd.isna(mean) else f"{self.size(mean)}, {self.ends(low, high)}"


def _kept(text: str) -> str:
    """On one line."""
    return text.replace(" ", NBSP)


def chance(value: float) -> str:
    """A chance as a percentage; none is certain.

    Examples
    --------
    >>> [chance(x).replace(NBSP, " ") for x in (0.456, 0.995, 0.004, float("nan"))]
    ['46 %', '> 99 %', '< 1 %', '–']
    """
    if pd.isna(value):
        return BLANK
    if value > 0.99:
        return f">{NBSP}{percent(0.99)}"
    return f"<{NBSP}{percent(0.01)}" if value < 0.01 else percent(value)
