"""Tables, figures and sentences as a notebook shows and keeps them."""

import base64
import csv
import re

import pandas as pd
import pytest
from openpyxl import load_workbook

from outcomes import figures
from outcomes.reports.build.show import fold, mark_small, save_table, say, show
from outcomes.reports.files.workbook import gather_workbook
from outcomes.words.numbers import number, percent, range_words


@pytest.fixture
def drawn(small_cohort):
    return figures.record_flow(small_cohort)


def test_what_is_said_is_text_and_never_markup():
    shown = say("<script>alert(1)</script> & 3 < 5").html
    assert "<script" not in shown
    assert "&lt;script&gt;" in shown
    assert "&amp; 3 &lt; 5" in shown


def test_cells_and_headings_are_text_and_never_markup():
    frame = pd.DataFrame({"<b>group</b>": ["<img src=x onerror=alert(1)>"]})
    shown = save_table(frame, "t", caption="<i>caption</i>").html
    assert not re.search(r"<(img|b|i)[ >]", shown)


def test_rows_of_fewer_than_five_patients_are_marked_everywhere(tmp_path):
    frame = pd.DataFrame({"group": ["a", "b", "c"], "patients": [4, 5, 0], "rate": [0.1, 0.2, 0.3]})
    shown = save_table(frame, "rates", tmp_path).html
    rows = re.findall(r"<tr>(.*?)</tr>", shown)[1:]
    assert ["†" in row for row in rows] == [True, False, False]
    assert "Fewer than 5 patients" in shown
    kept = pd.read_csv(tmp_path / "tables" / "rates.csv", keep_default_na=False)
    assert [bool(text) for text in kept["sharing"]] == [True, False, False]


def test_a_table_without_small_groups_has_no_mark():
    frame = pd.DataFrame({"patients": [5, 12]})
    assert list(mark_small(frame)) == ["patients"]
    assert "†" not in save_table(frame, "t").html


def test_an_empty_table_shows_and_keeps_nothing(tmp_path):
    assert save_table(pd.DataFrame({"a": []}), "none", tmp_path).html == ""
    assert not (tmp_path / "tables").exists()
    assert fold("Nothing", save_table(pd.DataFrame(), "none")).html == ""


def test_a_figure_is_kept_three_ways_with_its_alt_text(tmp_path, drawn):
    shown = show(drawn, "flow", tmp_path, caption="Rows < all").html
    names = sorted(path.name for path in (tmp_path / "figures").iterdir())
    assert names == ["contents.csv", "flow.pdf", "flow.png", "flow.svg"]
    assert (tmp_path / "figures" / "flow.pdf").read_bytes().startswith(b"%PDF")
    png = (tmp_path / "figures" / "flow.png").read_bytes()
    assert png.startswith(b"\x89PNG")
    # pHYs: pixels per metre; 300 dpi is 11811 (PNG specification, chunk pHYs).
    assert b"pHYs" + (11811).to_bytes(4, "big") in png
    alt = figures.alt_text(drawn)
    with (tmp_path / "figures" / "contents.csv").open(encoding="utf-8") as handle:
        assert list(csv.DictReader(handle)) == [
            {
                "figure": "flow",
                "alt_text": alt,
                "caption": "Rows < all. * Fewer than 5 patients: could identify somebody; "
                "take out or merge before sharing.",
            }
        ]
    assert "6 rows" in alt
    assert f'alt="{alt}"' in shown
    assert "<figcaption>Rows &lt; all. * Fewer than 5 patients: could identify" in shown


def test_the_same_figure_gives_the_same_bytes(tmp_path, small_cohort):
    for name in ("a", "b"):
        show(figures.record_flow(small_cohort), "flow", tmp_path / name)
    for kind in ("svg", "pdf", "png"):
        a, b = ((tmp_path / n / "figures" / f"flow.{kind}").read_bytes() for n in ("a", "b"))
        assert a == b


def test_the_picture_on_the_page_is_the_one_that_was_kept(tmp_path, drawn):
    shown = show(drawn, "flow", tmp_path).html
    data = re.search(r'src="data:image/svg\+xml;base64,([^"]+)"', shown).group(1)
    assert base64.b64decode(data) == (tmp_path / "figures" / "flow.svg").read_bytes()


def test_the_workbook_holds_every_table(tmp_path):
    long = "a_table_with_a_name_longer_than_a_sheet_may_have"
    save_table(pd.DataFrame({"x": [1.5, 2.5]}), "one", tmp_path, caption="First")
    save_table(pd.DataFrame({"patients": [2]}), long, tmp_path, caption="Second")
    book = load_workbook(gather_workbook(tmp_path / "tables"))
    assert book.sheetnames == ["contents", "one", long[:31]]
    assert [cell.value for cell in book["one"]["A"]] == ["x", 1.5, 2.5]
    assert book[long[:31]]["B1"].value == "sharing"


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [(-0.004, 2, "0.00"), (-1234.5, 1, "−1,234.5"), (0.005, 0, "0"), (12, 0, "12")],
)
def test_numbers_as_text(value, digits, text):
    assert number(value, digits) == text


def test_an_interval_names_its_unit_once():
    assert range_words(-0.1, 0.25).replace("\u00a0", " ") == "−10 to 25 %"
    assert range_words(float("nan"), 1.0) == "–"
    assert percent(1.0).replace("\u00a0", " ") == "100 %"


def test_a_figure_with_a_small_count_says_so_under_it(tmp_path):
    import matplotlib.figure

    from outcomes.domain.names import patients_counted
    from outcomes.figures.base import set_alt_text
    from outcomes.reports.build.show import show

    ax = matplotlib.figure.Figure(figsize=(2, 1)).subplots()
    for patients, marked in ((4, True), (5, False)):
        set_alt_text(ax, f"Rates of {patients_counted(patients)}.")
        shown = show(ax, f"rates{patients}", tmp_path, caption="Rates.")
        assert ("fewer than 5 patients" in shown.html.casefold()) == marked
        assert ("*" in patients_counted(patients)) == marked
