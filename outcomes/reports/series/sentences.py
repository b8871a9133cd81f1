"""Sentences that quote table cells, so that every number in them can be traced."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from outcomes.reports.table import Ref

__all__ = ["Paragraph", "Sentence", "counted", "numbers_in", "say", "trace"]

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


def say(template: str, **parts: Part) -> Sentence:
    """Fill a template; cells and the cells of phrases are kept with the sentence.

    Examples
    --------
    >>> say("{n} of them moved.", n=Ref("Table 1", "patients", "All", "12")).text
    '12 of them moved.'
    """
    refs: list[Ref] = []
    for part in parts.values():
        if isinstance(part, Ref):
            refs.append(part)
        elif isinstance(part, Sentence):
            refs += part.refs
    text = template.format(**{name: str(part) for name, part in parts.items()})
    return Sentence(text[:1].upper() + text[1:], tuple(dict.fromkeys(refs)))


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


def joined(parts: Iterable[Part], last: str = "and") -> Sentence:
    """Phrases as an English list."""
    listed = list(parts)
    refs = [r for p in listed for r in ((p,) if isinstance(p, Ref) else getattr(p, "refs", ()))]
    texts = [str(part) for part in listed]
    text = texts[0] if len(texts) == 1 else f"{', '.join(texts[:-1])} {last} {texts[-1]}"
    return Sentence(text, tuple(refs))


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

    A number that no cell of its sentence holds has an empty ``table``.
    """
    found = []
    for paragraph in paragraphs:
        for sentence in paragraph.sentences:
            for number in numbers_in(sentence.text):
                cell = next((r for r in sentence.refs if number in numbers_in(r.text)), None)
                found.append(
                    {
                        "section": paragraph.heading,
                        "number": number,
                        "table": cell.table if cell else "",
                        "line": cell.row if cell else "",
                        "column": cell.column if cell else "",
                        "cell": cell.text if cell else "",
                        "sentence": sentence.text,
                    }
                )
    return found
