"""Word files: plain styles on A4, real tables with their captions and notes, described pictures."""

from __future__ import annotations

import io
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outcomes.reports.table import Table

if TYPE_CHECKING:
    from docx.document import Document

CELL_STYLE = "Table cell"
"""Paragraph style of cells: an author changes all tables by changing it."""
WIDE = 7
"""A table of more columns stands on a page in landscape."""
SHORT = 25
"""A table of so many lines or fewer is kept on one page."""


def new_document(title: str = "") -> Document:
    """A Word document on A4 with our plain styles, its author left open."""
    from docx import Document as make
    from docx.enum.style import WD_STYLE_TYPE
    from docx.shared import Mm, Pt, RGBColor

    document = make()
    document.core_properties.author, document.core_properties.title = "", title
    section = document.sections[0]
    section.page_width, section.page_height = Mm(210), Mm(297)
    section.left_margin = section.right_margin = Mm(20)
    section.top_margin = section.bottom_margin = Mm(20)
    normal = document.styles["Normal"]
    normal.font.name, normal.font.size = "Arial", Pt(10.5)
    normal.paragraph_format.space_after = Pt(6)
    normal.paragraph_format.line_spacing = 1.25
    for name, size in (("Title", 20), ("Heading 1", 15), ("Heading 2", 12), ("Caption", 10)):
        look = document.styles[name]
        look.font.name, look.font.size, look.font.bold = "Arial", Pt(size), name != "Caption"
        look.font.italic = False
        look.font.color.rgb = RGBColor(0x22, 0x22, 0x22)
        fonts = look.element.get_or_add_rPr().get_or_add_rFonts()
        for kind in ("asciiTheme", "hAnsiTheme", "eastAsiaTheme", "cstheme"):
            fonts.attrib.pop(_w(kind), None)
    cell = document.styles.add_style(CELL_STYLE, WD_STYLE_TYPE.PARAGRAPH)
    cell.base_style, cell.font.size = normal, Pt(8.5)
    cell.paragraph_format.space_before = cell.paragraph_format.space_after = Pt(1.5)
    cell.paragraph_format.line_spacing = 1.0
    return document


def _w(name: str) -> str:
    from docx.oxml.ns import qn

    return str(qn(f"w:{name}"))


def _element(name: str, **values: str) -> Any:
    from docx.oxml import OxmlElement

    made = OxmlElement(f"w:{name}")
    for key, value in values.items():
        made.set(_w(key), value)
    return made


def add_table(document: Document, table: Table) -> None:
    """Append caption, a real Word table and footnotes to a document.

    The heading line repeats on every page, and no line is broken across pages.
    """
    from docx.enum.table import WD_TABLE_ALIGNMENT
    from docx.shared import Pt

    if table.label or table.title:
        caption = document.add_paragraph(style="Caption")
        caption.add_run(f"{table.label}. " if table.label else "").bold = True
        caption.add_run(table.title)
        caption.paragraph_format.keep_with_next = True
    made = document.add_table(rows=1, cols=len(table.columns))
    made.alignment = WD_TABLE_ALIGNMENT.LEFT
    made.autofit = False
    right = table.numeric()
    bold = [table.look(column).bold for column in table.columns]
    every = [True] * len(bold)
    _fill(made.rows[0].cells, table.columns, right, every)
    made.rows[0]._tr.get_or_add_trPr().append(_element("tblHeader", val="true"))
    for line, texts in zip(table.rows, table.texts(), strict=True):
        cells = made.add_row().cells
        _fill(cells, texts, right, every if line.heading else bold)
        if line.heading:
            merged = cells[0].merge(cells[-1])
            for paragraph in merged.paragraphs[1:]:  # a merge keeps those of the other cells
                paragraph._p.getparent().remove(paragraph._p)
    _rules(made)
    _widths(document, made, table)
    for line in made.rows[:-1]:
        for cell in line.cells:
            for paragraph in cell.paragraphs:
                paragraph.paragraph_format.keep_with_next = len(table.rows) <= SHORT
    for note in table.notes:
        paragraph = document.add_paragraph()
        paragraph.paragraph_format.space_after = Pt(1)
        paragraph.add_run(note).font.size = Pt(8)
    document.add_paragraph().paragraph_format.space_after = Pt(4)


def _fill(cells: Any, texts: Iterable[str], right: list[bool], bold: list[bool]) -> None:
    from docx.enum.text import WD_ALIGN_PARAGRAPH

    for cell, text, to_the_right, strong in zip(cells, texts, right, bold, strict=True):
        paragraph = cell.paragraphs[0]
        paragraph.style = CELL_STYLE
        if to_the_right:
            paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
        paragraph.add_run(text).bold = strong or None


def _rules(made: Any) -> None:
    """Lines above and below the headings and at the end; none between columns."""

    def border(cell: Any, **sides: int) -> None:
        properties = cell._tc.get_or_add_tcPr()
        borders = properties.find(_w("tcBorders"))
        if borders is None:
            borders = _element("tcBorders")
            properties.append(borders)
        for side, eighths in sides.items():
            borders.append(_element(side, val="single", sz=str(eighths), color="444444"))

    for cell in made.rows[0].cells:
        border(cell, top=10, bottom=6)
    for cell in dict.fromkeys(made.rows[-1].cells):
        border(cell, bottom=10)
    for line in made.rows:
        line._tr.get_or_add_trPr().append(_element("cantSplit", val="true"))


def page_room(section: Any) -> tuple[int, int]:
    """Width and height inside the margins, in the length unit of Word files."""
    across = int(section.page_width) - int(section.left_margin) - int(section.right_margin)
    return across, int(section.page_height) - int(section.top_margin) - int(section.bottom_margin)


def _widths(document: Document, made: Any, table: Table) -> None:
    """Columns as wide as their longest word asks, shares of the page."""
    section = document.sections[-1]
    page = page_room(section)[0]
    wanted = []
    for place, title in enumerate(table.columns):
        texts = [t[place] for r, t in zip(table.rows, table.texts(), strict=True) if not r.heading]
        longest = min(max(map(len, texts), default=1), 34)
        own = min(max([*map(len, title.split(" ")), longest]), 34) + 2.5
        wanted.append(table.look(title).width or own)
    widths = [int(page * share / sum(wanted)) for share in wanted]
    for place, width in enumerate(widths):
        made.columns[place].width = width
    headings = [False, *(line.heading for line in table.rows)]
    for line, heading in zip(made.rows, headings, strict=True):
        if heading:
            line.cells[0].width = sum(widths)
            continue
        for cell, width in zip(line.cells, widths, strict=True):
            cell.width = width


def write_docx(tables: Iterable[Table], path: str | Path) -> Path:
    """A Word document with these tables, in landscape where a table has more than 7 columns."""
    document = new_document()
    add_tables(document, tables)
    document.save(str(path))
    return Path(path)


def add_tables(document: Document, tables: Iterable[Table]) -> None:
    """Append tables, each on a page turned as it needs."""
    for table in tables:
        page_for(document, table)
        add_table(document, table)


def page_for(document: Document, table: Table | None = None) -> None:
    """Turn the page where the table is wide, back where it is not or there is none."""
    from docx.enum.section import WD_ORIENT, WD_SECTION
    from docx.shared import Emu

    wide = table is not None and len(table.columns) > WIDE
    section = document.sections[-1]
    if wide == (section.orientation == WD_ORIENT.LANDSCAPE):
        return
    if document.paragraphs:  # else nothing stands on the first page yet
        section = document.add_section(WD_SECTION.NEW_PAGE)
    section.orientation = WD_ORIENT.LANDSCAPE if wide else WD_ORIENT.PORTRAIT
    short, long = sorted((int(section.page_width or 0), int(section.page_height or 0)))
    across, high = (long, short) if wide else (short, long)
    section.page_width, section.page_height = Emu(across), Emu(high)


def add_picture(
    document: Document, picture: bytes, alt: str, *, width: int, height: int = 0, title: str = ""
) -> None:
    """Append a picture with its alt text: so wide, less wide where it would be too high.

    ``width`` and ``height`` (0: whatever it takes) are in the length unit of Word files.
    """
    shape = document.add_picture(io.BytesIO(picture), width=width)
    if height and shape.height > height:
        shape.width, shape.height = int(shape.width * height / shape.height), height
    shape._inline.docPr.set("descr", alt)
    if title:
        shape._inline.docPr.set("title", title)
