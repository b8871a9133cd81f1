"""The kinds of bad cells that practice spreadsheets have, planted where they are remembered."""

import datetime
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.domain.movements import MOVEMENTS
from outcomes.errors import InputError
from outcomes.simulate.invented import SimulatedCohort
from outcomes.simulate.scenario import DECIMALS, UNITS
from outcomes.words.units import NBSP, unit_mark

HEADER_ROWS = 1
"""Rows above the first row of data, so that row numbers are those a spreadsheet shows."""


@dataclass(frozen=True)
class Kind:
    """One kind of bad cell.

    ``write`` makes the bad cell out of its row; ``outcome`` is what reading must do with it:
    ``read`` (understood, as if typed well), ``check`` (kept and listed), ``blank`` (row kept, cell
    emptied and listed), ``exclude`` (row to the ledger), ``drop`` (an empty row, not counted).
    """

    table: str
    outcome: str
    name: str
    column: str
    write: Callable[[pd.Series], Any]
    where: str = ""


def _text(row: pd.Series, column: str, point: str = ".") -> str:
    """The number as an export would print it."""
    return f"{row[column]:.{DECIMALS[UNITS[row['movement']]]}f}".replace(".", point)


def _unit(row: pd.Series, *, wrong: bool = False) -> str:
    """The unit behind the number, as people type it; or the other one."""
    unit = UNITS[row["movement"]]
    other = {"mm": "degree", "degree": "mm"}
    return unit_mark(other[unit] if wrong else unit).replace(NBSP, " ")


def _wrong_way(row: pd.Series) -> float:
    """Opposite to the plan by one and a half times the tolerance."""
    movement = MOVEMENTS[row["movement"]]
    wrong = -np.sign(row["planned"]) * 1.5 * movement.tolerance
    return round(float(wrong), DECIMALS[movement.unit])


# table, outcome -> name, column, what makes the bad cell out of its row, perhaps in which rows
_KINDS: dict[tuple[str, str], tuple[tuple[Any, ...], ...]] = {
    # Typed in an unusual way, but plain what is meant.
    ("movements", "read"): (
        ("decimal comma", "planned", lambda r: _text(r, "planned", ",")),
        ("unit in the cell", "achieved", lambda r: _text(r, "achieved", ",") + _unit(r)),
        (
            "Unicode minus",
            "achieved",
            lambda r: _text(r, "achieved").replace("-", "\N{MINUS SIGN}"),
            "achieved < 0",
        ),
        ("number as text", "planned", lambda r: f" {_text(r, 'planned')} "),
        ("stray spaces", "movement", lambda r: f" {r['movement']}  "),
        ("capitals", "movement", lambda r: r["movement"].upper()),
        ("tooth as decimal", "tooth", lambda r: f"{r['tooth']}.0"),
    ),
    ("patients", "read"): (
        ("unit in the cell", "age", lambda r: f"{r['age']} years"),
        ("initial for a code", "sex", lambda r: r["sex"][0].upper()),
    ),
    ("courses", "read"): (("text date", "start", lambda r: f"{r['start']:%Y-%m-%d}"),),
    ("measures", "read"): (
        (
            "unit in the cell",
            "value",
            lambda r: f"{r['value']:.1f}".replace(".", ",") + " mm",
            "measure == 'overbite'",
        ),
    ),
    # Kept, but worth a look.
    ("movements", "check"): (
        ("opposite sign", "achieved", _wrong_way),
        (
            "decimal point misplaced",
            "achieved",
            lambda r: round(float(r["achieved"] * 10), 1),
            "movement == 'mesiodistal' and (achieved > 0.61 or achieved < -0.61)",
        ),
    ),
    ("patients", "blank"): (
        ("unreadable age", "age", lambda r: "about 30"),
        ("unknown code", "sex", lambda r: "?"),
    ),
    ("courses", "blank"): (
        ("no such day", "end", lambda r: "2023-02-30"),
        ("number with a note", "wear_hours", lambda r: "20 at night"),
    ),
    # Cannot be analysed: to the ledger, with the reason.
    ("movements", "exclude"): (
        ("blank achieved", "achieved", lambda r: None),
        ("blank planned", "planned", lambda r: None),
        ("blank patient", "patient", lambda r: None),
        ("unknown tooth", "tooth", lambda r: 19),
        ("impossible tooth", "tooth", lambda r: "lower left"),
        ("unknown movement", "movement", lambda r: "translation"),
        ("word for a number", "planned", lambda r: "see notes"),
        ("wrong unit", "planned", lambda r: _text(r, "planned") + _unit(r, wrong=True)),
        ("thousands or decimals", "planned", lambda r: "1,234"),
        ("Excel error", "achieved", lambda r: "#N/A"),
        ("Excel error", "planned", lambda r: "#DIV/0!"),
        ("number turned into a date", "planned", lambda r: datetime.datetime(2023, 5, 1)),
        ("course zero", "course", lambda r: 0),
    ),
    ("measures", "exclude"): (
        ("unknown tooth", "tooth", lambda r: 99, "measure == 'recession'"),
        ("blank value", "value", lambda r: None),
    ),
    ("repeats", "exclude"): (("word for a number", "value", lambda r: "unclear"),),
}
KINDS = tuple(
    Kind(table, outcome, *kind) for (table, outcome), kinds in _KINDS.items() for kind in kinds
)
ADDED = {
    # kind of row added at the end of movements -> outcome
    "duplicate row": "exclude",
    "blank row": "drop",
}
KIND_NAMES = tuple(dict.fromkeys([*(kind.name for kind in KINDS), *ADDED]))


def with_bad_rows(
    invented: SimulatedCohort,
    *,
    seed: int,
    each: Mapping[str, int] | int = 1,
    leave_out: Collection[str] = (),
) -> SimulatedCohort:
    """The same cohort with bad cells of each kind, listed in ``planted``.

    Parameters
    ----------
    invented
        A simulated cohort, large enough that every bad cell gets a row of its own.
    seed
        Settles which rows.
    each
        How many cells of each kind: a number, or by name (1 for those not named).
    leave_out
        Names of kinds not wanted, from ``KIND_NAMES``.

    Returns
    -------
    SimulatedCohort
        Tables with the columns concerned as objects, the way a spreadsheet holds them; rows
        added (duplicates, blank rows) stand at the end of movements.

    Raises
    ------
    InputError
        For an unknown kind, or if there are too few rows.

    Examples
    --------
    >>> from outcomes.simulate import simulate_cohort
    >>> messy = with_bad_rows(simulate_cohort(patients=12, seed=1), seed=1)
    >>> messy.planted.loc[messy.planted["kind"] == "Excel error", ["column", "value", "outcome"]]
          column    value  outcome
    26  achieved     #N/A  exclude
    27   planned  #DIV/0!  exclude
    """
    counts = dict.fromkeys(KIND_NAMES, 1) | dict(
        each if isinstance(each, Mapping) else dict.fromkeys(KIND_NAMES, each)
    )
    counts |= dict.fromkeys(leave_out, 0)
    unknown = set(counts) - set(KIND_NAMES)
    if unknown:
        raise InputError(f"no such kind of bad row: {', '.join(sorted(unknown))}")
    rng = np.random.default_rng(seed)
    tables = {name: table.copy() for name, table in invented.tables.items()}
    free = {name: _plain_rows(name, table) for name, table in tables.items()}
    planted = []
    for kind in KINDS:
        count = counts[kind.name]
        if count == 0:
            continue
        table = tables[kind.table]
        usable = free[kind.table]
        if kind.where:
            usable = usable.intersection(table.loc[usable].query(kind.where).index)
        if len(usable) < count:
            raise InputError(
                f"too few rows in {kind.table} for {count} of '{kind.name}': simulate more patients"
            )
        table[kind.column] = table[kind.column].astype(object)
        for at in np.sort(rng.choice(usable, size=count, replace=False)):
            value = kind.write(invented.tables[kind.table].loc[at])
            table.at[at, kind.column] = value
            planted.append(_planted(kind.table, at, kind.column, value, kind.name, kind.outcome))
            free[kind.table] = free[kind.table].drop(at)
    tables["movements"], added = _add_rows(rng, tables["movements"], free["movements"], counts)
    planted_all = pd.DataFrame([*planted, *added])
    return SimulatedCohort(**tables, truth=invented.truth, planted=planted_all)


def _planted(table: str, at: int, column: str, value: Any, kind: str, outcome: str) -> dict:
    return {
        "table": table,
        "row": int(at) + HEADER_ROWS + 1,
        "column": column,
        "value": "" if value is None else str(value),
        "kind": kind,
        "outcome": outcome,
    }


def _plain_rows(name: str, table: pd.DataFrame) -> pd.Index:
    """Rows that are complete, and whose planned and achieved movement are of some size."""
    if name == "movements":
        big = table["movement"].map(UNITS).map({"mm": 0.3, "degree": 2.0})
        return table.index[(table["planned"].abs() >= big) & table["achieved"].notna()]
    if name == "courses":
        return table.index[table["end"].notna()]
    return table.index


def _add_rows(
    rng: np.random.Generator, movements: pd.DataFrame, free: pd.Index, counts: Mapping[str, int]
) -> tuple[pd.DataFrame, list[dict]]:
    """Rows put at the end of movements: some of the plain ones again, then empty ones."""
    again = movements.loc[rng.choice(free, size=counts["duplicate row"], replace=False)]
    blank = pd.DataFrame(index=range(3 * counts["blank row"]), columns=movements.columns)
    added = pd.concat([again.astype(object), blank.astype(object)], ignore_index=True)
    kinds = ["duplicate row"] * len(again) + ["blank row"] * len(blank)
    planted = [
        _planted("movements", len(movements) + i, "patient", patient, kind, ADDED[kind])
        for i, (patient, kind) in enumerate(
            zip([*again["patient"], *[None] * len(blank)], kinds, strict=True)
        )
    ]
    return pd.concat([movements.astype(object), added], ignore_index=True), planted
