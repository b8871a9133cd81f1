"""References are written by R and by scripts that somebody runs, never by a run of the tests."""

import runpy
from pathlib import Path

import pandas as pd
import pytest

SCRIPTS = sorted(Path(__file__).with_name("reference").glob("*.py"))


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda p: p.name)
def test_reading_a_script_of_the_references_writes_nothing(script, monkeypatch):
    """Doctests are collected from every file of tests/, so every file is imported."""
    monkeypatch.setattr(pd.DataFrame, "to_csv", lambda *a, **k: pytest.fail("it wrote a file"))
    runpy.run_path(str(script), run_name="collected")
