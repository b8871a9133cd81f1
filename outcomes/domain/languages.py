"""Words of tables of tooth movements in seven languages: what a heading or a cell means.

en, de, fr, es, pt, it and sv (ISO 639-1). A word means something only where
it stands in the tables (``words_of_headings``, ``words_of_movements``, the schema) after
:func:`word_form`; what merely looks like one is a proposal (``near_...``) for its owner to confirm.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from functools import cache, lru_cache
from typing import TypeVar

from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.table_types import PERSONAL, UNIT_WORDS
from outcomes.domain.tables import TABLES
from outcomes.domain.words_of_headings import HEADINGS, SEVERAL
from outcomes.domain.words_of_movements import (
    ARCH_NAMES,
    ATTACHMENT_NAMES,
    DIRECTION_NAMES,
    MOVEMENT_NAMES,
    ORDINALS,
    SIDE_NAMES,
)

__all__ = [
    "arch_meaning",
    "attachment_meaning",
    "course_meaning",
    "direction_meaning",
    "heading_meanings",
    "movement_heading",
    "movement_meaning",
    "near_headings",
    "near_movements",
    "side_meaning",
    "word_form",
]

#: Tables whose columns a heading can mean; those of measures and repeats share names with these.
TABLES_OF_HEADINGS = ("movements", "patients", "courses")

_UNITS_IN_OTHERS = (
    "grad", "degré", "degrés", "grado", "grados", "grau", "graus", "gradi", "grader", "jahre",
    "ans", "años", "anos", "anni", "år", "stunden", "heures", "horas", "ore", "timmar", "std",
    "tage", "jours", "días", "dias", "giorni", "dagar", "millimeter", "millimètres", "milímetros",
    "millimetri", "mm or degrees", "mm/°", "mm, °",
)  # fmt: skip
Meaning = TypeVar("Meaning")

_BRACKETS = re.compile(r"\(([^()\[\]]*)\)|\[([^()\[\]]*)\]")
_NUMBER_SIGN = re.compile(r"\bn\.? ?[º°˚]", re.IGNORECASE)
_WORD = re.compile(r"[^\W_]+")
_LETTERS = str.maketrans({"ø": "o", "œ": "oe", "æ": "ae", "ł": "l", "đ": "d", "ı": "i"})


def word_form(text: object) -> str:
    """A word in the one form in which words are compared.

    Small letters without accents, words with one space between them; without punctuation and
    without units in brackets; ``ß`` is ``ss``, ligatures are their letters. None and NaN have the
    form ``""``.

    Examples
    --------
    >>> word_form("  Geplante_Bewegung (mm)"), word_form("Größe"), word_form("N.º du Cœur")
    ('geplante bewegung', 'grosse', 'no du coeur')
    """
    if text is None or text != text:
        return ""
    return _form(str(text))


@lru_cache(maxsize=4096)
def _form(text: str) -> str:
    found = unicodedata.normalize("NFKC", _NUMBER_SIGN.sub("no ", text))
    found = _BRACKETS.sub(_unless_unit, found)
    return " ".join(_WORD.findall(_folded(found)))


def _folded(text: str) -> str:
    for _ in range(2):  # casefold can undo what the decomposition did, but only once
        text = unicodedata.normalize("NFKD", text.casefold()).translate(_LETTERS)
        text = "".join(c for c in text if unicodedata.category(c) != "Mn")
    return text


def _unless_unit(match: re.Match[str]) -> str:
    inside = match[1] if match[1] is not None else match[2]
    return " " if _unit_key(inside) in _UNITS else f" {inside} "


def _unit_key(text: str) -> str:
    return "".join(_folded(text).split())


_UNITS = {_unit_key(w) for words in (*UNIT_WORDS.values(), _UNITS_IN_OTHERS) for w in words}
_LENGTHS = {w for unit in ("mm", "degree") for w in UNIT_WORDS[unit] if w.isalpha()}


def _words(entry: str) -> list[str]:
    """The words of an entry; those with umlauts or å in both spellings."""
    words = [word.strip() for word in entry.split(",")]
    spelt = [re.sub("[äöüÄÖÜ]", lambda m: f"{word_form(m[0])}e", word) for word in words]
    return list(dict.fromkeys(word_form(word) for word in (*words, *spelt)))


def _index(entries: Iterable[tuple[Meaning, Iterable[str]]]) -> dict[str, Meaning]:
    """Word -> meaning.

    Raises
    ------
    ValueError
        If a word has two meanings.
    """
    found: dict[str, Meaning] = {}
    for meaning, words in entries:
        for word in words:
            if word and found.setdefault(word, meaning) != meaning:
                raise ValueError(f"{word!r} means {found[word]!r} and {meaning!r}")
    return found


def _all_words(entries: Mapping[str, str]) -> list[str]:
    return [word for entry in entries.values() for word in _words(entry)]


# Headings -----------------------------------------------------------------------------------------


@cache
def _headings() -> dict[str, tuple[str, ...]]:
    """Form of a heading -> what it means."""
    several = _index((meanings, _words(entry)) for meanings, entry in SEVERAL.items())
    alone = _index(
        [
            *(((concept,), _all_words(entries)) for concept, entries in HEADINGS.items()),
            *(
                ((column.name,), _of_schema(column.name, *column.synonyms, but=several))
                for table in TABLES_OF_HEADINGS
                for column in TABLES[table].columns
            ),
            (("personal",), _of_schema(*PERSONAL["full"], *PERSONAL["part"], but=several)),
        ]
    )
    return _index([*((m, [w]) for w, m in alone.items()), *((m, [w]) for w, m in several.items())])


def _of_schema(*names: str, but: Iterable[str]) -> list[str]:
    return [form for form in map(word_form, names) if form not in set(but)]


def heading_meanings(text: object) -> tuple[str, ...]:
    """What a heading means.

    Parameters
    ----------
    text
        As written.

    Returns
    -------
    tuple of str
        Names of columns of the schema, or one of start_position, planned_position,
        achieved_position, direction, arch, side, quadrant, date, unit, remaining, personal. One where the
        heading can mean nothing else; several where only its owner knows; none where it is not
        known.

    Examples
    --------
    >>> heading_meanings("Geplant [mm]"), heading_meanings("T0"), heading_meanings("Final")
    (('planned',), ('start_position',), ('planned_position', 'achieved_position'))
    >>> heading_meanings("colour")
    ()
    """
    form = word_form(text)
    return _headings().get(form) or _headings().get(_without_unit(form), ())


def _without_unit(form: str) -> str:
    words = form.split(" ")
    return " ".join(words[:-1]) if words[-1] in _LENGTHS else form


def near_headings(text: object, limit: int = 3) -> list[tuple[str, float]]:
    """What a heading may mean, by its spelling: a proposal, never an answer.

    Parameters
    ----------
    text
        As written.
    limit
        How many at most.

    Returns
    -------
    list of (str, float)
        Concepts as in :func:`heading_meanings`, each once, with the likeness of the spelling from
        0 to 100; the likeliest first.

    Examples
    --------
    >>> near_headings("acheived", limit=1)
    [('achieved', 87.5)]
    """
    return _near(word_form(text), [(w, m) for w, ms in _headings().items() for m in ms], limit)


def _near(form: str, words: list[tuple[str, str]], limit: int) -> list[tuple[str, float]]:
    from rapidfuzz import fuzz

    best: dict[str, float] = {}
    for word, meaning in words:
        score = fuzz.ratio(form, word)
        if form and score > best.get(meaning, 0.0):
            best[meaning] = score
    ranked = sorted(best.items(), key=lambda pair: -pair[1])
    return [(meaning, round(score, 1)) for meaning, score in ranked[:limit]]


# Movements and directions -------------------------------------------------------------------------


def _sign(movement: str, direction: str) -> int:
    """The sign that ``movements`` gives a direction; 0 for none."""
    found = MOVEMENTS[movement]
    return {found.positive_direction: 1, found.negative_direction: -1, "": 0}[direction]


@cache
def _movements() -> dict[str, tuple[str, int]]:
    """Form of a movement's name -> movement and sign."""
    found = _index(
        ((movement, _sign(movement, direction)), _all_words(entries))
        for (movement, direction), entries in MOVEMENT_NAMES.items()
    )
    for movement in MOVEMENTS.values():
        names = (movement.name, movement.spoken, *movement.also)
        found |= {word_form(name): (movement.name, 0) for name in names if name}
        signs = _own_directions(movement.name).items()
        found |= {w: (movement.name, sign) for w, sign in signs if movement.name in w.split()}
    return found


def _own_directions(movement: str) -> dict[str, int]:
    known = MOVEMENTS[movement]
    positive = (known.positive, known.positive_direction)
    negative = (known.negative, known.negative_direction)
    return {word_form(w): 1 for w in positive} | {word_form(w): -1 for w in negative}


@cache
def _directions() -> dict[str, dict[str, int]]:
    """Movement -> form of a direction word -> sign."""
    found = {movement: _own_directions(movement) for movement in MOVEMENTS}
    named = _index((meant, _all_words(entries)) for meant, entries in DIRECTION_NAMES.items())
    for word, meant in named.items():
        for movement, direction in meant:
            found[movement][word] = _sign(movement, direction)
    for (movement, direction), entries in MOVEMENT_NAMES.items():
        if direction:
            found[movement] |= dict.fromkeys(_all_words(entries), _sign(movement, direction))
    return found


def movement_meaning(text: object) -> tuple[str, int] | None:
    """What a movement's name means, and the sign if it names a direction too.

    Parameters
    ----------
    text
        A cell of the column movement, or a heading of a table with a column for each movement.

    Returns
    -------
    (str, int) or None
        Movement of the schema; +1 or -1 as in ``movements``, 0 where the number's own sign tells.
        None where the word is not known, or means more than one movement: "mesial" is translation
        or tip; "buccal", "proclination" and their like are translation or torque; "tipping" in
        other languages than English is mesiodistal or buccolingual.

    Examples
    --------
    >>> movement_meaning("Intrusion"), movement_meaning("rotación"), movement_meaning("mesial")
    (('vertical', -1), ('rotation', 0), None)
    """
    form = word_form(text)
    return _movements().get(form) or _movements().get(_without_unit(form))


#: What a column of one movement can hold: "start" beside a movement is no date.
_OF_A_MOVEMENT = (
    "planned", "achieved", "aim", "remaining", "direction", "start_position", "planned_position",
    "achieved_position",
)  # fmt: skip


def movement_heading(text: object) -> tuple[str, int, str] | None:
    """A heading of a movement and of what stands below it, as in "Rotation geplant".

    Returns
    -------
    (str, int, str) or None
        Movement and sign as in :func:`movement_meaning`, and the one concept that the rest of the
        heading means (:func:`heading_meanings`); None where the heading is not both.

    Examples
    --------
    >>> movement_heading("Rotation geplant (°)"), movement_heading("achieved_vertical_mm")
    (('rotation', 0, 'planned'), ('vertical', 0, 'achieved'))
    >>> movement_heading("Torque start"), movement_heading("Torque final")
    (('torque', 0, 'start_position'), None)
    """
    words = _without_unit(word_form(text)).split(" ")
    for i in range(1, len(words)):
        start, end = " ".join(words[:i]), " ".join(words[i:])
        for name, rest in ((start, end), (end, start)):
            movement = movement_meaning(name)
            concepts = [c for c in heading_meanings(rest) if c in _OF_A_MOVEMENT]
            if movement is not None and len(concepts) == 1:
                return (*movement, concepts[0])
    return None


def near_movements(text: object, limit: int = 3) -> list[tuple[str, float]]:
    """What movement a name may mean, by its spelling: a proposal, never an answer.

    Returns
    -------
    list of (str, float)
        Movements of the schema, each once, with the likeness of the spelling from 0 to 100.

    Examples
    --------
    >>> near_movements("rottation", limit=1)
    [('rotation', 94.1)]
    """
    return _near(word_form(text), [(w, m) for w, (m, _) in _movements().items()], limit)


def direction_meaning(text: object, movement: str) -> int:
    """The sign of a direction word beside a movement.

    Parameters
    ----------
    text
        A cell of the column direction.
    movement
        Of the schema.

    Returns
    -------
    int
        +1 or -1 as in ``movements``; 0 where the word is not known or does not settle it. "In",
        "out", "up" and "down" do not (they depend on the arch or on the surface), nor do plus and
        minus or "clockwise" (they depend on who made the table). Torque and tip are those of the
        crown unless the word names the root.

    Examples
    --------
    >>> direction_meaning("mesial", "tip"), direction_meaning("nach distal", "mesiodistal")
    (1, -1)
    >>> direction_meaning("lingual root torque", "torque"), direction_meaning("up", "vertical")
    (1, 0)
    """
    return _directions().get(movement, {}).get(word_form(text), 0)


# Attachments, arches, sides, courses --------------------------------------------------------------


@cache
def _attachments() -> dict[str, str]:
    codes = TABLES["movements"].column("attachment").codes
    own = [(code.name, [word_form(w) for w in (code.name, *code.also)]) for code in codes]
    return _index([*own, *((code, _all_words(words)) for code, words in ATTACHMENT_NAMES.items())])


def attachment_meaning(text: object) -> str:
    """Code of the schema that a word for an attachment means; ``""`` where it is not known.

    Examples
    --------
    >>> attachment_meaning("rechteckig"), attachment_meaning("sans"), attachment_meaning("round")
    ('rectangular', 'none', '')
    """
    return _attachments().get(word_form(text), "")


@cache
def _places() -> tuple[dict[str, str], dict[str, str]]:
    arches, sides = (
        _index((name, _all_words(words)) for name, words in table.items())
        for table in (ARCH_NAMES, SIDE_NAMES)
    )
    return arches, sides


def arch_meaning(text: object) -> str:
    """``"upper"``, ``"lower"`` or, where the word is not known, ``""``.

    Examples
    --------
    >>> arch_meaning("Oberkiefer"), arch_meaning("arcada inferior"), arch_meaning("L")
    ('upper', 'lower', '')
    """
    return _places()[0].get(word_form(text), "")


def side_meaning(text: object) -> str:
    """``"right"``, ``"left"`` (the patient's) or, where the word is not known, ``""``.

    Examples
    --------
    >>> side_meaning("droite"), side_meaning("vänster"), side_meaning("middle")
    ('right', 'left', '')
    """
    return _places()[1].get(word_form(text), "")


@cache
def _ordinals() -> dict[str, int]:
    return _index((number, _words(entry)) for number, entry in ORDINALS.items())


_NUMBERED = re.compile(r"(\d{1,2})(?:st|nd|rd|th|a|e|er|re|eme|o|ra|da)?")


def course_meaning(text: object) -> int | None:
    """The number of the course that a title names; None where it names none.

    A number alone is none: it could be a patient's or a tooth's.

    Examples
    --------
    >>> course_meaning("Course 2"), course_meaning("2. Serie"), course_meaning("Deuxième série")
    (2, 2, 2)
    >>> course_meaning("2"), course_meaning("course 0")
    (None, None)
    """
    words = word_form(text).split(" ")
    for name, number in ((words[:-1], words[-1]), (words[1:], words[0])):
        if _headings().get(" ".join(name)) == ("course",):
            match = _NUMBERED.fullmatch(number)
            return (int(match[1]) if match else _ordinals().get(number, 0)) or None
    return None
