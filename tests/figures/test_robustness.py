"""What the figures on robustness show."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes import figures
from outcomes.rates.fit import fit_rate
from outcomes.rates.pooling import tooth_rates

REFERENCE = Path(__file__).parents[1] / "reference"


@pytest.fixture(scope="module")
def rotation():
    return pd.read_csv(REFERENCE / "rotation_cohort.csv")


@pytest.fixture(scope="module")
def fit(rotation):
    return fit_rate(rotation, "rotation")


def test_influence_draws_each_patient_in_each_group(fit):
    ax = figures.influence(fit)
    dots = [line for line in ax.lines if line.get_marker() == "o"]
    assert [len(line.get_xdata()) for line in dots] == [40] * 4
    left = fit.influence().set_index(["group", "patient"])["rate"] * 100
    np.testing.assert_allclose(sorted(dots[0].get_xdata()), sorted(left["incisor"]))
    assert "P010" in {t.get_text() for t in ax.texts}
    worst = fit.influence().iloc[0]
    assert f"without {worst['patient']}" in figures.alt_text(ax)


def test_intervals_side_by_side(fit):
    boots = {"patient bootstrap": fit.bootstrap(50, seed=1)}
    ax = figures.intervals(fit, boots)
    assert [t.get_text() for t in ax.get_legend().get_texts()] == [
        "model (Satterthwaite t)",
        "patient bootstrap",
    ]
    low, high = fit.rates.loc[0, ["low", "high"]] * 100
    segments = ax.collections[0].get_segments()
    np.testing.assert_allclose(segments[0][:, 0], [low, high])
    assert "95 % interval" in ax.get_xlabel()


def test_pooled_teeth_shows_both_rates(rotation):
    teeth = tooth_rates(fit_rate(rotation, "rotation", group="tooth"))
    ax = figures.pooled_teeth(teeth)
    open_dots = next(line for line in ax.lines if line.get_label() == "tooth on its own")
    np.testing.assert_allclose(open_dots.get_ydata(), teeth.rates["own_rate"] * 100)
    assert [t.get_text() for t in ax.get_xticklabels()] == [str(t) for t in teeth.rates["tooth"]]
    assert "43 39 to 46 %" in figures.alt_text(ax)


def test_figures_draw_on_given_axes(fit):
    from outcomes.figures.base import new_axes

    ax = new_axes()
    assert figures.influence(fit, ax) is ax
