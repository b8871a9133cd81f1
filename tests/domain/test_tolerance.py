"""A miss of exactly the tolerance is within it, in every table that counts."""

import numpy as np
import pandas as pd
import pytest

from outcomes.clinical.achieved import achievement
from outcomes.clinical.following import remaining
from outcomes.domain.limits import beyond_tolerance, within_tolerance
from outcomes.overcorrect.loop import closing_loop
from outcomes.overcorrect.validate import validate
from outcomes.rates.fit import fit_rate


def at_the_limit() -> pd.DataFrame:
    """Aims missed by 0.5 mm exactly, which floating point makes a little more: 1.1 - 0.6."""
    patients = [f"P{i:02d}" for i in range(12)]
    return pd.DataFrame({"patient": np.repeat(patients, 2)}).assign(
        tooth=[11, 21] * 12, movement="vertical", unit="mm", planned=1.1, achieved=0.6
    )


def test_exactly_the_tolerance_is_within():
    assert 1.1 - 0.6 > 0.5  # the trap
    assert within_tolerance(1.1 - 0.6, 0.5)
    assert within_tolerance(np.array([0.6 - 1.1, 0.51, np.nan]), 0.5).tolist() == [
        True,
        False,
        False,
    ]
    assert not beyond_tolerance(1.1 - 0.6, 0.5)
    assert beyond_tolerance(0.51, 0.5)


def test_all_tables_agree():
    rows = at_the_limit()
    assert achievement(rows, by="movement")["within_tolerance"].tolist() == [1.0]
    assert remaining(rows)["within"].all()
    start = np.where(rows["patient"] < "P06", "2024-01-01", "2025-01-01")
    periods = closing_loop(rows.assign(start=start), "2024-06-01").periods
    assert periods["within"].tolist() == [1.0, 1.0]
    over = closing_loop(rows.assign(start=start, aim=0.1), "2024-06-01").periods  # 0.6 - 0.1
    assert over["over"].tolist() == [0.0, 0.0]
    noise = np.random.default_rng(1).normal(0, 0.05, len(rows))
    noise[0] = 0.0
    left = validate(fit_rate(rows.assign(achieved=0.6 + noise), group=None)).shortfall
    miss = 0.5 - noise  # by arithmetic, not by subtraction of binary numbers
    assert left["within"].iloc[0] == pytest.approx(np.mean(miss <= 0.5))
