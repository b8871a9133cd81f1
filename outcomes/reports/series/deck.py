"""What posters and slides share: their bullets, and the figures that may be shown to others."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from outcomes.figures.base import alt_text, figure_bytes, settle
from outcomes.figures.before_after import before_after_panels
from outcomes.figures.series import series_panels
from outcomes.reports.files.slides import Picture
from outcomes.reports.files.text_size import Line
from outcomes.reports.series.figures import main_measure, series_figures
from outcomes.reports.series.sharing import kinds_to_share, pairs_to_share
from outcomes.reports.series.story import rate_frame

if TYPE_CHECKING:
    from outcomes.clinical.measures import BeforeAfter
    from outcomes.reports.series.results import Series

__all__ = ["SMALLEST_IN_FIGURES", "Shareable", "bullets", "figures_to_share", "picture"]

SMALLEST_IN_FIGURES = 6.5
"""Smallest type in figures as they are drawn, points."""


@dataclass(frozen=True)
class Shareable:
    """A figure that may be shown to others: its heading and caption, and how it is drawn.

    ``draw`` takes a width in inches.
    """

    name: str
    heading: str
    caption: str
    draw: Callable[[float], Any]

    def settled(self, width: float) -> tuple[Any, float, float]:
        """The figure drawn at a width in inches, with its final width and height, inches."""
        axes = self.draw(width)
        settle(axes)
        first = np.ravel(np.asarray(axes, dtype=object))[0]
        across, high = first.get_figure(root=True).get_size_inches()
        return axes, float(across), float(high)


def picture(axes: Any, width: float, height: float, dpi: int) -> Picture:
    """A settled figure as a picture of this size in points; ``dpi`` is that of the drawing."""
    return Picture(figure_bytes(axes, "png", dpi), width, height, alt_text(axes))


def bullets(sentences: Iterable[Any], after: float) -> tuple[Line, ...]:
    """Sentences as bullet points, sized later, with so many points below each."""
    return tuple(Line(str(sentence), 0, bullet=True, after=after) for sentence in sentences)


def figures_to_share(
    series: Series,
    *,
    measures: Callable[[BeforeAfter, list[str]], list[str]],
    beside: int | None,
    across: int | None,
    height: float,
    tolerance: str,
) -> list[Shareable]:
    """Before and after, rates, each case: those of them that tell nothing of a few patients.

    Parameters
    ----------
    series
        Results.
    measures
        Which measures before and after to draw, of those that may be drawn.
    beside
        Panels of these measures in a row; None for all.
    across
        Panels of single patients in a row; None for as many as look well.
    height
        Of such a panel, inches.
    tolerance
        What the captions say of the grey band.
    """
    found = []
    names = {figure.name for figure in series_figures(series)}
    result, split, shared = pairs_to_share(series)
    if "before_after" in names and shared:
        chosen = measures(result, shared)
        columns = beside or len(chosen)
        found.append(
            Shareable(
                "before_after",
                "Before and after",
                f"A line for each patient; dashed: target; grey: {tolerance}.",
                lambda width: before_after_panels(
                    result, chosen, split=split, width=width, columns=columns
                ),
            )
        )
    frame = rate_frame(series)
    if frame is not None:
        found.append(
            Shareable(
                "rates",
                "How much of the plan was achieved",
                "Rates of the mixed model over all kinds of teeth.",
                lambda width: _forest(frame, width),
            )
        )
    measure = main_measure(series)
    if measure is not None and len(series.patients) > 1:
        found.append(
            Shareable(
                "cases",
                "Every case",
                f"One panel for each patient; dashed: target; grey: {tolerance}.",
                lambda width: series_panels(
                    series.cohort,
                    measure,
                    width=width,
                    columns=across,
                    height=height,
                    kinds=kinds_to_share(series),
                ),
            )
        )
    return found


def _forest(frame: Any, width: float) -> Any:
    """Forest plot of one rate for each movement, as wide as asked for (inches)."""
    from outcomes.figures import rates_forest
    from outcomes.figures.base import new_axes, trim_height

    ax = new_axes(width, 1.0 + 0.2 * len(frame))
    rates_forest(frame, ax=ax)
    trim_height(ax)
    return ax
