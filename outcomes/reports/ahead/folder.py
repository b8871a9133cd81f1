"""The folder of next courses: a sheet for each patient, the tables behind them, provenance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from outcomes.cohort.problems import gather
from outcomes.reports.ahead.results import Ahead
from outcomes.reports.ahead.sheet import write_next_sheets
from outcomes.reports.build.provenance import provenance, write_provenance
from outcomes.reports.sheet.words import past_words
from outcomes.words.safe import write_csv

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["write_folder"]

TABLES = (
    "so_far", "expected", "holds", "stages", "unlikely", "alternatives", "arch", "intervals", "flags",
)  # fmt: skip
"""Tables of a next course that are written as they are."""


def write_folder(
    found: Sequence[Ahead],
    cohort: Cohort,
    folder: str | Path,
    *,
    seed: int = 1,
    options: Mapping[str, Any] | None = None,
) -> list[Path]:
    """Write sheets, tables and provenance of next courses into a folder; the sheets' paths.

    Parameters
    ----------
    found
        What ``run_next`` returns.
    cohort
        What was learnt from.
    folder
        Where to; to have all of it whole or not at all, give a folder that is moved into place.
    seed, options
        For the provenance.
    """
    folder = Path(folder)
    sheets = write_next_sheets(found, folder, past=past_words(cohort), invented=cohort.invented)
    tables = {name: [(one, getattr(one.course, name)) for one in found] for name in TABLES}
    tables["plan"] = [(one, one.course.plan.table) for one in found if one.course.plan is not None]
    tables["overbite"] = [(one, one.bite.options) for one in found if one.bite is not None]
    tables["courses"] = [(one, one.past.table) for one in found if one.past is not None]
    (folder / "tables").mkdir()
    for name, parts in tables.items():
        table = _together(parts)
        if len(table):
            write_csv(table, folder / "tables" / f"{name}.csv")
    problems = [one.course.problems for one in found]
    write_csv(gather(problems).drop_duplicates(), folder / "problems.csv")
    record = provenance(
        report="next_course",
        source=cohort.source,
        sha256=cohort.sha256,
        invented=cohort.invented,
        notebook_sha256="",
        seed=seed,
        options=options or {},
    )
    del record["notebook_sha256"]  # no notebook is run
    write_provenance(record, folder)
    return sheets


def _together(parts: Sequence[tuple[Ahead, pd.DataFrame]]) -> pd.DataFrame:
    """Tables of several patients as one, the code first."""
    rows = []
    for one, table in parts:
        if len(table):
            kept = table.drop(columns=["patient"], errors="ignore")
            kept.insert(0, "patient", one.course.patient)
            rows.append(kept)
    return pd.concat(rows, ignore_index=True) if rows else pd.DataFrame()
