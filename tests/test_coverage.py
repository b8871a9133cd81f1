"""95 % intervals hold the truth about 95 times in 100, in small cohorts with known rates.

The truth is that of the simulation. The ranges are wide enough for Monte-Carlo error (below) and
narrow enough that intervals 10 % too short (which cover about 92 %) fail at least one of them.
"""

import numpy as np
import pandas as pd
import pytest

from outcomes.rates.fit import fit_rate
from outcomes.simulate import DEFAULT_RATES, simulate_rates

COHORTS = 400


def covered(seed: int, cohorts: int = COHORTS, **options) -> pd.DataFrame:
    """For each cohort (rows) and tooth class: whether the interval holds the true rate."""
    truth = DEFAULT_RATES["rotation"]
    hits = []
    for stream in np.random.SeedSequence(seed).spawn(cohorts):
        rows = simulate_rates(seed=np.random.default_rng(stream), **options)
        rates = fit_rate(rows, group="tooth_class").rates.set_index("group")
        true = rates.index.astype(str).map(truth).to_numpy(dtype=float)
        hits.append((rates["low"] <= true) & (true <= rates["high"]))
    return pd.DataFrame(hits).astype(float)


def share_and_error(hits: pd.DataFrame) -> tuple[float, float]:
    """Coverage over all class rates, and its standard error with cohorts as clusters."""
    by_cohort = hits.mean(axis=1)
    return float(by_cohort.mean()), float(by_cohort.std() / np.sqrt(len(by_cohort)))


@pytest.fixture(scope="module")
def twelve_patients() -> pd.DataFrame:
    return covered(20241125, patients=12)


def test_class_rates_of_twelve_patients_are_covered(twelve_patients):
    share, error = share_and_error(twelve_patients)
    assert error < 0.008  # so that ± 2 points are more than two standard errors
    assert 0.93 <= share <= 0.97


def test_each_class_is_covered(twelve_patients):
    by_class = twelve_patients.mean()
    assert list(by_class.index.astype(str)) == list(DEFAULT_RATES["rotation"])
    # One class has 400 intervals: a standard error of 1.1 points.
    assert by_class.between(0.92, 0.98).all(), by_class


def test_patients_that_differ_much_are_covered():
    share, _ = share_and_error(covered(3, patients=12, patient_sd=0.25, tooth_sd=0.15))
    assert 0.93 <= share <= 0.97


def test_several_courses_are_covered():
    share, _ = share_and_error(covered(4, patients=12, teeth_per_patient=12, rows_per_tooth=2))
    assert 0.93 <= share <= 0.97
