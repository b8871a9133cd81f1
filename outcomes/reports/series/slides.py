"""A short slide deck from the same material as the poster."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outcomes.figures.base import alt_text, figure_bytes, settle
from outcomes.figures.before_after import before_after_panels
from outcomes.figures.series import series_panels
from outcomes.reports.files.slides import (
    PAPER,
    STRONG,
    Box,
    Grid,
    Line,
    Picture,
    add_box,
    add_grid,
    add_panel,
    add_picture,
    blank,
    grid_layout,
    new_slides,
    text_height,
)
from outcomes.reports.series.cells import Tables
from outcomes.reports.series.figures import main_measure, series_figures
from outcomes.reports.series.sharing import kinds_to_share, pairs_to_share
from outcomes.reports.series.story import Story, rate_frame, tell
from outcomes.reports.table import PaperTable

if TYPE_CHECKING:
    from pptx.presentation import Presentation
    from pptx.slide import Slide

    from outcomes.reports.series.results import Series

__all__ = ["write_slides"]

WIDTH, HEIGHT = 960.0, 540.0
MARGIN, FOOT = 48.0, 30.0
TOP = 96.0
ROOM = HEIGHT - FOOT - 14 - TOP
"""Height for the body of a slide."""
SMALLEST = 12.0
FIGURE_SCALE = 2.0
SMALLEST_IN_FIGURES, LEAST = 6.5, 11.0
"""Smallest type in figures as drawn, and on a slide, points."""


def write_slides(series: Series, tables: Tables, path: str | Path) -> Path:
    """Write the deck: about ten slides, 16 to 9.

    Parameters
    ----------
    series, tables
        Results and their tables.
    path
        The .pptx to write.
    """
    story = tell(series, tables)
    slides = new_slides(WIDTH, HEIGHT)
    slides.core_properties.title = "Case series"
    slides.core_properties.author = ""
    _title(slides, story)
    _words(
        slides,
        story,
        "Background and aim",
        [Line(story.background, 0, after=14), Line(story.aim, 0)],
    )
    _words(slides, story, "Methods", _bullets(story.methods))
    _table(slides, story, "Patients", story.patients)
    if story.findings:
        _words(slides, story, "Findings", _bullets(story.findings))
    _pictures(slides, series, story)
    if story.measures is not None:
        _table(slides, story, "Measures, start to end", story.measures)
    _words(slides, story, "Limits", _bullets(story.limits))
    _words(slides, story, "Conclusion", [Line(story.conclusion, 0)])
    _words(slides, story, "Before anybody acts on this", _bullets(story.cautions))
    slides.save(str(path))
    return Path(path)


def _bullets(sentences: Sequence[Any]) -> list[Line]:
    return [Line(str(sentence), 0, bullet=True, after=8) for sentence in sentences]


def _title(slides: Presentation, story: Story) -> None:
    slide = blank(slides)
    add_panel(slide, "title", 0, 0, WIDTH, 360, STRONG)
    lines = (
        Line(story.title, 44, bold=True, colour=PAPER, after=18),
        Line(story.authors, 22, colour=PAPER, after=4),
        Line(story.affiliations, 18, colour=PAPER),
    )
    height = text_height(lines, WIDTH - 2 * MARGIN)
    add_box(slide, Box("title", MARGIN, 340 - height, WIDTH - 2 * MARGIN, height, lines))
    notice = (Line(story.notice, 18, bold=True),)
    tall = text_height(notice, WIDTH - 2 * MARGIN)
    add_box(slide, Box("notice", MARGIN, 390, WIDTH - 2 * MARGIN, tall, notice))
    _foot(slide, story)


def _start(slides: Presentation, story: Story, heading: str) -> Slide:
    slide = blank(slides)
    line = (Line(heading, 32, bold=True, colour=STRONG),)
    height = text_height(line, WIDTH - 2 * MARGIN)
    add_box(slide, Box("heading", MARGIN, 34, WIDTH - 2 * MARGIN, height, line))
    add_panel(slide, "rule", MARGIN, 34 + height + 6, WIDTH - 2 * MARGIN, 1.5, STRONG)
    _foot(slide, story)
    return slide


def _foot(slide: Slide, story: Story) -> None:
    words = story.notice if not story.notice.startswith("[") else str(story.software)
    line = (Line(words, SMALLEST, colour="555555"),)
    height = text_height(line, WIDTH - 2 * MARGIN)
    top = HEIGHT - FOOT + 4
    add_box(slide, Box("foot", MARGIN, top, WIDTH - 2 * MARGIN, height, line))


def _words(slides: Presentation, story: Story, heading: str, lines: Sequence[Line]) -> None:
    """A slide of words, at the largest type that fits; on to a second one where none does."""
    width = WIDTH - 2 * MARGIN
    for size in (28, 26, 24, 22, 20, 18):
        sized = tuple(replace(line, size=float(size)) for line in lines)
        height = text_height(sized, width)
        if height <= ROOM:
            slide = _start(slides, story, heading)
            add_box(slide, Box("body", MARGIN, TOP, width, height, sized))
            return
    middle = max(1, len(lines) // 2)
    _words(slides, story, heading, lines[:middle])
    _words(slides, story, f"{heading}, continued", lines[middle:])


def _table(slides: Presentation, story: Story, heading: str, table: PaperTable) -> None:
    """A slide with a table, its lines divided over more slides where they do not fit."""
    notes = table.notes
    note = (Line(" ".join(notes), SMALLEST, colour="555555"),) if notes else ()
    width = WIDTH - 2 * MARGIN
    room = ROOM - (text_height(note, width) + 8 if note else 0)
    found = [_grid(table, width, size) for size in (20.0, 18.0, 16.0, 14.0)]
    grids = [grid for grid in found if grid is not None]
    for grid in sorted(grids, key=lambda grid: grid.broken):  # smaller type before broken words
        if grid.height <= room:
            slide = _start(slides, story, heading)
            add_grid(slide, grid, MARGIN, TOP, "table")
            if note:
                add_box(
                    slide,
                    Box(
                        "note", MARGIN, TOP + grid.height + 8, width, text_height(note, width), note
                    ),
                )
            return
    if len(table.rows) < 2:
        raise ValueError(f"{table.label} is too wide for a slide: make it with fewer columns.")
    half = len(table.rows) // 2
    for part, more in ((table.rows[:half], ""), (table.rows[half:], ", continued")):
        _table(slides, story, heading + more, replace(table, rows=part))


def _grid(table: PaperTable, width: float, size: float) -> Grid | None:
    headings = [place for place, line in enumerate(table.rows) if line.heading]
    try:
        return grid_layout(
            table.columns, table.texts(), width, size, right=table.numeric(), headings=headings
        )
    except ValueError:
        return None


def _pictures(slides: Presentation, series: Series, story: Story) -> None:
    names = {figure.name for figure in series_figures(series)}
    width = (WIDTH - 2 * MARGIN) / 72 / FIGURE_SCALE
    result, split, found = pairs_to_share(series)
    found = found[:3]
    if "before_after" in names and found:
        _picture(
            slides,
            story,
            "Before and after",
            lambda scale: before_after_panels(
                result, found, split=split, width=width * scale, columns=len(found)
            ),
            "A line for each patient; dashed: target; grey: tolerance around it.",
        )
    frame = rate_frame(series)
    if frame is not None:
        from outcomes.reports.series.poster import forest

        _picture(
            slides,
            story,
            "How much of the plan was achieved",
            lambda scale: forest(frame, width * scale),
            "Rates of the mixed model over all kinds of teeth.",
        )
    measure = main_measure(series)
    if measure is not None and len(series.patients) > 1:
        _picture(
            slides,
            story,
            "Every case",
            lambda scale: series_panels(
                series.cohort,
                measure,
                width=width * scale,
                columns=6 if len(series.patients) > 4 else None,
                height=0.92,
                kinds=kinds_to_share(series),
            ),
            "One panel for each patient; dashed: target; grey: tolerance around it.",
        )


def _picture(
    slides: Presentation,
    story: Story,
    heading: str,
    draw: Callable[[float], Any],
    caption: str,
) -> None:
    """A slide with a figure; drawn less high, or more small, until it fits."""
    note = (Line(caption, 14, colour="555555"),)
    tall = text_height(note, WIDTH - 2 * MARGIN)
    room = ROOM - tall - 10
    for scale in (1.0, 0.85):
        axes = draw(scale)
        settle(axes)
        first = axes if hasattr(axes, "get_figure") else axes[0]
        across, high = first.get_figure(root=True).get_size_inches()
        if high * 72 * FIGURE_SCALE <= room:
            break
    factor = min(FIGURE_SCALE, room / (72 * high))
    if factor * SMALLEST_IN_FIGURES < LEAST:
        return  # too many panels to be read on a slide: they are in the report
    png = figure_bytes(axes, "png", 600)
    picture = Picture(png, across * 72 * factor, high * 72 * factor, alt_text(axes))
    slide = _start(slides, story, heading)
    left = (WIDTH - picture.width) / 2
    add_picture(slide, picture, left, TOP, "figure")
    add_box(
        slide,
        Box("caption", MARGIN, TOP + picture.height + 8, WIDTH - 2 * MARGIN, tall, note),
    )
