"""From what was found at a path to a cohort, by the steps of reading.

Source -> headed sheets -> named columns -> typed tables -> checked tables -> cohort. Each step
makes new values, which carry the problems found so far, and leaves those of the step before as
they are. A table of another layout is brought into the schema's by a mapping (``mapping/``), as a
headed sheet whose columns are known.
"""

from __future__ import annotations

import functools
from collections.abc import Collection

import numpy as np
import pandas as pd

from outcomes.cohort import cells, checks, suspicion
from outcomes.cohort.headed import head
from outcomes.cohort.identifying import look_for_persons
from outcomes.cohort.ledger import excluded, ledger
from outcomes.cohort.named import name_columns
from outcomes.cohort.problems import (
    FILE_STEP,
    NOT_MEASURED,
    OTHER_LAYOUT,
    STOPPED,
    any_stop,
    gather,
    problem_frame,
    said_where,
)
from outcomes.cohort.records import Cohort
from outcomes.cohort.settled import settle_notations
from outcomes.cohort.sources import Source
from outcomes.cohort.suspicion import Suspicion
from outcomes.cohort.typed import Typed, blank_aims, type_columns
from outcomes.domain.tables import TABLES
from outcomes.domain.teeth import NOTATIONS, Notation
from outcomes.errors import CohortError, InputError


def build(
    source: Source,
    notation: Notation | None = None,
    *,
    strict: bool,
    invented: bool,
    answered: Collection[str] = (),
) -> Cohort:
    """The cohort of one source; the options are those of ``read.read_cohort``."""
    found, typed = typed_tables(source, notation)
    if source.mapping is not None:
        answered = {*answered, *source.mapping.answered}
    stopped = any_stop(found) or any(table.sieve.stopped for table in typed.values())
    checked = typed if stopped else checked_tables(typed, answered)
    return cohort_of(
        source,
        found,
        checked,
        strict=strict,
        invented=invented or source.invented,
        places=places_of(source),
        answered=answered,
    )


def doubts(source: Source) -> list[Suspicion]:
    """What is suspicious about the records of a source, and not answered by its mapping."""
    found, tables = typed_tables(source, None)
    if any_stop(found) or any(table.sieve.stopped for table in tables.values()):
        return []
    answered = () if source.mapping is None else source.mapping.answered
    return suspicion.find(_wholes(tables), answered)


def typed_tables(
    source: Source, notation: Notation | None
) -> tuple[list[pd.DataFrame], dict[str, Typed]]:
    """The second to the fourth step, for every table; with the problems of the whole."""
    if notation is not None and notation not in NOTATIONS:
        raise InputError(f"Notation {notation!r} is not one of {', '.join(NOTATIONS)}.")
    headed = {name: head(source.sheets[name]) for name in TABLES if name in source.sheets}
    named = settle_notations({n: name_columns(sheet) for n, sheet in headed.items()}, notation)
    typed = {name: type_columns(table) for name, table in named.items()}
    found = list(source.found)
    if "movements" not in typed and not any_stop(found):
        found.append(_no_movements(source))
    return found, typed


def checked_tables(tables: dict[str, Typed], answered: Collection[str] = ()) -> dict[str, Typed]:
    """The fifth step: records and tables as wholes, and what is suspicious about them."""
    tables = _wholes(tables)
    suspicion.note(tables, answered)
    if not tables["movements"].sieve.kept.any():
        tables["movements"].sieve.stop(
            "",
            "no movement is left to analyse",
            f"Add rows with patient, tooth, movement, planned and achieved. {OTHER_LAYOUT}",
        )
    return tables


def _wholes(tables: dict[str, Typed]) -> dict[str, Typed]:
    """Records and tables as wholes, once their cells are read."""
    tables = {name: table.further() for name, table in tables.items()}
    sieves = {name: table.sieve for name, table in tables.items()}
    for name, table in tables.items():
        checks.duplicates(table.frame, sieves[name])
    checks.movements(tables["movements"].frame, sieves["movements"])
    if "courses" in tables:
        checks.courses(tables["courses"].frame, sieves["courses"])
    checks.together({name: table.frame for name, table in tables.items()}, sieves)
    look_for_persons(tables)
    return tables


def places_of(source: Source, file: int = 0) -> dict[int, str]:
    """Where each movement stands, by its row, if a mapping counted its records.

    ``file`` is the number of the source among several, from 0.
    """
    sheet = source.sheets.get("movements")
    if sheet is None:
        return {}
    return {row + file * FILE_STEP: place for row, place in sheet.places.items()}


def cohort_of(
    source: Source,
    found: list[pd.DataFrame],
    tables: dict[str, Typed],
    *,
    strict: bool,
    invented: bool,
    files: tuple[str, ...] = (),
    places: dict[int, str] | None = None,
    answered: Collection[str] = (),
) -> Cohort:
    """The last step: all problems in one list, the rows kept, and where the others went."""
    problems = gather([*found, *(f for table in tables.values() for f in table.sieve.found)])
    stopped = any_stop([problems])
    if not stopped:
        problems = pd.concat([*suspicion.lost_rows(tables, answered), problems], ignore_index=True)
    if places:
        problems = _placed(problems, places)
    if files:
        problems = said_where(problems, files)
    if stopped and strict:
        raise CohortError(problems, source.name)
    if stopped:
        tables = {name: table.further() for name, table in tables.items()}
        for table in tables.values():
            table.sieve.set_aside(table.sieve.kept, STOPPED)
    kept = {name: _finish(name, table.kept) for name, table in tables.items()}
    return Cohort(
        **{name: kept[name] if name in kept else _empty(name) for name in TABLES},
        problems=problems,
        ledger=ledger(tables),
        excluded=said_where(excluded(tables), files) if files else excluded(tables),
        source=source.name,
        sha256=source.sha256,
        invented=invented,
        unmeasured=_empty("movements") if stopped else _unmeasured(tables["movements"]),
        blank_aims=_blank_aims(tables.get("movements")),
        mapping=source.mapping,
        notation=tables["movements"].named.notation if "movements" in tables else "",
    )


def _placed(problems: pd.DataFrame, places: dict[int, str]) -> pd.DataFrame:
    """Problems with the place in the file of each record, where records are not its rows."""
    of_movements = problems["table"] == "movements"
    place = problems["row"].map(places).where(of_movements).fillna("").astype("str")
    columns = list(problems.columns)
    at = columns.index("row") + 1
    return problems.assign(place=place)[[*columns[:at], "place", *columns[at:]]]


def _blank_aims(movements: Typed | None) -> Collection[int]:
    """Rows of movements in which no aim was written."""
    if movements is None:
        return frozenset()
    rows = movements.sieve.rows
    if "aim" not in movements.named.frame and len(rows) and (np.diff(rows) == 1).all():
        return range(int(rows[0]), int(rows[-1]) + 1)
    return frozenset(movements.sieve.rows[blank_aims(movements.named)].tolist())


def _unmeasured(movements: Typed) -> pd.DataFrame:
    """Movements set aside for want of a result only, cleaned like those kept."""
    waits = movements.sieve.set_aside_for(NOT_MEASURED)
    return _finish("movements", movements.frame[waits]) if waits.any() else _empty("movements")


def _no_movements(source: Source) -> pd.DataFrame:
    others = ", ".join(sheet.label for sheet in source.sheets.values())
    return problem_frame(
        "movements",
        None,
        "",
        source.name,
        "there is no movements table" + (f", only {others}" if others else ""),
        "Add a sheet called movements (or a file movements.csv) with columns "
        f"{', '.join(TABLES['movements'].required)}; `outcomes template` writes an empty workbook. "
        f"{OTHER_LAYOUT}",
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
    moved = checks.derived(frame) if name == "movements" else {}
    types = {n: dtype for n, dtype in types.items() if n in frame}
    frame = cells.as_types(frame, types, moved)
    return frame[[*frame.columns.drop("row"), "row"]] if moved else frame


def _empty(name: str) -> pd.DataFrame:
    return _without_rows(name).copy()


@functools.cache
def _without_rows(name: str) -> pd.DataFrame:
    """A table with its columns and types, and no rows."""
    columns = [c.name for c in TABLES[name].columns if c.required or c.default is not None]
    frame = pd.DataFrame({c: pd.Series(dtype=object) for c in columns})
    if name == "movements":
        frame["aim"] = pd.Series(dtype=float)
    return _finish(name, frame.assign(row=pd.Series(dtype="int64")))
