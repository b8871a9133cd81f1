"""Files in all their forms: workbooks, folders, encodings, headings, row numbers."""

import datetime as dt
import hashlib

import numpy as np
import openpyxl
import pandas as pd
import pytest

from outcomes.cohort.read import from_frames, read_cohort
from outcomes.errors import CohortError
from tests.cohort.conftest import HEAD, adds_up, found

ROW = ["P1", 36, "rotation", 12, 8.5]


def workbook(path, rows, title="movements", **sheets):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = title
    for row in rows:
        sheet.append(row)
    for name, content in sheets.items():
        other = book.create_sheet(name)
        for row in content:
            other.append(row)
    book.save(path)
    return path


@pytest.fixture
def xlsx(tmp_path):
    def read(rows, title="movements", **sheets):
        return read_cohort(workbook(tmp_path / "practice.xlsx", rows, title, **sheets))

    return read


def test_the_smallest_cohort_is_a_csv_with_five_columns(csv):
    cohort = csv("P1,36,rotation,12,8.5", "P1,37,vertical,-0.8,-0.5")
    assert cohort.source == "movements.csv"
    m = cohort.movements
    assert m["tooth_class"].tolist() == ["molar", "molar"]
    assert m["direction"].tolist() == ["mesial surface outwards", "intrusion"]
    assert m["unit"].tolist() == ["degree", "mm"]
    assert m["tooth_site"].tolist() == ["P1:36", "P1:37"]
    assert m["course"].tolist() == [1, 1]
    assert m["aim"].tolist() == [12, -0.8]
    assert m["row"].tolist() == [2, 3]
    assert [len(t) for t in (cohort.patients, cohort.courses, cohort.measures)] == [0, 0, 0]
    assert cohort.problems.empty
    assert adds_up(cohort)


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "cp1252", "latin-1", "utf-16", "utf-16-le", "utf-16-be"]
)
def test_separators_and_encodings(tmp_path, separator, encoding):
    number = "12.5" if separator == "," else "12,5"
    lines = [HEAD + ",Bemerkung", f"Pé,36,rotation,{number},8,größer"]
    text = "\r\n".join(separator.join(part.split(",")) for part in lines[:1])
    cells = ["Pé", "36", "rotation", number, "8", "größer"]
    path = tmp_path / "cases.csv"
    path.write_bytes((text + "\r\n" + separator.join(cells) + "\r\n").encode(encoding))
    cohort = read_cohort(path)
    assert cohort.movements["patient"].tolist() == ["Pé"]
    assert cohort.movements["planned"].tolist() == [12.5]
    assert cohort.movements["Bemerkung"].tolist() == ["größer"]


def test_an_unquoted_decimal_comma_between_commas_is_excluded_not_misread(csv):
    cohort = csv("P1,36,rotation,12,8.5", "P2,36,vertical,0,8,0,6")
    assert cohort.movements["row"].tolist() == [2]
    assert found(cohort, 3) == [("exclude", "more cells than headings")]
    assert "decimal comma" in cohort.problems["remedy"][1]


def test_blank_lines_count_as_rows_of_the_sheet_but_not_as_records(csv):
    cohort = csv("", "P1,36,rotation,12,8.5", ",,,,", "P2,36,rotation,12,x", "", "")
    assert cohort.movements["row"].tolist() == [3]
    assert found(cohort, 5)[0][0] == "exclude"
    assert cohort.ledger["rows"].iloc[0] == 2


def test_quoted_line_breaks_do_not_shift_row_numbers(csv):
    cohort = csv(
        '"P1",36,rotation,12,8.5,"two\nlines"', "P2,36,rotation,12,x,", head=HEAD + ",note"
    )
    assert cohort.excluded["row"].tolist() == [3]
    assert cohort.movements["note"].tolist() == ["two lines"]


@pytest.mark.parametrize("mark", ['"', ""])
def test_text_that_looks_like_a_number_stays_as_typed(csv, mark):
    head = HEAD + f",room,{mark}2023{mark}"
    lines = [f"{mark}{i}{mark},36,tip,1.50,{i},0{i},0{i}" for i in ("007", "7", "1.0", "1e1")]
    cohort = csv(*lines, "x,36,tip,?,1.10,01,02", head=head)
    assert cohort.movements["patient"].tolist() == ["007", "7", "1.0", "1e1"]
    for name in ("room", "2023"):
        assert cohort.movements[name].tolist() == ["0007", "07", "01.0", "01e1"]
    assert cohort.excluded[["achieved", "room", "2023"]].to_numpy().tolist() == [
        ["1.10", "01", "02"]
    ]


@pytest.mark.parametrize(
    "head",
    [
        "Patient ID,Tooth No.,Movement type,Planned movement,Achieved movement",
        "ACHIEVED,Tooth,Movement,Plan,Patient",
        "case,tooth_number,movement,prescribed,actual",
    ],
)
def test_plain_trade_words_are_read_as_headings(csv, head):
    order = ["8.5", "36", "rotation", "12", "P1"] if head.startswith("ACH") else None
    cohort = csv(",".join(order or [str(c) for c in ROW]), head=head)
    assert cohort.movements.loc[0, ["patient", "tooth", "planned", "achieved"]].tolist() == [
        "P1", 36, 12, 8.5,
    ]  # fmt: skip


def test_titles_above_merged_headings_and_blank_rows_below(tmp_path):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Movements"
    sheet["A1"] = "Cases of last year"
    sheet.merge_cells("A1:E1")
    for column, text in zip("ABC", ("Patient", "Tooth", "Movement"), strict=True):
        sheet[f"{column}3"] = text
        sheet.merge_cells(f"{column}3:{column}4")
    sheet["D3"] = "Amount"
    sheet.merge_cells("D3:E3")
    sheet["D4"], sheet["E4"] = "Planned", "Achieved"
    sheet["D5"], sheet["E5"] = "mm/°", "mm/°"
    for column, value in zip("ABCDE", ROW, strict=True):
        sheet[f"{column}6"] = value
    sheet["A9"] = "   "
    sheet["E20"].number_format = "0.00"
    book.save(tmp_path / "merged.xlsx")
    cohort = read_cohort(tmp_path / "merged.xlsx")
    assert cohort.movements["row"].tolist() == [6]
    assert cohort.excluded["row"].tolist() == [5]
    assert "headings or units" in cohort.excluded["reason"][0]
    assert cohort.ledger["rows"].iloc[0] == 2


def test_merged_patients_are_blank_below_and_the_remedy_says_so(tmp_path):
    path = workbook(tmp_path / "merged.xlsx", [HEAD.split(","), ROW, [None, 37, "tip", 5, 2]])
    cohort = read_cohort(path)
    assert "merged cell holds its value in its first row only" in cohort.problems["remedy"][1]
    assert cohort.excluded["row"].tolist() == [3]


def test_excel_dates_errors_truths_and_uncalculated_formulas(xlsx):
    rows = [
        HEAD.split(","),
        ROW,
        ["P2", 36, "tip", dt.date(2024, 5, 1), 2],
        ["P3", 36, "tip", "#DIV/0!", 2],
        ["P4", 36, "tip", 5, "#N/A"],
        ["P5", 36, "tip", 5, "=1+1"],
        ["P6", 36, "tip", True, 2],
        ["P7", 36, "tip", 5, None],
        ["P8", 36, "tip", dt.time(1, 30), 2],
    ]
    cohort = xlsx(rows)
    assert dict(zip(cohort.excluded["row"], cohort.excluded["reason"], strict=True)) == {
        3: "planned: a date where a number belongs",
        4: "planned: a spreadsheet error, not a value",
        5: "achieved: a spreadsheet error, not a value",
        6: "achieved: a formula without a stored result",
        7: "planned: not a number",
        8: "not measured yet",
        9: "planned: a date where a number belongs",
    }
    assert adds_up(cohort)


def test_words_that_pandas_takes_for_missing_stay_words(xlsx):
    rows = [[*HEAD.split(","), "attachment"], [*ROW, "None"], ["NA", *ROW[1:], "none"]]
    cohort = xlsx(rows)
    assert cohort.movements["patient"].tolist() == ["P1", "NA"]
    assert cohort.movements["attachment"].tolist() == ["none", "none"]


def test_numbers_as_patient_codes_match_between_sheets(xlsx):
    rows = [HEAD.split(","), [1, *ROW[1:]], ["2", *ROW[1:]]]
    cohort = xlsx(rows, patients=[["patient", "age"], ["1", 20], [2.0, 30]])
    assert cohort.frame()["age"].tolist() == [20, 30]
    assert cohort.problems.empty


def test_a_lone_sheet_of_any_name_is_the_movements_table(xlsx):
    assert len(xlsx([HEAD.split(","), ROW], title="Tabelle1").movements) == 1


def test_the_only_sheet_with_all_columns_is_read_and_the_others_are_listed(xlsx):
    cohort = xlsx([HEAD.split(","), ROW], title="Data", scratch=[["a", "b"]], codebook=[["x"]])
    assert len(cohort.movements) == 1
    assert set(cohort.problems["severity"]) == {"check"}
    assert set(cohort.problems["value"]) == {"Data", "scratch"}


def test_several_sheets_that_could_be_movements_stop(xlsx):
    with pytest.raises(
        CohortError, match="several sheets could be the movements table: 2022, 2023"
    ):
        xlsx([HEAD.split(","), ROW], title="2022", **{"2023": [HEAD.split(","), ROW]})


def test_a_workbook_without_movements_stops_with_a_remedy(xlsx):
    with pytest.raises(CohortError, match="Add a sheet called movements"):
        xlsx([["patient", "age"], ["P1", 20]], title="patients", other=[["a"]])


def test_a_folder_of_csv_files(tmp_path):
    (tmp_path / "movements.csv").write_text(HEAD + "\nP1,36,rotation,12,8.5\n")
    (tmp_path / "Patients.csv").write_text("patient;age\nP1;27,5\n")
    (tmp_path / "movment.csv").write_text("a,b\n1,2\n")
    (tmp_path / "notes.docx").write_text("no table")
    cohort = read_cohort(tmp_path)
    assert cohort.frame()["age"].tolist() == [27.5]
    assert cohort.problems["value"].tolist() == ["movment.csv"]
    assert "call it movements" in cohort.problems["remedy"][0]
    assert cohort.source == tmp_path.name


def test_two_files_for_one_table_stop(tmp_path):
    frame = pd.DataFrame([ROW], columns=HEAD.split(","))
    frame.to_csv(tmp_path / "movements.csv", index=False)
    frame.to_parquet(tmp_path / "movements.parquet")
    with pytest.raises(CohortError, match="two files hold this table"):
        read_cohort(tmp_path)


@pytest.mark.parametrize("name", ["x.xlsx", "x.parquet", "x.csv", "x.pdf"])
def test_files_that_are_not_what_they_say_stop_with_a_remedy(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(b"\x81\x8d\x00 no table \xff\x9d" if name != "x.csv" else b"\x81\x8d\x9d")
    with pytest.raises(CohortError) as error:
        read_cohort(path)
    assert error.value.problems["remedy"].str.endswith(".").all()


def test_a_missing_file_says_so(tmp_path):
    with pytest.raises(FileNotFoundError, match="check the spelling"):
        read_cohort(tmp_path / "nowhere.xlsx")


@pytest.mark.parametrize("name", ["x.xls", "x.xlsx", "x.parquet"])
def test_an_empty_file_stops(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(b"")
    with pytest.raises(CohortError, match="the file is empty"):
        read_cohort(path)


def test_a_patient_code_turned_into_a_date_is_listed(xlsx):
    cohort = xlsx([HEAD.split(","), ROW, [dt.date(2024, 5, 3), *ROW[1:]]])
    assert found(cohort, 3) == [("check", "a date where a code belongs; kept as it is")]


@pytest.mark.parametrize("name", ["movements.csv", "movements.parquet", "book.xlsx"])
def test_reading_never_changes_the_input_and_gives_its_hash(tmp_path, name):
    path = tmp_path / name
    frame = pd.DataFrame([ROW], columns=HEAD.split(","))
    if name.endswith("csv"):
        frame.to_csv(path, index=False)
    elif name.endswith("parquet"):
        frame.to_parquet(path)
    else:
        frame.to_excel(path, index=False)
    before = path.read_bytes(), path.stat().st_mtime_ns
    path.chmod(0o444)
    cohort = read_cohort(path)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    assert cohort.sha256 == hashlib.sha256(before[0]).hexdigest()
    assert str(tmp_path) not in repr(cohort) + cohort.source


def test_frames_go_through_the_same_checks_and_stay_as_they_are():
    frame = pd.DataFrame([ROW, ["P2", 99, "tip", 5, np.nan]], columns=HEAD.split(","))
    before = frame.copy()
    cohort = from_frames(frame)
    pd.testing.assert_frame_equal(frame, before)
    assert cohort.movements["row"].tolist() == [2]
    assert found(cohort, 3) == [("exclude", "no FDI tooth number")]
    assert from_frames(frame).sha256 == cohort.sha256
    assert from_frames(frame.assign(planned=1)).sha256 != cohort.sha256


def test_a_cohorts_own_tables_can_be_read_again(csv):
    head = "patient,tooth,movement,planned,achieved,attachment,age_of_scan"
    cohort = csv("P1,36,rotation,12,8.5,none,3", "P1,13,tip,-5,2,,4", head=head)
    again = from_frames(cohort.movements)
    pd.testing.assert_frame_equal(
        again.movements.drop(columns="row"), cohort.movements.drop(columns="row")
    )


def test_extra_columns_keep_their_names_and_become_numbers_dates_or_words(csv):
    head = HEAD + ",Wear,scan day,room,tooth_class"
    cohort = csv(
        'P1,36,tip,5,2,"20,5",2024-01-31,01,mine', "P2,36,tip,5,2,21,2024-02-28,02,", head=head
    )
    m = cohort.movements
    assert m["Wear"].tolist() == [20.5, 21]
    assert m["scan day"].dt.month.tolist() == [1, 2]
    assert m["room"].tolist() == ["01", "02"]
    assert m["tooth_class_given"].tolist()[0] == "mine"
    assert m["tooth_class"].tolist() == ["molar", "molar"]


def test_frame_joins_patients_and_courses_and_prefixes_names_that_clash():
    movements = pd.DataFrame([ROW], columns=HEAD.split(",")).assign(site="upper")
    patients = pd.DataFrame({"patient": ["P1"], "site": ["North"], "age": [27]})
    courses = pd.DataFrame({"patient": ["P1"], "course": [1], "aligners": [20]})
    joined = from_frames(movements, patients, courses).frame("rotation")
    assert joined.loc[0, ["site", "patients_site", "age", "aligners"]].tolist() == [
        "upper", "North", 27, 20,
    ]  # fmt: skip
    assert len(from_frames(movements).frame("tip")) == 0
    with pytest.raises(ValueError, match="'spin' is no movement"):
        from_frames(movements).frame("spin")


def test_repr_is_short_and_html_is_escaped(csv):
    cohort = csv("P1,36,rotation,12,8.5", "P2,36,rotation,12,")
    assert repr(cohort).splitlines() == [
        "Cohort movements.csv",
        "  analysed: 1 movement of 1 patient; 1 row of 2 excluded",
        "  problems: none",
    ]
    odd = from_frames(cohort.movements, source="<b>")
    assert "<b>" not in odd._repr_html_()
    assert "&lt;b&gt;" in odd._repr_html_()


def test_the_demo_is_marked_as_invented_wherever_its_copy_lies(tmp_path):
    from outcomes.paths import data_path

    copy = tmp_path / "copy.xlsx"
    copy.write_bytes(data_path("synthetic_data", "practice.xlsx").read_bytes())
    cohort = read_cohort(copy)
    assert cohort.invented
    assert "invented" in repr(cohort)
