"""A short slide deck from the same material as the poster."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from outcomes.reports.files.grid import grids
from outcomes.reports.files.slides import (
    PAPER,
    QUIET,
    STRONG,
    add_grid,
    add_panel,
    add_picture,
    add_text,
    blank,
    new_slides,
)
from outcomes.reports.files.text_size import Line, text_height
from outcomes.reports.series.cells import Tables
from outcomes.reports.series.deck import SMALLEST_IN_FIGURES, figures_to_share, picture, sections
from outcomes.reports.series.figures import Planned
from outcomes.reports.series.results import Series
from outcomes.reports.series.story import Story, tell
from outcomes.reports.table import Table

if TYPE_CHECKING:
    from pptx.presentation import Presentation
    from pptx.slide import Slide

WIDTH, HEIGHT = 960.0, 540.0
MARGIN, FOOT = 48.0, 30.0
ACROSS = WIDTH - 2 * MARGIN
"""Width of what stands on a slide."""
TOP = 96.0
ROOM = HEIGHT - FOOT - 14 - TOP
"""Height for the body of a slide."""
SMALLEST = 12.0
FIGURE_SCALE = 2.0
LEAST = 11.0
"""Smallest type in a figure on a slide, points."""


def write_slides(series: Series, tables: Tables, path: str | Path) -> Path:
    """Write the deck: about ten slides, 16 to 9."""
    story = tell(series, tables)
    slides = new_slides(WIDTH, HEIGHT, "Case series")
    _title(slides, story)
    figures = figures_to_share(
        series,
        measures=lambda _, shared: shared[:3],
        beside=None,
        across=6 if len(series.patients) > 4 else None,
        height=0.92,
        tolerance="tolerance around it",
    )
    order = ("before_after", "rates", "cases", "measures")
    for section in sections(story, figures, order, after=8, apart=14):
        if section.figure is not None:
            _picture(slides, story, section.figure)
        elif section.table is not None:
            _table(slides, story, section.heading, section.table)
        else:
            _words(slides, story, section.heading, section.text)
    slides.save(str(path))
    return Path(path)


def _title(slides: Presentation, story: Story) -> None:
    slide = blank(slides)
    add_panel(slide, "title", 0, 0, WIDTH, 360, STRONG)
    lines = (
        Line(story.title, 44, bold=True, colour=PAPER, after=18),
        Line(story.authors, 22, colour=PAPER, after=4),
        Line(story.affiliations, 18, colour=PAPER),
    )
    height = text_height(lines, ACROSS)
    add_text(slide, "title", MARGIN, 340 - height, ACROSS, lines)
    add_text(slide, "notice", MARGIN, 390, ACROSS, [Line(story.notice, 18, bold=True)])
    _foot(slide, story)


def _start(slides: Presentation, story: Story, heading: str) -> Slide:
    slide = blank(slides)
    line = [Line(heading, 32, bold=True, colour=STRONG)]
    height = add_text(slide, "heading", MARGIN, 34, ACROSS, line)
    add_panel(slide, "rule", MARGIN, 34 + height + 6, ACROSS, 1.5, STRONG)
    _foot(slide, story)
    return slide


def _foot(slide: Slide, story: Story) -> None:
    words = story.notice if not story.notice.startswith("[") else str(story.software)
    line = [Line(words, SMALLEST, colour=QUIET)]
    add_text(slide, "foot", MARGIN, HEIGHT - FOOT + 4, ACROSS, line)


def _words(slides: Presentation, story: Story, heading: str, lines: Sequence[Line]) -> None:
    """A slide of words, at the largest type that fits; on to a second one where none does."""
    for size in (28, 26, 24, 22, 20, 18):
        sized = tuple(replace(line, size=float(size)) for line in lines)
        if text_height(sized, ACROSS) <= ROOM:
            add_text(_start(slides, story, heading), "body", MARGIN, TOP, ACROSS, sized)
            return
    middle = max(1, len(lines) // 2)
    _words(slides, story, heading, lines[:middle])
    _words(slides, story, f"{heading}, continued", lines[middle:])


def _table(slides: Presentation, story: Story, heading: str, table: Table) -> None:
    """A slide with a table, its lines divided over more slides where they do not fit."""
    note = [Line(" ".join(table.notes), SMALLEST, colour=QUIET)] if table.notes else []
    room = ROOM - (text_height(note, ACROSS) + 8 if note else 0)
    found = grids(table, ACROSS, (20.0, 18.0, 16.0, 14.0))
    for grid in sorted(found, key=lambda grid: grid.broken):  # smaller type before broken words
        if grid.height <= room:
            slide = _start(slides, story, heading)
            add_grid(slide, grid, MARGIN, TOP, "table")
            if note:
                add_text(slide, "note", MARGIN, TOP + grid.height + 8, ACROSS, note)
            return
    if len(table.rows) < 2:
        raise ValueError(f"{table.label} is too wide for a slide: make it with fewer columns.")
    half = len(table.rows) // 2
    for part, more in ((table.rows[:half], ""), (table.rows[half:], ", continued")):
        _table(slides, story, heading + more, replace(table, rows=part))


def _picture(slides: Presentation, story: Story, figure: Planned) -> None:
    """A slide with a figure; drawn less high, or more small, until it fits."""
    note = [Line(figure.caption, 14, colour=QUIET)]
    room = ROOM - text_height(note, ACROSS) - 10
    for scale in (1.0, 0.85):
        axes, across, high = figure.settled(ACROSS / 72 / FIGURE_SCALE * scale)
        if high * 72 * FIGURE_SCALE <= room:
            break
    factor = min(FIGURE_SCALE, room / (72 * high))
    if factor * SMALLEST_IN_FIGURES < LEAST:
        return  # too many panels to be read on a slide: they are in the report
    made = picture(axes, across * 72 * factor, high * 72 * factor, 600)
    slide = _start(slides, story, figure.heading)
    add_picture(slide, made, (WIDTH - made.width) / 2, TOP, "figure")
    add_text(slide, "caption", MARGIN, TOP + made.height + 8, ACROSS, note)
