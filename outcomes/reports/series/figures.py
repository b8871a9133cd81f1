"""The figures of a case series, each with a caption written from the numbers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from outcomes.clinical.case import measured
from outcomes.domain.limits import FEW_PATIENTS
from outcomes.domain.names import measure_name
from outcomes.figures.base import new_axes, settle, trim_height
from outcomes.figures.before_after import before_after_panels
from outcomes.figures.case import case_page
from outcomes.figures.forest import rates_forest
from outcomes.figures.publication import Drawn, save_for_print
from outcomes.figures.series import series_panels
from outcomes.reports.series.results import Series
from outcomes.words.english import number_of
from outcomes.words.units import NBSP


@dataclass(frozen=True)
class Planned:
    """A figure to draw: its name, its caption, how, from a width in inches, and its heading."""

    name: str
    caption: str
    draw: Callable[[float], Any]
    heading: str = ""

    def settled(self, width: float) -> tuple[Any, float, float]:
        """The figure drawn at a width in inches, with its final width and height, inches."""
        axes = self.draw(width)
        settle(axes)
        first = np.ravel(np.asarray(axes, dtype=object))[0]
        across, high = first.get_figure(root=True).get_size_inches()
        return axes, float(across), float(high)


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
    planned = [_rates(series), _before_after(series), _panels(series)]
    return [figure for figure in planned if figure is not None]


def _demo(series: Series) -> str:
    return " Invented demonstration data." if series.cohort.invented else ""


def forest(rates: Any, width: float, height: float) -> Any:
    """A forest plot of rates, as wide as asked for (inches) and no higher than it must be."""
    ax = new_axes(width, height)
    rates_forest(rates, ax=ax)
    trim_height(ax)
    return ax


def _rates(series: Series) -> Planned | None:
    fits = series.class_fits
    if not fits:
        return None
    lines = sum(len(fit.rates) for fit in fits.values()) + 1.4 * len(fits)
    n = int(series.cohort.movements["patient"].nunique())
    rows = int(sum(fit.nobs for fit in fits.values()))
    return Planned(
        "rates",
        f"Achieved share of the plan with 95{NBSP}% intervals, by movement and kind of tooth: "
        f"{rows:,} planned movements in {number_of(n, 'patient')}. 100{NBSP}% is all of the plan; an "
        f"open circle rests on fewer than {FEW_PATIENTS} patients.{_demo(series)}",
        lambda width: forest(fits, width, 1.3 + 0.21 * lines),
    )


def _before_after(series: Series) -> Planned | None:
    result = series.before_after_split or series.before_after
    table = result.table[result.table["period"] == "total"]
    if not (table["patients"] > 0).any():
        return None
    n = int(result.patients["patient"].nunique())
    who = "a line for each patient" if n > 1 else "one patient"
    interval = f" with its 95{NBSP}% interval" if n > 1 else ""
    return Planned(
        "before_after",
        f"Measures at the start and at the last scan, {who} ({number_of(n, 'patient')}). Above each "
        f"panel the mean difference{interval}; dashed, the target, and in grey the tolerance "
        f"around it; large open marks, means.{_demo(series)}",
        lambda width: before_after_panels(result, split=series.split, width=width),
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
        scanned = (series.outlines["patient"] == patient).any()
        outlined = "outlines of the crowns from scans; " if scanned else ""
        return Planned(
            f"case_{''.join(c if c.isalnum() else '_' for c in patient)}",
            f"Case {patient}: courses in time; measures after each course, dashed the target; the "
            "largest movements, open where the plan was to bring the tooth, filled where it came, the "
            "latest aim as a bar and the first dotted where it was another; "
            f"{outlined}what was left. Crowns were measured, not roots or bone.{_demo(series)}",
            lambda width: case_page(series.cohort, patient, width=width, outlines=series.outlines),
        )

    return [page(patient) for patient in series.patients]


def save_figures(series: Series, folder: str | Path) -> tuple[list[Drawn], list[Drawn]]:
    """Save the figures of the series in both widths, and a page in two columns for each case."""
    folder = Path(folder)
    figures = [save_for_print(f.draw, f.name, f.caption, folder) for f in series_figures(series)]
    page: dict[str, Any] = {"widths": ["two_column"], "dpi": [300]}
    cases = [
        save_for_print(f.draw, f.name, f.caption, folder / "cases", **page)
        for f in case_figures(series)
    ]
    return figures, cases
