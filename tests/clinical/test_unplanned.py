"""Movements without a plan: equivalence against pingouin, the clustered mean against statsmodels."""

import numpy as np
import pandas as pd
import pingouin as pg
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from outcomes.clinical.unplanned import (
    FEWEST_PATIENTS,
    LEAST_MEASURED,
    clustered_mean,
    unplanned,
    worst_unplanned,
)
from outcomes.cohort.read import from_frames
from outcomes.errors import CannotAnswer


def drift(patients=8, teeth=4, *, mean=0.1, patient_sd=0.2, sd=0.15, seed=1):
    rng = np.random.default_rng(seed)
    patient = np.repeat(np.arange(patients), teeth)
    achieved = mean + rng.normal(0, patient_sd, patients)[patient]
    return pd.DataFrame(
        {
            "patient": [f"P{p:03d}" for p in patient + 1],
            "tooth": np.tile([11, 12, 21, 22], patients * teeth // 4 + 1)[: patients * teeth],
            "movement": "vertical",
            "planned": 0.0,
            "achieved": achieved + rng.normal(0, sd, patients * teeth),
        }
    )


def test_one_row_per_patient_is_the_one_sample_tost_of_pingouin():
    frame = drift(11, 1)
    row = unplanned(frame).iloc[0]
    ours = row[["p_tost", "df"]].to_numpy(float)
    theirs = pg.tost(frame["achieved"], 0, bound=0.5)  # one-sample: y is a number
    assert ours == pytest.approx([theirs["pval"].iloc[0], theirs["dof"].iloc[0]])
    interval = stats.ttest_1samp(frame["achieved"], 0).confidence_interval(0.95)
    row = unplanned(frame).iloc[0]
    assert [row["low"], row["high"]] == pytest.approx([interval.low, interval.high])


@pytest.mark.parametrize("mean", [-0.3, 0.0, 0.45, 0.8])
def test_balanced_clusters_are_the_tost_on_patients_means(mean):
    # With equal numbers of rows, REML on rows and t on means are the same thing (textbook anova).
    frame = drift(9, 4, mean=mean)
    row = unplanned(frame, tolerance=0.5).iloc[0]
    means = frame.groupby("patient")["achieved"].mean()
    theirs = pg.tost(means, 0, bound=0.5)
    assert row["p_tost"] == pytest.approx(theirs["pval"].iloc[0], rel=1e-6)
    assert row["df"] == pytest.approx(8, rel=1e-4)
    assert row["mean"] == pytest.approx(means.mean())
    assert row["equivalent"] == (row["p_tost"] < 0.05)


def test_unbalanced_clusters_agree_with_statsmodels_mixedlm():
    import statsmodels.formula.api as smf

    frame = drift(12, 4).sample(frac=0.6, random_state=3)
    ours = clustered_mean(frame["achieved"].to_numpy(), frame["patient"].to_numpy())
    theirs = smf.mixedlm("achieved ~ 1", frame, groups="patient").fit(reml=True, method="lbfgs")
    assert ours.mean == pytest.approx(theirs.fe_params.iloc[0], rel=1e-4)
    assert ours.se == pytest.approx(theirs.bse_fe.iloc[0], rel=1e-3)
    assert 3 < ours.df <= 11


def test_the_smaller_interval_says_what_the_test_says():
    for mean in np.linspace(-0.7, 0.7, 15):
        row = unplanned(drift(6, 3, mean=mean, seed=4)).iloc[0]
        inside = -row["limit"] < row["tost_low"] and row["tost_high"] < row["limit"]
        assert bool(row["equivalent"]) == inside


def test_few_patients_with_many_rows_are_not_taken_for_many_patients():
    # 3 patients, ICC 0.1: the variance between patients is often estimated as zero, and with the
    # degrees of freedom of 30 independent rows the 95 % interval covers 93 % (simulated here).
    rng = np.random.default_rng(5)
    patient = np.repeat(np.arange(3), 10)
    inside = []
    for _ in range(400):
        y = rng.normal(0, np.sqrt(0.1), 3)[patient] + rng.normal(0, np.sqrt(0.9), 30)
        low, high = clustered_mean(y, patient).interval(0.95)
        inside.append(low < 0 < high)
    assert np.mean(inside) > 0.95


def test_rows_of_a_patient_that_are_all_alike_count_once():
    frame = drift(5, 1)
    thrice = pd.concat([frame] * 3, ignore_index=True)
    once, repeated = unplanned(frame).iloc[0], unplanned(thrice).iloc[0]
    for name in ("mean", "se", "df", "low", "high", "p_tost"):
        assert repeated[name] == pytest.approx(once[name])


def test_rows_with_a_plan_never_enter():
    frame = drift()
    planned = pd.concat([frame, frame.assign(planned=1.0, achieved=9.0)])
    pd.testing.assert_frame_equal(unplanned(planned), unplanned(frame))


def test_one_patient_gets_no_interval_and_no_verdict():
    row = unplanned(drift(1, 4)).iloc[0]
    assert row["movements"] == 4
    assert np.isnan([row["low"], row["high"], row["p_tost"]]).all()
    assert row["equivalent"] is pd.NA
    assert row["note"] == "one patient: no interval"


def test_identical_values_get_no_interval():
    row = unplanned(drift().assign(achieved=0.3)).iloc[0]
    assert row["mean"] == pytest.approx(0.3)
    assert np.isnan(row["low"])
    assert row["note"].startswith("every value is the same")


def test_nothing_unplanned_gives_no_rows_but_the_columns():
    table = unplanned(drift().assign(planned=1.0))
    assert len(table) == 0
    assert {"movement", "tooth_class", "unit", "mean", "equivalent", "beyond_tolerance"} <= set(
        table
    )


def test_rows_not_measured_are_counted():
    frame = drift()
    frame.loc[[0, 5], "achieved"] = np.nan
    row = unplanned(frame).iloc[0]
    assert (row["movements"], row["not_measured"]) == (30, 2)
    none = unplanned(frame.assign(achieved=np.nan)).iloc[0]
    assert (none["movements"], none["not_measured"], none["note"]) == (0, 32, "no row")


def test_the_worst_are_named_across_units():
    frame = drift(3, 2)
    frame.loc[4, "achieved"] = -1.2  # 2.4 times 0.5 mm
    tips = frame.assign(movement="tip", achieved=[0, 0, 0, 0, 0, 3.0])  # 1.5 times 2 degrees
    worst = worst_unplanned(pd.concat([frame, tips], ignore_index=True), n=2)
    assert worst["movement"].tolist() == ["vertical", "tip"]
    assert worst["times_limit"].tolist() == pytest.approx([2.4, 1.5])
    table = unplanned(frame)
    assert table["largest"].iloc[0] == -1.2
    assert table["largest_patient"].iloc[0] == "P003"
    assert table["largest_tooth"].iloc[0] == frame["tooth"].iloc[4]


def test_limits_by_movement_unit_or_number():
    frame = drift()
    assert unplanned(frame)["limit"].tolist() == [0.5]
    assert unplanned(frame, tolerance={"mm": 0.3})["limit"].tolist() == [0.3]
    assert unplanned(frame, tolerance={"vertical": 0.2, "mm": 0.3})["limit"].tolist() == [0.2]
    assert unplanned(frame, tolerance=0.4)["limit"].tolist() == [0.4]


@pytest.mark.parametrize(
    ("frame", "options", "says"),
    [
        (drift().drop(columns="achieved"), {}, "No column 'achieved'"),
        (drift(), {"tolerance": 0.0}, "positive"),
        (drift(), {"by": ["movement", "clinician"]}, "No column 'clinician'"),
        (drift(), {"alpha": 1.0}, "alpha"),
        (drift(), {"by": ["mean"]}, "a result column has that name"),
        (drift().drop(columns="movement"), {"by": ["tooth_class"]}, "add a column"),
        (pd.concat([drift(), drift().assign(movement="mesiodistal")]), {"by": []}, "mix movements"),
    ],
)
def test_what_cannot_be_answered_says_what_to_change(frame, options, says):
    with pytest.raises(CannotAnswer, match=says):
        unplanned(frame, **options)


@pytest.mark.parametrize(("patients", "tested"), [(4, False), (FEWEST_PATIENTS, True)])
def test_equivalence_needs_five_patients(patients, tested):
    row = unplanned(drift(patients, 3, mean=0.0, patient_sd=0.05)).iloc[0]
    assert np.isfinite(row["p_tost"]) == tested
    assert (row["equivalent"] is not pd.NA) == tested
    assert ("not tested with fewer than 5" in row["note"]) != tested
    assert np.isfinite(row["low"])  # described all the same


@pytest.mark.parametrize(("lost", "tested"), [(0, True), (4, True), (5, False)])
def test_equivalence_needs_four_fifths_of_the_records(lost, tested):
    frame = drift(10, 2, mean=0.0, patient_sd=0.05)
    frame.loc[frame.index[:lost], "achieved"] = np.nan
    row = unplanned(frame).iloc[0]
    assert (row["movements"], row["not_measured"]) == (20 - lost, lost)
    assert LEAST_MEASURED * 20 == 16
    assert np.isfinite(row["p_tost"]) == tested
    assert ("not tested below 80%" in row["note"]) != tested


def test_a_cohort_counts_its_unmeasured_rows_and_everybody_treated():
    frame = drift(6, 2)
    frame.loc[[0, 1], "achieved"] = np.nan
    other = frame.tail(1).assign(patient="P099", planned=1.0)
    cohort = from_frames(pd.concat([frame, other]), notation="fdi")
    row = unplanned(cohort).iloc[0]
    assert row[["patients", "treated", "movements", "not_measured"]].tolist() == [5, 7, 10, 2]


@settings(max_examples=40, deadline=None)
@given(st.sets(st.integers(0, 19)), st.booleans())
def test_records_taken_away_never_pull_the_mean_towards_zero(lost, blank):
    frame = drift(10, 2).assign(achieved=0.7)
    frame.loc[frame.index[::2], "achieved"] = 0.70001  # not all alike
    gone = frame.index.isin(lost)
    left = frame.assign(achieved=frame["achieved"].mask(gone)) if blank else frame[~gone]
    table = unplanned(left)
    if not len(table):
        assert len(lost) == 20
        return
    row = table.iloc[0]
    assert row["movements"] == 20 - len(lost)
    assert row["patients"] == frame[~gone]["patient"].nunique()
    assert np.isnan(row["mean"]) if len(lost) == 20 else row["mean"] == pytest.approx(0.7, abs=1e-4)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 4), st.floats(-3, 3).map(lambda v: round(v, 2))),
        min_size=1,
        max_size=30,
    )
)
def test_any_values_give_a_mean_between_them_and_p_of_the_wider_limit_is_smaller(rows):
    frame = pd.DataFrame(rows, columns=["patient", "achieved"]).assign(
        movement="vertical", planned=0.0, tooth=11
    )
    near, far = (unplanned(frame, tolerance=t).iloc[0] for t in (0.5, 1.0))
    values = frame["achieved"]
    assert values.min() - 1e-9 <= near["mean"] <= values.max() + 1e-9
    if np.isfinite(near["p_tost"]):
        assert far["p_tost"] <= near["p_tost"] + 1e-12
        assert near["df"] <= frame["patient"].nunique() - 1
        assert near["low"] < near["mean"] < near["high"]


def test_the_equivalence_p_is_two_t_tails():
    mean = clustered_mean(np.array([0.1, 0.5, 0.3, 0.2, 0.6]), np.arange(5))
    tails = [
        stats.ttest_1samp([0.1, 0.5, 0.3, 0.2, 0.6], bound, alternative=way).pvalue
        for bound, way in ((-0.5, "greater"), (0.5, "less"))
    ]
    assert mean.equivalence(0.5) == pytest.approx(max(tails))
