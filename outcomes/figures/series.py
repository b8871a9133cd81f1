"""The whole series: a small panel for each patient, one measure after each course."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from outcomes.clinical.case import measured
from outcomes.domain.names import measure_name
from outcomes.errors import InputError
from outcomes.figures.base import FULL_WIDTH, lines_of, panels, set_alt_text, style
from outcomes.figures.measure_course import draw_course_of, measure_title
from outcomes.words.english import capital, counted
from outcomes.words.numbers import number
from outcomes.words.units import unit_symbol

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort


def series_panels(
    cohort: Cohort,
    measure: str,
    *,
    width: float = FULL_WIDTH,
    columns: int | None = None,
    height: float = 1.12,
    kinds: bool = True,
) -> np.ndarray:
    """A panel for each patient: one measure after each course, against its target.

    Parameters
    ----------
    cohort
        With measures.
    measure
        Which of them.
    width
        Inches.
    columns
        Panels in a line; by default one for each 1.1 inches.
    height
        Of a line of panels, inches.
    kinds
        Whether panels with room name the malocclusion of their patient.

    Raises
    ------
    InputError
        If nobody was measured.

    Examples
    --------
    >>> from outcomes.cohort.read import from_frames
    >>> rows = pd.DataFrame({"patient": ["P001", "P002"], "tooth": 11, "movement": "rotation",
    ...     "planned": 10.0, "achieved": 6.0})
    >>> measures = pd.DataFrame({"patient": ["P001", "P001", "P002", "P002"],
    ...     "after_course": [0, 1, 0, 1], "measure": "overbite", "value": [4.0, 2.5, 5.0, 3.0]})
    >>> cohort = from_frames(rows, measures=measures, notation="fdi")
    >>> len(series_panels(cohort, "overbite"))
    2
    """
    values = measured(cohort)
    values = values[values["measure"] == measure]
    if not len(values):
        raise InputError(f"{measure} was measured in nobody.")
    patients = list(dict.fromkeys(values["patient"]))
    columns = min(len(patients), columns or max(1, int(width / 1.1)))
    known = _kinds(cohort) if kinds else {}
    with style():
        high = 0.75 + height * lines_of(len(patients), columns)
        axes = panels(len(patients), width, high, columns, sharey=True)
        spread = pd.concat([values["value"], values["target"].dropna()])
        room = 0.12 * max(1.0, float(np.ptp(spread)))
        last = int(values["after_course"].max())
        for place, (patient, ax) in enumerate(zip(patients, axes, strict=True)):
            draw_course_of(values[values["patient"] == patient], ax, labels=False)
            ax.set_ylim(spread.min() - room, spread.max() + room)
            ax.set_xlim(-0.35, last + 0.35)
            ax.set_xticks(range(last + 1), ["0", *map(str, range(1, last + 1))])
            roomy = width / columns > 0.95
            name = patient + (f", {known[patient]}" if known.get(patient) and roomy else "")
            ax.set_title(name, fontsize=7, pad=3, weight="normal")
            if place % columns:
                ax.tick_params(labelleft=False)
        figure = axes[0].get_figure(root=True)
        figure.supylabel(measure_title(values), fontsize=8)
        figure.supxlabel("After course (0 = start)", fontsize=8)
        set_alt_text(axes[0], _panel_words(values, measure))
    return axes


def _kinds(cohort: Cohort) -> dict[str, str]:
    if "malocclusion" not in cohort.patients.columns:
        return {}
    known = cohort.patients.dropna(subset="malocclusion")
    return dict(known[["patient", "malocclusion"]].astype(str).to_numpy())


def _panel_words(values: pd.DataFrame, measure: str) -> str:
    unit = unit_symbol(str(values["unit"].iloc[0]))
    parts = []
    for patient, rows in values.groupby("patient", sort=False):
        rows = rows.sort_values("after_course")
        course = ", ".join(number(value, 1) for value in rows["value"])
        target = rows["target"].dropna()
        aim = f" (target {number(target.iloc[-1], 1)})" if len(target) else ""
        parts.append(f"{patient}: {course}{aim}")
    return (
        f"{capital(measure_name(measure))}, {unit}, at the start and after each course, one "
        f"panel for each of {counted(values['patient'].nunique(), 'patient')}. {'; '.join(parts)}."
    )
