"""How large a study must be: interval width or power by number of patients."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes

from outcomes.figures.base import FULL_WIDTH, GUIDE, INK, PAPER, canvas, look, records, set_alt_text
from outcomes.words.english import counted, number_of

if TYPE_CHECKING:
    from outcomes.study.plan import StudyPlan


def study_size(plan: StudyPlan, ax: Axes | None = None) -> Axes:
    """Interval width, or power, against patients, a line for each number of teeth.

    Lines are the closed form, marks the sizes that were simulated, and the level line is what was
    asked for.

    Parameters
    ----------
    plan
        From `outcomes.plan_study`.
    ax
        Where to draw; a new figure if None.

    Examples
    --------
    >>> import outcomes
    >>> plan = outcomes.plan_study(width=0.2, teeth_per_patient=8, simulations=20)
    >>> study_size(plan).get_xlabel()
    'Patients'
    """
    with canvas(ax, FULL_WIDTH, 3.6) as ax:
        aim = plan.aim
        column = "power" if aim.width is None else aim.target
        wanted = aim.power if aim.width is None else aim.width
        most = 1.6 * max(plan.studies["patients"].max(), plan.table["patients"].fillna(0).max())
        patients = np.unique(np.linspace(3, max(most, 8), 120).round())
        for i, (teeth, tried) in enumerate(plan.studies.groupby("teeth_per_patient", sort=True)):
            line = 100 * plan.closed_form(int(str(teeth)), patients)
            ax.plot(patients, line, color=look(i)["color"], lw=1.3, zorder=2)
            ax.plot(
                tried["patients"], 100 * tried[column], ls="none", ms=5, mec=PAPER, mew=0.7,
                zorder=4, label=str(teeth), **look(i),
            )  # fmt: skip
        ax.axhline(100 * wanted, zorder=1, **GUIDE | {"dashes": (4, 3)})
        ax.annotate(
            "wanted", (1, 100 * wanted), (-2, 3), xycoords=("axes fraction", "data"),
            textcoords="offset points", ha="right", va="bottom", color=INK, fontsize=7.5,
        )  # fmt: skip
        ax.set(
            xlim=(0, patients.max()),
            ylim=(0, 100) if column == "power" else (0, min(4 * 100 * wanted, 200)),
            xlabel="Patients in each group" if aim.arms == 2 else "Patients",
            ylabel="Power (%)" if column == "power" else "Width of the interval (% of plan)",
        )
        ax.legend(title="Teeth per patient", frameon=False)
        set_alt_text(ax, _words(plan, column))
    return ax


def _words(plan: StudyPlan, column: str) -> str:
    what = "Power" if column == "power" else "Width of the interval"
    parts = []
    for row in records(plan.studies.drop_duplicates("teeth_per_patient", keep="last")):
        teeth = number_of(row.teeth_per_patient, "tooth", "teeth")
        value = 100 * getattr(row, column)
        parts.append(f"{teeth}: {value:.1f} % with {counted(row.patients, 'patient')}")
    return (
        f"{what} against the number of patients; the closed form as lines, simulated sizes as marks. "
        f"Simulated, for each number of teeth per patient: {'; '.join(parts)}. "
        f"{' '.join(plan.sentences)}"
    )
