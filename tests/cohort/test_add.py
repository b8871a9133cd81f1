"""This year's records join last year's: known, completed, new or listed; nothing is lost."""

import datetime as dt

import pandas as pd
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from outcomes.cli import app
from outcomes.cohort import add as adding
from outcomes.cohort.add import add_records, read_answers
from outcomes.cohort.read import read_cohort
from outcomes.errors import CannotJoin, CohortError, InputError, OutputRefused

HEAD = "patient,tooth (FDI),movement,planned,achieved"
LAST = ["P001,13,rotation,12,8", "P001,23,rotation,12,", "P002,13,tip,5,4", "P003,99,tip,5,4"]
NEW = ["P001,13,rotation,12,8", "P001,23,rotation,12,9", "P002,13,tip,6,4", "P004,13,tip,5,4",
       "P005,13,rotation,ca 12,4"]  # fmt: skip


@pytest.fixture
def files(tmp_path):
    def write(last=LAST, new=NEW, heads=(HEAD, HEAD)):
        paths = tmp_path / "last.csv", tmp_path / "new.csv"
        for path, rows, head in zip(paths, (last, new), heads, strict=True):
            path.write_text("\n".join([head, *rows, ""]))
        return paths

    return write


def rows_of(path, **options):
    frame = read_cohort(path, **options).movements
    return frame[["patient", "tooth", "planned", "achieved"]].values.tolist()


@pytest.mark.parametrize("out", ["joined.csv", "joined.xlsx", "joined"])
def test_what_is_known_new_filled_and_contradicted(files, tmp_path, out):
    last, new = files()
    before = last.read_bytes(), new.read_bytes()
    result = add_records(last, new, tmp_path / out)
    assert rows_of(result.path) == [
        ["P001", 13, 12.0, 8.0], ["P001", 23, 12.0, 9.0], ["P002", 13, 5.0, 4.0], ["P004", 13, 5.0, 4.0]
    ]  # fmt: skip
    assert result.counts.iloc[0].tolist() == ["movements", 5, 1, 1, 1, 1, 1]
    assert result.filled[["patient", "column", "new"]].values.tolist() == [
        ["P001", "achieved", "9"]
    ]
    told = result.contradictions[["patient", "column", "earlier", "new", "earlier_row", "new_row"]]
    assert told.values.tolist() == [
        ["P002", "planned", "5", "6", "row 4 of last.csv", "row 4 of new.csv"]
    ]
    assert result.excluded["place"].tolist() == ["row 5 of last.csv", "row 6 of new.csv"]
    assert "1 value differs between the files: the earlier values stay." in result.said
    assert (last.read_bytes(), new.read_bytes()) == before


def test_with_replace_the_new_value_is_taken_and_listed(files, tmp_path):
    result = add_records(*files(), tmp_path / "joined.csv", replace=True)
    assert ["P002", 13, 6.0, 4.0] in rows_of(result.path)
    assert len(result.contradictions) == 1
    assert "the new values were taken" in " ".join(result.said)


def test_a_result_is_not_taken_from_a_record_with_another_plan(files, tmp_path):
    last, new = files(last=["P1,13,tip,5,", "P2,13,tip,1,1"], new=["P1,13,tip,6,4"])
    joined = read_cohort(add_records(last, new, tmp_path / "j.csv").path)
    assert joined.unmeasured[["patient", "planned"]].values.tolist() == [["P1", 5.0]]
    taken = read_cohort(add_records(last, new, tmp_path / "k.csv", replace=True).path)
    assert taken.movements[["planned", "achieved"]].values.tolist() == [[6.0, 4.0], [1.0, 1.0]]


def test_rows_that_cannot_be_used_are_carried_along_as_they_stand(files, tmp_path):
    result = add_records(*files(), tmp_path / "joined.csv")
    joined = read_cohort(result.path)
    assert set(joined.excluded["reason"]) == {"no FDI tooth number", "planned: not a number"}
    assert joined.excluded["planned"].astype(str).tolist()[-1] == "ca 12"


def test_what_only_a_heading_said_of_an_unreadable_cell_goes_along(files, tmp_path):
    heads = (HEAD, "patient,tooth (Universal),movement,planned (degree),achieved")
    last, new = files(
        new=["P004,6,rotation,5,4", "P005,33,rotation,5,4", "P6,6,vertical,5,4"], heads=heads
    )
    joined = read_cohort(add_records(last, new, tmp_path / "joined.csv").path)
    assert joined.movements["patient"].tolist() == ["P001", "P002", "P004"]
    assert {"P005", "P6"} <= set(joined.excluded["patient"])


def test_adding_the_same_file_again_changes_nothing(files, tmp_path):
    last, new = files()
    once = add_records(last, new, tmp_path / "once.csv", replace=True).path
    result = add_records(once, new, tmp_path / "twice.csv")
    assert result.counts[["new", "completed", "contradictory"]].iloc[0].tolist() == [0, 0, 0]
    assert rows_of(result.path) == rows_of(once)


def test_own_columns_and_other_tables_join(tmp_path):
    for year, extra in (("a", "7"), ("b", "left")):
        (tmp_path / year).mkdir()
        (tmp_path / year / "movements.csv").write_text(
            f"{HEAD},room,{year}\nP{year},13,rotation,5,4,{extra},1\n"
        )
        (tmp_path / year / "patients.csv").write_text(f"patient,age\nP{year},27\n")
    (tmp_path / "b" / "courses.csv").write_text("patient,course,start\nPb,1,31.1.2024\n")
    (tmp_path / "a" / "readme.md").write_text("Ours.")
    result = add_records(tmp_path / "a", tmp_path / "b", tmp_path / "c")
    joined = read_cohort(result.path)
    assert joined.movements["room"].tolist() == ["7", "left"]
    assert {"a", "b"} <= set(joined.movements.columns)
    assert len(joined.patients) == 2
    assert joined.courses["start"].dt.date.tolist() == [dt.date(2024, 1, 31)]


# ---- who is who ---------------------------------------------------------------------------------

ALIKE = ["p 1,13,rotation,12,9"]


def test_codes_alike_are_asked_not_joined(files, tmp_path):
    with pytest.raises(CannotJoin) as caught:
        add_records(*files(new=ALIKE), tmp_path / "joined.csv")
    assert caught.value.problems["problem"].tolist() == [
        "is this the patient 'P001' of the earlier file?"
    ]
    assert '--same "P001=p 1"' in str(caught.value)
    assert "cannot be joined: 1 problem must" in str(caught.value)
    assert not (tmp_path / "joined.csv").exists()


def test_the_answer_same_joins_them(files, tmp_path):
    new = [*ALIKE, "p 1,23,rotation,12,7"]
    result = add_records(*files(new=new), tmp_path / "joined.csv", same={"P001": "p 1"})
    assert len(result.contradictions) == 1
    assert ["P001", 23, 12.0, 7.0] in rows_of(result.path)
    assert "p 1" not in result.path.read_text()


def test_the_answer_not_same_keeps_them_apart(files, tmp_path):
    result = add_records(*files(new=ALIKE), tmp_path / "joined.csv", not_same=[("P001", "p 1")])
    assert len(result.contradictions) == 0
    assert {"P001", "p 1"} <= set(read_cohort(result.path).movements["patient"])


@pytest.mark.parametrize("same", [{"P9": "p 1"}, {"P001": "p 2"}])
def test_an_answer_about_nobody_is_refused(files, tmp_path, same):
    with pytest.raises(InputError, match="there is no patient"):
        add_records(*files(new=ALIKE), tmp_path / "joined.csv", same=same)


def test_answers_from_a_list(tmp_path):
    path = tmp_path / "answers.csv"
    path.write_text("old,new,same\nP001,p 1,yes\nP002,P2,No\n")
    assert read_answers(path) == ({"P001": "p 1"}, [("P002", "P2")])
    path.write_text("old,new,same\nP001,p 1,perhaps\n")
    with pytest.raises(InputError, match="row 2"):
        read_answers(path)


# ---- what is refused ----------------------------------------------------------------------------


def test_rows_that_have_slipped_stop_it(files, tmp_path):
    with pytest.raises(CannotJoin, match=r"row 2 of new\.csv has more cells than headings"):
        add_records(*files(new=["P9,13,vertical,0,8,-0,4"]), tmp_path / "joined.csv")


def test_a_file_with_stop_problems_stops_it(files, tmp_path):
    with pytest.raises(CohortError, match=r"movements, new\.csv"):
        add_records(*files(heads=(HEAD, "patient,tooth,movement,planned,got")), tmp_path / "j.csv")
    assert not (tmp_path / "j.csv").exists()


def test_what_would_not_read_back_is_not_written(files, tmp_path, monkeypatch):
    monkeypatch.setattr(adding, "_as_typed", lambda table: table.frame.iloc[1:])
    with pytest.raises(OutputRefused, match="would not read back"):
        add_records(*files(), tmp_path / "joined.csv")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["last.csv", "new.csv"]


@pytest.mark.parametrize(
    ("out", "in_place", "said"),
    [
        (None, False, "one of the two"),
        ("j.csv", True, "one of the two"),
        ("j.txt", False, "ending in"),
    ],
)
def test_wrong_use(files, tmp_path, out, in_place, said):
    with pytest.raises(InputError, match=said):
        add_records(*files(), out and tmp_path / out, in_place=in_place)


def test_a_file_that_exists_is_left_alone(files, tmp_path):
    (tmp_path / "j.csv").write_text("mine")
    with pytest.raises(OutputRefused, match="exists already"):
        add_records(*files(), tmp_path / "j.csv")
    assert (tmp_path / "j.csv").read_text() == "mine"


# ---- in place -----------------------------------------------------------------------------------


def test_in_place_the_earlier_file_is_kept_beside(files, tmp_path):
    last, new = files()
    held, today = last.read_bytes(), dt.date.today().isoformat()
    result = add_records(last, new, in_place=True)
    assert result.earlier.name == f"last.before-{today}.csv"
    assert result.earlier.read_bytes() == held
    assert len(rows_of(last)) == 4
    again = add_records(last, new, in_place=True)
    assert again.earlier.name == f"last.before-{today}-2.csv"
    assert result.earlier.read_bytes() == held


def test_in_place_a_folder_keeps_its_other_files(tmp_path, files):
    _, new = files()
    folder = tmp_path / "practice"
    folder.mkdir()
    (folder / "movements.csv").write_text("\n".join([HEAD, *LAST, ""]))
    (folder / "readme.md").write_text("Ours.")
    result = add_records(folder, new, in_place=True)
    assert sorted(p.name for p in folder.iterdir()) == ["movements.csv", "readme.md"]
    assert len(rows_of(folder)) == 4
    assert (result.earlier / "movements.csv").read_text().splitlines()[1:] == LAST


def test_in_place_no_sheet_without_a_table_is_lost(tmp_path, files):
    _, new = files()
    path = tmp_path / "practice.xlsx"
    rows = pd.DataFrame([line.split(",") for line in LAST], columns=HEAD.split(","))
    for sheet, allowed in (("Fees", False), ("notes", False), ("codebook", True)):
        with pd.ExcelWriter(path) as writer:
            rows.to_excel(writer, sheet_name="movements", index=False)
            pd.DataFrame({"a": [1]}).to_excel(writer, sheet_name=sheet, index=False)
        held = path.read_bytes()
        if allowed:
            add_records(path, new, in_place=True)
            continue
        with pytest.raises(InputError, match=f"'{sheet}'"):
            add_records(path, new, in_place=True)
        assert path.read_bytes() == held


def test_in_place_nothing_changes_when_it_fails(files, tmp_path, monkeypatch):
    last, new = files()
    held = last.read_bytes()
    monkeypatch.setattr(adding, "_as_typed", lambda table: table.frame.iloc[1:])
    with pytest.raises(OutputRefused):
        add_records(last, new, in_place=True)
    assert last.read_bytes() == held
    assert sorted(p.name for p in tmp_path.iterdir()) == ["last.csv", "new.csv"]


def test_in_place_only_what_can_be_written(tmp_path, files):
    _, new = files()
    path = tmp_path / "rows.parquet"
    pd.DataFrame({"patient": ["P1"]}).to_parquet(path)
    with pytest.raises(InputError, match="cannot be written in place"):
        add_records(path, new, in_place=True)


# ---- whatever the rows --------------------------------------------------------------------------

CELLS = st.tuples(
    st.sampled_from(["A1", "B2"]), st.sampled_from(["23", "33", "99", ""]),
    st.sampled_from(["rotation", "torque", "twist"]), st.sampled_from(["1", "2,5", "0", "much", ""]),
    st.sampled_from(["", "1", "2.5", "3 mm", "#REF!"]), st.sampled_from(["", "1", "2", "x"]),
    st.sampled_from(["", "5", "left"]),
)  # fmt: skip


@settings(max_examples=40, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(st.lists(CELLS, max_size=6), st.lists(CELLS, max_size=6), st.booleans())
def test_no_row_is_lost(tmp_path_factory, last, new, replace):
    home = tmp_path_factory.mktemp("any")
    paths = home / "a.csv", home / "b.csv"
    for path, rows in zip(paths, (last, new), strict=True):
        lines = [";".join(cells) for cells in [("Z9", "13", "rotation", "5", "4", "1", ""), *rows]]
        head = "patient;tooth (FDI);movement;planned;achieved;course;room"
        path.write_text("\n".join([head, *lines, ""]))
    result = add_records(*paths, home / "c.csv", replace=replace)
    n = result.counts.set_index("table").loc["movements"]
    assert n["read"] == len(new) + 1
    assert n["read"] == n[["new", "known", "completed", "contradictory", "excluded"]].sum()
    joined = read_cohort(result.path, strict=False)
    read = joined.ledger.query("table == 'movements' and step == 'read'")["rows"].sum()
    assert read == len(last) + 1 + n["new"] + n["excluded"]
    # Every key of either file stands in the joined one.
    frame = pd.read_csv(result.path, dtype=str, keep_default_na=False)
    keys = set(zip(frame["patient"], frame["tooth (FDI)"], frame["movement"], strict=True))
    assert {row[:3] for row in [*last, *new]} <= keys


# ---- the command line ---------------------------------------------------------------------------


def outcomes(*arguments):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def test_the_command_lists_what_differs(files, tmp_path):
    done = outcomes("add", *files(), "--out", tmp_path / "j.csv")
    assert done.exit_code == 0
    assert "Cells that differ: the earlier stay" in done.output
    assert "row 4 of last.csv" in done.output
    assert "1 value differs between the files" in done.output


def test_the_command_asks_and_takes_the_answer(files, tmp_path):
    asked = outcomes("add", *files(new=ALIKE), "--out", tmp_path / "j.csv")
    assert asked.exit_code == 1
    assert "is this the patient 'P001'" in asked.output
    done = outcomes("add", *files(new=ALIKE), "--out", tmp_path / "j.csv", "--same", "P001=p 1")
    assert done.exit_code == 0
    assert outcomes("add", *files(), "--out", tmp_path / "k.csv", "--same", "P001").exit_code == 2
    assert outcomes("add", *files()).exit_code == 2


def test_the_command_deidentify(files, tmp_path):
    last, _ = files(heads=(HEAD + ",note", HEAD), last=[row + ",x" for row in LAST])
    command = ("deidentify", last, "--out", tmp_path / "s", "--key", tmp_path / "k")
    refused = outcomes(*command)
    assert refused.exit_code == 1
    assert "--drop note" in refused.output
    done = outcomes(*command, "--drop", "note")
    assert done.exit_code == 0
    assert "no guarantee of anonymity" in done.output
    assert "P001" not in done.output
    assert outcomes(*command, "--drop", "note").exit_code == 2
