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

    name: str
    table: str
    column: str
    outcome: str
    write: Callable[[pd.Series], Any]
    where: str = ""


def _text(row: pd.Series, column: str) -> str:
    """The number as an export would print it."""
    return f"{row[column]:.{DECIMALS[UNITS[row['movement']]]}f}"


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


KINDS = (
    # Typed in an unusual way, but plain what is meant.
    Kind(
        "decimal comma",
        "movements",
        "planned",
        "read",
        lambda r: _text(r, "planned").replace(".", ","),
    ),
    Kind(
        "unit in the cell",
        "movements",
        "achieved",
        "read",
        lambda r: _text(r, "achieved").replace(".", ",") + _unit(r),
    ),
    Kind(
        "Unicode minus",
        "movements",
        "achieved",
        "read",
        lambda r: _text(r, "achieved").replace("-", "\N{MINUS SIGN}"),
        "achieved < 0",
    ),
    Kind("number as text", "movements", "planned", "read", lambda r: f" {_text(r, 'planned')} "),
    Kind("stray spaces", "movements", "movement", "read", lambda r: f" {r['movement']}  "),
    Kind("capitals", "movements", "movement", "read", lambda r: r["movement"].upper()),
    Kind("tooth as decimal", "movements", "tooth", "read", lambda r: f"{r['tooth']}.0"),
    Kind("unit in the cell", "patients", "age", "read", lambda r: f"{r['age']} years"),
    Kind("initial for a code", "patients", "sex", "read", lambda r: r["sex"][0].upper()),
    Kind("text date", "courses", "start", "read", lambda r: f"{r['start']:%Y-%m-%d}"),
    Kind(
        "unit in the cell",
        "measures",
        "value",
        "read",
        lambda r: f"{r['value']:.1f}".replace(".", ",") + " mm",
        "measure == 'overbite'",
    ),
    # Kept, but worth a look.
    Kind("opposite sign", "movements", "achieved", "check", _wrong_way),
    Kind(
        "decimal point misplaced",
        "movements",
        "achieved",
        "check",
        lambda r: round(float(r["achieved"] * 10), 1),
        "movement == 'mesiodistal' and (achieved > 0.61 or achieved < -0.61)",
    ),
    Kind("unreadable age", "patients", "age", "blank", lambda r: "about 30"),
    Kind("unknown code", "patients", "sex", "blank", lambda r: "?"),
    Kind("no such day", "courses", "end", "blank", lambda r: "2023-02-30"),
    Kind("number with a note", "courses", "wear_hours", "blank", lambda r: "20 at night"),
    # Cannot be analysed: to the ledger, with the reason.
    Kind("blank achieved", "movements", "achieved", "exclude", lambda r: None),
    Kind("blank planned", "movements", "planned", "exclude", lambda r: None),
    Kind("blank patient", "movements", "patient", "exclude", lambda r: None),
    Kind("unknown tooth", "movements", "tooth", "exclude", lambda r: 19),
    Kind("impossible tooth", "movements", "tooth", "exclude", lambda r: "lower left"),
    Kind("unknown movement", "movements", "movement", "exclude", lambda r: "translation"),
    Kind("word for a number", "movements", "planned", "exclude", lambda r: "see notes"),
    Kind(
        "wrong unit",
        "movements",
        "planned",
        "exclude",
        lambda r: _text(r, "planned") + _unit(r, wrong=True),
    ),
    Kind("thousands or decimals", "movements", "planned", "exclude", lambda r: "1,234"),
    Kind("Excel error", "movements", "achieved", "exclude", lambda r: "#N/A"),
    Kind("Excel error", "movements", "planned", "exclude", lambda r: "#DIV/0!"),
    Kind(
        "number turned into a date",
        "movements",
        "planned",
        "exclude",
        lambda r: datetime.datetime(2023, 5, 1),
    ),
    Kind("course zero", "movements", "course", "exclude", lambda r: 0),
    Kind("unknown tooth", "measures", "tooth", "exclude", lambda r: 99, "measure == 'recession'"),
    Kind("blank value", "measures", "value", "exclude", lambda r: None),
    Kind("word for a number", "repeats", "value", "exclude", lambda r: "unclear"),
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
