"""The sentences of the report of measured scans."""

from __future__ import annotations

import pandas as pd

from outcomes.domain.scan_tables import STAGES
from outcomes.figures.arch_panel import in_order
from outcomes.figures.base import records
from outcomes.measure.measured import Measured
from outcomes.reports.common.measured import error_words
from outcomes.reports.scans.results import arches, courses, error_of_repeats, references
from outcomes.words.cautions import cautions as standing
from outcomes.words.english import capital, listed, number_of, was
from outcomes.words.numbers import size

__all__ = [
    "STAGE",
    "assumed",
    "caption",
    "cautions",
    "measured_words",
    "measurement",
    "no_movements",
    "quality",
    "reference",
    "refused",
    "sensitivity",
    "summary",
    "teeth_listed",
    "turned",
]

STAGE = {"planned": "plan", "achieved": "outcome"}
TOO_MANY = 12
"""Courses drawn on the page; every figure is in the folder."""


def teeth_listed(teeth: list[int]) -> str:
    """FDI numbers from the patient's right to the left.

    Examples
    --------
    >>> teeth_listed([21, 12, 11])
    '12, 11 and 21'
    """
    return listed(map(str, in_order(teeth)))


def summary(measured: Measured) -> list[str]:
    """How much was measured and refused, against what, and what it cannot say."""
    table = arches(measured)
    lines = [f"{capital(measured.counts())}, in {_of_what(measured)}."]
    for stage in STAGES:
        part = table[(table["stage"] == stage) & table["scanned"]]
        without = int((~table.loc[table["stage"] == stage, "scanned"]).sum())
        if len(part):
            given, teeth, low = (int(part[name].sum()) for name in ("given", "teeth", "low"))
            sure = f"; {low} of them with low confidence" if low else ""
            lines.append(
                f"{capital(STAGE[stage])}: {given} of {number_of(teeth, 'tooth', 'teeth')} "
                f"{was(given)} measured{sure}."
            )
        if without:
            lines.append(
                f"{capital(number_of(without, 'arch', 'arches'))} {was(without)} given without a "
                f"scan of the {STAGE[stage]}: there is nothing of it, which is not a movement of 0."
            )
    lines.append(
        "All movements are told against what was taken to have stood still; that it did is an "
        "assumption. Crowns were measured, not roots or bone. The treating clinician decides."
    )
    return lines


def _of_what(measured: Measured) -> str:
    n = len(arches(measured)) // len(STAGES)
    who = courses(measured)
    patients = len({patient for patient, _ in who})
    return (
        f"{number_of(n, 'arch', 'arches')} of {number_of(patients, 'patient')} "
        f"({number_of(len(who), 'course')})"
    )


def measured_words(measured: Measured) -> list[str]:
    """What the numbers are, and where they stand."""
    return [
        "Each crown of the start scan was looked for in the plan and in the outcome, and its "
        "movement told in the tooth's own axes in six parts: mesiodistal, buccolingual and vertical "
        "in mm, tip, torque and rotation in degrees. Mesial, buccal or labial, and extrusion are "
        "positive."
        if any(part.detail is not None for part in measured.arches)
        else "The named points of each tooth were carried from the start model onto the plan and the "
        "outcome, and the movement told in the tooth's own axes in six parts: mesiodistal, "
        "buccolingual and vertical in mm, tip, torque and rotation in degrees. Mesial, buccal or "
        "labial, and extrusion are positive."
    ]


def refused(measured: Measured) -> list[str]:
    """That refused is not zero; or that nothing was refused."""
    rows = measured.quality
    n = len(rows[rows["verdict"] == "refused"][["patient", "course", "tooth"]].drop_duplicates())
    if not n:
        return ["No tooth was refused."]
    return [
        f"{capital(number_of(n, 'tooth', 'teeth'))} {was(n)} refused in the plan or in the outcome, "
        "because what was found there was not sure enough to be given as a number. Such a tooth may "
        "have moved: it has no value in the table of movements, and none is 0 for want of a "
        "measurement."
    ]


def reference(measured: Measured) -> list[str]:
    """What was taken as stable in each scan, how well it fits, and what is to be said of it."""
    table = references(measured)
    # What each arch says of its scans stands in the table, where there is one.
    own = {note for part in measured.arches for note in part.notes} if len(table) else set()
    lines = [note for note in measured.notes if note not in own]
    said = table["cautions"].tolist() if len(table) else []
    for note in dict.fromkeys(sentence for each in said for sentence in each):
        there = [
            f"{row.patient}, course {row.course}, {row.arch} arch, {STAGE[row.stage]}"
            for row in records(table)
            if note in row.cautions
        ]
        if not any(note in line for line in lines):
            lines.append(f"{capital(note.rstrip('.'))} ({'; '.join(there)}).")
    return lines


def sensitivity(measured: Measured) -> list[str]:
    """How far the reference decides the result."""
    if not len(measured.sensitivity):
        return ["How much the movements depend on the reference was not tried."]
    rows = measured.sensitivity.dropna(subset=["largest_mm", "largest_degree"])
    lines = [
        "The movements were computed again with each tooth of the reference left out, and against "
        "another reference where there is one. What changes with that choice is not known better "
        "than by as much."
    ]
    if len(rows):
        lines.append(
            f"Of all movements of all teeth the largest change was "
            f"{size(float(rows['largest_mm'].max()), 'mm')} and "
            f"{size(float(rows['largest_degree'].max()), 'degree')}, in "
            f"{number_of(len(rows), 'other reference')} tried."
        )
    untried = len(measured.sensitivity) - len(rows)
    if untried:
        lines.append(f"{capital(number_of(untried, 'other reference'))} could not be tried.")
    return lines


def quality(measured: Measured) -> list[str]:
    """What residual, overlap and confidence mean."""
    rows = measured.quality[measured.quality["verdict"] == "given"]
    known = pd.to_numeric(rows["residual"], errors="coerce").dropna()
    if not len(known):
        return ["No tooth was measured, so there is no residual."]
    return [
        f"Residual: how far the crown's surface lies from the later model once it is laid there, "
        f"median {size(float(known.median()), 'mm')}, at most {size(float(known.max()), 'mm')}. "
        "Overlap: the share of the crown that was found again. A small residual says that the "
        "surfaces agree, not that the movement is free of error."
    ]


def no_movements(measured: Measured) -> list[str]:
    """Said in the place of the movements where there are none."""
    return [] if len(measured.movements) else ["No tooth was measured, so there are no movements."]


def turned(arches: int, shown: int) -> list[str]:
    """How to use the views to be turned, and which arches have none on the page."""
    lines = [
        "Turn the arch with the mouse or a finger. Point at a tooth for its movements, planned and "
        "achieved, or for the reason why it was refused."
    ]
    if arches > shown:
        lines.append(
            f"Of {number_of(arches, 'arch', 'arches')} {shown} {was(shown)} put here, as each takes "
            "several megabytes; outcomes.figures.view_arch shows any of them."
        )
    return lines


def measurement(measured: Measured) -> list[str]:
    """The error of what was measured more than once."""
    table, reason = error_of_repeats(measured)
    if len(table):
        return error_words(table)
    return [
        f"{reason} So the error of these movements is not known. Scanning and measuring some courses "
        "twice answers it: rows with repeat 2 in the table of scans."
    ]


def assumed(measured: Measured) -> list[str]:
    """Where problems were found."""
    n = len(measured.problems)
    if not n:
        return ["No problem was found in the scans and their points."]
    return [f"{capital(number_of(n, 'problem'))} {was(n)} found; each has its remedy."]


def cautions(measured: Measured) -> list[str]:
    """The cautions that go with measured scans; that of invented data where they are."""
    demo = ["The demonstration data"] if measured.invented else []
    return standing("Always", "Measuring from scans", *demo)


def caption(kind: str, patient: str, course: int, n: int, *, invented: bool = False) -> str:
    """Under a figure of one course; ``n``: teeth with a movement."""
    what = {
        "outlines": "Outlines of the crowns at the start, as planned and in the outcome. A crown of "
        "the start scan is drawn where the measured movement carries it",
        "arrows": "Movements planned and achieved. Arrows are longer than life, to the scale "
        "beside them",
        "residuals": "Crowns of the start scan by their distance to the outcome after each was "
        "registered on its own. Under each number, the median of the crown in mm",
    }[kind]
    demo = " Invented demonstration data." if invented else ""
    return (
        f"{patient}, course {course}: {number_of(n, 'tooth', 'teeth')} measured. {what}. The "
        f"patient's right is on the left; a hollow tooth was refused.{demo}"
    )
