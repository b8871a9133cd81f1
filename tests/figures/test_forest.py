"""Forest of rates: rows, numbers, published values."""

import numpy as np
import pandas as pd
import pytest

from outcomes.figures import alt_text, published_values, rates_forest
from outcomes.figures.base import new_axes


def rates(**columns) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "movement": ["vertical", "rotation", "rotation"],
            "group": ["incisor", "premolar", "molar"],
            "patients": [30, 12, 4],
            "movements": [1200, 60, 9],
            "rate": [0.52, 0.48, -0.1],
            "low": [0.47, 0.40, -3.0],
            "high": [0.57, 0.56, 2.8],
        }
        | columns
    )


def marks(ax, label):
    return [line for line in ax.lines if line.get_label() == label]


def test_a_dot_and_an_interval_for_each_row(fit):
    ax = rates_forest(fit)
    for row in fit.rates.itertuples():
        (dot,) = marks(ax, f"rotation {row.group}")
        assert dot.get_xdata()[0] == pytest.approx(100 * row.rate)
    intervals = [line.get_xdata() for line in marks(ax, "_interval")]
    assert np.array(intervals) == pytest.approx(100 * fit.rates[["low", "high"]].to_numpy())


def test_rows_in_order_with_counts_and_numbers(texts):
    ax = rates_forest(rates())
    words = texts(ax)
    for expected in ("30 / 1,200", "12 / 60", "4* / 9", "52 (47 to 57)", "−10 (−300 to 280)"):
        assert expected in words
    places = {t.get_text(): t.xy[1] for t in ax.texts if hasattr(t, "xy")}
    order = ["Vertical movement (mm)", "incisor", "Rotation (°)", "premolar", "molar"]
    assert sorted(order, key=places.__getitem__) == order
    assert ax.yaxis_inverted()
    assert ax.get_xlabel() == "Achieved share of the plan (%)"


def test_few_patients_are_marked(texts):
    ax = rates_forest(rates())
    assert marks(ax, "rotation molar")[0].get_markerfacecolor() == "white"
    assert marks(ax, "rotation premolar")[0].get_markerfacecolor() != "white"
    assert any("fewer than 5 patients" in text for text in texts(ax))


def test_an_interval_off_the_scale_ends_in_arrows():
    ax = rates_forest(rates())
    assert {line.get_marker() for line in marks(ax, "_beyond")} == {"<", ">"}
    left, right = ax.get_xlim()
    assert left > -60
    assert right < 200


HUGE = {
    "huge": (-42833.15, 42834.1),
    "infinite": (-np.inf, np.inf),
    "one side": (0.2, 1e300),
    "unknown": (np.nan, np.nan),
}


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("width", [3.5, 7.2])
@pytest.mark.parametrize("which", HUGE)
def test_an_interval_that_says_nothing_leaves_the_layout_alone(which, width, texts):
    low, high = HUGE[which]
    ax = rates_forest(rates(low=low, high=high), ax=new_axes(width, 3))
    written = [text for text in texts(ax) if text.startswith("52 ")]
    assert written == ["52 (no interval)" if which == "unknown" else "52 (not known)"]
    ax.figure.draw_without_rendering()
    inside = ax.figure.get_window_extent()
    boxes = [t.get_window_extent() for t in ax.texts]
    assert all(box.x0 >= inside.x0 - 1 and box.x1 <= inside.x1 + 1 for box in boxes)
    assert -60 < ax.get_xlim()[0] < ax.get_xlim()[1] < 200
    assert bool(marks(ax, "_beyond")) == (which != "unknown")


@pytest.mark.filterwarnings("error")
def test_a_rate_that_is_not_known_is_said(texts):
    ax = rates_forest(rates(rate=[np.nan, 1e6, -np.inf], low=np.nan, high=np.nan))
    assert "not known" in texts(ax)
    assert texts(ax).count("over ±300 (no interval)") == 2
    ax.figure.draw_without_rendering()


def test_published_shares_are_marked_apart_with_their_source(texts):
    ax = rates_forest(rates(), published=published_values("rate"))
    drawn = {
        line.get_label(): line for line in ax.lines if line.get_label().startswith("published")
    }
    # Vertical incisor 43 % (Angle Orthod 2023;93(4):375), premolar rotation 40 % (BMC Oral Health
    # 2014;14:68); those of the percentage of accuracy must not be among them.
    assert sorted(line.get_xdata()[0] for line in drawn.values()) == [40, 43]
    assert {line.get_marker() for line in drawn.values()} == {"D"}
    note = next(text for text in texts(ax) if text.startswith(("*", "◇")))
    assert "a  lower central incisor vertical, n = 60: Angle Orthod 2023;93(4):375" in note
    assert "Prog Orthod 2017" not in note


def test_percentages_of_accuracy_are_never_drawn_as_shares():
    # Lower canine rotation 54.2 is a percentage of accuracy (Prog Orthod 2017;18:35).
    canine = rates(group=["molar", "canine", "incisor"])
    ax = rates_forest(canine, published=published_values("rate"))
    assert not [line for line in ax.lines if line.get_label().startswith("published")]


def test_alt_text_holds_the_numbers():
    words = alt_text(rates_forest(rates(), published=published_values("rate")))
    assert "vertical incisor 52 (47 to 57), 30 patients, 1,200 movements" in words
    assert "premolar rotation over 10 degrees 40 % (BMC Oral Health 2014;14:68)" in words


def test_fits_by_movement(fit):
    ax = rates_forest({"rotation": fit, "tip": fit})
    assert len(marks(ax, "tip molar")) == len(marks(ax, "rotation molar")) == 1


def test_without_movement_there_is_no_heading(texts):
    ax = rates_forest(rates().drop(columns="movement"))
    assert "Rotation (°)" not in texts(ax)
    assert marks(ax, "molar")


def test_a_missing_interval_is_said(texts):
    ax = rates_forest(rates(low=np.nan, high=np.nan))
    assert "48 (no interval)" in texts(ax)
    assert not marks(ax, "_interval")


@pytest.mark.parametrize("width", [3.5, 7.2])
def test_text_columns_do_not_overlap(width):
    ax = rates_forest(rates(), ax=new_axes(width, 3), published=published_values("rate"))
    figure = ax.figure
    figure.draw_without_rendering()
    boxes = [t.get_window_extent() for t in ax.texts]
    inside = figure.get_window_extent()
    assert all(box.x0 >= inside.x0 - 1 and box.x1 <= inside.x1 + 1 for box in boxes)
    clashes = [
        (a.get_text(), b.get_text())
        for i, (a, box) in enumerate(zip(ax.texts, boxes, strict=True))
        for b, other in zip(ax.texts[i + 1 :], boxes[i + 1 :], strict=True)
        if box.shrunk(0.9, 0.7).overlaps(other.shrunk(0.9, 0.7))
    ]
    assert not clashes


def test_errors():
    with pytest.raises(ValueError, match="No column low"):
        rates_forest(rates().drop(columns="low"))
    with pytest.raises(ValueError, match="No rates"):
        rates_forest(rates().iloc[:0])
    with pytest.raises(ValueError, match="No fit"):
        rates_forest({})


def test_published_values_by_topic():
    assert set(published_values()["topic"]) > {"rate", "lever"}
    assert (published_values("lever")["topic"] == "lever").all()
    with pytest.raises(ValueError, match="choose rate, tolerance"):
        published_values("wardrobes")
