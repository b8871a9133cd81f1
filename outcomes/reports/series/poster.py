"""Posters as .pptx: native text and tables, figures at print resolution, measured before placed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outcomes.clinical.measures import BeforeAfter
from outcomes.reports.files.grid import Grid
from outcomes.reports.files.slides import (
    MARK,
    PAPER,
    QUIET,
    STRONG,
    Picture,
    add_grid,
    add_panel,
    add_picture,
    add_text,
    blank,
    new_slides,
)
from outcomes.reports.files.text_size import Line, text_height
from outcomes.reports.series.cells import Tables
from outcomes.reports.series.deck import Block, figures_to_share, picture, sections
from outcomes.reports.series.figures import Planned
from outcomes.reports.series.poster_columns import (
    A0,
    FORMATS,
    SMALLEST,
    Format,
    Placed,
    Room,
    fit,
    height_of,
)
from outcomes.reports.series.results import Series
from outcomes.reports.series.story import Story, tell

if TYPE_CHECKING:
    from pptx.slide import Slide

FIGURE_SCALE = 4.0
"""Figures are drawn small and placed so much larger: their 6.5 pt become 26."""
PRINT_DPI = 300
WORTH = {
    "findings": 1.0,
    "cases": 2.0,
    "measures": 3.0,
    "arches": 13.0,
    "patients": 5.0,
    "pictures": 12.0,
}
"""What leaving a part out costs; the pictures more than all others together: left out only where
nothing else helps. Parts that are not named here stay."""
BESIDE_OUTLINES = 2.5
"""What leaving out the place for pictures costs where outlines of crowns are shown."""
ROOM_FOR_PICTURES = 300.0
"""Least height of the place for the author's pictures, points; it takes what its column spares."""


def write_posters(series: Series, tables: Tables, folder: str | Path) -> list[Path]:
    """Write a poster in each format: ``poster_a0_portrait.pptx`` and so on."""
    return [
        write_poster(series, tables, Path(folder, f"poster_{name}.pptx"), form)
        for name, form in FORMATS.items()
    ]


def write_poster(series: Series, tables: Tables, path: str | Path, form: Format = A0) -> Path:
    """Write one poster; its comments say what did not fit.

    Raises
    ------
    InputError
        If it does not fit even at the smallest type, without all that may be left out.
    """
    story = tell(series, tables)
    slides = new_slides(form.width, form.height, "Case series")
    slide = blank(slides)
    top = _header(slide, story, form)
    top = _key_numbers(slide, story, form, top)
    bottom = _footer(slide, story, form)
    found = blocks(series, story, form)
    columns, size, gap = fit(found, form, bottom - top)
    for place, column in enumerate(columns):
        left = form.margin + place * (form.column + form.gap)
        _draw_column(slide, column, left, top, bottom, form, size, gap)
    kept = {placed.block.name for column in columns for placed in column}
    missing = [block.heading.lower() for block in found if block.name not in kept]
    slides.core_properties.comments = f"did not fit: {', '.join(missing)}" if missing else ""
    slides.save(str(path))
    return Path(path)


def _header(slide: Slide, story: Story, form: Format) -> float:
    """Title, authors, notice; points to where the rest begins."""
    width = form.width - 2 * form.margin
    lines = (
        Line(story.title, 96, bold=True, colour=PAPER, after=22),
        Line(story.authors, 46, colour=PAPER, after=4),
        Line(story.affiliations, 38, colour=PAPER),
    )
    height = text_height(lines, width)
    pad = 58.0
    add_panel(slide, "header", 0, 0, form.width, height + 2 * pad, STRONG)
    add_text(slide, "title", form.margin, pad, width, lines)
    top = height + 2 * pad
    notice = (Line(story.notice, 34, bold=True, align="center"),)
    tall = text_height(notice, width)
    add_panel(slide, "notice", 0, top, form.width, tall + 28, "F4E3B5")
    add_text(slide, "notice", form.margin, top + 14, width, notice)
    return top + tall + 28 + 50


def _key_numbers(slide: Slide, story: Story, form: Format, top: float) -> float:
    """Numbers to be read from afar, side by side."""
    n = len(story.numbers)
    width = (form.width - 2 * form.margin - (n - 1) * form.gap) / n
    boxes = []
    for number in story.numbers:
        size = 96.0
        while text_height([Line(number.number, size, bold=True)], width) > 1.5 * size:
            size -= 4
        boxes.append(
            (
                Line(number.number, size, bold=True, colour=STRONG, after=6),
                Line(number.label, 34),
                *([Line(number.detail, 30, colour=QUIET)] if number.detail else []),
            )
        )
    height = max(text_height(lines, width) for lines in boxes)
    for place, lines in enumerate(boxes):
        left = form.margin + place * (width + form.gap)
        add_text(slide, f"key number {place + 1}", left, top, width, lines, height)
    rule = top + height + 22
    add_panel(slide, "rule", form.margin, rule, form.width - 2 * form.margin, 3, STRONG)
    return rule + 3 + 40


def _footer(slide: Slide, story: Story, form: Format) -> float:
    """Software and contact at the foot; points to where the columns must end."""
    width = form.width - 2 * form.margin
    lines = (Line(f"{story.contact}   ·   {story.software}", SMALLEST),)
    height = text_height(lines, width)
    top = form.height - 40 - height
    add_panel(slide, "foot rule", form.margin, top - 16, width, 2, STRONG)
    add_text(slide, "footer", form.margin, top, width, lines)
    return top - 16 - 34


def blocks(series: Series, story: Story, form: Format) -> list[Block]:
    """What stands in the columns, in order of reading."""
    figures = figures_to_share(
        series,
        measures=_two_measures,
        beside=2,
        across=6 if len(series.patients) > 8 else 4,
        height=1.12,
        tolerance="tolerance",
    )
    found = []
    order = ("before_after", "rates", "measures", "arches", "cases")
    for block in sections(story, figures, order, after=5, apart=8):
        if block.name == "limits":
            found.append(Block("pictures", "Clinical pictures", room=ROOM_FOR_PICTURES))
        drawn = _as_wide_as_a_column(block.figure, form) if block.figure else None
        found.append(replace(block, picture=drawn))
    worth = WORTH | ({"pictures": BESIDE_OUTLINES} if len(series.outlines) else {})
    return [replace(block, worth=worth.get(block.name, 0.0)) for block in found]


def _two_measures(result: BeforeAfter, shared: list[str]) -> list[str]:
    """Of the measures that may be drawn, the two that most patients have; the bite before others."""
    table = result.table[result.table["period"] == "total"]
    patients = table.groupby("measure")["patients"].sum()
    order = sorted(shared, key=lambda name: -int(patients[name]))
    return sorted(order, key=lambda name: (name != "overbite", name != "overjet"))[:2]


def _as_wide_as_a_column(figure: Planned, form: Format) -> Picture:
    """Drawn small and placed larger, at the resolution of print."""
    axes, across, high = figure.settled(form.column / 72 / FIGURE_SCALE)
    dpi = int(PRINT_DPI * FIGURE_SCALE)
    return picture(axes, form.column, form.column * high / across, dpi)


def _draw_column(
    slide: Slide,
    column: Sequence[Placed],
    left: float,
    top: float,
    bottom: float,
    form: Format,
    size: float,
    gap: float,
) -> None:
    """Draw blocks from the top, with the spare room of the column."""
    spare = bottom - top - height_of(column, gap)
    grows = any(placed.block.room for placed in column)
    # A place for pictures takes what is left; else it goes between the blocks, within reason.
    more = 0.0 if grows else min(2.2 * size, spare / max(1, len(column) - 1))
    place = top
    for placed in column:
        pad = 0.7 * size if placed.block.tint else 0.0
        if placed.block.tint:
            add_panel(slide, placed.block.name, left, place, form.column, placed.height)
        names = iter(("heading", "body", "caption"))
        for part, least in placed.parts:
            height = least
            if isinstance(part, Room):
                height += max(0.0, spare)
                _draw_room(slide, left, place, form.column, height, size)
            elif part is not None:
                name = f"{placed.block.name} {next(names)}"
                _draw_part(slide, part, left + pad, place, form.column - 2 * pad, name)
            place += height
        place += gap + more


def _draw_room(
    slide: Slide, left: float, top: float, width: float, height: float, size: float
) -> None:
    """A box with a broken edge for the author's pictures."""
    add_panel(slide, "room for pictures", left, top, width, height, edge=MARK)
    words = (Line("[clinical pictures, with consent]", size, align="center"),)
    tall = text_height(words, width - 2 * size)
    middle = top + (height - tall) / 2
    add_text(slide, "room for pictures", left + size, middle, width - 2 * size, words)


def _draw_part(slide: Slide, part: Any, left: float, top: float, width: float, name: str) -> None:
    if isinstance(part, Picture):
        add_picture(slide, part, left, top, name)
    elif isinstance(part, Grid):
        add_grid(slide, part, left, top, name)
    else:
        add_text(slide, name, left, top, width, part)
