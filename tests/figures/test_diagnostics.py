"""Residual panels and patient effects."""

import numpy as np
import pytest
from scipy import stats

from outcomes.figures import alt_text, residuals, shrinkage
from outcomes.figures.base import new_axes


def points(ax) -> np.ndarray:
    return np.asarray(ax.collections[0].get_offsets())


def test_four_panels_with_their_points(fit):
    against, quantiles, effects, spread = residuals(fit)
    data = fit.data
    assert points(against) == pytest.approx(data[["planned", "residual"]].to_numpy())
    assert points(spread) == pytest.approx(data[["planned", "residual"]].abs().to_numpy())
    assert points(quantiles)[:, 1] == pytest.approx(np.sort(data["residual"]))
    assert len(points(effects)) == 40
    assert points(effects)[:, 1] == pytest.approx(
        100 * np.sort(fit.patient_effects["effect"].to_numpy())
    )


def test_quantiles_are_those_of_scipy(fit):
    _, quantiles, _, _ = residuals(fit)
    n = len(fit.data)
    expected = stats.norm.ppf((np.arange(n) + 0.5) / n)
    assert points(quantiles)[:, 0] == pytest.approx(expected)
    assert quantiles.lines[0].get_slope() == pytest.approx(fit.data["residual"].std())


def test_trend_lines_follow_the_rows(fit):
    against, _, _, spread = residuals(fit)
    mean = next(line for line in against.lines if len(line.get_xdata()) == 8)
    assert np.mean(mean.get_ydata()) == pytest.approx(fit.data["residual"].mean(), abs=0.02)
    sd = next(line for line in spread.lines if len(line.get_xdata()) == 8)
    pooled = np.sqrt(np.mean(sd.get_ydata() ** 2))
    assert pooled == pytest.approx(fit.data["residual"].std(), rel=0.02)


def test_labels_have_units(fit):
    against, quantiles, effects, spread = residuals(fit)
    assert against.get_xlabel() == "Planned rotation (°)"
    assert against.get_ylabel() == quantiles.get_ylabel() == "Residual (°)"
    assert effects.get_ylabel() == "Patient effect (% of plan)"
    assert spread.get_xlabel() == "Size of the planned rotation (°)"


def test_alt_text_of_residuals(fit):
    words = alt_text(residuals(fit))
    assert "1,270 movements in 40 patients" in words
    assert f"Residual SD {fit.data['residual'].std():.2f} degrees" in words


def test_given_axes_are_used_and_three_are_too_few(fit):
    axes = new_axes(7, 5, rows=1, columns=4)
    assert residuals(fit, axes).tolist() == axes.tolist()
    with pytest.raises(ValueError, match="four Axes"):
        residuals(fit, axes[:3])


def test_shrinkage_orders_the_patients(fit):
    ax = shrinkage(fit)
    table = fit.patient_effects.sort_values("effect")
    dots = np.asarray(ax.collections[1].get_offsets())
    assert dots[:, 0] == pytest.approx(100 * table["effect"].to_numpy())
    assert [t.get_text() for t in ax.get_yticklabels()] == table["patient"].tolist()
    ends = np.array([segment[:, 0] for segment in ax.collections[0].get_segments()])
    half = 100 * stats.norm.ppf(0.975) * table["se"].to_numpy()
    assert (ends[:, 1] - ends[:, 0]) / 2 == pytest.approx(half)


def test_alt_text_of_shrinkage(fit):
    words = alt_text(shrinkage(fit))
    effect = 100 * fit.patient_effects["effect"]
    assert f"from −{-effect.min():.0f} to +{effect.max():.0f} points" in words
    clear = (effect.abs() > 100 * stats.norm.ppf(0.975) * fit.patient_effects["se"]).sum()
    assert f"{clear} intervals of 40 do not reach zero" in words
