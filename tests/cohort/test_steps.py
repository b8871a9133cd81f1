"""Reading goes by steps: each makes new values, and leaves those of the step before as they are."""

import pandas as pd
import pytest

from outcomes.cohort.headed import head
from outcomes.cohort.ledger import excluded, ledger
from outcomes.cohort.named import name_columns
from outcomes.cohort.settled import settle_notations
from outcomes.cohort.sources import sheet_of
from outcomes.cohort.typed import type_columns


@pytest.fixture
def named():
    rows = pd.DataFrame(
        {
            "patient": ["P1", "EXAMPLE", "P2", "P3", "P4"],
            "tooth": ["13", "13", "99", "36", "23"],
            "movement": ["rotation"] * 5,
            "planned": ["5", "1", "4", "much", "0"],
            "achieved": ["3", "1", "2", "1", ""],
        }
    )
    return {"movements": name_columns(head(sheet_of(rows, "movements", "rows")))}


def test_settling_the_notation_leaves_the_named_columns_as_they_are(named):
    settled = settle_notations(named, "fdi")
    assert named["movements"].notation == ""
    assert settled["movements"].notation == "fdi"


def test_typing_the_columns_leaves_their_findings_as_they_are(named):
    before = settle_notations(named, "fdi")["movements"]
    reasons, found = before.sieve.reason.copy(), len(before.sieve.found)
    typed = type_columns(before)
    assert before.sieve.reason.tolist() == reasons.tolist()
    assert len(before.sieve.found) == found
    assert len(typed.sieve.found) > found
    assert typed.kept["patient"].tolist() == ["P1"]


def test_rows_read_are_rows_excluded_and_rows_analysed(named):
    tables = {"movements": type_columns(settle_notations(named, "fdi")["movements"])}
    rows = ledger(tables).groupby("step")["rows"].sum()
    assert rows["read"] == 5
    assert rows["read"] == rows["excluded"] + rows["analysed"]
    assert len(excluded(tables)) == rows["excluded"]
