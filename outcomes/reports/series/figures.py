"""The figures of a case series, each with a caption written from the numbers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outcomes.clinical.case import measured
from outcomes.domain.limits import FEW_PATIENTS
from outcomes.domain.names import measure_name
from outcomes.figures.before_after import before_after_panels
from outcomes.figures.case import case_page
from outcomes.figures.publication import Drawn, save_for_print
from outcomes.figures.series import series_panels
from outcomes.words.english import number_of
from outcomes.words.units import NBSP

if TYPE_CHECKING:
    from outcomes.reports.series.results import Series

__all__ = ["Planned", "case_figures", "main_measure", "save_figures", "series_figures"]


@dataclass(frozen=True)
class Planned:
    """A figure to draw: its name, its caption, and how, from a width in inches."""

    name: str
    caption: str
    draw: Callable[[float], Any]


def main_measure(series: Series) -> str | None:
    """The measure of the small multiples: overbite, else the first with a target."""
    values = measured(series.cohort)
    if not len(values):
        return None
    times = values.groupby("measure", sort=False).agg(
        visits=("after_course", "nunique"), target=("target", "count")
    )
    times = times[times["visits"] > 1]
    if "overbite" in times.index:
        return "overbite"
    aimed = times[times["target"] > 0]
    found = aimed if len(aimed) else times
    return str(found.index[0]) if len(found) else None


def series_figures(series: Series) -> list[Planned]:
    """The figures that the series fills, in order."""
    planned = [
        _rates(series),
        _before_after(series),
        _panels(series),
    ]
    return [figure for figure in planned if figure is not None]


def _demo(series: Series) -> str:
    return " Invented demonstration data." if series.cohort.invented else ""


def _rates(series: Series) -> Planned | None:
    if not series.class_fits:
        return None

    def draw(width: float) -> Any:
        from outcomes.figures import rates_forest
        from outcomes.figures.base import new_axes, trim_height

        fits = series.class_fits
        lines = sum(len(fit.rates) for fit in fits.values()) + 1.4 * len(fits)
        ax = new_axes(width, 1.3 + 0.21 * lines)
        rates_forest(fits, ax=ax)
        trim_height(ax)
        return ax

    n = int(series.cohort.movements["patient"].nunique())
    rows = int(sum(fit.nobs for fit in series.class_fits.values()))
    return Planned(
        "rates",
        f"Achieved share of the plan with 95{NBSP}% intervals, by movement and kind of tooth: "
        f"{rows:,} planned movements in {number_of(n, 'patient')}. 100{NBSP}% is all of the plan; an "
        f"open circle rests on fewer than {FEW_PATIENTS} patients.{_demo(series)}",
        draw,
    )


def _before_after(series: Series) -> Planned | None:
    result = series.before_after_split or series.before_after
    table = result.table[result.table["period"] == "total"]
    if not (table["patients"] > 0).any():
        return None

    def draw(width: float) -> Any:
        return before_after_panels(result, split=series.split, width=width)

    n = int(result.patients["patient"].nunique())
    who = "a line for each patient" if n > 1 else "one patient"
    interval = f" with its 95{NBSP}% interval" if n > 1 else ""
    return Planned(
        "before_after",
        f"Measures at the start and at the last scan, {who} ({number_of(n, 'patient')}). Above each "
        f"panel the mean difference{interval}; dashed, the target, and in grey the tolerance "
        f"around it; large open marks, means.{_demo(series)}",
        draw,
    )


def _panels(series: Series) -> Planned | None:
    measure = main_measure(series)
    if measure is None:
        return None
    n = int(measured(series.cohort).query("measure == @measure")["patient"].nunique())
    return Planned(
        f"each_case_{measure}",
        f"{measure_name(measure).capitalize()} of each patient at the start and after each course "
        f"({number_of(n, 'patient')}); dashed, the target, and in grey the tolerance around "
        f"it.{_demo(series)}",
        lambda width: series_panels(series.cohort, measure, width=width),
    )


def case_figures(series: Series) -> list[Planned]:
    """A page for each patient."""

    def page(patient: str) -> Planned:
        return Planned(
            f"case_{''.join(c if c.isalnum() else '_' for c in patient)}",
            f"Case {patient}: courses in time; measures after each course, dashed the target; the "
            "largest movements, open where the plan was to bring the tooth, filled where it came, the "
            "latest aim as a bar and the first dotted where it was another; "
            f"what was left. Crowns were measured, not roots or bone.{_demo(series)}",
            lambda width: case_page(series.cohort, patient, width=width),
        )

    return [page(patient) for patient in series.patients]


def save_figures(series: Series, folder: str | Path) -> tuple[list[Drawn], list[Drawn]]:
    """Save the figures of the series, and a page for each case.

    Returns
    -------
    tuple of lists of Drawn
        Those of the series in both widths, those of the cases in two columns.
    """
    folder = Path(folder)
    figures = [
        save_for_print(figure.draw, figure.name, figure.caption, folder)
        for figure in series_figures(series)
    ]
    cases = [
        save_for_print(
            figure.draw,
            figure.name,
            figure.caption,
            folder / "cases",
            widths=["two_column"],
            dpi=[300],
        )
        for figure in case_figures(series)
    ]
    return figures, cases
