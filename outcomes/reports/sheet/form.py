"""A sheet to print: its parts, and how they become a page (HTML) and a Word file.

The table that matters most stands on the first page; the code of the patient and the cautions in
short stand on every page, and the cautions in full at the end.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from outcomes.figures.base import alt_text, figure_bytes
from outcomes.reports.files import html, word
from outcomes.reports.table import Look, Table, from_frame
from outcomes.words.cautions import IN_SHORT

if TYPE_CHECKING:
    from docx.document import Document

__all__ = [
    "DEMO",
    "Picture",
    "Section",
    "Sheet",
    "file_names",
    "page",
    "sheet_table",
    "write_sheet",
]

TEMPLATE = Path(__file__).resolve().parent / "templates" / "sheet.html.j2"

DEMO = (
    "Invented demonstration data: a practice and a patient that do not exist. Plan nothing from it."
)

PATIENT = "Patient"
"""The first column of every table of a sheet whose patient has a code."""
_MANY = 3
"""Lines of a table from which it may go on over pages."""
_PATIENT_WIDTH = 15


@dataclass(frozen=True)
class Picture:
    """A figure as PNG, with its alt text."""

    data: bytes
    alt: str

    @classmethod
    def of(cls, axes: Any) -> Picture:
        """The picture of what was drawn on these Axes."""
        return cls(figure_bytes(axes, "png", 200), alt_text(axes))


@dataclass(frozen=True)
class Section:
    """A part of a sheet.

    Attributes
    ----------
    title
        Its heading; "" for the first, which stands right under the head of the sheet.
    before
        Sentences above the table.
    table
        Its table; None for none.
    numbered
        Notes to which the table points by number, from 1.
    after
        Sentences below the table.
    pictures
        Figures.
    listed
        Sentences as bullet points.
    """

    title: str
    before: tuple[str, ...] = ()
    table: Table | None = None
    numbered: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    pictures: tuple[Picture, ...] = ()
    listed: tuple[str, ...] = ()

    @property
    def together(self) -> bool:
        """Whether it is so short that it stands on one page."""
        many = self.table is not None and len(self.table.rows) > _MANY
        return not many and not self.pictures and len(self.listed) < _MANY


@dataclass(frozen=True)
class Sheet:
    """A sheet of one patient.

    Attributes
    ----------
    title
        What it is.
    code
        The patient's code; "" where the aims name none.
    sections
        Its parts in order: the first is for page one.
    cautions
        The cautions in full.
    invented
        Whether the past cases are invented.
    """

    title: str
    code: str
    sections: tuple[Section, ...]
    cautions: tuple[str, ...]
    invented: bool = False

    @property
    def foot(self) -> str:
        """What stands at the foot of every page."""
        return f"Patient {self.code}. {IN_SHORT}" if self.code else IN_SHORT

    def warned(self, *cautions: str) -> list[str]:
        """Cautions, with that on invented data first where it belongs there."""
        return [DEMO, *cautions] if self.invented else [*cautions]


def sheet_table(
    frame: pd.DataFrame, widths: Mapping[str, float], *, main: str = "", code: str = ""
) -> Table:
    """A table of a sheet: the code of the patient in every row, columns as wide as told.

    Parameters
    ----------
    frame
        Texts, a line for each row.
    widths
        Heading -> width in Word, mm; columns of words are those below 0, whose width is the number
        without its sign.
    main
        The column that matters most.
    code
        The patient's code; "" for none.
    """
    frame = frame.reset_index(drop=True)
    looks = {
        str(name): Look(
            right=widths[str(name)] > 0, bold=name == main, width=abs(widths[str(name)])
        )
        for name in frame.columns
    }
    if code:
        frame = frame.copy()
        frame.insert(0, PATIENT, code)
        looks[PATIENT] = Look(right=False, width=_PATIENT_WIDTH)
    return from_frame(frame, looks=looks)


def file_names(stem: str, codes: Iterable[str]) -> dict[str, str]:
    """Code -> the name of the files of its sheet, without ending; each name once.

    Examples
    --------
    >>> file_names("sheet", ["P/1", "p:1", "P2"])
    {'P/1': 'sheet_P_1', 'p:1': 'sheet_p_1_2', 'P2': 'sheet_P2'}
    """
    found: dict[str, str] = {}
    for code in codes:
        plain = re.sub(r"[^\w.-]+", "_", code).strip("._") or "patient"
        name, n = f"{stem}_{plain}", 1
        while name.casefold() in {known.casefold() for known in found.values()}:
            n += 1
            name = f"{stem}_{plain}_{n}"
        found[code] = name
    return found


def write_sheet(sheet: Sheet, folder: Path, name: str) -> list[Path]:
    """Write a sheet as a page and as a Word file; their paths."""
    paths = [folder / f"{name}.html", folder / f"{name}.docx"]
    paths[0].write_text(page(sheet), encoding="utf-8", newline="\n")
    _document(sheet).save(str(paths[1]))
    return paths


def page(sheet: Sheet) -> str:
    """The sheet as one page of HTML, nothing fetched from anywhere."""
    from markupsafe import Markup

    return html.page(
        TEMPLATE,
        title=sheet.title,
        code=sheet.code,
        warnings=sheet.warned(IN_SHORT),
        sections=sheet.sections,
        picture=lambda one: Markup(html.figure(one.data, one.alt)),
        table=lambda made: Markup(html.table(made)),
        cautions=sheet.warned(*sheet.cautions),
        foot=sheet.foot,
    )


def _document(sheet: Sheet) -> Document:
    from docx.shared import Mm

    document = word.new_document(sheet.title)
    _landscape(document)
    foot = document.sections[0].footer.paragraphs[0].add_run(sheet.foot)
    foot.font.size = document.styles[word.CELL_STYLE].font.size

    document.add_heading(sheet.title, 0)
    for line in sheet.warned(IN_SHORT):
        document.add_paragraph().add_run(line).bold = True
    document.add_paragraph(
        f"Patient (code) {sheet.code or '______________'}   Clinician ______________   "
        "Date __________"
    )
    for section in sheet.sections:
        if section.title:
            document.add_heading(section.title, 1)
        for line in section.before:
            document.add_paragraph(line)
        if section.table is not None:
            word.add_table(document, section.table)
        for number, line in enumerate(section.numbered, start=1):
            document.add_paragraph(f"{number}.  {line}")
        for line in section.after:
            document.add_paragraph(line)
        for picture in section.pictures:
            word.add_picture(document, picture.data, picture.alt, width=Mm(165))
        _bullets(document, section.listed)
    document.add_heading("Cautions", 1)
    _bullets(document, sheet.warned(*sheet.cautions))
    return document


def _landscape(document: Document) -> None:
    """Turn the page, and set its styles small: a sheet is dense."""
    from docx.enum.section import WD_ORIENT
    from docx.shared import Mm, Pt

    section = document.sections[0]
    section.orientation = WD_ORIENT.LANDSCAPE
    section.page_width, section.page_height = Mm(297), Mm(210)
    section.left_margin = section.right_margin = Mm(14)
    section.top_margin, section.bottom_margin = Mm(12), Mm(18)
    section.footer_distance = Mm(7)
    styles: Any = document.styles
    styles["Normal"].font.size = Pt(9.5)
    styles["Normal"].paragraph_format.space_after = Pt(3)
    styles["Normal"].paragraph_format.line_spacing = 1.0
    styles[word.CELL_STYLE].font.size = Pt(8)
    styles[word.CELL_STYLE].paragraph_format.space_before = Pt(1)
    styles[word.CELL_STYLE].paragraph_format.space_after = Pt(1)


def _bullets(document: Document, lines: Iterable[str]) -> None:
    for line in lines:
        document.add_paragraph(line, style="List Bullet")
