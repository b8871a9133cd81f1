"""How much reading takes in before it refuses: each limit has one home here, and can be set.

A limit is set for one run by an environment variable, as in ``OUTCOMES_MAX_ROWS=6000000``.
"""

from __future__ import annotations

import os
from dataclasses import dataclass

from outcomes.errors import InputError, Unreadable


@dataclass(frozen=True)
class Limit:
    """The most that is read of something, and the environment variable that sets it."""

    variable: str
    default: int
    what: str
    remedy: str = "Leave in the file what belongs to the cohort, or split it."

    def value(self) -> int:
        """The limit in force.

        Raises
        ------
        InputError
            If the environment variable holds no whole number above 0.
        """
        text = os.environ.get(self.variable, "").strip()
        if not text:
            return self.default
        if not (text.isascii() and text.isdigit() and len(text) <= 15 and int(text) > 0):
            raise InputError(
                f"{self.variable} is {text!r}: set it to a whole number above 0, or leave it away."
            )
        return int(text)

    def hold(self, found: int, where: str) -> None:
        """Refuse what is over the limit.

        Raises
        ------
        Unreadable
            If ``found`` is more than the limit.
        """
        most = self.value()
        if found > most:
            raise Unreadable(
                f"{where} has {found:,} {self.what}; at most {most:,} are read",
                f"{self.remedy} If all of it belongs there and the memory is there, set "
                f"{self.variable}={_rounded(found)}.",
            )


def _rounded(found: int) -> int:
    """A round number not below ``found``.

    Examples
    --------
    >>> _rounded(5_000_001), _rounded(300)
    (6000000, 300)
    """
    step = 10 ** max(len(str(found)) - 1, 0)
    return -(-found // step) * step


#: Common practice, no source: far above any practice's records, and within the memory of a laptop.
FILE_MB = Limit("OUTCOMES_MAX_MB", 500, "megabytes")
UNPACKED_MB = Limit("OUTCOMES_MAX_UNPACKED_MB", 1000, "megabytes once unpacked")
ROWS = Limit("OUTCOMES_MAX_ROWS", 2_000_000, "rows")
COLUMNS = Limit("OUTCOMES_MAX_COLUMNS", 1000, "columns")
CELLS = Limit("OUTCOMES_MAX_CELLS", 25_000_000, "cells")
TRIANGLES = Limit(
    "OUTCOMES_MAX_TRIANGLES",
    3_000_000,
    "triangles",
    "Export the scan at a lower resolution: 100,000 to 300,000 triangles are enough for one arch.",
)

LIMITS = (FILE_MB, UNPACKED_MB, ROWS, COLUMNS, CELLS, TRIANGLES)

_MB = 1_000_000


def megabytes(size: int) -> int:
    """Bytes as megabytes, rounded up.

    Examples
    --------
    >>> megabytes(1_000_000), megabytes(1_000_001)
    (1, 2)
    """
    return -(-size // _MB)


def hold_table(rows: int, columns: int, where: str) -> None:
    """Refuse a table of too many rows, columns or cells: :class:`Unreadable`."""
    ROWS.hold(rows, where)
    COLUMNS.hold(columns, where)
    CELLS.hold(rows * columns, where)
