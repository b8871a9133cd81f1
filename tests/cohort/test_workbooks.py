"""Workbooks in four formats: what a fast reader gives as blank is seen for what it is."""

import io
import zipfile
from pathlib import Path

import openpyxl
import pytest

from outcomes.cohort.books import archive, pages, xls, xlsb, xlsx
from outcomes.cohort.books.marks import Marks
from outcomes.cohort.books.pages import read_pages
from outcomes.cohort.read import read_cohort
from outcomes.cohort.sources import pages_at
from outcomes.errors import CohortError, Unreadable
from tests.cohort.conftest import HEAD, adds_up, found

FILES = Path(__file__).parent / "files"
FORMS = ["xlsx", "xls", "xlsb", "ods"]


@pytest.fixture(scope="module", params=FORMS)
def messy(request):
    return read_cohort(FILES / f"messy.{request.param}")


def test_error_cells_truths_and_dates_are_told_from_blank_ones(messy):
    assert dict(zip(messy.excluded["row"], messy.excluded["reason"], strict=True)) == {
        3: "planned: a spreadsheet error, not a value",
        4: "achieved: a spreadsheet error, not a value",
        6: "planned: not a number",
        7: "planned: a date where a number belongs",
        8: "not measured yet",
        10: "patient is blank: its cell is merged with the one above",
    }
    errors = messy.problems.query("problem.str.contains('spreadsheet error')")["value"]
    assert errors.tolist() == ["#DIV/0!", "#N/A"]
    assert adds_up(messy)


def test_error_cells_may_stand_beyond_all_values():
    marks = Marks(instead=((0, 1, "#REF!"), (2, 3, "#N/A")))
    cells = pages._with_marks(pages._frame([["patient", ""], ["P1", "36"]]), marks)
    assert cells.to_numpy().tolist() == [
        ["patient", "#REF!", "", ""],
        ["P1", "36", "", ""],
        ["", "", "", "#N/A"],
    ]


def test_values_and_results_of_formulas_are_read_in_every_format(messy):
    rows = messy.movements[["patient", "tooth", "planned", "achieved", "row"]]
    assert rows.apply(tuple, axis=1).tolist() == [
        ("P1", 36, 12.0, 8.5, 2),
        ("P4", 36, 5.0, 2.0, 5),
        ("P8", 37, 5.0, 1.0, 9),
        ("P9", 46, 0.5, -0.25, 11),
    ]


def test_a_merged_cell_is_told_from_a_blank_one_with_the_row_it_is_merged_with(messy):
    assert found(messy, 10) == [
        ("exclude", "patient is blank: its cell is merged with row 9, which says 'P8'")
    ]


def test_what_is_hidden_is_said(messy):
    said = messy.problems.query("severity == 'check'")["problem"].tolist()
    assert said == [
        "5 of 10 rows left out because of problems",
        "not read: a hidden sheet, no table of that name",
        "hidden rows: 4; read like what is shown",
        "hidden columns: F; read like what is shown",
    ]


def test_a_blank_patient_that_is_not_merged_is_only_blank(csv):
    cohort = csv("P1,36,tip,5,2", ",36,tip,4,2")
    assert found(cohort, 3) == [("exclude", "patient is blank")]


def test_the_ending_of_a_workbook_decides_nothing(tmp_path):
    for form in FORMS:
        path = tmp_path / f"{form}.xls"
        path.write_bytes((FILES / f"messy.{form}").read_bytes())
        assert len(read_cohort(path).movements) == 4


def test_text_with_the_ending_of_a_workbook_stops_with_a_remedy(tmp_path):
    path = tmp_path / "export.xls"
    path.write_text("<html><table></table></html>")
    with pytest.raises(CohortError, match=r"save it anew as \.xlsx, or as \.csv"):
        read_cohort(path)


# Sheets written in other ways --------------------------------------------------------------------


def rewritten(change):
    """A small workbook with its sheet's XML changed."""
    book = openpyxl.Workbook()
    for row in (HEAD.split(","), ["P1", 36, "tip", 5, 2], ["P2", 36, "tip", 5, "#N/A"]):
        book.active.append(row)
    buffer = io.BytesIO()
    book.save(buffer)
    with zipfile.ZipFile(buffer) as old:
        parts = {name: old.read(name) for name in old.namelist()}
    sheet = "xl/worksheets/sheet1.xml"
    parts[sheet] = change(parts[sheet])
    return archive.repacked(parts)


@pytest.mark.parametrize(
    "change",
    [
        lambda xml: xml,
        lambda xml: xml.replace(b' r="E3"', b""),
        lambda xml: xml.replace(b'<c r="E3" t="e">', b"<c\nt='e' r='E3'>"),
        lambda xml: xml.replace(b'<c r="E3" t="e">', b'<!-- x --><c r="E3" t="e">'),
    ],
)
def test_an_error_cell_is_seen_however_the_sheet_is_written(change):
    (page,) = read_pages(rewritten(change))
    assert page.marks.instead == ((2, 4, "#N/A"),)
    assert page.cells.iat[2, 4] == "#N/A"
    assert (page.marks.rows, page.marks.columns) == (3, 5)


def test_the_slow_and_the_quick_way_find_the_same_marks():
    parts = archive.unpacked((FILES / "messy.xlsx").read_bytes())
    page = parts["xl/worksheets/sheet1.xml"]
    assert xlsx._plainly_written(page)
    assert xlsx._walked(page) == xlsx._marks(page)


def test_marks_of_all_formats_are_the_same():
    marks = [pages_at(FILES / f"messy.{form}")[0].marks for form in FORMS]
    for other in marks[1:]:
        assert (other.hidden_rows, other.hidden_columns, other.merged) == (
            marks[0].hidden_rows, marks[0].hidden_columns, marks[0].merged,
        )  # fmt: skip
        assert (other.rows, other.columns) == (marks[0].rows, marks[0].columns) == (11, 6)


def test_a_row_that_names_a_record_is_excluded_when_called_like_a_mean(csv):
    cohort = csv("P1,36,tip,5,2", "Mean,36,tip,5,2.5", "Max,36,tip,4,2")
    assert cohort.movements["patient"].tolist() == ["P1", "Max"]
    assert found(cohort, 3) == [("exclude", "the patient is called like a row of totals or means")]


@pytest.mark.parametrize("word", ["Total", "Mittelwert:", "Moyenne", "Mean (SD)", "SD", "média"])
def test_rows_of_totals_are_set_aside_and_listed(csv, word):
    cohort = csv("P1,36,tip,5,2", f"{word},,,9,3", f",,{word},9,3")
    assert cohort.excluded["row"].tolist() == [3, 4]
    assert set(cohort.excluded["reason"]) == {"a row of totals or means, not a record"}
    listed = cohort.problems.dropna(subset="row")
    assert listed[["row", "severity", "value"]].apply(tuple, axis=1).tolist() == [
        (3, "check", word), (4, "check", word),
    ]  # fmt: skip
    assert cohort.ledger["patients"].iloc[0] == 1
    assert adds_up(cohort)


# Damaged and protected ---------------------------------------------------------------------------


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("part", [0.3, 0.6, 0.95])
def test_a_workbook_cut_short_stops(tmp_path, form, part):
    data = (FILES / f"messy.{form}").read_bytes()
    path = tmp_path / f"cut.{form}"
    path.write_bytes(data[: int(len(data) * part)])
    with pytest.raises(CohortError, match="cannot be analysed"):
        read_cohort(path)


def test_an_encrypted_workbook_is_said_to_be_protected():
    # An encrypted .xlsx is a compound file with a stream of this name ([MS-OFFCRYPTO] 1.3.3).
    data = bytearray((FILES / "messy.xls").read_bytes())
    name = "Workbook".encode("utf-16-le")
    at = data.index(name)
    new = "EncryptedPackage".encode("utf-16-le")
    data[at : at + len(new)] = new
    data[at + 64 : at + 66] = (len(new) + 2).to_bytes(2, "little")
    with pytest.raises(Unreadable, match="password"):
        xls.marks(bytes(data))


def test_records_of_xlsb_have_types_and_lengths_of_several_bytes():
    # Seven bits of type and of length in each byte, the lowest first ([MS-XLSB] 2.1.4).
    assert list(xlsb.records(b"\x81\x03\xc8\x01" + b"x" * 200)) == [(0x181, b"x" * 200)]
