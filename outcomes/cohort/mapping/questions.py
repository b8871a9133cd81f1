"""Questions that only the owner of a file can answer, and the answers given."""

from __future__ import annotations

from collections.abc import Mapping as Dict
from dataclasses import dataclass, field

from outcomes.errors import InputError


def key_of(kind: str, label: str, name: str) -> str:
    """Key of a question about something in a sheet.

    Examples
    --------
    >>> key_of("fill", "Records", "patient"), key_of("again", "", "")
    ('fill:Records:patient', 'again')
    """
    return ":".join(part for part in (kind, label, name) if part)


@dataclass(frozen=True)
class Question:
    """One thing that only the owner knows.

    ``options``: what can be answered -> what it means. ``proposed`` is one of them, or "".
    """

    key: str
    text: str
    options: Dict[str, str]
    proposed: str = ""
    why: str = ""


@dataclass
class Asked:
    """Answers given, questions found, and what has been settled on the way."""

    answers: Dict[str, str]
    questions: list[Question] = field(default_factory=list)
    used: set[str] = field(default_factory=set)
    lacking: list[str] = field(default_factory=list)

    def ask(self, question: Question) -> str | None:
        """The answer to a question, None while it is open.

        A question that has no option is none: what it asks for is lacking in the file.

        Raises
        ------
        InputError
            If the answer is none of the options.
        """
        if not question.options:
            self.lacking.append(f"{question.text} {question.why}")
            return None
        if question.key not in self.answers:
            if question.key not in [known.key for known in self.questions]:
                self.questions.append(question)
            return None
        answer = self.answers[question.key]
        self.used.add(question.key)
        if answer not in question.options:
            options = ", ".join(repr(o) for o in question.options)
            raise InputError(f"{question.key}: {answer!r} is not one of {options}.")
        return answer
