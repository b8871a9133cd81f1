"""Sentences that quote table cells, so that every number in them can be traced."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from string import Formatter
from typing import Any

from outcomes.reports.table import Ref
from outcomes.words.english import capital, listed

_NUMBER = re.compile(r"[−-]?\d+(?:[.,]\d+)*")
_NAME = re.compile(r"Tables? S?\d+(?:(?:,| and| to) S?\d+)*|Figure \d+|\bCR2\b")


@dataclass(frozen=True)
class Sentence:
    """A sentence and the cells it quotes."""

    text: str
    refs: tuple[Ref, ...] = ()

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True)
class Paragraph:
    """Sentences under a heading."""

    heading: str
    sentences: tuple[Sentence, ...]

    @property
    def text(self) -> str:
        return " ".join(sentence.text for sentence in self.sentences)


Part = str | Ref | Sentence
"""What goes into a sentence: words, a cell, or a phrase with its cells."""


def _refs(part: Any) -> tuple[Ref, ...]:
    return (part,) if isinstance(part, Ref) else getattr(part, "refs", ())


class _Filling(Formatter):
    """Fills a template, and remembers the cells that it quotes."""

    def __init__(self, names: Any) -> None:
        self.names = names
        self.refs: list[Ref] = []

    def get_value(self, key: Any, args: Any, parts: Any) -> Any:
        return parts[key] if key in parts else self.names[key]

    def format_field(self, value: Any, spec: str) -> str:
        self.refs += _refs(value)
        return str(value)


def phrase(template: str, names: Any = None, /, **parts: Part) -> Sentence:
    """Fill a template; cells and the cells of phrases are kept with it.

    The template names the ``parts``, and what ``names`` gives by ``[name]``; parts that it does not
    name are quoted all the same.
    """
    filling = _Filling({} if names is None else names)
    text = filling.vformat(template, (), parts)
    refs = filling.refs + [ref for part in parts.values() for ref in _refs(part)]
    return Sentence(text, tuple(dict.fromkeys(refs)))


def say(template: str, names: Any = None, /, **parts: Part) -> Sentence:
    """A phrase that begins a sentence.

    Examples
    --------
    >>> say("{n} of them moved.", n=Ref("Table 1", "patients", "All", "12")).text
    '12 of them moved.'
    """
    filled = phrase(template, names, **parts)
    return Sentence(capital(filled.text), filled.refs)


def counted(ref: Ref, noun: str, plural: str | None = None) -> Sentence:
    """A count from a table with its noun; "no" for none, "one" for one.

    Examples
    --------
    >>> counted(Ref("Table 1", "patients", "All", "1"), "patient").text
    'one patient'
    """
    many = plural or f"{noun}s"
    if ref.text == "1":
        return Sentence(f"one {noun}", (ref,))
    return Sentence(f"{'no' if ref.text == '0' else ref.text} {many}", (ref,))


def were(ref: Ref) -> str:
    """The verb that goes with a count from a table."""
    return "was" if ref.text == "1" else "were"


def joined(parts: Iterable[Part], last: str = "and") -> Sentence:
    """Phrases as an English list."""
    given = list(parts)
    refs = tuple(ref for part in given for ref in _refs(part))
    return Sentence(listed(map(str, given), last), refs)


def numbers_in(text: str) -> list[str]:
    """Numbers in digits, without those that only name a table, a figure or a method.

    Examples
    --------
    >>> numbers_in("Overbite fell by −1.5 mm in 1,204 teeth (Table 2).")
    ['−1.5', '1,204']
    """
    return _NUMBER.findall(_NAME.sub("", text).replace("\u00a0", " "))


def trace(paragraphs: Iterable[Paragraph]) -> list[dict[str, str]]:
    """Where each number of the words stands: section, number, table, line, column, cell.

    Cells are looked through in the order in which they are quoted, from that of the number before. A
    number that no cell of its sentence holds has an empty ``table``.
    """
    found = []
    for paragraph in paragraphs:
        for sentence in paragraph.sentences:
            refs = list(sentence.refs)
            for number in numbers_in(sentence.text):
                holds = [number in numbers_in(ref.text) for ref in refs]
                cell = Ref("", "", "", "")
                if any(holds):
                    refs = refs[holds.index(True) :] + refs[: holds.index(True)]
                    cell = refs[0]
                found.append(
                    {
                        "section": paragraph.heading,
                        "number": number,
                        "table": cell.table,
                        "line": cell.row,
                        "column": cell.column,
                        "cell": cell.text,
                        "sentence": sentence.text,
                    }
                )
    return found
