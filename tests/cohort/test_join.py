"""Several files of a practice read as one: no row lost, none counted twice, none overwritten."""

import hashlib

import pandas as pd
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from outcomes.cohort.join import COMPLETES, KNOWN
from outcomes.cohort.problems import FILE_STEP
from outcomes.cohort.read import read_cohort
from outcomes.errors import CohortError, InputError
from tests.cohort.conftest import adds_up

HEAD = "patient,tooth (FDI),movement,planned,achieved"


@pytest.fixture
def files(tmp_path):
    """Write movements tables of these rows, the earliest first, and give their paths."""

    def write(*tables, heads=()):
        paths = []
        for i, rows in enumerate(tables):
            path = tmp_path / f"year{i + 1}.csv"
            head = heads[i] if i < len(heads) else HEAD
            path.write_text("\n".join([head, *rows, ""]))
            paths.append(path)
        return paths

    return write


def test_the_source_names_all_files_and_the_hash_covers_all(files):
    paths = files(["P1,13,rotation,5,4"], ["P2,13,rotation,5,4"])
    cohort = read_cohort(paths)
    assert cohort.source == "year1.csv + year2.csv"
    hashes = "".join(hashlib.sha256(path.read_bytes()).hexdigest() for path in paths)
    assert cohort.sha256 == hashlib.sha256(hashes.encode()).hexdigest()
    assert cohort.movements["row"].tolist() == [2, FILE_STEP + 2]
    assert read_cohort(paths[:1]).movements["row"].tolist() == [2]


def test_what_both_files_say_alike_counts_once(files):
    cohort = read_cohort(files(["P1,13,rotation,5,4"], ["P1,13,rotation,5.0,4", "P2,13,tip,5,4"]))
    assert cohort.movements["patient"].tolist() == ["P1", "P2"]
    assert cohort.excluded[["file", "row", "reason"]].values.tolist() == [["year2.csv", 2, KNOWN]]
    assert len(cohort.problems) == 0
    assert adds_up(cohort)


def test_a_record_measured_later_is_completed(files):
    cohort = read_cohort(files(["P1,13,rotation,5,"], ["P1,13,rotation,5,4"]))
    assert cohort.movements[["achieved", "row"]].values.tolist() == [[4.0, 2]]
    assert len(cohort.unmeasured) == 0
    assert cohort.excluded["reason"].tolist() == [COMPLETES]
    assert adds_up(cohort)


def test_a_record_measured_before_stays_measured(files):
    cohort = read_cohort(files(["P1,13,rotation,5,4"], ["P1,13,rotation,5,"]))
    assert cohort.movements["achieved"].tolist() == [4.0]
    assert cohort.excluded["reason"].tolist() == [KNOWN]
    assert len(cohort.unmeasured) == 0


def test_records_that_contradict_each_other_are_both_left_out_with_both_values(files):
    cohort = read_cohort(files(["P1,13,rotation,5,4", "P2,13,rotation,1,1"], ["P1,13,rotation,6,"]))
    assert cohort.movements["patient"].tolist() == ["P2"]
    told = cohort.problems[["file", "row", "severity", "problem"]].values.tolist()
    start = "the files do not agree on this record: planned"
    assert told[0][2:] == ["check", "2 of 3 rows left out because of problems"]
    assert told[1:] == [
        ["year1.csv", 2, "exclude", f"{start} 5 here, 6 in row 2 of year2.csv"],
        ["year2.csv", 2, "exclude", f"{start} 6 here, 5 in row 2 of year1.csv"],
    ]
    assert adds_up(cohort)


def test_a_course_written_is_a_course_left_to_its_default(files):
    cohort = read_cohort(
        files(["P1,13,rotation,5,,1"], ["P1,13,rotation,5,4"], heads=[HEAD + ",course"])
    )
    assert cohort.movements[["course", "achieved"]].values.tolist() == [[1, 4.0]]


def test_what_is_filled_from_a_contradiction_is_nothing(files):
    cohort = read_cohort(files(["P1,13,rotation,5,", "P2,13,tip,1,1"], ["P1,13,rotation,6,4"]))
    assert cohort.movements["patient"].tolist() == ["P2"]


@pytest.mark.parametrize(("other", "kept"), [("5.000000001", 1), ("5.00001", 0)])
def test_numbers_differ_from_a_billionth_on(files, other, kept):
    paths = files(["P1,13,rotation,5,4", "P2,13,tip,1,1"], [f"P1,13,rotation,{other},4"])
    assert len(read_cohort(paths).movements) == 1 + kept


def test_a_third_file_is_held_against_the_first(files):
    row = "P1,13,rotation,5,"
    cohort = read_cohort(files([row], [row], [row + "4"]))
    assert cohort.movements["achieved"].tolist() == [4.0]
    assert cohort.excluded[["file", "reason"]].values.tolist() == [
        ["year2.csv", KNOWN],
        ["year3.csv", COMPLETES],
    ]


def test_copies_in_one_file_do_not_hinder(files):
    row = "P1,13,rotation,5,4"
    cohort = read_cohort(
        files([row, row], [row + ",11"], heads=[HEAD, HEAD + ",room"]), notation=None
    )
    assert len(cohort.movements) == 1
    assert cohort.movements["room"].tolist() == [11]
    assert adds_up(cohort)


def test_a_conflict_in_one_file_takes_the_record_of_the_other_with_it(files):
    cohort = read_cohort(
        files(["P1,13,rotation,5,4", "P1,13,rotation,6,4", "P2,13,tip,1,1"], ["P1,13,rotation,5,4"])
    )
    assert cohort.movements["patient"].tolist() == ["P2"]
    assert set(cohort.excluded["reason"]) == {
        "several records of one patient + tooth + movement + course, not alike",
        "the same record again",
    }
    assert adds_up(cohort)


def test_each_file_has_its_own_notation_decimals_and_columns(files):
    first, second = files(["P1,23,rotation,5.5,4"], [])
    second.write_text(
        "Patient;tooth (Universal);movement;planned;achieved;aim\nP1;11;rotation;5,5;4;5\n"
    )
    cohort = read_cohort([first, second])
    assert cohort.movements[["tooth", "planned", "aim"]].values.tolist() == [[23, 5.5, 5.0]]
    assert cohort.blank_aims == frozenset()


def test_an_aim_left_blank_in_both_stays_the_plan(files):
    head = HEAD + ",aim"
    cohort = read_cohort(
        files(["P1,13,rotation,5,4,", "P2,13,tip,5,4,3"], ["P3,13,tip,2,1"], heads=[head])
    )
    assert cohort.movements["aim"].tolist() == [5.0, 3.0, 2.0]
    assert cohort.blank_aims == {2, FILE_STEP + 2}


def test_own_columns_of_numbers_here_and_words_there_become_words(files):
    cohort = read_cohort(
        files(["P1,13,tip,5,4,7"], ["P2,13,tip,5,4,left"], heads=[HEAD + ",room"] * 2)
    )
    assert cohort.movements["room"].tolist() == ["7", "left"]


def test_every_problem_says_its_file(files):
    with pytest.raises(CohortError) as caught:
        read_cohort(files(["P1,13,tip,5,4"], ["P1,13"], heads=[HEAD, "patient,tooth"]))
    problems = caught.value.problems
    assert set(problems["file"]) == {"year2.csv"}
    assert "stop: movements, year2.csv, " in str(caught.value)
    stopped = read_cohort(
        [*files(["P1,99,tip,5,4"], ["P1"], heads=[HEAD, "patient"])], strict=False
    )
    assert len(stopped.movements) == 0
    assert adds_up(stopped)


def test_other_tables_join_too(tmp_path):
    for year, patients in (("a", "P1,,North\n"), ("b", "P1,27,North\nP2,30,South\n")):
        folder = tmp_path / year
        folder.mkdir()
        (folder / "movements.csv").write_text(f"{HEAD}\nP1,13,rotation,5,4\n")
        (folder / "patients.csv").write_text(f"patient,age,site\n{patients}")
    (tmp_path / "b" / "courses.csv").write_text("patient,course,start\nP1,1,2024-01-15\n")
    cohort = read_cohort([tmp_path / "a", tmp_path / "b"])
    assert cohort.patients[["patient", "age"]].values.tolist() == [["P1", 27.0], ["P2", 30.0]]
    assert len(cohort.courses) == 1
    assert adds_up(cohort)


def test_files_of_one_name_are_told_apart(tmp_path):
    paths = []
    for year in ("2024", "2025"):
        (tmp_path / year).mkdir()
        path = tmp_path / year / "rows.csv"
        path.write_text(f"{HEAD}\nP{year},13,tip,5,4\n")
        paths.append(path)
    assert read_cohort(paths).source == "2024/rows.csv + 2025/rows.csv"


def test_codes_alike_in_two_files_are_listed(files):
    cohort = read_cohort(files(["P01,13,tip,5,4"], ["p1,13,tip,5,4"]))
    assert cohort.problems["problem"].str.contains("in spelling only").tolist() == [True]
    assert cohort.problems["file"].tolist() == ["year2.csv"]


def test_no_file_at_all():
    with pytest.raises(InputError, match="at least one"):
        read_cohort([])


RECORDS = st.dictionaries(
    st.tuples(
        st.sampled_from(["A1", "B2", "C3"]), st.sampled_from([23, 33]), st.sampled_from([1, 2])
    ),
    st.tuples(st.integers(1, 3), st.sampled_from(["", "1", "2.5"])),
    max_size=8,
)


@settings(max_examples=40, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(st.lists(RECORDS, min_size=1, max_size=3))
def test_every_row_of_every_file_is_accounted_for(tmp_path_factory, years):
    home = tmp_path_factory.mktemp("years")
    paths = []
    for i, records in enumerate(years):
        lines = [f"{p},{t},rotation,{plan},{got},{c}" for (p, t, c), (plan, got) in records.items()]
        path = home / f"y{i}.csv"
        path.write_text("\n".join([HEAD + ",course", "Z9,13,rotation,5,4,1", *lines, ""]))
        paths.append(path)
    cohort = read_cohort(paths)
    assert adds_up(cohort)
    said: dict = {}
    for records in years:
        for key, (plan, got) in records.items():
            said.setdefault(key, []).append((plan, got))
    # Worked out by hand, record by record: one plan and one result, or a contradiction.
    right, waiting = set(), set()
    for key, told in said.items():
        plan, got, agree = told[0][0], told[0][1], True
        for other, result in told[1:]:
            if other != plan or (got and result and result != got):
                agree = False
                break
            got = got or result
        if agree:
            (right if got else waiting).add((*key, float(plan), float(got or 0)))

    def rows(frame):
        values = frame[["patient", "tooth", "course", "planned", "achieved"]].fillna(0)
        return set(values.itertuples(index=False, name=None)) - {("Z9", 13, 1, 5.0, 4.0)}

    assert rows(cohort.movements) == right
    assert rows(cohort.unmeasured) == waiting
    assert pd.Series(cohort.movements["row"]).is_unique
