"""The table of scans: every row that cannot be measured says why, with a remedy."""

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import CohortError
from outcomes.measure.given import kind_of
from outcomes.measure.points import clicks_of
from outcomes.measure.scan_table import read_scan_table

HEAD = "patient,course,arch,start,planned,achieved,teeth,reference,unit\n"


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "scans").mkdir()
    for name in ("start.stl", "plan.ply", "end.obj", "Late.stl"):
        (tmp_path / "scans" / name).write_text(f"solid {name}")
    (tmp_path / "scans" / "copy.stl").write_text("solid start.stl")
    (tmp_path / "teeth.csv").write_text("tooth,x,y,z\n16,1,2,3\n")
    return tmp_path


def written(folder, *rows, head=HEAD, name="scans.csv"):
    path = folder / name
    path.write_text(head + "\n".join(rows) + "\n")
    return path


GOOD = "P1,1,upper,scans/start.stl,scans/plan.ply,scans/end.obj,teeth.csv,16 17 26 27,mm"


def test_a_row_as_written(folder):
    table = read_scan_table(written(folder, GOOD))
    (row,) = table.rows
    assert (row.patient, row.course, row.arch, row.unit, row.row) == ("P1", 1, "upper", "mm", 2)
    assert row.reference == (16, 17, 26, 27)
    assert [f.name for f in row.files()] == ["start.stl", "plan.ply", "end.obj", "teeth.csv"]
    assert set(row.stages()) == {"planned", "achieved"}
    assert row.label == "P1, course 1, upper"
    assert not len(table.problems)
    assert len(table.sha256) == 64


@pytest.mark.parametrize(
    ("cells", "problem", "remedy"),
    [
        ({"patient": ""}, "patient is blank", "Fill it in"),
        ({"arch": "middle"}, "no arch of that name", "upper, lower"),
        ({"arch": ""}, "arch is blank", "Fill it in"),
        ({"course": "one"}, "not a number", "number"),
        ({"course": "0"}, "cannot be below 1", "Correct"),
        ({"course": "1.5"}, "not a whole number", "whole"),
        ({"start": ""}, "start is blank", "Fill it in"),
        ({"start": "scans/none.stl"}, "no such file", "Correct the path"),
        ({"start": "scans"}, "a folder", "one file"),
        ({"start": "http://there/a.stl"}, "an address", "Copy the file"),
        ({"start": "\\\\server\\a.stl"}, "an address", "Copy the file"),
        ({"start": "~/a.stl"}, "no such file", "Correct the path"),
        ({"start": "$HOME/a.stl"}, "no such file", "Correct the path"),
        ({"teeth": "none.csv"}, "no such file", "Correct the path"),
        ({"planned": "", "achieved": ""}, "both blank", "at least one"),
        ({"achieved": "scans/start.stl"}, "the start scan is given as achieved", "right file"),
        ({"achieved": "scans/plan.ply"}, "the plan is given as achieved", "right file"),
        ({"achieved": "scans/copy.stl"}, "the start scan is given as achieved", "right file"),
        ({"planned": "scans/copy.stl"}, "the start scan is given as planned", "right file"),
        ({"unit": "furlong"}, "no unit of that name", "mm, cm, m, inch"),
        ({"reference": "16 99"}, "99: no reference", "palate, all"),
        ({"reference": "36 46 47"}, "of the other arch", "this arch"),
        ({"arch": "lower", "reference": "palate"}, "no palate", "Name teeth"),
        ({"start": "#REF!"}, "spreadsheet error", "Correct the formula"),
    ],
)
def test_a_row_that_cannot_be_measured_says_why(folder, cells, problem, remedy):
    names = HEAD.strip().split(",")
    row = dict(zip(names, GOOD.split(","), strict=True)) | cells
    path = written(folder, GOOD.replace("P1", "P2"), ",".join(row.values()))
    table = read_scan_table(path)
    assert [r.patient for r in table.rows] == ["P2"]
    found = table.problems[table.problems["row"] == 3]
    assert found["problem"].str.contains(problem, regex=False).any(), found["problem"].tolist()
    assert found["remedy"].str.contains(remedy, regex=False).any()
    assert (found["severity"] == "exclude").any()


def test_teeth_may_be_a_folder(folder):
    (row,) = read_scan_table(written(folder, GOOD.replace("teeth.csv", "scans"))).rows
    assert row.teeth == folder / "scans"


def test_all_problems_of_a_row_are_listed(folder):
    bad = "P1,x,middle,scans/none.stl,,scans/end.obj,none.csv,16 99,furlong"
    with pytest.raises(CohortError, match="no row of scans") as caught:
        read_scan_table(written(folder, bad))
    columns = set(caught.value.problems["column"])
    assert columns >= {"course", "arch", "start", "teeth", "reference", "unit"}


def test_what_is_forgiven_is_listed(folder):
    row = GOOD.replace("scans/end.obj", "Scans\\late.STL").replace("16 17 26 27", "16 26")
    absolute = GOOD.replace("P1", "P2").replace("teeth.csv", str(folder / "teeth.csv"))
    table = read_scan_table(written(folder, row, absolute))
    assert len(table.rows) == 2
    assert table.rows[0].achieved.name == "Late.stl"
    said = " ".join(table.problems["problem"])
    assert "the file is called Late.stl" in said
    assert "absolute path" in said
    assert "fewer than 3 reference teeth" in said
    assert set(table.problems["severity"]) == {"check"}


def test_what_is_left_blank_has_its_default(folder):
    table = read_scan_table(
        written(
            folder,
            "P1,MAXILLA,scans/start.stl,scans/end.obj,teeth.csv",
            head="patient,arch,start,achieved,teeth\n",
        )
    )
    (row,) = table.rows
    assert (row.course, row.arch, row.planned, row.reference, row.unit, row.repeat) == (
        1, "upper", None, "all", "mm", 1,
    )  # fmt: skip


def test_the_same_arch_twice_is_a_problem_and_a_repeat_is_none(folder):
    with pytest.raises(CohortError, match="in several rows"):
        read_scan_table(written(folder, GOOD, GOOD))
    head = HEAD.strip() + ",repeat\n"
    table = read_scan_table(written(folder, GOOD + ",", GOOD + ",2", head=head))
    assert [r.repeat for r in table.rows] == [1, 2]


def test_missing_columns_are_named_all_at_once(folder):
    with pytest.raises(CohortError) as caught:
        read_scan_table(written(folder, "P1,a", head="patient,begin\n"))
    assert set(caught.value.problems["column"]) >= {"arch", "start", "teeth"}


def test_semicolons_workbooks_and_units(folder):
    text = (HEAD + GOOD).replace(",", ";").replace(";mm", ';"in"')
    (folder / "scans.csv").write_text(text)
    assert read_scan_table(folder / "scans.csv").rows[0].mm == 25.4
    frame = pd.DataFrame([GOOD.split(",")], columns=HEAD.strip().split(","))
    with pd.ExcelWriter(folder / "book.xlsx") as book:
        pd.DataFrame({"a": [1]}).to_excel(book, sheet_name="other", index=False)
        frame.to_excel(book, sheet_name="Scans", index=False)
    assert read_scan_table(folder / "book.xlsx").rows[0].patient == "P1"
    assert kind_of(folder / "book.xlsx") == "scans"


def test_files_that_are_no_table(folder):
    (folder / "empty.csv").write_bytes(b"")
    (folder / "scan.stl").write_bytes(b"solid x")
    for name in ("empty.csv", "scan.stl", "scans"):
        with pytest.raises(CohortError):
            read_scan_table(folder / name)
    with pytest.raises(FileNotFoundError):
        read_scan_table(folder / "none.csv")


def test_which_table_it_is(folder):
    assert kind_of(written(folder, GOOD)) == "scans"
    assert kind_of(folder / "teeth.csv") == "landmarks"


def test_clicks_of_a_scan(folder):
    (folder / "teeth.csv").write_text(
        "model,tooth,point,x,y,z\nstart,16,crown,1,2,3\nstart,16,mesial,2,2,3\n,26,,4,5,6\n"
        "start,36,crown,0,0,0\nstart,17,mesial,0,0,0\nachieved,16,crown,9,9,9\n"
        "start,0,palate,1,0,0\nstart,0,palate,0,1,0\nstart,0,palate,0,0,1\n"
    )
    clicks, table = clicks_of(folder / "teeth.csv", arch="upper", unit="cm")
    np.testing.assert_array_equal(clicks.clicks[16], [10, 20, 30])
    np.testing.assert_array_equal(clicks.clicks[26], [40, 50, 60])
    assert sorted(clicks.clicks) == [16, 26]
    assert list(clicks.points) == [(16, "mesial")]
    assert clicks.palate.shape == (3, 3)
    problems = clicks.problems.set_index("value")["problem"]
    assert "other arch" in problems["36"]
    assert "no point named crown" in problems["17"]
    assert len(table.sha256) == 64
