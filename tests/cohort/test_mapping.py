"""Reading by a mapping: what each setting does, what it refuses, and that no record is lost."""

import textwrap

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.cohort.mapping.file import SUFFIX, mapping_of, read_mapping, to_toml, write_mapping
from outcomes.cohort.mapping.pages import grid, joined_headings
from outcomes.cohort.mapping.spec import (
    BESIDES,
    CHOICES,
    FROM_SHEET,
    NUMBERS,
    Mapping,
    Part,
    Wide,
    said_word,
)
from outcomes.cohort.proposal import propose_mapping
from outcomes.cohort.read import read_cohort
from outcomes.domain.movements import MOVEMENTS
from outcomes.errors import CannotAnswer, InputError, Unreadable

STANDARD = {n: n for n in ("patient", "tooth", "movement", "course", "planned", "achieved")}


def part(sheet="", headings=(1,), **more):
    columns = {n: m for n, m in {**STANDARD, **more}.items() if m}
    return Part(sheet, headings, columns)


def read(tmp_path, text, mapping, name="cases.csv"):
    file = tmp_path / name
    file.write_text(textwrap.dedent(text).lstrip(), encoding="utf-8")
    cohort = read_cohort(file, mapping=mapping, strict=False)
    for _, lines in cohort.ledger.groupby("table"):
        rows = lines.set_index("step")["rows"]
        assert rows[["read"]].sum() == rows.drop("read").sum()
    return cohort


def changes(cohort):
    rows = cohort.movements
    return list(zip(rows["tooth"], rows["planned"], rows["achieved"], strict=True))


def excluded(cohort):
    found = cohort.problems[cohort.problems["severity"] == "exclude"]
    return list(zip(found["row"], found["problem"], strict=True))


# Numbers ------------------------------------------------------------------------------------------


POSITIONS = Mapping((part(start="start"),), "fdi", values="positions")


def test_positions_become_changes_and_a_blank_start_is_no_nought(tmp_path):
    cohort = read(
        tmp_path,
        """
        patient,tooth,movement,course,start,planned,achieved
        P1,13,vertical,1,5.3,3.1,4.2
        P1,14,vertical,1,,3.1,4.2
        P1,15,vertical,1,0,1.5,0.7
        P1,16,vertical,1,x,1.5,0.7
        """,
        POSITIONS,
    )
    assert changes(cohort) == [(13, -2.2, -1.1), (15, 1.5, 0.7)]
    assert [row for row, _ in excluded(cohort)] == [3, 5]
    assert all("start" in problem for _, problem in excluded(cohort))


def test_positions_of_two_units_are_refused(tmp_path):
    cohort = read(
        tmp_path,
        """
        patient,tooth,movement,course,start,planned,achieved
        P1,13,rotation,1,5 mm,3.1 °,4.2 °
        P1,14,rotation,1,5 °,3 °,4
        """,
        POSITIONS,
    )
    assert changes(cohort) == [(14, -2.0, -1.0)]
    assert [row for row, _ in excluded(cohort)] == [2]


def test_the_unit_in_a_cell_is_still_held_against_the_movement(tmp_path):
    cohort = read(
        tmp_path,
        """
        patient,tooth,movement,course,start,planned,achieved
        P1,13,rotation,1,5 mm,3.1 mm,4.2 mm
        P1,14,rotation,1,5,3,4
        """,
        POSITIONS,
    )
    assert changes(cohort) == [(14, -2.0, -1.0)]


def test_what_remained_and_percent_become_what_was_achieved(tmp_path):
    text = """
        patient,tooth,movement,course,planned,left
        P1,13,rotation,1,10,4
        P1,14,rotation,1,-10,-12.5
        P1,15,rotation,1,10,
        """
    left = Mapping((part(achieved="", left="remaining"),), "fdi")
    assert changes(read(tmp_path, text, left)) == [(13, 10, 6), (14, -10, 2.5)]
    percent = Mapping((part(achieved="", left="percent"),), "fdi")
    assert changes(read(tmp_path, text, percent)) == [(13, 10, 0.4), (14, -10, 1.25)]


def test_numbers_that_go_on_are_counted_from_each_course(tmp_path):
    cohort = read(
        tmp_path,
        """
        patient,tooth,movement,course,planned,achieved
        P1,13,vertical,1,2.0,1.2
        P1,13,vertical,2,2.5,2.1
        P1,14,vertical,1,2.0,
        P1,14,vertical,2,2.5,2.1
        P1,15,vertical,2,1.0,0.5
        P1,16,vertical,1,1.0,0.5
        P1,16,vertical,3,1.5,0.9
        """,
        Mapping((part(),), "fdi", counted_from="treatment"),
    )
    assert changes(cohort) == [(13, 2.0, 1.2), (13, 1.3, 0.9), (15, 1.0, 0.5), (16, 1.0, 0.5)]
    assert [row for row, _ in excluded(cohort)] == [5, 8]
    assert cohort.problems["problem"].str.contains("counted from nought").any()


# Directions ---------------------------------------------------------------------------------------


WORDS = Mapping(
    (part(direction="direction"),),
    "fdi",
    sign="words",
    movements={"Intrusion": ("vertical", -1)},
    directions={("vertical", "down"): 1, ("vertical", "up"): -1},
)


def test_words_give_the_direction_and_contradictions_are_refused(tmp_path):
    cohort = read(
        tmp_path,
        """
        patient,tooth,movement,course,direction,planned,achieved
        P1,13,vertical,1,up,1.0,0.5
        P1,14,vertical,1,down,1.0,-0.2
        P1,15,vertical,1,,1.0,0.5
        P1,16,vertical,1,sideways,1.0,0.5
        P1,17,vertical,1,up,-1.0,0.5
        P1,21,Intrusion,1,,1.0,0.5
        P1,22,Intrusion,1,down,1.0,0.5
        P1,23,vertical,1,,0,0
        """,
        WORDS,
    )
    assert changes(cohort) == [(13, -1.0, -0.5), (14, 1.0, -0.2), (21, -1.0, -0.5), (23, 0, 0)]
    assert [row for row, _ in excluded(cohort)] == [4, 5, 6, 8]


def test_where_signs_count_a_word_that_contradicts_is_refused(tmp_path):
    cohort = read(
        tmp_path,
        """
        patient,tooth,movement,course,direction,planned,achieved
        P1,13,vertical,1,up,-1.0,-0.5
        P1,14,vertical,1,up,1.0,0.5
        P1,15,Intrusion,1,,1.0,0.5
        P1,16,Intrusion,1,,-1.0,0.5
        """,
        Mapping(WORDS.parts, "fdi", movements=WORDS.movements, directions=WORDS.directions),
    )
    assert changes(cohort) == [(13, -1.0, -0.5), (16, -1.0, 0.5)]
    assert [row for row, _ in excluded(cohort)] == [3, 4]


def test_reversed_signs_turn_one_movement_only(tmp_path):
    cohort = read(
        tmp_path,
        """
        patient,tooth,movement,course,planned,achieved
        P1,13,vertical,1,1.0,0.5
        P1,13,rotation,1,9.0,-1
        """,
        Mapping((part(),), "fdi", reversed_signs=("vertical",)),
    )
    assert changes(cohort) == [(13, -1.0, -0.5), (13, 9.0, -1.0)]


# Joining and unpivoting ---------------------------------------------------------------------------


def two(tmp_path, planned, achieved):
    folder = tmp_path / "two"
    folder.mkdir()
    (folder / "planned.csv").write_text("patient,tooth,movement,course,planned\n" + planned)
    (folder / "achieved.csv").write_text("patient,tooth,movement,course,achieved\n" + achieved)
    mapping = Mapping((part("planned.csv", achieved=""), part("achieved.csv", planned="")), "fdi")
    return read_cohort(folder, mapping=mapping, strict=False)


def test_rows_that_cannot_be_joined_are_refused_not_guessed(tmp_path):
    cohort = two(
        tmp_path,
        "P1,13,tip,1,5\nP1,13,tip,1,6\nP1,14,tip,1,5\nP1,15,tip,1,5\n",
        "P1,13,tip,1,3\nP1,14,tip,1,4\nP2,16,tip,1,4\n",
    )
    assert changes(cohort) == [(14, 5, 4)]
    reasons = cohort.excluded["reason"].tolist()
    assert sum("cannot be joined" in reason for reason in reasons) == 3
    assert sum("planned" in reason for reason in reasons) == 1
    assert sum("not measured" in reason for reason in reasons) == 1
    assert cohort.problems["problem"].str.contains("have no partner").sum() == 2
    assert {"planned.csv row 2", "achieved.csv row 2"} <= set(cohort.problems["place"])


def test_a_wide_table_gives_a_record_where_a_number_stands(tmp_path):
    wide = {
        "rot plan": Wide("planned", "rotation"),
        "rot got": Wide("achieved", "rotation"),
        "vert plan": Wide("planned", "vertical"),
        "vert got": Wide("achieved", "vertical"),
    }
    mapping = Mapping((Part("", (1,), {"patient": "patient", "tooth": "tooth"}, wide),), "fdi")
    cohort = read(
        tmp_path,
        """
        patient,tooth,rot plan,rot got,vert plan,vert got
        P1,13,5,3,,
        P1,14,,,0,0.2
        P1,15,,,,
        P1,16,5,x,1,
        """,
        mapping,
    )
    assert changes(cohort) == [(13, 5, 3), (14, 0, 0.2)]
    assert cohort.ledger.query("step == 'read'")["rows"].tolist() == [4]
    assert cohort.problems["problem"].str.contains("hold no number").any()
    strange = cohort.problems[cohort.problems["severity"] == "exclude"]
    assert strange["place"].tolist() == ["row 5, rot plan and rot got"]


def test_kinds_in_rows_and_a_kind_that_is_not_known(tmp_path):
    columns = {n: n for n in ("patient", "tooth", "movement")} | {"what": "kind", "n": "number"}
    mapping = Mapping(
        (Part("", (1,), columns),), "fdi", kinds={"plan": "planned", "got": "achieved", "old": ""}
    )
    cohort = read(
        tmp_path,
        """
        patient,tooth,movement,what,n
        P1,13,tip,plan,5
        P1,13,tip,got,3
        P1,13,tip,old,9
        P1,14,tip,guess,4
        """,
        mapping,
    )
    assert changes(cohort) == [(13, 5, 3)]
    assert [problem for _, problem in excluded(cohort)] == ["no kind of number of that name"]
    assert cohort.problems["problem"].str.contains("not read .old.").any()


def test_the_tooth_from_arch_and_side(tmp_path):
    columns = {n: n for n in ("patient", "tooth", "arch", "side", "planned", "achieved")}
    mapping = Mapping((Part("", (1,), columns, {}, {"movement": "tip"}),), "fdi")
    cohort = read(
        tmp_path,
        """
        patient,tooth,arch,side,planned,achieved
        P1,1,upper,right,5,3
        P1,1,upper,left,5,3
        P1,1,lower,left,5,3
        P1,1,lower,right,5,3
        P1,1,lower,,5,3
        """,
        mapping,
    )
    assert cohort.movements["tooth"].tolist() == [11, 21, 31, 41]
    assert [row for row, _ in excluded(cohort)] == [6]


# Files that have changed --------------------------------------------------------------------------


def test_a_new_column_is_said_and_a_lost_one_stops(tmp_path):
    head = "patient,tooth,movement,course,planned,achieved"
    grown = read(tmp_path, f"{head},new\nP1,13,tip,1,5,3,x\n", Mapping((part(),), "fdi"))
    assert changes(grown) == [(13, 5, 3)]
    assert grown.problems["column"].tolist() == ["new"]
    lost = read(
        tmp_path, "patient,tooth,movement,course,planned\nP,13,tip,1,5\n", Mapping((part(),))
    )
    assert (lost.problems["severity"] == "stop").any()
    assert lost.problems["problem"].str.contains("no column 'achieved'").any()


def test_a_new_sheet_is_read_where_all_are_alike_and_else_said(tmp_path):
    file = tmp_path / "sheets.xlsx"
    rows = pd.DataFrame({"tooth": [13], "movement": ["tip"], "planned": [5], "achieved": [3]})
    with pd.ExcelWriter(file) as writer:
        for name in ("P1", "P2", "P3"):
            rows.to_excel(writer, sheet_name=name, index=False)
    columns = {n: n for n in rows}
    every = Mapping((Part("*", (1,), columns, {}, {"patient": FROM_SHEET}),), "fdi")
    assert set(read_cohort(file, mapping=every).movements["patient"]) == {"P1", "P2", "P3"}
    one = Mapping((Part("P2", (1,), columns, {}, {"patient": FROM_SHEET}),), "fdi")
    cohort = read_cohort(file, mapping=one)
    assert set(cohort.movements["patient"]) == {"P2"}
    assert cohort.problems["problem"].str.contains("does not name this sheet").sum() == 2


# The file of the mapping --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("version = 2\n[[part]]\nsheet=''\nheadings=[1]", "version is 2"),
        ("version = 1", "no part of the file"),
        ("version = 1\nsecret = 1\n[[part]]\nheadings=[1]", "secret: there is no such entry"),
        ("version = 1\n[[part]]\nheadings=[3, 1]", "one below the other"),
        ("version = 1\n[[part]]\nheadings=[0]", "counted from 1"),
        ("version = 1\n[[part]]\nheadings=[1]\n[part.columns]\na='leg'", "use one of patient"),
        ("version = 1\nsign = 'both'\n[[part]]\nheadings=[1]", "sign is one of numbers, words"),
        ("version = 1\n[[part]]\nheadings=[1]", "nothing is said to be patient"),
        ("version = 1\nvalues='positions'\n[[part]]\nheadings=[1]", "no column is the start"),
        ("version = 1\n[words.movement]\nx='vertical up'\n[[part]]\nheadings=[1]", "'positive' or"),
        ("version = [1", "not TOML"),
    ],
)
def test_a_bad_mapping_is_refused_with_what_is_wrong(text, says, tmp_path):
    file = tmp_path / f"bad{SUFFIX}"
    file.write_text(text)
    with pytest.raises(InputError, match=says):
        read_mapping(file)


def test_all_faults_of_a_mapping_are_listed_at_once():
    with pytest.raises(InputError) as caught:
        Mapping((Part("", (1,), {"a": "leg", "b": "tooth", "c": "tooth"}),), "braille")
    for words in ("leg", "two columns are said to be tooth", "notation", "patient", "planned"):
        assert words in str(caught.value)


def test_a_column_and_a_kind_of_number_cannot_be_the_same():
    """Both would be one column of the records; the planned ones stand in theirs."""
    heads = {
        "p": "patient",
        "t": "tooth",
        "m": "movement",
        "a": "planned",
        "k": "kind",
        "n": "number",
    }
    part = Part("", (1,), heads)
    assert Mapping((part,), kinds={"after": "achieved", "other": ""})
    with pytest.raises(InputError, match="planned is a column, and a kind of number too"):
        Mapping((part,), kinds={"before": "planned", "after": "achieved"})
    wide = {"tip": Wide("kind", movement="tip"), "tip plan": Wide("planned", movement="tip")}
    part = Part("", (1,), {"p": "patient", "t": "tooth", "k": "kind"}, wide)
    assert Mapping((part,), kinds={"after": "achieved", "other": ""})
    with pytest.raises(InputError, match="planned is a column, and a kind of number too"):
        Mapping((part,), kinds={"before": "planned", "after": "achieved"})


TEXT = st.text(
    st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), min_size=1, max_size=9
)


@given(
    headings=st.lists(TEXT, min_size=5, max_size=8, unique=True),
    words=st.dictionaries(
        TEXT, st.tuples(st.sampled_from(list(MOVEMENTS)), st.sampled_from([-1, 0, 1]))
    ),
    directions=st.dictionaries(
        st.tuples(st.sampled_from(list(MOVEMENTS)), TEXT), st.sampled_from([-1, 1]), max_size=4
    ),
    kinds=st.dictionaries(TEXT, st.sampled_from([*NUMBERS, ""]), max_size=3),
    choices=st.fixed_dictionaries({c: st.sampled_from(list(o)) for c, o in CHOICES.items()}),
    sheet=TEXT,
)
def test_a_mapping_comes_back_from_its_file(headings, words, directions, kinds, choices, sheet):
    means = ["patient", "tooth", "movement", "planned", "achieved", "start", "own", "drop"]
    columns = dict(zip(headings, means, strict=False))
    if choices["values"] == "positions" and "start" not in columns.values():
        choices = {**choices, "values": "changes"}
    mapping = Mapping(
        (Part(sheet, (2, 3), columns, fill_down=(headings[0],)),),
        "universal",
        movements=words,
        directions=directions,
        kinds=kinds,
        **choices,
    )
    import tomllib

    assert mapping_of(tomllib.loads(to_toml(mapping))) == mapping


def test_a_mapping_is_not_written_over(tmp_path):
    mapping = Mapping((part(),))
    file = write_mapping(mapping, tmp_path / f"a{SUFFIX}")
    with pytest.raises(FileExistsError):
        write_mapping(mapping, file)
    write_mapping(Mapping((part(),), "fdi"), file, overwrite=True)
    assert read_mapping(file).notation == "fdi"
    assert [p.name for p in tmp_path.iterdir()] == [f"a{SUFFIX}"]


# Proposing ----------------------------------------------------------------------------------------


def proposed(tmp_path, text, answers=None):
    file = tmp_path / "cases.csv"
    file.write_text(textwrap.dedent(text).lstrip(), encoding="utf-8")
    return propose_mapping(file, answers)


USUAL = {"plus": "usual"}


def keys(proposal):
    return [question.key for question in proposal.open]


SIZES = "patient,tooth,movement,planned,achieved\n" + "".join(
    f"P{i},43,vertical,{1 + i / 10},0.5\n" for i in range(1, 9)
)


def test_numbers_of_one_sign_are_asked_from_eight_on(tmp_path):
    assert keys(proposed(tmp_path, SIZES)) == ["one way:vertical"]
    fewer = SIZES.rsplit("\n", 2)[0] + "\n"
    assert keys(proposed(tmp_path, fewer)) == ["plus"]
    turned = proposed(tmp_path, SIZES, {"one way:vertical": "negative"})
    assert (turned.read().movements["planned"] < 0).all()


def test_a_heading_with_two_meanings_is_asked(tmp_path):
    text = "patient,tooth,movement,planned,final\nP1,43,tip,5,3\nP2,43,tip,-5,-2\n"
    proposal = proposed(tmp_path, text)
    assert "column:final" in keys(proposal)
    settled = proposal.answer({"column:final": "achieved"})
    assert keys(settled) == ["values"]
    assert "cannot be read without a column of the start" in settled.open[0].text


def test_two_columns_of_one_meaning_are_asked(tmp_path):
    text = "patient,tooth,movement,Plan,planned,achieved\nP1,43,tip,5,4,3\nP2,43,tip,-5,-4,-2\n"
    proposal = proposed(tmp_path, text)
    assert keys(proposal) == ["which:planned"]
    assert proposal.answer({"which:planned": "Plan", **USUAL}).read().movements[
        "planned"
    ].tolist() == [
        5,
        -5,
    ]


def test_a_word_that_could_be_two_movements_is_asked(tmp_path):
    text = "patient,tooth,movement,planned,achieved\nP1,43,mesial,5,3\nP2,43,tip,-5,-2\n"
    proposal = proposed(tmp_path, text)
    assert keys(proposal) == ["movement:mesial"]
    tip = proposal.answer({"movement:mesial": "tip", **USUAL})
    assert tip.read().movements["movement"].tolist() == ["tip", "tip"]
    out = proposal.answer({"movement:mesial": "skip", **USUAL}).read()
    assert out.movements["row"].tolist() == [3]
    assert len(out.excluded) == 1


def test_an_answer_that_is_no_option_is_refused(tmp_path):
    with pytest.raises(InputError, match="is not one of"):
        proposed(tmp_path, SIZES, {"one way:vertical": "up"})


def test_what_is_no_table_of_movements_is_refused(tmp_path):
    with pytest.raises((CannotAnswer, InputError)):
        proposed(tmp_path, "fruit,price\napple,3\npear,4\n").accepted()
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(Unreadable):
        propose_mapping(empty)


def test_every_word_besides_the_columns_is_described():
    assert all(BESIDES.values())
    assert said_word("+") != said_word("-")


def test_a_heading_with_a_per_cent_sign_may_be_a_share_of_the_plan(tmp_path):
    text = "patient,tooth,movement,planned,achieved (%)\nP1,43,tip,5,60\nP2,43,tip,-5,50\n"
    proposal = proposed(tmp_path, text)
    assert keys(proposal) == ["column:achieved (%)"]
    share = proposal.answer({"column:achieved (%)": "percent", **USUAL})
    assert share.read().movements["achieved"].tolist() == [3, -2.5]


def test_a_title_that_names_no_patient_does_not_become_one(tmp_path):
    file = tmp_path / "blocks.xlsx"
    heads = ["tooth", "movement", "planned", "achieved"]
    rows = [["Patient P1"], heads, [43, "tip", 5, 3], ["second phase"], [33, "tip", 4, -1],
            ["Patient P2"], heads, [43, "tip", -5, -3], ["checked"]]  # fmt: skip
    pd.DataFrame([[*row, *[None] * (4 - len(row))] for row in rows]).to_excel(
        file, index=False, header=False
    )
    proposal = propose_mapping(file).answer(patient="title", **USUAL)
    assert proposal.read().movements["patient"].tolist() == ["P1", "P1", "P2"]


def test_every_sheet_that_becomes_a_patient_is_named(tmp_path):
    file = tmp_path / "sheets.xlsx"
    rows = pd.DataFrame({"tooth": [43], "movement": ["tip"], "planned": [5], "achieved": [3]})
    with pd.ExcelWriter(file) as writer:
        for name in ("P1", "P2", "Summary"):
            rows.to_excel(writer, sheet_name=name, index=False)
    (question,) = propose_mapping(file).open
    assert all(name in question.options["sheet"] for name in ("P1", "P2", "Summary"))


# Sheets -------------------------------------------------------------------------------------------


def test_headings_again_and_titles_are_no_records():
    cells = pd.DataFrame(
        [["Patient 1", None], ["tooth", "planned"], [13, 5], [None, None], ["Patient 2", None],
         ["tooth", "planned"], [14, 6]], dtype=object
    )  # fmt: skip
    found = grid(cells, (2,), titled=True)
    assert found.rows.tolist() == [3, 7]
    assert found.titles.tolist() == ["Patient 1", "Patient 2"]
    assert set(found.set_aside) == {5, 6}
    plain = grid(cells, (2,))
    assert plain.rows.tolist() == [3, 5, 6, 7]


@given(
    st.lists(
        st.lists(st.sampled_from(["", "a", "b", None]), min_size=3, max_size=3),
        min_size=1,
        max_size=2,
    )
)
def test_headings_are_unique_where_there_are_any(rows):
    names = [name for name in joined_headings(rows) if name]
    assert len(set(names)) == len(names)
