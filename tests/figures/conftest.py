"""Fits and a cohort that the figure tests share."""

from types import SimpleNamespace

import pandas as pd
import pytest
from matplotlib.text import Text

import outcomes as oc
from outcomes.paths import data_path


@pytest.fixture(scope="session")
def rotation() -> pd.DataFrame:
    """1270 invented rotations of 40 patients (tests/reference/README.md)."""
    path = data_path("shared").parent / "tests" / "reference" / "rotation_cohort.csv"
    return pd.read_csv(path).assign(movement="rotation")


@pytest.fixture(scope="session")
def fit(rotation):
    return oc.fit_rate(rotation, "rotation")


@pytest.fixture
def texts():
    """Every text of an Axes that is not empty."""

    def found(ax) -> list[str]:
        return [t.get_text() for t in ax.findobj(Text) if t.get_text()]

    return found


def made_ledger(excluded: dict[str, int], planned: int = 40, unplanned: int = 5):
    """A cohort that has nothing but a ledger."""
    read = planned + unplanned + sum(excluded.values())
    rows = [("movements", "read", "", read, 9)]
    rows += [("movements", "excluded", reason, n, 1) for reason, n in excluded.items()]
    kept = {
        "planned movement: enters the rates": (planned, 8),
        "planned = 0: unplanned movement, reported apart, never a rate": (unplanned, 4),
    }
    rows += [("movements", "analysed", reason, *counts) for reason, counts in kept.items()]
    columns = ["table", "step", "reason", "rows", "patients"]
    return SimpleNamespace(ledger=pd.DataFrame(rows, columns=columns))


@pytest.fixture(scope="session")
def ledger():
    return made_ledger
