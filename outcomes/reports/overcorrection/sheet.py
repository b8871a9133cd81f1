"""The plan sheets of a calibration, and the foot of its pages."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from outcomes.reports.build.show import Shown, say
from outcomes.reports.overcorrection.results import AIMS_PROBLEMS
from outcomes.reports.sheet.plan import write_plan_sheet
from outcomes.reports.sheet.words import past_words
from outcomes.words.cautions import IN_SHORT
from outcomes.words.english import listed
from outcomes.words.safe import write_csv

if TYPE_CHECKING:
    from outcomes.reports.overcorrection.results import Calibration


def save_plan_sheet(found: Calibration, out: str | Path | None) -> Shown:
    """Write the plan sheet of a calibration into the report folder, and say where it is."""
    if found.plan is None or out is None:
        return say("")
    if len(found.plan.problems):
        write_csv(found.plan.problems, Path(out, AIMS_PROBLEMS))
    cohort = found.cohort
    past = past_words(cohort)
    names = [p.name for p in write_plan_sheet(found.plan, out, past=past, invented=cohort.invented)]
    which = "sheet to print is" if len(names) < 3 else "sheets to print, one for each patient, are"
    return say(f"The plan {which} {listed(names)} in the report folder.")


def foot_of_pages() -> Shown:
    """The cautions in short at the foot of every printed page of a report."""
    text = IN_SHORT.replace('"', "'")
    return Shown(
        "<style>@media print { @page { @bottom-left { width: 145mm; text-align: left; "
        f'font: 7pt sans-serif; color: #59636b; content: "{text}"; }} }} }}</style>'
    )
