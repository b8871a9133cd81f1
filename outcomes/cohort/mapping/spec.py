"""A mapping: how the records in a practice's own file are to be read, as its owner confirmed it.

It is kept as a small TOML file beside the data. It holds headings and words of the file, never a
record.
"""

from __future__ import annotations

from collections.abc import Mapping as Dict
from dataclasses import dataclass, field

from outcomes.cohort.cells import clean_text
from outcomes.domain.languages import word_form
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.tables import TABLES
from outcomes.domain.teeth import NOTATIONS
from outcomes.errors import InputError

#: What a column can mean besides the columns of the movements table.
BESIDES = {
    "start": "position before the course",
    "direction": "word for the direction of the movement",
    "arch": "upper or lower",
    "side": "right or left",
    "quadrant": "quadrant, 1 to 4 (5 to 8 deciduous), or UR, UL, LL, LR",
    "unit": "unit of the numbers: mm, degrees, cm, µm or radians",
    "kind": "word that says what the number in the row is: planned, achieved, ...",
    "number": "the number that the column of kinds describes",
    "remaining": "what was left to do at the second scan",
    "percent": "what was achieved as a percentage of what was planned",
    "own": "a column of your own, kept under its heading",
    "drop": "not read",
}
MEANINGS = (*(column.name for column in TABLES["movements"].columns), *BESIDES)

#: Columns that hold a number of the movement.
NUMBERS = ("planned", "achieved", "aim", "start", "remaining", "percent")

#: The choices that hold for the whole file, each with what it can be; the first is the usual one.
CHOICES: dict[str, dict[str, str]] = {
    "values": {
        "changes": "planned and achieved are changes from the start of the course",
        "positions": "planned and achieved are positions; the start stands in a column of its own",
    },
    "counted_from": {
        "course": "the numbers of each course are counted from its own first scan",
        "treatment": "the numbers of later courses go on from the first scan of the treatment",
    },
    "sign": {
        "numbers": "the sign of the numbers gives the direction",
        "words": "the numbers have no sign: a word gives the direction",
    },
}

#: Movement -> its directions, the positive one first.
DIRECTIONS = {m.name: (m.positive_direction, m.negative_direction) for m in MOVEMENTS.values()}

#: Sources of a value that one whole part has in common.
FROM_SHEET = "name of the sheet"
FROM_TITLE = "title of the block"


@dataclass(frozen=True)
class Wide:
    """What the numbers under one heading of a wide table are.

    ``movement`` and ``tooth`` are "" where a column of the part gives them; ``number`` is one of
    ``NUMBERS``, or "kind" where the column of kinds says so; ``way`` is the direction, as
    ``movements`` calls it, where the heading names one.
    """

    number: str
    movement: str = ""
    tooth: str = ""
    course: int = 0
    way: str = ""


@dataclass(frozen=True)
class Part:
    """One sheet (or file) with records, and what its columns mean.

    Attributes
    ----------
    sheet
        Name of the sheet, or of the file in a folder; "" for a file with one table.
    headings
        Rows of the headings as the spreadsheet shows them: one, or two that are read together.
    columns
        Heading -> meaning, one of ``MEANINGS``.
    wide
        Heading -> what the numbers under it are.
    every_row
        Column -> the value that all rows have in common, or ``FROM_SHEET``, ``FROM_TITLE``.
    fill_down
        Headings whose blank cells repeat the value above.
    """

    sheet: str
    headings: tuple[int, ...]
    columns: Dict[str, str] = field(default_factory=dict)
    wide: Dict[str, Wide] = field(default_factory=dict)
    every_row: Dict[str, str | int] = field(default_factory=dict)
    fill_down: tuple[str, ...] = ()

    @property
    def means(self) -> set[str]:
        """Meanings that the part gives in whatever way."""
        wide = list(self.wide.values())
        found = {*self.columns.values(), *self.every_row, *(w.number for w in wide)}
        found |= {n for n in ("movement", "tooth", "course") if any(getattr(w, n) for w in wide)}
        return found


@dataclass(frozen=True)
class Mapping:
    """How the records of a file are read.

    Attributes
    ----------
    parts
        The sheets with records.
    notation
        How teeth are numbered, "" where the numbers settle it.
    values, counted_from, sign
        Keys of ``CHOICES``.
    movements
        Word of the file -> (movement, sign): sign −1, 0 or +1; 0 where the word has no direction.
    directions
        (movement, word of the file) -> sign.
    kinds
        Word in the column of kinds -> one of ``NUMBERS``, or "" for rows not to be read.
    attachments
        Word of the file -> value of the schema.
    reversed_signs
        Movements whose positive and negative are the other way round in the file.
    answered
        Keys of suspicions that the owner has answered.
    file
        Name of the file it was made for.
    """

    parts: tuple[Part, ...]
    notation: str = ""
    values: str = "changes"
    counted_from: str = "course"
    sign: str = "numbers"
    movements: Dict[str, tuple[str, int]] = field(default_factory=dict)
    directions: Dict[tuple[str, str], int] = field(default_factory=dict)
    kinds: Dict[str, str] = field(default_factory=dict)
    attachments: Dict[str, str] = field(default_factory=dict)
    reversed_signs: tuple[str, ...] = ()
    answered: tuple[str, ...] = ()
    file: str = ""

    def __post_init__(self) -> None:
        wrong = _wrong(self)
        if wrong:
            raise InputError("The mapping cannot be used:\n" + "\n".join(f"- {w}" for w in wrong))


def said_word(cell: object) -> str:
    """A word of the file in the form in which words are compared; a sign alone stays a sign.

    Examples
    --------
    >>> said_word(" Intrusion "), said_word("+"), said_word(None)
    ('intrusion', '+', '')
    """
    return word_form(cell) or clean_text(cell)


def _wrong(mapping: Mapping) -> list[str]:
    """Everything that keeps a mapping from being used."""
    wrong = []
    for choice, options in CHOICES.items():
        if getattr(mapping, choice) not in options:
            wrong.append(f"{choice} is one of {', '.join(options)}")
    if mapping.notation and mapping.notation not in NOTATIONS:
        wrong.append(f"notation is one of {', '.join(NOTATIONS)}")
    if not mapping.parts:
        wrong.append("no part of the file is named: add [[part]]")
    of_movement = [m for m, _ in mapping.movements.values()]
    of_movement += [m for m, _ in mapping.directions] + list(mapping.reversed_signs)
    of_movement += [w.movement for part in mapping.parts for w in part.wide.values() if w.movement]
    for name in dict.fromkeys(of_movement):
        if name not in MOVEMENTS and name:
            wrong.append(f"{name!r} is no movement: use one of {', '.join(MOVEMENTS)}")
    for name in mapping.kinds.values():
        if name and name not in NUMBERS:
            wrong.append(f"kind {name!r}: use one of {', '.join(NUMBERS)}, or nothing")
    for i, part in enumerate(mapping.parts, 1):
        wrong += [
            f"part {i}{f' ({part.sheet})' if part.sheet else ''}: {w}" for w in _wrong_in(part)
        ]
        if "kind" in part.columns.values():
            both = part.means & set(mapping.kinds.values()) - {""}
            wrong += [
                f"{n} is a column, and a kind of number too: leave one out" for n in sorted(both)
            ]
    given = set().union(*(part.means for part in mapping.parts)) if mapping.parts else set()
    lacking = {
        "patient": not given & {"patient"},
        "tooth": not given & {"tooth"},
        "planned": not given & {"planned", "kind"},
        "achieved": not given & {"achieved", "remaining", "percent", "kind"},
        "movement": not given & {"movement"},
    }
    wrong += [f"nothing is said to be {name}" for name, lacks in lacking.items() if lacks]
    if (
        mapping.values == "positions"
        and "start" not in given
        and "start" not in mapping.kinds.values()
    ):
        wrong.append("values are positions, but no column is the start")
    return wrong


def _wrong_in(part: Part) -> list[str]:
    wrong = []
    if not 1 <= len(part.headings) <= 2 or any(row < 1 for row in part.headings):
        wrong.append("headings are one row of the spreadsheet, or two, counted from 1")
    elif len(part.headings) == 2 and part.headings[1] != part.headings[0] + 1:
        wrong.append("two rows of headings stand one below the other")
    for heading, meaning in part.columns.items():
        if meaning not in MEANINGS:
            wrong.append(f"{heading!r} = {meaning!r}: use one of {', '.join(MEANINGS)}")
    meant = [m for m in part.columns.values() if m not in ("own", "drop")]
    for name in dict.fromkeys(m for m in meant if meant.count(m) > 1):
        wrong.append(f"two columns are said to be {name}")
    for heading, what in part.wide.items():
        if what.number not in (*NUMBERS, "kind"):
            wrong.append(f"{heading!r}: number is one of {', '.join(NUMBERS)}, kind")
        ways = ("", *DIRECTIONS.get(what.movement, ()))
        if what.way not in ways:
            wrong.append(f"{heading!r}: way is one of {', '.join(ways[1:]) or 'no movement'}")
        if heading in part.columns:
            wrong.append(f"{heading!r} stands among the columns and among the wide ones")
    for name, value in part.every_row.items():
        if name not in MEANINGS or name in ("own", "drop", "start", "kind", "number"):
            wrong.append(f"every_row: {name!r} cannot be the same in every row")
        elif name in meant:
            wrong.append(f"{name} is a column, and said to be the same in every row")
        elif value == FROM_TITLE and name not in ("patient", "course", "arch"):
            wrong.append(f"every_row: {name} cannot be the title of a block")
    for heading in part.fill_down:
        if heading not in part.columns:
            wrong.append(f"fill_down: {heading!r} is not among the columns")
    return wrong
