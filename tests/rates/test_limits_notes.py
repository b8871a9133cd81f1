"""What a fit says of its own data, from both sides of each limit, and the scatter by plain loops."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.rates import notes
from outcomes.rates.fit import fit_rate
from outcomes.simulate import simulate_rates


@pytest.mark.parametrize(
    ("ratio", "p", "said"),
    [
        (1.25, 0.0099, True),
        (1.2499, 0.0099, False),
        (1.25, 0.01, False),
        (3.0, 0.02, False),
        (np.nan, np.nan, False),
    ],
)
def test_growing_scatter_is_said_from_a_quarter_more_and_p_below_001(monkeypatch, ratio, p, said):
    monkeypatch.setattr(notes, "spread_growth", lambda residual, design: (ratio, p))
    assert bool(notes._spread_note(None, None)) == said


def test_the_words_of_growing_scatter(monkeypatch):
    monkeypatch.setattr(notes, "spread_growth", lambda residual, design: (1.64, 0.001))
    assert notes._spread_note(None, None) == [
        "Results scatter more where more was planned: 1.6 times as much around teeth with large "
        "plans as around those with small ones. In simulated data of this kind the intervals of "
        "the rates held; part of the scatter is taken for variation between teeth, and ranges for "
        "a single result are too wide for small plans."
    ]


def growth_by_loops(residual, design):
    """The same from its description: least squares within each tooth, a t test of patients."""
    teeth = {}
    for row, site in enumerate(design.site_row):
        teeth.setdefault(site, []).append(row)
    found = []
    for rows in teeth.values():
        if len(rows) < 2:
            continue
        x, y = design.planned[rows], residual[rows]
        left = np.sum((y - x * (x @ y) / (x @ x)) ** 2)
        weight = 1 - x**2 / (x @ x)  # what each row adds to what is left
        size = np.sum(x**2 * weight) / (len(rows) - 1)
        found.append((design.patient[rows[0]], size, left, len(rows) - 1))
    patient, size, left, free = (np.array(c) for c in zip(*found, strict=True))
    large = size > np.median(size)
    differences = []
    for p in np.unique(patient):
        far, near = (patient == p) & large, (patient == p) & ~large
        if far.any() and near.any():
            sd = [np.sqrt(left[half].sum() / free[half].sum()) for half in (far, near)]
            differences.append(sd[0] - sd[1])
    ratio = np.sqrt(
        left[large].sum() / free[large].sum() / (left[~large].sum() / free[~large].sum())
    )
    test = stats.ttest_1samp(differences, 0, alternative="greater")
    return ratio, test.pvalue, len(differences)


@pytest.mark.parametrize("heteroscedastic", [0.0, 0.6])
def test_growth_of_scatter_is_that_of_plain_loops(heteroscedastic):
    rows = simulate_rates(
        14, seed=6, teeth_per_patient=6, rows_per_tooth=3, heteroscedastic=heteroscedastic
    )
    rng = np.random.default_rng(2)
    rows = rows[rng.random(len(rows)) < 0.8]  # teeth with one, two and three records
    fit = fit_rate(rows)
    residual = notes.residuals(fit.mixed, fit.design)
    ratio, p, patients = growth_by_loops(residual, fit.design)
    assert patients >= 5
    assert notes.spread_growth(residual, fit.design) == pytest.approx((ratio, p), rel=1e-9)


def made_design(patients):
    """Each patient has a tooth with small and a tooth with large plans, two records of each."""
    n = 4 * patients
    return SimpleNamespace(
        site_row=np.repeat(np.arange(2 * patients), 2),
        site_labels=list(range(2 * patients)),
        patient_labels=[f"P{i}" for i in range(patients)],
        patient=np.repeat(np.arange(patients), 4),
        planned=np.tile([1.0, 1.0, 9.0, 9.0], patients),
        tooth=np.full(n, 11),
    )


@pytest.mark.parametrize(("patients", "known"), [(4, False), (5, True)])
def test_growth_needs_five_patients(patients, known):
    design = made_design(patients)
    residual = np.random.default_rng(1).normal(size=4 * patients)
    ratio, p = notes.spread_growth(residual, design)
    assert np.isfinite([ratio, p]).tolist() == [known, known]


def test_growth_from_nothing_is_not_known():
    design = made_design(6)
    residual = np.tile([0.0, 0.0, 1.0, -1.0], 6)
    assert np.isnan(notes.spread_growth(residual, design)).all()


def test_six_robust_standard_deviations_make_a_stray_result():
    # Median of |residual| is 1, and 1.4826 times it estimates a normal SD (textbook constant).
    usual = [1.0, -1.0] * 10
    at = 6 * 1.4826
    assert notes.stray_rows(np.array([*usual, at])).tolist() == []
    assert notes.stray_rows(np.array([*usual, at + 1e-9])).tolist() == [20]
    assert notes.stray_rows(np.array([*usual, 10.0, -30.0, 20.0])).tolist() == [21, 22, 20]
    assert notes.stray_rows(np.array([0.0] * 9 + [5.0])).tolist() == []


@pytest.mark.parametrize(
    ("strays", "said"),
    [
        (0, ""),
        (1, "1 result lies far from what the fit expects: P3 tooth 11."),
        (2, "2 results lie far from what the fit expects: P4 tooth 11, P3 tooth 11."),
        (3, "3 results lie far from what the fit expects: P4 tooth 11, P4 tooth 11, P3 tooth 11."),
        (4, "4 results lie far from what the fit expects, the furthest: P4 tooth 11, P4 tooth 11, P4 tooth 11."),
    ],
)  # fmt: skip
def test_up_to_three_stray_results_are_named(strays, said):
    design = made_design(12)
    residual = np.tile([1.0, -1.0], 24)
    residual[15 : 15 + strays] = 20.0 + np.arange(strays)
    found = notes._stray_note(residual, design)
    tail = (
        " Check for scanning or typing errors; if real, they stay. They make the intervals wider "
        "rather than wrong."
    )
    assert found == ([said + tail] if said else [])


def dominant(weights, rows, patients_of_rate=3, groups=("incisor",)):
    """The notes, with plain spaces."""
    blocks = SimpleNamespace(n_outer=len(rows), rows=np.array(rows), n=sum(rows))
    shares = SimpleNamespace(weights=lambda: np.array(weights))
    design = SimpleNamespace(
        groups=groups,
        patient_labels=[f"P{i}" for i in range(len(rows))],
        counts=pd.DataFrame({"patients": [patients_of_rate] * len(groups)}),
    )
    found = notes._dominant_note(SimpleNamespace(blocks=blocks, shares=shares), design)
    return [note.replace("\u00a0", " ") for note in found]


def test_a_patient_with_a_third_of_the_rows_is_named():
    share = [[0.2], [0.2], [0.3], [0.2], [0.1]]
    assert dominant(share, [2, 2, 4, 2, 2]) == [
        "Patient P2 has 33 % of the rows and 30 % of the weight of a rate at most: the weight of "
        "one patient levels off as rows are added."
    ]
    assert dominant(share, [20, 20, 39, 20, 21]) == []


def test_a_patient_with_half_of_the_weight_is_named():
    rows = [2] * 5
    half = [[0.1], [0.1], [0.1], [0.5], [0.2]]
    said = (
        "Patient P3 carries 50 % of the weight of the rate of incisor: influence() gives the rates "
        "without each patient."
    )
    assert dominant(half, rows) == [said]
    below = [[0.1], [0.1], [0.1], [0.4999], [0.2001]]
    assert dominant(below, rows) == []
    # A rate of one patient rests on that patient, which the table says already.
    assert dominant(half, rows, patients_of_rate=1) == []
    assert dominant(half, rows, patients_of_rate=2) == [said]
    (only,) = dominant(half, rows, groups=("all",))
    assert "of the weight of the rate: influence()" in only


def test_dominance_needs_five_patients():
    heavy = [[0.9], [0.05], [0.02], [0.03], [0.0]]
    assert dominant(heavy, [10, 1, 1, 1, 1])
    assert dominant(heavy[:4], [10, 1, 1, 1]) == []
