"""All documents of a case series, written into one folder."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pandas as pd

from outcomes.figures.base import alt_text, figure_bytes
from outcomes.figures.publication import write_contents
from outcomes.reports.build.show import Shown, say, show
from outcomes.reports.files import html
from outcomes.reports.files.tables import write_tables
from outcomes.reports.files.word import write_docx
from outcomes.reports.series.cells import Tables
from outcomes.reports.series.checklists import checklist_table
from outcomes.reports.series.figures import Planned, case_figures, save_figures, series_figures
from outcomes.reports.series.manuscript import CONSENT, DEMO, write_manuscript
from outcomes.reports.series.results import Series
from outcomes.reports.series.sentences import trace
from outcomes.reports.series.tables import manuscript_tables
from outcomes.reports.series.words import limitations, methods, results
from outcomes.reports.table import Table

SCREEN_DPI = 110


def write_documents(
    series: Series, out: str | Path, *, tables: Tables | None = None, poster: bool = False
) -> list[Path]:
    """Write figures, tables, words, the manuscript draft and, if asked for, poster and slides.

    Parameters
    ----------
    series
        From `outcomes.reports.series.results.run_series`.
    out
        The report folder; ``figures/`` and ``tables/`` in it are made.
    tables
        From `manuscript_tables`; made where None.
    poster
        Write posters (A0 portrait, 48 × 36 in landscape) and slides as well.

    Returns
    -------
    list of Path
        The documents a reader opens; not every figure and table.
    """
    out = Path(out)
    tables = manuscript_tables(series) if tables is None else tables
    drawn, cases = save_figures(series, out / "figures")
    inside = [replace(c, files=tuple(f"cases/{file}" for file in c.files)) for c in cases]
    write_contents([*drawn, *inside], out / "figures" / "captions.csv")
    checklist = checklist_table(series, tables)
    write_tables(tables.values(), out / "tables")
    write_docx([checklist], out / "tables" / f"{checklist.name}.docx")
    paragraphs = [*methods(series, tables), *results(series, tables), limitations(series, tables)]
    traced = pd.DataFrame(trace(paragraphs))
    traced.to_csv(out / "tables" / "numbers_in_the_text.csv", index=False, lineterminator="\r\n")
    written = [
        write_manuscript(series, tables, drawn, out / "figures", out / "manuscript.docx"),
        out / "tables" / "manuscript_tables.docx",
        out / "tables" / "manuscript_tables.xlsx",
        out / "tables" / f"{checklist.name}.docx",
    ]
    if poster:
        from outcomes.reports.series.poster import write_posters
        from outcomes.reports.series.slides import write_slides

        written += write_posters(series, tables, out)
        written.append(write_slides(series, tables, out / "slides.pptx"))
    return written


def written_words(written: Iterable[Path]) -> str:
    """The list of written files, and what did not fit on the posters."""
    return "Written: " + ", ".join(_named(path) for path in written) + "."


def _named(path: Path) -> str:
    if path.suffix != ".pptx":
        return path.name
    from pptx import Presentation

    comment = Presentation(str(path)).core_properties.comments
    return f"{path.name} ({comment})" if comment else path.name


def show_paper(table: Table) -> Shown:
    """A table for print as a notebook shows it."""
    return Shown(html.table(table))


def show_figure(series: Series, name: str, *, width: float = 6.9) -> Shown:
    """A figure of the series by its name, with its caption; nothing where there is none."""
    for figure in series_figures(series):
        if figure.name == name or figure.name.startswith(f"{name}_"):
            return show(figure.draw(width), figure.name, caption=figure.caption)
    return Shown("")


def case_gallery(series: Series, most: int = 12) -> list[Shown]:
    """Case pages as pictures for the screen; of more than ``most``, the first, and a sentence."""
    found = case_figures(series)
    shown = [_screen(figure) for figure in found[:most]]
    if len(found) > most:
        shown.append(
            say(f"The other {len(found) - most} case pages are in figures/cases.", kind="note")
        )
    return shown


def _screen(figure: Planned) -> Shown:
    axes, *_ = figure.settled(6.9)
    png = figure_bytes(axes, "png", SCREEN_DPI)
    return Shown(html.figure(png, alt_text(axes), caption=figure.caption, width=660))


def reminders(series: Series) -> list[str]:
    """What must be done before anything is published."""
    return [
        CONSENT,
        "Patient labels are printed as they stand in the input: make sure that they are not names "
        "or record numbers.",
        "Places in [square brackets] are the author's: title, background, aim, conclusion.",
        *([DEMO] if series.cohort.invented else []),
    ]
