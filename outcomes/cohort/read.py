"""Read a cohort: from a workbook, a folder, one movements table, or frames."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

import pandas as pd

from outcomes.cohort import checks, suspicion
from outcomes.cohort.headed import head
from outcomes.cohort.ledger import excluded, ledger
from outcomes.cohort.named import name_columns
from outcomes.cohort.problems import NOT_MEASURED, STOPPED, any_stop, gather, problem_frame
from outcomes.cohort.records import Cohort
from outcomes.cohort.settled import settle_notations
from outcomes.cohort.sources import Source, frames_hash, read_source, sheet_of
from outcomes.cohort.typed import Typed, blank_aims, type_columns
from outcomes.domain.tables import TABLES
from outcomes.domain.teeth import NOTATIONS, Notation
from outcomes.errors import CohortError, InputError
from outcomes.paths import data_path

__all__ = ["Cohort", "from_frames", "read_cohort"]


def read_cohort(
    path: str | Path, *, notation: Notation | None = None, strict: bool = True
) -> Cohort:
    """Read and check a cohort; the input is never changed.

    Parameters
    ----------
    path
        A workbook with a sheet for each table, a folder of ``.csv`` or ``.parquet`` files named
        after the tables, or one file with the movements. The movements table alone, with patient,
        tooth, movement, planned (mm or degrees) and achieved, is enough.
    notation
        How teeth are numbered: ``"fdi"``, ``"universal"`` or ``"quadrant"``. None: as the input
        says; numbers that could be two notations are a problem.
    strict
        Raise when the cohort cannot be analysed. With False, the cohort comes back without
        rows, with all its problems and a ledger that adds up.

    Returns
    -------
    Cohort

    Raises
    ------
    CohortError
        If there is a ``stop`` problem; its message lists every problem.
    FileNotFoundError
        If there is nothing at ``path``.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder, "cases.csv")
    ...     _ = file.write_text("patient,tooth,movement,planned,achieved\\n"
    ...                         "P1,43,rotation,12,8.5\\nP1,33,vertical,-0.8,\\n")
    ...     cohort = read_cohort(file)
    >>> cohort.ledger[["step", "reason", "rows"]].head(3)
           step                              reason  rows
    0      read                                         2
    1  excluded                    not measured yet     1
    2  analysed  planned movement: enters the rates     1
    """
    return _build(read_source(path), notation, strict=strict, invented=_is_demo(path))


def from_frames(
    movements: pd.DataFrame,
    patients: pd.DataFrame | None = None,
    courses: pd.DataFrame | None = None,
    measures: pd.DataFrame | None = None,
    repeats: pd.DataFrame | None = None,
    *,
    notation: Notation | None = "fdi",
    strict: bool = True,
    source: str = "frames",
    invented: bool = False,
    answered: Collection[str] = (),
) -> Cohort:
    """Build a cohort from frames, through the same checks as files go through.

    Parameters
    ----------
    movements, patients, courses, measures, repeats
        Tables with the schema's columns. Rows are numbered from 2, as in a spreadsheet with
        headings in row 1.
    notation
        How teeth are numbered: FDI unless said otherwise. None settles it from the numbers, as
        :func:`read_cohort` does.
    strict
        As in :func:`read_cohort`.
    source
        Name to show.
    invented
        Whether the records are invented.
    answered
        Keys of suspicions that are known to be unfounded (see ``outcomes.cohort.suspicion``), as
        "positions": they are not listed.

    Examples
    --------
    >>> rows = pd.DataFrame({"patient": ["P1", "P2"], "tooth": [43, 44], "movement": "rotation",
    ...                      "planned": [12.0, 0.0], "achieved": [8.5, 1.0]})
    >>> from_frames(rows)
    Cohort frames
      analysed: 2 movements of 2 patients; 0 rows of 2 excluded
      problems: none
    """
    given = {
        "movements": movements,
        "patients": patients,
        "courses": courses,
        "measures": measures,
        "repeats": repeats,
    }
    frames = {name: _input_columns(f) for name, f in given.items() if f is not None}
    sheets = {name: sheet_of(frame, name, name) for name, frame in frames.items()}
    found = Source(source, frames_hash(frames), sheets)
    return _build(found, notation, strict=strict, invented=invented, answered=answered)


def _input_columns(frame: pd.DataFrame) -> pd.DataFrame:
    """A cohort's own table without what reading had added to it."""
    added = ["tooth_class", "arch", "side", "direction", "unit", "tooth_site", "row"]
    if set(added) <= set(frame.columns):
        return frame.drop(columns=added)
    return frame.drop(columns="row") if frame.columns[-1:].tolist() == ["row"] else frame


def _is_demo(path: str | Path) -> bool:
    try:
        demo = data_path("synthetic_data")
    except FileNotFoundError:
        return False
    return Path(path).resolve().is_relative_to(demo.resolve())


def _build(
    source: Source,
    notation: Notation | None,
    *,
    strict: bool,
    invented: bool,
    answered: Collection[str] = (),
) -> Cohort:
    """From what was found at a path to a cohort, by the steps of reading.

    Source -> headed sheets -> named columns -> typed tables -> checked tables -> cohort. Each step
    makes new values, which carry the problems found so far, and leaves those of the step before as
    they are. A table of another layout is brought into the schema's between the headed sheet, which
    judges nothing, and the named columns.
    """
    if notation is not None and notation not in NOTATIONS:
        raise InputError(f"Notation {notation!r} is not one of {', '.join(NOTATIONS)}.")
    headed = {name: head(source.sheets[name]) for name in TABLES if name in source.sheets}
    named = settle_notations({n: name_columns(sheet) for n, sheet in headed.items()}, notation)
    typed = {name: type_columns(table) for name, table in named.items()}
    found = list(source.found)
    if "movements" not in typed and not any_stop(found):
        found.append(_no_movements(source))
    stopped = any_stop(found) or any(table.sieve.stopped for table in typed.values())
    checked = typed if stopped else _checked(typed, answered)
    invented = invented or source.invented
    return _cohort(source, found, checked, answered, strict=strict, invented=invented)


def _checked(tables: dict[str, Typed], answered: Collection[str]) -> dict[str, Typed]:
    """The fifth step: records and tables as wholes, once their cells are read."""
    tables = {name: table.further() for name, table in tables.items()}
    sieves = {name: table.sieve for name, table in tables.items()}
    for name, table in tables.items():
        checks.duplicates(table.frame, sieves[name])
    checks.movements(tables["movements"].frame, sieves["movements"])
    if "courses" in tables:
        checks.courses(tables["courses"].frame, sieves["courses"])
    checks.together({name: table.frame for name, table in tables.items()}, sieves)
    suspicion.note(tables, answered)
    if not sieves["movements"].kept.any():
        sieves["movements"].stop(
            "",
            "no movement is left to analyse",
            "Add rows with patient, tooth, movement, planned and achieved.",
        )
    return tables


def _cohort(
    source: Source,
    found: list[pd.DataFrame],
    tables: dict[str, Typed],
    answered: Collection[str],
    *,
    strict: bool,
    invented: bool,
) -> Cohort:
    """The last step: all problems in one list, the rows kept, and where the others went."""
    problems = gather([*found, *(f for table in tables.values() for f in table.sieve.found)])
    stopped = any_stop([problems])
    if not stopped:
        problems = pd.concat([*suspicion.lost_rows(tables, answered), problems], ignore_index=True)
    if stopped and strict:
        raise CohortError(problems, source.name)
    if stopped:
        tables = {name: table.further() for name, table in tables.items()}
        for table in tables.values():
            table.sieve.set_aside(table.sieve.kept, STOPPED)
    kept = {name: _finish(name, table.kept) for name, table in tables.items()}
    return Cohort(
        **{name: kept.get(name, _empty(name)) for name in TABLES},
        problems=problems,
        ledger=ledger(tables),
        excluded=excluded(tables),
        source=source.name,
        sha256=source.sha256,
        invented=invented,
        unmeasured=_empty("movements") if stopped else _unmeasured(tables["movements"]),
        blank_aims=_blank_aims(tables.get("movements")),
    )


def _blank_aims(movements: Typed | None) -> frozenset[int]:
    """Rows of movements in which no aim was written."""
    if movements is None:
        return frozenset()
    return frozenset(int(row) for row in movements.sieve.rows[blank_aims(movements.named)])


def _unmeasured(movements: Typed) -> pd.DataFrame:
    """Movements set aside for want of a result only, cleaned like those kept."""
    rows = movements.frame[movements.sieve.reason == NOT_MEASURED]
    return _finish("movements", rows) if len(rows) else _empty("movements")


def _no_movements(source: Source) -> pd.DataFrame:
    others = ", ".join(sheet.label for sheet in source.sheets.values())
    return problem_frame(
        "movements",
        None,
        "",
        source.name,
        "there is no movements table" + (f", only {others}" if others else ""),
        "Add a sheet called movements (or a file movements.csv) with columns "
        f"{', '.join(TABLES['movements'].required)}; `outcomes template` writes an empty workbook.",
        "stop",
    )


def _finish(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Final types and order of a table's kept rows."""
    types: dict[str, str] = {}
    for column in TABLES[name].columns:
        always = column.required or column.default is not None
        if column.kind in ("tooth", "integer"):
            types[column.name] = "int64" if always else "Int64"
        elif column.kind in ("identifier", "code", "text"):
            types[column.name] = "str"
        elif column.kind == "number":
            types[column.name] = "float64"
    names = [column.name for column in TABLES[name].columns if column.name in frame]
    others = [other for other in frame.columns if other not in names]
    frame = frame[names + others].reset_index(drop=True)
    frame = frame.astype({n: t for n, t in types.items() if n in frame})
    return checks.derive(frame) if name == "movements" else frame


def _empty(name: str) -> pd.DataFrame:
    columns = [c.name for c in TABLES[name].columns if c.required or c.default is not None]
    frame = pd.DataFrame({c: pd.Series(dtype=object) for c in columns})
    if name == "movements":
        frame["aim"] = pd.Series(dtype=float)
    return _finish(name, frame.assign(row=pd.Series(dtype="int64")))
