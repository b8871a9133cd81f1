"""Words of seven languages: complete, each with one meaning, with the signs of the movements."""

from collections import defaultdict

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.domain import languages
from outcomes.domain.languages import (
    arch_meaning,
    attachment_meaning,
    course_meaning,
    direction_meaning,
    heading_meanings,
    movement_heading,
    movement_meaning,
    near_headings,
    near_movements,
    side_meaning,
    word_form,
)
from outcomes.domain.movements import DIRECTION_WORDS, MOVEMENTS
from outcomes.domain.table_types import PERSONAL
from outcomes.domain.tables import TABLES
from outcomes.domain.words_of_headings import HEADINGS, LANGUAGES, SEVERAL
from outcomes.domain.words_of_movements import (
    ARCH_NAMES,
    ATTACHMENT_NAMES,
    DIRECTION_NAMES,
    MOVEMENT_NAMES,
    SIDE_NAMES,
)

DIRECTIONS = [
    (name, direction)
    for name, movement in MOVEMENTS.items()
    for direction in (movement.positive_direction, movement.negative_direction)
]
PLACES = ("start_position", "planned_position", "achieved_position")
EXTRAS = {*PLACES, "direction", "arch", "side", "quadrant", "date", "unit", "remaining", "personal"}


def each_word(table):
    """(meaning, language, word as written) of a table of words."""
    for meaning, entries in table.items():
        for language, entry in entries.items():
            for word in entry.split(","):
                yield meaning, language, word.strip()


# Completeness -------------------------------------------------------------------------------------


@pytest.mark.parametrize("table", [HEADINGS, MOVEMENT_NAMES, DIRECTION_NAMES, ATTACHMENT_NAMES,
                                   ARCH_NAMES, SIDE_NAMES])  # fmt: skip
def test_every_meaning_has_words_in_all_seven_languages(table):
    for meaning, entries in table.items():
        assert set(entries) == set(LANGUAGES), meaning
        assert all(entry.strip() for entry in entries.values()), meaning
    assert all(word for _, _, word in each_word(table))


def test_there_is_a_concept_for_every_column_and_for_what_the_schema_lacks():
    columns = {c.name for t in languages.TABLES_OF_HEADINGS for c in TABLES[t].columns}
    assert set(HEADINGS) == columns | EXTRAS
    assert {m for meanings in SEVERAL for m in meanings} <= set(HEADINGS)


def test_each_language_names_each_movement_and_each_direction():
    assert {movement for movement, direction in MOVEMENT_NAMES if not direction} == set(MOVEMENTS)
    assert {pair for pairs in DIRECTION_NAMES for pair in pairs} == set(DIRECTIONS)
    assert {pair for pair in MOVEMENT_NAMES if pair[1]} <= set(DIRECTIONS)


def test_the_words_of_the_schema_are_known():
    for table in languages.TABLES_OF_HEADINGS:
        for column in TABLES[table].columns:
            for word in (column.name, *column.synonyms):
                assert column.name in heading_meanings(word), word
    for word in (*PERSONAL["full"], *PERSONAL["part"]):
        assert heading_meanings(word) == ("personal",), word
    for movement in MOVEMENTS.values():
        for word in (movement.name, movement.spoken, *movement.also):
            assert not word or movement_meaning(word) == (movement.name, 0), word
    for code in TABLES["movements"].column("attachment").codes:
        for word in (code.name, *code.also):
            assert attachment_meaning(word) == code.name, word
    assert set(ATTACHMENT_NAMES) == {c.name for c in TABLES["movements"].column("attachment").codes}


# One meaning --------------------------------------------------------------------------------------


def meanings_of(table):
    found = defaultdict(set)
    for meaning, _, word in each_word(table):
        found[word_form(word)].add(meaning)
    return found


@pytest.mark.parametrize("table", [HEADINGS, MOVEMENT_NAMES, DIRECTION_NAMES, ATTACHMENT_NAMES,
                                   ARCH_NAMES, SIDE_NAMES])  # fmt: skip
def test_no_word_means_two_things(table):
    assert {word: m for word, m in meanings_of(table).items() if len(m) > 1} == {}


def test_what_means_several_things_stands_among_those_alone():
    several = {word_form(w): m for m, entry in SEVERAL.items() for w in entry.split(",")}
    assert all(len(meanings) > 1 for meanings in SEVERAL)
    assert not set(several) & set(meanings_of(HEADINGS))
    for word, meanings in several.items():
        assert heading_meanings(word) == meanings


def test_a_word_given_two_meanings_is_refused():
    with pytest.raises(ValueError, match="'a' means 1 and 2"):
        languages._index([(1, ["a", "b"]), (2, ["a"])])


def test_every_word_is_read_as_the_table_says():
    for concept, _, word in each_word(HEADINGS):
        assert heading_meanings(word) == (concept,), word
    for table, read in ((ATTACHMENT_NAMES, attachment_meaning), (ARCH_NAMES, arch_meaning),
                        (SIDE_NAMES, side_meaning)):  # fmt: skip
        for meaning, _, word in each_word(table):
            assert read(word) == meaning, word


@pytest.mark.parametrize("word", ["mesial", "distal", "buccal", "labial", "palatinal", "lingual",
                                  "vestibular", "proclination", "Kippung", "tippning", "retrusion",
                                  "vestibularización", "buccal or labial", "in", "up", ""])  # fmt: skip
def test_a_word_of_two_movements_is_no_movement(word):
    """Translation or tip, translation or torque: common practice, no source."""
    assert movement_meaning(word) is None


# Signs --------------------------------------------------------------------------------------------


def test_signs_are_those_of_the_movements():
    for (movement, direction), _, word in each_word(MOVEMENT_NAMES):
        name, sign = movement_meaning(word)
        assert name == movement
        assert MOVEMENTS[movement].direction(sign) == direction, word
        if direction:
            assert direction_meaning(word, movement) == sign, word
    for pairs, _, word in each_word(DIRECTION_NAMES):
        for movement, direction in pairs:
            sign = direction_meaning(word, movement)
            assert MOVEMENTS[movement].direction(sign) == direction, word


@pytest.mark.parametrize(
    ("movement", "positive", "negative"),
    [
        # Intrusion is negative, mesial, outward and labial crown torque positive: the data model.
        ("vertical", "extrusion Extrusion égression extrusión extrusão estrusione",
         "intrusion Intrusion ingression intrusión intrusão intrusione"),
        ("mesiodistal", "mesialisation Mesialisierung mésialisation mesialización mesialização "
         "mesializzazione mesialisering", "distalisation Distalisierung distalización "
         "distalização distalizzazione distalisering"),
        ("buccolingual", "expansion expansión expansão espansione",
         "contraction Kontraktion contracción contração contrazione kontraktion constriction"),
    ],
)  # fmt: skip
def test_movements_that_name_their_direction(movement, positive, negative):
    assert {movement_meaning(word) for word in positive.split()} == {(movement, 1)}
    assert {movement_meaning(word) for word in negative.split()} == {(movement, -1)}


@pytest.mark.parametrize(
    ("word", "movement", "sign"),
    [
        ("mesial", "tip", 1), ("nach distal", "mesiodistal", -1), ("vestibulaire", "torque", 1),
        ("palatino", "buccolingual", -1), ("occlusal", "vertical", 1), ("apical", "vertical", -1),
        ("mesiolingual", "rotation", -1), ("distolingual", "rotation", 1),
        ("proclination", "torque", 1), ("proclination", "buccolingual", 1),
        # the root goes the other way from the crown
        ("lingual root torque", "torque", 1), ("labialer Wurzeltorque", "torque", -1),
        ("lingual crown torque", "torque", -1), ("torque coronaire vestibulaire", "torque", 1),
        # they depend on the arch, the surface, the maker of the table, or on another movement
        ("in", "buccolingual", 0), ("out", "rotation", 0), ("up", "vertical", 0),
        ("down", "vertical", 0), ("+", "torque", 0), ("clockwise", "rotation", 0),
        ("mesial", "rotation", 0), ("mesial", "vertical", 0), ("extrusion", "torque", 0),
        ("mesial", "no such movement", 0), (None, "tip", 0),
    ],
)  # fmt: skip
def test_direction_words(word, movement, sign):
    assert direction_meaning(word, movement) == sign


def test_the_signs_follow_the_movements_when_these_change(monkeypatch):
    names = ("intrusion", "extrusion")
    changed = type(MOVEMENTS["vertical"])("vertical", "mm", *names, *names)
    monkeypatch.setitem(MOVEMENTS, "vertical", changed)
    assert languages._sign("vertical", "intrusion") == 1


def test_direction_words_of_the_schema_have_a_sign():
    for word, movement in DIRECTION_WORDS.items():
        assert direction_meaning(word, movement) != 0, word


# Forms --------------------------------------------------------------------------------------------


@given(st.text())
def test_the_form_of_a_form_is_itself(text):
    form = word_form(text)
    assert word_form(form) == form
    assert form == " ".join(form.split())
    assert all(c.isalnum() or c == " " for c in form)


@given(st.text(st.characters(max_codepoint=0x24F)))
def test_case_spaces_and_marks_do_not_count(text):
    # str.upper and .lower of single letters beyond Latin change the word itself
    assert word_form(text.casefold()) == word_form(text)
    assert word_form(f"  {text}\t;") == word_form(text)


@given(st.one_of(st.none(), st.integers(), st.floats(), st.dates(), st.booleans(), st.binary()))
def test_any_cell_has_a_form(cell):
    assert isinstance(word_form(cell), str)
    assert isinstance(heading_meanings(cell), tuple)
    assert direction_meaning(cell, "tip") in (-1, 0, 1)
    assert course_meaning(cell) is None or course_meaning(cell) > 0


@pytest.mark.parametrize(
    ("text", "form"),
    [
        ("Straße", "strasse"), ("ﬁnal", "final"), ("cœur", "coeur"), ("Ærø", "aero"),
        ("Zähne", "zahne"), ("direção", "direcao"), ("après-traitement", "apres traitement"),
        ("planned_position", "planned position"), ("n.º", "no"), ("N° dent", "no dent"),
        ("No.", "no"), ("Rotation °", "rotation"),
        ("planned (mm)", "planned"), ("Rotation [°]", "rotation"), ("Zahn (FDI)", "zahn fdi"),
        ("planned (Grad)", "planned"), ("Âge (ans)", "age"), ("planned mm", "planned mm"),
        (None, ""), (float("nan"), ""), (13, "13"), ("—", ""), ("(mm", "mm"),
    ],
)  # fmt: skip
def test_forms(text, form):
    assert word_form(text) == form


def test_a_unit_behind_a_heading_does_not_count_and_one_inside_does():
    assert heading_meanings("geplant mm") == ("planned",)
    assert heading_meanings("IPR mm") == heading_meanings("ipr_mm") == ("ipr_mm",)
    assert heading_meanings("mm planned") == heading_meanings("mm") == ()


def test_umlauts_may_be_spelt_out():
    assert heading_meanings("Zaehne") == heading_meanings("Zähne") == ("tooth",)
    assert heading_meanings("gewuenscht") == ("aim",)


# Proposals ----------------------------------------------------------------------------------------


def test_a_slip_is_a_proposal_and_never_read():
    assert heading_meanings("planed") == ()
    assert near_headings("planed")[0][0] == "planned"
    assert movement_meaning("Intrusoin") is None
    assert near_movements("Intrusoin")[0][0] == "vertical"


def test_proposals_are_few_distinct_and_ordered():
    near = near_headings("geplannt", limit=3)
    assert len(near) == 3 == len({concept for concept, _ in near})
    assert [score for _, score in near] == sorted((s for _, s in near), reverse=True)
    assert all(0 <= score <= 100 for _, score in near)
    assert len(near_headings("geplannt", limit=1)) == 1
    assert near_headings("Geplant")[0] == ("planned", 100.0)
    assert near_headings("") == near_headings(None) == near_movements("") == []


# Courses, and headings of two parts ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "course"),
    [
        ("Course 2", 2), ("course2", None), ("2. Serie", 2), ("série 2", 2), ("2ª série", 2),
        ("2e série", 2), ("Serie 12", 12), ("first course", 1), ("Dritte Serie", 3),
        ("course no. 3", 3), ("2nd series", 2), ("Skenserie 4", 4), ("seconda serie", 2),
        ("2", None), ("course", None), ("course 0", None), ("course 123", None), ("tooth 2", None),
        ("course two and a half", None), ("", None), (None, None), (2, None),
    ],
)  # fmt: skip
def test_courses(text, course):
    assert course_meaning(text) == course


@pytest.mark.parametrize(
    ("text", "meaning"),
    [
        ("Intrusion geplant", ("vertical", -1, "planned")),
        ("planned_rotation_deg", ("rotation", 0, "planned")),
        ("Rotation T0", ("rotation", 0, "start_position")),
        ("mésio-distal obtenu (mm)", ("mesiodistal", 0, "achieved")),
        ("mesial movement planned", ("mesiodistal", 1, "planned")),
        ("Start vertical", ("vertical", 0, "start_position")),
        ("Vertical final", None), ("vertical", None), ("planned", None), ("vertical colour", None),
        ("tooth rotation", None), ("", None),
    ],
)  # fmt: skip
def test_headings_of_a_movement_and_its_part(text, meaning):
    assert movement_heading(text) == meaning
