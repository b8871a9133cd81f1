"""Case pages, small multiples, before and after, and figures saved for print."""

import re

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_rgb

from outcomes.clinical.case import course_times, measured
from outcomes.clinical.measures import before_after
from outcomes.clinical.remaining import first_not_measured, remaining
from outcomes.cohort.read import from_frames, read_cohort
from outcomes.errors import CannotAnswer, InputError
from outcomes.figures.base import COLOURS, alt_text
from outcomes.figures.before_after import before_after_panels
from outcomes.figures.case import case_page
from outcomes.figures.publication import save_for_print, write_contents
from outcomes.figures.series import series_panels
from outcomes.paths import data_path


@pytest.fixture(scope="module")
def cohort():
    return read_cohort(data_path("synthetic_data", "series.xlsx"), notation="fdi")


def two_courses(**more):
    return pd.DataFrame(
        {
            "patient": "P001",
            "tooth": [11, 11, 21, 31],
            "movement": "vertical",
            "unit": "mm",
            "course": [1, 2, 1, 1],
            "planned": [2.0, 1.2, -1.0, 0.0],
            "aim": [2.0, 0.8, -1.0, 0.0],
            "achieved": [1.2, 0.7, -0.2, 0.3],
            **more,
        }
    )


def test_remaining_adds_up_over_courses():
    # 2.0 wanted, 1.2 and 0.7 achieved: 0.1 left (arithmetic)
    table = remaining(two_courses()).set_index("tooth")
    assert table.loc[11, "left"] == pytest.approx(0.1)
    assert table.loc[11, "achieved"] == pytest.approx(1.9)
    assert table.loc[11, "within"]
    assert table.loc[21, "left"] == pytest.approx(-0.8)
    assert not table.loc[21, "within"]
    assert 31 not in table.index  # a plan of zero is no aim


@pytest.mark.parametrize("as_cohort", [False, True])
def test_a_later_aim_never_stands_for_the_first(as_cohort):
    """First course of 11 not measured: what came of its aim of 2.0 is not known."""
    rows = two_courses(achieved=[np.nan, 0.7, -0.2, 0.3])
    given = from_frames(rows.drop(columns="unit"), notation="fdi") if as_cohort else rows
    assert remaining(given)["tooth"].tolist() == [21]
    lost = first_not_measured(given)
    assert lost[["tooth", "course", "aim"]].values.tolist() == [[11, 1, 2.0]]
    if as_cohort:
        assert "First course not measured: 1 planned movement." in alt_text(
            case_page(given, "P001")
        ).replace("\u00a0", " ")


def test_a_later_course_not_measured_leaves_the_first(cohort):
    table = remaining(two_courses(achieved=[1.2, np.nan, -0.2, 0.3])).set_index("tooth")
    assert table.loc[11, "left"] == pytest.approx(0.8)
    assert table.loc[11, "courses"] == 1


def test_a_course_that_asks_for_nothing_more_does_not_forget_the_shortfall():
    rows = two_courses(planned=[2.0, 0.0, -1.0, 0.0], aim=[2.0, 0.0, -1.0, 0.0])
    assert remaining(rows).set_index("tooth").loc[11, "left"] == pytest.approx(0.1)


def test_later_aims_of_the_demonstration_are_what_was_left(cohort):
    rows = cohort.movements.sort_values("course")
    key = ["patient", "tooth", "movement"]
    left = (rows["aim"] - rows["achieved"]).groupby([rows[k] for k in key]).shift()
    again = rows[left.notna() & (rows["planned"] != 0)]
    assert len(again) > 200
    assert np.allclose(again["aim"], left[again.index], atol=0.011)


def test_remaining_refuses_two_rows_of_one_course():
    rows = pd.concat([two_courses(), two_courses()])
    with pytest.raises(CannotAnswer, match="two rows"):
        remaining(rows)


def test_case_page_shows_what_the_records_hold(cohort):
    for patient in ("P001", "P012"):
        axes = case_page(cohort, patient)
        courses = cohort.courses[cohort.courses["patient"] == patient]
        timeline = next(ax for ax in axes if ax.get_title(loc="left") == "Courses")
        widths = [bar.get_width() for bar in timeline.patches]
        assert widths == [
            (e - s).days for s, e in zip(courses["start"], courses["end"], strict=True)
        ]
        overbite = next(ax for ax in axes if ax.get_title(loc="left").startswith("Overbite"))
        values = cohort.measures.query("patient == @patient and measure == 'overbite'")["value"]
        line = next(line for line in overbite.lines if line.get_marker() == "o")
        assert list(line.get_ydata()) == list(values)


def test_case_page_words_agree_with_the_table(cohort):
    table = remaining(cohort)
    own = table[table["patient"] == "P002"]
    words = alt_text(case_page(cohort, "P002")).replace("\u00a0", " ")
    missed = int((~own["within"]).sum())
    assert f"{missed} of {len(own)} planned movements more than 0.5 mm or 2° from the aim" in words
    assert "Crowns were measured, not roots or bone." in words
    assert "3 courses" in words


def test_case_page_of_movements_alone():
    rows = two_courses().drop(columns="unit")
    axes = case_page(from_frames(rows, notation="fdi"), "P001")
    assert [ax.get_title(loc="left") for ax in axes][:-1] == ["Key movements, mm"]


def aims_that_change():
    """11: a new aim in course 2; 21: meant to stay in course 1, begun in course 2; 31: course 2 not
    measured, so course 3 starts nobody knows where (invented)."""
    return pd.DataFrame(
        {
            "patient": "P001",
            "tooth": [11, 11, 21, 21, 31, 31, 31],
            "movement": "torque",
            "course": [1, 2, 1, 2, 1, 2, 3],
            "planned": [9.0, -7.0, 0.0, 5.0, 8.0, 3.0, 2.0],
            "aim": [8.0, -6.0, 0.0, 4.0, 8.0, 3.0, 2.0],
            "achieved": [5.0, -4.0, 0.5, 3.0, 5.0, None, 1.5],
        }
    )


def test_case_page_follows_the_latest_aim_and_shows_the_first():
    axes = case_page(from_frames(aims_that_change(), notation="fdi"), "P001")
    ax = next(ax for ax in axes if ax.get_title(loc="left") == "Key movements, °")
    labels = [text.get_text() for text in ax.get_yticklabels()]
    assert labels == ["11 torque", "21 torque, from course 2", "31 torque, to course 1"]
    upright = {
        (round(float(line.get_xdata()[0]), 6), line.get_label() == "first aim")
        for line in ax.lines
        if len(line.get_xdata()) == 2 and line.get_xdata()[0] == line.get_xdata()[1] != 0
    }
    # 11: 5 - 6 = -1, first 8 dotted; 21: 4; 31: 8
    assert upright == {(-1.0, False), (8.0, True), (4.0, False), (8.0, False)}
    ends = {
        tuple(np.round(line.get_xdata(), 6))
        for line in ax.lines
        if line.get_color() == COLOURS[0]
        and line.get_linestyle() == "-"
        and len(line.get_xdata()) > 1
    }
    assert ends == {(0.0, 5.0, 1.0), (0.0, 3.0), (0.0, 5.0)}
    assert "dotted: first aim" in ax.get_xlabel()
    words = alt_text(axes).replace("\u00a0", " ")
    assert (
        "A later course set a new aim, which is the one judged, in 1 movement: torque of 11 (first 8.0, now −1.0°)."
        in words
    )
    assert "Begun in a later course and counted from it: 1 movement." in words
    assert "A later course is not measured or not recorded in 1 movement" in words
    assert "1 of 3 planned movements more than 2° from the aim" in words


def test_case_page_without_changed_aims_says_nothing_of_them(cohort):
    axes = case_page(from_frames(two_courses().drop(columns="unit"), notation="fdi"), "P001")
    words = alt_text(axes)
    assert "new aim" not in words
    assert "Begun" not in words
    assert not any("first aim" in ax.get_xlabel() for ax in axes)


def test_a_patient_of_whom_nothing_is_measured_yet_has_a_page():
    waiting = two_courses().drop(columns="unit").assign(patient="P002", achieved=None)
    rows = pd.concat([two_courses().drop(columns="unit"), waiting])
    words = alt_text(case_page(from_frames(rows, notation="fdi"), "P002"))
    assert "Nothing of this patient is measured yet." in words


def test_unknown_patient_is_refused(cohort):
    with pytest.raises(ValueError, match="No patient 'P999'"):
        case_page(cohort, "P999")


def test_course_in_progress_is_shown_as_not_scanned(cohort):
    rows = cohort.courses
    pending = rows[
        [
            c not in set(cohort.movements.loc[cohort.movements["patient"] == p, "course"])
            for p, c in zip(rows["patient"], rows["course"], strict=True)
        ]
    ]
    assert len(pending) == 1
    patient = pending["patient"].iloc[0]
    assert not course_times(cohort, patient)["scanned"].iloc[-1]
    assert "not scanned yet" in alt_text(case_page(cohort, patient))


def test_times_without_dates_follow_the_aligners():
    courses = pd.DataFrame(
        {"patient": "P001", "course": [1, 2], "aligners": [10, 5], "days_per_aligner": [7, 10]}
    )
    made = from_frames(two_courses().drop(columns="unit"), courses=courses, notation="fdi")
    times = course_times(made, "P001")
    assert list(times["start"]) == [0, 70]
    assert list(times["end"]) == [70, 120]
    assert not times["dated"].any()


def test_measures_at_teeth_are_means(cohort):
    table = measured(cohort, "P002").query("measure == 'recession' and after_course == 0")
    raw = cohort.measures.query(
        "patient == 'P002' and measure == 'recession' and after_course == 0"
    )["value"]
    assert table["value"].iloc[0] == pytest.approx(raw.mean())
    assert table["teeth"].iloc[0] == len(raw)


def test_a_panel_for_each_patient_on_one_scale(cohort):
    axes = series_panels(cohort, "overbite")
    assert len(axes) == 12
    assert len({ax.get_ylim() for ax in axes}) == 1
    for number, ax in enumerate(axes, start=1):
        assert ax.get_title(loc="left").startswith(f"P{number:03d}")
    with pytest.raises(ValueError, match="nobody"):
        series_panels(cohort, "spacing")


def test_before_after_draws_every_patient_and_prints_the_difference(cohort):
    result = before_after(cohort, by="malocclusion")
    axes = before_after_panels(result, ["overbite", "crowding"], split="malocclusion")
    crowding = axes[1]
    pairs = [line for line in crowding.lines if len(line.get_xdata()) == 2 and line.get_lw() == 0.7]
    assert len(pairs) == 12
    words = alt_text(axes)
    for row in result.table.query("period == 'total' and measure == 'overbite'").itertuples():
        assert f"difference {row.difference:+.1f}".replace("-", "−") in words
    with pytest.raises(ValueError, match="No measure"):
        before_after_panels(result, [])


def test_groups_are_told_apart_without_colour(cohort):
    axes = before_after_panels(
        before_after(cohort, by="malocclusion"), ["overbite"], split="malocclusion"
    )
    looks = {
        (str(line.get_linestyle()), line.get_marker())
        for line in axes[0].lines
        if line.get_lw() == 0.7
    }
    assert len(looks) == 2


def test_colours_keep_their_order_in_grey():
    # relative luminance, WCAG 2
    def luminance(colour):
        linear = [
            c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)
        ]
        return float(np.dot([0.2126, 0.7152, 0.0722], linear))

    shades = [luminance(colour) for colour in COLOURS]
    assert shades == sorted(shades)
    assert min(np.diff(shades)) > 0.03


def test_saved_for_print_in_both_widths_and_resolutions(cohort, tmp_path):
    from PIL import Image

    before = dict(mpl.rcParams)
    drawn = save_for_print(
        lambda width: series_panels(cohort, "overbite", width=width), "each", "Each case.", tmp_path
    )
    assert dict(mpl.rcParams) == before
    assert len(drawn.files) == 8
    for width, mm in (("one_column", 85), ("two_column", 175)):
        for dpi in (300, 600):
            with Image.open(tmp_path / f"each_{width}_{dpi}dpi.png") as picture:
                assert picture.size[0] == pytest.approx(mm / 25.4 * dpi, abs=2)
        pdf = (tmp_path / f"each_{width}.pdf").read_bytes()
        assert b"/FontFile2" in pdf  # TrueType, embedded
        box = re.search(rb"/MediaBox \[ ?0 0 ([\d.]+)", pdf)
        assert float(box.group(1)) == pytest.approx(mm / 25.4 * 72, abs=0.5)
        svg = (tmp_path / f"each_{width}.svg").read_text("utf-8")
        assert "<text" in svg
        assert "P001" in svg
        assert "<desc>" in svg
    path = write_contents([drawn], tmp_path / "captions.csv")
    table = pd.read_csv(path)
    assert set(table["file"]) == set(drawn.files)
    assert table["alt_text"].str.contains("P012").all()
    assert (table["caption"] == "Each case.").all()


def test_a_measure_of_nobody_is_refused(cohort):
    with pytest.raises(InputError, match="gum_colour was measured in nobody"):
        series_panels(cohort, "gum_colour")
