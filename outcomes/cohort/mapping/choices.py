"""What the words and numbers of a file mean, once its columns are known: settled, or asked."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pandas as pd

from outcomes.cohort.cells import clean_text, numbers, texts
from outcomes.cohort.headers import heading
from outcomes.cohort.mapping import evidence
from outcomes.cohort.mapping.join import join
from outcomes.cohort.mapping.layout import AS_MEANING, MINUS_SIGNS
from outcomes.cohort.mapping.pages import Pages
from outcomes.cohort.mapping.parts import all_records
from outcomes.cohort.mapping.questions import Asked, Question
from outcomes.cohort.mapping.signs import (
    IT_DEPENDS,
    NEITHER,
    named,
    no_one_meaning,
    reversed_signs,
)
from outcomes.cohort.mapping.spec import CHOICES, NUMBERS, Mapping, Part, said_word
from outcomes.cohort.mapping.values import settle
from outcomes.domain import teeth
from outcomes.domain.languages import (
    attachment_meaning,
    direction_meaning,
    heading_meanings,
    movement_meaning,
    near_movements,
)
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.tables import TABLES
from outcomes.errors import InputError

SKIP = "skip"

#: Before the key of a suspicion, as the key of a question.
DOUBT = "doubt:"
RIGHT, WRONG = "right", "wrong"


def settled(parts: tuple[Part, ...], pages: Pages, asked: Asked) -> Mapping | None:
    """The mapping of parts whose columns are known; None while a needed answer is missing."""
    try:
        mapping = Mapping(parts)
    except InputError as error:
        if not asked.questions:
            asked.lacking.append(str(error))
        return None
    kinds = _kinds(parts, pages, asked)
    mapping = replace(mapping, kinds=kinds)
    frame = join(all_records(mapping, pages), mapping).frame
    if not len(frame):
        return mapping
    mapping = replace(mapping, movements=_movements(frame, asked))
    mapping = _directions(mapping, frame, asked)
    mapping = _values(mapping, frame, asked)
    if {"sign", "values"} & {question.key for question in asked.questions}:
        return mapping
    changes = settle(frame, mapping)[0]
    mapping = _counted(mapping, changes, asked)
    return replace(
        mapping,
        reversed_signs=reversed_signs(mapping, frame, changes, asked),
        notation=_notation(parts, frame, asked),
        attachments=_attachments(frame),
    )


#: A question, or the kind it is of -> the suspicion that its answer settles.
SETTLES = {
    "values": "positions",
    "sign": "signs",
    "one way": "signs",
    "counted_from": "cumulative",
    "fill": "blocks",
}


def answered_by(keys: Iterable[str]) -> tuple[str, ...]:
    """Keys of the suspicions that answered questions settle, each once."""
    settled_ones = [SETTLES.get(key.split(":")[0], "") for key in keys]
    own = [key.removeprefix(DOUBT) for key in keys if key.startswith(DOUBT)]
    return tuple(sorted({*settled_ones, *own} - {""}))


def _words(cells: Iterable[object]) -> list[str]:
    """Distinct words of a column, as written, each form once."""
    found: dict[str, str] = {}
    for word in cells:
        text = clean_text(word)
        if text:
            found.setdefault(said_word(text), text)
    return list(found.values())


def _kinds(parts: tuple[Part, ...], pages: Pages, asked: Asked) -> dict[str, str]:
    kinds: dict[str, str] = {}
    for part in parts:
        for name, meaning in part.columns.items():
            if meaning != "kind":
                continue
            # With no word known, every row is unknown and shows its word.
            bare = Mapping(parts)
            seen = [r.frame for r in all_records(bare, pages) if len(r.frame)]
            words = [
                t.value for f in seen for t in f["trouble"] if t is not None and t.column == "kind"
            ]
            for word in _words(words):
                known = [AS_MEANING.get(m, m) for m in heading_meanings(word)]
                known = [m for m in known if m in NUMBERS]
                if len(known) == 1:
                    kinds[word] = known[0]
                    continue
                options = {n: f"the number is {n}" for n in NUMBERS}
                options[SKIP] = "rows with this word are not read"
                answer = asked.ask(
                    Question(
                        f"kind:{word}",
                        f"What does {word!r} in {name!r} mean?",
                        options,
                        why="no word for a kind of number that is known",
                    )
                )
                if answer:
                    kinds[word] = "" if answer == SKIP else answer
    return kinds


def _movements(frame: pd.DataFrame, asked: Asked) -> dict[str, tuple[str, int]]:
    """Words for movements that are not the schema's own."""
    found: dict[str, tuple[str, int]] = {}
    names = {movement: (movement, 0) for movement in MOVEMENTS}
    for word in _words(frame["movement"]):
        meant = movement_meaning(word)
        if meant is not None:
            if word != meant[0]:
                found[word] = meant
            continue
        options: dict[str, str] = {}
        said: dict[str, tuple[str, int]] = dict(names)
        for movement in MOVEMENTS.values():
            options[movement.name] = f"{movement.name}; the number's sign gives the direction"
            for sign, direction in ((1, movement.positive), (-1, movement.negative)):
                key = f"{movement.name} {'positive' if sign > 0 else 'negative'}"
                options[key] = f"{movement.name}: {direction}"
                said[key] = (movement.name, sign)
        options[SKIP] = "rows with this word are left out, and listed"
        near = [name for name, likeness in near_movements(word, limit=1) if likeness >= 70]
        answer = asked.ask(
            Question(
                f"movement:{word}",
                f"Which movement is {word!r}?",
                options,
                near[0] if near else "",
                "a word with several meanings, or none that is known",
            )
        )
        if answer and answer != SKIP:
            found[word] = said[answer]
    return found


def _directions(mapping: Mapping, frame: pd.DataFrame, asked: Asked) -> Mapping:
    """Whether words give the direction, and what each means."""
    of_words = any(sign for _, sign in mapping.movements.values())
    column = "direction" in frame and (texts(frame["direction"]) != "").any()
    if not of_words and not column:
        return mapping
    sign = evidence.signs(frame)
    answer = asked.ask(
        Question(
            "sign",
            "Does the sign of the numbers give the direction, or only the word?",
            CHOICES["sign"],
            "words" if sign.unsigned else "numbers",
            f"there are words for directions; {sign.negative} of "
            f"{sign.positive + sign.negative} planned numbers are negative",
        )
    )
    found: dict[tuple[str, str], int] = {}
    if column:
        pairs = pd.DataFrame({"m": named(frame, mapping), "w": texts(frame["direction"])})
        for name, word in pairs.drop_duplicates().itertuples(index=False):
            movement = MOVEMENTS.get(str(name))
            if movement is None or not word:
                continue
            minus = clean_text(word) in MINUS_SIGNS
            asked_of = "+" if minus else word
            meant = direction_meaning(word, movement.name)
            if not meant:
                said = asked.ask(
                    Question(
                        f"direction:{movement.name}:{asked_of}",
                        f"Which way is {asked_of!r} in {movement.name}?",
                        {
                            "positive": movement.positive,
                            "negative": movement.negative,
                            NEITHER: IT_DEPENDS,
                        },
                        why="a word that is not known, or that depends on the arch",
                    )
                )
                if said == NEITHER:
                    asked.lacking.append(no_one_meaning(repr(asked_of), movement.name))
                meant = {"positive": 1, "negative": -1}.get(said or "", 0) * (-1 if minus else 1)
            if meant:
                found[movement.name, word] = meant
    return replace(mapping, sign=answer or mapping.sign, directions=found)


def _values(mapping: Mapping, frame: pd.DataFrame, asked: Asked) -> Mapping:
    """Changes or positions: asked wherever a start stands or a heading speaks of positions."""
    start = "start" in frame
    headings = [
        h
        for part in mapping.parts
        for h in (*(h for h, m in part.columns.items() if m in NUMBERS), *part.wide)
    ]
    spoken = [h for h in headings if _of_positions(h)]
    if not start and not spoken:
        return mapping
    options = dict(CHOICES["values"])
    text = "Are planned and achieved changes, or positions?"
    if not start:
        del options["positions"]
        text += " Positions cannot be read without a column of the start: add one if they are."
    why = evidence.positions(frame)
    if not why and spoken:
        why = f"the heading {spoken[0]!r} may mean a position"
    answer = asked.ask(Question("values", text, options, "positions" if start else "", why))
    if answer == "changes" and start:
        parts = tuple(
            replace(p, columns={h: "own" if m == "start" else m for h, m in p.columns.items()})
            for p in mapping.parts
        )
        return replace(mapping, parts=parts)
    return replace(mapping, values=answer or mapping.values)


def _of_positions(heading: str) -> bool:
    meanings = heading_meanings(heading)
    return bool(meanings) and all(m.endswith("_position") for m in meanings)


def _counted(mapping: Mapping, frame: pd.DataFrame, asked: Asked) -> Mapping:
    """From where later courses are counted: asked where they look as if they went on."""
    if mapping.values == "positions":
        return mapping
    found, begins = evidence.continuing(frame), evidence.begins_where_ended(frame)
    if not found.likely and not begins:
        return mapping
    answer = asked.ask(
        Question(
            "counted_from",
            "From where are the numbers of a second course counted?",
            CHOICES["counted_from"],
            "treatment" if begins else "",
            f"in {found.going_on} of {found.pairs} pairs of courses the plan of the later one lies "
            f"beyond what the earlier one achieved",
        )
    )
    return replace(mapping, counted_from=answer or mapping.counted_from)


def _notation(parts: tuple[Part, ...], frame: pd.DataFrame, asked: Asked) -> str:
    said = {heading(h).notation for p in parts for h, m in p.columns.items() if m == "tooth"} - {""}
    if len(said) == 1:
        return said.pop()
    if {"arch", "side", "quadrant"} & set(frame):
        return "fdi"
    tokens = {teeth.tooth_token(v) for v in frame["tooth"]} - {""}
    found = teeth.settle_notation(tokens)
    if found.notation or not found.fits:
        return found.notation or ""
    answer = asked.ask(
        Question(
            "notation",
            "How are the teeth numbered?",
            {n: teeth.describe_notation(n) for n in found.fits},
            why=f"the numbers could be {' or '.join(teeth.NOTATION_NAMES[n] for n in found.fits)}",
        )
    )
    return answer or ""


def _attachments(frame: pd.DataFrame) -> dict[str, str]:
    if "attachment" not in frame:
        return {}
    own = {code.name for code in TABLES["movements"].column("attachment").codes}
    found = {}
    for word in _words(frame["attachment"]):
        meant = attachment_meaning(word)
        if meant and word not in own and not np.isfinite(numbers(pd.Series([word])).values[0]):
            found[word] = meant
    return found
