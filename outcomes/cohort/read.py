"""Read a cohort: from a workbook, a folder, one movements table, several of these, or frames."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path

import pandas as pd

from outcomes.cohort.build import build
from outcomes.cohort.mapping.opened import source_at
from outcomes.cohort.mapping.spec import Mapping
from outcomes.cohort.records import Cohort
from outcomes.cohort.sources import Source, frames_hash, is_demo, sheet_of
from outcomes.cohort.together import read_together
from outcomes.domain.teeth import Notation
from outcomes.errors import InputError

__all__ = ["Cohort", "from_frames", "read_cohort"]

How = Mapping | str | Path
"""A mapping, or the file that keeps it."""


def read_cohort(
    path: str | Path | Sequence[str | Path],
    *,
    mapping: How | Sequence[How | None] | None = None,
    notation: Notation | None = None,
    strict: bool = True,
    answered: Collection[str] = (),
) -> Cohort:
    """Read and check a cohort; the input is never changed.

    Parameters
    ----------
    path
        A workbook with a sheet for each table, a folder of ``.csv`` or ``.parquet`` files named
        after the tables, or one file with the movements. The movements table alone, with patient,
        tooth, movement, planned (mm or degrees) and achieved, is enough. Several of them, the
        earliest first, are joined: a record in two of them counts once, cells blank in one are
        filled from the other, and records on which they do not agree are excluded and listed.
        Problems and excluded rows then have a column ``file``, and in the tables the rows of the
        second file are numbered from 10,000,000 on, of the third from 20,000,000 on.
    mapping
        How records in another layout are read, or the file that says so (``outcomes map``); for
        several files one for all, or a sequence with one or None for each.
    notation
        How teeth are numbered: ``"fdi"``, ``"universal"`` or ``"quadrant"``. None: as the input
        says; numbers that could be two notations are a problem.
    strict
        Raise when the cohort cannot be analysed. With False, the cohort comes back without
        rows, with all its problems and a ledger that adds up.
    answered
        Keys of suspicions that are known to be unfounded, as in :func:`from_frames`.

    Returns
    -------
    Cohort

    Raises
    ------
    CohortError
        If there is a ``stop`` problem; its message lists every problem.
    InputError
        If the mapping is none.
    FileNotFoundError
        If there is nothing at ``path``, or no such mapping.

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
    if isinstance(path, str | Path):
        if mapping is not None and not isinstance(mapping, Mapping | str | Path):
            raise InputError("One input has one mapping, not several.")
        source = source_at(path, mapping)
        return build(source, notation, strict=strict, invented=is_demo(path), answered=answered)
    if mapping is None or isinstance(mapping, Mapping | str | Path):
        mapping = [mapping] * len(path)
    if len(mapping) != len(path):
        raise InputError(f"{len(path)} inputs, but {len(mapping)} mappings: give one for each.")
    return read_together(path, notation, strict=strict, mappings=mapping, answered=answered).cohort


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
    plain = {n: sheets[n].cells.set_axis(frame.columns, axis=1) for n, frame in frames.items()}
    found = Source(source, frames_hash(plain), sheets)
    return build(found, notation, strict=strict, invented=invented, answered=answered)


def _input_columns(frame: pd.DataFrame) -> pd.DataFrame:
    """A cohort's own table without what reading had added to it."""
    added = ["tooth_class", "arch", "side", "direction", "unit", "tooth_site", "row"]
    if set(added) <= set(frame.columns):
        return frame.drop(columns=added)
    return frame.drop(columns="row") if frame.columns[-1:].tolist() == ["row"] else frame
