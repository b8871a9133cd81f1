"""Which way a plus is in a file: told by its words for directions, or asked of its owner.

A sign says nothing by itself. Many practices write intrusion, or a turn clockwise, as positive;
and a file with the signs the other way round looks like any other. So where no word for a
direction bears the signs out, they are asked for once, for all movements together.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.cohort.cells import by_unique, clean_text, numbers, texts
from outcomes.cohort.mapping import evidence
from outcomes.cohort.mapping.questions import Asked, Question
from outcomes.cohort.mapping.spec import Mapping, said_word
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.names import direction
from outcomes.words.english import listed

#: From this share of words that agree with the signs on, the others are slips.
_AGREE = 0.5

NEITHER = "neither"
IT_DEPENDS = "neither: it depends on the arch, the side or the tooth"


def named(frame: pd.DataFrame, mapping: Mapping) -> np.ndarray:
    """Movement of each record, by the words of the mapping; (n,)."""
    meant = {said_word(word): movement for word, (movement, _) in mapping.movements.items()}
    return by_unique(frame["movement"], lambda v: meant.get(said_word(v), clean_text(v)))


def reversed_signs(
    mapping: Mapping, frame: pd.DataFrame, changes: pd.DataFrame, asked: Asked
) -> tuple[str, ...]:
    """Movements whose positive and negative are the other way round in the file.

    Parameters
    ----------
    mapping
        As known so far, without its reversed signs.
    frame
        Records as joined, with their words, (n,) rows.
    changes
        The same as changes with the signs of the file, (n,) rows.
    asked
        Answers given and questions found.
    """
    if mapping.sign == "words":
        return ()
    turned, unsaid = [], []
    shares = _shares(mapping, frame, changes)
    for movement in MOVEMENTS.values():
        where = changes["movement"].to_numpy(object) == movement.name
        sign = evidence.signs(changes, where)
        if not sign.positive + sign.negative:
            continue
        said, agree, of_all = shares.get(movement.name, (0, 0.0, False))
        if said and agree >= _AGREE:
            continue
        if said and not agree and (of_all or said >= evidence.ENOUGH):
            turned.append(movement.name)
        elif mapping.values == "changes" and sign.one_way and sign.unsigned:
            turned += _one_way(movement.name, sign.positive, asked)
        else:
            unsaid.append(movement.name)
    return tuple(m for m in MOVEMENTS if m in {*turned, *_plus(unsaid, changes, asked)})


def _shares(
    mapping: Mapping, frame: pd.DataFrame, changes: pd.DataFrame
) -> dict[str, tuple[int, float, bool]]:
    """Movement -> records with a word and a sign, share in which they agree, whether all have one."""
    of_word = {said_word(word): sign for word, (_, sign) in mapping.movements.items()}
    sign = by_unique(frame["movement"], lambda v: of_word.get(said_word(v), 0)).astype(int)
    movement = named(frame, mapping)
    if "direction" in frame:
        meant = {(m, said_word(w)): s for (m, w), s in mapping.directions.items()}
        words = by_unique(frame["direction"], said_word)
        pairs = zip(movement, words, strict=True)
        sign = np.where(sign == 0, [meant.get((str(m), w), 0) for m, w in pairs], sign)
    way = np.sign(np.nan_to_num(numbers(changes["planned"]).values)) if "planned" in changes else 0
    rows = pd.DataFrame({"movement": movement, "sign": sign, "way": way})
    rows = rows[rows["way"] != 0]
    found = {}
    for name, group in rows.groupby("movement"):
        told = group[group["sign"] != 0]
        agree = float((told["sign"] == told["way"]).mean()) if len(told) else 0.0
        found[str(name)] = (len(told), agree, len(told) == len(group))
    return found


def _one_way(name: str, positive: int, asked: Asked) -> list[str]:
    """A movement of which all numbers are positive, if its positive is the schema's negative."""
    movement = MOVEMENTS[name]
    answer = asked.ask(
        Question(
            f"one way:{name}",
            f"All {positive} planned numbers of {name} are positive. Which way is that? If both "
            f"ways are among them and no column tells them apart, they cannot be read: stop here, "
            f"and add the direction.",
            {
                "positive": f"all are {movement.positive}",
                "negative": f"all are {movement.negative}",
            },
            why="sizes without a sign, or a file with one direction only",
        )
    )
    return [name] if answer == "negative" else []


def _plus(names: list[str], changes: pd.DataFrame, asked: Asked) -> list[str]:
    """Of movements of which no word tells the direction, those whose plus is the schema's minus."""
    if not names or asked.questions:  # what else is open may change the movements
        return []
    meant = listed([f"{MOVEMENTS[n].positive} ({n})" for n in names])
    answer = asked.ask(
        Question(
            "plus",
            "Which way is a plus in this file?",
            {
                "usual": f"plus is {meant}; minus is the other way",
                "other": "not so in every movement: it is asked of each",
            },
            why=f"no word in the file says which way its signs mean; {_example(names, changes)}",
        )
    )
    if answer != "other":
        return []
    turned = []
    for name in names:
        movement = MOVEMENTS[name]
        said = asked.ask(
            Question(
                f"plus:{name}",
                f"Which way is a plus of {name} in this file?",
                {
                    "positive": movement.positive,
                    "negative": movement.negative,
                    NEITHER: IT_DEPENDS,
                },
                why="the sign alone does not say it",
            )
        )
        if said == "negative":
            turned.append(name)
        elif said == NEITHER:
            asked.lacking.append(no_one_meaning("a plus", name))
    return turned


def no_one_meaning(sign: str, name: str) -> str:
    """What to do about a sign or a word that means now one direction and now the other."""
    movement = MOVEMENTS[name]
    return (
        f"In {name}, {sign} has no one meaning: add a column with the direction of each record in "
        f"words ({movement.positive_direction}, {movement.negative_direction})."
    )


def _example(names: list[str], changes: pd.DataFrame) -> str:
    """A record with a sign, and what it would be read as."""
    values = numbers(changes["planned"]).values
    of_these = np.isin(changes["movement"].to_numpy(object).astype(str), names)
    where = np.flatnonzero(of_these & (values < 0))
    if not len(where):
        where = np.flatnonzero(of_these & (values > 0))
    row, value = changes.iloc[int(where[0])], float(values[where[0]])
    name = str(row["movement"])
    return (
        f"{row['place']}: {texts(pd.Series([row['tooth']]))[0]}, {name} {value:+g} would be read "
        f"as {direction(value, name) or name}"
    )
