"""The tables that come with scans: which scans there are, and the points on them."""

from __future__ import annotations

from outcomes.domain.table_types import Code, Column, TableSchema
from outcomes.domain.tables import TABLES

__all__ = ["LANDMARKS", "MM_PER_UNIT", "MODELS", "PALATE_TOOTH", "SCANS", "STAGES", "VERDICTS"]

STAGES = ("planned", "achieved")
"""What is compared with the start scan."""
MODELS = ("start", *STAGES)

MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}
"""Units a scan may be in; an inch is 25.4 mm exactly (international yard and pound, 1959)."""

PALATE_TOOTH = 0
"""Tooth number of points that outline a patch of the palate."""

VERDICTS = {
    "given": "measured, and passed every check of the fit",
    "refused": "not measured: the reason stands beside it, and there is no row of movements",
}

_PATIENT = TABLES["movements"].column("patient")
_COURSE = TABLES["movements"].column("course")

_ARCH = (
    Code("upper", "upper jaw", ("u", "max", "maxilla", "maxillary", "upper arch", "upper jaw")),
    Code("lower", "lower jaw", ("l", "mand", "mandible", "mandibular", "lower arch", "lower jaw")),
)
_MODEL = (
    Code("start", "before the course", ("initial", "before", "pre", "baseline")),
    Code("planned", "as planned", ("plan", "target", "setup")),
    Code("achieved", "after the course", ("outcome", "final", "after", "post", "end")),
)
_UNIT = (
    Code("mm", "millimetre", ("mm.", "millimetre", "millimetres", "millimeter", "millimeters")),
    Code("cm", "centimetre", ("centimetre", "centimetres", "centimeter", "centimeters")),
    Code("m", "metre", ("metre", "metres", "meter", "meters")),
    Code("inch", "25.4 mm", ("in", "in.", "inches", '"')),
)


def _file(name: str, what: str, *synonyms: str, required: bool = False) -> Column:
    return Column(
        name, "text", f"{what}; a path from the folder of this table", required, synonyms=synonyms
    )


_REPEAT = Column(
    "repeat",
    "integer",
    "1 for what counts; 2, 3 ... for the same course measured again, from other scans or points, "
    "which goes to the measurement error",
    default=1,
    hard_low=1,
    high=20,
    synonyms=("reading", "repetition", "replicate"),
)

SCANS = TableSchema(
    "scans",
    "one arch of one patient in one course",
    (
        _PATIENT,
        _COURSE,
        Column("arch", "code", "upper or lower", required=True, codes=_ARCH, synonyms=("jaw",)),
        _file("start", "the scan before the course", "start_scan", "initial", required=True),
        _file("planned", "the planned end as a mesh; may be blank", "plan", "target"),
        _file("achieved", "the scan after the course; may be blank", "outcome", "final"),
        _file(
            "teeth",
            "the points clicked on the start scan, or a folder with a mesh for each of its crowns "
            "(16.stl)",
            "landmarks",
            "points",
            required=True,
        ),
        Column(
            "reference",
            "text",
            "what is taken as stable: palate, all, or FDI numbers separated by blanks",
            synonyms=("reference_teeth", "stable"),
        ),
        Column("unit", "code", "of the scans and their points: mm, cm, m, inch", codes=_UNIT),
        _REPEAT,
    ),
    key=("patient", "course", "arch", "repeat"),
    synonyms=("scan",),
)

LANDMARKS = TableSchema(
    "landmarks",
    "one point on one model",
    (
        Column("model", "code", "start, planned or achieved", codes=_MODEL, synonyms=("stage",)),
        Column(
            "tooth",
            "tooth",
            f"FDI two-digit number; {PALATE_TOOTH} for the points of a palate patch",
            required=True,
            synonyms=("teeth", "tooth_no", "tooth_number", "fdi"),
        ),
        Column("point", "text", "name of the point", synonyms=("landmark", "name")),
        *(Column(axis, "number", f"{axis} of the point", required=True) for axis in "xyz"),
        _PATIENT,
        _COURSE,
        Column("arch", "code", "upper or lower", codes=_ARCH, synonyms=("jaw",)),
        _REPEAT,
    ),
    key=("patient", "course", "arch", "repeat", "model", "tooth", "point"),
    synonyms=("landmark", "points"),
)
