"""What a table and a column are, how units may be written, and headings that point to a person."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["identifier", "tooth", "code", "number", "integer", "date", "text"]

#: The unit of a column whose unit depends on another column of the same row.
BY_MOVEMENT = "by movement"
BY_MEASURE = "by measure"

#: How a unit may be written in a cell or a heading.
UNIT_WORDS = {
    "mm": ("mm", "mm.", "millimetre", "millimetres", "millimeter", "millimeters"),
    "degree": ("degree", "degrees", "deg", "deg.", "degs", "°", "º", "˚"),
    "years": ("years", "year", "yrs", "yr", "y"),
    "hours": ("hours", "hour", "hrs", "hr", "h", "h/day", "h/d", "hours/day", "hours per day"),
    "days": ("days", "day", "d"),
}


@dataclass(frozen=True)
class Code:
    """One allowed value of a coded column, its meaning, and other spellings read as it."""

    name: str
    meaning: str
    also: tuple[str, ...] = ()
    unit: str = ""


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
class TableSchema:
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


#: Words that head a row of totals, means or counts below records, in the languages of headings
#: (common practice, no source): as a patient they can only be that, or could also be a code.
TOTALS = {
    "only": (
        "total", "totals", "totale", "totalt", "totaux", "totales", "totais", "subtotal",
        "subtotals", "zwischensumme", "gesamt", "gesamtsumme", "insgesamt", "summe", "summa",
        "summary", "somme", "suma", "soma", "somma", "mean", "means", "average", "averages",
        "median", "mediane", "mediana", "mittelwert", "mittelwerte", "durchschnitt", "moyenne",
        "moyennes", "promedio", "media", "medelvarde", "medel", "genomsnitt", "overall",
        "standardabweichung", "standardavvikelse",
    ),
    "also": (
        "sum", "avg", "sd", "se", "std", "stdev", "n", "count", "min", "max", "minimum", "maximum",
        "range", "anzahl", "antal", "mittel", "deviation", "standard", "grand", "sous", "and",
        "und", "et", "y", "e", "och", "of", "all", "ecart", "type", "effectif",
    ),
}  # fmt: skip

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
