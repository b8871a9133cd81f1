"""What looks identifiable is listed, without showing it; what is harmless is left alone.

What addresses, numbers and dates look like: common practice, no source, unless said otherwise.
All persons, addresses and numbers here are invented.
"""

import datetime as dt

import pandas as pd
import pytest

from outcomes.cohort import identifying
from outcomes.cohort.identifying import DATE, EMAIL, NAME, NATIONAL, PHONE, gives_away

SHOWS = {
    EMAIL: ["anna@example.org", "write to a.b-c@mail.example.com today"],
    PHONE: ["+49 30 1234567", "(030) 123 45 67", "0171 2345678", "020 7946 0958", "555-123-4567"],
    NATIONAL: [
        "123-45-6789",  # the form of a US social security number
        "850312-1234",  # a personal identity number: date, then four digits
        "756.9217.0769.85",  # a Swiss insurance number
        "RSSMRA85T10A562S",  # an Italian tax code
        "QQ 12 34 56 C",  # a British insurance number
        "12345678Z",  # a Spanish identity card
        "1234567",
    ],
    DATE: ["born 3.4.1985", "1985-04-03", "3/4/85", "03 avril 1985", "12th of May 1990", "x19850403"],
    NAME: ["Anna Muster", "Muster, Anna", "saw Anna Muster today", "Dr Muster", "A. Muster", "Zoë Müller"],
}  # fmt: skip

HARMLESS = [
    "", "Class II division 1", "Deep Bite", "Open bite", "11, 12, 13, 21", "11 12 13 14 15 16",
    "Class I crowding", "pressure point", "0.25 mm", "3.5-4.2", "1.234", "P001", "24/7", "Upper Left",
    "123456", "1:2", "-0.8", "12.345678901234", "yes", "worn 20.5 hours", "1/2/3",
]  # fmt: skip


@pytest.mark.parametrize(("kind", "text"), [(k, t) for k, texts in SHOWS.items() for t in texts])
def test_what_is_written_so_is_seen(kind, text):
    assert gives_away(text) == kind


@pytest.mark.parametrize("text", HARMLESS)
def test_what_is_harmless_is_left_alone(text):
    assert gives_away(text) == ""


@pytest.mark.parametrize(("digits", "kind"), [("123456", ""), ("1234567", NATIONAL)])
def test_seven_digits_are_a_long_number(digits, kind):
    assert gives_away(digits) == kind


@pytest.mark.parametrize(
    ("code", "kind"),
    [("P001", ""), ("1000234", ""), ("P-1000234", NATIONAL), ("19850403", DATE), ("Doe Jane", NAME),
     ("P12-1985-04-03", DATE), ("20241301", ""), ("a@example.org", EMAIL)],
)  # fmt: skip
def test_codes_of_patients(code, kind):
    assert identifying.code_gives_away(code) == kind


BORN = ["030485", "110990", "241201", "010175", "300668"]


def test_six_digits_that_read_as_dates_count_from_five_codes_and_four_fifths_on():
    assert identifying.short_dates(BORN) == BORN
    assert identifying.short_dates(BORN[:4]) == []
    assert identifying.short_dates([*BORN, "x"]) == BORN
    assert identifying.short_dates([*BORN, "x", "y"]) == []
    assert identifying.short_dates([f"1002{n}" for n in range(10, 20)]) == []


def test_own_columns_are_looked_at_and_their_values_not_shown(csv):
    cohort = csv(
        "P1,36,tip,5,1,anna@example.org,ok,1234567,Anna Muster",
        "P2,36,tip,5,1,,fine,2345678,",
        head="patient,tooth,movement,planned,achieved,where,note,number,who",
    )
    problems = cohort.problems.set_index("column")["problem"]
    assert set(problems.index) == {"where", "number", "who"}
    assert "an e-mail address (1 row)" in problems["where"]
    assert "telephone number (2 rows)" in problems["number"]
    assert "a person's name (1 row)" in problems["who"]
    assert not {"Muster", "example.org", "1234567"} & set(cohort.problems.to_csv().split(","))
    assert set(cohort.problems["severity"]) == {"check"}


def test_numbers_below_a_million_or_not_whole_are_measured(csv):
    head = "patient,tooth,movement,planned,achieved,a,b,c"
    cohort = csv("P1,36,tip,5,1,999999,1000000,1234567.5", "P2,36,tip,5,1,1,2,", head=head)
    assert len(cohort.problems) == 0  # b: half of the numbers are long, more is needed
    cohort = csv("P1,36,tip,5,1,999999,1000000,1234567.5", "P2,36,tip,5,1,1,,", head=head)
    assert cohort.problems["column"].tolist() == ["b"]


@pytest.mark.parametrize(("born", "listed"), [("2019-01-15", 0), ("2019-01-14", 2)])
def test_dates_more_than_five_years_before_the_start_look_like_birth_dates(rows, born, listed):
    courses = pd.DataFrame({"patient": ["P1", "P2"], "course": 1, "start": "2024-01-15"})
    cohort = rows(
        ("P1", 36, "tip", 5, 1, dt.datetime.fromisoformat(born)),
        ("P2", 36, "tip", 5, 1, dt.datetime.fromisoformat(born)),
        head="patient,tooth,movement,planned,achieved,when",
        courses=courses,
    )
    told = cohort.problems["problem"].str.contains(f"look like birth dates \\({listed} rows")
    assert told.sum() == (listed > 0)


def test_a_clinician_with_a_name_is_listed_and_a_site_of_two_words_is_not(rows):
    patients = pd.DataFrame({"patient": ["P1"], "clinician": ["Anna Muster"], "site": ["Old Town"]})
    cohort = rows(("P1", 36, "tip", 5, 1), patients=patients)
    assert cohort.problems["column"].tolist() == ["clinician"]


def test_a_code_in_several_tables_is_listed_once(rows):
    patients = pd.DataFrame({"patient": ["Doe, Jane"]})
    cohort = rows(("Doe, Jane", 36, "tip", 5, 1), patients=patients)
    assert cohort.problems["problem"].tolist() == ["this looks like a person's name"]


def test_codes_of_birth_dates_are_listed_once(rows):
    cohort = rows(*((code, 36, "tip", 5, 1) for code in BORN))
    assert cohort.problems["problem"].str.contains("stand in 5 of 5 codes").tolist() == [True]
