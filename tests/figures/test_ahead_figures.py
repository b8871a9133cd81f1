"""Figures of the coming course: fans of predictions, ways to an overbite, the decision curve."""

import numpy as np
import pandas as pd
import pytest

from outcomes.ahead.bite_lever import Lever
from outcomes.ahead.bite_plans import OPTION_COLUMNS
from outcomes.ahead.bite_target import BiteTarget
from outcomes.ahead.hindsight import TABLE_COLUMNS, Hindsight
from outcomes.errors import CannotAnswer, InputError
from outcomes.figures.base import alt_text, figure_bytes, new_axes
from outcomes.figures.decision import decision_curve
from outcomes.figures.fan import prediction_fan
from outcomes.figures.overbite import bite_options
from outcomes.figures.publication import WIDTHS


def labelled(ax, label):
    return [a for a in (*ax.lines, *ax.collections, *ax.patches) if a.get_label() == label]


# ------------------------------------------------------------------------------------------- fans


def course(tooth, k, start, end, movement="vertical", unit="mm", aim=-2.0, note=""):
    """A course with a plan of −1, expected −0.5 with ranges of ±0.1, ±0.2 and ±0.3."""
    row = dict.fromkeys(TABLE_COLUMNS)
    row |= {"patient": "P001", "tooth": tooth, "movement": movement, "unit": unit, "course": k}
    row |= {"aim": aim, "start": start, "planned": -1.0, "expected": -0.5, "end": end}
    for level, half in (("50", 0.1), ("80", 0.2), ("95", 0.3)):
        row |= {f"low_{level}": -0.5 - half, f"high_{level}": -0.5 + half}
    return row | {"achieved": None if end is None else end - start, "note": note}


def seen(*rows):
    table = pd.DataFrame(list(rows), columns=list(TABLE_COLUMNS))
    numbers = ["aim", "start", "end", "achieved", "expected"]
    return Hindsight("P001", table.astype(dict.fromkeys(numbers, float)), pd.DataFrame(), ())


TWO = seen(
    course(31, 1, 0.0, -0.6),
    course(31, 2, -0.6, -0.9),
    course(31, 3, -0.9, None, aim=-1.2, note="to come"),
)


def test_each_course_has_a_fan_from_where_the_tooth_stood():
    (ax,) = prediction_fan(TWO)
    for level, half in (("50", 0.1), ("80", 0.2), ("95", 0.3)):
        fans = labelled(ax, f"_fan_{level}")
        assert len(fans) == 3
        corners = fans[1].get_paths()[0].vertices  # the second course, from −0.6
        assert {tuple(c) for c in corners.round(6)} >= {
            (1.0, -0.6), (2.0, round(-1.1 - half, 6)), (2.0, round(-1.1 + half, 6))
        }  # fmt: skip
    reached = [line.get_xydata()[0].tolist() for line in labelled(ax, "_reached")]
    assert reached == [[1, -0.6], [2, -0.9]]  # the course to come has none
    assert [line.get_xydata().tolist() for line in labelled(ax, "_start")] == [[[0, 0.0]]]


def test_the_aim_in_force_is_one_line_until_another_is_set():
    (ax,) = prediction_fan(TWO)
    lines = [line.get_xydata().tolist() for line in labelled(ax, "_aim")]
    assert lines == [[[0, -2.0], [2, -2.0]], [[2, -1.2], [3, -1.2]]]


def test_alt_text_says_what_was_expected_and_what_the_scan_showed():
    text = alt_text(prediction_fan(TWO)).replace("\u00a0", " ")
    assert "course 1, plan −1.00 mm: expected −0.50 mm (80 % range −0.70 to −0.30)" in text
    assert "the scan showed −0.60 mm" in text
    assert text.count("still to come") == 1
    lost = prediction_fan(seen(course(31, 1, 0.0, None, note="not measured")))
    assert "not measured" in alt_text(lost)


def test_directions_stand_below_both_signs_crown_and_root():
    (ax,) = prediction_fan(seen(course(31, 1, 0.0, -0.6, "torque", "degree")))
    words = ax.get_xlabel().replace("\n", " ")
    assert "+ crown labially, root lingually" in words
    assert "− crown lingually, root labially" in words
    assert ax.get_title() == "" or "°" in ax.get_title()


@pytest.mark.parametrize(("teeth", "drawn", "said"), [(12, 12, ""), (13, 12, "1 further movement")])
def test_twelve_panels_at_most_the_largest_aims_first(teeth, drawn, said):
    numbers = [*range(11, 18), *range(21, 28)][:teeth]
    result = seen(*(course(t, 1, 0.0, -0.6, aim=-0.1 * i) for i, t in enumerate(numbers, 1)))
    axes = prediction_fan(result)
    assert len(axes) == drawn
    titles = {ax.get_title(loc="left").split()[0] or ax.get_title().split()[0] for ax in axes}
    assert ("11" in titles) is (teeth == 12)  # 11 has the smallest aim
    legend = axes[0].get_figure().legends[0]
    assert legend.get_title().get_text().startswith(said)
    assert [t.get_text() for t in legend.get_texts()][:3] == ["50 %", "80 %", "95 %"]


def test_courses_without_a_start_or_a_prediction_are_not_drawn():
    unknown = course(31, 2, None, None)
    silent = course(32, 1, 0.0, -0.4) | {"expected": None}
    with pytest.raises(InputError, match="No prediction of P001 can be drawn"):
        prediction_fan(seen(unknown, silent))
    with pytest.raises(InputError, match="P001"):
        prediction_fan(TWO, teeth=[11])


@pytest.mark.parametrize("width", WIDTHS.values())
@pytest.mark.parametrize("teeth", [1, 12])
def test_fans_fit_their_page(width, teeth):
    """Titles and words end inside the figure, also long ones."""
    numbers = [*range(11, 17), *range(31, 37)][:teeth]
    rows = [course(t, 1, 0.0, -0.6, "buccolingual") for t in numbers[: teeth // 2]]
    rows += [course(t, 1, 0.0, -0.6, "torque", "degree") for t in numbers[teeth // 2 :]]
    axes = prediction_fan(seen(*rows), width=width)
    figure = axes[0].get_figure()
    figure.draw_without_rendering()
    edge = figure.bbox
    for ax in axes:
        for text in (ax.title, ax._left_title, ax.xaxis.label):
            box = text.get_window_extent()
            assert box.x0 >= edge.x0 - 1
            assert box.x1 <= edge.x1 + 1


# ---------------------------------------------------------------------------------- ways to a bite


def bite(*rows, now=5.0, wanted=2.0):
    table = pd.DataFrame(list(rows), columns=list(OPTION_COLUMNS))
    numbers = [c for c in OPTION_COLUMNS if c not in ("option", "plan", "verdict", "why")]
    table = table.astype(dict.fromkeys(numbers, float))
    return BiteTarget(
        "P001", now, wanted, 0.5, table, pd.DataFrame(), pd.DataFrame(), Lever(2.0, 1.5, 3.0),
        float("nan"), (),
    )  # fmt: skip


def way(option, verdict="supported", plan="best chance", **numbers):
    row = dict.fromkeys(OPTION_COLUMNS) | {"option": option, "plan": plan, "verdict": verdict}
    row["why"] = "" if numbers else "Too few."
    return row | numbers


NUMBERS = {
    "expected": 2.4, "low_80": 1.6, "high_80": 3.2, "low_95": 1.0, "high_95": 3.9,
    "on_target": 0.614, "beyond": 0.072,
}  # fmt: skip


def test_an_option_shows_its_ranges_against_the_overbite_wanted(texts):
    ax = bite_options(bite(way("molars", **NUMBERS), way("incisors", "wide", **NUMBERS)))
    assert [line.get_xdata().tolist() for line in labelled(ax, "_range_80")] == [[1.6, 3.2]] * 2
    assert [line.get_xdata().tolist() for line in labelled(ax, "_range_95")] == [[1.0, 3.9]] * 2
    (band,) = labelled(ax, "_tolerance")
    assert (band.get_x(), band.get_width()) == (1.5, 1.0)
    assert labelled(ax, "_now")[0].get_xdata()[0] == 5.0
    assert "on target 61 %, beyond 7 %" in texts(ax)
    dots = [line for line in ax.lines if line.get_marker() == "o"]
    assert [dot.get_markerfacecolor() == "white" for dot in dots] == [False, True]
    assert "molars: expected 2.4 mm (80 % range 1.6 to 3.2), on target 61 %" in alt_text(ax)


def test_an_option_without_numbers_says_so_and_draws_no_range(texts):
    ax = bite_options(bite(way("molars", "not supported"), way("incisors", **NUMBERS)))
    assert len(labelled(ax, "_range_80")) == 1
    assert "not supported" in texts(ax)
    assert "molars: not supported, Too few" in alt_text(ax)


def test_a_plan_that_is_not_there_is_refused():
    with pytest.raises(InputError, match="there are best chance"):
        bite_options(bite(way("molars", **NUMBERS)), "usual")
    with pytest.raises(InputError, match="within the tolerance"):
        bite_options(bite())


@pytest.mark.parametrize("width", WIDTHS.values())
def test_long_names_of_options_are_broken(width, texts):
    name = "upper and lower incisors, premolars left to follow, molars kept with an auxiliary"
    ax = bite_options(bite(way(name, **NUMBERS)), width=width)
    assert name in [text.replace("\n", " ") for text in texts(ax)]
    figure = ax.get_figure()
    figure.draw_without_rendering()
    assert ax.get_position().width * width > 0.25 * width


# ---------------------------------------------------------------------------------- decision curve

CURVE = pd.DataFrame(
    {
        "over_cost": [4.0, 1.0, 2.0, 8.0],
        "planned": [1.5, 1.9, 1.7, 1.4],
        "expected_cost": [0.4, 0.3, 0.35, 0.5],
        "default_planned": 1.7,
        "default_cost": [0.44, 0.33, 0.35, 0.6],
        "extra": [0.10, 0.10, 0.0, 0.2],
    }
)


def test_the_curve_is_drawn_in_order_of_cost_with_the_default():
    upper, lower = decision_curve(CURVE, "mm")
    plans = {line.get_label(): line for line in upper.lines}
    assert plans["plan of least cost"].get_xdata().tolist() == [0, 1, 2, 3]  # doublings
    assert plans["plan of least cost"].get_ydata().tolist() == [1.9, 1.7, 1.5, 1.4]
    assert set(plans["default plan"].get_ydata()) == {1.7}
    (extra,) = labelled(lower, "_extra")
    np.testing.assert_allclose(extra.get_ydata(), [10, 0, 10, 20])
    assert [t.get_text() for t in lower.get_xticklabels()] == ["1", "2", "4", "8"]


def test_shaded_is_where_the_default_costs_little_more():
    _, lower = decision_curve(CURVE, "mm")
    (shade,) = labelled(lower, "_little")
    x = shade.get_paths()[0].vertices[:, 0]
    # 5 % more is half way from 1 to 2, and from 2 to 4, on the scale of doublings
    assert (x.min(), x.max()) == pytest.approx((0.5, 1.5), abs=0.02)
    _, none = decision_curve(CURVE.assign(extra=0.3), "mm")
    assert not [p for s in labelled(none, "_little") for p in s.get_paths()]


def test_its_words_name_the_plans_and_where_it_does_not_matter():
    text = alt_text(decision_curve(CURVE, "degree"))
    assert "Default plan 1.70°" in text
    assert "Less than 5 % more from 1.4 to 2.8 times" in text
    assert "At none of these costs" in alt_text(decision_curve(CURVE.assign(extra=0.3)))


def test_tables_that_are_no_curve_are_refused():
    with pytest.raises(InputError, match="two costs or more"):
        decision_curve(CURVE.head(1))
    with pytest.raises(InputError, match="all above 0"):
        decision_curve(CURVE.assign(over_cost=[0.0, 1.0, 2.0, 4.0]))
    with pytest.raises(CannotAnswer, match="extra"):
        decision_curve(CURVE.drop(columns="extra"))
    with pytest.raises(InputError, match="two Axes, not 1"):
        decision_curve(CURVE, ax=new_axes())


@pytest.mark.parametrize(
    "draw",
    [
        lambda: prediction_fan(TWO),
        lambda: bite_options(bite(way("molars", **NUMBERS))),
        lambda: decision_curve(CURVE),
    ],
)
def test_the_same_figure_gives_the_same_bytes(draw):
    assert figure_bytes(draw(), "svg") == figure_bytes(draw(), "svg")


def test_results_draw_themselves():
    assert alt_text(TWO.plot()) == alt_text(prediction_fan(TWO))
    result = bite(way("molars", **NUMBERS))
    assert alt_text(result.plot()) == alt_text(bite_options(result))


def test_figures_draw_on_given_axes():
    axes = new_axes(rows=2)
    assert decision_curve(CURVE, ax=axes)[0] is axes[0]
    ax = new_axes()
    assert bite_options(bite(way("molars", **NUMBERS)), ax=ax) is ax
