"""What a report of measured scans shows, gathered from what was measured."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from outcomes.domain.scan_tables import STAGES
from outcomes.errors import CannotAnswer
from outcomes.measure.measured import ArchPart, Measured
from outcomes.measure.readings import measurement_error, smallest_detectable_change

__all__ = [
    "arches", "courses", "error_of_repeats", "first_readings", "reasons", "references",
    "smallest_of_repeats",
]  # fmt: skip


def first_readings(measured: Measured) -> list[ArchPart]:
    """The arches that count; repeats go to the measurement error."""
    return [part for part in measured.arches if part.repeat == 1]


def courses(measured: Measured) -> list[tuple[str, int]]:
    """(patient, course) of each course, in order of what was given."""
    return list(dict.fromkeys((part.patient, part.course) for part in first_readings(measured)))


def arches(measured: Measured) -> pd.DataFrame:
    """A row for each arch and stage.

    Returns
    -------
    DataFrame
        patient, course, arch, stage, scanned (whether there is a model of the stage), teeth (asked
        for), given, low (of those given, with low confidence), refused; missing where not scanned.
    """
    rows = []
    for part in first_readings(measured):
        for stage in STAGES:
            found = [row for row in part.quality if row["stage"] == stage]
            given = [row for row in found if row["verdict"] == "given"]
            low = sum(row["confidence"] == "low" for row in given)
            counts = (len(found), len(given), low, len(found) - len(given))
            scanned = stage in part.stages
            rows.append(
                (part.patient, part.course, part.arch, stage, scanned)
                + (counts if scanned else (pd.NA,) * 4)
            )
    columns = ["patient", "course", "arch", "stage", "scanned", "teeth", "given", "low", "refused"]
    return pd.DataFrame(rows, columns=columns)


def reasons(measured: Measured, *, refused: bool) -> pd.DataFrame:
    """Teeth that were refused, or given with low confidence, those of one reason together.

    Returns
    -------
    DataFrame
        patient, course, stage, reason, teeth (a list of FDI numbers).
    """
    rows = measured.quality
    chosen = rows["verdict"] == "refused"
    if not refused:
        chosen = (rows["verdict"] == "given") & (rows["confidence"] == "low")
    shown = rows[chosen].assign(reason=rows["reason"].fillna("").replace("", "no reason recorded"))
    key = ["patient", "course", "stage", "reason"]
    found = shown.groupby(key, sort=False)["tooth"].agg(list).rename("teeth")
    return found.reset_index()


def references(measured: Measured) -> pd.DataFrame:
    """What each later scan was laid on.

    Returns
    -------
    DataFrame
        patient, course, arch, stage, teeth (FDI numbers; empty for the palate), residual (mm),
        cautions (sentences). Only scans that could be laid.
    """
    columns = ["patient", "course", "arch", "stage", "teeth", "residual", "cautions"]
    return pd.DataFrame(list(_laid(measured)), columns=columns)


def _laid(measured: Measured) -> Iterator[tuple[object, ...]]:
    for part in first_readings(measured):
        for stage in STAGES:
            found = None if part.detail is None else part.detail.stages.get(stage)
            if found is None or found.superimposition is None:
                continue
            laid = found.superimposition
            yield (
                part.patient, part.course, part.arch, stage, list(laid.teeth), laid.residual,
                list(laid.cautions),
            )  # fmt: skip


def error_of_repeats(measured: Measured) -> tuple[pd.DataFrame, str]:
    """`outcomes.measurement_error` of the repeats, and why it is empty where it is."""
    if not len(measured.repeats):
        return pd.DataFrame(), "No course was measured a second time."
    try:
        return measurement_error(measured.repeats), ""
    except CannotAnswer as error:
        return pd.DataFrame(), str(error)


def smallest_of_repeats(measured: Measured) -> dict[str, float]:
    """Smallest detectable change of each movement that was measured again; mm or degrees."""
    return smallest_detectable_change(measured.repeats) if len(measured.repeats) else {}
