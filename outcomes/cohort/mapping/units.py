"""Numbers of a file in the units of the schema: from the cell, a column of units or the heading."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

import numpy as np
import pandas as pd

from outcomes.cohort.cells import by_unique, by_word, clean_text, numbers, texts
from outcomes.domain.table_types import OTHER_UNITS

_IN_BRACKETS = re.compile(r"[(\[]([^()\[\]]*)[)\]]")
_BEHIND = re.compile(r"(.*\d[.,]?)\s*([^\W\d]+|°|%)\.?", re.DOTALL)

#: Decimals kept of a number in another unit.
_DECIMALS = 9


def unit_of_heading(heading: str) -> str:
    """A unit in the heading that is not the schema's: ``planned (µm)`` → ``µm``.

    Examples
    --------
    >>> unit_of_heading("Planned [cm]"), unit_of_heading("planned (mm)"), unit_of_heading("planned")
    ('cm', '', '')
    """
    for inside in _IN_BRACKETS.findall(heading):
        if clean_text(inside).casefold() in OTHER_UNITS:
            return clean_text(inside)
    return ""


def in_schema_units(cells: pd.Series, given: Iterable[object] = ()) -> pd.Series:
    """Cells with the unit that stands elsewhere, and numbers of other units in mm or degrees.

    Parameters
    ----------
    cells
        Numbers as typed, (n,).
    given
        The unit of each, used where the cell has none; (n,) or empty.

    Examples
    --------
    >>> list(in_schema_units(pd.Series(["2500 µm", 0.5, "1,2 cm", None]), ["", "rad", "", "mm"]))
    ['2.5 mm', '28.647889757 degree', '12.0 mm', None]
    """
    said = texts(cells)
    units = texts(pd.Series(list(given), dtype=object))
    if len(units):
        bare = (said != "") & (units != "") & ~by_word(said, _has_unit).astype(bool)
        whole = np.where(bare, said + " " + units, said).astype(object)
    else:
        bare, whole = np.zeros(len(said), dtype=bool), said
    changed = by_word(whole, _in_schema_unit)
    other = np.array([word is not None and word != "" for word in changed], dtype=bool)
    found = cells.to_numpy(object).copy()
    found[bare] = whole[bare]
    found[other] = changed[other]
    return pd.Series(found, index=cells.index, dtype=object)


def _has_unit(word: str) -> bool:
    return bool(_BEHIND.fullmatch(word))


def _in_schema_unit(word: str) -> str:
    """A number with a unit that is not the schema's, in the schema's; "" for any other cell."""
    match = _BEHIND.fullmatch(word)
    if match is None or match[2].casefold() not in OTHER_UNITS:
        return ""
    value = float(numbers(pd.Series([match[1]], dtype=object)).values[0])
    unit, factor = OTHER_UNITS[match[2].casefold()]
    return f"{round(value * factor, _DECIMALS)!r} {unit}" if math.isfinite(value) else ""


def without_percent(cells: pd.Series) -> pd.Series:
    """Cells without a percent sign behind the number.

    Examples
    --------
    >>> list(without_percent(pd.Series(["79,5 %", 60, None], dtype=object)))
    ['79,5', 60, None]
    """
    bare = by_unique(cells, lambda c: re.sub(r"\s*%\s*$", "", c) if isinstance(c, str) else c)
    return pd.Series(bare, index=cells.index, dtype=object)


def are_percentages(cells: pd.Series) -> bool:
    """Whether most cells with something in them end with a percent sign."""
    words = [word for word in texts(cells) if word]
    return bool(words) and 2 * sum(word.endswith("%") for word in words) > len(words)
