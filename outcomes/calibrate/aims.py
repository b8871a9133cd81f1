"""A new patient's aims: read and checked as a cohort is, with every problem listed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.cohort.headers import Heading, find_headings, match_headings
from outcomes.cohort.read import from_frames
from outcomes.cohort.records import Cohort, CohortError
from outcomes.cohort.schema import TABLES
from outcomes.cohort.sieve import gather, problem_frame
from outcomes.cohort.sources import WORKBOOKS, Sheet, read_source, sheet_of, workbook_pages
from outcomes.cohort.teeth import Notation

__all__ = ["NEW_PATIENT", "Aims", "aims_from_cohort", "read_aims"]

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
        table, row, column, value, problem, remedy, severity.
    source
        Name of the file, or "aims".
    """

    rows: pd.DataFrame
    problems: pd.DataFrame
    source: str


def read_aims(
    aims: pd.DataFrame | str | Path,
    *,
    movement: str | None = None,
    notation: Notation | None = None,
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

    Raises
    ------
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
        sheet: Sheet | None = sheet_of(aims, "movements", _TABLE)
        name = _TABLE
        found: list[pd.DataFrame] = []
        notation = notation or "fdi"
    else:
        sheet, name, found = _sheet(Path(aims))
    if sheet is None:
        raise CohortError(_renamed(pd.concat(found), {}), name)
    headings, body, rows = _headed(sheet)
    places = _places(headings)
    lacking = [c for c in ("tooth", "aim") if c not in places]
    if movement is None and "movement" not in places:
        lacking.append("movement")
    if lacking:
        found += [_no_column(column, name) for column in lacking]
        raise CohortError(_renamed(pd.concat(found), {}), name)
    frame = _as_movements(headings, body, places, movement)
    cohort = from_frames(frame, notation=notation, strict=False, source=name)
    row_of = {i + 2: int(row) for i, row in enumerate(rows)}
    kept = cohort.movements.assign(row=cohort.movements["row"].map(row_of))
    zero = kept["planned"] == 0
    found += [_zero(int(row)) for row in kept.loc[zero, "row"]]
    cohort_problems = _relevant(cohort.problems)
    problems = gather([_renamed(cohort_problems, row_of), *(_renamed(f, {}) for f in found)])
    usable = kept[~zero]
    if (problems["severity"] == "stop").any() or usable.empty:
        if not (problems["severity"] == "stop").any():
            nothing = problem_frame(
                _TABLE, None, "", "", "no aim is left to plan for", "See the rows above.", "stop"
            )
            problems = gather([nothing, problems])
        raise CohortError(problems, name)
    return Aims(_finished(usable), problems, name)


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
    keep = [
        c for c in ("patient", "tooth", "movement", "attachment", "auxiliary") if c in frame.columns
    ]
    left = frame.assign(aim=(aim - frame["achieved"]).round(6))[last & (aim != 0)]
    return left[[*keep, "aim"]].reset_index(drop=True)


def _sheet(path: Path) -> tuple[Sheet | None, str, list[pd.DataFrame]]:
    """The sheet with the aims; problems where there is none."""
    if path.suffix.lower() in WORKBOOKS and path.is_file():
        named = _named_sheet(path)
        if named is not None:
            return named, path.name, []
    source = read_source(path)
    sheet = source.sheets.get("movements")
    found = [f for f in source.found if sheet is None]
    if sheet is None and not found:
        remedy = "Call the sheet with the aims aims, or keep no other sheet in the workbook."
        problem = "there is no table of aims"
        found = [problem_frame(_TABLE, None, "", source.name, problem, remedy, "stop")]
    return sheet, source.name, found


def _named_sheet(path: Path) -> Sheet | None:
    from outcomes.cohort.sources import Unreadable

    try:
        pages = workbook_pages(path.read_bytes())
    except Unreadable:
        return None  # read_source says why
    for label, cells in pages.items():
        if label.strip().casefold() in ("aims", "aim"):
            return Sheet("movements", label, cells)
    return None


def _headed(sheet: Sheet) -> tuple[tuple[Heading, ...], pd.DataFrame, np.ndarray]:
    """Headings, cells below them, and the row each stands in."""
    if sheet.headings is not None:
        found = match_headings(list(sheet.headings), TABLES["movements"])
        return found.headings, sheet.cells, np.arange(len(sheet.cells)) + 2
    found = find_headings(sheet.cells, TABLES["movements"])
    body = sheet.cells.iloc[found.at + 1 :] if found.headings else sheet.cells.iloc[:0]
    return found.headings, body, body.index.to_numpy() + 1


def _places(headings: tuple[Heading, ...]) -> dict[str, int]:
    return match_headings([h.written for h in headings], TABLES["movements"]).known


def _as_movements(
    headings: tuple[Heading, ...],
    body: pd.DataFrame,
    places: dict[str, int],
    movement: str | None,
) -> pd.DataFrame:
    """The aims as a movements table whose plan is the aim, cells as typed."""
    columns: dict[str, object] = {}
    for i, heading in enumerate(headings):
        name = next((n for n, at in places.items() if at == i), None)
        if name == "aim":
            columns["planned" + (f" ({heading.unit})" if heading.unit else "")] = body.iloc[:, i]
        elif name in _KNOWN or (name is None and heading.written):
            columns[heading.written] = body.iloc[:, i]
    frame = pd.DataFrame(columns, index=body.index).reset_index(drop=True)
    blank = (frame.isna() | (frame == "")).all(axis=1)
    frame["achieved"] = np.where(blank, "", "0")
    if "movement" not in places:
        frame["movement"] = np.where(blank, "", str(movement))
    if "patient" not in places:
        frame["patient"] = np.where(blank, "", NEW_PATIENT)
    return frame


def _relevant(problems: pd.DataFrame) -> pd.DataFrame:
    """Without what is said of the achieved column that was put in, or of equal aims."""
    made_up = problems["column"].eq("achieved") & (problems["severity"] == "check")
    alike = problems["problem"].str.startswith(("the same number in every row", "every planned"))
    return problems[~(made_up | alike)]


_WORDS = {
    "planned is blank": ("aim is blank", "Write where the tooth should end, or delete the row."),
    "no movement is left to analyse": ("no aim can be used", "Correct the rows listed."),
}


def _renamed(problems: pd.DataFrame, row_of: dict[int, int]) -> pd.DataFrame:
    problems = problems.copy()
    problems["table"] = _TABLE
    problems["column"] = problems["column"].replace({"planned": "aim"})
    problems["row"] = [
        row if pd.isna(row) else row_of.get(int(row), int(row)) for row in problems["row"]
    ]
    problems["row"] = problems["row"].astype("Int64")
    said = [
        _WORDS.get(problem, (problem.replace("planned", "aim"), remedy))
        for problem, remedy in zip(problems["problem"], problems["remedy"], strict=True)
    ]
    problems["problem"] = [problem for problem, _ in said]
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


def _zero(row: int) -> pd.DataFrame:
    remedy = "Delete the row, or write where the tooth should end."
    return problem_frame(_TABLE, row, "aim", 0, "aim is 0: nothing to plan", remedy, "exclude")


def _finished(kept: pd.DataFrame) -> pd.DataFrame:
    dropped = ["achieved", "aim", "course", "tooth_site"]
    rows = kept.drop(columns=dropped).rename(columns={"planned": "aim"}).reset_index(drop=True)
    first = ["row", "patient", "tooth", "movement", "unit", "aim"]
    return rows[[*first, *(c for c in rows.columns if c not in first)]]
