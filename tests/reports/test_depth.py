"""The analysis in depth, and that its sentences say what its tables hold."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.reports.depth import words as depth_words
from outcomes.reports.depth.results import rows_in_depth, run_depth

REFERENCE = Path(__file__).parents[1] / "reference"


@pytest.fixture(scope="module")
def rotation():
    return pd.read_csv(REFERENCE / "rotation_cohort.csv")


@pytest.fixture(scope="module")
def depth(rotation):
    return run_depth(rotation, "rotation", replicates=60)


def test_every_question_is_answered(depth):
    assert list(depth.covariates) == ["attachment", "age"]
    assert depth.skipped == ()
    assert len(depth.contrasts) == 6
    assert set(depth.bootstraps) == {"patient bootstrap", "parametric bootstrap"}
    # the second opinion agrees to what its search tolerates
    rates = depth.second_opinion[depth.second_opinion["quantity"].str.startswith("rate")]
    assert rates["difference"].abs().max() < 1e-4


def test_demo_rows_are_those_of_the_reference(rotation):
    rows = rows_in_depth()
    pd.testing.assert_frame_equal(rows, rotation)
    lines = depth_words.cautions(run_depth(rows, "rotation", replicates=5))
    assert any("invented" in line for line in lines)


def test_sentences_follow_the_tests(depth):
    lines = depth_words.contrasts(depth)
    for row, line in zip(depth.contrasts.itertuples(), lines, strict=False):
        shown = "achieves" in line
        assert shown == (row.p_holm < 0.05)
    covariates = depth_words.covariates(depth)
    assert covariates[0].startswith("The rate changes with attachment: +7.3 percentage points")
    assert covariates[1].startswith("The rate is not shown to change with age")
    assert "not an effect" in covariates[-1]


def test_sentences_hold_the_numbers(depth):
    text = " ".join(depth_words.variances(depth)).replace("\u00a0", " ")
    sd = depth.fit.variance.set_index("component")["sd"]
    assert f"Patients differ by {100 * sd['patient']:.0f} percentage points" in text
    assert f"{100 * depth.r_squared['marginal']:.0f} % of the variation" in text
    assert "1.09°" in text
    assert "No single patient decides a result." in depth_words.influence(depth)[-1]


def test_an_odd_patient_is_pointed_at(rotation):
    odd = rotation["patient"] == "P020"
    frame = rotation.assign(achieved=rotation["achieved"].where(~odd, -2 * rotation["planned"]))
    lines = depth_words.influence(run_depth(frame, "rotation", replicates=20))
    assert "P020" in lines[-1]
    assert lines[-1].endswith("Look at that patient's records.")


def test_thin_data_say_what_cannot_be_answered(rotation):
    few = rotation[rotation["patient"].isin(["P001", "P002", "P003"])].drop(columns="attachment")
    few = few.assign(planned=np.sign(few["planned"]) * 5.0)
    depth = run_depth(few, "rotation", replicates=20)
    assert depth.linearity is None
    assert any("Linearity cannot be judged" in s for s in depth.skipped)
    assert depth_words.linearity(depth) == []
