"""The tables of the report of measured scans, as a reader sees them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.scan_tables import STAGES
from outcomes.figures.arch_panel import ORDER
from outcomes.figures.base import records
from outcomes.reports.common.views import BLANK, texts
from outcomes.reports.scans.words import STAGE, teeth_listed
from outcomes.reports.table import NOT_MEASURED
from outcomes.words.numbers import count, number, percent, size
from outcomes.words.units import NBSP, unit_symbol

__all__ = ["arches", "decimals", "error", "movements", "problems", "quality", "reasons", "references", "sensitivity"]  # fmt: skip

PALATE = "palate"


def arches(frame: pd.DataFrame) -> pd.DataFrame:
    """Of `results.arches`: a line for each arch, teeth measured in plan and outcome."""
    rows = []
    for (patient, course, arch), part in frame.groupby(["patient", "course", "arch"], sort=False):
        line = {"Patient": patient, "Course": str(course), "Arch": arch}
        for row in records(part):
            name = STAGE[str(row.stage)].capitalize()
            line[f"{name}: measured"] = f"{row.given} of {row.teeth}" if row.scanned else "no scan"
            line[f"{name}: low confidence"] = count(row.low) if row.scanned else BLANK
            line[f"{name}: refused"] = count(row.refused) if row.scanned else BLANK
        rows.append(line)
    return pd.DataFrame(rows, dtype=object)


def reasons(frame: pd.DataFrame) -> pd.DataFrame:
    """Of `results.reasons`: teeth of one reason in one line."""
    return pd.DataFrame(
        {
            "Patient": frame["patient"],
            "Course": frame["course"].astype(str),
            "In": frame["stage"].map(STAGE),
            "Teeth": frame["teeth"].map(teeth_listed),
            "Reason": frame["reason"],
        },
        dtype=object,
    )


def references(frame: pd.DataFrame) -> pd.DataFrame:
    """Of `results.references`: what each scan was laid on."""
    return pd.DataFrame(
        {
            "Patient": frame["patient"],
            "Course": frame["course"].astype(str),
            "Arch": frame["arch"],
            "Scan": frame["stage"].map(STAGE),
            "Taken as stable": [
                teeth_listed(teeth) if teeth else PALATE for teeth in frame["teeth"]
            ],
            "Left between them": [size(value, "mm") for value in frame["residual"]],
        },
        dtype=object,
    )


def quality(frame: pd.DataFrame) -> pd.DataFrame:
    """Of ``Measured.quality``: a line for each tooth and stage."""
    return pd.DataFrame(
        {
            "Patient": frame["patient"],
            "Course": frame["course"].astype(str),
            "Tooth": frame["tooth"].astype(str),
            "In": frame["stage"].map(STAGE),
            "Residual": [BLANK if pd.isna(v) else size(v, "mm") for v in frame["residual"]],
            "Overlap": [BLANK if pd.isna(v) else percent(v) for v in frame["overlap"]],
            "Confidence": frame["confidence"].fillna("").replace("", BLANK),
            "Verdict": frame["verdict"],
        },
        dtype=object,
    )


def movements(frame: pd.DataFrame, smallest: Mapping[str, float] | None = None) -> pd.DataFrame:
    """Of ``Measured.movements`` of one course: a line for each tooth, from right to left.

    In each cell planned / achieved, a dash for what was not measured. ``smallest`` is the smallest
    detectable change of each movement, where it is known: numbers end where it begins.
    """
    rows = []
    ordered = frame.assign(place=frame["tooth"].map(ORDER)).sort_values("place", kind="stable")
    for tooth, part in ordered.groupby("tooth", sort=False):
        line: dict[str, Any] = {"Tooth": str(tooth)}
        values = part.set_index("movement")
        for name, movement in MOVEMENTS.items():
            line[f"{name.capitalize()}, {unit_symbol(movement.unit)}"] = _pair(
                values, name, decimals(movement.unit, (smallest or {}).get(name))
            )
        rows.append(line)
    return pd.DataFrame(rows, dtype=object)


def decimals(unit: str, smallest: float | None = None) -> int:
    """Decimals of a measured movement: 2 for mm and 1 for degrees, fewer where its error says so.

    Examples
    --------
    >>> decimals("mm"), decimals("mm", 0.05), decimals("mm", 0.2), decimals("degree", 1.4)
    (2, 2, 1, 0)
    """
    most = 2 if unit == "mm" else 1
    if smallest is None or not smallest > 0:
        return most
    return min(max(math.ceil(-math.log10(smallest)), 0), most)


def _pair(values: pd.DataFrame, name: str, digits: int) -> str:
    """``1.00 / 0.62``: planned and achieved."""
    there: list[Any] = [None] * len(STAGES)
    if name in values.index:
        there = [values[stage][name] for stage in STAGES]
    known = [BLANK if pd.isna(value) else number(value, digits) for value in there]
    return f"{NBSP}/{NBSP}".join(known)


def sensitivity(frame: pd.DataFrame) -> pd.DataFrame:
    """Of ``Measured.sensitivity``: the largest change of any movement with another reference."""
    left_out = [BLANK if pd.isna(tooth) else str(int(tooth)) for tooth in frame["left_out"]]
    changed = {
        "Largest change, mm": ("largest_mm", 2),
        "Largest change, °": ("largest_degree", 1),
    }
    return pd.DataFrame(
        {
            "Patient": frame["patient"],
            "Course": frame["course"].astype(str),
            "Arch": frame["arch"],
            "Scan": frame["stage"].map(STAGE),
            "Left out": left_out,
            "Laid on": frame["instead"],
            **{
                heading: [BLANK if pd.isna(v) else number(v, digits) for v in frame[name]]
                for heading, (name, digits) in changed.items()
            },
            "Note": frame["note"].fillna("").replace("", BLANK),
        },
        dtype=object,
    )


def error(frame: pd.DataFrame) -> pd.DataFrame:
    """Of `outcomes.measurement_error`, with units."""
    return texts(
        frame.assign(low=frame["loa_low"], high=frame["loa_high"]),
        "movement pairs dahlberg bias interval smallest_detectable_change",
        movement=("Movement", str),
        pairs=("Pairs", count),
        dahlberg=("Dahlberg", size),
        bias=("Bias", size),
        interval=("Limits of agreement", size),
        smallest_detectable_change=("Smallest detectable change", size),
    ).replace(BLANK, NOT_MEASURED)


def problems(frame: pd.DataFrame) -> pd.DataFrame:
    """Of ``Measured.problems``: where, what, and its remedy."""
    wanted = [name for name in ("row", "column", "value", "problem", "remedy") if name in frame]
    return frame[wanted].rename(columns=str.capitalize)
