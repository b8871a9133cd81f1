"""Planned against achieved: what is drawn, where, and what the words say."""

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import outcomes as oc
from outcomes.figures import alt_text, planned_achieved
from outcomes.figures.base import new_axes
from outcomes.figures.scatter import _spread


def line(ax, label):
    return next(found for found in ax.lines if found.get_label() == label)


def test_points_lines_and_identity(fit, rotation):
    ax = planned_achieved(fit)
    (points,) = ax.collections
    drawn = np.asarray(points.get_offsets())
    data = rotation[["planned", "achieved"]].to_numpy()
    assert sorted(map(tuple, drawn)) == sorted(map(tuple, data))
    assert line(ax, "identity").get_slope() == 1
    for row in fit.rates.itertuples():
        x, y = line(ax, row.group).get_data()
        assert (y[1] - y[0]) / (x[1] - x[0]) == pytest.approx(row.rate)
        planned = rotation.loc[rotation["tooth_class"] == row.group, "planned"]
        assert (x[0], x[1]) == (planned.min(), planned.max())
    assert ax.get_aspect() == 1


def test_direct_labels_name_the_rates_and_do_not_touch(fit, texts):
    ax = planned_achieved(fit, ax=new_axes(3.5, 3))
    labels = [t for t in ax.texts if t.get_text().endswith("%")]
    assert [t.get_text() for t in labels] == [
        "molar 36 %",
        "premolar 45 %",
        "canine 48 %",
        "incisor 61 %",
    ]
    ax.figure.draw_without_rendering()
    boxes = [t.get_window_extent() for t in labels]
    for lower, upper in itertools.pairwise(boxes):
        assert lower.y1 <= upper.y0 + 1
    width = ax.figure.get_window_extent().x1
    assert all(box.x1 <= width for box in boxes)


def test_axes_carry_unit_and_signs(fit, rotation):
    ax = planned_achieved(fit)
    assert ax.get_xlabel().splitlines() == [
        "Planned rotation (°)",
        "− mesial surface inwards",
        "+ mesial surface outwards",
    ]
    assert ax.get_ylabel().startswith("Achieved rotation (°)")
    vertical = oc.fit_rate(rotation.assign(movement="vertical"), "vertical")
    ax = planned_achieved(vertical)
    assert ax.get_xlabel() == "Planned vertical movement (mm)\n− intrusion,  + extrusion"
    assert ax.get_ylabel() == "Achieved vertical movement (mm)\n− intrusion,  + extrusion"


def test_alt_text_holds_the_numbers(fit, rotation):
    words = alt_text(planned_achieved(fit))
    assert "1,270 movements in 40 patients" in words
    assert f"planned {rotation['planned'].min():.1f} to {rotation['planned'].max():.1f}" in words
    for row in fit.rates.itertuples():
        low, high = round(100 * row.low), round(100 * row.high)
        assert f"{row.group} {round(100 * row.rate)} % (interval {low} to {high})" in words
    moved = rotation["achieved"] * np.sign(rotation["planned"])
    short = (moved < rotation["planned"].abs()).mean()
    assert f"{round(100 * short)} % of the points lie short" in words


def test_only_negative_plans_grow_rightwards(rotation):
    ax = planned_achieved(oc.fit_rate(rotation[rotation["planned"] < 0], "rotation"))
    assert ax.xaxis_inverted()
    assert ax.yaxis_inverted()


def test_many_groups_name_only_the_extremes(rotation):
    fit = oc.fit_rate(rotation, "rotation", group="tooth")
    named = [t.get_text() for t in planned_achieved(fit).texts if t.get_text().endswith("%")]
    ranked = fit.rates.sort_values("rate")["group"]
    assert {text.split(":")[0] for text in named} == {
        f"tooth {ranked.iloc[0]}",
        f"tooth {ranked.iloc[-1]}",
    }


def test_thousands_of_points_are_a_picture_inside_the_drawing(rotation):
    many = pd.concat([rotation] * 2, ignore_index=True)
    (points,) = planned_achieved(oc.fit_rate(many, "rotation")).collections
    assert points.get_rasterized()


def test_an_intercept_lifts_the_lines(rotation):
    drifted = oc.fit_rate(rotation.assign(achieved=rotation["achieved"] + 3), intercept=True)
    ax = planned_achieved(drifted)
    drift = drifted.covariates.set_index("covariate").loc["intercept", "estimate"]
    x, y = line(ax, "molar").get_data()
    rate = drifted.rates.set_index("group").loc["molar", "rate"]
    assert y == pytest.approx(drift + rate * x)


@settings(deadline=None)
@given(st.lists(st.floats(-100, 100), min_size=1, max_size=8), st.floats(0.1, 20))
def test_spread_labels_stay_in_order_and_apart(places, gap):
    placed = _spread(sorted(places), gap)
    assert len(placed) == len(places)
    assert all(b - a >= gap * (1 - 1e-9) for a, b in itertools.pairwise(placed))
    assert sum(placed) == pytest.approx(sum(places), abs=1e-6)
