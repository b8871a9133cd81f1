"""From a sheet as found to a table with the schema's columns and types, problems on the side."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import cast

import numpy as np
import pandas as pd

from outcomes.cohort import cells, headers
from outcomes.cohort.headers import Headings
from outcomes.cohort.problems import EXAMPLE_ROW, NOT_MEASURED, Sieve
from outcomes.cohort.sources import Sheet, blank_cells
from outcomes.domain import teeth
from outcomes.domain.columns import BY_MEASURE, BY_MOVEMENT, Column, Table
from outcomes.domain.movements import DIRECTION_WORDS, MOVEMENTS
from outcomes.domain.tables import DERIVED, EXAMPLE_PATIENT, MEASURES, TABLES
from outcomes.domain.teeth import Notation

HEADINGS_ROW = "a row of headings or units, not a record"


@dataclass(frozen=True)
class Raw:
    """A table as read: headed columns, cells untouched, spreadsheet row numbers, a sieve.

    ``live`` is False for rows that are no records (the example, repeated headings) or that have
    slipped out of their columns: nothing more is said about them.
    """

    table: Table
    frame: pd.DataFrame
    extras: tuple[str, ...]
    units: dict[str, str]
    notation: str
    sieve: Sieve
    live: np.ndarray = field(repr=False)

    @property
    def patients(self) -> np.ndarray:
        """Patient of each row as text, ``""`` where the row names none."""
        if "patient" not in self.frame:
            return np.full(len(self.frame), "", dtype=object)
        no_record = np.isin(self.sieve.reason.astype(str), (EXAMPLE_ROW, HEADINGS_ROW))
        return np.where(no_record, "", cells.texts(self.frame["patient"]))


def open_table(sheet: Sheet) -> Raw:
    """Find the headings of a sheet, its records, and what is wrong with either."""
    table = TABLES[sheet.table]
    if sheet.headings is None:
        found = headers.find_headings(sheet.cells, table)
        body = sheet.cells.iloc[found.at + 1 :] if found.headings else sheet.cells
    else:
        found = headers.match_headings(list(sheet.headings), table)
        body = sheet.cells
    rows = body.index.to_numpy() + (1 if sheet.headings is None else 2)
    blank = np.ones(body.shape, dtype=bool)
    for i in range(body.shape[1]):
        blank[:, i] = blank_cells(body.iloc[:, i])
    filled = ~blank.all(axis=1)
    body = body.iloc[np.flatnonzero(filled)].reset_index(drop=True)
    rows, blank = rows[filled], blank[filled]

    sieve = Sieve(table.name, rows)
    _check_headings(sheet, table, found, sieve)
    frame, extras = _headed(body, blank, table, found, sieve)
    units = {n: found.headings[i].unit for n, i in found.known.items() if found.headings[i].unit}
    notation = found.headings[found.known["tooth"]].notation if "tooth" in found.known else ""

    if "patient" in frame:
        patients = cells.by_unique(frame["patient"], lambda v: cells.clean_text(v).casefold())
        sieve.set_aside(patients == EXAMPLE_PATIENT.casefold(), EXAMPLE_ROW)
        sieve.set_aside(headers.repeats_headings(frame, list(found.known)), HEADINGS_ROW)
    if sheet.delimited and found.headings:
        _check_width(body, blank, found, sieve)
    return Raw(table, frame, extras, units, notation, sieve, sieve.kept)


def _check_headings(sheet: Sheet, table: Table, found: Headings, sieve: Sieve) -> None:
    for name, places in found.twice.items():
        written = ", ".join(repr(found.headings[i].written) for i in places)
        remedy = (
            f"Leave one column for {name}, with one {table.one_row.split(' of ')[0]} in each row."
        )
        sieve.stop(name, f"several columns could be {name}: {written}", remedy)
    unused = [
        h.written for i, h in enumerate(found.headings) if i not in found.known.values() and h.name
    ]
    for name in table.required:
        if name in found.known:
            continue
        close = headers.near(name, unused)
        wide = [w for w in unused if name in headers.heading(w).name.split("_")]
        if len(wide) > 1:
            remedy = (
                f"Columns such as {wide[0]!r} and {wide[1]!r} look like one column for each "
                f"movement: put one movement in each row instead, with columns "
                f"{', '.join(table.required)}."
            )
        elif close:
            remedy = f"The column {close!r} looks like it: rename it to {name}."
        else:
            remedy = (
                f"Add a column headed {name}: {table.column(name).description}. "
                f"`outcomes template` writes an empty workbook with all columns."
            )
        sieve.stop(name, f"the {table.name} table has no column {name}", remedy, value=sheet.label)


def _headed(
    body: pd.DataFrame, blank: np.ndarray, table: Table, found: Headings, sieve: Sieve
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Columns of the schema under its names, then the user's own under theirs."""
    columns = {name: body.iloc[:, i] for name, i in found.known.items()}
    extras = []
    used = {i for places in found.twice.values() for i in places} | set(found.known.values())
    for i, heading in enumerate(found.headings):
        if i in used or blank[:, i].all():
            continue
        if not heading.written:
            sieve.note(
                "",
                f"values in column {i + 1} have no heading and are not read",
                "Give the column a heading, or empty it.",
            )
            continue
        if headers.looks_personal(heading.name):
            sieve.note(
                heading.written,
                "this column looks like personal data: it is left out of the cohort",
                "Remove names, birth dates and contact data from the file; use codes.",
            )
            continue
        name = _free_name(heading.written, {*columns, *(c.name for c in table.columns)}, table)
        if name != heading.written:
            sieve.note(
                heading.written,
                f"this heading is taken: the column is kept as {name}",
                "Nothing, or give the column another heading.",
            )
        columns[name] = body.iloc[:, i]
        extras.append(name)
    return pd.DataFrame(columns, index=body.index), tuple(extras)


def _free_name(written: str, taken: set[str], table: Table) -> str:
    derived = DERIVED if table.name == "movements" else ("row",)
    name = f"{written}_given" if written in derived else written
    count = 2
    while name in taken:
        name, count = f"{written}_{count}", count + 1
    return name


def _check_width(body: pd.DataFrame, blank: np.ndarray, found: Headings, sieve: Sieve) -> None:
    last = max((i for i, h in enumerate(found.headings) if h.written), default=-1)
    spilled = ~blank[:, last + 1 :].all(axis=1) & sieve.kept
    if spilled.any():
        beyond = np.array(
            [cells.clean_text(v) for v in body.iloc[:, last + 1].to_numpy(object)], dtype=object
        )
        sieve.exclude(
            spilled,
            "",
            beyond,
            "more cells than headings",
            "A decimal comma in a file separated by commas? Save it with semicolons, put such "
            'numbers in quotation marks ("0,8"), or use decimal points.',
        )


# Notation ----------------------------------------------------------------------------------------


def settle_notations(raws: dict[str, Raw], asked: Notation | None) -> dict[str, Notation | None]:
    """Notation of the tooth column of each table; None where it stays open (a stop problem).

    What is asked for or said in a heading holds. Tables that say nothing are settled together:
    a cohort is written in one notation.
    """
    settled: dict[str, Notation | None] = {}
    silent: dict[str, Raw] = {}
    for name, raw in raws.items():
        if "tooth" not in raw.frame:
            continue
        if asked and raw.notation and asked != raw.notation:
            raw.sieve.stop(
                "tooth",
                f"the heading says {teeth.NOTATION_NAMES[raw.notation]}, but "
                f"{teeth.NOTATION_NAMES[asked]} notation was asked for",
                "Correct the heading, or leave the notation option away.",
            )
        if asked or raw.notation:
            settled[name] = asked or cast("Notation", raw.notation)
        else:
            silent[name] = raw
    said = {notation for notation in settled.values() if notation}
    tokens = {name: _tokens(raw) for name, raw in silent.items()}
    together = teeth.settle_notation(set().union(*tokens.values()))
    notation = together.notation
    if notation is None and not together.fits:
        notation = _but_for_slips(silent, together)
    for name, raw in silent.items():
        alone = teeth.settle_notation(tokens[name])
        if notation:
            settled[name] = notation
        elif len(said) == 1 and said <= set(alone.fits):
            settled[name] = next(iter(said))
        else:
            settled[name] = alone.notation
        if settled[name] is None:
            _stop_notation(raw, alone)
    return settled


def _tokens(raw: Raw) -> set[str]:
    return set(cells.by_unique(raw.frame["tooth"][raw.live], teeth.tooth_token).tolist()) - {""}


def _but_for_slips(silent: dict[str, Raw], settled: teeth.Settled) -> Notation | None:
    """Notation of a mixed cohort whose strays can only be slips; None if they need not be.

    A patient's chart is written in one notation. So numbers that only Universal has are slips if
    every patient who has any has more numbers that only FDI has; and the other way round.
    """
    owner = {token: name for name, tokens in settled.only.items() for token in tokens}
    parts = [
        pd.DataFrame(
            {
                "patient": raw.patients[raw.live],
                "only": cells.by_unique(
                    raw.frame["tooth"][raw.live], lambda v: owner.get(teeth.tooth_token(v), "")
                ),
            }
        )
        for raw in silent.values()
    ]
    rows = pd.concat(parts)
    rows = rows[(rows["only"] != "") & (rows["patient"] != "")]
    if rows.empty:
        return None
    counts = pd.crosstab(rows["patient"], rows["only"])
    main = cast("Notation", counts.sum().idxmax())
    strays = counts.drop(columns=main).sum(axis=1)
    if ((strays > 0) & (counts[main] <= strays)).any():
        return None
    known = teeth.NOTATION_NAMES[main]
    for raw in silent.values():
        words = [t for t in _tokens(raw) if owner.get(t, main) != main]
        if words:
            raw.sieve.note(
                "tooth",
                f"read as {known}; numbers {known} does not have are taken for slips and excluded, "
                f"since every patient who has one has more that only {known} has",
                "Correct these rows; or say the notation in the heading, as in 'tooth (FDI)'.",
                value=", ".join(sorted(words)[:8]),
            )
    return main


def _stop_notation(raw: Raw, settled: teeth.Settled) -> None:
    remedy = (
        "Say which: head the column 'tooth (FDI)', 'tooth (Universal)' or 'tooth (quadrant)', or "
        'give the notation when reading (notation="fdi", --notation fdi).'
    )
    if settled.fits:
        names = " or ".join(teeth.NOTATION_NAMES[name] for name in settled.fits)
        problem = f"the tooth numbers could be {names} numbers"
    else:
        problem = "the tooth column mixes notations"
        parts = [
            f"{', '.join(tokens[:6])}{' …' if len(tokens) > 6 else ''} "
            f"{'is' if len(tokens) == 1 else 'are'} {teeth.NOTATION_NAMES[notation]} only"
            for notation, tokens in settled.only.items()
        ]
        remedy = (
            f"Of its values, {'; '.join(parts)}. Correct the stray ones, or say in the heading "
            f"which notation it is, as in 'tooth (FDI)' (or notation=\"fdi\", --notation fdi): "
            f"rows that do not fit are then excluded one by one."
        )
    raw.sieve.stop("tooth", problem, remedy)


# Columns -----------------------------------------------------------------------------------------


def clean_table(raw: Raw, notation: Notation | None) -> pd.DataFrame:
    """Typed columns of all rows read; unreadable cells are blank, and listed in the sieve."""
    typed: dict[str, pd.Series] = {}
    order = sorted(raw.table.columns, key=lambda c: c.unit in (BY_MOVEMENT, BY_MEASURE))
    for column in order:
        if column.name in raw.frame:
            typed[column.name] = _typed(raw, column, typed, notation)
        elif column.default is not None:
            typed[column.name] = pd.Series(column.default, index=raw.frame.index)
        elif column.required:
            typed[column.name] = pd.Series(np.nan, index=raw.frame.index, dtype=object)
    names = [c.name for c in raw.table.columns if c.name in typed]
    frame = pd.DataFrame({name: typed[name] for name in names}, index=raw.frame.index)
    for name in raw.extras:
        frame[name] = _extra(raw, name)
    frame["row"] = raw.sieve.rows
    return frame


def _typed(
    raw: Raw, column: Column, typed: dict[str, pd.Series], notation: Notation | None
) -> pd.Series:
    if column.kind in ("number", "integer"):
        return _number_column(raw, column, typed)
    if column.kind == "tooth":
        return _tooth_column(raw, column, notation)
    if column.kind == "code":
        return _code_column(raw, column)
    if column.kind == "date":
        return _date_column(raw, column)
    return _text_column(raw, column)


def _report(raw: Raw, column: Column, where: np.ndarray, problem: str, remedy: str) -> None:
    values = raw.frame[column.name].to_numpy(object)
    if column.if_bad == "exclude":
        raw.sieve.exclude(where & raw.live, column.name, values, problem, remedy)
    else:
        remedy = f"{remedy} Until then the cell counts as blank."
        raw.sieve.check(where & raw.live, column.name, values, problem, remedy)


def _require(raw: Raw, column: Column, blank: np.ndarray) -> None:
    if not column.required or not blank.any():
        return
    if column.name in ("achieved", "value"):
        # After all else, so that the ledger shows what is wrong with a row before what it lacks.
        return
    remedy = "Fill it in."
    if column.name == "patient":
        remedy = "Fill it in on every row: a merged cell holds its value in its first row only."
    if column.name == "planned":
        remedy = "Write the planned movement; 0 if none was planned."
    _report(raw, column, blank, f"{column.name} is blank", remedy)


def set_aside_unmeasured(raw: Raw, frame: pd.DataFrame) -> None:
    """Set aside rows whose outcome is blank; they are not wrong, only not measured yet."""
    for name in ("achieved", "value"):
        if name in raw.frame:
            raw.sieve.set_aside(frame[name].isna().to_numpy(), NOT_MEASURED)


def _trouble(raw: Raw, column: Column, trouble: np.ndarray) -> None:
    for kind in pd.unique(trouble[trouble != ""]):
        problem, remedy = cells.TROUBLE[kind]
        _report(raw, column, trouble == kind, problem, remedy)


def _number_column(raw: Raw, column: Column, typed: dict[str, pd.Series]) -> pd.Series:
    read = cells.numbers(raw.frame[column.name])
    values, trouble = read.values.copy(), read.trouble.copy()
    if column.kind == "integer":
        part = np.isfinite(values) & (values != np.floor(values))
        trouble[part], values[part] = "whole", np.nan
    _trouble(raw, column, trouble)
    expected = _expected_units(column, typed, len(values))
    _check_units(raw, column, read.units, expected, values)
    if column.hard_low is not None:
        low = values < column.hard_low
        problem = f"{column.name} cannot be below {column.hard_low:g}"
        _report(raw, column, low, problem, "Correct the number.")
        values[low] = np.nan
    odd = np.zeros(len(values), dtype=bool)
    if column.low is not None:
        odd |= values < column.low
    if column.high is not None:
        odd |= values > column.high
    if odd.any():
        raw.sieve.check(
            odd & raw.live,
            column.name,
            raw.frame[column.name].to_numpy(object),
            f"{column.name} outside what is usual ({_usual(column)})",
            "Correct the number, or leave it if it is right.",
        )
    if column.default is not None:
        values = np.where(read.blank, column.default, values)
    else:
        _require(raw, column, read.blank)
    return pd.Series(values, index=raw.frame.index)


def _usual(column: Column) -> str:
    low = column.low if column.low is not None else column.hard_low
    if low is None:
        return f"up to {column.high:g}"
    return f"{low:g} to {column.high:g}" if column.high is not None else f"from {low:g}"


def _expected_units(column: Column, typed: dict[str, pd.Series], size: int) -> np.ndarray:
    if column.unit == BY_MOVEMENT:
        units = {name: movement.unit for name, movement in MOVEMENTS.items()}
        return _mapped(typed.get("movement"), units, size)
    if column.unit == BY_MEASURE:
        known = _mapped(typed.get("measure"), MEASURES, size)
        given = typed.get("unit")
        if given is None:
            return known
        spoken = cells.by_unique(given, lambda v: cells.unit_of(cells.clean_text(v)))
        return np.where(known == "", spoken, known)
    return np.full(size, column.unit, dtype=object)


def _mapped(column: pd.Series | None, to: dict[str, str], size: int) -> np.ndarray:
    if column is None:
        return np.full(size, "", dtype=object)
    return cells.by_unique(column, lambda v: to.get(str(v), ""))


def _check_units(
    raw: Raw, column: Column, written: np.ndarray, expected: np.ndarray, values: np.ndarray
) -> None:
    """A unit in the cell or the heading, or in a unit column, must be the unit of the row."""
    says = np.where(written == "", raw.units.get(column.name, ""), written)
    for unit in pd.unique(expected[expected != ""]):
        wrong = (expected == unit) & (says != "") & (says != unit) & np.isfinite(values)
        source = "cell" if (written != "")[wrong].any() else "heading"
        problem = f"the {source} gives another unit; this number is in {plural(unit)}"
        remedy = (
            f"Correct the number, its unit or the movement: {unit} is expected here."
            if column.unit == BY_MOVEMENT
            else f"Give the number in {unit}."
        )
        _report(raw, column, wrong, problem, remedy)
        values[wrong] = np.nan


def plural(unit: str) -> str:
    """Unit as words want it: degrees, mm.

    Examples
    --------
    >>> plural("degree"), plural("mm")
    ('degrees', 'mm')
    """
    return "degrees" if unit == "degree" else unit


def _tooth_column(raw: Raw, column: Column, notation: Notation | None) -> pd.Series:
    cell = raw.frame[column.name]
    blank = blank_cells(cell)
    if notation is None:
        return pd.Series(np.nan, index=cell.index)
    numbers = teeth.parse_teeth(cell.to_numpy(object), notation)
    unknown = np.isnan(numbers) & ~blank
    remedy = f"Use {teeth.describe_notation(notation)}."
    _report(raw, column, unknown, f"no {teeth.NOTATION_NAMES[notation]} tooth number", remedy)
    _require(raw, column, blank)
    return pd.Series(numbers, index=cell.index)


def _code_column(raw: Raw, column: Column) -> pd.Series:
    words = cells.texts(raw.frame[column.name])
    lookup = cells.code_lookup(column.codes)

    def read(word: object) -> str:
        text = str(word)
        bare = headers.heading(text).name if column.name == "movement" else text
        return lookup.get(cells.word_key(text), lookup.get(cells.word_key(bare), ""))

    found = by_word(words, read)
    blank = words == ""
    unknown = (found == "") & ~blank
    if column.name == "measure":
        found = np.where(unknown, by_word(words, lambda w: headers.heading(w).name), found)
    elif column.other_codes:
        _trouble(raw, column, np.where(by_word(words, cells.is_error), "error", ""))
        unknown &= ~by_word(words, cells.is_error).astype(bool)
        raw.sieve.check_values(
            unknown & raw.live,
            column.name,
            words,
            f"no {column.name} known by name; kept as it is",
            f"Known: {', '.join(code.name for code in column.codes)}. Correct a slip, or leave it.",
        )
        found = np.where(unknown, by_word(words, str.casefold), found)
    else:
        _unknown_codes(raw, column, words, unknown)
    _require(raw, column, blank)
    return _string(found, raw.frame.index)


def _unknown_codes(raw: Raw, column: Column, words: np.ndarray, unknown: np.ndarray) -> None:
    names = [code.name for code in column.codes]

    def remedy(word: str) -> str:
        axis = DIRECTION_WORDS.get(cells.word_key(word))
        if column.name == "movement" and axis:
            movement = MOVEMENTS[axis]
            return (
                f"That is a direction. Write {axis}, with positive numbers for "
                f"{movement.positive} and negative ones for {movement.negative}."
            )
        close = headers.near(word, names)
        return f"{f'Is it {close}? ' if close else ''}Use one of: {', '.join(names)}."

    for word in pd.unique(words[unknown & raw.live]):
        problem = f"no {column.name} of that name"
        _report(raw, column, unknown & (words == word), problem, remedy(word))


def by_word(words: np.ndarray, function: Callable[[str], object]) -> np.ndarray:
    """Apply ``function`` to the distinct texts of an array, ``""`` staying ``""``."""
    return cells.by_unique(pd.Series(words, dtype=object), lambda w: function(str(w)) if w else "")


def _date_column(raw: Raw, column: Column) -> pd.Series:
    days, trouble = cells.dates(raw.frame[column.name])
    _trouble(raw, column, trouble)
    return days


def _text_column(raw: Raw, column: Column) -> pd.Series:
    words = cells.texts(raw.frame[column.name])
    if column.kind == "identifier":
        dated = cells.by_unique(raw.frame[column.name], lambda v: isinstance(v, dt.date))
        raw.sieve.check_values(
            dated.astype(bool) & raw.live,
            column.name,
            words,
            "a date where a code belongs; kept as it is",
            "The spreadsheet may have turned a code such as 3-5 into a date: format the column as "
            "text and type the codes again.",
        )
    trouble = by_word(words, lambda w: "error" if cells.is_error(w) else "")
    _trouble(raw, column, trouble)
    _require(raw, column, words == "")
    return _string(np.where(trouble == "", words, ""), raw.frame.index)


def _string(words: np.ndarray, index: pd.Index) -> pd.Series:
    return pd.Series([w or None for w in words.tolist()], index=index, dtype="str")


def _extra(raw: Raw, name: str) -> pd.Series:
    """A column of the user's own: numbers if all its cells are, dates if all are, else text."""
    cell = raw.frame[name]
    if pd.api.types.is_datetime64_any_dtype(cell):
        return cell
    words = cells.texts(cell)
    live = raw.live & (words != "")
    read = cells.numbers(cell)
    padded = by_word(words, lambda w: len(w) > 1 and w[0] == "0" and w.isdigit()).astype(bool)
    fine = (read.trouble[live] == "") & (read.units[live] == "") & ~padded[live]
    if fine.all() and np.isfinite(read.values[live]).any():
        return pd.Series(read.values, index=cell.index)
    days, trouble = cells.dates(cell)
    if (trouble[live] == "").all() and days[live].notna().any():
        return days
    errors = by_word(words, cells.is_error).astype(bool) & raw.live
    raw.sieve.check_values(
        errors,
        name,
        words,
        "a spreadsheet error; the cell counts as blank",
        "Correct the formula, or type the value in its place.",
    )
    return _string(np.where(errors, "", words), cell.index)
