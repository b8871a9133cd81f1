"""Slides whose text is measured before it is placed, so that nothing overflows or overlaps.

Lengths are in points (72 to an inch). Text is set in Arial; its widths are those of the first of
Arial, Liberation Sans (the same widths) and DejaVu Sans (wider, so on the safe side) that this
machine has.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont
    from pptx.presentation import Presentation
    from pptx.slide import Slide

__all__ = [
    "INK",
    "MARK",
    "PANEL",
    "PAPER",
    "STRONG",
    "Box",
    "Grid",
    "Line",
    "Picture",
    "add_box",
    "add_grid",
    "add_panel",
    "add_picture",
    "grid_layout",
    "line_height",
    "new_slides",
    "text_height",
    "wrap",
]

FONT = "Arial"
INK, QUIET, STRONG, PAPER, PANEL, MARK = "222222", "555555", "2B2A6B", "FFFFFF", "EEF0F4", "7A4B00"
"""Text, secondary text, headings and rules, background, panels, places for the author."""
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
    lead
        Words at its beginning that are bold.
    align
        "left", "center" or "right".
    """

    text: str
    size: float
    bold: bool = False
    bullet: bool = False
    after: float = 0.0
    colour: str = INK
    lead: str = ""
    align: str = "left"


@dataclass(frozen=True)
class Box:
    """Paragraphs at a place."""

    name: str
    left: float
    top: float
    width: float
    height: float
    lines: tuple[Line, ...]
    middle: bool = False


@dataclass(frozen=True)
class Picture:
    """A picture with its size in points and the words that stand for it."""

    png: bytes
    width: float
    height: float
    alt: str

    def scaled(self, width: float) -> Picture:
        """The same picture at another width."""
        return Picture(self.png, width, self.height * width / self.width, self.alt)


@dataclass(frozen=True)
class Grid:
    """A table laid out: texts, type, and the size of every column and line in points.

    A line feed in a text is where a word that is wider than its column was ``broken``.
    """

    texts: tuple[tuple[str, ...], ...]
    size: float
    widths: tuple[float, ...]
    heights: tuple[float, ...]
    right: tuple[bool, ...] = field(default=())
    headings: tuple[int, ...] = ()
    broken: bool = False

    @property
    def height(self) -> float:
        return sum(self.heights)


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
def _width(text: str, size: float, bold: bool) -> float:
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
        current = ""
        for word in part.split(" "):
            trial = f"{current} {word}" if current else word
            if current and _width(trial, size, bold) > width:
                lines.append(current)
                current = word
            else:
                current = trial
        lines.append(current)
    return lines


def longest_word(text: str, size: float, *, bold: bool = False) -> float:
    """Points that the widest word of a text needs."""
    return max((_width(word, size, bold) for word in text.split()), default=0.0)


def narrowest(text: str, size: float, *, bold: bool = False) -> float:
    """Points that the words of a text need when long ones may be broken."""
    least = 0.0
    for word in text.split():
        wide = _width(word, size, bold)
        if len(word) > WHOLE:
            # Each line but the last is filled up to one character: so PIECES lines are enough.
            wide = min(wide, wide / PIECES + max(_width(one, size, bold) for one in word))
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
        while len(word) > WHOLE and _width(rest, size, bold) > width + EPS and len(rest) > 1:
            fits = max(
                (n for n in range(1, len(rest)) if _width(rest[:n], size, bold) <= width + EPS),
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
        # Words in bold are wider: measure a lead as if all were bold.
        bold = line.bold or bool(line.lead)
        total += len(wrap(line.lead + line.text, line.size, room, bold=bold)) * line_height(
            line.size
        )
        total += line.after
    return total


def new_slides(width: float, height: float) -> Presentation:
    """An empty presentation with slides of this size in points."""
    from pptx import Presentation as make
    from pptx.util import Pt

    slides = make()
    slides.slide_width, slides.slide_height = Pt(width), Pt(height)
    return slides


def blank(slides: Presentation) -> Slide:
    """A new slide without placeholders."""
    return slides.slides.add_slide(slides.slide_layouts[6])


def add_panel(
    slide: Slide,
    name: str,
    left: float,
    top: float,
    width: float,
    height: float,
    fill: str = PANEL,
    edge: str = "",
) -> Any:
    """A plain rectangle behind other things; its name begins with ``panel``.

    ``edge`` is the colour of a broken line around it, for a place that is still to be filled.
    """
    from pptx.dml.color import RGBColor
    from pptx.enum.dml import MSO_LINE
    from pptx.enum.shapes import MSO_SHAPE
    from pptx.oxml.ns import qn
    from pptx.util import Pt

    shape = slide.shapes.add_shape(MSO_SHAPE.RECTANGLE, Pt(left), Pt(top), Pt(width), Pt(height))
    shape.name = f"panel {name}"
    shape.fill.solid()
    shape.fill.fore_color.rgb = RGBColor.from_string(fill)
    if edge:
        shape.line.color.rgb, shape.line.width = RGBColor.from_string(edge), Pt(4)
        shape.line.dash_style = MSO_LINE.DASH
    else:
        shape.line.fill.background()
    style = shape._element.find(qn("p:style"))
    if style is not None:  # it brings a shadow
        shape._element.remove(style)
    return shape


def add_box(slide: Slide, box: Box) -> Any:
    """Place paragraphs as native text, with exact line heights and no margins."""
    from pptx.enum.text import MSO_ANCHOR, MSO_AUTO_SIZE, PP_ALIGN
    from pptx.util import Pt

    shape = slide.shapes.add_textbox(Pt(box.left), Pt(box.top), Pt(box.width), Pt(box.height))
    shape.name = box.name
    frame = shape.text_frame
    frame.word_wrap, frame.auto_size = True, MSO_AUTO_SIZE.NONE
    frame.margin_left = frame.margin_right = frame.margin_top = frame.margin_bottom = 0
    frame.vertical_anchor = MSO_ANCHOR.MIDDLE if box.middle else MSO_ANCHOR.TOP
    for place, line in enumerate(box.lines):
        paragraph = frame.paragraphs[0] if place == 0 else frame.add_paragraph()
        paragraph.line_spacing = Pt(line_height(line.size))
        paragraph.space_before, paragraph.space_after = Pt(0), Pt(line.after)
        paragraph.alignment = {
            "left": PP_ALIGN.LEFT,
            "center": PP_ALIGN.CENTER,
            "right": PP_ALIGN.RIGHT,
        }[line.align]
        if line.bullet:
            _bullet(paragraph, bullet_indent(line.size))
        if line.lead:
            _run(paragraph, line.lead, line, bold=True)
        for text, author in _parts(line.text):
            _run(paragraph, text, line, bold=line.bold, author=author)
    return shape


def _parts(text: str) -> list[tuple[str, bool]]:
    """Words, and the [places for the author] among them."""
    import re

    return [
        (part, part.startswith("[") and part.endswith("]"))
        for part in re.split(r"(\[[^\[\]]*[^\W\d][^\[\]]*\])", text)
        if part
    ]


def _run(paragraph: Any, text: str, line: Line, *, bold: bool, author: bool = False) -> None:
    from pptx.dml.color import RGBColor
    from pptx.util import Pt

    run = paragraph.add_run()
    run.text = text
    run.font.name, run.font.size, run.font.bold = FONT, Pt(line.size), bold
    colour = line.colour if not author or line.colour == PAPER else MARK
    run.font.color.rgb = RGBColor.from_string(colour)
    run.font.italic = author or None


def _bullet(paragraph: Any, indent: float) -> None:
    from pptx.oxml.xmlchemy import OxmlElement

    properties = paragraph._p.get_or_add_pPr()
    properties.set("marL", str(int(indent * 12700)))
    properties.set("indent", str(int(-indent * 12700)))
    mark = OxmlElement("a:buChar")
    mark.set("char", "•")
    properties.append(mark)


def add_picture(slide: Slide, picture: Picture, left: float, top: float, name: str) -> Any:
    """Place a picture with its alt text."""
    from pptx.util import Pt

    shape: Any = slide.shapes.add_picture(
        io.BytesIO(picture.png), Pt(left), Pt(top), Pt(picture.width), Pt(picture.height)
    )
    shape.name = name
    shape._element.nvPicPr.cNvPr.set("descr", picture.alt)
    return shape


def grid_layout(
    columns: Sequence[str],
    lines: Sequence[Sequence[str]],
    width: float,
    size: float,
    *,
    right: Sequence[bool] = (),
    headings: Sequence[int] = (),
) -> Grid:
    """Widths of columns and heights of lines of a table, so that every text fits its cell.

    Where the longest words do not fit side by side, those of more than ``WHOLE`` characters are
    broken over up to about ``PIECES`` lines; shorter words, and so all usual numbers, stay whole.

    Parameters
    ----------
    columns
        Headings.
    lines
        Texts.
    width
        Of the whole table, points.
    size
        Of the type, points.
    right
        Which columns are set to the right.
    headings
        Lines (from 0) that only name a group.

    Raises
    ------
    ValueError
        If the words do not fit side by side even so: take a smaller type or fewer columns.
    """
    texts = [tuple(columns), *(tuple(line) for line in lines)]
    pad = 0.35 * size
    groups = {place + 1 for place in headings}
    least, wish, floor = [], [], []
    for place in range(len(columns)):
        cells = [
            (text[place], number == 0) for number, text in enumerate(texts) if number not in groups
        ]
        least.append(max(longest_word(text, size, bold=bold) for text, bold in cells) + 2 * pad)
        floor.append(max(narrowest(text, size, bold=bold) for text, bold in cells) + 2 * pad)
        # A heading may take two lines; other texts should take one.
        wide = [_width(text, size, head) / (1.8 if head else 1) for text, head in cells]
        wish.append(max(least[-1], max(wide) + 2 * pad + 0.5))
    if sum(floor) > width:
        raise ValueError(f"The table needs {sum(floor):.0f} pt of {width:.0f}.")
    broken = sum(least) > width
    if broken:
        least, wish = floor, least
    spare = width - sum(least)
    more = [b - a for a, b in zip(least, wish, strict=True)]
    share = min(1.0, spare / sum(more)) if sum(more) else 0.0
    widths = [a + share * m for a, m in zip(least, more, strict=True)]
    left_over = width - sum(widths)
    widths[0] += left_over / 2
    widths = [
        w + (left_over / 2) / max(1, len(widths) - 1) * (place > 0)
        for place, w in enumerate(widths)
    ]
    if len(widths) == 1:
        widths = [width]
    if broken:
        texts = [
            text
            if number in groups
            else tuple(
                break_words(cell, size, w - 2 * pad, bold=number == 0)
                for cell, w in zip(text, widths, strict=True)
            )
            for number, text in enumerate(texts)
        ]
    heights = []
    for number, text in enumerate(texts):
        if number in groups:
            count = len(wrap(text[0], size, width - 2 * pad, bold=True))
        else:
            count = max(
                len(wrap(cell, size, w - 2 * pad, bold=number == 0))
                for cell, w in zip(text, widths, strict=True)
            )
        heights.append(count * line_height(size) + 2 * 0.22 * size)
    return Grid(
        tuple(texts),
        size,
        tuple(widths),
        tuple(heights),
        tuple(right) or (False,) * len(columns),
        tuple(headings),
        broken,
    )


def add_grid(slide: Slide, grid: Grid, left: float, top: float, name: str) -> Any:
    """Place a real table: rules above, below the headings and at the end, and nothing else."""
    from pptx.dml.color import RGBColor
    from pptx.enum.text import MSO_ANCHOR, PP_ALIGN
    from pptx.util import Pt

    shape = slide.shapes.add_table(
        len(grid.texts), len(grid.widths), Pt(left), Pt(top), Pt(sum(grid.widths)), Pt(grid.height)
    )
    shape.name = name
    table = shape.table
    _no_style(shape)
    for place, width in enumerate(grid.widths):
        table.columns[place].width = Pt(width)
    for place, height in enumerate(grid.heights):
        table.rows[place].height = Pt(height)
    groups = {place + 1 for place in grid.headings}
    last = len(grid.texts) - 1
    for number, texts in enumerate(grid.texts):
        for place, text in enumerate(texts):
            cell = table.cell(number, place)
            cell.margin_left = cell.margin_right = Pt(0.35 * grid.size)
            cell.margin_top = cell.margin_bottom = Pt(0.2 * grid.size)
            cell.vertical_anchor = MSO_ANCHOR.MIDDLE if number else MSO_ANCHOR.BOTTOM
            paragraph = cell.text_frame.paragraphs[0]
            cell.text_frame.word_wrap = True
            paragraph.line_spacing = Pt(line_height(grid.size))
            paragraph.alignment = PP_ALIGN.RIGHT if grid.right[place] else PP_ALIGN.LEFT
            for piece, part in enumerate(text.split("\n")):
                if piece:
                    paragraph.add_line_break()
                run = paragraph.add_run()
                run.text = part
                run.font.name, run.font.size = FONT, Pt(grid.size)
                run.font.bold = number == 0 or number in groups
                run.font.color.rgb = RGBColor.from_string(INK)
            cell.fill.background()
            _edges(cell, top=number == 0, bottom=number in (0, last))
        if number in groups and len(texts) > 1:
            table.cell(number, 0).merge(table.cell(number, len(texts) - 1))
    return shape


def _no_style(shape: Any) -> None:
    from pptx.oxml.ns import qn

    properties = shape._element.graphic.graphicData.tbl.tblPr
    for name in ("bandRow", "firstRow"):
        properties.set(name, "0")
    style = properties.find(qn("a:tableStyleId"))
    if style is not None:
        style.text = "{2D5ABB26-0587-4C30-8999-92F81FD0307C}"  # no style, no grid


def _edges(cell: Any, *, top: bool, bottom: bool) -> None:
    from pptx.oxml.xmlchemy import OxmlElement

    properties = cell._tc.get_or_add_tcPr()
    for place, (name, drawn) in enumerate((("lnT", top), ("lnB", bottom))):
        edge = OxmlElement(f"a:{name}")
        edge.set("w", str(int(1.5 * 12700)) if drawn else "0")
        fill = OxmlElement("a:solidFill" if drawn else "a:noFill")
        if drawn:
            colour = OxmlElement("a:srgbClr")
            colour.set("val", STRONG)
            fill.append(colour)
        edge.append(fill)
        properties.insert(place, edge)
