"""What a value, a column or a patient's code may give away of a person.

Looked for are e-mail addresses, telephone, national and insurance numbers, dates and names, by how
they are commonly written (common practice, no source). What is found may be harmless, and what is
harmless to look at may still identify somebody: this finds the usual slips, it proves nothing.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from functools import cache

import numpy as np
import pandas as pd

from outcomes.cohort import cells
from outcomes.cohort.problems import Sieve
from outcomes.cohort.typed import Typed
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.tables import TABLES
from outcomes.words.english import counted

EMAIL = "an e-mail address"
PHONE = "a telephone number"
NATIONAL = "a national, insurance or telephone number"
DATE = "a date"
NAME = "a person's name"

#: A date this many years before treatment is more likely a birth date (common practice, no source).
BIRTH_YEARS = 5

#: Whole numbers from here on are more likely numbers of persons than of anything measured.
LONG_NUMBER = 10**6

#: Of a long column of texts, reading looks at this many different values; `deidentify` at all.
LOOKED_AT = 5000

_EMAIL = re.compile(r"[^\s@,;<>]+@[^\s@,;<>]+\.[^\W\d_]{2,}")
_NATIONAL = re.compile(
    r"(?<!\d)(?:\d{3}-\d{2}-\d{4}|\d{6,8}[-+]\d{3,4}|\d{3}[. ]\d{4}[. ]\d{4}[. ]\d{2})(?!\d)"
    r"|\b[A-Z]{6}\d{2}[A-Z]\d{2}[A-Z]\d{3}[A-Z]\b|\b[A-Z]{2} ?(?:\d{2} ?){3}[A-D]\b"
    r"|\b\d{8}-?[A-Z]\b|(?<![\d.,])\d{7,}(?![\d.,]*\d)"
)
_PHONE = re.compile(
    r"(?<![\d.,])(?:\+\d[\d ()./-]{5,}\d|\(\d{2,5}\) ?\d[\d ./-]{3,}\d"
    r"|0\d{1,4}[ /.-]\d[\d /.-]{3,}\d|\d{3}[-. ]\d{3}[-. ]\d{4})(?!\d)"
)
_SOME_DATE = re.compile(
    r"(?:(?<!\d)(?:19|20)\d{2}([-/.])\d{1,2}\1\d{1,2}"
    r"|(?<![\d./-])\d{1,2}([-/.]) ?\d{1,2}\2 ?\d{2}(?:\d{2})?)"
    r"(?![\d/-]|\.\d)"
    r"|\b\d{1,2}(?:st|nd|rd|th|\.)? ?(?:of )?(?:jan|feb|fév|mar|mär|apr|avr|abr|may|mai|mag|jun|jui"
    r"|giu|jul|lug|aug|ago|aoû|sep|set|oct|okt|ott|nov|dec|dez|déc|dic)[^\W\d_]*\.?,? ?(?:\d{4}|\d{2})\b",
    re.IGNORECASE,
)
_EIGHT = re.compile(r"(?<!\d)\d{8}(?!\d)")
_SIX = re.compile(r"(?<!\d)\d{6}(?!\d)")
_WORD = r"[^\W\d_a-zß-öø-ÿ][^\W\d_A-ZÀ-ÖØ-Þ]+(?:['’-][^\W\d_]+)*"
_NAMES = re.compile(rf"(?<![\w.])({_WORD}),? ({_WORD})(?!\w)")
_TITLED = re.compile(
    r"\b(?:Dr|Prof|Mr|Mrs|Ms|Miss|Herr|Frau|Mme|Mlle|Sr|Sra|Sig|Sigra|Dra)\b\.? ?"
    r"[^\W\d_a-zß-öø-ÿ][^\W\d_]+"
)
_INITIALED = re.compile(rf"(?<!\w)[^\W\d_a-zß-öø-ÿ]\. ?{_WORD}(?!\w)")
#: A code that is nothing but two words of letters, or "Surname, first name".
_A_NAME = re.compile(r"[^\W\d_]{2,}[,.]? [^\W\d_]{2,}|[^\W\d_]{3,}, ?[^\W\d_]{2,}.*")
#: The commonest codes of patients: too short for a day, a number of a person or a name.
_PLAIN_CODE = re.compile(r"[^\W\d_]{0,2}[-_]?\d{1,5}")

_PLAIN_WORDS = """
class division angle type upper lower left right anterior posterior deep open cross bite mild
moderate severe slight none north south east west central lateral first second third molar premolar
canine incisor arch tooth teeth gap crowding spacing skeletal dental normal good fair poor high low
phase group step stage round test control before after yes no unknown other
"""


@cache
def trade_words() -> frozenset[str]:
    """Words of the trade: two of them with capitals are no name."""
    texts = [_PLAIN_WORDS]
    for table in TABLES.values():
        for column in table.columns:
            texts += [column.name, *column.synonyms]
            texts += [word for code in column.codes for word in (code.name, *code.also)]
    for movement in MOVEMENTS.values():
        texts += [movement.name, movement.positive, movement.negative]
    return frozenset(re.findall(r"[^\W\d_]+", " ".join(texts).casefold().replace("_", " ")))


def gives_away(text: str) -> str:
    """What a text seems to hold of a person: a kind such as :data:`EMAIL`, ``""`` if nothing.

    Examples
    --------
    >>> gives_away("anna@example.org"), gives_away("born 3.4.1985"), gives_away("Anna Muster")
    ('an e-mail address', 'a date', "a person's name")
    >>> gives_away("Class II division 1"), gives_away("Deep Bite"), gives_away("11, 12, 13, 21")
    ('', '', '')
    """
    if "@" in text and _EMAIL.search(text):
        return EMAIL
    if any(c.isdigit() for c in text):
        if _SOME_DATE.search(text) or _is_a_long_day(text):
            return DATE
        if _PHONE.search(text):
            return PHONE
        if _NATIONAL.search(text):
            return NATIONAL
    return NAME if _holds_a_name(text) else ""


def _holds_a_name(text: str) -> bool:
    if _TITLED.search(text) or _INITIALED.search(text):
        return True
    words = trade_words()
    at = 0
    while match := _NAMES.search(text, at):
        if not {w.casefold() for w in match.groups()} & words:
            return True
        at = match.start(2)
    return False


def _is_a_long_day(text: str) -> bool:
    """Whether a text holds eight digits that are a day."""
    return any(_is_a_day(match) for match in _EIGHT.findall(text))


def _is_a_day(digits: str) -> bool:
    """Whether eight digits are a day from 1900 to 2099, in any of three orders."""
    year_first = (digits[:4], digits[4:6], digits[6:])
    day_first = (digits[4:], digits[2:4], digits[:2])
    month_first = (digits[4:], digits[:2], digits[2:4])
    return any(_valid(*parts) for parts in (year_first, day_first, month_first))


def _is_a_short_day(digits: str) -> bool:
    """Whether six digits are a day, in any of three orders."""
    orders = ((0, 2, 4), (4, 2, 0), (4, 0, 2))
    return any(_valid("20" + digits[y:][:2], digits[m:][:2], digits[d:][:2]) for y, m, d in orders)


def _valid(year: str, month: str, day: str) -> bool:
    if not 1900 <= int(year) <= 2099:
        return False
    try:
        dt.date(int(year), int(month), int(day))
    except ValueError:
        return False
    return True


def code_gives_away(code: str) -> str:
    """Like :func:`gives_away`, for the code of a patient.

    Examples
    --------
    >>> code_gives_away("Muster, Anna"), code_gives_away("M-19850403"), code_gives_away("P001")
    ("a person's name", 'a date', '')
    """
    if _PLAIN_CODE.fullmatch(code):
        return ""
    if _A_NAME.fullmatch(code):
        return NAME
    # A long number alone is what charts are numbered with.
    return "" if code.isdigit() and not _is_a_long_day(code) else gives_away(code)


def short_dates(codes: Iterable[str]) -> list[str]:
    """The codes with six digits that read as a day, where that is no chance: four of five, 5 at least.

    Examples
    --------
    >>> short_dates(["A030485", "B110990", "C241201", "D010175", "E300668"])[:2]
    ['A030485', 'B110990']
    >>> short_dates(["100234", "100235", "100236", "100237", "100238"])
    []
    """
    codes = list(codes)
    if not _SIX.search("\n".join(codes)):
        return []
    dated = [c for c in codes if any(_is_a_short_day(m) for m in _SIX.findall(c))]
    # Running numbers share their first digits, days of birth do not.
    apart = {_SIX.findall(c)[0][:4] for c in dated}
    many = len(dated) >= 5 and len(dated) >= 0.8 * len(codes) and 2 * len(apart) >= len(dated)
    return dated if many else []


def in_column(values: pd.Series, most: int | None = None) -> dict[str, np.ndarray]:
    """What a column gives away: kind -> True for each row that seems to hold it, shape (n,).

    ``most`` limits how many different texts are looked at.
    """
    if pd.api.types.is_datetime64_any_dtype(values):
        return {}
    if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
        numbers = values.to_numpy(dtype=float, na_value=np.nan)
        there = np.isfinite(numbers)
        long = there & (np.abs(numbers) >= LONG_NUMBER) & (numbers == np.floor(numbers))
        return {NATIONAL: long} if 2 * long.sum() > there.sum() else {}
    words = cells.texts(values)
    codes, uniques = pd.factorize(words)
    found = np.full(len(uniques), "", dtype=object)
    for i, word in enumerate(uniques[:most]):
        found[i] = gives_away(word)
    of_row = found[codes]
    return {str(kind): of_row == kind for kind in pd.unique(of_row) if kind}


def birth_dates(frame: pd.DataFrame, name: str, starts: pd.Series) -> np.ndarray:
    """True for each row whose date lies over five years before treatment, shape (n,).

    ``starts`` is the first day of each patient; where it knows none of them, the last date of the
    column takes its place.
    """
    days = frame[name]
    begun = pd.to_datetime(frame["patient"].map(starts.to_dict()))
    if begun.isna().all():
        begun = pd.Series(days.max(), index=frame.index)
    begun = begun.fillna(begun.min())
    return (days < begun - pd.DateOffset(years=BIRTH_YEARS)).to_numpy()


def starts_of(courses: pd.DataFrame | None) -> pd.Series:
    """First day known of each patient's courses."""
    if courses is None or "start" not in courses:
        return pd.Series(dtype="datetime64[us]")
    return courses.groupby("patient")["start"].min()


#: How reading begins to say that a spreadsheet turned a code into a date: it has listed that.
DATED = "a date where a code belongs"

#: Columns of the schema in which people type words of their own.
_WORDED = ("clinician", "reader", "malocclusion", "elastics", "anchorage")


def look_for_persons(tables: dict[str, Typed]) -> None:
    """List what looks identifiable in patient codes, texts and own columns; values are not shown."""
    courses = tables.get("courses")
    starts = starts_of(courses.frame if courses else None)
    seen: set[str] = set()
    for table in tables.values():
        live = table.kept
        _look_at_codes(live, table.sieve, seen)
        own = [name for name in table.named.extras if name in live]
        for name in [*own, *(n for n in _WORDED if n in live and n not in own)]:
            found = in_column(live[name], LOOKED_AT)
            if name not in _WORDED or name in own:
                found.pop(DATE, None)
            for kind, where in found.items():
                _note(live, table.sieve, name, where, f"this seems to hold {kind}")
            if name in own and pd.api.types.is_datetime64_any_dtype(live[name]):
                where = birth_dates(live, name, starts)
                # One slip of a century is no column of birth dates.
                if 2 * where.sum() > live[name].notna().sum():
                    _note(live, table.sieve, name, where, "these dates look like birth dates")


def _note(live: pd.DataFrame, sieve: Sieve, name: str, where: np.ndarray, problem: str) -> None:
    rows = live["row"].to_numpy()[where]
    if not len(rows):
        return
    sieve.note(
        name,
        f"{problem} ({counted(len(rows), 'row')}): the cohort may be identifiable",
        "Leave the column out before you share anything; `outcomes deidentify` writes a copy "
        "with codes.",
        value="(not shown)",
        row=int(rows[0]),
    )


def _look_at_codes(live: pd.DataFrame, sieve: Sieve, seen: set[str]) -> None:
    """Codes of patients that are names, addresses or hold a date; each code once."""
    first = live[["patient", "row"]].iloc[cells.first_rows(live["patient"])]
    turned = {v for f in sieve.found for v in f.loc[f["problem"].str.startswith(DATED), "value"]}
    first = first[~first["patient"].isin(seen | turned)]
    seen.update(first["patient"])
    for patient, row in first[["patient", "row"]].itertuples(index=False):
        kind = code_gives_away(str(patient))
        if kind:
            sieve.note(
                "patient",
                "this looks like a person's name"
                if kind == NAME
                else f"this code seems to hold {kind}"
                + (", a birth date perhaps" if kind == DATE else ""),
                "Use a code, such as P001; keep the list of codes apart.",
                value="(not shown)",
                row=int(row),
            )
    dated = short_dates(first["patient"].astype(str))
    if dated:
        at = int(first.loc[first["patient"] == dated[0], "row"].iloc[0])
        sieve.note(
            "patient",
            f"six digits that read as dates stand in {len(dated)} of {counted(len(first), 'code')}: "
            "birth dates perhaps",
            "Use codes that tell nothing, such as P001; keep the list of codes apart.",
            value="(not shown)",
            row=at,
        )
