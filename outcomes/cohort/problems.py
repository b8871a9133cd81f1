"""What reading finds wrong, and which rows it sets aside."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from outcomes.cohort.cells import clean_text
from outcomes.domain.tables import TABLES

Cells = np.ndarray | pd.Series
"""The cells of a column, one for each row of a table."""

SEVERITIES = ("stop", "exclude", "check")
PROBLEM_COLUMNS = ["table", "row", "column", "value", "problem", "remedy", "severity"]

#: What to do with records in a layout of their own.
OTHER_LAYOUT = "Records in a layout of your own: `outcomes map FILE` asks how they are read."

#: Reasons that need no problem: nothing is wrong with these rows.
EXAMPLE_ROW = "the example row of the empty workbook"
HEADINGS_ROW = "a row of headings or units, not a record"
TOTALS_ROW = "a row of totals or means, not a record"
NOT_MEASURED = "not measured yet"
COPY = "the same record again"
STOPPED = "the cohort cannot be analysed: see the stop problems"


#: Rows of the second of several files are numbered from here on, of the third from twice this on.
FILE_STEP = 10_000_000


@dataclass
class Sieve:
    """Collects problems of one table, and the reason each row is set aside (``""``: kept).

    The first reason given to a row is the one the ledger shows; every problem is listed. Rows of
    several files are numbered apart by :data:`FILE_STEP`; ``files`` names the files.
    """

    table: str
    rows: np.ndarray
    found: list[pd.DataFrame] = field(default_factory=list)
    files: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        # Which of the reasons each row is set aside for: of a million rows most have the first.
        self._reasons = [""]
        self._which = np.zeros(len(self.rows), dtype=np.int32)

    def further(self) -> Sieve:
        """A sieve that goes on where this one stands, for the next step; this one stays as it is."""
        sieve = Sieve(self.table, self.rows, list(self.found), self.files)
        sieve._reasons, sieve._which = list(self._reasons), self._which.copy()
        return sieve

    @property
    def reason(self) -> np.ndarray:
        """Why each row is set aside, ``""`` for one that is kept; (n,)."""
        return self.reasons_of(slice(None))

    def reasons_of(self, where: np.ndarray | slice) -> np.ndarray:
        """Why the rows in ``where`` are set aside, as ``reason[where]``."""
        return np.array(self._reasons, dtype=object)[self._which[where]]

    def set_aside_for(self, reason: str) -> np.ndarray:
        """True for each row set aside for a reason; (n,)."""
        if reason not in self._reasons[1:]:
            return np.zeros(len(self.rows), dtype=bool)
        return self._which == self._reasons.index(reason)

    def place(self, row: int) -> str:
        """Where a row stands: ``row 7``, or ``row 7 of last.csv`` where there are several files."""
        if not self.files:
            return f"row {row}"
        return f"row {row % FILE_STEP} of {self.files[row // FILE_STEP]}"

    @property
    def stopped(self) -> bool:
        """Whether something makes the table impossible to analyse."""
        return any_stop(self.found)

    @property
    def kept(self) -> np.ndarray:
        """True for each row not set aside so far."""
        return self._which == 0

    def left(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The rows of the table that are not set aside."""
        return frame[self.kept] if self._which.any() else frame

    def set_aside(self, where: np.ndarray, reason: str) -> None:
        """Set rows aside without a problem: an example, or nothing measured yet."""
        self._set(where, reason)

    def give_reasons(self, reason: np.ndarray) -> None:
        """Give each row the reason it is set aside, ``""`` for one that is kept; (n,)."""
        reasons = ["", *(why for why in dict.fromkeys(reason.tolist()) if why)]
        places = {why: i for i, why in enumerate(reasons)}
        self._reasons = reasons
        self._which = np.array([places[why] for why in reason.tolist()], dtype=np.int32)

    def take_back(self, where: np.ndarray) -> None:
        """Keep rows that were set aside."""
        self._which[where] = 0

    def _set(self, where: np.ndarray, reason: str) -> None:
        first = where & self.kept
        if first.any():
            if reason not in self._reasons:
                self._reasons.append(reason)
            self._which[first] = self._reasons.index(reason)

    def exclude(
        self,
        where: np.ndarray,
        column: str,
        values: Cells,
        problem: str,
        remedy: str,
        *,
        each: np.ndarray | None = None,
    ) -> None:
        """List a problem of each row in ``where`` and set those rows aside.

        The ledger shows ``problem`` as the reason; ``each`` words it for every row of the table,
        shape (n,), where the list of problems can say more.
        """
        if not where.any():
            return
        listed = problem if each is None else each[where]
        self._list(where, column, values, listed, remedy, "exclude")
        named = not column or column in problem
        self._set(where, problem if named else f"{column}: {problem}")

    def check(
        self, where: np.ndarray, column: str, values: Cells, problem: str, remedy: str
    ) -> None:
        """List something to look at in each row in ``where``; the rows stay."""
        self._list(where, column, values, problem, remedy, "check")

    def check_values(
        self, where: np.ndarray, column: str, values: Cells, problem: str, remedy: str
    ) -> None:
        """Like :meth:`check`, but once for each distinct value, at the first row that holds it."""
        if not where.any():
            return
        at = np.flatnonzero(where)
        codes, uniques = pd.factorize(values[at])
        first = at[np.unique(codes, return_index=True)[1]]
        counts = np.bincount(codes)
        for i, (row, value) in enumerate(zip(first, uniques, strict=True)):
            more = f" (in {counts[i]} rows)" if counts[i] > 1 else ""
            self.note(column, problem + more, remedy, value=value, row=int(self.rows[row]))

    def note(
        self,
        column: str,
        problem: str,
        remedy: str,
        *,
        severity: str = "check",
        value: object = "",
        row: int | None = None,
    ) -> None:
        """List one problem of the table as a whole, or of one row."""
        self.found.append(problem_frame(self.table, row, column, value, problem, remedy, severity))

    def stop(self, column: str, problem: str, remedy: str, *, value: object = "") -> None:
        """List something that makes the table impossible to analyse."""
        self.note(column, problem, remedy, severity="stop", value=value)

    def _list(
        self,
        where: np.ndarray,
        column: str,
        values: Cells,
        problem: str | np.ndarray,
        remedy: str,
        severity: str,
    ) -> None:
        if not where.any():
            return
        frame = pd.DataFrame(
            {
                "table": self.table,
                "row": self.rows[where],
                "column": column,
                "value": [shown(v) for v in values[where].tolist()],
                "problem": problem,
                "remedy": remedy,
                "severity": severity,
            }
        )
        self.found.append(frame.astype({"row": "Int64"}))


def any_stop(found: Iterable[pd.DataFrame]) -> bool:
    """Whether one of the problems found stops the analysis."""
    return any((frame["severity"] == "stop").any() for frame in found)


def shown(value: object) -> str:
    """A cell's value for a list of problems: short, on one line."""
    text = clean_text(value)
    return text if len(text) <= 60 else text[:57] + "..."


def problem_frame(
    table: str,
    row: int | None,
    column: str,
    value: object,
    problem: str,
    remedy: str,
    severity: str,
) -> pd.DataFrame:
    """One problem as a frame with the columns of ``Cohort.problems``."""
    frame = pd.DataFrame(
        [[table, row, column, shown(value), problem, remedy, severity]], columns=PROBLEM_COLUMNS
    )
    return frame.astype({"row": "Int64"})


def gather(found: list[pd.DataFrame]) -> pd.DataFrame:
    """All problems in one frame: the gravest first, then by table, row and column."""
    if not found:
        empty = pd.DataFrame(columns=PROBLEM_COLUMNS)
        return empty.astype(dict.fromkeys(PROBLEM_COLUMNS, "str") | {"row": "Int64"})
    problems = pd.concat(found, ignore_index=True)
    order = pd.DataFrame(
        {
            "severity": problems["severity"].map({s: i for i, s in enumerate(SEVERITIES)}),
            "table": problems["table"].map({t: i for i, t in enumerate(TABLES)}).fillna(-1),
            "row": problems["row"].astype("float").fillna(0),
        }
    )
    order = order.sort_values(["severity", "table", "row"], kind="stable")
    text = {c: "str" for c in PROBLEM_COLUMNS if c != "row"}
    return problems.loc[order.index].reset_index(drop=True).astype(text)


def said_where(frame: pd.DataFrame, files: tuple[str, ...]) -> pd.DataFrame:
    """Problems or excluded rows of several files: the name of the file, and the row in it.

    Examples
    --------
    >>> rows = pd.DataFrame({"table": "movements", "row": [7, 10_000_007]})
    >>> said_where(rows, ("last.csv", "new.csv")).values.tolist()
    [['movements', 'last.csv', 7], ['movements', 'new.csv', 7]]
    """
    row = frame["row"].astype("Int64")
    of_row = (row // FILE_STEP).map(dict(enumerate(files)))
    known = frame["file"] if "file" in frame else pd.Series(None, index=frame.index, dtype=object)
    file = known.astype(object).where(known.notna(), of_row.astype(object)).fillna("")
    rest = frame.drop(columns="file", errors="ignore").assign(row=row % FILE_STEP)
    rest.insert(1, "file", file.astype("str"))
    return rest
