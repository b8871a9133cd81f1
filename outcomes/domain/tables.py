"""The tables, columns, units, signs and allowed values of a cohort: the single source.

Reading, checks, the empty workbook, the codebook and the documentation all derive from the
constants of this module. To add a movement, a measure or a column, add it here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import pandera.pandas as pa

Kind = Literal["identifier", "tooth", "code", "number", "integer", "date", "text"]

#: The unit of a column whose unit depends on another column of the same row.
BY_MOVEMENT = "by movement"
BY_MEASURE = "by measure"

TOOTH_CLASSES = ("incisor", "canine", "premolar", "molar")

#: Clinically relevant difference (Angle Orthod 2017;87(6):809-815, doi:10.2319/022717-147.1).
TOLERANCE = {"mm": 0.5, "degree": 2.0}

#: Smallest planned movement that enters a per-row ratio (common practice, no source).
SMALLEST_PLAN = {"mm": 0.2, "degree": 1.0}

#: Larger than this is listed to be looked at, never excluded (common practice, no source).
EXPECTED_SIZE = {"mm": 6.0, "degree": 60.0}

#: Largest step of one aligner (common practice, no source).
PER_ALIGNER = {"mm": 0.25, "degree": 1.0}

#: The limits of movements, by unit; a movement may have its own (see :class:`Movement`).
LIMITS = {
    "tolerance": TOLERANCE,
    "smallest_plan": SMALLEST_PLAN,
    "expected_size": EXPECTED_SIZE,
    "per_aligner": PER_ALIGNER,
}

#: Patients below which a result is described only: it leads no summary, is not compared, and is
#: marked or withheld where it is shared, because it could identify somebody (common practice, no
#: source).
FEW_PATIENTS = 5

#: Patients from which a rate can be used (common practice, no source).
ENOUGH_PATIENTS = 10

#: How a unit may be written in a cell or a heading.
UNIT_WORDS = {
    "mm": ("mm", "mm.", "millimetre", "millimetres", "millimeter", "millimeters"),
    "degree": ("degree", "degrees", "deg", "deg.", "degs", "°", "º", "˚"),
    "years": ("years", "year", "yrs", "yr", "y"),
    "hours": ("hours", "hour", "hrs", "hr", "h", "h/day", "h/d", "hours/day", "hours per day"),
    "days": ("days", "day", "d"),
}

#: A row whose patient is this word is the empty workbook's example: reading ignores it.
EXAMPLE_PATIENT = "EXAMPLE"


@dataclass(frozen=True)
class Code:
    """One allowed value of a coded column, its meaning, and other spellings read as it."""

    name: str
    meaning: str
    also: tuple[str, ...] = ()
    unit: str = ""


_OF_UNIT = float("nan")


@dataclass(frozen=True)
class Invented:
    """What invented cohorts (``outcomes.simulate``) take of a movement; evidence of nothing.

    Attributes
    ----------
    rates
        Share of the plan achieved without an attachment, by tooth class as in ``TOOTH_CLASSES``.
    planned
        Share of teeth planned to move so, by tooth class.
    aim_sd
        SD of the aims, mm or degrees, by tooth class; empty: ``plan_sd`` of the unit for all.
    """

    rates: tuple[float, float, float, float] = (0.5, 0.5, 0.5, 0.5)
    planned: tuple[float, float, float, float] = (0.2, 0.2, 0.2, 0.2)
    aim_sd: tuple[float, ...] = ()


@dataclass(frozen=True)
class Movement:
    """One kind of tooth movement, and every fact about it that anything in the package needs.

    Attributes
    ----------
    name, unit
        As in the data; "mm" or "degree".
    positive, negative
        What the signs mean, for the codebook.
    positive_direction, negative_direction
        The same, as values of the column direction.
    also
        Other spellings of the name.
    spoken
        The name as it stands in a sentence; the name itself by default.
    positive_in_full, negative_in_full
        The direction so that it cannot be misread: crown and root named where they part.
        ``{outer}`` becomes labial (front teeth) or buccal, ``{inner}`` palatal (upper) or lingual.
        By default the direction.
    ways
        Words for its directions that are sometimes taken for a movement.
    tolerance, smallest_plan, expected_size, per_aligner
        mm or degrees; by default those of the unit (``LIMITS``).
    invented
        For invented cohorts.

    Raises
    ------
    ValueError
        If the unit is not known or a limit is not above 0.
    """

    name: str
    unit: str
    positive: str
    negative: str
    positive_direction: str
    negative_direction: str
    also: tuple[str, ...] = ()
    spoken: str = ""
    positive_in_full: str = ""
    negative_in_full: str = ""
    ways: tuple[str, ...] = ()
    tolerance: float = _OF_UNIT
    smallest_plan: float = _OF_UNIT
    expected_size: float = _OF_UNIT
    per_aligner: float = _OF_UNIT
    invented: Invented = Invented()

    def __post_init__(self) -> None:
        if self.unit not in TOLERANCE:
            raise ValueError(f"{self.name}: unit {self.unit!r} is not one of mm, degree.")
        for limit, by_unit in LIMITS.items():
            value = getattr(self, limit)
            if value != value:
                object.__setattr__(self, limit, by_unit[self.unit])
            elif value <= 0:
                raise ValueError(f"{self.name}: {limit} must be above 0, not {value}.")

    def direction(self, value: float) -> str:
        """The direction of a signed number as in the column direction; "" for 0."""
        if value == 0 or value != value:
            return ""
        return self.positive_direction if value > 0 else self.negative_direction

    def direction_in_full(self, value: float, tooth_class: str = "", arch: str = "") -> str:
        """The direction of a signed number so that it cannot be misread; "" for 0.

        Examples
        --------
        >>> MOVEMENTS["torque"].direction_in_full(-5, "incisor", "upper")
        'palatal crown torque, root labially'
        >>> MOVEMENTS["torque"].direction_in_full(5)
        'buccal or labial crown torque, root lingually or palatally'
        """
        if value == 0 or value != value:
            return ""
        words = self.positive_in_full if value > 0 else self.negative_in_full
        outer = {"": ("buccal", "labial"), "incisor": ("labial",), "canine": ("labial",)}
        inner = {"": ("lingual", "palatal"), "upper": ("palatal",), "lower": ("lingual",)}
        sides = {"outer": outer.get(tooth_class, ("buccal",)), "inner": inner[arch]}
        for side, names in sides.items():
            words = words.replace(f"{{{side}ly}}", " or ".join(f"{name}ly" for name in names))
            words = words.replace(f"{{{side}}}", " or ".join(names))
        return words or self.direction(value)


@dataclass(frozen=True)
class Column:
    """One column of a table.

    ``if_bad`` says what an unreadable cell does: ``"exclude"`` sets the row aside, ``"blank"``
    empties the cell and lists it. ``low`` and ``high`` are the values expected; beyond
    ``hard_low`` a number cannot be right and counts as unreadable.
    """

    name: str
    kind: Kind
    description: str
    required: bool = False
    unit: str = ""
    codes: tuple[Code, ...] = ()
    other_codes: bool = False
    synonyms: tuple[str, ...] = ()
    default: int | None = None
    low: float | None = None
    high: float | None = None
    hard_low: float | None = None
    if_bad: Literal["exclude", "blank"] = "blank"
    example: str | float | int = ""


@dataclass(frozen=True)
class Table:
    """One table: what a row is, its columns, and the columns that identify a row."""

    name: str
    one_row: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    synonyms: tuple[str, ...] = ()

    def column(self, name: str) -> Column:
        """Return the column called ``name``; KeyError if there is none."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(name)

    @property
    def required(self) -> tuple[str, ...]:
        """Names of the required columns."""
        return tuple(column.name for column in self.columns if column.required)


MOVEMENTS: dict[str, Movement] = {
    movement.name: movement
    for movement in (
        Movement(
            "mesiodistal",
            "mm",
            "mesial",
            "distal",
            "mesial",
            "distal",
            ("mesio distal", "mesial distal"),
            spoken="mesiodistal movement",
            ways=("mesial", "distal", "mesialisation", "distalisation"),
            invented=Invented(
                (0.62, 0.58, 0.66, 0.76), (0.25, 0.30, 0.30, 0.20), (0.6, 0.7, 0.8, 0.9)
            ),
        ),
        Movement(
            "buccolingual",
            "mm",
            "buccal or labial",
            "lingual or palatal",
            "buccal",
            "lingual",
            (
                "bucco lingual",
                "buccopalatal",
                "labiolingual",
                "labiopalatal",
                "faciolingual",
                "buccal lingual",
            ),
            spoken="buccolingual movement",
            positive_in_full="{outer}",
            negative_in_full="{inner}",
            ways=(
                "buccal",
                "lingual",
                "labial",
                "palatal",
                "expansion",
                "constriction",
                "proclination",
                "retroclination",
            ),
            invented=Invented(
                (0.68, 0.62, 0.64, 0.55), (0.35, 0.30, 0.35, 0.15), (0.9, 0.8, 0.9, 0.7)
            ),
        ),
        Movement(
            "vertical",
            "mm",
            "extrusion",
            "intrusion",
            "extrusion",
            "intrusion",
            spoken="vertical movement",
            ways=("intrusion", "extrusion"),
            invented=Invented(
                (0.48, 0.55, 0.52, 0.42), (0.30, 0.25, 0.15, 0.08), (0.6, 0.6, 0.5, 0.4)
            ),
        ),
        Movement(
            "tip",
            "degree",
            "mesial crown tip",
            "distal crown tip",
            "mesial tip",
            "distal tip",
            ("tipping", "angulation", "crown tip", "mesiodistal tip"),
            positive_in_full="mesial crown tip, root distally",
            negative_in_full="distal crown tip, root mesially",
            invented=Invented(
                (0.64, 0.55, 0.60, 0.56), (0.25, 0.30, 0.25, 0.12), (4.0, 4.5, 4.0, 3.5)
            ),
        ),
        Movement(
            "torque",
            "degree",
            "buccal or labial crown torque",
            "lingual or palatal crown torque",
            "buccal torque",
            "lingual torque",
            ("inclination", "crown torque", "buccolingual inclination"),
            positive_in_full="{outer} crown torque, root {innerly}",
            negative_in_full="{inner} crown torque, root {outerly}",
            invented=Invented(
                (0.52, 0.48, 0.50, 0.42), (0.35, 0.20, 0.15, 0.10), (5.0, 4.0, 4.0, 3.5)
            ),
        ),
        Movement(
            "rotation",
            "degree",
            "mesial surface turning buccally or labially",
            "mesial surface turning lingually or palatally",
            "mesial surface outwards",
            "mesial surface inwards",
            ("rot", "rotations"),
            positive_in_full="mesial surface turning {outerly}",
            negative_in_full="mesial surface turning {innerly}",
            per_aligner=2.0,
            invented=Invented(
                (0.62, 0.52, 0.46, 0.50), (0.40, 0.40, 0.35, 0.12), (7.0, 9.0, 9.0, 5.0)
            ),
        ),
    )
}

#: Directions have a sign in a movement's plan, so a direction is no movement name.
DIRECTION_WORDS = {word: m.name for m in MOVEMENTS.values() for word in m.ways}

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


TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        Table(
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
        Table(
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
        Table(
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
        Table(
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
        Table(
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

#: Heading words that point to a person; such columns are left out of a cohort.
PERSONAL = {
    "full": (
        "name",
        "names",
        "dob",
        "mail",
        "tel",
        "town",
        "city",
        "street",
        "zip",
        "ssn",
        "initials",
        "contact",
    ),
    "part": (
        "surname",
        "firstname",
        "first_name",
        "lastname",
        "last_name",
        "forename",
        "patient_name",
        "full_name",
        "fullname",
        "family_name",
        "given_name",
        "name_of_patient",
        "birth",
        "birthday",
        "date_of_birth",
        "phone",
        "telephone",
        "mobile",
        "email",
        "e_mail",
        "address",
        "postcode",
        "postal",
        "zip_code",
        "social_security",
        "insurance_no",
        "insurance_number",
        "national_id",
        "passport",
    ),
}


@cache
def pandera_schema(table: str) -> pa.DataFrameSchema:
    """Contract of a cleaned table as a pandera schema, derived from :data:`TABLES`.

    Reading gives problems with rows and remedies; this second, independent statement of the same
    rules is for code that makes tables itself, and for the tests.

    Parameters
    ----------
    table
        ``"movements"``, ``"patients"``, ``"courses"``, ``"measures"`` or ``"repeats"``.

    Raises
    ------
    KeyError
        If there is no such table.

    Examples
    --------
    >>> sorted(pandera_schema("patients").columns)[:3]
    ['age', 'clinician', 'growing']
    """
    import pandera.pandas as pa

    from outcomes.domain.teeth import FDI_TEETH

    def checks(column: Column) -> list[pa.Check]:
        found = []
        if column.kind == "tooth":
            found.append(pa.Check.isin(FDI_TEETH))
        if column.kind == "code" and not column.other_codes:
            found.append(pa.Check.isin([code.name for code in column.codes]))
        if column.hard_low is not None:
            found.append(pa.Check.ge(column.hard_low))
        return found

    dtypes = {"number": float, "date": "datetime64[us]"}
    columns = {
        column.name: pa.Column(
            dtypes.get(column.kind),
            checks(column),
            nullable=not (column.required or column.default is not None),
            required=column.required or column.default is not None,
        )
        for column in TABLES[table].columns
    }
    key = [name for name in TABLES[table].key if columns[name].required]
    unique = key if set(key) == set(TABLES[table].key) else None
    return pa.DataFrameSchema(columns, unique=unique, strict=False)
