"""Tables for print as files: Word, Excel, CSV, LaTeX, HTML."""

from __future__ import annotations

import csv
import html
import io
import re
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outcomes.reports.table import PaperTable

if TYPE_CHECKING:
    from docx.document import Document

__all__ = [
    "add_table",
    "as_csv",
    "as_html",
    "as_latex",
    "new_document",
    "page_for",
    "raw_rows",
    "write_docx",
    "write_tables",
    "write_xlsx",
]


CELL_STYLE = "Table cell"
"""Paragraph style of cells: an author changes all tables by changing it."""


def as_csv(table: PaperTable) -> str:
    """The printed texts, comma-separated.

    Examples
    --------
    >>> from outcomes.reports.table import row
    >>> print(as_csv(PaperTable("t", "Table 1", "Ages", ("", "All"), (row("age", ["Age", "24"]),))))
    ,All
    Age,24
    <BLANKLINE>
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(table.columns)
    writer.writerows(table.texts())
    return buffer.getvalue()


def raw_rows(table: PaperTable) -> list[list[Any]]:
    """Line, column, text and the unrounded numbers behind it: one line for each cell with some."""
    lines: list[list[Any]] = [["line", "column", "printed", "value", "second", "third"]]
    for line in table.rows:
        for column, cell in zip(table.columns, line.cells, strict=True):
            if cell.value is None:
                continue
            values = cell.value if isinstance(cell.value, tuple) else (cell.value,)
            lines.append([line.key, column, cell.text, *values, *[""] * (3 - len(values))])
    return lines


def as_html(table: PaperTable) -> str:
    """A table element with caption, headings with their scope, and footnotes."""
    numeric = table.numeric()
    head = "".join(
        f'<th scope="col"{_css(flag)}>{html.escape(title)}</th>'
        for title, flag in zip(table.columns, numeric, strict=True)
    )
    body = []
    for line, texts in zip(table.rows, table.texts(), strict=True):
        if line.heading:
            body.append(
                f'<tr><th scope="rowgroup" colspan="{len(texts)}" style="text-align:left">'
                f"{html.escape(texts[0])}</th></tr>"
            )
            continue
        look = "text-align:left;font-weight:normal"
        cells = [f'<th scope="row" style="{look}">{html.escape(texts[0])}</th>']
        cells += [
            f"<td{_css(flag)}>{html.escape(text)}</td>"
            for text, flag in zip(texts[1:], numeric[1:], strict=True)
        ]
        body.append(f"<tr>{''.join(cells)}</tr>")
    notes = "".join(f'<p class="note">{html.escape(note)}</p>' for note in table.notes)
    caption = f"<b>{html.escape(table.label)}.</b> {html.escape(table.title)}"
    return (
        f'<table class="data paper"><caption>{caption}</caption>'
        f"<thead><tr>{head}</tr></thead><tbody>{''.join(body)}</tbody></table>{notes}"
    )


def _css(numeric: bool) -> str:
    return ' class="n"' if numeric else ""


_LATEX = {
    "\\": r"\textbackslash{}",
    "&": r"\&",
    "%": r"\%",
    "$": r"\$",
    "#": r"\#",
    "_": r"\_",
    "{": r"\{",
    "}": r"\}",
    "~": r"\textasciitilde{}",
    "^": r"\textasciicircum{}",
    "−": "$-$",
    "±": r"$\pm$",
    "×": r"$\times$",
    "≤": r"$\leq$",
    "≥": r"$\geq$",
    "<": r"$<$",
    ">": r"$>$",
    "°": r"\textdegree{}",
    "–": "--",
    "†": r"\textdagger{}",
    "·": r"\textperiodcentered{}",
    "σ": r"$\sigma$",
    "²": r"\textsuperscript{2}",
    "\u00a0": "~",
    "\u202f": "~",
}


def latex_text(text: str) -> str:
    r"""Text with what LaTeX would read as commands written out.

    Examples
    --------
    >>> latex_text("−1.5° & 42\u00a0%")
    '$-$1.5\\textdegree{} \\& 42~\\%'
    """
    return "".join(_LATEX.get(letter, letter) for letter in text)


def as_latex(table: PaperTable) -> str:
    """A table environment; needs the booktabs and textcomp packages."""
    layout = "".join("r" if flag else "l" for flag in table.numeric())
    width = len(table.columns)
    lines = [
        r"% needs \usepackage{booktabs} and \usepackage{textcomp}",
        r"\begin{table}[htbp]",
        rf"\caption{{{latex_text(table.title)}}}",
        rf"\label{{{table.name.replace('_', '-')}}}",
        rf"\begin{{tabular}}{{{layout}}}",
        r"\toprule",
        " & ".join(map(latex_text, table.columns)) + r" \\",
        r"\midrule",
    ]
    for line, texts in zip(table.rows, table.texts(), strict=True):
        if line.heading:
            lines.append(rf"\multicolumn{{{width}}}{{l}}{{\textbf{{{latex_text(texts[0])}}}}} \\")
        else:
            lines.append(" & ".join(map(latex_text, texts)) + r" \\")
    lines += [r"\bottomrule", r"\end{tabular}"]
    lines += [rf"\par\smallskip\footnotesize {latex_text(note)}" for note in table.notes]
    return "\n".join([*lines, r"\end{table}", ""])


def new_document() -> Document:
    """A Word document on A4 with our plain styles."""
    from docx import Document as make
    from docx.enum.style import WD_STYLE_TYPE
    from docx.shared import Mm, Pt, RGBColor

    document = make()
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


def add_table(document: Document, table: PaperTable) -> None:
    """Append caption, a real Word table and footnotes to a document.

    The heading line repeats on every page, and no line is broken across pages.
    """
    from docx.enum.table import WD_TABLE_ALIGNMENT
    from docx.shared import Pt

    caption = document.add_paragraph(style="Caption")
    caption.add_run(f"{table.label}. ").bold = True
    caption.add_run(table.title)
    caption.paragraph_format.keep_with_next = True
    numeric = table.numeric()
    made = document.add_table(rows=1, cols=len(table.columns))
    made.alignment = WD_TABLE_ALIGNMENT.LEFT
    made.autofit = False
    _fill(made.rows[0].cells, table.columns, numeric, bold=True)
    _repeat(made.rows[0])
    for line, texts in zip(table.rows, table.texts(), strict=True):
        cells = made.add_row().cells
        _fill(cells, texts, numeric, bold=line.heading)
        if line.heading:
            merged = cells[0].merge(cells[-1])
            for paragraph in merged.paragraphs[1:]:  # a merge keeps those of the other cells
                paragraph._p.getparent().remove(paragraph._p)
    _rules(made)
    _widths(document, made, table)
    for line in made.rows[:-1]:
        for cell in line.cells:
            for paragraph in cell.paragraphs:
                paragraph.paragraph_format.keep_with_next = len(table.rows) <= 25
    for note in table.notes:
        paragraph = document.add_paragraph()
        paragraph.paragraph_format.space_after = Pt(1)
        paragraph.add_run(note).font.size = Pt(8)
    document.add_paragraph().paragraph_format.space_after = Pt(4)


def _fill(cells: Any, texts: Iterable[str], numeric: list[bool], bold: bool) -> None:
    from docx.enum.text import WD_ALIGN_PARAGRAPH

    for cell, text, flag in zip(cells, texts, numeric, strict=True):
        paragraph = cell.paragraphs[0]
        paragraph.style = CELL_STYLE
        if flag:
            paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
        paragraph.add_run(text).bold = bold or None


def _repeat(line: Any) -> None:
    from docx.oxml import OxmlElement

    mark = OxmlElement("w:tblHeader")
    mark.set(_w("val"), "true")
    line._tr.get_or_add_trPr().append(mark)


def _rules(made: Any) -> None:
    """Lines above and below the headings and at the end; none between columns."""
    from docx.oxml import OxmlElement

    def border(cell: Any, **sides: int) -> None:
        properties = cell._tc.get_or_add_tcPr()
        borders = properties.find(_w("tcBorders"))
        if borders is None:
            borders = OxmlElement("w:tcBorders")
            properties.append(borders)
        for side, eighths in sides.items():
            edge = OxmlElement(f"w:{side}")
            for name, value in (("val", "single"), ("sz", str(eighths)), ("color", "444444")):
                edge.set(_w(name), value)
            borders.append(edge)

    for cell in made.rows[0].cells:
        border(cell, top=10, bottom=6)
    for cell in dict.fromkeys(made.rows[-1].cells):
        border(cell, bottom=10)
    for line in made.rows:
        properties = line._tr.get_or_add_trPr()
        whole = OxmlElement("w:cantSplit")
        whole.set(_w("val"), "true")
        properties.append(whole)


def page_room(section: Any) -> tuple[int, int]:
    """Width and height inside the margins, in the length unit of Word files."""
    across = int(section.page_width) - int(section.left_margin) - int(section.right_margin)
    return across, int(section.page_height) - int(section.top_margin) - int(section.bottom_margin)


def _widths(document: Document, made: Any, table: PaperTable) -> None:
    """Columns as wide as their longest word asks, shares of the page."""
    section = document.sections[-1]
    page = page_room(section)[0]
    wanted = []
    for place, title in enumerate(table.columns):
        texts = [t[place] for r, t in zip(table.rows, table.texts(), strict=True) if not r.heading]
        words = [len(word) for word in title.split(" ")]
        longest = max([len(text) for text in texts], default=1)
        wanted.append(min(max([*words, min(longest, 34)]), 34) + 2.5)
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


def write_docx(tables: Iterable[PaperTable], path: str | Path) -> Path:
    """A Word document with these tables, in landscape where a table has more than 7 columns."""
    document = new_document()
    for number, table in enumerate(tables):
        page_for(document, table, first=number == 0)
        add_table(document, table)
    document.save(str(path))
    return Path(path)


def page_for(document: Document, table: PaperTable | None, *, first: bool) -> None:
    """Turn the page where the table is wide, back where it is not or there is none."""
    from docx.enum.section import WD_ORIENT, WD_SECTION
    from docx.shared import Emu

    wide = table is not None and len(table.columns) > 7
    section = document.sections[-1]
    if wide == (section.orientation == WD_ORIENT.LANDSCAPE):
        return
    if not first:
        section = document.add_section(WD_SECTION.NEW_PAGE)
    section.orientation = WD_ORIENT.LANDSCAPE if wide else WD_ORIENT.PORTRAIT
    short, long = sorted((int(section.page_width or 0), int(section.page_height or 0)))
    across, high = (long, short) if wide else (short, long)
    section.page_width, section.page_height = Emu(across), Emu(high)


def write_xlsx(tables: Iterable[PaperTable], path: str | Path) -> Path:
    """A workbook: a sheet for each table as printed, and one with the numbers behind all."""
    from openpyxl import Workbook
    from openpyxl.styles import Alignment, Border, Font, Side

    book = Workbook()
    book.remove(book.active)
    raw: list[list[Any]] = []
    for table in tables:
        sheet = book.create_sheet(re.sub(r"[\[\]:*?/\\]", " ", table.label)[:31])
        sheet.append([f"{table.label}. {table.title}"])
        sheet["A1"].font = Font(bold=True)
        sheet.append(list(table.columns))
        for cell in sheet[2]:
            cell.font = Font(bold=True)
            cell.alignment = Alignment(wrap_text=True, vertical="bottom")
            cell.border = Border(top=Side("thin"), bottom=Side("thin"))
        numeric = table.numeric()
        for line, texts in zip(table.rows, table.texts(), strict=True):
            sheet.append(texts)
            for cell, flag in zip(sheet[sheet.max_row], numeric, strict=True):
                cell.data_type = "s"  # never a formula, whatever the text begins with
                cell.font = Font(bold=line.heading)
                cell.alignment = Alignment(horizontal="right" if flag else "left", wrap_text=False)
        for cell in sheet[sheet.max_row]:
            cell.border = Border(bottom=Side("thin"))
        for note in table.notes:
            sheet.append([note])
        for place, title in enumerate(table.columns, start=1):
            texts = [t[place - 1] for t in table.texts()]
            wide = max(
                [*(len(word) for word in title.split()), *(len(t) for t in texts)], default=8
            )
            sheet.column_dimensions[sheet.cell(2, place).column_letter].width = min(wide + 2, 44)
        sheet.freeze_panes = "B3"
        raw += [[table.label, *line] for line in raw_rows(table)[1:]]
    sheet = book.create_sheet("unrounded")
    sheet.append(["table", "line", "column", "printed", "value", "second", "third"])
    for raw_line in raw:
        sheet.append(raw_line)
    sheet.freeze_panes = "A2"
    book.save(path)
    return Path(path)


def write_tables(tables: Iterable[PaperTable], folder: str | Path) -> list[Path]:
    """Every table in every format: one .docx and one .xlsx of all, and files of each.

    Returns
    -------
    list of Path
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    listed = list(tables)
    paths = [
        write_docx(listed, folder / "manuscript_tables.docx"),
        write_xlsx(listed, folder / "manuscript_tables.xlsx"),
    ]
    for table in listed:
        for ending, text in (
            ("csv", as_csv(table)),
            ("tex", as_latex(table)),
            ("html", as_html(table) + "\n"),
        ):
            path = folder / f"{table.name}.{ending}"
            path.write_text(text, encoding="utf-8", newline="\n")
            paths.append(path)
        path = folder / f"{table.name}.docx"
        paths.append(write_docx([table], path))
    return paths
