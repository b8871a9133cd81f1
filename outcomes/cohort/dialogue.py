"""The owner of a file confirms how it is read: columns shown, questions asked, records read back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from outcomes.cohort.mapping.questions import Question
from outcomes.cohort.mapping.spec import Mapping
from outcomes.cohort.proposal import Proposal
from outcomes.cohort.suspicion import LOST
from outcomes.words.english import counted


@dataclass(frozen=True)
class Voice:
    """How the dialogue speaks: a sentence, a table, a question with its options, yes or no."""

    say: Callable[[str], None]
    table: Callable[[str, pd.DataFrame], None]
    choose: Callable[[Question], str]
    confirm: Callable[[str], bool]


def confirmed(proposal: Proposal, voice: Voice, *, accept: bool = False) -> Mapping | None:
    """Ask until nothing is open, read records back, and give the mapping if its owner agrees.

    Parameters
    ----------
    proposal
        What is known of the file so far.
    voice
        How to speak with the owner.
    accept
        Ask nothing: give the mapping if nothing is doubtful and few records are lost; else None.

    Raises
    ------
    CannotAnswer
        If no sheet of the file holds movements.
    InputError
        If the answers together make no mapping.
    """
    voice.table("What the columns are taken for", proposal.columns)
    for label in proposal.draft.left:
        voice.say(f"Not read: {label or 'this table'}: no teeth and numbers of movements found.")
    while proposal.open:
        if accept:
            voice.table("Doubtful: to be answered first", proposal.questions)
            return None
        question = proposal.open[0]
        proposal = proposal.answer({question.key: voice.choose(question)})
    for key in proposal.draft.unused:
        voice.say(f"An answer to {key!r} was given and not needed: there is no such question.")
    mapping = proposal.accepted()
    cohort = proposal.read()
    read = int(cohort.ledger.query("table == 'movements' and step == 'read'")["rows"].sum())
    voice.say(
        f"{counted(read, 'record')} found; {counted(len(cohort.movements), 'movement')} of "
        f"{counted(cohort.movements['patient'].nunique(), 'patient')} can be used."
    )
    if len(cohort.problems):
        voice.table("What has to be looked at", cohort.problems)
    sentences = proposal.read_back()
    if not sentences:
        voice.say("No record can be used as it is read now: answer anew, or correct the file.")
        return None
    voice.say("Read back, with the directions as they will be used:")
    for sentence in sentences:
        voice.say(f"  {sentence}")
    lost = cohort.problems["problem"].str.endswith(LOST) | (cohort.problems["severity"] == "stop")
    if accept and lost.any():
        voice.say("Not accepted unseen: too much is left out, or what says 'stop' stands open.")
        return None
    if accept or voice.confirm("Is this what your file says, directions and sizes too?"):
        return mapping
    voice.say("Nothing was written. Run it again and answer otherwise, or correct the file.")
    return None


def answers_of(given: list[str]) -> dict[str, str]:
    """Answers typed as KEY=VALUE.

    Raises
    ------
    ValueError
        If one has no equals sign.

    Examples
    --------
    >>> answers_of(["values=positions", "direction:tip:mesial=positive"])
    {'values': 'positions', 'direction:tip:mesial': 'positive'}
    """
    answers = {}
    for text in given:
        key, sign, value = text.rpartition("=")
        if not sign or not key:
            raise ValueError(text)
        answers[key.strip()] = value.strip()
    return answers


def own_place(path: Path) -> str:
    """How a path is written in a command."""
    return f'"{path}"' if " " in str(path) else str(path)
