"""How much room text takes, so that nothing overflows or overlaps.

Lengths are in points (72 to an inch). Text is set in Arial; its widths are those of the first of
Arial, Liberation Sans (the same widths) and DejaVu Sans (wider, so on the safe side) that this
machine has.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont

INK = "222222"
"""Colour of text."""
SPACING = 1.18
"""Height of a line, in sizes of its type."""
SAFE = 1.03
"""Room kept beside measured widths: renderers differ a little."""
WHOLE = 10
"""Words of a table of so many characters or fewer, numbers among them, are never broken."""
PIECES = 3
"""About so many lines at most that a longer word of a table is broken over."""
EPS = 1e-6
"""Points by which sums of widths may differ from their parts."""
JOINTS = "-–/_:;,"
"""A long word is broken after one of these rather than elsewhere."""


@dataclass(frozen=True)
class Line:
    """A paragraph.

    Attributes
    ----------
    text
        Words; a part in [square brackets] is marked as the author's to fill.
    size
        Points.
    bold, bullet
        As named.
    after
        Points below it.
    colour
        Of the text.
    align
        "left", "center" or "right".
    """

    text: str
    size: float
    bold: bool = False
    bullet: bool = False
    after: float = 0.0
    colour: str = INK
    align: str = "left"


@lru_cache(maxsize=256)
def _font(bold: bool, size: int) -> FreeTypeFont:
    from matplotlib import font_manager
    from PIL import ImageFont

    for family in ("Arial", "Liberation Sans", "DejaVu Sans"):
        look = font_manager.FontProperties(family=family, weight="bold" if bold else "normal")
        try:
            path = font_manager.findfont(look, fallback_to_default=False)
        except ValueError:
            continue
        return ImageFont.truetype(path, size)
    raise RuntimeError("No font to measure text with: matplotlib should bring DejaVu Sans.")


@lru_cache(maxsize=20_000)
def text_width(text: str, size: float, bold: bool) -> float:
    """Points that a text needs on one line."""
    # Measured large and scaled, so that small sizes are not rounded to pixels.
    return float(_font(bold, 200).getlength(text)) * size / 200 * SAFE


def line_height(size: float) -> float:
    """Points from line to line."""
    return SPACING * size


def wrap(text: str, size: float, width: float, *, bold: bool = False) -> list[str]:
    """Break text into lines no wider than ``width``; a word longer than that is a line of its own.

    Examples
    --------
    >>> wrap("one two three", 10, 45)
    ['one two', 'three']
    """
    lines: list[str] = []
    for part in text.split("\n"):
        first, *words = part.split(" ")
        lines.append(first)
        for word in words:
            trial = f"{lines[-1]} {word}" if lines[-1] else word
            if lines[-1] and text_width(trial, size, bold) > width:
                lines.append(word)
            else:
                lines[-1] = trial
    return lines


def longest_word(text: str, size: float, *, bold: bool = False) -> float:
    """Points that the widest word of a text needs."""
    return max((text_width(word, size, bold) for word in text.split()), default=0.0)


def narrowest(text: str, size: float, *, bold: bool = False) -> float:
    """Points that the words of a text need when long ones may be broken."""
    least = 0.0
    for word in text.split():
        wide = text_width(word, size, bold)
        if len(word) > WHOLE:
            # Each line but the last is filled up to one character: so PIECES lines are enough.
            wide = min(wide, wide / PIECES + max(text_width(one, size, bold) for one in word))
        least = max(least, wide)
    return least


def break_words(text: str, size: float, width: float, *, bold: bool = False) -> str:
    """Put line feeds into words of more than ``WHOLE`` characters that are wider than ``width``.

    Examples
    --------
    >>> break_words("a mesiobuccal-palatal cusp", 10, 70)
    'a mesiobuccal-\\npalatal cusp'
    """
    words = []
    for word in text.split(" "):
        pieces, rest = [], word
        while len(word) > WHOLE and text_width(rest, size, bold) > width + EPS and len(rest) > 1:
            fits = max(
                (n for n in range(1, len(rest)) if text_width(rest[:n], size, bold) <= width + EPS),
                default=1,
            )
            joints = [n for n in range(fits // 2 + 1, fits + 1) if rest[n - 1] in JOINTS]
            end = max(joints, default=fits)
            pieces.append(rest[:end])
            rest = rest[end:]
        words.append("\n".join([*pieces, rest]))
    return " ".join(words)


def bullet_indent(size: float) -> float:
    return 0.9 * size


def text_height(lines: Sequence[Line], width: float) -> float:
    """Points that paragraphs need at this width."""
    total = 0.0
    for line in lines:
        room = width - (bullet_indent(line.size) if line.bullet else 0)
        wrapped = wrap(line.text, line.size, room, bold=line.bold)
        total += len(wrapped) * line_height(line.size) + line.after
    return total
