"""Side movements: against closed form, against dense algebra written anew, and against known truth."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.ahead.drift import CELLS, Drift, SideMovement, learn_drift

CLASSES = ("incisor", "canine", "premolar", "molar")


def rows(*records):
    """patient, course, arch, tooth_class, achieved."""
    names = ["patient", "course", "arch", "tooth_class", "achieved"]
    return pd.DataFrame(records, columns=names)


def dense(past: pd.DataFrame, sd, scale, cell, patient):
    """Mean and SD of the next side movement at given SDs: one joint normal distribution of all rows
    and the one to come, written out row by row."""
    new = rows((patient, 99, *cell.split(), 0.0))
    every = pd.concat([past, new], ignore_index=True)
    name = (every["arch"] + " " + every["tooth_class"]).to_numpy()
    who, course = every["patient"].to_numpy(), every["course"].to_numpy()
    one = who[:, None] == who
    same_cell = name[:, None] == name
    residual, of_cell, of_course, between = np.square(sd)
    cov = (
        scale**2
        + between * same_cell
        + of_cell * (one & same_cell)
        + of_course * (one & (course[:, None] == course))
        + residual * np.eye(len(every))
    )
    a, b, c = cov[:-1, :-1], cov[:-1, -1], cov[-1, -1]
    gain = np.linalg.solve(a, b)
    return gain @ past["achieved"].to_numpy(), np.sqrt(c - gain @ b)


@pytest.fixture(scope="module")
def past() -> pd.DataFrame:
    rng = np.random.default_rng(4)
    found = []
    for i in range(12):
        own = {c: rng.normal(0, 0.2) for c in CELLS}
        for course in (1, 2)[: 1 + i % 2]:
            shift = rng.normal(0, 0.1)
            for cell in CELLS[: 3 + i % 5]:
                for _ in range(1 + i % 3):
                    y = 0.3 * (cell == "upper incisor") + own[cell] + shift + rng.normal(0, 0.15)
                    found.append((f"P{i:03d}", course, *cell.split(), y))
    return rows(*found)


@pytest.fixture(scope="module")
def learnt(past) -> Drift:
    return learn_drift(past, 0.5)


@pytest.mark.parametrize("patient", [None, "P000", "P005"])
@pytest.mark.parametrize("cell", ["upper incisor", "lower molar"])
def test_given_the_sds_it_is_the_conditional_normal_distribution(past, learnt, cell, patient):
    look = learnt.outlook(cell, patient)
    for at in np.argsort(learnt.weight)[-3:]:
        mean, sd = dense(past, learnt.sd[at], 0.5, cell, patient or "nobody")
        assert look.mean[at] == pytest.approx(mean, abs=1e-8)
        assert look.sd[at] == pytest.approx(sd, rel=1e-8)


def test_one_patient_of_one_row_shrinks_as_by_hand():
    """mean = y (scale² + between² + of_cell²) / (all variances): one normal number."""
    learnt = learn_drift(rows(("P1", 1, "upper", "incisor", 0.8)), 0.5)
    look = learnt.outlook("upper incisor", "P1")
    residual, of_cell, of_course, between = np.square(learnt.sd.T)
    stays = 0.25 + between + of_cell
    assert look.mean == pytest.approx(0.8 * stays / (stays + of_course + residual))
    new = learnt.outlook("upper incisor", "nobody")
    assert new.mean == pytest.approx(0.8 * (0.25 + between) / (stays + of_course + residual))


def test_what_all_teeth_of_a_course_share_is_not_expected_again():
    """A shift of all teeth of a patient in one course is laid to the course, not to each class."""
    rng = np.random.default_rng(1)
    found = []
    for i in range(40):
        shift = rng.normal(0, 0.5)
        for cell in CELLS:
            for _ in range(3):
                found.append((f"P{i}", 1, *cell.split(), shift + rng.normal(0, 0.05)))
    past = rows(*found)
    learnt = learn_drift(past, 0.5)
    furthest = past.groupby("patient")["achieved"].mean().abs().idxmax()
    own = past.loc[past["patient"] == furthest, "achieved"].mean()
    assert abs(own) > 0.8
    new = learnt.outlook("upper incisor").expected
    assert learnt.outlook("upper incisor", str(furthest)).expected == pytest.approx(new, abs=0.02)
    # and what one class of the patient did in two courses is
    again = []
    for i in range(40):
        for cell in CELLS:
            stays = rng.normal(0, 0.4)
            for course in (1, 2):
                again += [
                    (f"P{i}", course, *cell.split(), stays + rng.normal(0, 0.05)) for _ in range(2)
                ]
    table = rows(*again)
    kept = learn_drift(table, 0.5).outlook("lower molar", "P7").expected
    own = table.query("patient == 'P7' and arch == 'lower' and tooth_class == 'molar'")
    assert kept == pytest.approx(own["achieved"].mean(), abs=0.06)


def test_known_truth_is_recovered_and_ranges_hold_what_they_say():
    """20 cohorts of 10 patients: 80 % ranges of a new patient's tooth, a little wide with so few."""
    rng = np.random.default_rng(5)
    inside = []
    for _ in range(20):
        found = []
        base = dict(zip(CELLS, rng.normal(0.1, 0.15, 8), strict=True))
        for i in range(35):  # the last 25 are those to come
            shift = rng.normal(0, 0.1)
            for cell in CELLS[::2]:
                own = rng.normal(0, 0.15)
                for _ in range(2):
                    y = base[cell] + own + shift + rng.normal(0, 0.2)
                    found.append((f"P{i}", 1, *cell.split(), y))
        every = rows(*found)
        number = every["patient"].str[1:].astype(int)
        learnt = learn_drift(every[number < 10], 0.5)
        coming = every[number >= 10]
        for cell, part in coming.groupby(coming["arch"] + " " + coming["tooth_class"]):
            low, high = learnt.outlook(str(cell)).range(0.8)
            inside.append(part["achieved"].between(low, high).mean())
    assert np.mean(inside) == pytest.approx(0.82, abs=0.04)


def test_a_class_without_rows_leans_on_the_others(past, learnt):
    assert "lower molar" not in set(past["arch"] + " " + past["tooth_class"])
    look, seen = learnt.outlook("lower molar"), learnt.outlook("upper incisor")
    assert np.isfinite(look.expected)
    assert np.diff(look.range(0.8)) > np.diff(seen.range(0.8))


def test_chances_and_ranges_of_a_mixture():
    one = SideMovement(np.array([0.1, 0.5]), np.array([0.2, 0.3]), np.array([0.25, 0.75]))
    assert one.expected == pytest.approx(0.4)
    low, high = one.range(0.8)
    assert one.below(low) == pytest.approx(0.1)
    assert one.below(high) == pytest.approx(0.9)
    by_hand = 0.25 * stats.norm.cdf(0, 0.1, 0.2) + 0.75 * stats.norm.cdf(0, 0.5, 0.3)
    assert one.below(0.0) == pytest.approx(by_hand)
    moved = one.shifted(1.0, 0.4)
    assert moved.expected == pytest.approx(1.4)
    assert moved.sd == pytest.approx(np.hypot(one.sd, 0.4))
