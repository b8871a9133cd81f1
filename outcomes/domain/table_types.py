"""What a table and a column are, how units may be written, and headings that point to a person."""

from __future__ import annotations

import math
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

#: Other units of length and angle -> the schema's, and what one of them is in it (SI Brochure,
#: 9th edition 2019, tables 4 and 7; a radian is 180/π degrees).
OTHER_UNITS: dict[str, tuple[str, float]] = {
    **dict.fromkeys(("cm", "centimetre", "centimetres", "centimeter", "centimeters"), ("mm", 10.0)),
    **dict.fromkeys(("µm", "μm", "um", "micrometre", "micrometres", "micrometer", "micrometers",
                     "micron", "microns"), ("mm", 0.001)),
    **dict.fromkeys(("rad", "radian", "radians"), ("degree", 180 / math.pi)),
}  # fmt: skip


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

#: Heading words that point to a person, without accents; such columns are left out of a cohort.
#: In seven languages: en, de, fr, es, pt, it, sv (common words, no source).
#: ``full``: the whole heading; ``part``: anywhere in it; ``word``: one of its words, unless
#: ``thing`` holds another, which says that a thing is named, not a person. "nombre" is also French
#: for a count, "mobil" and "movil" begin words for mobility: these count alone only. Spanish
#: "direccion" alone is a direction.
PERSONAL = {
    "full": (
        *("name", "names", "dob", "mail", "tel", "town", "city", "street", "zip", "ssn"),
        *("initials", "contact", "nhs_number", "nino", "chart_name"),
        *("namen", "geb", "geb_dat", "gebdat", "handy", "mobil", "stadt", "strasse", "plz"),
        *("nom", "noms", "ville", "rue", "courriel", "nir"),
        *("nombre", "nombres", "ciudad", "calle", "movil", "dni", "nie", "nif", "nss", "curp"),
        *("nome", "nomes", "cidade", "rua", "cep", "cpf", "celular", "celulares"),
        *("nomi", "citta", "cellulare"),
        *("namn", "stad", "gata", "epost"),
    ),
    "part": (
        *("surname", "firstname", "first_name", "lastname", "last_name", "forename"),
        *("patient_name", "full_name", "fullname", "family_name", "given_name"),
        *("name_of_patient", "maiden_name", "birth", "birthday", "date_of_birth", "phone"),
        *("telephone", "mobile", "email", "e_mail", "address", "postcode", "postal", "zip_code"),
        *("social_security", "insurance_no", "insurance_number", "national_id", "passport"),
        # German
        *("vorname", "nachname", "zuname", "familienname", "geburtsname", "rufname"),
        *("patientenname", "name_des_patienten", "name_der_patientin", "geburtsdatum"),
        *("geburtstag", "geboren", "telefon", "anschrift", "adresse", "wohnort", "postleitzahl"),
        *("versichertennummer", "versicherungsnummer", "krankenversicherten", "ahv_nummer"),
        # French
        *("prenom", "nom_de_famille", "nom_du_patient", "nom_de_la_patiente", "nom_patient"),
        *("nom_complet", "nom_et_prenom", "naissance", "code_postal", "securite_sociale"),
        # Spanish
        *("apellido", "nombre_completo", "nombre_paciente", "nombre_del_paciente"),
        *("nombre_de_la_paciente", "nombre_y_apellido", "nacimiento", "nacido"),
        *(
            "direccion_postal",
            "direccion_del_paciente",
            "domicilio",
            "codigo_postal",
            "correo_electronico",
            "seguridad_social",
        ),
        # Portuguese
        *("sobrenome", "apelido", "nome_completo", "nome_do_paciente", "nome_da_paciente"),
        *("nome_paciente", "nascimento", "endereco", "telemovel", "seguranca_social"),
        # Italian
        *("cognome", "nome_e_cognome", "nome_del_paziente", "nome_della_paziente"),
        *("nome_paziente", "nascita", "indirizzo", "codice_fiscale", "tessera_sanitaria"),
        # sv
        *("fornamn", "efternamn", "patientnamn", "patientens_namn", "personnummer", "fodelse"),
        *("fodd", "adress", "postnummer", "e_post", "samordningsnummer"),
    ),
    "word": ("name", "names"),
    "thing": (
        *("site", "practice", "clinic", "centre", "center", "office", "lab", "laboratory"),
        *("tooth", "teeth", "movement", "measure", "measurement", "variable", "column", "table"),
        *("file", "sheet", "field", "code", "item", "study", "series", "course", "group"),
        *("attachment", "auxiliary", "product", "material", "muscle", "bone", "diagnosis"),
        *("test", "scan", "model", "plan", "step", "stage", "event", "visit"),
    ),
}
