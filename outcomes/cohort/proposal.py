"""From a practice's own file to a mapping that its owner has confirmed."""

from __future__ import annotations

from collections.abc import Mapping as Dict
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.cohort.build import doubts
from outcomes.cohort.mapping.apply import mapped_sheet
from outcomes.cohort.mapping.choices import DOUBT, RIGHT, WRONG
from outcomes.cohort.mapping.opened import Opened, mapped_source, open_pages
from outcomes.cohort.mapping.propose import Draft, draft
from outcomes.cohort.mapping.questions import Question
from outcomes.cohort.mapping.spec import Mapping
from outcomes.cohort.read import read_cohort
from outcomes.cohort.records import Cohort
from outcomes.domain.names import direction
from outcomes.errors import CannotAnswer, InputError
from outcomes.words.english import capital
from outcomes.words.numbers import size

READ_BACK = 5


@dataclass(frozen=True, repr=False)
class Proposal:
    """A mapping proposed for a file, what is still to be asked, and what has been answered.

    Attributes
    ----------
    path
        The file or folder.
    answers
        Key of a question -> the option chosen.
    """

    path: Path
    opened: Opened = field(repr=False)
    answers: Dict[str, str]
    draft: Draft = field(repr=False)
    doubts: tuple[Question, ...] = field(default=(), repr=False)

    @property
    def columns(self) -> pd.DataFrame:
        """Heading, meaning, why and three sample cells of every column; its sheet if it has a name."""
        rows = []
        for layout in self.draft.layouts:
            for column in layout.columns:
                meaning, why = self.draft.meanings.get((layout.label, column.heading), ("", ""))
                if meaning or layout.label in {label for label, _ in self.draft.meanings}:
                    cells = "  |  ".join(column.samples)
                    rows.append([layout.label, column.heading, meaning, why, cells])
        names = ["sheet", "heading", "meaning", "why", "samples"]
        found = pd.DataFrame(rows, columns=names, dtype="str")
        return found if (found["sheet"] != "").any() else found.drop(columns="sheet")

    @property
    def open(self) -> tuple[Question, ...]:
        """Questions still to be answered."""
        return self.draft.questions or self.doubts

    @property
    def questions(self) -> pd.DataFrame:
        """Open questions: key, question, options, proposed, why."""
        rows = [
            [
                q.key,
                q.text,
                "; ".join(f"{key!r}: {meaning}" for key, meaning in q.options.items()),
                q.proposed,
                q.why,
            ]
            for q in self.open
        ]
        names = ["key", "question", "options", "proposed", "why"]
        return pd.DataFrame(rows, columns=names, dtype="str")

    def answer(self, answers: Dict[str, str] | None = None, **more: str) -> Proposal:
        """The proposal with further answers; each is one of the options of its question.

        Raises
        ------
        InputError
            If an answer is none of its question's options.
        """
        given = {**self.answers, **(answers or {}), **more}
        found = draft(self.opened.pages, given, file=self.opened.name, before=self.draft)
        return Proposal(self.path, self.opened, given, found, _doubts(self.path, found, given))

    def accepted(self) -> Mapping:
        """The mapping, where nothing is left to ask.

        Raises
        ------
        CannotAnswer
            If questions are open, or no sheet holds movements.
        """
        if self.draft.lacking:
            lines = "\n".join(f"- {text}" for text in self.draft.lacking)
            raise CannotAnswer(f"{self.opened.name} lacks what every record needs:\n{lines}")
        if self.open:
            keys = ", ".join(q.key for q in self.open)
            raise CannotAnswer(f"Still to be answered: {keys}.")
        if self.draft.mapping is None:
            raise CannotAnswer(
                f"No sheet of {self.opened.name} holds movements that can be told: a column of "
                f"teeth and one of planned or achieved numbers are needed."
            )
        return self.draft.mapping

    def read(self) -> Cohort:
        """The cohort as the mapping reads it, with all its problems; nothing is raised for them."""
        return read_cohort(self.path, mapping=self.accepted(), strict=False)

    def read_back(self, count: int = READ_BACK) -> list[str]:
        """Records in sentences, for the owner to hold against the file: every movement and way.

        Parameters
        ----------
        count
            How many at least, where there are so many.
        """
        cohort = self.read()
        places = mapped_sheet(self.opened.pages, self.accepted())[0].places
        return read_back(cohort, count, places)

    def __repr__(self) -> str:
        known = self.columns
        lines = [
            f"Proposal for {self.opened.name}: {len(known)} columns, {len(self.open)} open questions"
        ]
        lines += [f"  {r.heading}: {r.meaning} ({r.why})" for r in known.itertuples()]
        lines += [f"  asked: {q.text} [{q.key}]" for q in self.open]
        return "\n".join(lines)


def propose_mapping(path: str | Path, answers: Dict[str, str] | None = None) -> Proposal:
    """Propose how the records of a file in a layout of its own are to be read.

    Parameters
    ----------
    path
        A workbook, a text file, or a folder of such files.
    answers
        Answers to questions, by their key.

    Raises
    ------
    FileNotFoundError
        If there is nothing at ``path``.
    Unreadable
        If it is no table that can be read.
    InputError
        If an answer is none of its question's options.

    Examples
    --------
    >>> import tempfile, textwrap
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder, "cases.csv")
    ...     _ = file.write_text("Pat;Zahn;Bewegung;geplant;erreicht\\n"
    ...                         "P1;43;Intrusion;1,2;0,5\\nP2;31;Extrusion;0,8;0,7\\n")
    ...     proposal = propose_mapping(file)
    ...     print(list(proposal.questions["key"]))
    ...     for line in proposal.answer(sign="words").read_back():
    ...         print(textwrap.fill(line, 80))
    ['sign']
    row 2: P1, tooth 43, course 1: planned 1.20 mm (intrusion, crown and root towards
    the gum), got 0.50 mm the same way
    row 3: P2, tooth 31, course 1: planned 0.80 mm (extrusion, crown and root away
    from the gum), got 0.70 mm the same way
    """
    path = Path(path)
    opened, given = open_pages(path), dict(answers or {})
    found = draft(opened.pages, given, file=opened.name)
    return Proposal(path, opened, given, found, _doubts(path, found, given))


def _doubts(path: Path, found: Draft, answers: Dict[str, str]) -> tuple[Question, ...]:
    """What stays suspicious when everything else is answered, as questions.

    Raises
    ------
    InputError
        If an answer is none of the options.
    CannotAnswer
        If the owner has said that something is wrong: then the file has to be put right.
    """
    said = {k: v for k, v in answers.items() if k.startswith(DOUBT)}
    for key, answer in said.items():
        if answer == WRONG:
            raise CannotAnswer(
                f"{key.removeprefix(DOUBT)}: put the file right, then map it again; as it is, it "
                f"cannot be read."
            )
        if answer != RIGHT:
            raise InputError(f"{key}: {answer!r} is not one of {RIGHT!r}, {WRONG!r}.")
    if found.mapping is None or found.questions:
        return ()
    return tuple(
        Question(
            f"{DOUBT}{doubt.key}",
            f"{capital(doubt.problem)}. {doubt.question}",
            {
                RIGHT: "it is right as it is read now: changes, with their signs",
                WRONG: "something is wrong: nothing is written",
            },
            "",
            "seen in the records as they are read now",
        )
        for doubt in doubts(mapped_source(path, found.mapping))
    )


def read_back(
    cohort: Cohort, count: int = READ_BACK, places: Dict[int, str] | None = None
) -> list[str]:
    """Records of a cohort in sentences, at least one of every movement and direction.

    Parameters
    ----------
    cohort
        As read.
    count
        How many at least, where there are so many.
    places
        Where a record stands in the file, by its row; by default its row is that of the file.
    """
    rows = cohort.movements
    if rows.empty:
        return []
    way = np.sign(rows["planned"]).astype(int)
    first = rows.groupby([rows["movement"], way], sort=False).head(1).index
    second = rows[rows["course"] > 1].head(1).index
    spread = rows.index[np.linspace(0, len(rows) - 1, min(count, len(rows))).astype(int)]
    chosen = list(dict.fromkeys([*first, *second]))
    chosen += [i for i in spread if i not in chosen][: max(0, count - len(chosen))]
    stands = places or {}
    lines = []
    for _, row in rows.loc[sorted(chosen)].iterrows():
        number = int(row["row"])
        lines.append(f"{stands.get(number, f'row {number}')}: {_said(row)}")
    return lines


def _said(row: pd.Series) -> str:
    planned, achieved = float(row["planned"]), float(row["achieved"])
    movement, unit = str(row["movement"]), str(row["unit"])

    def words(value: float, of: float = 0.0) -> str:
        way = direction(value, movement, str(row["tooth_class"]), str(row["arch"]))
        said = "the same way" if value * of > 0 else f"({way})" if way else movement
        return f"{size(abs(value), unit)} {said}".replace("\u00a0", " ")

    attachment = row.get("attachment")
    more = f", attachment {attachment}" if isinstance(attachment, str) else ""
    asked = words(planned) if planned else f"no {movement}"
    return (
        f"{row['patient']}, tooth {row['tooth']}, course {row['course']}: planned {asked}, "
        f"got {words(achieved, planned) if achieved else f'no {movement}'}{more}"
    )
