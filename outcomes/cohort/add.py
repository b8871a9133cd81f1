"""This year's records join last year's cohort: `outcomes add`.

Nothing of the earlier file is overwritten untold, and no record of either is lost: what reading
excludes is carried along as it stands, and the joined file is read again before it is put in place.
"""

from __future__ import annotations

import csv
import datetime as dt
import shutil
from collections.abc import Iterable
from collections.abc import Mapping as Dict
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.cohort import cells, suspicion
from outcomes.cohort import join as joining
from outcomes.cohort.mapping.file import mapping_at
from outcomes.cohort.mapping.spec import Mapping
from outcomes.cohort.problems import EXAMPLE_ROW, FILE_STEP, NOT_MEASURED, gather, problem_frame
from outcomes.cohort.read import read_cohort
from outcomes.cohort.records import Cohort
from outcomes.cohort.reread import require_same, tables_of
from outcomes.cohort.sources import table_called
from outcomes.cohort.together import Together, read_together
from outcomes.cohort.typed import Typed, blank_aims
from outcomes.cohort.whole import (
    kept_beside,
    put_in_place,
    require_new,
    require_tables_alone,
    written_whole,
)
from outcomes.cohort.write import write_tables
from outcomes.domain.teeth import Notation
from outcomes.errors import CannotJoin, InputError, OutputRefused
from outcomes.words.english import counted, verb, was

#: Rows of which the joined file holds the record already.
_JOINED = joining.TWICE

#: The reason of rows whose cells have slipped: written anew, they would be read as something else.
_SLIPPED = "more cells than headings"


@dataclass(frozen=True)
class Added:
    """What became of the new records.

    Attributes
    ----------
    path
        The joined file.
    earlier
        Where the earlier file is kept, if it was replaced; None if it was left as it is.
    cohort
        The joined cohort.
    counts
        table, read, new, known, completed, contradictory, excluded: rows of the new file.
    filled
        table, patient, record, column, earlier, new, earlier_row, new_row: cells that were blank.
    contradictions
        The same columns: cells that differ.
    replaced
        Whether the new values of the contradictions hold; else the earlier ones stay.
    excluded
        Rows of both files that reading excludes, carried along as they stand.
    notes
        What else should be known, in sentences.
    """

    path: Path
    earlier: Path | None
    cohort: Cohort
    counts: pd.DataFrame
    filled: pd.DataFrame
    contradictions: pd.DataFrame
    replaced: bool
    excluded: pd.DataFrame
    notes: tuple[str, ...]

    @property
    def said(self) -> list[str]:
        """What happened, in sentences."""
        n = self.counts[self.counts["table"] == "movements"].iloc[0].drop("table").astype(int)
        sentences = [
            f"Of {counted(n['read'], 'movement')} in the new file, {n['new']:,} joined, "
            f"{n['known']:,} {was(n['known'])} known, {n['completed']:,} completed an earlier "
            f"record, {n['contradictory']:,} contradicted one, and {n['excluded']:,} cannot be "
            "used yet."
        ]
        different = len(self.contradictions)
        if different:
            what = "the new values were taken" if self.replaced else "the earlier values stay"
            sentences.append(
                f"{counted(different, 'value')} {verb(different, 'differ')} between the files: {what}."
            )
        if len(self.excluded):
            n_out = len(self.excluded)
            sentences.append(
                f"{counted(n_out, 'row')} of the two files cannot be used yet and {was(n_out)} "
                "carried along as found."
            )
        return [*sentences, *self.notes]

    def __repr__(self) -> str:
        return "\n".join([f"Added to {self.path.name}", *(f"  {line}" for line in self.said)])


def add_records(
    cohort: str | Path,
    new: str | Path,
    out: str | Path | None = None,
    *,
    replace: bool = False,
    same: Dict[str, str] | None = None,
    not_same: Iterable[tuple[str, str]] = (),
    in_place: bool = False,
    mapping: Mapping | str | Path | None = None,
    notation: Notation | None = None,
) -> Added:
    """Join new records to a cohort and write both as one file.

    A record is known again by patient, tooth, movement and course (other tables: by their own
    key). Cells that were blank are filled, new records join, and of cells that differ the earlier
    stay unless ``replace`` says otherwise; all are listed. Rows that reading excludes are carried
    along as they stand. The joined file is written whole or not at all, and read again before.

    Parameters
    ----------
    cohort, new
        What :func:`outcomes.read_cohort` reads: the earlier records, and the new ones.
    out
        A new ``.xlsx``, a new ``.csv`` (movements alone) or a new folder.
    replace
        Take the new value where the files differ.
    same
        Earlier code -> new code of the same patient, where the two are written differently.
    not_same
        Pairs of earlier and new code that are alike but for capitals, spaces, signs or leading
        zeros, and are two patients.
    in_place
        Write to ``cohort`` itself; what was there is kept beside it as
        ``NAME.before-YYYY-MM-DD.ext``.
    mapping
        How the new records are read, where their layout is their own.
    notation
        As in :func:`outcomes.read_cohort`, for both files.

    Returns
    -------
    Added

    Raises
    ------
    CannotJoin
        If codes are alike and nobody said whether they are one patient, or rows have slipped.
    CohortError
        If one of the files has stop problems.
    OutputRefused
        If something stands at ``out``, or what was written would not read back as it is.
    """
    cohort, new = Path(cohort), Path(new)
    target = _target(cohort, out, in_place=in_place)
    if in_place and target.suffix.lower() == ".xlsx":
        require_tables_alone(target)
    codes = {theirs: ours for ours, theirs in (same or {}).items()}
    how = None if mapping is None else mapping_at(mapping)
    together = read_together(
        [cohort, new],
        notation,
        taking="later" if replace else "earlier",
        renamed=[{}, codes],
        mappings=[None, how],
        answered=suspicion.KEYS,
    )
    _require_answers(together, same or {}, set(not_same))
    tables = {name: _as_typed(table) for name, table in together.tables.items()}
    tables = {name: table for name, table in tables.items() if len(table)}
    if target.suffix.lower() == ".csv" and len(tables) > 1:
        raise InputError(f"{target.name} has room for movements only: give a folder or an .xlsx.")
    earlier = kept_beside(target, dt.date.today()) if in_place else None
    place_of = put_in_place(target, earlier) if earlier else written_whole(target)
    with place_of as place:
        write_tables(tables, place, invented=together.cohort.invented)
        if earlier and target.is_dir():
            _carry_companions(target, place)
        _require_read_back(together, tables, place)
    return Added(
        target,
        earlier,
        together.cohort,
        _counts(together),
        together.joined.filled,
        together.joined.contradictions,
        replace,
        _carried(together),
        tuple(_notes(target, earlier)),
    )


def read_answers(path: Path) -> tuple[dict[str, str], list[tuple[str, str]]]:
    """Answers from a ``.csv`` with columns old, new and same (yes or no).

    Raises
    ------
    InputError
        If it has other columns or answers.
    """
    with open(path, encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    same: dict[str, str] = {}
    apart: list[tuple[str, str]] = []
    for number, row in enumerate(rows, 2):
        old, new, answer = (str(row.get(n) or "").strip() for n in ("old", "new", "same"))
        if not old or not new or answer.casefold() not in ("yes", "no"):
            raise InputError(
                f"{path.name}, row {number}: give columns old, new and same, with yes or no in same."
            )
        if answer.casefold() == "yes":
            same[old] = new
        else:
            apart.append((old, new))
    return same, apart


def _target(cohort: Path, out: str | Path | None, *, in_place: bool) -> Path:
    if (out is None) != in_place:
        raise InputError("Give a new file with --out, or say --in-place: one of the two.")
    if not cohort.exists():
        raise FileNotFoundError(f"There is no file or folder {str(cohort)!r}.")
    if in_place:
        target = cohort.resolve()
        if not target.is_dir() and target.suffix.lower() not in (".xlsx", ".csv"):
            raise InputError(f"{cohort.name} cannot be written in place: give a file with --out.")
        return target
    target = Path(out or "")
    if target.suffix.lower() not in ("", ".xlsx", ".csv"):
        raise InputError(f"{target.name}: give a name ending in .xlsx or .csv, or a folder.")
    require_new(target)
    if cohort.is_dir() and target.absolute().resolve().is_relative_to(cohort.resolve()):
        raise OutputRefused(f"{target} lies in the cohort itself: choose another folder.")
    return target


# Who is who --------------------------------------------------------------------------------------


def _require_answers(
    together: Together, same: Dict[str, str], not_same: set[tuple[str, str]]
) -> None:
    """Every patient is settled, and no row has slipped: else CannotJoin with all that is open."""
    ours, theirs = together.patients
    for old, new in same.items():
        if old not in ours or new not in theirs:
            file = "earlier" if old not in ours else "new"
            code = old if old not in ours else new
            raise InputError(f"--same {old}={new}: there is no patient {code} in the {file} file.")
    alike: dict[str, list[str]] = {}
    for code in sorted(ours):
        alike.setdefault(cells.plain_code(code), []).append(code)
    open_questions = []
    for new in sorted(theirs - ours - set(same.values())):
        for old in alike.get(cells.plain_code(new), []):
            if (old, new) not in not_same:
                open_questions.append(
                    problem_frame(
                        "",
                        None,
                        "patient",
                        new,
                        f"is this the patient {old!r} of the earlier file?",
                        f'Say --same "{old}={new}" if so, else --not-same "{old}={new}".',
                        "stop",
                    )
                )
    for name, table in together.tables.items():
        for row in table.sieve.rows[table.sieve.reason == _SLIPPED].tolist():
            problem = f"{table.sieve.place(row)} has {_SLIPPED}"
            remedy = "Put it right in its file first: written anew it would be read wrongly."
            open_questions.append(problem_frame(name, None, "", "", problem, remedy, "stop"))
    if open_questions:
        raise CannotJoin(gather(open_questions), "The new file")


# What is written ---------------------------------------------------------------------------------


def _usable(reason: np.ndarray) -> np.ndarray:
    return (reason == "") | (reason == NOT_MEASURED)


def _is_out(table: Typed) -> np.ndarray:
    """Rows of records that reading excludes, and not because an earlier file has the record."""
    reason = table.sieve.reason
    no_record = np.array([str(r).endswith("not a record") for r in reason], dtype=bool)
    return ~_usable(reason) & ~np.isin(reason.astype(str), (*_JOINED, EXAMPLE_ROW)) & ~no_record


def _is_carried(table: Typed) -> np.ndarray:
    """Rows that reading excludes and the joined file holds all the same, each once."""
    out = _is_out(table)
    if not out.any():
        return out
    rows = _all_as_typed(table)[out].apply(cells.texts)
    later = table.sieve.rows[out] >= FILE_STEP
    repeated = later & rows.apply(tuple, axis=1).isin(set(rows[~later].apply(tuple, axis=1)))
    carried = out.copy()
    carried[out] = ~repeated.to_numpy()
    return carried


def _as_typed(table: Typed) -> pd.DataFrame:
    """The rows of a table that are written, as one would type them."""
    written = _all_as_typed(table)[_usable(table.sieve.reason) | _is_carried(table)]
    needless = [
        n for n in written if written[n].isna().all() and n not in table.named.table.required
    ]
    return written.drop(columns=needless).rename(columns={"tooth": "tooth (FDI)"})


def _all_as_typed(table: Typed) -> pd.DataFrame:
    """Every row: what was read, and what could not be read as it stands."""
    frame, raw = table.frame, table.named.frame
    columns: dict[str, pd.Series] = {}
    for column in table.named.table.columns:
        if column.name in frame:
            whole = column.kind in ("integer", "tooth")
            columns[column.name] = _cells(frame[column.name], raw.get(column.name), whole=whole)
    if "aim" in columns and table.named.table.name == "movements":
        columns["aim"] = columns["aim"].mask(blank_aims(table.named))
    for name in table.named.extras:
        if name in frame:
            columns[name] = _cells(frame[name], raw.get(name))
        elif name in raw:
            # A unit column that agrees is left out of the cohort; where it does not, it is the reason.
            columns[name] = raw[name].where(_is_out(table))
    return pd.DataFrame(columns, index=frame.index)


def _cells(typed: pd.Series, raw: pd.Series | None, *, whole: bool = False) -> pd.Series:
    """Each cell as read, else as it stands."""
    missing = typed.isna().to_numpy()
    words = np.full(len(typed), "", object) if raw is None else cells.texts(raw)
    values: list[object]
    if pd.api.types.is_datetime64_any_dtype(typed):
        values = [cells.clean_text(v) for v in typed]
    elif whole:
        values = [None if gone else int(v) for v, gone in zip(typed, missing, strict=True)]
    else:
        values = typed.tolist()
    rest = [word or None for word in words]
    chosen = [r if gone else v for v, r, gone in zip(values, rest, missing, strict=True)]
    series = pd.Series(chosen, index=typed.index, dtype=object)
    return series if whole or series.isna().all() else series.infer_objects()


def _carry_companions(folder: Path, place: Path) -> None:
    """Files of a folder that are no tables go along."""
    for path in folder.iterdir():
        if not table_called(path.stem) and not (place / path.name).exists():
            (shutil.copytree if path.is_dir() else shutil.copy2)(path, place / path.name)


def _require_read_back(together: Together, tables: dict[str, pd.DataFrame], place: Path) -> None:
    """The joined file holds the same records, and what was excluded is excluded again."""
    again = read_cohort(place, strict=False, answered=suspicion.KEYS)
    require_same(tables_of(together.cohort), tables_of(again))
    carried = sum(int(_is_carried(table).sum()) for table in together.tables.values())
    waiting = sum(int((t.sieve.reason == NOT_MEASURED).sum()) for t in together.tables.values())
    if len(again.excluded) != carried + waiting:
        raise OutputRefused(
            "Nothing was written: rows that cannot be used would be read otherwise in the joined "
            "file. Put right what `outcomes check` excludes in both files first."
        )


# What is told ------------------------------------------------------------------------------------


def _counts(together: Together) -> pd.DataFrame:
    lines = []
    for name, table in together.tables.items():
        later = table.sieve.rows >= FILE_STEP
        reason, carried = table.sieve.reasons_of(later), _is_carried(table)[later]
        known = (reason == joining.KNOWN) | (_is_out(table)[later] & ~carried)
        lines.append(
            {
                "table": name,
                "read": int(
                    (_usable(reason) | known | carried | np.isin(reason.astype(str), _JOINED)).sum()
                ),
                "new": int(_usable(reason).sum()),
                "known": int(known.sum()),
                "completed": int((reason == joining.COMPLETES).sum()),
                "contradictory": int(
                    np.isin(reason.astype(str), (joining.REPLACES, joining.GIVES_WAY)).sum()
                ),
                "excluded": int(carried.sum()),
            }
        )
    return pd.DataFrame(lines)


def _carried(together: Together) -> pd.DataFrame:
    """Rows carried along: table, file, row, reason."""
    lines = [
        {
            "table": name,
            "row": int(row),
            "reason": str(reason),
            "place": table.sieve.place(int(row)),
        }
        for name, table in together.tables.items()
        for row, reason, carried in zip(
            table.sieve.rows, table.sieve.reason, _is_carried(table), strict=True
        )
        if carried
    ]
    frame = pd.DataFrame(lines, columns=["table", "row", "reason", "place"])
    return frame.drop(columns="row")


def _notes(target: Path, earlier: Path | None) -> list[str]:
    if earlier is None:
        return []
    notes = [f"The earlier file is kept as {earlier.name}."]
    if target.suffix.lower() == ".xlsx":
        notes.append("Sheets that are no tables, colours and formulas stand only there.")
    return notes
