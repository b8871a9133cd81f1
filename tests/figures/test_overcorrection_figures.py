"""Figures of overcorrection: what they draw, and the words that stand for them."""

import numpy as np
import pandas as pd
import pytest

import outcomes as oc
from outcomes.figures import (
    alt_text,
    chance_map,
    courses_curve,
    factors_forest,
    figure_bytes,
    landing_ranges,
    reliability,
    shortfall_change,
)


@pytest.fixture(scope="module")
def vertical():
    return oc.fit_rate(oc.simulate_rates(25, seed=1, movement="vertical", teeth_per_patient=12))


@pytest.fixture(scope="module")
def plan(vertical):
    aims = pd.DataFrame({"tooth": [31, 41, 13, 24], "aim": [-1.5, -1.0, 1.0, 0.6]})
    return oc.prescribe(vertical, aims)


def factors(**columns) -> pd.DataFrame:
    base = {
        "movement": "torque",
        "group": ["incisor", "canine", "molar"],
        "patients": [20, 12, 4],
        "factor": [1.6, 2.4, 6.0],
        "low": [1.4, 1.9, -9.0],
        "high": [1.9, 3.2, 2.2],
        "kind": ["bounded", "bounded", "unbounded"],
        "use": [1.6, 2.0, np.nan],
        "verdict": ["supported", "wide", "not supported"],
    }
    return pd.DataFrame(base | columns)


def test_forest_hollow_where_not_supported_and_open_where_unbounded(texts):
    ax = factors_forest(factors(factor=[1.6, 2.4, 3.9]))
    dots = {line.get_label(): line for line in ax.lines if line.get_label() in ("incisor", "molar")}
    assert dots["molar"].get_markerfacecolor() == "white"
    assert dots["incisor"].get_markerfacecolor() != "white"
    intervals = [line.get_xdata() for line in ax.lines if line.get_label() == "_interval"]
    assert intervals[2][0] == pytest.approx(2.2)  # from the upper root to the edge
    assert any(line.get_label() == "_beyond" for line in ax.lines)
    words = texts(ax)
    assert "2.40 (1.90 to 3.20) wide, use 2.00" in words
    assert "not supported" in words
    assert "torque molar: not supported, 4 patients" in alt_text(ax)


@pytest.mark.parametrize(("low", "arrows"), [(0.8, []), (0.79, ["<"])])
def test_an_interval_from_below_the_axis_begins_with_an_arrow(low, arrows):
    ax = factors_forest(factors(low=[1.4, low, 1.0], kind="bounded"))
    assert [line.get_marker() for line in ax.lines if line.get_label() == "_beyond"] == arrows


def test_forest_of_nothing_is_refused():
    with pytest.raises(ValueError, match="No factors"):
        factors_forest(factors().head(0))


def test_chance_map_has_a_panel_for_each_kind_and_a_point_for_each_aim(plan):
    axes = chance_map(plan)
    titles = [ax.get_title("left") for ax in axes if ax.get_title("left")]
    assert len(titles) == 3  # incisors down, canine up, premolar up
    incisors = next(ax for ax in axes if ax.get_title("left").startswith("incisor"))
    points = sorted(
        (line.get_xdata()[0], line.get_ydata()[0])
        for line in incisors.lines
        if line.get_marker() == "o"
    )
    best = plan.table.set_index("tooth")["best_planned"]
    expected = [(1.0, -best[41]), (1.5, -best[31])]
    assert np.array(points) == pytest.approx(np.array(expected))
    assert "tooth 31: aim 1.5 mm" in alt_text(axes)
    assert figure_bytes(axes, "svg") == figure_bytes(axes, "svg")


def test_chance_map_shades_the_stated_chance(plan):
    ax = chance_map(plan)[0]
    best = plan.options[(plan.options["tooth"] == 31) & (plan.options["option"] == "best chance")]
    mesh = ax.collections[0]
    x, y = mesh.get_coordinates()[..., 0], mesh.get_coordinates()[..., 1]
    at = np.argmin((x - 1.5) ** 2 + (y - abs(best["planned"].iloc[0])) ** 2)
    assert np.ravel(mesh.get_array())[at] == pytest.approx(100 * best["within"].iloc[0], abs=1.5)


def test_no_map_without_a_supported_factor():
    few = oc.fit_rate(oc.simulate_rates(4, seed=1, movement="vertical"), group=None)
    declined = oc.prescribe(few, pd.DataFrame({"tooth": [31], "aim": [-1.0]}))
    with pytest.raises(ValueError, match="supported"):
        chance_map(declined)
    ax = landing_ranges(declined, "vertical")
    assert "no plan: not supported" in alt_text(ax)


def test_ranges_have_a_row_for_each_aim(plan, texts):
    ax = landing_ranges(plan, "vertical")
    words = texts(ax)
    assert "31  aim 1.5\u00a0mm ←" in words
    assert any(word.startswith("← intrusion, crown and root towards the gum") for word in words)
    assert not any("−" in word for word in words)  # arrows and words, no signs
    assert "aim 1.5 mm (intrusion, crown and root towards the gum)" in alt_text(ax)
    assert sum("lands" in word for word in words) == 4
    with pytest.raises(ValueError, match="no aim of torque"):
        landing_ranges(plan, "torque")


def test_shortfall_has_a_point_for_each_patient(vertical):
    result = oc.validate(vertical)
    ax = shortfall_change(result)
    (points,) = [line for line in ax.lines if line.get_marker() == "o"]
    assert len(points.get_xdata()) == 25
    assert " ".join(result.sentence.split()) in alt_text(ax)


def test_reliability_on_the_line():
    table = pd.DataFrame({"stated": [0.5, 0.9], "landed": [0.5, 0.9], "se": 0.02, "n": 90})
    ax = reliability(table)
    assert "50 %: 50 %" in alt_text(ax)
    assert ax.get_xlim() == (0, 100)


def test_courses_panels_and_words():
    rows = pd.DataFrame(
        {
            "patient": ["P1", "P1", "P2"],
            "tooth": 31,
            "movement": "vertical",
            "course": [1, 2, 1],
            "planned": [-2.0, -1.0, -1.0],
            "achieved": [-1.0, -0.5, -0.5],
        }
    )
    axes = courses_curve(oc.courses(rows))
    assert len(axes) == 1
    assert "50 % after course 1 and 67 % after course 2" in alt_text(axes)
