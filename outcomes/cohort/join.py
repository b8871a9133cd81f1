"""Several files of one practice as one cohort: records known, completed, new or in contradiction.

A record is known again by its table's key (of a movement: patient, tooth, movement, course). Where
both files have it, cells that are blank in one are filled from the other; where two filled cells
differ, the record is a contradiction, and nothing of it is mixed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from outcomes.cohort import cells, checks
from outcomes.cohort.named import Named
from outcomes.cohort.problems import FILE_STEP, NOT_MEASURED, Sieve
from outcomes.cohort.typed import OUTCOMES, Typed, blank_aims
from outcomes.domain.tables import TABLES
from outcomes.domain.teeth import NOTATION_NAMES

#: Reasons in the ledger for rows that stand in an earlier file too.
KNOWN = "the same record as in an earlier file"
COMPLETES = "completes a record of an earlier file"
REPLACES = "replaces what an earlier file says"
GIVES_WAY = "differs from an earlier file, which is kept"

#: Reasons of rows whose record stands in another file: nothing of it is lost.
TWICE = (KNOWN, COMPLETES, REPLACES, GIVES_WAY)
CONTRADICTS = "the files do not agree on this record"

#: Two numbers count as one when they differ by less: what writing and reading a number may do.
_SLACK = 1e-9

#: Whose values hold in a contradiction.
Taking = Literal["neither", "earlier", "later"]

FOUND_COLUMNS = ["table", "patient", "record", "column", "earlier", "new", "earlier_row", "new_row"]


@dataclass(frozen=True)
class Joined:
    """Tables of several files as one, and what was found in joining them.

    Attributes
    ----------
    tables
        Rows of all files; of a record in several files the first stands, completed.
    filled, contradictions
        table, patient, record, column, earlier, new, earlier_row, new_row: cells that an earlier file
        leaves blank and a later one fills; cells that differ.
    """

    tables: dict[str, Typed]
    filled: pd.DataFrame
    contradictions: pd.DataFrame


@dataclass
class _Found:
    filled: list[pd.DataFrame] = field(default_factory=list)
    contradictions: list[pd.DataFrame] = field(default_factory=list)


def file_labels(paths: Sequence[Path]) -> tuple[str, ...]:
    """What each file is called in lists of problems, no two alike.

    Examples
    --------
    >>> file_labels([Path("2024/rows.csv"), Path("2025/rows.csv"), Path("more.csv")])
    ('2024/rows.csv', '2025/rows.csv', 'more.csv')
    """
    names = [path.resolve().name for path in paths]
    labels: list[str] = []
    for path, name in zip(paths, names, strict=True):
        label = f"{path.resolve().parent.name}/{name}" if names.count(name) > 1 else name
        labels.append(label if label not in labels else f"{label} ({len(labels) + 1})")
    return tuple(labels)


def join(
    parts: Sequence[dict[str, Typed]],
    files: tuple[str, ...],
    *,
    taking: Taking = "neither",
    match: bool = True,
) -> Joined:
    """Put the tables of several files together.

    Parameters
    ----------
    parts
        Typed tables of each file, the earliest first.
    files
        Name of each file.
    taking
        Whose values hold where the files contradict each other: ``"neither"`` sets both aside.
    match
        Whether to look for records that stand in several files; without, all rows stay apart.
    """
    found = _Found()
    tables: dict[str, Typed] = {}
    for name in TABLES:
        here = [(i, _alone(part[name], match)) for i, part in enumerate(parts) if name in part]
        if here:
            table = _stacked(here, files)
            tables[name] = _matched(table, taking, found) if match else _aims_filled(table)
    return Joined(tables, _listed(found.filled), _listed(found.contradictions))


def _listed(found: list[pd.DataFrame]) -> pd.DataFrame:
    if not found:
        return pd.DataFrame(columns=FOUND_COLUMNS)
    return pd.concat(found, ignore_index=True)


def _alone(table: Typed, match: bool) -> Typed:
    """A table of one file, without its own copies, and without an aim where none was written."""
    table = table.further()
    if match:
        checks.copies(table.frame, table.sieve)
    if table.named.table.name != "movements":
        return table
    aim = table.frame["aim"].mask(blank_aims(table.named))
    return Typed(table.named, table.frame.assign(aim=aim), table.sieve)


def _aims_filled(table: Typed) -> Typed:
    if table.named.table.name != "movements":
        return table
    frame = table.frame
    aim = frame["aim"].mask(blank_aims(table.named), frame["planned"])
    return Typed(table.named, frame.assign(aim=aim), table.sieve)


# Rows of all files, one below the other ----------------------------------------------------------


def _stacked(parts: list[tuple[int, Typed]], files: tuple[str, ...]) -> Typed:
    first = parts[0][1].named
    rows = np.concatenate([i * FILE_STEP + t.sieve.rows for i, t in parts])
    extras = tuple(dict.fromkeys(name for _, t in parts for name in t.named.extras))
    raw = pd.concat([_told_apart(t) for _, t in parts], ignore_index=True)
    schema = [c.name for c in first.table.columns]
    raw = raw[[*(n for n in schema if n in raw), *(n for n in extras if n in raw)]]
    frame = pd.DataFrame(
        {name: _column(name, parts) for name in (*schema, *extras) if _has(name, parts)},
        index=raw.index,
    )
    frame["row"] = rows
    sieve = _sieve(rows, files, [(i, t.sieve) for i, t in parts])
    named: Named = replace(
        first,
        frame=raw,
        extras=extras,
        units={},
        sieve=_sieve(rows, files, [(i, t.named.sieve) for i, t in parts]),
        live=np.concatenate([t.named.live for _, t in parts]),
    )
    return Typed(named, frame, sieve)


def _told_apart(table: Typed) -> pd.DataFrame:
    """Cells as typed; unreadable ones with the notation or unit that only their heading gave."""
    named = table.named
    raw = named.frame.astype(object)
    said = dict(named.units)
    if named.notation not in ("", "fdi"):
        said["tooth"] = f"({NOTATION_NAMES[named.notation]})"
    for name, words in said.items():
        if name not in raw or name not in table.frame:
            continue
        texts = cells.texts(raw[name])
        bare = cells.numbers(raw[name]).units == "" if name != "tooth" else texts != ""
        where = table.frame[name].isna().to_numpy() & (texts != "") & bare
        raw[name] = raw[name].mask(where, pd.Series(texts, dtype=object) + f" {words}")
    return raw


def _sieve(rows: np.ndarray, files: tuple[str, ...], parts: list[tuple[int, Sieve]]) -> Sieve:
    found = [frame.assign(file=files[i]) for i, sieve in parts for frame in sieve.found]
    sieve = Sieve(parts[0][1].table, rows, found, files)
    sieve.give_reasons(np.concatenate([part.reason for _, part in parts]))
    return sieve


def _has(name: str, parts: list[tuple[int, Typed]]) -> bool:
    return any(name in table.frame for _, table in parts)


def _column(name: str, parts: list[tuple[int, Typed]]) -> pd.Series:
    """A column of all files; where it holds numbers in one and words in another, as words."""
    there = [_as_floats(t.frame[name]) for _, t in parts if name in t.frame]
    filled = [piece for piece in there if piece.notna().any()] or there[:1]
    alike = len({piece.dtype for piece in filled}) == 1
    pieces = []
    for _, table in parts:
        n = len(table.frame)
        if name not in table.frame or table.frame[name].isna().all():
            pieces.append(pd.Series([None] * n, dtype=filled[0].dtype if alike else object))
        elif alike or name not in table.named.frame:
            pieces.append(_as_floats(table.frame[name]))
        else:
            words = cells.texts(table.named.frame[name])
            pieces.append(pd.Series([w or None for w in words], dtype="str"))
    return pd.concat(pieces, ignore_index=True)


def _as_floats(column: pd.Series) -> pd.Series:
    """Whole numbers as others: one file may leave a column to its default."""
    return column.astype(float) if pd.api.types.is_integer_dtype(column) else column


# Records that stand in several files -------------------------------------------------------------


def _matched(table: Typed, taking: Taking, found: _Found) -> Typed:
    frame, raw, sieve = table.frame.copy(), table.named.frame.copy(), table.sieve
    key = [name for name in table.named.table.key if name in frame]
    for first, later in _pairs(frame, sieve, key):
        pair = _Pair(frame, raw, sieve, key, first, later)
        pair.compare(found)
        pair.settle(taking)
        frame, raw = pair.frame, pair.raw
    return _aims_filled(Typed(replace(table.named, frame=raw), frame, sieve))


def _pairs(frame: pd.DataFrame, sieve: Sieve, key: list[str]):
    """Places of records that stand in several files: the first file's, and a later one's, by turns.

    Records that stand several times in one file are left to the check of duplicates.
    """
    at = np.flatnonzero((sieve.reason == "") | (sieve.reason == NOT_MEASURED))
    if not len(at):
        return
    group = frame.iloc[at].groupby(key, dropna=False, sort=False).ngroup().to_numpy()
    file = sieve.rows[at] // FILE_STEP
    twice = pd.DataFrame({"group": group, "file": file}).duplicated(keep=False).to_numpy()
    clear = ~np.isin(group, group[twice])
    at, group = at[clear], group[clear]
    turn = pd.Series(group).groupby(group).cumcount().to_numpy()
    first = dict(zip(group[turn == 0].tolist(), at[turn == 0].tolist(), strict=True))
    for n in range(1, int(turn.max(initial=0)) + 1):
        later = at[turn == n]
        yield np.array([first[g] for g in group[turn == n].tolist()], dtype=int), later


@dataclass
class _Pair:
    """Records of an earlier file and the same records of a later one, shapes (n,)."""

    frame: pd.DataFrame
    raw: pd.DataFrame
    sieve: Sieve
    key: list[str]
    first: np.ndarray
    later: np.ndarray
    fills: dict[str, np.ndarray] = field(default_factory=dict)
    differs: dict[str, np.ndarray] = field(default_factory=dict)

    @property
    def content(self) -> list[str]:
        return [name for name in self.frame.columns if name not in self.key and name != "row"]

    def compare(self, found: _Found) -> None:
        """Which cells of the later records fill a blank one, and which differ."""
        for name in self.content:
            one, other = (self.frame[name].iloc[at] for at in (self.first, self.later))
            blank, empty = one.isna().to_numpy(), other.isna().to_numpy()
            self.fills[name] = blank & ~empty
            self.differs[name] = ~blank & ~empty & ~_same(one, other)
        against = self.against
        for name in self.content:
            self._list(found.filled, name, self.fills[name] & ~against)
            self._list(found.contradictions, name, self.differs[name])

    @property
    def against(self) -> np.ndarray:
        """True for each record on which the files do not agree."""
        return np.logical_or.reduce([np.zeros(len(self.first), bool), *self.differs.values()])

    def settle(self, taking: Taking) -> None:
        """Complete the earlier records; set the later ones aside."""
        against = self.against
        fill = {name: where & ~against for name, where in self.fills.items()}
        filled = np.logical_or.reduce([np.zeros(len(self.first), bool), *fill.values()])
        if taking == "later":
            fill = {n: w | (against & (self.fills[n] | self.differs[n])) for n, w in fill.items()}
        for name, where in fill.items():
            self._take(name, where)
        reason = self.sieve.reason.copy()
        for name in set(OUTCOMES) & set(fill):
            measured = self.first[fill[name]]
            reason[measured[reason[measured] == NOT_MEASURED]] = ""
        reason[self.later[~against]] = np.where(filled, COMPLETES, KNOWN)[~against]
        if taking == "later":
            reason[self.later[against]] = REPLACES
        elif taking == "earlier":
            reason[self.later[against]] = GIVES_WAY
        self.sieve.give_reasons(reason)
        if taking == "neither":
            self._set_both_aside(against)

    def _take(self, name: str, where: np.ndarray) -> None:
        if not where.any():
            return
        to, of = self.first[where], self.later[where]
        for frame in (self.frame, self.raw):
            if name in frame:
                column = frame[name].copy()
                column.iloc[to] = frame[name].iloc[of].to_numpy()
                frame[name] = column

    def _set_both_aside(self, against: np.ndarray) -> None:
        problem = f"{CONTRADICTS}, both are left out"
        remedy = "Correct the wrong one: which is right cannot be told from the files."
        patients = self.frame["patient"].to_numpy(object)
        for at, others in ((self.first, self.later), (self.later, self.first)):
            where = np.zeros(len(self.frame), dtype=bool)
            each = np.full(len(self.frame), "", dtype=object)
            for i in np.flatnonzero(against):
                parts = [
                    f"{name} {_shown(self.frame[name].iloc[at[i]])} here, "
                    f"{_shown(self.frame[name].iloc[others[i]])}"
                    for name in self.content
                    if self.differs[name][i]
                ]
                there = self.sieve.place(int(self.sieve.rows[others[i]]))
                where[at[i]] = True
                each[at[i]] = f"{CONTRADICTS}: {'; '.join(parts)} in {there}"
            where &= (self.sieve.reason == "") | (self.sieve.reason == NOT_MEASURED)
            self.sieve.take_back(where)
            self.sieve.exclude(where, "", patients, problem, remedy, each=each)

    def _list(self, found: list[pd.DataFrame], name: str, where: np.ndarray) -> None:
        if not where.any():
            return
        one, other = self.first[where], self.later[where]
        of_key = [n for n in self.key if n != "patient"]
        record = self.frame[of_key].iloc[one]
        words = [
            ", ".join(f"{n} {_shown(v)}" for n, v in zip(of_key, row, strict=True) if _shown(v))
            for row in record.itertuples(index=False, name=None)
        ]
        place = self.sieve.place
        lines: dict[str, Any] = {
            "table": self.sieve.table,
            "patient": cells.texts(self.frame["patient"].iloc[one]),
            "record": words,
            "column": name,
            "earlier": [_shown(v) for v in self.frame[name].iloc[one]],
            "new": [_shown(v) for v in self.frame[name].iloc[other]],
            "earlier_row": [place(int(r)) for r in self.sieve.rows[one]],
            "new_row": [place(int(r)) for r in self.sieve.rows[other]],
        }
        found.append(pd.DataFrame(lines, columns=FOUND_COLUMNS))


def _shown(value: object) -> str:
    return cells.clean_text(value)


def _same(one: pd.Series, other: pd.Series) -> np.ndarray:
    if pd.api.types.is_numeric_dtype(one):
        a, b = one.to_numpy(float, na_value=np.nan), other.to_numpy(float, na_value=np.nan)
        return np.isclose(a, b, rtol=_SLACK, atol=_SLACK)
    if pd.api.types.is_datetime64_any_dtype(one):
        return one.to_numpy() == other.to_numpy()
    return cells.texts(one) == cells.texts(other)
