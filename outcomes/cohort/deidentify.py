"""A copy of a cohort without what names persons: `outcomes deidentify`.

Patients, clinicians, sites and readers become keyed pseudonyms, dates become days, ages over 89
become 90, and every column of the user's own is kept or dropped by name or refused. Ages: US HHS
Safe Harbor method, 45 CFR 164.514(b)(2)(i)(C).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.cohort import cells
from outcomes.cohort import shared_columns as shared
from outcomes.cohort.identifying import gives_away
from outcomes.cohort.mapping.file import mapping_at
from outcomes.cohort.mapping.opened import open_pages, source_at
from outcomes.cohort.mapping.spec import Mapping
from outcomes.cohort.problems import gather
from outcomes.cohort.pseudonyms import new_key, open_to_others, pseudonyms, read_key, write_key
from outcomes.cohort.read import read_cohort
from outcomes.cohort.records import Cohort
from outcomes.cohort.reread import require_same, tables_of
from outcomes.cohort.residue import Identifiers, residue
from outcomes.cohort.shared_columns import Asked, Choice, choose, columns_of
from outcomes.cohort.sources import Sheet, Source
from outcomes.cohort.whole import require_new, written_whole
from outcomes.cohort.write import write_tables
from outcomes.domain.limits import FEW_PATIENTS
from outcomes.domain.tables import TABLES
from outcomes.domain.teeth import Notation
from outcomes.errors import Identifying, InputError, OutputRefused
from outcomes.words.english import counted, is_

#: Ages above this are written as :data:`OLDEST`: 45 CFR 164.514(b)(2)(i)(C).
TOP_AGE, OLDEST = 89, 90

NO_GUARANTEE = (
    "This is no guarantee of anonymity: who knows a patient's teeth, age or course may still "
    "recognise the records, and whoever holds the key can undo the pseudonyms. Local law and your "
    "data protection officer decide whether, and to whom, they may be given."
)

ORDER = "Rows stand in the order of the pseudonyms, which tells nothing of the order in the source."
START = (
    "A patient's treatment starts on the first day of course 1. Where that day is missing, all "
    "dates of the patient are left blank."
)

_QUASI = ("age", "sex", "site")


@dataclass(frozen=True)
class Deidentified:
    """What was written, and what was done to each column.

    Attributes
    ----------
    path, report, key
        The copy; the report beside it; the key file. The last two stay with the practice.
    columns
        table, column, done.
    counts
        table, read, written, left_out: rows.
    small_groups
        Combinations of age in whole years, sex and site, as far as they are written, with fewer
        than five patients: the combination, then patients.
    notes
        What else should be known, in sentences.
    """

    path: Path
    report: Path
    key: Path
    columns: pd.DataFrame
    counts: pd.DataFrame
    small_groups: pd.DataFrame
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        return report_text(self)


def deidentify(
    cohort: str | Path,
    out: str | Path,
    *,
    key: str | Path,
    drop: Sequence[str] = (),
    keep: Sequence[str] = (),
    mapping: Mapping | str | Path | None = None,
    notation: Notation | None = None,
) -> Deidentified:
    """Write a copy of a cohort with pseudonyms, days and no column that may name somebody.

    Rows that reading excludes are left out and counted. The input is never changed, nothing is
    written in part, and what is written is read again: if a code, a name, a date or an address of
    the input stands in it, it is refused. This is no guarantee of anonymity.

    Parameters
    ----------
    cohort
        What :func:`outcomes.read_cohort` reads.
    out
        A new ``.xlsx``, a new ``.csv`` (movements alone) or a new folder. A report is written
        beside it.
    key
        File with the key of the pseudonyms; made, readable by its owner only, where there is none.
        It stays with the practice, outside ``out``. The same key gives the same pseudonyms.
    drop, keep
        Columns to leave out, or to keep as they are; ``"table.column"`` where two tables have one of
        that name. The user's own columns and those with free words are refused unless named here.
    mapping, notation
        As in :func:`outcomes.read_cohort`.

    Returns
    -------
    Deidentified

    Raises
    ------
    Identifying
        If columns are refused; all are listed, each with what to say.
    CohortError
        If the cohort has stop problems.
    OutputRefused
        If something stands at ``out``, or identifiers were found in what was to be written.
    """
    cohort, out, key = Path(cohort), Path(out), Path(key)
    _check_places(cohort, out, key)
    how = None if mapping is None else mapping_at(mapping)
    found, source = read_cohort(cohort, mapping=how, notation=notation), source_at(cohort, how)
    answered = () if how is None else how.answered
    if how is not None:
        source = _with_all_cells(source, cohort)
    personal = {n: shared.personal_columns(sheet) for n, sheet in source.sheets.items()}
    tables = tables_of(found)
    tables["movements"] = _without_blank_aims(tables["movements"], found.blank_aims)
    if out.suffix.lower() == ".csv" and len(tables) > 1:
        raise InputError(f"{out.name} has room for movements only: give a folder or an .xlsx.")
    choices, refused = choose(
        tables, {n: list(personal.get(n, ())) for n in tables}, Asked(drop, keep)
    )
    if refused:
        raise Identifying(gather(refused), found.source)
    secret = read_key(key)
    made = secret is None
    secret = secret or new_key()
    given = {
        letter: pseudonyms(secret, letter, _values(tables, column, choices))
        for column, letter in shared.KINDS.items()
    }
    new, notes = _carried_out(tables, choices, given)
    identifiers = _identifiers(found, source, personal, given)
    report = report_place(out)
    result = Deidentified(
        out,
        report,
        key,
        pd.DataFrame([vars(c) for c in choices], columns=["table", "column", "done"]),
        _counts(found, new),
        small_groups(new.get("patients")),
        (*notes, *_key_notes(key, out, made=made)),
    )
    with written_whole(report) as page, written_whole(out) as place:
        write_tables(new, place, invented=found.invented)
        codes = frozenset(code for names in given.values() for code in names.values())
        left = residue(place, identifiers, codes)
        if left:
            raise OutputRefused(
                "Nothing was written, since identifiers of the input would stand in the copy: "
                f"{'; '.join(left)}. Drop these columns, or correct the values in the source."
            )
        require_same(_as_read(new), tables_of(read_cohort(place, answered=answered)))
        page.write_text(report_text(result), encoding="utf-8")
        if made:
            write_key(key, secret)
    return result


def report_place(out: Path) -> Path:
    """Where the report is written: beside the copy, never in it."""
    suffix = out.suffix if out.suffix.lower() in (".xlsx", ".csv") else ""
    return out.with_name(f"{out.name.removesuffix(suffix)}-report.md")


def _check_places(cohort: Path, out: Path, key: Path) -> None:
    require_new(out)
    require_new(report_place(out))
    if out.suffix.lower() not in ("", ".xlsx", ".csv"):
        raise InputError(f"{out.name}: give a name ending in .xlsx or .csv, or a folder.")
    if key.absolute().resolve().is_relative_to(out.absolute().resolve()):
        raise OutputRefused(f"The key {key} may not lie in what is given away: put it elsewhere.")
    if cohort.is_dir() and out.absolute().resolve().is_relative_to(cohort.resolve()):
        raise OutputRefused(f"{out} lies in the cohort itself: choose another folder.")
    if not key.absolute().parent.is_dir():
        raise OutputRefused(f"There is no folder {key.absolute().parent}: make it first.")


def _values(tables: dict[str, pd.DataFrame], column: str, choices: list[Choice]) -> list[str]:
    """Codes of a column in all tables in which it becomes pseudonyms."""
    replaced = {c.table for c in choices if (c.column, c.done) == (column, shared.PSEUDONYM)}
    words = [w for n in replaced for w in cells.texts(tables[n][column]).tolist() if w]
    return sorted(set(words))


def _carried_out(
    tables: dict[str, pd.DataFrame],
    choices: list[Choice],
    given: dict[str, dict[str, str]],
) -> tuple[dict[str, pd.DataFrame], list[str]]:
    """The new tables, sorted by pseudonym, and notes on what could not be counted in days."""
    starts = _starts(tables.get("courses"))
    done = {(c.table, c.column): c.done for c in choices}
    new: dict[str, pd.DataFrame] = {}
    notes: list[str] = []
    for name, table in tables.items():
        schema, own = columns_of(name, table)
        columns: dict[str, pd.Series] = {}
        for column in (*schema, *own):
            values, what = table[column], done.get((name, column), shared.AS_IT_IS)
            if what == shared.DROPPED:
                continue
            if what == shared.DAYS:
                begun = pd.to_datetime(table["patient"].map(starts.to_dict()))
                lost = int((values.notna() & begun.isna()).sum())
                if lost:
                    notes.append(
                        f"{name}, {column}: {counted(lost, 'date')} {is_(lost)} left blank, since "
                        "the patient's start is not known."
                    )
                values = (values.dt.normalize() - begun.dt.normalize()).dt.days.astype("Int64")
                taken = {*columns, *table.columns}
                column = _free(f"{column}_day", taken)
            elif what == shared.PSEUDONYM:
                names = given[shared.KINDS[column]]
                values = pd.Series(cells.texts(values), index=table.index).map(names)
            elif what == shared.NUMBERED:
                values = _numbered(table["patient"], values)
            elif what == shared.TOP_CODED:
                values = values.where(~(values > TOP_AGE), OLDEST)
            columns[column] = values
        frame = pd.DataFrame(columns, index=table.index)
        key = [c for c in TABLES[name].key if c in frame]
        new[name] = frame.sort_values(key, kind="stable", ignore_index=True).rename(
            columns={"tooth": "tooth (FDI)"}
        )
    return new, notes


def _without_blank_aims(table: pd.DataFrame, blank_aims: Collection[int]) -> pd.DataFrame:
    """Movements as people type them: no aim where the plan is the aim."""
    table = table.assign(aim=table["aim"].mask(table["row"].isin(blank_aims)))
    return table.drop(columns="aim") if table["aim"].isna().all() else table


def _free(name: str, taken: set[str]) -> str:
    while name in taken:
        name += "_"
    return name


def _starts(courses: pd.DataFrame | None) -> pd.Series:
    """First day of course 1 of each patient."""
    if courses is None or "start" not in courses:
        return pd.Series(dtype="datetime64[us]")
    first = courses[courses["course"] == 1].drop_duplicates("patient")
    return first.set_index("patient")["start"].dropna()


def _numbered(patients: pd.Series, values: pd.Series) -> pd.Series:
    """Occasions as numbers in the order of their words, which is the order of readings."""
    rank = values.groupby(patients.to_numpy()).rank(method="dense")
    width = len(f"{rank.max():.0f}") if rank.notna().any() else 1
    return rank.map(lambda n: f"{n:0{width}.0f}", na_action="ignore").astype("str")


def _with_all_cells(source: Source, path: Path) -> Source:
    """The source with every sheet as found too: what a mapping leaves out may name somebody."""
    pages = open_pages(path).pages
    found = {f"as found: {label}": Sheet("movements", label, p) for label, p in pages.items()}
    return replace(source, sheets={**source.sheets, **found})


def _identifiers(
    cohort: Cohort,
    source: Source,
    personal: dict[str, dict[str, list[str]]],
    given: dict[str, dict[str, str]],
) -> Identifiers:
    """Codes and names of the input: replaced, left out, excluded, or anywhere in its cells."""
    codes = {code for names in given.values() for code in names}
    if "patient" in cohort.excluded:
        codes |= set(cells.texts(cohort.excluded["patient"]).tolist())
    names = {word for columns in personal.values() for words in columns.values() for word in words}
    for sheet in source.sheets.values():
        for i in range(sheet.cells.shape[1]):
            column = sheet.cells.iloc[:, i]
            if pd.api.types.is_numeric_dtype(column):
                continue
            words = set(cells.texts(column).tolist()) - codes
            codes |= {word for word in words if gives_away(word)}
    return Identifiers.of(codes - {""}, names)


def _counts(cohort: Cohort, new: dict[str, pd.DataFrame]) -> pd.DataFrame:
    read = cohort.ledger[cohort.ledger["step"] == "read"].set_index("table")["rows"]
    rows = [(name, int(n), len(new[name]) if name in new else 0) for name, n in read.items()]
    return pd.DataFrame(
        [(name, n, m, n - m) for name, n, m in rows],
        columns=["table", "read", "written", "left_out"],
    )


def small_groups(patients: pd.DataFrame | None) -> pd.DataFrame:
    """Combinations of age, sex and site with fewer than five patients.

    Examples
    --------
    >>> few = pd.DataFrame({"patient": ["a", "b"], "sex": ["female", None], "age": [27.5, 27.0]})
    >>> small_groups(few).values.tolist()
    [['27', 'female', 1], ['27', '', 1]]
    """
    by = [] if patients is None else [c for c in _QUASI if c in patients]
    if patients is None or not by:
        return pd.DataFrame(columns=[*by, "patients"])
    part = patients[by].copy()
    if "age" in part:
        part["age"] = np.floor(part["age"].astype(float))
    part = part.apply(cells.texts)
    groups = part.groupby(by, sort=False).size().rename("patients").reset_index()
    return groups[groups["patients"] < FEW_PATIENTS].reset_index(drop=True)


def _key_notes(key: Path, out: Path, *, made: bool) -> list[str]:
    notes = []
    if made:
        notes.append(
            f"The key {key.name} is new. Keep it, and a copy of it, in the practice: without it the "
            "same patients get other pseudonyms next year."
        )
    elif open_to_others(key):
        notes.append(f"Others on this machine can read the key {key.name}: restrict who may.")
    if key.absolute().parent == out.absolute().parent:
        notes.append("The key and this report lie beside the copy: give neither away with it.")
    return notes


def _as_read(new: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """The new tables as reading should give them: FDI teeth, and the plan as the aim of blank ones."""
    tables = {name: t.rename(columns={"tooth (FDI)": "tooth"}) for name, t in new.items()}
    movements = tables["movements"]
    if "aim" in movements:
        aim = movements["aim"].fillna(movements["planned"])
        tables["movements"] = movements.assign(aim=aim)
    return tables


def report_text(result: Deidentified) -> str:
    """The report: what was done to each column, counts, small groups, notes."""
    lines = [f"# What was done to make {result.path.name}", "", NO_GUARANTEE, ""]
    lines += ["This report and the key stay with the practice.", "", "## Columns", ""]
    lines += _table(result.columns, ("table", "column", "what was done"))
    days = (result.columns["done"] == shared.DAYS).any()
    lines += ["", ORDER, *([START] if days else [])]
    lines += ["", "## Rows", ""]
    lines += _table(result.counts, ("table", "rows read", "rows written", "rows left out"))
    lines += ["", "## Small groups", ""]
    groups = result.small_groups
    if len(groups):
        n = int(groups["patients"].sum())
        what = ", ".join(c for c in groups.columns if c != "patients")
        lines += [
            f"{counted(n, 'patient')} {is_(n)} one of fewer than {FEW_PATIENTS} with the same {what}: "
            "they are the easiest to recognise. Drop columns to make the groups larger.",
            "",
            *_table(groups, tuple(groups.columns)),
        ]
    else:
        lines.append(f"No combination of age, sex and site has fewer than {FEW_PATIENTS} patients.")
    if result.notes:
        lines += ["", "## Notes", "", *(f"- {note}" for note in result.notes)]
    return "\n".join(lines) + "\n"


def _table(frame: pd.DataFrame, headings: tuple[str, ...]) -> list[str]:
    rows = [[cells.clean_text(v) for v in row] for row in frame.itertuples(index=False, name=None)]
    return [
        f"| {' | '.join(row).replace(chr(10), ' ')} |"
        for row in [list(headings), ["---"] * len(headings), *rows]
    ]
