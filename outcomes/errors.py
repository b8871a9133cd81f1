"""What can go wrong, in few classes: catch ``OutcomesError`` for all that the package says itself.

Every message names the reason and what to do about it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pandas as pd


class OutcomesError(Exception):
    """Base of all errors of the package."""


class InputError(OutcomesError, ValueError):
    """An argument, a table or a file is not what was asked for; the message says what to change."""


class CohortError(InputError):
    """The input cannot be analysed; lists every problem with its row and remedy.

    Attributes
    ----------
    problems
        Frame with table, row, column, value, problem, remedy, severity; the gravest first.
    """

    def __init__(self, problems: pd.DataFrame, source: str = "") -> None:
        self.problems = problems
        self.source = source
        super().__init__(self._message())

    def _message(self) -> str:
        stops = int((self.problems["severity"] == "stop").sum())
        head = f"{self.source or 'The cohort'} cannot be {self.cannot_be}: {stops} problem"
        head += f"{'s' if stops != 1 else ''} must be solved first."
        return "\n".join([head, *describe(self.problems)])

    #: What the problems stand in the way of.
    cannot_be = "analysed"


class Identifying(CohortError):
    """Columns or values may name persons: nothing is written until each is settled."""

    cannot_be = "de-identified"


class CannotJoin(CohortError):
    """Two cohorts cannot be joined before each problem of the list is settled."""

    cannot_be = "joined"


class Unreadable(InputError):
    """A file that cannot be opened as what its ending says, with a remedy."""

    def __init__(self, problem: str, remedy: str) -> None:
        super().__init__(problem)
        self.problem, self.remedy = problem, remedy


class CannotAnswer(OutcomesError, ValueError):
    """The data cannot answer the question; the message names the reason and the remedy."""


def require_columns(frame: pd.DataFrame, needed: Iterable[str], what: str = "The data") -> None:
    """Raise CannotAnswer, naming what there is, unless a frame has all the columns needed."""
    absent = [repr(name) for name in needed if name not in frame.columns]
    if absent:
        there = ", ".join(map(str, frame.columns)) or "none"
        raise CannotAnswer(f"No column {', '.join(absent)}. {what} have: {there}.")


class ModelError(CannotAnswer):
    """The mixed model cannot be fitted to these rows; the message names the reason."""


class NoOptimum(ModelError):
    """The search for the variances does not converge: a fit with fewer of them may."""


class ExactFit(ModelError):
    """The fixed effects explain every row, so that there is no variation to model."""


class OutputRefused(OutcomesError):
    """The output folder may not be written; the message says what to do."""


class ReportFailed(OutcomesError, RuntimeError):
    """A notebook stopped on the way; the message names the cell and the reason."""


ReportError = ReportFailed
"""``ReportFailed`` under the name it had, for those who catch it."""


def describe(problems: pd.DataFrame) -> list[str]:
    """One readable line for each problem.

    Examples
    --------
    >>> from outcomes.cohort.problems import problem_frame
    >>> describe(problem_frame("movements", 7, "tooth", 99, "no such tooth", "Use FDI.", "exclude"))
    ["exclude: movements, row 7, tooth '99': no such tooth. Use FDI."]
    """
    lines = []
    missing = problems["row"].isna()
    rows = [
        "" if gone else f"row {row}" for row, gone in zip(problems["row"], missing, strict=True)
    ]
    words = problems.drop(columns="row").astype(object).to_dict("records")
    for row, p in zip(rows, words, strict=True):
        named = f"{p['column']} {p['value']!r}" if p["column"] and p["value"] else ""
        named = named or p["column"] or p["value"]
        place = ", ".join(part for part in (p["table"], p.get("file"), row, named) if part)
        end = "" if p["problem"].endswith("?") else "."
        lines.append(f"{p['severity']}: {place}: {p['problem']}{end} {p['remedy']}")
    return lines
