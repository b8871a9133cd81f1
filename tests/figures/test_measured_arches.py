"""Figures of measured arches: what is drawn, on which side, and what is said of teeth refused."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.patches import Polygon

from outcomes import figures
from outcomes.errors import InputError
from outcomes.figures.arch_panel import apart, in_order
from outcomes.figures.base import alt_text, settle
from outcomes.figures.crown_arrows import COLOUR
from outcomes.measure.motion import Rigid
from outcomes.measure.outlines import crown_mesh, outlines, silhouette
from outcomes.measure.residuals import crown_residuals
from outcomes.measure.view import view_of
from tests.measure.drawn_measured import drawn, part_of, small_arch

REFUSED = {(15, "achieved"): "too little overlap", (27, "planned"): "x", (27, "achieved"): "x"}


@pytest.fixture(scope="module")
def upper():
    moved = {11: {"buccolingual": 1.0}, 13: {"mesiodistal": 1.2, "vertical": -0.6}}
    got = {11: {"buccolingual": 0.5}, 13: {"mesiodistal": 0.9, "vertical": -0.2}}
    return small_arch("upper", planned=moved, achieved=got)


@pytest.fixture(scope="module")
def lower():
    teeth = [*range(31, 39), *range(41, 49)]
    return small_arch("lower", teeth=teeth, planned={31: {"vertical": 1.0}}, achieved={})


@pytest.fixture(scope="module")
def measured(upper, lower):
    return drawn(part_of(upper, refused=REFUSED), part_of(lower))


@pytest.mark.parametrize("which", ["upper", "lower"])
def test_the_patients_right_is_on_the_left_and_neither_arch_is_mirrored(which, upper, lower):
    made = {"upper": upper, "lower": lower}[which]
    part = part_of(made)
    view = view_of(which, part.frames)
    assert np.linalg.det([view.left, view.axes("occlusal")[1], view.occlusal]) == pytest.approx(1)
    places = {tooth: view.flat(frame.centre) for tooth, frame in part.frames.items()}
    right = [place[0] for tooth, place in places.items() if tooth // 10 in (1, 4)]
    left = [place[0] for tooth, place in places.items() if tooth // 10 in (2, 3)]
    assert max(right) < 0 < min(left)
    front = np.mean([place[1] for tooth, place in places.items() if tooth % 10 <= 2])
    back = np.mean([place[1] for tooth, place in places.items() if tooth % 10 >= 6])
    assert (front > back) == (which == "upper")
    incisor = part.frames[11 if which == "upper" else 41]
    up = view.direction(incisor.occlusal, "frontal")[1]
    assert up == pytest.approx(-1 if which == "upper" else 1, abs=0.1)


def test_an_outline_holds_its_crown_and_moves_as_far_as_was_measured(upper, measured):
    found = outlines(measured)
    part = measured.arches[0]
    view = view_of("upper", dict(part.detail.axes.frames))
    flat = view.flat(crown_mesh(part, 11)[0])
    own = found[(found["tooth"] == 11) & (found["view"] == "occlusal")]
    start = own.loc[own["stage"] == "start", ["x", "y"]].to_numpy()
    assert np.abs(start.max(axis=0) - flat.max(axis=0)).max() < 0.2
    assert np.abs(start.min(axis=0) - flat.min(axis=0)).max() < 0.2
    middle = own.groupby("stage")[["x", "y"]].agg(lambda v: (v.min() + v.max()) / 2)
    outwards = view.direction(part.frames[11].buccal)
    gone = (middle.loc["planned"] - middle.loc["start"]).to_numpy() @ outwards
    assert gone == pytest.approx(1.0, abs=0.05)


def test_a_silhouette_keeps_its_hollow():
    """A letter L: 4 by 4 without its upper right 2 by 2."""
    points = np.array([[0, 0], [4, 0], [4, 2], [2, 2], [2, 4], [0, 4.0]])
    faces = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 4], [0, 4, 5]])
    x, y = silhouette(points, faces).T
    area = 0.5 * abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
    assert area == pytest.approx(12, abs=1.6)
    assert not ((x > 2.5) & (y > 2.5)).any()


def test_refused_teeth_have_no_outline_after_the_start_and_are_named(measured):
    found = outlines(measured)
    stages = found[found["tooth"] == 27]["stage"].unique().tolist()
    assert stages == ["start"]
    assert set(found[found["tooth"] == 15]["stage"]) == {"start", "planned"}
    words = alt_text(figures.arch_outlines(measured))
    assert "Not measured, so not drawn: 15 (outcome), 27 (plan and outcome)." in words
    assert "14 teeth of the upper arch" in words
    assert "16 teeth of the lower arch" in words


@pytest.mark.parametrize("only", [(11, 21), ()])
@pytest.mark.parametrize("width", [3.35, 6.9])
def test_no_number_stands_on_another(only, width, upper, lower):
    """With 2 and with 16 teeth, at the width of one column and of two."""
    given = drawn(part_of(upper, only=only) if only else part_of(lower))
    for draw in (figures.arch_outlines, figures.arch_arrows, figures.residual_map):
        axes = draw(given, width=width)
        settle(axes)
        renderer = FigureCanvasAgg(axes[0].get_figure(root=True)).get_renderer()
        for ax in axes:
            boxes = [
                text.get_window_extent(renderer)
                for text in ax.texts
                if text.get_text().strip("()").isdigit()
            ]
            for i, one in enumerate(boxes):
                for other in boxes[i + 1 :]:
                    assert not (one.shrunk(0.8, 0.8).overlaps(other.shrunk(0.8, 0.8))), draw


def test_arrows_are_the_movements_in_the_plane(measured):
    ax = figures.arch_arrows(measured)[0]
    heads = [p.get_xy() for p in ax.patches if isinstance(p, Polygon) and len(p.get_xy()) == 8]
    assert len(heads) == 4  # plan and outcome of 11 and 13; all others stayed
    lengths = sorted(np.linalg.norm(h[3] - (h[0] + h[6]) / 2) for h in heads)
    times = 5
    assert lengths == pytest.approx([0.5 * times, 0.9 * times, 1.0 * times, 1.2 * times], abs=1e-6)
    assert f"1 mm, drawn {times} times" in [text.get_text() for text in ax.texts]


def test_vertical_movement_is_drawn_where_measured_and_nothing_where_not(measured):
    strip = figures.arch_arrows(measured)[1]
    ticks = [label.get_text() for label in strip.get_xticklabels()]
    assert ticks[:3] == ["17", "16", "(15)"]
    assert ticks[-1] == "(27)"
    bars = {round(bar.get_x() + bar.get_width() / 2): bar.get_height() for bar in strip.patches}
    assert bars[ticks.index("13")] == pytest.approx(-0.6)
    assert ticks.index("(27)") not in bars
    outcome = [line for line in strip.lines if line.get_color() == COLOUR["achieved"]]
    drawn_at = {float(np.ravel(line.get_xdata())[0]) for line in outcome}
    assert ticks.index("(15)") not in drawn_at
    assert ticks.index("(27)") not in drawn_at
    assert ticks.index("16") in drawn_at


def test_arrows_need_no_crowns_and_name_a_plan_that_is_not_there(upper):
    given = drawn(part_of(upper, crowns=False, stages=("achieved",)))
    assert "No plan was measured." in alt_text(figures.arch_arrows(given))
    assert alt_text(given.plot()) == alt_text(figures.arch_arrows(given))
    with pytest.raises(InputError, match=r"no crowns .* draw arrows"):
        figures.arch_outlines(given)
    with pytest.raises(InputError, match="no achieved scan"):
        figures.residual_map(given)


def test_a_result_draws_the_kind_that_is_asked_for(measured):
    assert alt_text(measured.plot()) == alt_text(figures.arch_outlines(measured))
    assert alt_text(measured.plot("residuals")) == alt_text(figures.residual_map(measured))
    with pytest.raises(InputError, match="outlines, arrows, residuals"):
        measured.plot("colours")


def test_residuals_are_small_for_the_true_motion_and_not_for_another(upper):
    """At the truth scanner noise and coarse triangles are left; unmoved, a crown lies 0.9 mm off."""
    part = part_of(upper, refused=REFUSED)
    found = crown_residuals(part)
    assert [crown.tooth for crown in found] == sorted(set(part_of(upper).frames) - {15, 27})
    assert all(np.median(crown.distance) < 0.1 for crown in found)
    unmoved = replace(part, motions={(13, "achieved"): Rigid.identity()})
    (stayed,) = crown_residuals(unmoved)
    true = next(crown for crown in found if crown.tooth == 13)
    assert np.median(stayed.distance) > 4 * np.median(true.distance)
    words = alt_text(figures.residual_map(drawn(part_of(upper, refused=REFUSED))))
    assert "Refused, so not measured: 15 (outcome), 27 (outcome)." in words


def test_several_courses_are_asked_about(upper):
    two = drawn(part_of(upper), part_of(upper, course=2))
    with pytest.raises(InputError, match=r"P001, course 1 and P001, course 2"):
        figures.arch_outlines(two)
    assert "P001, course 2" in alt_text(figures.arch_arrows(two, course=2))
    with pytest.raises(InputError, match="Nothing of that patient"):
        figures.residual_map(two, patient="P009")
    with pytest.raises(InputError, match="No arch was measured"):
        figures.arch_arrows(drawn())


def test_places_are_moved_apart_only_where_they_touch():
    far = np.array([[0.0, 0.0], [5.0, 0.0]])
    assert (apart(far, (4.0, 4.0)) == far).all()
    near = apart(np.array([[0.0, 0.0], [0.0, 0.1], [0.0, 0.2]]), (1.0, 1.0))
    for i in range(3):
        for j in range(i):
            assert (np.abs(near[i] - near[j]) >= 1 - 1e-6).any()


def test_teeth_stand_from_the_patients_right_to_the_left():
    assert in_order([21, 11, 18, 28, 31, 48]) == [18, 11, 21, 28, 48, 31]


def test_a_case_page_shows_the_patients_own_outlines(measured):
    curves = outlines(measured)
    case = measured.cohort
    plain = figures.case_page(case, "P001")
    axes = figures.case_page(case, "P001", outlines=curves)
    titles = [ax.get_title(loc="left") for ax in axes]
    assert len(axes) == len(plain) + 2
    assert {"Upper arch, course 1", "Lower arch, course 1"} < set(titles)
    words = alt_text(axes)
    assert "grey the start, dashed the plan, solid the outcome" in words
    assert "Course 1, upper arch: not measured, so not drawn: 15 (outcome)" in words
    of_others = curves.assign(patient="P002")
    assert len(figures.case_page(case, "P001", outlines=of_others)) == len(plain)
    assert "Outlines" not in alt_text(plain)
