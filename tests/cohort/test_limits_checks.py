"""Each limit of reading from both sides: exactly at it, and just past it."""

import datetime as dt

import numpy as np
import openpyxl
import pandas as pd
import pytest

from outcomes.cohort import cells, headers, sources
from outcomes.cohort.cells import UNCALCULATED
from outcomes.cohort.dates import dates
from outcomes.cohort.problems import shown
from outcomes.cohort.read import from_frames, read_cohort
from outcomes.cohort.template import _note, _workbook
from outcomes.cohort.write import input_tables, write_cohort
from outcomes.domain.limits import EXPECTED_SIZE, SMALLEST_PLAN, TOLERANCE
from outcomes.domain.table_types import PERSONAL
from outcomes.domain.tables import MEASURES_OF_A_TOOTH, TABLES
from tests.cohort.conftest import HEAD, found
from tests.contract import pandera_schema

GOOD = "P1,36,rotation,12,8.5"


def frame(**columns):
    return pd.DataFrame(columns, dtype=object)


def movements(planned, achieved, movement="tip"):
    count = len(planned)
    return frame(
        patient=[f"P{i}" for i in range(count)],
        tooth=[36] * count,
        movement=[movement] * count,
        planned=planned,
        achieved=achieved,
    )


def problems(table, **others):
    return from_frames(table, strict=False, **others).problems["problem"].tolist()


def test_limits_that_other_steps_use():
    # Tolerance: Angle Orthod 2017;87(6):809-815; the others: common practice, no source.
    assert TOLERANCE == {"mm": 0.5, "degree": 2.0}
    assert SMALLEST_PLAN == {"mm": 0.2, "degree": 1.0}
    assert EXPECTED_SIZE == {"mm": 6.0, "degree": 60.0}


# What each column allows ------------------------------------------------------------------------

LOWEST = [  # table, column, the least that can be right, just below
    ("movements", "course", 1, 0),
    ("movements", "ipr_mm", 0, -0.1),
    ("patients", "age", 5, -0.1),
    ("courses", "course", 1, 0),
    ("courses", "aligners", 1, 0),
    ("courses", "days_per_aligner", 1, 0.9),
    ("courses", "wear_hours", 8, -0.1),
    ("measures", "after_course", 0, -1),
    ("measures", "day", 0, -1),
    ("repeats", "reading", 1, 0),
]
USUAL = [  # table, column, still usual, just past
    ("movements", "course", 12, 13),
    ("movements", "ipr_mm", 1.5, 1.6),
    ("patients", "age", 5, 4.9),
    ("patients", "age", 90, 90.1),
    ("courses", "aligners", 120, 121),
    ("courses", "days_per_aligner", 31, 31.1),
    ("courses", "wear_hours", 8, 7.9),
    ("courses", "wear_hours", 24, 24.1),
    ("measures", "after_course", 12, 13),
]


def cohort_with(table, column, value):
    tables = {
        "movements": frame(
            patient=["P1"], tooth=[36], movement=["tip"], planned=[5.0], achieved=[2.0]
        ),
        "patients": frame(patient=["P1"]),
        "courses": frame(patient=["P1"], course=[1]),
        "measures": frame(patient=["P1"], after_course=[0], measure=["overbite"], value=[3.0]),
        "repeats": frame(
            patient=["P1"], tooth=[36], movement=["tip"], reader=["A"], reading=[1], value=[2.0]
        ),
    }
    tables[table][column] = [value]
    given = {name: tables[name] for name in ("movements", table)}
    return from_frames(given.pop("movements"), strict=False, **given)


def of_column(cohort, column):
    return cohort.problems.loc[
        (cohort.problems["column"] == column)
        & ~cohort.problems["problem"].str.contains("not in courses"),
        "problem",
    ].tolist()


@pytest.mark.parametrize(("table", "column", "least", "below"), LOWEST)
def test_the_least_that_can_be_right(table, column, least, below):
    assert of_column(cohort_with(table, column, least), column) == []
    (problem,) = of_column(cohort_with(table, column, below), column)
    assert problem.startswith(f"{column} cannot be below ")


@pytest.mark.parametrize(("table", "column", "usual", "past"), USUAL)
def test_what_is_usual(table, column, usual, past):
    assert of_column(cohort_with(table, column, usual), column) == []
    (problem,) = of_column(cohort_with(table, column, past), column)
    assert "outside what is usual" in problem


@pytest.mark.parametrize("name", TABLES)
def test_which_columns_a_table_needs(name):
    needed = {
        "movements": ("patient", "tooth", "movement", "planned", "achieved"),
        "patients": ("patient",),
        "courses": ("patient", "course"),
        "measures": ("patient", "after_course", "measure", "value"),
        "repeats": ("patient", "tooth", "movement", "reader", "reading", "value"),
    }
    table = TABLES[name]
    assert table.required == needed[name]
    assert {c.name for c in table.columns if c.if_bad == "exclude"} == {
        *needed[name], *({"tooth"} if name == "measures" else ()),
        *({"course"} if name in ("movements", "repeats") else ()),
    }  # fmt: skip
    with pytest.raises(KeyError):
        table.column("no such column")


def test_the_contract_of_cleaned_tables_says_the_same():
    good = frame(
        patient=["P1"], tooth=[36], movement=["tip"], planned=[5.0], achieved=[2.0], course=[1]
    ).astype({"planned": float, "achieved": float})
    schema = pandera_schema("movements")
    schema.validate(good)
    for column, wrong in (("tooth", 19), ("movement", "twist"), ("course", 0)):
        with pytest.raises(Exception, match=column):
            schema.validate(good.assign(**{column: [wrong]}))
    with pytest.raises(Exception, match=r"unique|duplicate"):
        schema.validate(pd.concat([good, good], ignore_index=True))
    with pytest.raises(Exception, match="planned"):
        schema.validate(good.drop(columns="planned"))
    with pytest.raises(Exception, match="achieved"):
        schema.validate(good.assign(achieved=[np.nan]))
    # The tooth is part of the key of measures but need not be there, so no key is asked for.
    assert pandera_schema("measures").unique is None
    assert pandera_schema("patients").unique == ["patient"]
    assert not pandera_schema("patients").columns["age"].required
    assert pandera_schema("patients").columns["age"].nullable
    assert not pandera_schema("patients").columns["patient"].nullable
    assert not pandera_schema("movements").strict


# Odd movements -----------------------------------------------------------------------------------

MANY = 8  # fewer rows say nothing about a column


def test_the_same_number_all_over_needs_eight_rows():
    same = "the same number in every row of tip (8 rows)"
    assert problems(movements([5.0] * 8, [2.0] * 8)) == [same, same]
    assert problems(movements([5.0] * 7, [2.0] * 7)) == []
    one_other = movements([5.0] * 8, [*[2.0] * 7, 2.1])
    assert from_frames(one_other).problems["column"].tolist() == ["planned"]


def test_a_planned_zero_all_over_is_no_copied_cell_but_an_achieved_zero_is():
    planned = movements([0.0] * 8 + [5.0], [*list(np.arange(8) / 10), 2.0])
    planned.loc[8, "movement"] = "torque"
    assert problems(planned) == []
    achieved = movements(list(np.arange(3, 11.0)), [0.0] * 8)
    assert from_frames(achieved).problems["column"].tolist() == ["achieved"]


def test_achieved_copied_from_planned_is_seen_in_eight_rows_that_moved():
    copied = "achieved equals planned in every row of tip"
    moved = list(np.arange(3, 11.0))
    assert problems(movements(moved, moved)) == [f"{copied} (8 rows)"]
    assert problems(movements(moved[:7], moved[:7])) == []
    # Rows where nothing was planned and nothing moved say nothing about a copy.
    idle = [0.0, 0.0]
    assert problems(movements(moved[:7] + idle, moved[:7] + idle)) == []
    assert problems(movements(moved + idle, moved + idle)) == [f"{copied} (10 rows)"]
    # A tooth that moved unplanned, or did not move as planned, shows that nothing was copied.
    assert problems(movements([*moved, 0.0], [*moved, 1.0])) == []
    assert problems(movements([*moved, 4.0], [*moved, 0.0])) == []
    # One millimetre is a movement like any other.
    ones = [1.0, *moved[:7]]
    assert problems(movements(ones, ones)) == [f"{copied} (8 rows)"]


def test_half_of_the_plans_above_what_is_expected():
    at = movements([5.0] * 4 + [6.0] + [7.0] * 4, list(np.arange(9) / 5), "vertical")
    assert not any("swapped" in p for p in problems(at))
    past = movements([5.0] * 4 + [6.1] + [7.0] * 4, list(np.arange(9) / 5), "vertical")
    swapped = "half of all vertical plans are above 6 mm: millimetres and degrees swapped?"
    assert swapped in problems(past)
    # Seven rows say nothing, and plans of zero are no plans.
    assert swapped not in problems(past.iloc[2:])
    zeros = past.iloc[2:].copy()
    zeros.loc[8, "planned"] = 0.0
    assert swapped not in problems(zeros)
    minus = past.assign(
        planned=[-p for p in past["planned"]], achieved=[-1.0 - i / 9 for i in range(9)]
    )
    assert swapped in problems(minus)


def test_no_plan_above_the_tolerance_in_degrees():
    at = movements(list(np.linspace(0.6, 2.0, 8)), list(np.linspace(0.1, 0.8, 8)))
    swapped = "no tip plan is above 2 degrees: millimetres and degrees swapped?"
    assert swapped in problems(at)
    assert swapped not in problems(at.assign(planned=list(np.linspace(0.6, 2.1, 8))))
    assert swapped not in problems(at.iloc[1:])
    row = from_frames(at).problems.query("problem == @swapped").iloc[0]
    assert (row["row"], row["column"], row["severity"]) == (2, "planned", "check")


SWAPPED = "a large number of millimetres beside a very small number of degrees: swapped?"


@pytest.mark.parametrize(
    ("mm", "degrees", "listed"),
    [(6.1, 0.49, 2), (6.0, 0.49, 0), (6.1, 0.5, 0), (6.1, 0.0, 0), (-6.1, -0.4, 2)],
)
def test_a_large_number_beside_a_very_small_one(mm, degrees, listed):
    pair = frame(
        patient=["P1", "P1"],
        tooth=[36, 36],
        movement=["vertical", "rotation"],
        planned=[mm, degrees],
        achieved=[mm / 2, degrees / 2],
    )
    assert problems(pair).count(SWAPPED) == listed


@pytest.mark.parametrize(
    ("column", "other"), [("patient", "P2"), ("tooth", 37), ("course", 2), ("movement", "tip")]
)
def test_a_large_and_a_small_number_must_belong_to_one_tooth_in_one_course(column, other):
    pair = frame(
        patient=["P1", "P1"],
        tooth=[36, 36],
        movement=["vertical", "rotation"],
        planned=[6.1, 0.4],
        achieved=[3.0, 0.2],
        course=[1, 1],
    )
    pair.loc[1, column] = other
    assert problems(pair).count(SWAPPED) == (2 if column == "movement" else 0)


def test_only_degrees_count_as_degrees_and_only_millimetres_as_millimetres():
    # 12 degrees of rotation are no large number of millimetres, whatever stands beside them.
    pair = frame(
        patient=["P1", "P1"],
        tooth=[36, 36],
        movement=["torque", "rotation"],
        planned=[12.0, 0.4],
        achieved=[8.0, 0.2],
    )
    assert problems(pair) == []
    pair["movement"] = ["vertical", "mesiodistal"]
    assert SWAPPED not in problems(pair)


@pytest.mark.parametrize(("aim", "listed"), [(-0.5, False), (-0.6, True), (0.6, False)])
def test_an_aim_against_the_plan_beyond_the_tolerance(aim, listed):
    table = movements([1.0], [0.5], "vertical").assign(aim=[aim])
    assert ("planned and aim have opposite signs" in problems(table)) == listed


def test_a_plan_larger_than_expected_is_listed_once_where_the_aim_is_the_plan():
    table = movements([7.0], [3.0], "vertical").assign(aim=[7.0])
    assert from_frames(table).problems["column"].tolist() == ["planned"]
    other = table.assign(aim=[6.5])
    assert from_frames(other).problems["column"].tolist() == ["planned", "aim"]


def test_a_course_may_end_on_the_day_it_starts():
    table = movements([5.0], [2.0])
    for end, listed in (("2024-05-01", False), ("2024-04-30", True), ("2024-05-02", False)):
        courses = frame(patient=["P0"], course=[1], start=["2024-05-01"], end=[end])
        found = problems(table, courses=courses)
        assert ("the course ends before it starts" in found) == listed
    for column in ("start", "end"):
        alone = frame(patient=["P0"], course=[1], **{column: ["2024-05-01"]})
        assert problems(table, courses=alone) == []


@pytest.mark.parametrize(
    "measure", ["recession", "keratinised_tissue", "probing_depth", "apex_to_plate"]
)
def test_measures_that_need_a_tooth(measure):
    assert measure in MEASURES_OF_A_TOOTH
    table = movements([5.0], [2.0])
    bare = frame(patient=["P0"], after_course=[0], measure=[measure], value=[1.0])
    assert problems(table, measures=bare) == ["this measure needs a tooth"]
    assert problems(table, measures=bare.assign(tooth=[36])) == []
    assert problems(table, measures=bare.assign(measure="overbite")) == []


# Patients, courses, spellings --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("one", "other", "alike"),
    [
        ("P1", "p1", True),
        ("P1", "P01", True),
        ("P1", "P 1", True),
        ("P1", "P-1", True),
        ("P1", "P_1", True),
        ("P1", "P.1", True),
        ("P10", "P010", True),
        ("P1", "P10", False),
        ("P1", "P2", False),
        ("P0", "P", False),
    ],
)
def test_codes_that_differ_in_spelling_only(one, other, alike):
    table = movements([5.0, 6.0], [2.0, 3.0]).assign(patient=[one, other])
    found = problems(table)
    expected = [f"differs from {one!r} in spelling only: counted as another patient"]
    assert found == (expected if alike else [])


@pytest.mark.parametrize(
    ("code", "name"),
    [
        ("Anna Smith", True),
        ("Smith, Anna", True),
        ("Ng Li", True),
        ("Smith,An B", True),
        ("A Smith", False),
        ("P 001", False),
        ("Anna", False),
        ("Case 12", False),
    ],
)
def test_codes_that_look_like_a_name(code, name):
    found = from_frames(movements([5.0], [2.0]).assign(patient=[code])).problems
    assert (found["problem"] == "this looks like a person's name").any() == name
    assert not found["value"].str.contains("Anna").any()


def test_a_missing_course_is_one_line_with_its_count():
    table = movements([5.0] * 3, [2.0] * 3).assign(course=[1, 2, 3], patient="P1")
    found = problems(table, courses=frame(patient=["P1"], course=[1]))
    assert found == ["course not in courses, the first of 2 such courses"]
    found = problems(table, courses=frame(patient=["P1", "P1"], course=[1, 2]))
    assert found == ["course not in courses"]


# Cells -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cell", "trouble"),
    [
        ("2024-01-31", ""),
        ("31. 1. 2024", ""),
        ("2024/1/31 10:00", ""),
        ("13/2/2024", ""),
        ("2/13/2024", ""),
        ("4/4/2024", ""),
        ("12/11/2024", "day"),
        ("31.2.2024", "not a date"),
        ("2024-00-01", "not a date"),
        ("tomorrow", "not a date"),
        (UNCALCULATED, "uncalculated"),
        ("#N/A", "error"),
        ("#REF!", "error"),
        ("", ""),
        ("n/a", ""),
        (dt.date(2024, 1, 31), ""),
        (dt.datetime(2024, 1, 31, 10, tzinfo=dt.UTC), ""),
    ],
)
def test_trouble_with_a_date(cell, trouble):
    days, found = dates(pd.Series([cell], dtype=object))
    assert list(found) == [trouble]
    assert days.isna().all() == (trouble != "" or cell in ("", "n/a"))


def test_which_part_of_a_date_comes_first_is_settled_by_the_column():
    def read(*texts):
        days, _ = dates(pd.Series(texts, dtype=object))
        return days.dt.strftime("%d.%m.").tolist()

    assert read("3/4/2024", "13/1/2024") == ["03.04.", "13.01."]
    assert read("3/4/2024", "1/13/2024") == ["04.03.", "13.01."]
    assert read("12/12/2024", "12/12/2023") == ["12.12.", "12.12."]
    assert pd.isna(read("3/4/2024", "12/5/2024")[0])
    assert pd.isna(read("3/4/2024", "13/1/2024", "1/13/2024")[0])


@pytest.mark.parametrize(
    ("text", "value", "trouble"),
    [
        ("1,234", np.nan, "ambiguous"),
        ("0,234", 0.234, ""),
        ("1,23", 1.23, ""),
        ("12,345", np.nan, "ambiguous"),
        ("123,456", np.nan, "ambiguous"),
        ("1234,567", 1234.567, ""),
        ("1,2345", 1.2345, ""),
        ("1.234", 1.234, ""),
        ("1,234,567", 1234567, ""),
        ("0,234,567", np.nan, "text"),
        ("1,234.5", 1234.5, ""),
        ("1.234,5", 1234.5, ""),
        ("1,23.5", np.nan, "text"),
        ("1 234", 1234, ""),
        ("1 23", np.nan, "text"),
        ("1 234,5", 1234.5, ""),
        ("1'234.5", 1234.5, ""),
        ("1’234", 1234, ""),
        ("5.", 5, ""),
        ("5,", np.nan, "text"),
        (".5", 0.5, ""),
        (",5", 0.5, ""),
        ("- 3", -3, ""),
        ("+3", 3, ""),
        ("−3", -3, ""),
        ("-3 mm", -3, ""),
        ("3e2", 300, ""),
        ("1,5e2", 150, ""),
        ("1_000", np.nan, "text"),
        ("50 %", np.nan, "unit"),
        ("5 inches", np.nan, "unit"),
        ("5 of 6", np.nan, "text"),
        ("1/2", np.nan, "date"),
        ("3 May", np.nan, "date"),
        ("May 2024", np.nan, "date"),
        ("3. Mär", np.nan, "date"),
        ("10:30", np.nan, "date"),
        ("-inf", np.nan, "infinite"),
        ("∞", np.nan, "infinite"),
        ("Err:502", np.nan, "error"),
        (UNCALCULATED, np.nan, "uncalculated"),
    ],
)
def test_a_number_alone_in_its_column(text, value, trouble):
    read = cells.numbers(pd.Series([text], dtype=object))
    assert (list(read.trouble), read.values[0]) == ([trouble], pytest.approx(value, nan_ok=True))


def test_decimal_commas_elsewhere_settle_what_is_meant():
    def read(*texts):
        return list(cells.numbers(pd.Series(texts, dtype=object)).values)

    assert read("1,234", "0,8") == [1.234, 0.8]
    assert np.isnan(read("1.234", "0,8")[0])
    assert np.isnan(read("1,234", "0,8", "0.8")[0])
    assert read("1.234", "0.8") == [1.234, 0.8]


def test_long_values_are_shortened_and_those_of_sixty_letters_are_not():
    assert shown("x" * 60) == "x" * 60
    assert shown("x" * 61) == "x" * 57 + "..."


@pytest.mark.parametrize(
    ("written", "read"),
    [
        ("Planned (mm)", ("planned", "mm", "")),
        ("planned_mm", ("planned", "mm", "")),
        ("planned deg", ("planned", "degree", "")),
        ("planned degree", ("planned", "degree", "")),
        ("Planned [°]", ("planned", "degree", "")),
        ("ipr_mm", ("ipr_mm", "", "")),
        ("planned (mm) (left)", ("planned_left", "mm", "")),
        ("planned (see below!)", ("planned", "", "")),
        ("Planned (mm) deg", ("planned", "mm", "")),
        ("tooth (FDI)", ("tooth", "", "fdi")),
        ("tooth (universal numbers)", ("tooth", "", "universal")),
        ("Tooth number FDI", ("tooth", "", "fdi")),
        ("tooth_quadrant", ("tooth", "", "quadrant")),
        ("FDI tooth", ("tooth", "", "fdi")),
        ("universal", ("tooth", "", "universal")),
        ("tooth FDI old", ("tooth_fdi_old", "", "")),
    ],
)
def test_units_and_notations_in_headings(written, read):
    heading = headers.heading(written)
    assert (heading.name, heading.unit, heading.notation) == read
    assert heading.written == written


def test_headings_are_looked_for_in_the_first_rows_only():
    table = TABLES["movements"]
    for above in (0, 5, headers.SEARCH_ROWS - 1):
        rows = [["x"] * 5] * above + [HEAD.split(","), ["P1", 36, "tip", 5, 2]]
        assert headers.find_headings(pd.DataFrame(rows, dtype=object), table).at == above
    rows = [["x"] * 5] * headers.SEARCH_ROWS + [HEAD.split(",")]
    assert headers.find_headings(pd.DataFrame(rows, dtype=object), table).known == {}


def test_a_row_repeats_the_headings_when_two_cells_do_and_none_holds_data():
    def repeats(*cells_):
        table = pd.DataFrame([cells_], columns=["patient", "tooth", "planned"], dtype=object)
        return bool(headers.repeats_headings(table, list(table))[0])

    assert repeats("Patient", "Tooth", "Planned")
    assert repeats("Patient", None, "mm")
    assert repeats("Patient", "tooth no", "Plan") is False
    assert not repeats("Patient", None, None)
    assert not repeats("Patient", "Tooth", 12)
    assert repeats("", "FDI", "(mm)") is False
    assert not repeats("1", "2", "3")


@pytest.mark.parametrize("word", PERSONAL["part"])
def test_a_heading_with_a_personal_part_is_personal(word):
    assert headers.looks_personal(f"x_{word}_1")


@pytest.mark.parametrize("word", PERSONAL["full"])
def test_some_words_are_personal_only_alone(word):
    assert headers.looks_personal(word)
    assert not headers.looks_personal(f"xx{word}xx")


# Sources -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", [".csv", ".tsv", ".txt", ".CSV"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_text_files(tmp_path, suffix, separator):
    path = tmp_path / f"cases{suffix}"
    lines = [HEAD, "P1, 36,tip, 5, 2"]
    path.write_text("\n".join(line.replace(",", separator) for line in lines))
    cohort = read_cohort(path)
    assert cohort.movements[["patient", "tooth", "planned"]].values.tolist() == [["P1", 36, 5.0]]
    assert not cohort.invented


@pytest.mark.parametrize("suffix", [".xlsx", ".xlsm", ".XLSX"])
def test_workbooks(tmp_path, suffix):
    book = openpyxl.Workbook()
    for row in (HEAD.split(","), ["P1", 36, "tip", 5, 2]):
        book.active.append(row)
    book.save(tmp_path / "made.xlsx")
    path = (tmp_path / "made.xlsx").rename(tmp_path / f"cases{suffix}")
    assert len(read_cohort(path).movements) == 1


def test_spaces_behind_a_separator_do_not_hide_quotation_marks(tmp_path):
    path = tmp_path / "cases.csv"
    path.write_text(HEAD + '\nP1, 36, "tip", "0,8", 2\nP2, 37, "tip", "0,9", "1,5"\n')
    cohort = read_cohort(path)
    assert cohort.movements["planned"].tolist() == [0.8, 0.9]


def test_parquet(tmp_path):
    table = movements([5.0, 6.0], [2.0, 3.0]).astype(
        {"tooth": int, "planned": float, "achieved": float}
    )
    table["attachment"] = pd.Categorical(["none", "bevelled"])
    table["late"] = [True, False]
    table.to_parquet(tmp_path / "movements.parquet")
    cohort = read_cohort(tmp_path / "movements.parquet")
    assert cohort.movements["attachment"].tolist() == ["none", "bevelled"]
    # As numbers, truths would pass for 1 and 0.
    assert cohort.movements["late"].tolist() == ["TRUE", "FALSE"]
    assert (cohort.source, cohort.invented) == ("movements.parquet", False)


def test_invented_only_where_it_is_said(tmp_path):
    folder = tmp_path / "cohort"
    folder.mkdir()
    (folder / "movements.csv").write_text(HEAD + "\nP1,36,tip,5,2\n")
    assert not read_cohort(folder).invented
    (folder / "Invented.txt").write_text("these records are invented")
    assert read_cohort(folder).invented


def test_without_the_demo_beside_it_nothing_is_taken_for_the_demo(csv, monkeypatch):
    def nowhere(*parts):
        raise FileNotFoundError

    monkeypatch.setattr("outcomes.paths.data_path", nowhere)
    assert not csv(GOOD).invented


def test_unmeasured_movements_are_kept_apart(csv):
    cohort = csv(GOOD, "P2,36,tip,5,", "P3,99,tip,5,")
    assert cohort.unmeasured["patient"].tolist() == ["P2"]
    assert cohort.frame(unmeasured=True)["patient"].tolist() == ["P1", "P2"]
    assert cohort.frame()["patient"].tolist() == ["P1"]
    assert csv(GOOD).unmeasured.empty
    stopped = csv("P2,99,tip,5,", strict=False)
    assert stopped.unmeasured.empty
    assert "tooth_site" in stopped.unmeasured


def test_the_hash_of_frames_follows_their_content():
    one = movements([5.0, 6.0], [2.0, 3.0])
    digest = sources.frames_hash({"movements": one})
    assert digest == sources.frames_hash({"movements": one.copy()})
    for other in (
        one.iloc[::-1],
        one.rename(columns={"planned": "plan"}),
        one.assign(planned=[5.0, 6.1]),
    ):
        assert sources.frames_hash({"movements": other}) != digest
    assert sources.frames_hash({"repeats": one}) != digest


def test_text_in_an_encoding_of_its_own(tmp_path):
    text = f"{HEAD},note\nP1,36,tip,5,2,größer €\n"
    for encoding in ("utf-8", "utf-8-sig", "utf-16", "cp1252"):
        path = tmp_path / "cases.csv"
        path.write_bytes(text.encode(encoding))
        assert read_cohort(path).movements["note"].tolist() == ["größer €"]


# Written -----------------------------------------------------------------------------------------


def test_comments_of_the_empty_workbook_are_as_high_as_their_text():
    for table in TABLES.values():
        for column in table.columns:
            note = _note(column)
            lines = sum(-(-len(line) // 55) for line in note.text.split("\n"))
            assert note.width == 380
            assert lines * 18 <= note.height <= (lines + 4) * 18
    book = _workbook()
    example = book["movements"]["A2"].comment
    assert (example.width, example.height) == (300, 70)


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_a_cohort_is_written_and_nothing_is_written_over(tmp_path, form, csv):
    cohort = csv(GOOD, "P2,13,tip,5,2")
    folder = write_cohort(cohort, tmp_path / "out" / "more", form=form)
    assert [p.name for p in folder.iterdir()] == [f"movements.{form}"]
    assert read_cohort(folder).movements.equals(cohort.movements)
    with pytest.raises(FileExistsError, match="left as it is"):
        write_cohort(cohort, folder, form=form)
    path = write_cohort(cohort, tmp_path / "out.XLSX")
    assert read_cohort(path).movements.equals(cohort.movements)
    with pytest.raises(FileExistsError, match="choose another name"):
        write_cohort(cohort, path)
    assert list(input_tables(cohort)["movements"])[:2] == ["patient", "tooth (FDI)"]


def test_a_patient_without_a_name_for_it_counts_as_none(csv):
    cohort = csv(GOOD, ",36,tip,5,2")
    assert found(cohort, 3)[0][1] == "patient is blank"
    assert cohort.ledger.query("reason == 'patient is blank'")["patients"].tolist() == [0]
