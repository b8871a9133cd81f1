"""What posters and slides share: their sections, and the figures that may be shown to others."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from outcomes.clinical.measures import BeforeAfter
from outcomes.figures.arches import arch_outlines
from outcomes.figures.base import alt_text, figure_bytes
from outcomes.figures.before_after import before_after_panels
from outcomes.figures.series import series_panels
from outcomes.reports.files.slides import Picture
from outcomes.reports.files.text_size import Line
from outcomes.reports.series.figures import Planned, forest, main_measure, series_figures
from outcomes.reports.series.results import Series
from outcomes.reports.series.sharing import kinds_to_share, pairs_to_share
from outcomes.reports.series.story import Story, rate_frame
from outcomes.reports.table import Table

SMALLEST_IN_FIGURES = 6.5
"""Smallest type in figures as they are drawn, points."""


@dataclass(frozen=True)
class Block:
    """A part of a poster or deck: a heading, then text, a picture or a table, then a caption.

    Attributes
    ----------
    name, heading
        A short one for shapes, and the one above it.
    text
        Lines, sized later.
    table
        For print; laid out where it is shown.
    figure, picture
        How it is drawn; as a poster shows it, drawn once, as wide as a column.
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
    table: Table | None = None
    figure: Planned | None = None
    picture: Picture | None = None
    caption: str = ""
    worth: float = 0.0
    tint: bool = False
    room: float = 0.0


def sections(
    story: Story, figures: Iterable[Planned], order: Sequence[str], *, after: float, apart: float
) -> list[Block]:
    """What a poster or a slide deck shows, in order of reading.

    ``order`` is that of the figures, by name, and of the table of ``measures`` among them;
    ``after`` and ``apart`` are points below a bullet, and between the background and the aim.
    """

    def bullets(name: str, heading: str, sentences: Iterable[Any]) -> Block:
        lines = (Line(str(sentence), 0, bullet=True, after=after) for sentence in sentences)
        return Block(name, heading, tuple(lines))

    def tabled(name: str, heading: str, table: Table) -> Block:
        return Block(name, heading, table=table, caption=" ".join(table.notes))

    shown = {f.name: Block(f.name, f.heading, figure=f, caption=f.caption) for f in figures}
    if story.measures is not None:
        shown["measures"] = tabled("measures", "Measures, start to end", story.measures)
    background = (Line(story.background, 0, after=apart), Line(story.aim, 0))
    return [
        Block("background", "Background and aim", background),
        bullets("methods", "Methods", story.methods),
        tabled("patients", "Patients", story.patients),
        *([bullets("findings", "Findings", story.findings)] if story.findings else []),
        *(shown[name] for name in order if name in shown),
        bullets("limits", "Limits", story.limits),
        Block("conclusion", "Conclusion", (Line(story.conclusion, 0),), tint=True),
        bullets("cautions", "Before anybody acts on this", story.cautions),
    ]


def picture(axes: Any, width: float, height: float, dpi: int) -> Picture:
    """A settled figure as a picture of this size in points; ``dpi`` is that of the drawing."""
    return Picture(figure_bytes(axes, "png", dpi), width, height, alt_text(axes))


def figures_to_share(
    series: Series,
    *,
    measures: Callable[[BeforeAfter, list[str]], list[str]],
    beside: int | None,
    across: int | None,
    height: float,
    tolerance: str,
) -> list[Planned]:
    """Before and after, rates, each case: those of them that tell nothing of a few patients.

    ``measures`` chooses among the measures before and after that may be drawn; ``beside`` and
    ``across`` are panels in a row, of measures (None: all) and of single patients (None: as many as
    look well); ``height`` is of such a panel, inches; ``tolerance`` names the grey band in captions.
    """
    found = []
    result, split, shared = pairs_to_share(series)
    if shared and any(figure.name == "before_after" for figure in series_figures(series)):
        chosen = measures(result, shared)
        columns = beside or len(chosen)
        found.append(
            Planned(
                "before_after",
                f"A line for each patient; dashed: target; grey: {tolerance}.",
                lambda width: before_after_panels(
                    result, chosen, split=split, width=width, columns=columns
                ),
                "Before and after",
            )
        )
    frame = rate_frame(series)
    if frame is not None:
        found.append(
            Planned(
                "rates",
                "Rates of the mixed model over all kinds of teeth.",
                lambda width: forest(frame, width, 1.0 + 0.2 * len(frame)),
                "How much of the plan was achieved",
            )
        )
    if len(series.outlines):
        found.append(_arches(series))
    measure = main_measure(series)
    if measure is not None and len(series.patients) > 1:
        kinds = kinds_to_share(series)
        found.append(
            Planned(
                "cases",
                f"One panel for each patient; dashed: target; grey: {tolerance}.",
                lambda width: series_panels(
                    series.cohort, measure, width=width, columns=across, height=height, kinds=kinds
                ),
                "Every case",
            )
        )
    return found


def _arches(series: Series) -> Planned:
    """The crowns of the case of which most teeth were scanned, in three stages."""
    rows = series.outlines
    teeth = rows.drop_duplicates(["patient", "course", "arch", "tooth"])
    most: Any = teeth.groupby(["patient", "course"], sort=True).size().idxmax()
    patient, course = str(most[0]), int(most[1])
    return Planned(
        "arches",
        f"Crowns of {patient}, course {course}, from scans: grey the start, dashed the plan, solid "
        "the outcome; the patient's right on the left. A dentition can identify a person: show it "
        "with consent.",
        lambda width: arch_outlines(rows, patient, course, width=width, views=("occlusal",)),
        "From start to outcome",
    )
