"""The tables, columns and allowed values of a cohort: the single source.

Reading, checks, the empty workbook, the codebook and the documentation all derive from this module
and from :mod:`outcomes.domain.movements`. To add a measure or a column, add it here.
"""

from __future__ import annotations

from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.table_types import BY_MEASURE, BY_MOVEMENT, Code, Column, TableSchema

#: A row whose patient is this word is the empty workbook's example: reading ignores it.
EXAMPLE_PATIENT = "EXAMPLE"

_MOVEMENT_CODES = tuple(
    Code(m.name, f"positive: {m.positive}; negative: {m.negative}", m.also, m.unit)
    for m in MOVEMENTS.values()
)

_MEASURES = (
    Code("overbite", "vertical overlap of the incisors", unit="mm"),
    Code("overjet", "horizontal overlap of the incisors", unit="mm"),
    Code("open_bite", "vertical gap between the incisors", unit="mm"),
    Code("lower_face_height", "lower anterior face height", unit="mm"),
    Code("mandibular_plane", "angle of the mandibular plane", unit="degree"),
    Code("crowding", "space lacking in the arch", unit="mm"),
    Code("spacing", "space left over in the arch", unit="mm"),
    Code("arch_width_3_3", "arch width between the canines", unit="mm"),
    Code("arch_width_6_6", "arch width between the first molars", unit="mm"),
    Code("recession", "gingival recession at a tooth", unit="mm"),
    Code(
        "keratinised_tissue",
        "width of keratinised tissue at a tooth",
        ("keratinized_tissue",),
        "mm",
    ),
    Code("probing_depth", "probing depth at a tooth", unit="mm"),
    Code(
        "apex_to_plate",
        "radiographic distance from the apex of a tooth to the labial cortical plate",
        unit="mm",
    ),
    Code("gingival_display", "gum shown above the upper incisors on full smile", unit="mm"),
)

#: Measures known by name, with their units.
MEASURES: dict[str, str] = {code.name: code.unit for code in _MEASURES}

#: Known measures that say nothing without a tooth.
MEASURES_OF_A_TOOTH = ("recession", "keratinised_tissue", "probing_depth", "apex_to_plate")


def _patient(description: str) -> Column:
    return Column(
        "patient",
        "identifier",
        description,
        required=True,
        if_bad="exclude",
        example=EXAMPLE_PATIENT,
        synonyms=(
            "patients",
            "patient_id",
            "patient_no",
            "patient_number",
            "patient_code",
            "case",
            "case_id",
            "case_no",
            "subject",
            "subject_id",
        ),
    )


def _tooth(*, required: bool) -> Column:
    return Column(
        "tooth",
        "tooth",
        "FDI two-digit number (ISO 3950); Universal numbers or quadrant shorthand when the "
        "heading says so, as in 'tooth (Universal)' or 'tooth (quadrant)'",
        required=required,
        if_bad="exclude",
        example=13 if required else "",
        synonyms=("teeth", "tooth_no", "tooth_number", "tooth_num", "tooth_id"),
    )


def _movement() -> Column:
    return Column(
        "movement",
        "code",
        "kind of movement; the sign of the numbers gives the direction",
        required=True,
        if_bad="exclude",
        codes=_MOVEMENT_CODES,
        example="rotation",
        synonyms=("movements", "movement_type", "type_of_movement", "kind_of_movement"),
    )


def _course(*, required: bool) -> Column:
    return Column(
        "course",
        "integer",
        "number of the course (one series of aligners, from scan to scan), counted from 1",
        required=required,
        default=None if required else 1,
        hard_low=1,
        high=12,
        if_bad="exclude",
        example=1,
        synonyms=("course_no", "course_number", "series", "series_no", "series_number"),
    )


TABLES: dict[str, TableSchema] = {
    table.name: table
    for table in (
        TableSchema(
            "movements",
            "one movement of one tooth in one course",
            (
                _patient("code of the patient, no name: the same code in every table"),
                _tooth(required=True),
                _movement(),
                Column(
                    "planned",
                    "number",
                    "what the plan asked the aligners to do, overcorrection included; a change "
                    "from the start of the course; 0 for a movement that was not planned",
                    required=True,
                    unit=BY_MOVEMENT,
                    if_bad="exclude",
                    example=12.0,
                    synonyms=("plan", "planned_movement", "programmed", "prescribed", "predicted"),
                ),
                Column(
                    "achieved",
                    "number",
                    "what the next scan shows, same start, axis and sign as planned; blank means "
                    "not measured yet",
                    required=True,
                    unit=BY_MOVEMENT,
                    if_bad="exclude",
                    example=8.5,
                    synonyms=("achieved_movement", "actual", "obtained", "measured"),
                ),
                _course(required=False),
                Column(
                    "aim",
                    "number",
                    "where the clinician wanted the tooth to end, same start, axis and sign; "
                    "blank means aim = planned",
                    unit=BY_MOVEMENT,
                    example=10.0,
                    synonyms=("aimed", "goal", "desired"),
                ),
                Column(
                    "attachment",
                    "code",
                    "attachment on the tooth in this course; blank means not recorded",
                    codes=(
                        Code("none", "no attachment", ("no", "0", "without", "no attachment")),
                        Code("rectangular", "rectangular", ("rectangle",)),
                        Code("bevelled", "bevelled", ("beveled",)),
                        Code("ellipsoid", "ellipsoid", ("ellipsoidal", "ellipse")),
                    ),
                    other_codes=True,
                    example="rectangular",
                    synonyms=("attachments", "attachment_type", "attachment_shape"),
                ),
                Column(
                    "auxiliary",
                    "code",
                    "auxiliary that acted on the tooth; blank means not recorded",
                    codes=(
                        Code("none", "no auxiliary", ("no", "0", "without")),
                        Code("elastics", "elastics", ("elastic",)),
                        Code("pressure point", "pressure point", ("pressure points",)),
                        Code("bite block", "bite block", ("bite blocks",)),
                        Code("miniscrew", "miniscrew", ("miniscrews", "mini screw")),
                    ),
                    other_codes=True,
                    example="none",
                    synonyms=("auxiliaries", "aux"),
                ),
                Column(
                    "ipr_mm",
                    "number",
                    "interproximal reduction next to the tooth, both sides added",
                    unit="mm",
                    hard_low=0,
                    high=1.5,
                    example=0.2,
                    synonyms=("ipr", "interproximal_reduction"),
                ),
            ),
            ("patient", "tooth", "movement", "course"),
            ("movement",),
        ),
        TableSchema(
            "patients",
            "one patient",
            (
                _patient("code of the patient, no name"),
                Column(
                    "sex",
                    "code",
                    "sex of the patient",
                    codes=(
                        Code("female", "female", ("f", "w", "woman", "girl")),
                        Code("male", "male", ("m", "man", "boy")),
                        Code("other", "other", ("x", "diverse")),
                    ),
                    example="female",
                    synonyms=("gender",),
                ),
                Column(
                    "age",
                    "number",
                    "age at the start, in whole or decimal years",
                    unit="years",
                    hard_low=0,
                    low=5,
                    high=90,
                    example=27,
                    synonyms=("age_years", "age_at_start", "years"),
                ),
                Column(
                    "growing",
                    "code",
                    "still growing at the start",
                    codes=(
                        Code("yes", "still growing", ("y", "true", "1")),
                        Code("no", "growth complete", ("n", "false", "0")),
                    ),
                    example="no",
                    synonyms=("growth", "still_growing"),
                ),
                Column(
                    "clinician",
                    "text",
                    "code of the treating clinician, as A, B, C",
                    example="A",
                    synonyms=("orthodontist", "operator", "dentist"),
                ),
                Column(
                    "site",
                    "text",
                    "code of the practice site",
                    example="North",
                    synonyms=("practice", "clinic", "centre", "center", "office"),
                ),
                Column(
                    "malocclusion",
                    "text",
                    "short description, as Class II division 1",
                    example="Class I crowding",
                    synonyms=("diagnosis",),
                ),
            ),
            ("patient",),
            ("patient",),
        ),
        TableSchema(
            "courses",
            "one series of aligners, from scan to scan",
            (
                _patient("code of the patient, as in movements"),
                _course(required=True),
                Column(
                    "aligners",
                    "integer",
                    "number of aligners",
                    hard_low=1,
                    high=120,
                    example=24,
                    synonyms=("number_of_aligners", "aligner_count", "n_aligners"),
                ),
                Column(
                    "days_per_aligner",
                    "number",
                    "days each aligner was worn",
                    unit="days",
                    hard_low=1,
                    high=31,
                    example=7,
                    synonyms=("days", "change_days", "days_each"),
                ),
                Column("start", "date", "first day of the course", example="2024-01-15"),
                Column("end", "date", "day of the closing scan", example="2024-07-01"),
                Column(
                    "wear_hours",
                    "number",
                    "hours worn per day",
                    unit="hours",
                    hard_low=0,
                    low=8,
                    high=24,
                    example=21,
                    synonyms=("wear", "hours_per_day", "wear_time"),
                ),
                Column("elastics", "text", "elastics worn, in words", example="none"),
                Column("anchorage", "text", "anchorage, in words", example="none"),
            ),
            ("patient", "course"),
            ("course",),
        ),
        TableSchema(
            "measures",
            "one clinical or cephalometric measure at one time",
            (
                _patient("code of the patient, as in movements"),
                Column(
                    "after_course",
                    "integer",
                    "the course after which it was measured; 0 is the start",
                    required=True,
                    hard_low=0,
                    high=12,
                    if_bad="exclude",
                    example=0,
                    synonyms=("after", "after_series"),
                ),
                Column(
                    "measure",
                    "code",
                    "what was measured; other measures are allowed with a unit",
                    required=True,
                    if_bad="exclude",
                    codes=_MEASURES,
                    other_codes=True,
                    example="overbite",
                    synonyms=("measurement", "variable"),
                ),
                Column(
                    "value",
                    "number",
                    "the number; blank means not measured yet",
                    required=True,
                    unit=BY_MEASURE,
                    if_bad="exclude",
                    example=4.5,
                    synonyms=("result", "reading"),
                ),
                _tooth(required=False),
                Column(
                    "unit",
                    "text",
                    "unit; needed for measures not known by name",
                    example="mm",
                    synonyms=("units",),
                ),
                Column(
                    "target",
                    "number",
                    "value wanted",
                    unit=BY_MEASURE,
                    example=2.0,
                    synonyms=("goal", "aim"),
                ),
                Column(
                    "day",
                    "integer",
                    "days since the start of treatment",
                    unit="days",
                    hard_low=0,
                    example=0,
                ),
            ),
            ("patient", "after_course", "measure", "tooth"),
            ("measure", "measurements"),
        ),
        TableSchema(
            "repeats",
            "one repeated reading, for measurement error",
            (
                _patient("code of the patient, as in movements"),
                _tooth(required=True),
                _movement(),
                Column(
                    "reader",
                    "text",
                    "code of who read it",
                    required=True,
                    if_bad="exclude",
                    example="A",
                    synonyms=("observer", "rater", "examiner"),
                ),
                Column(
                    "reading",
                    "integer",
                    "number of the reading, counted from 1",
                    required=True,
                    hard_low=1,
                    if_bad="exclude",
                    example=1,
                    synonyms=("repeat", "repetition", "reading_no"),
                ),
                Column(
                    "value",
                    "number",
                    "the reading; blank means not measured yet",
                    required=True,
                    unit=BY_MOVEMENT,
                    if_bad="exclude",
                    example=8.5,
                    synonyms=("result",),
                ),
                _course(required=False),
                Column("occasion", "text", "the day or session of the reading", example="1"),
            ),
            ("patient", "tooth", "movement", "course", "occasion", "reader", "reading"),
            ("repeat", "repeated", "readings"),
        ),
    )
}

#: Columns that reading adds to movements; a user's column of that name becomes "<name>_given".
DERIVED = ("tooth_class", "arch", "side", "direction", "unit", "tooth_site", "row")
