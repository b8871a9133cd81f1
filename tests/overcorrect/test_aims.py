"""Aims: every form of file, every problem listed with the row the spreadsheet shows."""

import pandas as pd
import pytest

from outcomes.errors import CohortError
from outcomes.overcorrect.aims import (
    aims_counted,
    aims_from_cohort,
    left_out,
    problem_words,
    read_aims,
)

MESSY = """Aims for the next series;;;;
;;;;
Tooth (FDI);Movement;Aim;Attachment;Days
41;vertical;-1,5;none;7
31;vertical;-2 mm;;7
;;;;
13;rotation;0;rectangular;7
14;rotation;abc;rectangular;7
15;rotation;;rectangular;7
16;intrusion;2;rectangular;7
17;rotation;90;rectangular;7
"""


@pytest.fixture
def messy(tmp_path):
    path = tmp_path / "aims.csv"
    path.write_text(MESSY, encoding="utf-8")
    return path


def test_every_problem_has_its_row(messy):
    aims = read_aims(messy)
    assert aims.rows[["row", "tooth", "aim"]].values.tolist() == [
        [4, 41, -1.5],
        [5, 31, -2.0],
        [11, 17, 90.0],
    ]
    found = aims.problems.set_index("row")["severity"].to_dict()
    assert found == {7: "exclude", 8: "exclude", 9: "exclude", 10: "exclude", 11: "check"}
    words = aims.problems.set_index("row")["problem"]
    assert words[7] == "aim is 0: nothing to plan"
    assert words[9] == "aim is blank"
    assert set(aims.problems["table"]) == {"aims"}
    assert not aims.problems["problem"].str.contains("planned").any()


def test_sheet_called_aims_among_others_with_another_notation(tmp_path):
    path = tmp_path / "new.xlsx"
    with pd.ExcelWriter(path) as book:
        pd.DataFrame({"a": [1]}).to_excel(book, sheet_name="other", index=False)
        pd.DataFrame({"tooth (quadrant)": ["UR3"], "movement": ["rotation"], "aim": [10]}).to_excel(
            book, sheet_name="Aims", index=False, startrow=2
        )
    aims = read_aims(path)
    assert aims.rows[["row", "tooth", "aim"]].values.tolist() == [[4, 13, 10.0]]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a,b\n1,2\n", ["no column tooth", "no column aim", "no column movement"]),
        ("tooth,aim\n11,2\n", ["no column movement"]),
        ("tooth,movement,aim\n41,vertical,x\n", ["not a number", "no aim can be used"]),
        ("tooth,movement,aim\n41,vertical,0\n", ["aim is 0", "no aim is left"]),
        ("", ["no column tooth"]),
    ],
)
def test_nothing_usable_lists_everything(tmp_path, text, words):
    path = tmp_path / "aims.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(CohortError) as error:
        read_aims(path)
    for word in words:
        assert word in str(error.value)


def test_numbers_that_could_be_two_notations_are_not_guessed(tmp_path):
    path = tmp_path / "aims.csv"
    path.write_text("tooth,movement,aim\n11,vertical,-1\n12,vertical,-1\n", encoding="utf-8")
    with pytest.raises(CohortError, match="could be"):
        read_aims(path)
    assert read_aims(path, notation="fdi").rows["tooth"].tolist() == [11, 12]


def test_a_copy_and_a_contradiction():
    frame = pd.DataFrame({"tooth": [31, 31, 41, 41], "aim": [-1, -1, -2, -1.5]})
    aims = read_aims(frame, movement="vertical")
    assert aims.rows["tooth"].tolist() == [31]
    assert set(aims.problems["row"]) == {3, 4, 5}


def test_equal_aims_are_no_problem():
    aims = read_aims(pd.DataFrame({"tooth": range(11, 18), "aim": -1.0}), movement="vertical")
    assert len(aims.problems) == 0


def test_the_input_is_not_changed(messy):
    before = messy.read_bytes()
    read_aims(messy)
    assert messy.read_bytes() == before


def test_shortfalls_of_the_last_course_become_aims():
    rows = pd.DataFrame(
        {
            "patient": ["P1", "P1", "P2"],
            "tooth": [31, 31, 41],
            "movement": "vertical",
            "course": [1, 2, 1],
            "planned": [-2.0, -1.5, -1.0],
            "achieved": [-1.0, -0.7, -0.4],
            "aim": [-2.0, -1.0, float("nan")],
        }
    )
    assert aims_from_cohort(rows)["aim"].tolist() == pytest.approx([-0.3, -0.6])


def test_every_row_is_used_or_left_out_with_its_tooth(messy):
    aims = read_aims(messy)
    assert aims_counted(aims.rows, aims.problems) == "7 aims read, 3 used, 4 left out."
    out = left_out(aims.rows, aims.problems)
    assert out["row"].tolist() == [7, 8, 9, 10]
    assert out["tooth"].tolist() == ["13", "14", "15", "16"]
    assert out["reason"].str.len().min() > 5


def test_a_problem_of_a_whole_row_names_no_column():
    frame = pd.DataFrame({"tooth": [31, 31], "aim": [-1, -1]})
    (problem,) = read_aims(frame, movement="vertical").problems.itertuples()
    assert problem_words(problem).startswith("Row 3: the same record as row 2.")


def test_an_unknown_attachment_is_listed_with_the_known_ones():
    frame = pd.DataFrame({"tooth": [31, 41], "aim": -1, "attachment": ["beveled", "wedge"]})
    aims = read_aims(frame, movement="vertical")
    assert aims.rows["attachment"].tolist() == ["bevelled", "wedge"]
    (problem,) = aims.problems.itertuples()
    assert (problem.row, problem.value) == (3, "wedge")
    assert "Known: none, rectangular, bevelled, ellipsoid" in problem.remedy
