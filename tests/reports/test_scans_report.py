"""The report of measured scans: what it says of what was measured, refused and not there."""

import re
from dataclasses import replace

import pandas as pd
import pytest
from bs4 import BeautifulSoup

from outcomes.errors import InputError
from outcomes.reports.scans import tables, words
from outcomes.reports.scans.page import write_report
from outcomes.reports.scans.results import arches, reasons, references
from outcomes.reports.series.scans import matched, read_outlines
from outcomes.words.cautions import cautions
from outcomes.words.units import NBSP
from tests.measure.drawn_measured import drawn, part_of, small_arch

WHY = "less than half of the crown was found"
REFUSED = {(15, "achieved"): WHY, (27, "planned"): WHY, (27, "achieved"): WHY}


@pytest.fixture(scope="module")
def upper():
    return small_arch(
        "upper", resolution=1.3, planned={11: {"rotation": 8.0}}, achieved={11: {"rotation": 5.0}}
    )


@pytest.fixture(scope="module")
def measured(upper):
    tried = pd.DataFrame(
        {
            "patient": "P001", "course": 1, "arch": "upper", "stage": "achieved",
            "left_out": [16.0, None], "instead": ["the other teeth of the reference", "the molars"],
            "largest_mm": [0.034, None], "largest_degree": [0.26, None],
            "note": ["", "too few teeth are left to lay it on"],
        }
    )  # fmt: skip
    return drawn(
        part_of(upper, refused=REFUSED), part_of(upper, course=2, stages=("achieved",)),
        sensitivity=tried,
    )  # fmt: skip


@pytest.fixture(scope="module")
def folder(measured, tmp_path_factory):
    place = tmp_path_factory.mktemp("measured") / "out"
    measured.write_files(place)
    write_report(measured, place)
    return place


@pytest.fixture(scope="module")
def page(folder):
    return BeautifulSoup((folder / "report.html").read_text(encoding="utf-8"), "html.parser")


def section(page, title):
    heading = next(h for h in page.find_all("h2") if h.get_text() == title)
    return re.sub(r"\s+", " ", heading.parent.get_text(" ", strip=True))


def test_the_page_fetches_nothing(folder):
    text = (folder / "report.html").read_text(encoding="utf-8")
    assert not re.search(r'(?:src|href)="(?!data:|#)', text)
    assert "<script" not in text


def test_the_first_course_can_be_turned_on_the_page(page):
    (frame,) = page.find_all("iframe")
    assert "plotly" in frame["srcdoc"]
    assert "Of 2 arches 1 was put here" in section(page, "In three dimensions")


def test_the_page_begins_with_what_was_measured_and_refused(page):
    titles = [h.get_text() for h in page.find("main").find_all("h2")]
    assert titles[:5] == [
        "What was measured",
        "What was refused",
        "The reference, and how stable it is",
        "Quality of each tooth",
        "Movements",
    ]
    assert titles[-1] == "Cautions"
    assert WHY in section(page, "What was refused")
    assert "2 teeth were refused" in section(page, "What was refused")
    for caution in cautions("Always", "Measuring from scans", "The demonstration data"):
        assert caution in section(page, "Cautions")


def test_a_scan_that_was_not_given_is_not_a_movement_of_nought(measured):
    said = " ".join(words.summary(measured))
    assert "1 arch was given without a scan of the plan" in said
    assert "Plan: 13 of 14 teeth were measured." in said
    assert "Outcome: 26 of 28 teeth were measured." in said
    shown = tables.arches(arches(measured))
    assert shown["Plan: measured"].tolist() == ["13 of 14", "no scan"]
    assert shown["Plan: refused"].tolist() == ["1", "–"]


def test_cells_of_what_was_not_measured_are_dashes(measured):
    rows = measured.movements
    first = tables.movements(rows[rows["course"] == 1]).set_index("Tooth")
    column = "Rotation, °"
    assert first.loc["11", column].replace(NBSP, " ") == "8.0 / 5.0"
    assert first.loc["15", column].replace(NBSP, " ") == "0.0 / –"
    assert "27" not in first.index
    second = tables.movements(rows[rows["course"] == 2]).set_index("Tooth")
    assert second.loc["11", column].replace(NBSP, " ") == "– / 5.0"


def test_teeth_of_one_reason_stand_together(measured):
    table = tables.reasons(reasons(measured, refused=True))
    assert table["Teeth"].tolist() == ["27", "15 and 27"]
    assert table["In"].tolist() == ["plan", "outcome"]


def test_the_reference_is_named_with_what_changes_without_it(measured):
    table = tables.references(references(measured))
    assert table["Taken as stable"].unique().tolist() == ["17, 16, 26 and 27"]
    said = " ".join(words.sensitivity(measured)).replace(NBSP, " ")
    assert "the largest change was 0.03 mm and 0.3°, in 1 other reference tried" in said
    assert "1 other reference could not be tried" in said
    untold = replace(measured, sensitivity=pd.DataFrame())
    assert words.sensitivity(untold) == [
        "How much the movements depend on the reference was not tried."
    ]
    shown = tables.sensitivity(measured.sensitivity)
    assert shown["Left out"].tolist() == ["16", "–"]
    assert shown["Largest change, mm"].tolist() == ["0.03", "–"]


def test_error_is_said_to_be_unknown_without_repeats_and_told_with_them(upper, measured):
    assert "is not known" in words.measurement(measured)[0]
    again = drawn(part_of(upper), part_of(upper, repeat=2))
    assert words.measurement(again)[0].startswith("A single reading carries an error of")


def test_nothing_measured_is_a_report_too(upper, tmp_path):
    stages = ("planned", "achieved")
    every = {(tooth, stage): WHY for tooth in upper.frames for stage in stages}
    nothing = drawn(part_of(upper, refused=every))
    text = write_report(nothing, tmp_path / "out").read_text(encoding="utf-8")
    assert "No tooth was measured, so there are no movements." in text
    assert "0.00" not in words.quality(nothing)[0]


def test_landmarks_have_arrows_and_the_page_says_why_no_more(upper, tmp_path):
    given = drawn(part_of(upper, crowns=False))
    page = write_report(given, tmp_path / "out").read_text(encoding="utf-8")
    assert (tmp_path / "out" / "figures" / "arrows_P001_1.svg").is_file()
    assert not (tmp_path / "out" / "outlines.csv").exists()
    assert "No outlines: There are no crowns to outline" in page
    assert "No residuals: There is no achieved scan" in page


def test_figures_are_kept_with_their_words(folder):
    kept = pd.read_csv(folder / "figures" / "contents.csv")
    assert set(kept["figure"]) == {
        f"{kind}_P001_{course}" for kind in ("outlines", "arrows", "residuals") for course in (1, 2)
    }
    assert kept["alt_text"].str.contains("P001").all()
    assert kept["caption"].str.contains("Invented").all()
    for name in kept["figure"]:
        assert (folder / "figures" / f"{name}.svg").is_file()
        assert (folder / "figures" / f"{name}.png").is_file()


def test_outlines_are_read_again_and_matched_by_patient_and_course(folder, measured):
    found = read_outlines(folder)
    assert set(found["course"]) == {1, 2}
    kept, said = matched(found, measured.cohort)  # nothing was planned in the second course
    assert set(kept["course"]) == {1}
    assert said == "Scans of no course in these records, so not shown: P001, course 2."
    assert matched(kept, measured.cohort)[1] == ""


def test_a_folder_without_outlines_or_with_others_is_refused(folder, tmp_path):
    with pytest.raises(InputError, match=r"no outlines.csv .* outcomes measure"):
        read_outlines(tmp_path)
    rows = pd.read_csv(folder / "outlines.csv").head(20)
    rows.drop(columns="view").to_csv(tmp_path / "outlines.csv", index=False)
    with pytest.raises(InputError, match="no column view"):
        read_outlines(tmp_path)
    rows.astype({"x": object}).assign(x=["a", *rows["x"][1:]]).to_csv(
        tmp_path / "outlines.csv", index=False
    )
    with pytest.raises(InputError, match="row 2 is no point"):
        read_outlines(tmp_path)


@pytest.mark.parametrize(
    ("unit", "smallest", "digits"),
    [("mm", 0.0999, 2), ("mm", 0.1, 1), ("mm", 0.999, 1), ("mm", 1.0, 0), ("degree", 0.2, 1),
     ("degree", 1.0, 0), ("mm", 0.0, 2), ("mm", 0.001, 2), ("degree", None, 1)],
)  # fmt: skip
def test_numbers_end_where_the_smallest_detectable_change_begins(unit, smallest, digits):
    assert tables.decimals(unit, smallest) == digits
    movement = "vertical" if unit == "mm" else "tip"
    frame = pd.DataFrame(
        {"tooth": [11], "movement": [movement], "planned": [1.23456], "achieved": [0.5]}
    )
    known = {} if smallest is None else {movement: smallest}
    (shown,) = tables.movements(frame, known).filter(like=movement.capitalize()).iloc[0]
    planned = shown.split(NBSP)[0]
    assert planned == f"{1.23456:.{digits}f}"
