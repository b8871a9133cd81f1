"""Every kind of bad input of the data model: its outcome, its row, its remedy."""

import numpy as np
import pandas as pd
import pytest

from outcomes.cohort.read import from_frames, read_cohort
from outcomes.errors import CohortError
from outcomes.paths import data_path
from tests.cohort.conftest import adds_up, found

GOOD = "P1,36,rotation,12,8.5"


@pytest.mark.parametrize(
    ("line", "planned"),
    [
        ('P2,36,vertical,"0,8",0.5', 0.8),
        ('P2,36,vertical,"0,8 mm",0.5', 0.8),
        ("P2,36,vertical,−0.8,0.5", -0.8),
        ("P2,36,vertical,  0.8  ,0.5", 0.8),
        ("P2, 36 , Vertical ,0.8,0.5", 0.8),
        ("P2,36,VERTICAL,0.8 mm,0.5", 0.8),
        ("P2,36.0,rotation,12°,8", 12),
        ("P2,36,mesio-distal,0.8,0.5", 0.8),
        ("P2,36,rotation (degrees),12,8", 12),
    ],
)
def test_unusual_spellings_are_read(csv, line, planned):
    cohort = csv(GOOD, line)
    assert cohort.movements.set_index("row").loc[3, "planned"] == planned
    assert found(cohort, 3) == [] or found(cohort, 3)[0][0] == "check"
    assert adds_up(cohort)


@pytest.mark.parametrize(
    ("line", "column", "problem"),
    [
        ('P2,36,rotation,"1,234",1', "planned", "two readings: thousands or decimals"),
        ("P2,36,rotation,#DIV/0!,1", "planned", "spreadsheet error"),
        ("P2,36,rotation,12,#N/A", "achieved", "spreadsheet error"),
        ("P2,36,rotation,1-May,1", "planned", "a date where a number belongs"),
        ("P2,36,rotation,,1", "planned", "planned is blank"),
        ("P2,36,rotation,about 3,1", "planned", "not a number"),
        ("P2,36,rotation,12,inf", "achieved", "not a finite number"),
        ("P2,36,rotation,12 mm,1", "planned", "another unit; this number is in degrees"),
        ("P2,36,vertical,1°,1", "planned", "another unit; this number is in mm"),
        ("P2,36,vertical,0.1 cm,1", "planned", "unknown unit"),
        ("P2,99,vertical,1,1", "tooth", "no FDI tooth number"),
        ("P2,,vertical,1,1", "tooth", "tooth is blank"),
        ("P2,36,translation,1,1", "movement", "no movement of that name"),
        ("P2,36,intrusion,1,1", "movement", "no movement of that name"),
        ("P2,36,,1,1", "movement", "movement is blank"),
        (",36,tip,1,1", "patient", "patient is blank"),
        ("#REF!,36,tip,1,1", "patient", "spreadsheet error"),
    ],
)
def test_rows_that_cannot_be_read_are_excluded_with_a_remedy(csv, line, column, problem):
    cohort = csv(GOOD, line)
    (severity, text), *more = found(cohort, 3)
    assert (severity, more) == ("exclude", [])
    assert problem in text
    listed = cohort.problems.query("row == 3").iloc[0]
    assert listed["column"] == column
    assert listed["remedy"].endswith(".")
    assert cohort.movements["row"].tolist() == [2]
    assert cohort.excluded["row"].tolist() == [3]
    assert adds_up(cohort)


def test_a_direction_is_no_movement_and_the_remedy_gives_its_sign(csv):
    remedy = csv(GOOD, "P2,36,intrusion,1,1").problems["remedy"][1]
    assert "Write vertical" in remedy
    assert "negative ones for intrusion" in remedy


def test_a_slip_in_a_movement_gets_a_suggestion(csv):
    assert "Is it torque?" in csv(GOOD, "P2,36,torqe,1,1").problems["remedy"][1]


def test_a_blank_achieved_is_not_measured_yet_and_no_problem(csv):
    cohort = csv(GOOD, "P2,36,rotation,12,", "P3,36,rotation,12,n/a")
    assert cohort.problems.empty
    assert cohort.excluded["reason"].tolist() == ["not measured yet"] * 2
    assert len(cohort.movements) == 1
    assert adds_up(cohort)


def test_the_ledger_gives_what_is_wrong_with_a_row_before_what_it_lacks(csv):
    cohort = csv(GOOD, "P2,99,rotation,12,")
    assert cohort.excluded["reason"].tolist() == ["no FDI tooth number"]


def test_a_row_with_two_problems_is_listed_twice_and_counted_once(csv):
    cohort = csv(GOOD, "P2,99,rotation,x,1")
    assert sorted(found(cohort, 3)) == [
        ("exclude", "no FDI tooth number"),
        ("exclude", "not a number"),
    ]
    # The first thing wrong with it, in the order of the columns, is the reason.
    assert cohort.excluded["reason"].tolist() == ["no FDI tooth number"]
    assert adds_up(cohort)


def test_planned_zero_is_kept_apart_from_the_rates(csv):
    cohort = csv(GOOD, "P1,37,vertical,0,0.4")
    assert cohort.movements["direction"].tolist() == ["mesial surface outwards", "none"]
    analysed = cohort.ledger.query("step == 'analysed'")
    assert analysed["rows"].tolist() == [1, 1]
    assert "never a rate" in analysed["reason"].iloc[1]


def test_the_same_record_again_counts_once(csv):
    cohort = csv(GOOD, GOOD, GOOD)
    assert cohort.movements["row"].tolist() == [2]
    assert cohort.excluded["row"].tolist() == [3, 4]
    assert found(cohort, 3) == [("exclude", "the same record as row 2")]
    assert found(cohort, 4) == [("exclude", "the same record as row 2")]
    assert cohort.ledger.loc[cohort.ledger["step"] == "excluded", "reason"].tolist() == [
        "the same record again"
    ]


def test_a_copy_names_the_row_it_copies_and_no_other(csv):
    cohort = csv(GOOD, "P2,36,tip,5,1", "P3,36,tip,,1", "P2,36,tip,5,1")
    assert found(cohort, 5) == [("exclude", "the same record as row 3")]


def test_a_copy_is_named_where_other_columns_are_blank():
    row = {"patient": "P1", "tooth": 36, "movement": "tip", "planned": 5, "achieved": 1}
    frame = pd.DataFrame([row | {"attachment": None, "lot": np.nan}] * 2)
    assert from_frames(frame).problems["problem"].tolist() == ["the same record as row 2"]


def test_records_that_contradict_each_other_are_all_excluded(csv):
    cohort = csv(GOOD, "P2,36,tip,5,1", "P2,36,tip,5,2")
    assert cohort.movements["row"].tolist() == [2]
    assert cohort.excluded["row"].tolist() == [3, 4]
    assert "number these in the column course" in cohort.problems["remedy"][1]


def test_different_courses_are_different_records(csv):
    head = "patient,tooth,movement,planned,achieved,course"
    cohort = csv("P2,36,tip,5,1,1", "P2,36,tip,5,2,2", "P2,36,tip,5,3,", head=head)
    # A blank course is course 1, which is there already.
    assert cohort.movements["course"].tolist() == [2]


@pytest.mark.parametrize("course", ["0", "-1", "1.5", "two", "#N/A"])
def test_a_course_that_cannot_be_excludes_its_row(csv, course):
    head = "patient,tooth,movement,planned,achieved,course"
    cohort = csv("P1,36,tip,5,1,1", f"P2,36,tip,5,1,{course}", head=head)
    assert cohort.excluded["row"].tolist() == [3]


def test_a_cell_of_a_zero_byte_is_blank(rows):
    cohort = rows(("P1", 36, "tip", 5, 2), ("P2", 36, "\0", 5, 2))
    assert found(cohort, 3) == [("exclude", "movement is blank")]


# To be looked at ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        ("P2,36,vertical,6.1,3", "larger than 6 mm"),
        ("P2,36,rotation,-60.5,-30", "larger than 60 degrees"),
        ("P2,36,vertical,1,-0.6", "opposite signs"),
        ("P2,36,rotation,5,-2.5", "opposite signs"),
    ],
)
def test_odd_movements_are_kept_and_listed(csv, line, problem):
    cohort = csv(GOOD, line)
    assert [s for s, _ in found(cohort, 3)] == ["check"]
    assert problem in found(cohort, 3)[0][1]
    assert cohort.movements["row"].tolist() == [2, 3]


@pytest.mark.parametrize("line", ["P2,36,vertical,6,3", "P2,36,vertical,1,-0.5", "P2,36,tip,5,-2"])
def test_movements_within_what_is_expected_are_not_listed(csv, line):
    assert csv(GOOD, line).problems.empty


def test_the_same_numbers_in_every_row_are_listed(csv):
    lines = [f"P{i},36,tip,5,2" for i in range(8)]
    problems = csv(*lines).problems
    assert problems["column"].tolist() == ["planned", "achieved"]
    assert problems["problem"].str.contains("same number in every row of tip").all()
    assert csv(*lines[:7]).problems.empty


def test_achieved_that_repeats_planned_in_every_row_is_listed(csv):
    problems = csv(*[f"P{i},36,tip,{i + 1},{i + 1}" for i in range(8)]).problems
    assert problems["problem"].tolist() == ["achieved equals planned in every row of tip (8 rows)"]


def test_swapped_millimetres_and_degrees_are_suspected(csv):
    mm = csv(*[f"P{i},36,vertical,{i + 7},1" for i in range(9)]).problems["problem"]
    assert (
        mm == "half of all vertical plans are above 6 mm: millimetres and degrees swapped?"
    ).any()
    degrees = csv(*[f"P{i},36,tip,{i / 10},{i / 20}" for i in range(9)]).problems["problem"]
    assert (degrees == "no tip plan is above 2 degrees: millimetres and degrees swapped?").any()
    pair = csv("P1,36,vertical,12,8", "P1,36,rotation,0.3,0.2")
    assert any("swapped?" in problem for _, problem in found(pair, 3))


def test_a_unit_column_must_agree_with_the_movement(csv):
    head = "patient,tooth,movement,planned,achieved,unit"
    cohort = csv("P1,36,tip,5,1,deg", "P2,36,tip,5,1,mm", "P3,36,vertical,1,1,mm", head=head)
    assert cohort.excluded["row"].tolist() == [3]
    assert cohort.movements["unit"].tolist() == ["degree", "mm"]


def test_a_unit_in_the_heading_must_agree_with_the_movement(csv):
    head = "patient,tooth,movement,planned (mm),achieved"
    cohort = csv("P1,36,vertical,1,1", "P2,36,tip,5,1", "P3,36,tip,5°,1", head=head)
    assert cohort.movements["row"].tolist() == [2, 4]
    assert "heading gives another unit" in found(cohort, 3)[0][1]


def test_codes_of_attachments_are_read_and_others_kept(csv):
    head = "patient,tooth,movement,planned,achieved,attachment"
    words = ["None", "Beveled", "ellipsoid", "", "hook", "hook", "0"]
    cohort = csv(*[f"P{i},36,tip,5,{i},{w}" for i, w in enumerate(words)], head=head)
    kept = cohort.movements["attachment"]
    assert kept.iloc[[0, 1, 2, 4, 5, 6]].tolist() == [
        "none", "bevelled", "ellipsoid", "hook", "hook", "none",
    ]  # fmt: skip
    assert pd.isna(kept[3])
    assert len(cohort.problems) == 1
    assert "(in 2 rows)" in cohort.problems["problem"][0]


def test_a_blank_aim_is_the_plan_and_an_unreadable_one_is_blank(csv):
    head = "patient,tooth,movement,planned,achieved,aim"
    cohort = csv(
        "P1,36,tip,5,1,4", "P2,36,tip,5,1,", "P3,36,tip,5,1,n/a", "P4,36,tip,5,1,?", head=head
    )
    assert cohort.movements["aim"].tolist()[:3] == [4.0, 5.0, 5.0]
    assert np.isnan(cohort.movements["aim"][3])
    assert found(cohort, 5) == [("check", "not a number")]


@pytest.mark.parametrize(
    "column", ["Name", "Date of birth", "E-mail", "phone number", "Home address", "Surname"]
)
def test_columns_of_personal_data_are_left_out_and_their_values_shown_nowhere(csv, column):
    cohort = csv(
        "P1,36,tip,5,1,secret", "P2,99,tip,5,1,secret",
        head=f"patient,tooth,movement,planned,achieved,{column}",
    )  # fmt: skip
    assert "personal data" in cohort.problems["problem"].iloc[-1]
    everything = [cohort.movements, cohort.problems, cohort.excluded, cohort.ledger]
    assert not any("secret" in frame.to_csv() for frame in everything)


def test_a_patient_code_that_is_a_name_is_listed_without_it(csv):
    cohort = csv('"Doe, Jane",36,tip,5,1', GOOD)
    assert cohort.problems["problem"].tolist() == ["this looks like a person's name"]
    assert "Doe" not in cohort.problems.to_csv()


def test_codes_that_differ_in_spelling_only_are_listed(csv):
    cohort = csv("P001,36,tip,5,1", "p1,36,tip,5,1", "P2,36,tip,5,1")
    assert cohort.problems["problem"].tolist() == [
        "differs from 'P001' in spelling only: counted as another patient"
    ]


# Between tables ----------------------------------------------------------------------------------


def test_patients_and_courses_that_are_missing_are_listed():
    movements = pd.DataFrame(
        {"patient": ["P1", "P2"], "tooth": 36, "movement": "tip", "planned": 5, "achieved": 1}
    )
    patients = pd.DataFrame({"patient": ["P1", "P9"]})
    courses = pd.DataFrame({"patient": ["P1"], "course": [2]})
    problems = from_frames(movements, patients, courses).problems
    assert set(problems["severity"]) == {"check"}
    assert set(problems[["table", "problem", "value"]].itertuples(index=False, name=None)) == {
        ("movements", "patient not in patients", "P2"),
        ("movements", "course not in courses, the first of 2 such courses", "P1 course 1"),
        ("patients", "patient without movements that can be analysed", "P9"),
    }


@pytest.mark.parametrize("patient", [[], ["EXAMPLE"]])
def test_tables_without_records_hide_no_other_problem(patient):
    movements = pd.DataFrame(
        {"patient": ["P1", "P2"], "tooth": 36, "movement": "tip", "planned": 5, "achieved": 1}
    )
    patients = pd.DataFrame({"patient": patient})
    courses = pd.DataFrame({"patient": patient, "course": 1})
    assert not len(from_frames(movements, patients, courses).problems)


def test_patient_details_that_cannot_be_read_are_blank_and_the_patient_stays():
    movements = pd.DataFrame(
        {"patient": ["P1"], "tooth": 36, "movement": "tip", "planned": 5, "achieved": 1}
    )
    patients = pd.DataFrame(
        {
            "patient": ["P1", "P2", "P3"],
            "sex": ["F", "?", "male"],
            "growing": ["perhaps", True, "no"],
            "age": ["12 mm", 230, "27,5"],
        }
    )
    cohort = from_frames(movements, patients)
    assert cohort.patients["sex"].fillna("").tolist() == ["female", "", "male"]
    assert cohort.patients["growing"].fillna("").tolist() == ["", "yes", "no"]
    assert cohort.patients["age"].fillna(-1).tolist() == [-1, 230, 27.5]
    assert [found(cohort, 2, c)[0][0] for c in ("growing", "age")] == ["check", "check"]
    assert "outside what is usual" in found(cohort, 3, "age")[0][1]


def test_measures_need_a_unit_and_some_a_tooth():
    movements = pd.DataFrame(
        {"patient": ["P1"], "tooth": 36, "movement": "tip", "planned": 5, "achieved": 1}
    )
    rows = [
        ("overbite", "4,5 mm", None, None),
        ("Overbite", 4, None, "degrees"),
        ("recession", 1, None, None),
        ("recession", 1, 31, None),
        ("smile arc", 2, None, None),
        ("smile arc", 2, None, "mm"),
        ("overjet", None, None, None),
        ("mandibular_plane", "30 mm", None, None),
    ]
    measures = pd.DataFrame(rows, columns=["measure", "value", "tooth", "unit"])
    measures = measures.assign(patient="P1", after_course=range(len(rows)))
    cohort = from_frames(movements, measures=measures)
    assert cohort.measures[["measure", "unit", "row"]].apply(tuple, axis=1).tolist() == [
        ("overbite", "mm", 2),
        ("recession", "mm", 5),
        ("smile_arc", "mm", 7),
    ]
    assert cohort.excluded["reason"].tolist() == [
        "the unit column gives another unit; this measure is in mm",
        "this measure needs a tooth",
        "a measure not known by name needs a unit",
        "not measured yet",
        "value: the cell gives another unit; this number is in degrees",
    ]
    assert adds_up(cohort)


def test_a_course_that_ends_before_it_starts_is_listed():
    movements = pd.DataFrame(
        {"patient": ["P1"], "tooth": 36, "movement": "tip", "planned": 5, "achieved": 1}
    )
    courses = pd.DataFrame(
        {"patient": ["P1"], "course": 1, "start": ["2024-05-01"], "end": ["2024-01-01"]}
    )
    assert found(from_frames(movements, courses=courses), 2) == [
        ("check", "the course ends before it starts")
    ]


# What stops --------------------------------------------------------------------------------------


def test_a_missing_column_stops_and_the_near_named_one_is_suggested(csv):
    with pytest.raises(CohortError) as error:
        csv(GOOD, head="patient,tooth,movement,planned,acheived")
    problem = error.value.problems.iloc[0]
    assert (problem["severity"], problem["column"]) == ("stop", "achieved")
    assert "The column 'acheived' looks like it: rename it to achieved." in problem["remedy"]
    assert "rename it to achieved" in str(error.value)


def test_one_column_for_each_movement_is_recognised_and_explained(csv):
    head = "patient,tooth,planned_tip,achieved_tip,planned_torque,achieved_torque"
    with pytest.raises(CohortError, match="put one movement in each row"):
        csv("P1,36,1,1,1,1", head=head)


def test_every_problem_is_listed_not_the_first_only(csv):
    with pytest.raises(CohortError) as error:
        csv("P1,99,rotation,12,8", "P2,36,tip,x,8", head="patient,tooth,movement,planned,result")
    message = str(error.value)
    assert [w in message for w in ("no column achieved", "'99'", "row 3, planned 'x'")] == [
        True
    ] * 3


def test_two_columns_for_one_thing_stop(csv):
    with pytest.raises(CohortError, match="several columns could be planned: 'planned', 'planned'"):
        csv("P1,36,tip,1,1,1", head="patient,tooth,movement,planned,planned,achieved")


@pytest.mark.parametrize("lines", [(), ("P1,36,tip,5,",), ("EXAMPLE,36,tip,5,2",)])
def test_nothing_left_to_analyse_stops(csv, lines):
    with pytest.raises(CohortError, match="no movement is left to analyse"):
        csv(*lines)


def test_without_strict_the_cohort_comes_back_empty_and_the_ledger_adds_up(csv):
    cohort = csv(GOOD, "P2,36,tip,x,8", head="patient,tooth,movement,planned,result", strict=False)
    assert len(cohort.movements) == 0
    assert {"tooth_class", "unit", "tooth_site"} <= set(cohort.movements.columns)
    assert adds_up(cohort)
    assert "cannot be analysed" in cohort.excluded["reason"].iloc[0]


# Notation ----------------------------------------------------------------------------------------


def test_teeth_that_could_be_fdi_or_universal_stop_until_the_user_says_which(csv):
    line = "P1,13,rotation,12,8"
    with pytest.raises(CohortError, match="could be FDI or Universal numbers"):
        csv(line)
    assert csv(line, notation="fdi").movements["tooth"].tolist() == [13]
    assert csv(line, notation="universal").movements["tooth"].tolist() == [25]
    for head, tooth in (("tooth (FDI)", 13), ("tooth_fdi", 13), ("Tooth [Universal]", 25)):
        full = f"patient,{head},movement,planned,achieved"
        assert csv(line, head=full).movements["tooth"].tolist() == [tooth]


def test_a_heading_and_an_option_that_disagree_stop(csv):
    with pytest.raises(CohortError, match="heading says FDI, but Universal notation was asked"):
        csv(GOOD, head="patient,tooth (FDI),movement,planned,achieved", notation="universal")


def test_universal_and_quadrant_teeth_become_fdi(csv):
    assert csv("P1,3,tip,5,2", "P1,14,tip,5,2").movements["tooth"].tolist() == [16, 26]
    assert csv("P1,UR3,tip,5,2", "P1,ll 6,tip,5,2").movements["tooth"].tolist() == [13, 36]


def test_mixed_notations_stop(csv):
    with pytest.raises(CohortError) as error:
        csv("P1,36,tip,5,2", "P2,8,tip,5,2", "P2,9,tip,5,2")
    assert "36 is FDI only; 8, 9 are Universal only" in str(error.value)
    # The user may say which it is: then the rows that do not fit are excluded.
    cohort = csv("P1,36,tip,5,2", "P2,8,tip,5,2", notation="fdi")
    assert cohort.excluded["row"].tolist() == [3]


def test_a_slip_in_a_chart_that_is_plainly_fdi_excludes_its_row_only(csv):
    cohort = csv("P1,36,tip,5,2", "P1,46,tip,5,2", "P1,19,tip,5,2", "P2,13,tip,5,2")
    assert cohort.movements["tooth"].tolist() == [36, 46, 13]
    assert found(cohort, 4) == [("exclude", "no FDI tooth number")]
    lost, note = found(cohort, None)
    assert lost == ("check", "1 of 4 rows left out because of problems")
    assert note[0] == "check"
    assert "taken for slips" in note[1]


def test_tables_of_one_cohort_settle_their_notation_together():
    movements = pd.DataFrame(
        {"patient": ["P1"], "tooth": 36, "movement": "tip", "planned": 5, "achieved": 1}
    )
    repeats = pd.DataFrame(
        {"patient": ["P1"], "tooth": 13, "movement": "tip", "reader": "A", "reading": 1, "value": 1}
    )
    cohort = from_frames(movements, repeats=repeats, notation=None)
    assert cohort.repeats["tooth"].tolist() == [13]


def test_the_demo_with_every_kind_of_bad_row_gives_what_its_makers_expect():
    # bad_rows_expected.csv is written by the maker of the workbook, not by the reader.
    expected = pd.read_csv(
        data_path("synthetic_data", "bad_rows_expected.csv"), keep_default_na=False
    )
    cohort = read_cohort(data_path("synthetic_data", "bad_rows.xlsx"))
    lost = set(zip(cohort.excluded["table"], cohort.excluded["row"], strict=True))
    checks = cohort.problems.query("severity == 'check'")
    listed = set(zip(checks["table"], checks["row"], strict=True))
    for case in expected.itertuples():
        place = (case.table, case.row)
        kept = case.row in set(getattr(cohort, case.table)["row"])
        assert kept == (case.outcome not in ("exclude", "drop")), case
        assert (place in lost) == (case.outcome == "exclude"), case
        assert case.outcome not in ("check", "blank") or place in listed, case
    assert adds_up(cohort)
    assert cohort.invented


def test_a_word_for_a_movement_that_is_not_known_is_told_of_the_mapping():
    rows = pd.DataFrame(
        {"patient": ["P1", "P2"], "tooth": [11, 12], "movement": ["tip", "swivel"],
         "planned": [5.0, 4.0], "achieved": [3.0, 2.0]}
    )  # fmt: skip
    (remedy,) = from_frames(rows, strict=False).problems.query("value == 'swivel'")["remedy"]
    assert "`outcomes map FILE`" in remedy
