"""The manuscript draft as a Word file: words, tables, figures with legends, checklist."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from outcomes.domain.limits import FEW_PATIENTS
from outcomes.figures.publication import Drawn
from outcomes.reports.files.word import (
    add_picture,
    add_table,
    add_tables,
    new_document,
    page_for,
    page_room,
)
from outcomes.reports.series.cells import Tables
from outcomes.reports.series.checklists import checklist_table
from outcomes.reports.series.results import Series
from outcomes.reports.series.sentences import Paragraph
from outcomes.reports.series.words import limitations, methods, results

if TYPE_CHECKING:
    from docx.document import Document

CONSENT = (
    "Before publishing: written consent of every patient; no names, dates of birth or faces; take "
    f"out or merge what is marked with a dagger, where fewer than {FEW_PATIENTS} patients stand behind it."
)
DEMO = "Invented demonstration data: the patients do not exist and the results are evidence of nothing."


def write_manuscript(
    series: Series, tables: Tables, figures: Sequence[Drawn], folder: str | Path, path: str | Path
) -> Path:
    """Write the draft; ``figures`` are as `save_for_print` saved them in ``folder``."""
    document = new_document("Draft of a case series")
    one = len(series.patients) == 1
    document.add_paragraph("[Title: the question, and the design]", style="Title")
    _marked(document, "[Authors and affiliations]")
    if series.cohort.invented:
        document.add_paragraph().add_run(DEMO).bold = True
    document.add_paragraph(CONSENT)
    document.add_heading("Introduction", 1)
    _marked(document, "[What is known, what is not, and the question: the author's]")
    _section(document, "Methods", methods(series, tables))
    _marked(
        document,
        "[Consent and ethics approval; how the case was chosen; scanning and superimposition]"
        if one
        else "[Ethics approval; who was eligible and how cases were chosen; dates and setting; "
        "scanning and superimposition]",
    )
    _section(document, "Results", results(series, tables))
    document.add_heading("Discussion", 1)
    _marked(document, "[What the findings mean, beside other studies: the author's]")
    paragraph = limitations(series, tables)
    document.add_heading(paragraph.heading, 2)
    document.add_paragraph(paragraph.text)
    document.add_heading("Funding and interests", 1)
    _marked(document, "[Sources of funding; interests of every author]")
    document.add_heading("References", 1)
    for line in tables["references"].rows:
        document.add_paragraph(f"{line.cells[0].text}. {line.cells[1].text}")
    document.add_heading("Tables", 1)
    main = [t for t in tables.values() if not t.label.startswith("Table S")]
    more = [t for k, t in tables.items() if t.label.startswith("Table S") and k != "references"]
    add_tables(document, main)
    page_for(document)
    _figures(document, figures, Path(folder))
    page_for(document, more[0])  # the heading stays with its first table
    document.add_heading("Supplement", 1)
    add_tables(document, more)
    page_for(document)
    document.add_heading("Checklist", 1)
    add_table(document, checklist_table(series, tables))
    document.save(str(path))
    return Path(path)


def _marked(document: Document, text: str) -> None:
    """A place that only the author can fill, marked so that it is not overlooked."""
    from docx.enum.text import WD_COLOR_INDEX

    run = document.add_paragraph().add_run(text)
    run.font.highlight_color = WD_COLOR_INDEX.YELLOW


def _section(document: Document, title: str, paragraphs: Iterable[Paragraph]) -> None:
    document.add_heading(title, 1)
    for paragraph in paragraphs:
        document.add_heading(paragraph.heading, 2)
        document.add_paragraph(paragraph.text)


def _figures(document: Document, figures: Sequence[Drawn], folder: Path) -> None:
    document.add_heading("Figures", 1)
    room, high = page_room(document.sections[-1])
    for place, figure in enumerate(figures, start=1):
        picture = next(file for file in figure.files if file.endswith("300dpi.png"))
        wide = next((f for f in figure.files if f.endswith("two_column_300dpi.png")), picture)
        add_picture(
            document,
            (folder / wide).read_bytes(),
            figure.alt,
            width=room,
            height=int(0.72 * high),
            title=figure.name.replace("_", " "),
        )
        document.paragraphs[-1].paragraph_format.keep_with_next = True
        legend = document.add_paragraph(style="Caption")
        legend.add_run(f"Figure {place}. ").bold = True
        legend.add_run(figure.caption)
