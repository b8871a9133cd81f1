"""Slides: native text and tables, and pictures with alt text, each placed where it was measured to fit."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from outcomes.reports.files.grid import Grid
from outcomes.reports.files.text_size import INK, Line, bullet_indent, line_height, text_height

if TYPE_CHECKING:
    from pptx.presentation import Presentation
    from pptx.slide import Slide

FONT = "Arial"
QUIET, STRONG, PAPER, PANEL, MARK = "555555", "2B2A6B", "FFFFFF", "EEF0F4", "7A4B00"
"""Secondary text, headings and rules, background, panels, places for the author."""


@dataclass(frozen=True)
class Picture:
    """A picture with its size in points and the words that stand for it."""

    png: bytes
    width: float
    height: float
    alt: str


def new_slides(width: float, height: float, title: str = "") -> Presentation:
    """An empty presentation with slides of this size in points, its author left open."""
    from pptx import Presentation as make
    from pptx.util import Pt

    slides = make()
    slides.slide_width, slides.slide_height = Pt(width), Pt(height)
    slides.core_properties.title, slides.core_properties.author = title, ""
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


def add_text(
    slide: Slide,
    name: str,
    left: float,
    top: float,
    width: float,
    lines: Sequence[Line],
    height: float = 0.0,
) -> float:
    """Place paragraphs as native text, with exact line heights and no margins.

    Returns
    -------
    float
        Its height, points: as given, or what the text needs where that is more.
    """
    from pptx.enum.text import MSO_ANCHOR, MSO_AUTO_SIZE, PP_ALIGN
    from pptx.util import Pt

    height = max(height, text_height(lines, width))
    shape = slide.shapes.add_textbox(Pt(left), Pt(top), Pt(width), Pt(height))
    shape.name = name
    frame = shape.text_frame
    frame.word_wrap, frame.auto_size = True, MSO_AUTO_SIZE.NONE
    frame.margin_left = frame.margin_right = frame.margin_top = frame.margin_bottom = 0
    frame.vertical_anchor = MSO_ANCHOR.TOP
    for place, line in enumerate(lines):
        paragraph = frame.paragraphs[0] if place == 0 else frame.add_paragraph()
        paragraph.line_spacing = Pt(line_height(line.size))
        paragraph.space_before, paragraph.space_after = Pt(0), Pt(line.after)
        paragraph.alignment = getattr(PP_ALIGN, line.align.upper())
        if line.bullet:
            _bullet(paragraph, bullet_indent(line.size))
        for text, author in _parts(line.text):
            _run(paragraph, text, line, bold=line.bold, author=author)
    return height


def _parts(text: str) -> list[tuple[str, bool]]:
    """Words, and the [places for the author] among them."""
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
                run.font.bold = number == 0 or number in grid.headings
                run.font.color.rgb = RGBColor.from_string(INK)
            cell.fill.background()
            _edges(cell, top=number == 0, bottom=number in (0, last))
        if number in grid.headings and len(texts) > 1:
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
