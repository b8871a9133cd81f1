"""Small cohorts, written the way people write them."""

from __future__ import annotations

import pandas as pd
import pytest

from outcomes.cohort.read import from_frames, read_cohort
from outcomes.cohort.records import Cohort

HEAD = "patient,tooth,movement,planned,achieved"


@pytest.fixture
def csv(tmp_path):
    """Write lines as a movements CSV and read it; more keywords go to read_cohort."""

    def read(*lines: str, head: str = HEAD, encoding: str = "utf-8", **options) -> Cohort:
        path = tmp_path / "movements.csv"
        path.write_bytes("\n".join([head, *lines, ""]).encode(encoding))
        return read_cohort(path, **options)

    return read


@pytest.fixture
def rows():
    """A cohort from movements given as tuples, the five required columns first."""

    def read(*cells: tuple, head: str = HEAD, **options) -> Cohort:
        frame = pd.DataFrame(list(cells), columns=head.split(","), dtype=object)
        return from_frames(frame, **options)

    return read


def adds_up(cohort: Cohort) -> bool:
    """Whether in each table the rows read are those excluded plus those analysed."""
    steps = cohort.ledger.pivot_table(
        index="table", columns="step", values="rows", aggfunc="sum", fill_value=0
    ).reindex(columns=["read", "excluded", "analysed"], fill_value=0)
    balanced = (steps["read"] == steps["excluded"] + steps["analysed"]).all()
    lost = cohort.excluded.groupby("table").size().reindex(steps.index, fill_value=0)
    kept = pd.Series({name: len(getattr(cohort, name)) for name in steps.index})
    return bool(
        balanced and (lost == steps["excluded"]).all() and (kept == steps["analysed"]).all()
    )


def found(cohort: Cohort, row: int | None, column: str | None = None) -> list[tuple[str, str]]:
    """Severity and problem of everything listed for a row."""
    problems = cohort.problems
    at = problems["row"].isna() if row is None else (problems["row"] == row).fillna(False)
    if column is not None:
        at &= problems["column"] == column
    return list(problems.loc[at, ["severity", "problem"]].itertuples(index=False, name=None))
