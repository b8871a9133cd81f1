"""Posters as .pptx: native text and tables, figures at print resolution, measured before placed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outcomes.errors import InputError
from outcomes.figures.base import alt_text, figure_bytes
from outcomes.figures.publication import settle
from outcomes.figures.series import before_after_panels, series_panels
from outcomes.reports.files.slides import (
    MARK,
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
from outcomes.reports.series.figures import main_measure, series_figures
from outcomes.reports.series.sharing import kinds_to_share, pairs_to_share
from outcomes.reports.series.story import Story, rate_frame, tell
from outcomes.reports.series.tables import Tables
from outcomes.reports.table import PaperTable

if TYPE_CHECKING:
    from pptx.slide import Slide

    from outcomes.clinical.measures import BeforeAfter
    from outcomes.reports.series.results import Series

__all__ = [
    "A0",
    "FORMATS",
    "WIDE",
    "Format",
    "forest",
    "write_poster",
    "write_posters",
]

SMALLEST = 24.0
"""No type on a poster is smaller, points; body text is 28 or more."""
FIGURE_SCALE = 4.0
"""Figures are drawn small and placed so much larger: their 6.5 pt become 26."""
PRINT_DPI = 300


@dataclass(frozen=True)
class Format:
    """A poster format; lengths in points."""

    name: str
    width: float
    height: float
    columns: int
    margin: float = 84.0
    gap: float = 66.0

    @property
    def column(self) -> float:
        """Width of a column."""
        return (self.width - 2 * self.margin - (self.columns - 1) * self.gap) / self.columns


MM = 72 / 25.4
A0 = Format("a0_portrait", 841 * MM, 1189 * MM, 2)
WIDE = Format("48x36_landscape", 48 * 72, 36 * 72, 3)
FORMATS = {form.name: form for form in (A0, WIDE)}

SIZES = (38.0, 36.0, 34.0, 32.0, 30.0, 28.0)
ROOM_FOR_PICTURES = 300.0
"""Least height of the place for the author's pictures, points; it takes what its column spares."""
LARGER = 0.15
"""What a point of larger type is worth, beside the worth of a block."""


@dataclass(frozen=True)
class Block:
    """A part of a column: a heading, then text, a picture or a table, then a caption.

    Attributes
    ----------
    name
        Short.
    heading
        Above it.
    text
        Lines, sized later.
    picture
        Drawn once, as wide as the column.
    table
        For print; laid out at the size of the poster's tables.
    caption
        Under a picture or table.
    worth
        What leaving it out costs, where room is short; 0 is never left out.
    tint
        On a light panel.
    room
        Height of a marked place to be filled by the author, points; 0 for none.
    """

    name: str
    heading: str
    text: tuple[Line, ...] = ()
    picture: Picture | None = None
    table: PaperTable | None = None
    caption: str = ""
    worth: float = 0.0
    tint: bool = False
    room: float = 0.0


@dataclass(frozen=True)
class Room:
    """A marked place that grows with its column."""


@dataclass(frozen=True)
class Placed:
    """Parts of a block and their heights, from top to bottom."""

    block: Block
    parts: tuple[tuple[Any, float], ...]

    @property
    def height(self) -> float:
        return sum(height for _, height in self.parts)


def write_posters(
    series: Series, tables: Tables, folder: str | Path, formats: Sequence[Format] = (A0, WIDE)
) -> list[Path]:
    """Write a poster in each format: ``poster_a0_portrait.pptx`` and so on."""
    return [
        write_poster(series, tables, Path(folder, f"poster_{form.name}.pptx"), form)
        for form in formats
    ]


def write_poster(series: Series, tables: Tables, path: str | Path, form: Format = A0) -> Path:
    """Write one poster.

    Parameters
    ----------
    series, tables
        Results and their tables.
    path
        The .pptx to write; its comments say what did not fit.
    form
        ``A0`` (841 × 1189 mm portrait) or ``WIDE`` (48 × 36 in landscape).

    Raises
    ------
    InputError
        If it does not fit even at the smallest type, without all that may be left out.
    """
    story = tell(series, tables)
    slides = new_slides(form.width, form.height)
    slides.core_properties.title = "Case series"
    slides.core_properties.author = ""
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
    add_box(slide, Box("title", form.margin, pad, width, height, lines))
    top = height + 2 * pad
    notice = (Line(story.notice, 34, bold=True, align="center"),)
    tall = text_height(notice, width)
    add_panel(slide, "notice", 0, top, form.width, tall + 28, "F4E3B5")
    add_box(slide, Box("notice", form.margin, top + 14, width, tall, notice))
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
                *([Line(number.detail, 30, colour="555555")] if number.detail else []),
            )
        )
    height = max(text_height(lines, width) for lines in boxes)
    for place, lines in enumerate(boxes):
        left = form.margin + place * (width + form.gap)
        add_box(slide, Box(f"key number {place + 1}", left, top, width, height, lines))
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
    add_box(slide, Box("footer", form.margin, top, width, height, lines))
    return top - 16 - 34


def blocks(series: Series, story: Story, form: Format) -> list[Block]:
    """What stands in the columns, in order of reading."""
    found = [
        Block(
            "background",
            "Background and aim",
            (Line(story.background, 0, after=8), Line(story.aim, 0)),
        ),
        Block("methods", "Methods", _bullets(story.methods)),
        Block(
            "patients",
            "Patients",
            table=story.patients,
            caption=_notes(story.patients),
            worth=5.0,
        ),
    ]
    if story.findings:
        found.append(Block("findings", "Findings", _bullets(story.findings), worth=1.0))
    found += _figure_blocks(series, story, form)
    found += [
        # Worth more than all others together: left out only where nothing else helps.
        Block("pictures", "Clinical pictures", room=ROOM_FOR_PICTURES, worth=12.0),
        Block("limits", "Limits", _bullets(story.limits)),
        Block("conclusion", "Conclusion", (Line(story.conclusion, 0),), tint=True),
        Block("cautions", "Before anybody acts on this", _bullets(story.cautions)),
    ]
    return found


def _bullets(sentences: Sequence[Any]) -> tuple[Line, ...]:
    return tuple(Line(str(sentence), 0, bullet=True, after=5) for sentence in sentences)


def _notes(table: PaperTable) -> str:
    return " ".join(table.notes)


def _figure_blocks(series: Series, story: Story, form: Format) -> list[Block]:
    """Before and after, each case, rates: figures as wide as a column, and the table of measures."""
    found: list[Block] = []
    captions = {figure.name: figure.caption for figure in series_figures(series)}
    result, split, shared = pairs_to_share(series)
    width = form.column / 72 / FIGURE_SCALE
    if "before_after" in captions and shared:
        measures = _two_measures(result, shared)
        found.append(
            Block(
                "before_after",
                "Before and after",
                picture=_picture(
                    lambda: before_after_panels(
                        result, measures, split=split, width=width, columns=2
                    ),
                    form,
                ),
                caption="A line for each patient; dashed: target; grey: tolerance.",
            )
        )
    frame = rate_frame(series)
    if frame is not None:
        found.append(
            Block(
                "rates",
                "How much of the plan was achieved",
                picture=_picture(lambda: forest(frame, width), form),
                caption="Rates of the mixed model over all kinds of teeth.",
            )
        )
    if story.measures is not None:
        found.append(
            Block(
                "measures",
                "Measures, start to end",
                table=story.measures,
                caption=_notes(story.measures),
                worth=3.0,
            )
        )
    measure = main_measure(series)
    if measure is not None and len(series.patients) > 1:
        n = len(series.patients)
        across = 6 if n > 8 else 4
        found.append(
            Block(
                "cases",
                "Every case",
                picture=_picture(
                    lambda: series_panels(
                        series.cohort,
                        measure,
                        width=width,
                        columns=across,
                        kinds=kinds_to_share(series),
                    ),
                    form,
                ),
                caption="One panel for each patient; dashed: target; grey: tolerance.",
                worth=2.0,
            )
        )
    return found


def _two_measures(result: BeforeAfter, shared: list[str]) -> list[str]:
    """Of the measures that may be drawn, the two that most patients have; the bite before others."""
    table = result.table[result.table["period"] == "total"]
    patients = table.groupby("measure")["patients"].sum()
    order = sorted(shared, key=lambda name: -int(patients[name]))
    return sorted(order, key=lambda name: (name != "overbite", name != "overjet"))[:2]


def forest(frame: Any, width: float) -> Any:
    """Forest plot of one rate for each movement, as wide as asked for (inches)."""
    from outcomes.figures import rates_forest
    from outcomes.figures.base import new_axes, trim_height

    ax = new_axes(width, 1.0 + 0.2 * len(frame))
    rates_forest(frame, ax=ax)
    trim_height(ax)
    return ax


def _picture(draw: Callable[[], Any], form: Format) -> Picture:
    """Draw at the size of print and give it back as wide as a column."""
    axes = draw()
    settle(axes)
    figure = (
        axes.get_figure(root=True) if hasattr(axes, "get_figure") else axes[0].get_figure(root=True)
    )
    small_width, small_height = figure.get_size_inches()
    png = figure_bytes(axes, "png", int(PRINT_DPI * FIGURE_SCALE))
    return Picture(png, form.column, form.column * small_height / small_width, alt_text(axes))


def fit(
    found: Sequence[Block], form: Format, height: float
) -> tuple[list[list[Placed]], float, float]:
    """Most of the material at the largest type: what is left out is weighed against its size.

    Returns
    -------
    tuple
        Blocks of each column with the sizes of their parts, size of the text, least gap (points).

    Raises
    ------
    InputError
        If it does not fit.
    """
    optional = [block.name for block in found if block.worth]
    worth = {block.name: block.worth for block in found}
    best: tuple[float, list[list[Placed]], float, float] | None = None
    for left_out in _subsets(optional):
        kept = [block for block in found if block.name not in left_out]
        for size in SIZES:
            score = LARGER * (size - SIZES[-1]) - sum(worth[name] for name in left_out)
            if best is not None and score <= best[0]:
                break
            gap = 1.1 * size
            placed = [_lay_out(block, form.column, size) for block in kept]
            columns = _divide(placed, form.columns, gap)
            if all(_tall(column, gap) <= height for column in columns):
                best = (score, columns, size, gap)
                break
    if best is not None:
        return best[1:]
    raise InputError(
        "The poster does not fit at 28 pt: make it from fewer measures, or shorten the text in the "
        "slide deck instead."
    )


def _subsets(names: Sequence[str]) -> list[set[str]]:
    """All subsets, small ones first."""
    return [set(chosen) for size in range(len(names) + 1) for chosen in combinations(names, size)]


def _tall(column: Sequence[Placed], gap: float) -> float:
    return sum(placed.height for placed in column) + gap * max(0, len(column) - 1)


def _divide(placed: Sequence[Placed], columns: int, gap: float) -> list[list[Placed]]:
    """Cut the sequence into columns so that the tallest is as short as can be."""

    @cache
    def best(start: int, left: int) -> tuple[float, tuple[int, ...]]:
        if left == 1:
            return _tall(placed[start:], gap), (len(placed),)
        choices = []
        for end in range(start + 1, len(placed) - left + 2):
            rest, cuts = best(end, left - 1)
            choices.append((max(_tall(placed[start:end], gap), rest), (end, *cuts)))
        return min(choices)

    if len(placed) <= columns:
        return [[block] for block in placed]
    _, cuts = best(0, columns)
    starts = (0, *cuts[:-1])
    return [list(placed[a:b]) for a, b in zip(starts, cuts, strict=True)]


def _lay_out(block: Block, width: float, size: float) -> Placed:
    """Heading, body and caption with the height of each at this size of type."""
    pad = 0.7 * size if block.tint else 0.0
    inner = width - 2 * pad
    heading = Line(block.heading, round(1.3 * size), bold=True, colour=STRONG)
    parts: list[tuple[Any, float]] = []
    if pad:
        parts.append((None, pad))
    parts.append(((heading,), text_height([heading], inner) + 0.35 * size))
    if block.text:
        lines = tuple(replace(line, size=size) for line in block.text)
        parts.append((lines, text_height(lines, inner)))
    if block.picture is not None:
        parts.append((block.picture, block.picture.height))
    if block.table is not None:
        grid = _grid(block.table, inner, size)
        parts.append((grid, grid.height))
    if block.room:
        parts.append((Room(), block.room))
    if block.caption:
        note = (Line(block.caption, max(SMALLEST, size - 6), colour="555555"),)
        parts.append((None, 0.3 * size))
        parts.append((note, text_height(note, inner)))
    if pad:
        parts.append((None, pad))
    return Placed(block, tuple(parts))


def _grid(table: PaperTable, width: float, size: float) -> Grid:
    """The table at the largest type of one line a row; where none is, the largest that fits."""
    headings = [place for place, line in enumerate(table.rows) if line.heading]
    fits: list[Grid] = []
    trial = size - 2
    while trial >= SMALLEST:
        try:
            grid = grid_layout(
                table.columns, table.texts(), width, trial, right=table.numeric(), headings=headings
            )
        except ValueError:
            trial -= 1
            continue
        fits.append(grid)
        if len(set(grid.heights[1:])) == 1 and not grid.broken:
            return grid
        trial -= 1
    if not fits:
        raise InputError(f"{table.label} is too wide for a column, even at {SMALLEST:g} pt.")
    return next((grid for grid in fits if not grid.broken), fits[0])


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
    spare = bottom - top - _tall(column, gap)
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
                _draw_part(slide, part, left + pad, place, form.column - 2 * pad, height, name)
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
    add_box(slide, Box("room for pictures", left + size, middle, width - 2 * size, tall, words))


def _draw_part(
    slide: Slide, part: Any, left: float, top: float, width: float, height: float, name: str
) -> None:
    if isinstance(part, Picture):
        add_picture(slide, part, left, top, name)
    elif isinstance(part, Grid):
        add_grid(slide, part, left, top, name)
    else:
        add_box(slide, Box(name, left, top, width, height, tuple(part)))
