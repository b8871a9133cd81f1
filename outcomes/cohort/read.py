"""Read a cohort: from a workbook, a folder, one movements table, or frames."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.cohort import checks
from outcomes.cohort.cells import numbers
from outcomes.cohort.clean import (
    Raw,
    clean_table,
    open_table,
    set_aside_unmeasured,
    settle_notations,
)
from outcomes.cohort.problems import (
    NOT_MEASURED,
    STOPPED,
    Sieve,
    gather,
    ledger_lines,
    problem_frame,
)
from outcomes.cohort.records import PLANNED, UNPLANNED, Cohort
from outcomes.cohort.sources import Source, frames_hash, read_source, sheet_of
from outcomes.domain.tables import TABLES
from outcomes.domain.teeth import NOTATIONS, Notation
from outcomes.errors import CohortError, InputError

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
    return _build(found, notation, strict=strict, invented=invented)


def _input_columns(frame: pd.DataFrame) -> pd.DataFrame:
    """A cohort's own table without what reading had added to it."""
    added = ["tooth_class", "arch", "side", "direction", "unit", "tooth_site", "row"]
    if set(added) <= set(frame.columns):
        return frame.drop(columns=added)
    return frame.drop(columns="row") if frame.columns[-1:].tolist() == ["row"] else frame


def _is_demo(path: str | Path) -> bool:
    from outcomes.paths import data_path

    try:
        demo = data_path("synthetic_data")
    except FileNotFoundError:
        return False
    return Path(path).resolve().is_relative_to(demo.resolve())


def _build(source: Source, notation: Notation | None, *, strict: bool, invented: bool) -> Cohort:
    if notation is not None and notation not in NOTATIONS:
        raise InputError(f"Notation {notation!r} is not one of {', '.join(NOTATIONS)}.")
    found = list(source.found)
    stopped = any((f["severity"] == "stop").any() for f in found)
    if "movements" not in source.sheets and not stopped:
        found.append(_no_movements(source))
    raws = {name: open_table(source.sheets[name]) for name in TABLES if name in source.sheets}
    tables = _clean(raws, notation)
    blank_aims = _blank_aims(raws)
    sieves = {name: raw.sieve for name, raw in raws.items()}
    stopped = _any_stop(found) or any(_any_stop(s.found) for s in sieves.values())
    if not stopped:
        tables = _check(tables, sieves)
        if not sieves["movements"].kept.any():
            sieves["movements"].stop(
                "",
                "no movement is left to analyse",
                "Add rows with patient, tooth, movement, planned and achieved.",
            )
            stopped = True
    problems = gather([*found, *(f for s in sieves.values() for f in s.found)])
    if stopped and strict:
        raise CohortError(problems, source.name)
    if stopped:
        for sieve in sieves.values():
            sieve.set_aside(sieve.kept, STOPPED)
    kept = {name: _finish(name, tables[name][sieves[name].kept]) for name in tables}
    return Cohort(
        **{name: kept.get(name, _empty(name)) for name in TABLES},
        problems=problems,
        ledger=_ledger(raws, tables),
        excluded=_excluded(raws),
        source=source.name,
        sha256=source.sha256,
        invented=invented or source.invented,
        unmeasured=_unmeasured(tables, sieves) if not stopped else _empty("movements"),
        blank_aims=blank_aims,
    )


def _blank_aims(raws: dict[str, Raw]) -> frozenset[int]:
    """Rows of movements in which no aim was written."""
    if "movements" not in raws:
        return frozenset()
    raw = raws["movements"]
    rows = np.asarray(raw.sieve.rows)
    if "aim" in raw.frame:
        rows = rows[np.asarray(numbers(raw.frame["aim"]).blank, dtype=bool)]
    return frozenset(int(row) for row in rows)


def _unmeasured(tables: dict[str, pd.DataFrame], sieves: dict[str, Sieve]) -> pd.DataFrame:
    """Movements set aside for want of a result only, cleaned like those kept."""
    rows = tables["movements"][sieves["movements"].reason == NOT_MEASURED]
    return _finish("movements", rows) if len(rows) else _empty("movements")


def _any_stop(found: list[pd.DataFrame]) -> bool:
    return any((frame["severity"] == "stop").any() for frame in found)


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


def _clean(raws: dict[str, Raw], notation: Notation | None) -> dict[str, pd.DataFrame]:
    notations = settle_notations(raws, notation)
    tables = {}
    for name, raw in raws.items():
        frame = clean_table(raw, notations.get(name))
        if name == "movements":
            if "aim" not in frame:
                frame["aim"] = frame["planned"]
            else:
                blank = numbers(raw.frame["aim"]).blank
                frame["aim"] = frame["aim"].where(~blank, frame["planned"])
            frame = checks.stated_units(frame, raw.sieve)
        if name == "measures":
            settled = "tooth" not in raw.frame or notations.get(name) is not None
            frame = checks.measures(frame, raw.sieve, teeth_read=settled)
        tables[name] = frame
    for name, raw in raws.items():
        set_aside_unmeasured(raw, tables[name])
    return tables


def _check(tables: dict[str, pd.DataFrame], sieves: dict[str, Sieve]) -> dict[str, pd.DataFrame]:
    for name, frame in tables.items():
        checks.duplicates(frame, sieves[name])
    checks.movements(tables["movements"], sieves["movements"])
    if "courses" in tables:
        checks.courses(tables["courses"], sieves["courses"])
    checks.together(tables, sieves)
    return tables


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


def _ledger(raws: dict[str, Raw], tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    lines = []
    for name, raw in raws.items():
        if name == "movements":
            unplanned = tables[name]["planned"].astype(float).to_numpy() == 0
            kept = {PLANNED: ~unplanned, UNPLANNED: unplanned}
        else:
            kept = {"": np.ones(len(raw.frame), dtype=bool)}
        lines.append(ledger_lines(name, raw.patients, raw.sieve.reason, kept))
    if not lines:
        return ledger_lines(
            "movements",
            np.array([], dtype=object),
            np.array([], dtype=object),
            {PLANNED: np.array([], dtype=bool), UNPLANNED: np.array([], dtype=bool)},
        )
    return pd.concat(lines, ignore_index=True)


def _excluded(raws: dict[str, Raw]) -> pd.DataFrame:
    parts = []
    for name, raw in raws.items():
        out = ~raw.sieve.kept
        part = raw.frame[out].astype(object)
        labels = {"table": name, "row": raw.sieve.rows[out], "reason": raw.sieve.reason[out]}
        clash = {column: f"{column}_given" for column in part.columns if column in labels}
        parts.append(pd.DataFrame(labels).join(part.rename(columns=clash).reset_index(drop=True)))
    parts = [part for part in parts if len(part)]
    if not parts:
        return pd.DataFrame(columns=["table", "row", "reason", *TABLES["movements"].required])
    return pd.concat(parts, ignore_index=True)
