"""The last look at what was written: does any identifier of the input stand in it?

It reads the files as anybody would, and looks in every cell and heading for the input's codes and
names, and for anything that looks like an address, a number of a person, a date or a name.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.cohort import cells
from outcomes.cohort.identifying import NAME, gives_away, trade_words
from outcomes.cohort.sources import Source, read_source
from outcomes.domain.tables import TABLES

#: Codes shorter than this are not looked for: A and 7 stand everywhere and name nobody.
SHORTEST = 2

#: A number is held to be a patient's code from this many digits on, in the user's own columns and
#: in those of measurements.
DIGITS_OWN, DIGITS_MEASURED = 4, 6

_TOKEN = re.compile(r"[^\W_]+")


@dataclass(frozen=True)
class Identifiers:
    """What must not stand in the output: texts as tuples of words, and whole numbers."""

    phrases: frozenset[tuple[str, ...]]
    numbers: frozenset[str]
    longest: int = field(default=1)

    @classmethod
    def of(cls, codes: Iterable[str], names: Iterable[str]) -> Identifiers:
        """From codes, which count as a whole, and names, of which each word counts too."""
        phrases: set[tuple[str, ...]] = set()
        numbers: set[str] = set()
        names = {name for name in names if set(_words(name)) - trade_words()}
        for text in {*codes, *names}:
            if text.strip().isdigit():
                numbers.add(text.strip().lstrip("0"))
            elif len(text.strip()) >= SHORTEST:
                phrases.add(_words(text))
        for name in names:
            words = [w for w in _words(name) if len(w) >= 3 and not w.isdigit()]
            phrases |= {(w,) for w in words if w not in trade_words()}
        phrases.discard(())
        numbers.discard("")
        return cls(frozenset(phrases), frozenset(numbers), max(map(len, phrases), default=1))

    def in_text(self, text: str) -> bool:
        """Whether one of the phrases stands in a text."""
        words = _words(text)
        return any(
            words[i : i + n] in self.phrases
            for n in range(1, min(self.longest, len(words)) + 1)
            for i in range(len(words) - n + 1)
        )


def _words(text: str) -> tuple[str, ...]:
    return tuple(_TOKEN.findall(text.casefold()))


def residue(path: Path, identifiers: Identifiers, codes: frozenset[str]) -> list[str]:
    """Where identifiers of the input stand in written files, without showing them; empty if nowhere.

    Parameters
    ----------
    path
        The file or folder written.
    identifiers
        What must not stand there.
    codes
        The pseudonyms given: known to be harmless.
    """
    codes = frozenset(code for code in codes if _words(code) not in identifiers.phrases)
    return list(dict.fromkeys(_found(read_source(path), identifiers, codes)))


def _found(source: Source, identifiers: Identifiers, codes: frozenset[str]) -> Iterator[str]:
    for name, sheet in source.sheets.items():
        page = sheet.cells
        headings = list(sheet.headings or page.iloc[0])
        body = page if sheet.headings else page.iloc[1:]
        for i, heading in enumerate(map(cells.clean_text, headings)):
            column = heading.removesuffix(" (FDI)")
            schema = {c.name: c for c in TABLES[name].columns}.get(column)
            # Headings are written with capitals: two of them are no name.
            if schema is None and (
                identifiers.in_text(heading) or gives_away(heading) not in ("", NAME)
            ):
                yield f"{name}: a heading"
            allowed = {code.name for code in schema.codes} if schema else set()
            values = body.iloc[:, i]
            if pd.api.types.is_datetime64_any_dtype(values):
                yield f"{name}, {column}: dates"
            for word in set(cells.texts(values).tolist()) - allowed - codes - {""}:
                what = _in_cell(word, identifiers, measured=schema is not None)
                if what:
                    yield f"{name}, {column}: {what}"


def _in_cell(word: str, identifiers: Identifiers, *, measured: bool) -> str:
    number = _number(word)
    if number is None:
        if identifiers.in_text(word):
            return "a code or a name of the input"
        digits = set(re.findall(r"\d{4,}", word))
        if {d.lstrip("0") for d in digits} & identifiers.numbers:
            return "a code of the input"
        return gives_away(word)
    whole = f"{abs(number):.0f}" if number == np.floor(number) else ""
    least = DIGITS_MEASURED if measured else DIGITS_OWN
    if whole in identifiers.numbers and len(whole) >= least:
        return "a code of the input"
    return ""


def _number(word: str) -> float | None:
    try:
        number = float(word)
    except ValueError:
        return None
    return number if np.isfinite(number) else None
