"""A new patient's aims: read and checked as a cohort is, with every problem listed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from outcomes.cohort.headed import Headed, head
from outcomes.cohort.headers import Headings
from outcomes.cohort.problems import any_stop, gather, problem_frame
from outcomes.cohort.read import from_frames
from outcomes.cohort.records import Cohort
from outcomes.cohort.sources import Sheet, pages_at, read_source, sheet_of
from outcomes.domain.teeth import Notation
from outcomes.errors import CohortError, InputError, Unreadable
from outcomes.words.english import capital, counted

__all__ = [
    "NEW_PATIENT",
    "Aims",
    "aims_counted",
    "aims_from_cohort",
    "left_out",
    "problem_words",
    "problems_of_rows",
    "read_aims",
]

NEW_PATIENT = "NEW"
"""The patient of aims that name none."""

_TABLE = "aims"
_KNOWN = ("patient", "tooth", "movement", "attachment", "auxiliary", "course", "ipr_mm")


@dataclass(frozen=True)
class Aims:
    """Aims that can be used, and what was wrong with the others.

    Attributes
    ----------
    rows
        row (as the spreadsheet shows it), patient, tooth (FDI), movement, unit, aim (mm or degree,
        not 0), tooth_class, arch, side, direction, and every other column given.
    problems
        table, row, column, value, problem, remedy, severity, and tooth and patient (as they stand
        in the row, "" for a problem of the table as a whole).
    source
        Name of the file, or "aims".
    holds
        Aims of 0, for teeth to keep where they are, with the columns of ``rows``; without rows
        unless they were asked for.
    """

    rows: pd.DataFrame
    problems: pd.DataFrame
    source: str
    holds: pd.DataFrame = field(default_factory=pd.DataFrame)


def read_aims(
    aims: pd.DataFrame | str | Path,
    *,
    movement: str | None = None,
    notation: Notation | None = None,
    holds: bool = False,
    usual: Notation | None = None,
) -> Aims:
    """Read aims from a frame, a spreadsheet or a CSV file, through the checks of a cohort.

    Parameters
    ----------
    aims
        Columns tooth and aim (mm or degrees, signed as in the cohort); movement, unless all aims
        are of one; perhaps patient, attachment, auxiliary, days (per aligner) and others. In a
        workbook the sheet called aims, or the only one.
    movement
        The movement of all aims, where there is no such column.
    notation
        How teeth are numbered; None: as the input says. Frames are FDI unless said otherwise.
    holds
        Whether an aim of 0 is one, a tooth to keep where it is; else it is a problem.
    usual
        How teeth are numbered where neither ``notation`` nor the input itself says so, as in the
        cohort that the aims go with.

    Raises
    ------
    InputError
        If it is no frame and no path.
    CohortError
        If nothing can be used; its message lists every problem with row and remedy.
    FileNotFoundError
        If there is nothing at the path.

    Examples
    --------
    >>> frame = pd.DataFrame({"tooth": [31, 41, 99], "aim": ["-1,5 mm", -2, 1]})
    >>> aims = read_aims(frame, movement="vertical")
    >>> aims.rows[["row", "tooth", "movement", "aim", "direction"]]
       row  tooth  movement  aim  direction
    0    2     31  vertical -1.5  intrusion
    1    3     41  vertical -2.0  intrusion
    >>> aims.problems[["row", "column", "severity"]]
       row column severity
    0    4  tooth  exclude
    """
    if isinstance(aims, pd.DataFrame):
        sheet, name = sheet_of(aims, "movements", _TABLE), _TABLE
        notation = notation or "fdi"
    elif isinstance(aims, (str, Path)):
        sheet, name = _sheet(Path(aims))
    else:
        raise InputError(
            f"Aims are a frame (tooth, movement, aim), or the path of a spreadsheet or CSV file, not "
            f"a {type(aims).__name__}."
        )
    headed = head(sheet)
    if notation is None and not _says_notation(headed.headings):
        notation = usual
    _check_headings(headed.headings, movement, name)
    frame, rows = _as_movements(headed, movement)
    cohort = from_frames(frame, notation=notation, strict=False, source=name, answered=_NOT_OF_AIMS)
    row_of = {i + 2: int(row) for i, row in enumerate(rows)}
    kept = cohort.movements.assign(row=cohort.movements["row"].map(row_of))
    zero = kept["planned"] == 0
    problems = gather(
        [
            _renamed(_relevant(cohort.problems), row_of),
            *(_renamed(_zero(int(row))) for row in kept.loc[zero, "row"] if not holds),
        ]
    )
    for column in ("tooth", "patient"):
        problems[column] = _written(problems, headed, column)
    usable = kept[~zero]
    stopped = any_stop([problems])
    held = kept[zero] if holds else kept[:0]
    if stopped or (usable.empty and held.empty):
        if not stopped:
            nothing = problem_frame(
                _TABLE, None, "", "", "no aim is left to plan for", "See the rows above.", "stop"
            )
            problems = gather([nothing, problems])
        raise CohortError(problems, name)
    return Aims(_finished(usable), problems, name, _finished(held))


def left_out(used: pd.DataFrame, problems: pd.DataFrame) -> pd.DataFrame:
    """The aims that no plan was asked for, with the reason.

    ``used`` are the aims in use, ``problems`` those of `Aims` or of a plan. A line for each row left
    out: row, tooth (as it stands there), reason.

    Examples
    --------
    >>> aims = read_aims(pd.DataFrame({"tooth": [31, 99], "aim": [-1, 1]}), movement="vertical")
    >>> left_out(aims.rows, aims.problems)[["row", "tooth", "reason"]].values.tolist()
    [[3, '99', 'no FDI tooth number']]
    """
    out = problems[(problems["severity"] == "exclude") & problems["row"].notna()]
    out = out[~out["row"].isin(used["row"])]
    if "tooth" not in out:
        out = out.assign(tooth="")
    table = out.assign(reason=out["problem"], tooth=out["tooth"].fillna(""))
    grouped = table.groupby("row").agg({"tooth": "first", "reason": "; ".join})
    return grouped.reset_index()


def aims_counted(used: pd.DataFrame, problems: pd.DataFrame) -> str:
    """How many aims were read, used and left out, as a sentence.

    Examples
    --------
    >>> aims = read_aims(pd.DataFrame({"tooth": [31, 99], "aim": [-1, 1]}), movement="vertical")
    >>> aims_counted(aims.rows, aims.problems)
    '2 aims read, 1 used, 1 left out.'
    """
    out = len(left_out(used, problems))
    total = len(used) + out
    return f"{counted(total, 'aim')} read, {len(used):,} used, {out:,} left out."


def problem_words(row: Any) -> str:
    """A problem, a row of the problems as a named tuple, as a sentence: where, what, what to do.

    Examples
    --------
    >>> found = problem_frame("aims", 13, "", "NEW", "the same record as row 12", "Delete it.", "")
    >>> problem_words(next(found.itertuples()))
    'Row 13: the same record as row 12. Delete it.'
    """
    where = ["" if pd.isna(row.row) else f"row {row.row}", str(row.column)]
    place = ", ".join(part for part in where if part)
    said = f"{row.problem}. {row.remedy}".strip()
    text = f"{place}: {said}" if place else said
    return capital(text)


def problems_of_rows(used: pd.DataFrame, problems: pd.DataFrame) -> dict[int, list[str]]:
    """What looks odd about aims that are used, in words: row -> sentences.

    An unknown word is listed once, at the first row that holds it; here every such row has it.

    Examples
    --------
    >>> aims = read_aims(pd.DataFrame({"tooth": [17], "aim": [90]}), movement="rotation")
    >>> problems_of_rows(aims.rows, aims.problems)[2][0].split(".")[0]
    'Aim 90: larger than 60 degrees'
    """
    said: dict[int, list[str]] = {}
    listed: list[Any] = list(problems.itertuples())
    for problem in listed:
        if problem.severity != "check":
            continue
        rows = used["row"] == (-1 if pd.isna(problem.row) else problem.row)
        if problem.column in ("attachment", "auxiliary") and problem.column in used:
            written = used[str(problem.column)].astype(str).str.casefold()
            rows |= written == str(problem.value).casefold()
        what = " ".join(str(part) for part in (problem.column, problem.value) if part)
        text = f"{what}: {problem.problem}. {problem.remedy}".strip()
        for row in used.loc[rows, "row"]:
            said.setdefault(int(row), []).append(capital(text))
    return said


def aims_from_cohort(cohort: Cohort | pd.DataFrame) -> pd.DataFrame:
    """The shortfalls of each patient's last course, as aims for the next.

    Returns
    -------
    DataFrame
        patient, tooth, movement, aim (aim - achieved), and attachment where recorded.

    Examples
    --------
    >>> rows = pd.DataFrame({"patient": "P001", "tooth": 41, "movement": "vertical",
    ...                      "course": [1], "planned": [-2.0], "achieved": [-1.2]})
    >>> aims_from_cohort(rows)[["tooth", "aim"]]
       tooth  aim
    0     41 -0.8
    """
    frame = cohort if isinstance(cohort, pd.DataFrame) else cohort.frame()
    aim = frame["planned"] if "aim" not in frame else frame["aim"].fillna(frame["planned"])
    last = frame["course"] == frame.groupby("patient")["course"].transform("max")
    named = ("patient", "tooth", "movement", "attachment", "auxiliary")
    keep = [c for c in named if c in frame.columns]
    left = frame.assign(aim=(aim - frame["achieved"]).round(6))[last & (aim != 0)]
    return left[[*keep, "aim"]].reset_index(drop=True)


def _sheet(path: Path) -> tuple[Sheet, str]:
    """The sheet with the aims, and the name of the file.

    Raises
    ------
    CohortError
        Where there is none.
    """
    try:
        pages = pages_at(path)
    except Unreadable:
        pages = []  # read_source says why
    for page in pages:
        if page.label.strip().casefold() in ("aims", "aim"):
            return Sheet("movements", page.label, page.cells, merged=page.marks.merged), path.name
    source = read_source(path)
    if "movements" in source.sheets:
        return source.sheets["movements"], source.name
    remedy = "Call the sheet with the aims aims, or keep no other sheet in the workbook."
    problem = "there is no table of aims"
    nothing = problem_frame(_TABLE, None, "", source.name, problem, remedy, "stop")
    raise CohortError(_renamed(pd.concat(source.found or [nothing])), source.name)


def _says_notation(headings: Headings) -> bool:
    """Does the heading of the teeth, or a column of its own, say how they are numbered?"""
    named = {heading.name for heading in headings.headings}
    tooth = headings.known.get("tooth")
    return bool(named & {"notation", "tooth_notation"}) or (
        tooth is not None and bool(headings.headings[tooth].notation)
    )


def _check_headings(headings: Headings, movement: str | None, name: str) -> None:
    """Raise where columns are missing, or stand there twice."""
    written = [heading.written for heading in headings.headings]
    twice = {n: headings.twice[n] for n in (*_KNOWN, "aim") if n in headings.twice}
    found = [_twice(n, [written[i] for i in places], name) for n, places in twice.items()]
    needed = ("tooth", "aim", *(["movement"] if movement is None else []))
    if not found:
        found = [_no_column(n, name) for n in needed if n not in headings.known]
    if found:
        raise CohortError(_renamed(pd.concat(found)), name)


def _as_movements(headed: Headed, movement: str | None) -> tuple[pd.DataFrame, np.ndarray]:
    """The aims as a movements table whose plan is the aim, cells as typed; and their rows."""
    name_at = {at: name for name, at in headed.headings.known.items()}
    columns: dict[str, pd.Series] = {}
    for i, heading in enumerate(headed.headings.headings):
        name = name_at.get(i)
        if name == "aim":
            unit = f" ({heading.unit})" if heading.unit else ""
            columns[f"planned{unit}"] = headed.body.iloc[:, i]
        elif name in _KNOWN or (name is None and heading.written):
            columns[heading.written] = headed.body.iloc[:, i]
    frame = pd.DataFrame(columns, index=headed.body.index)
    filled = ~(frame.isna() | (frame == "")).all(axis=1).to_numpy(bool)
    frame = frame[filled].reset_index(drop=True).assign(achieved="0")
    if "movement" not in headed.headings.known:
        frame["movement"] = str(movement)
    if "patient" not in headed.headings.known:
        frame["patient"] = NEW_PATIENT
    return frame, headed.rows[filled]


#: What is suspicious only about what was achieved, or about many patients.
_NOT_OF_AIMS = ("cumulative", "lost", "positions", "remaining", "signs")


def _relevant(problems: pd.DataFrame) -> pd.DataFrame:
    """Without what is said of the achieved column that was put in, or of equal aims."""
    made_up = problems["column"].eq("achieved") & (problems["severity"] == "check")
    alike = problems["problem"].str.startswith(("the same number in every row", "every planned"))
    return problems[~(made_up | alike)]


def _written(problems: pd.DataFrame, headed: Headed, column: str) -> list[str]:
    """What stands in a column, in the row of each problem; "" without such a column."""
    at = headed.headings.known.get(column)
    if at is None:
        return [""] * len(problems)
    cells = headed.body.iloc[:, at].fillna("")
    of = {int(row): str(text).strip() for row, text in zip(headed.rows, cells, strict=True)}
    return ["" if pd.isna(row) else of.get(int(row), "") for row in problems["row"]]


_WORDS = {
    "planned is blank": ("aim is blank", "Write where the tooth should end, or delete the row."),
    "several records of one patient + tooth + movement + course, not alike": (
        "several aims for one tooth and movement, not alike",
        "Delete the wrong one: which is right cannot be told from the file.",
    ),
    "no movement is left to analyse": ("no aim can be used", "Correct the rows listed."),
}


def _renamed(problems: pd.DataFrame, row_of: Mapping[int, int] | None = None) -> pd.DataFrame:
    row_of = row_of or {}
    problems = problems.copy()
    problems["table"] = _TABLE
    problems["column"] = problems["column"].replace({"planned": "aim"})
    rows = [row if pd.isna(row) else row_of.get(int(row), int(row)) for row in problems["row"]]
    problems["row"] = pd.array(rows, dtype="Int64")
    said = [
        _WORDS.get(problem, (problem.replace("planned", "aim"), remedy))
        for problem, remedy in zip(problems["problem"], problems["remedy"], strict=True)
    ]
    problems["problem"] = [problem for problem, _ in said]
    # a problem of the row as a whole: the patient it names says nothing
    problems.loc[problems["column"] == "", "value"] = ""
    problems["remedy"] = [remedy for _, remedy in said]
    return problems


def _no_column(column: str, name: str) -> pd.DataFrame:
    remedy = {
        "tooth": "Add a column headed tooth: FDI two-digit numbers, or say the notation.",
        "aim": "Add a column headed aim: where each tooth should end, in mm or degrees, signed as "
        "in the cohort.",
        "movement": "Add a column headed movement, or give the movement of all aims.",
    }[column]
    return problem_frame(_TABLE, None, column, name, f"there is no column {column}", remedy, "stop")


def _twice(column: str, written: list[str], name: str) -> pd.DataFrame:
    which = ", ".join(map(repr, written))
    problem = f"several columns could be {column}: {which}"
    remedy = f"Leave one column for {column}: which is meant cannot be told from the file."
    return problem_frame(_TABLE, None, column, name, problem, remedy, "stop")


def _zero(row: int) -> pd.DataFrame:
    remedy = "Delete the row, or write where the tooth should end."
    return problem_frame(_TABLE, row, "aim", 0, "aim is 0: nothing to plan", remedy, "exclude")


def _finished(kept: pd.DataFrame) -> pd.DataFrame:
    dropped = ["achieved", "aim", "course", "tooth_site"]
    rows = kept.drop(columns=dropped).rename(columns={"planned": "aim"}).reset_index(drop=True)
    first = ["row", "patient", "tooth", "movement", "unit", "aim"]
    return rows[[*first, *(c for c in rows.columns if c not in first)]]
