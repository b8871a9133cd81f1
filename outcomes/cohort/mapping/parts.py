"""From the sheets of a file to records: one row for each movement, under the schema's meanings.

Cells stay as typed; what the numbers mean is settled in ``values``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from outcomes.cohort.cells import by_unique, clean_text, numbers, texts
from outcomes.cohort.mapping.pages import Grid, Pages, grid, headings_at
from outcomes.cohort.mapping.spec import (
    FROM_SHEET,
    FROM_TITLE,
    NUMBERS,
    Mapping,
    Part,
    Wide,
    said_word,
)
from outcomes.cohort.mapping.units import in_schema_units, unit_of_heading, without_percent
from outcomes.cohort.totals import names_total
from outcomes.domain.languages import arch_meaning, course_meaning, heading_meanings

#: Between what a title says of the patient, the course and the arch.
_BETWEEN_WORDS = re.compile(r"[,;|/]|\s[-–—]\s|\(|\)")

#: Columns that tell records apart and may name a total instead.
KEYS = ("patient", "tooth", "movement", "course")

#: In place of a sheet's name: every sheet that has the headings of the part.
EVERY_SHEET = "*"

ANEW = (
    "The file has changed since the mapping was made: correct the heading, or make the mapping "
    "anew with `outcomes map`."
)

#: Before the heading of a column of the user's own, so that it is nothing else.
OWN = "own "

#: Columns of records that are not the user's: where a record comes from.
ROW, PLACE, TROUBLE = "row", "place", "trouble"


@dataclass(frozen=True)
class Found:
    """One thing found wrong with a file or its mapping as a whole."""

    problem: str
    remedy: str
    severity: str = "check"
    column: str = ""


@dataclass(frozen=True)
class Trouble:
    """Why a record cannot be used: what is wrong with one of its cells."""

    column: str
    value: str
    problem: str
    remedy: str


@dataclass(frozen=True)
class Records:
    """Records of one part, n rows: cells under their meanings, then the user's own columns.

    ``frame`` has row (of the spreadsheet), place (sheet, row and heading, as text) and trouble
    (a ``Trouble`` or None).
    """

    frame: pd.DataFrame
    own: tuple[str, ...] = ()
    found: tuple[Found, ...] = ()

    @property
    def numbers(self) -> tuple[str, ...]:
        """Which numbers of a movement the part gives."""
        return tuple(name for name in NUMBERS if name in self.frame)


def all_records(mapping: Mapping, pages: Pages) -> list[Records]:
    """Records of every part of a file, in the order of the mapping."""
    lists: list[Records] = []
    named = {part.sheet for part in mapping.parts}
    for part in mapping.parts:
        if part.sheet == EVERY_SHEET:
            alike = [p for p in pages if p not in named and _has_headings(part, pages[p])]
            if not alike:
                lists.append(_nothing("no sheet has the headings of the mapping", ANEW))
            for label in alike:
                lists += records_of(part, label, pages[label], mapping)
        elif not part.sheet or part.sheet in pages:
            label = part.sheet or next(iter(pages), "")
            lists += records_of(part, label, pages[label], mapping)
        else:
            problem = f"there is no sheet or file {part.sheet!r}"
            lists.append(_nothing(problem, "Correct its name in the mapping."))
    return lists


def sheets_read(mapping: Mapping, pages: Pages) -> set[str]:
    """Names of the sheets that a mapping reads records from."""
    named = {part.sheet or next(iter(pages), "") for part in mapping.parts}
    every = [part for part in mapping.parts if part.sheet == EVERY_SHEET]
    return (named & set(pages)) | {p for p in pages for e in every if _has_headings(e, pages[p])}


def _has_headings(part: Part, cells: pd.DataFrame) -> bool:
    if max(part.headings) > len(cells):
        return False
    found = headings_at(cells, part.headings)
    return {*part.columns, *part.wide} <= set(found)


def records_of(part: Part, label: str, cells: pd.DataFrame, mapping: Mapping) -> list[Records]:
    """Records of one sheet; several, each with the numbers of one kind, where a column says which."""
    if max(part.headings) > len(cells):
        problem = f"{label or 'the file'} ends before row {max(part.headings)}, the headings"
        return [_nothing(problem, ANEW)]
    rows = grid(cells, part.headings, titled=FROM_TITLE in part.every_row.values())
    gone = [h for h in (*part.columns, *part.wide) if h not in rows.headings]
    if gone:
        return [
            _nothing(
                f"{label or 'the file'} has no column {heading!r} in row {part.headings[-1]}", ANEW
            )
            for heading in gone
        ]
    others = [p for p in mapping.parts if p is not part and p.sheet == part.sheet]
    if others:
        rows = _without_others(rows, part, others)
    base, own = _base(part, rows, label)
    found = _unnamed([part, *others], rows, label) if part is _first(part, mapping) else []
    if rows.set_aside:
        found.append(_aside(rows.set_aside, label))
    if part.wide:
        base = _unpivoted(part, rows, base, label, found)
    else:
        base = base.assign(**{PLACE: _places(label, rows.rows)})
    base = _with_numbers(base.assign(**{TROUBLE: None}))
    return (
        _by_kind(base, own, mapping, found)
        if "kind" in base
        else [Records(base, own, tuple(found))]
    )


def _with_numbers(frame: pd.DataFrame) -> pd.DataFrame:
    """Cells of numbers read where they can be: decimal marks are those of one part, not of all.

    A unit stays behind its number; what cannot be read stays as typed, for its problem to show.
    """
    columns = {}
    given = frame.get("unit", ())
    for name in (*NUMBERS, "number"):
        if name in frame:
            bare = name == "percent"
            typed = without_percent(frame[name]) if bare else in_schema_units(frame[name], given)
            read = numbers(typed)
            cells = typed.to_numpy(object).copy()
            fine = np.isfinite(read.values)
            cells[fine] = [
                with_unit(v, u) for v, u in zip(read.values[fine], read.units[fine], strict=True)
            ]
            columns[name] = cells
    return frame.assign(**columns).drop(columns="unit", errors="ignore")


def with_unit(value: float, unit: str) -> float | str:
    """A number as a cell: with its unit behind it where it has one."""
    return f"{float(value)!r} {unit}" if unit else float(value)


def _nothing(problem: str, remedy: str) -> Records:
    return Records(pd.DataFrame(), (), (Found(problem, remedy, "stop"),))


def _places(label: str, rows: np.ndarray, heading: str = "") -> np.ndarray:
    of = f"{label} " if label else ""
    last = f", {heading}" if heading else ""
    return np.array([f"{of}row {row}{last}" for row in rows], dtype=object)


def _base(part: Part, rows: Grid, label: str) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Every column of a part but the wide ones, under its meaning."""
    columns: dict[str, object] = {}
    own = []
    totals = totals_in(rows, [h for h, m in part.columns.items() if m in KEYS])
    for heading, meaning in part.columns.items():
        cells = rows.column(heading)
        if heading in part.fill_down:
            blank = pd.Series(texts(cells) == "", index=cells.index)
            cells = cells.mask(blank).ffill().mask(blank & totals)
        if meaning == "own":
            own.append(heading)
        if meaning != "drop":
            if meaning in NUMBERS and unit_of_heading(heading):
                cells = in_schema_units(cells, [unit_of_heading(heading)] * len(cells))
            columns[OWN + heading if meaning == "own" else meaning] = cells.astype(object)
    for name, value in part.every_row.items():
        if value == FROM_TITLE:
            columns[name] = [said_by(name, title) for title in rows.titles]
        else:
            columns[name] = said_by(name, label) if value == FROM_SHEET else value
    frame = pd.DataFrame(columns, index=range(len(rows.rows)), dtype=object)
    return frame.assign(**{ROW: rows.rows}), tuple(OWN + heading for heading in own)


def totals_in(rows: Grid, headings: list[str]) -> np.ndarray:
    """Rows that a column of codes calls a total: nothing is filled down into them; (n,)."""
    named = [by_unique(rows.column(h), lambda v: names_total(clean_text(v))) for h in headings]
    return np.any(named, axis=0).astype(bool) if named else np.zeros(len(rows.rows), dtype=bool)


def said_by(name: str, title: str) -> object:
    """What the name of a sheet or the title of a block says about patient, course or arch.

    Examples
    --------
    >>> said_by("patient", "Patient: P007"), said_by("course", "Course 2")
    ('P007', 2)
    >>> said_by("patient", "Patient P007, course 2"), said_by("course", "Patient P007, course 2")
    ('P007', 2)
    """
    said = [part.strip() for part in _BETWEEN_WORDS.split(title) if part.strip()]
    if name in ("course", "arch"):
        meant = course_meaning if name == "course" else arch_meaning
        return next((found for found in map(meant, (title, *said)) if found), title)
    own = [part for part in said if not course_meaning(part) and not arch_meaning(part)]
    if len(own) < len(said):
        title = ", ".join(own)
    first, _, rest = title.partition(" ")
    return rest.strip(" :") if rest and "patient" in heading_meanings(first.strip(":")) else title


def _first(part: Part, mapping: Mapping) -> Part:
    """The first part that reads the sheet of another."""
    return next(p for p in mapping.parts if p.sheet == part.sheet)


def _without_others(rows: Grid, part: Part, others: list[Part]) -> Grid:
    """The rows in which a part has anything in columns that only it reads."""
    elsewhere = {h for other in others for h in (*other.columns, *other.wide)}
    own = [h for h in (*part.columns, *part.wide) if h not in elsewhere]
    here = np.flatnonzero(np.any([texts(rows.column(h)) != "" for h in own], axis=0))
    return replace(
        rows,
        cells=rows.cells.iloc[here].reset_index(drop=True),
        rows=rows.rows[here],
        titles=rows.titles[here],
    )


def _unnamed(parts: list[Part], rows: Grid, label: str) -> list[Found]:
    """Columns with values that the mapping says nothing of: a file that has grown since."""
    found = []
    for i, heading in enumerate(rows.headings):
        if any(heading in part.columns or heading in part.wide for part in parts):
            continue
        if not (texts(rows.cells.iloc[:, i]) != "").any():
            continue
        name = heading or f"column {i + 1}"
        found.append(
            Found(
                f"the mapping says nothing of this column of {label or 'the file'}: not read",
                'Say in the mapping what it is; "drop" leaves it out without a word.',
                column=name,
            )
        )
    return found


def _aside(rows: dict[int, str], label: str) -> Found:
    first = next(iter(rows))
    return Found(
        f"{len(rows)} rows of {label or 'the file'} are titles of blocks or headings again, no "
        f"records; the first is row {first}",
        "Nothing, if that is right.",
    )


def _unpivoted(
    part: Part, rows: Grid, base: pd.DataFrame, label: str, found: list[Found]
) -> pd.DataFrame:
    """A record for each row and each movement, tooth and course that its headings name.

    A record of which no number is written is none: a blank cell of a wide table says neither that
    nothing was planned nor that nothing was measured.
    """
    together: dict[tuple[str, str, int, str], dict[str, tuple[str, Wide]]] = {}
    for heading, what in part.wide.items():
        key = (what.movement, what.tooth, what.course, what.way)
        together.setdefault(key, {})[what.number] = (heading, what)
    frames: list[pd.DataFrame] = []
    for (movement, tooth, course, way), given in together.items():
        frame = base.copy()
        for number, (heading, _) in given.items():
            cells, unit = rows.column(heading).astype(object), unit_of_heading(heading)
            frame["number" if number == "kind" else number] = (
                in_schema_units(cells, [unit] * len(cells)) if unit else cells
            )
        said: dict[str, str | int] = {
            "movement": movement,
            "tooth": tooth,
            "course": course,
            "direction": way,
        }
        for name, value in said.items():
            if value:
                frame[name] = value
        frame[PLACE] = _places(label, rows.rows, " and ".join(h for h, _ in given.values()))
        used = ["number" if n == "kind" else n for n in given]
        written = np.column_stack([texts(frame[name]) != "" for name in used]).any(axis=1)
        frames.append(frame.iloc[np.flatnonzero(written)])
    frame = pd.concat(frames, ignore_index=True).sort_values(ROW, kind="stable", ignore_index=True)
    if any(what.way for what in part.wide.values()):
        frame = _one_way_only(frame)
    idle = sorted(set(rows.rows.tolist()) - set(frame[ROW].tolist()))
    if idle:
        found.append(
            Found(
                f"{len(idle)} rows of {label or 'the file'} hold no number in any column of "
                f"movements: no record; the first is row {idle[0]}",
                "Nothing, if that is right; a planned or measured zero is written as 0.",
            )
        )
    return frame


def _one_way_only(frame: pd.DataFrame) -> pd.DataFrame:
    """Without noughts in the column of one direction where the other has the movement."""
    names = [name for name in (*NUMBERS, "number") if name in frame]
    values = np.column_stack([numbers(frame[name]).values for name in names])
    words = np.column_stack([texts(frame[name]) for name in names])
    nought = ((values == 0) | (words == "")).all(axis=1)
    of = [name for name in (ROW, "movement", "tooth", "course") if name in frame]
    said = [texts(frame[name]) for name in of]
    key = pd.Series(["\n".join(row) for row in zip(*said, strict=True)], dtype=object)
    moved = key.isin(key.to_numpy()[~nought]).to_numpy()
    first = ~key.duplicated().to_numpy()
    return frame[~nought | (~moved & first)].reset_index(drop=True)


def _by_kind(
    frame: pd.DataFrame, own: tuple[str, ...], mapping: Mapping, found: list[Found]
) -> list[Records]:
    """The rows of each kind of number apart, to be joined by patient, tooth, movement and course."""
    words = texts(frame["kind"])
    kinds = {said_word(word): number for word, number in mapping.kinds.items()}
    meant = by_unique(frame["kind"], lambda v: kinds.get(said_word(v)))
    left = np.array([kind == "" for kind in meant]) & (words != "")
    if left.any():
        kinds_left = ", ".join(sorted(set(words[left].tolist()))[:5])
        found.append(
            Found(
                f"{left.sum()} rows are of a kind that is not read ({kinds_left})",
                "Nothing, if that is right; else correct the words of kinds in the mapping.",
            )
        )
    unknown = np.array([kind is None for kind in meant])
    lists = []
    for number in dict.fromkeys(kind for kind in meant if kind):
        of_kind = frame[meant == number].drop(columns="kind").rename(columns={"number": number})
        lists.append(Records(of_kind.reset_index(drop=True), own))
    if unknown.any():
        remedy = "Say in the mapping what this word means, or correct the cell."
        strange = frame[unknown].drop(columns="kind")
        if "planned" not in strange:
            strange = strange.rename(columns={"number": "planned"})
        why = [Trouble("kind", w, "no kind of number of that name", remedy) for w in words[unknown]]
        strange = strange.assign(**{TROUBLE: pd.Series(why, index=strange.index, dtype=object)})
        lists.append(Records(strange.reset_index(drop=True), own))
    if not lists:
        lists.append(Records(frame.iloc[:0].drop(columns="kind"), own))
    return [Records(lists[0].frame, own, tuple(found)), *lists[1:]]
