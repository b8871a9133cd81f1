"""A code that is mistyped is asked about, never made a new patient."""

import pandas as pd
import pytest

from outcomes.ahead.who import settled, with_patient
from outcomes.errors import InputError

PAST = ["C005", "C006", "M-12"]


def asked(code, named=None):
    with pytest.raises(InputError) as error:
        settled(code, PAST, named)
    return str(error.value)


def test_a_known_code_is_taken_as_it_is():
    assert settled("C005", PAST, None) == "C005"
    assert settled(None, PAST, ["C006", "C006"]) == "C006"


@pytest.mark.parametrize("slip", ["C5", "c005", "C 005", "c-5"])
def test_a_slip_of_writing_is_never_a_new_patient(slip):
    for named in (None, [slip]):
        said = asked(slip, named)
        assert f"No past patient is called {slip}: is C005 meant?" in said
        assert "a code that is not so near" in said


def test_a_near_code_is_asked_about_unless_the_aims_name_it():
    said = asked("C007")
    assert "is C006 or C005 meant?" in said or "is C005 or C006 meant?" in said
    assert "name C007 in the aims" in said
    assert settled("C007", PAST, ["C007"]) == "C007"


def test_a_code_that_comes_near_nobody_needs_aims():
    said = asked("X9")
    assert "The cohort has C005, C006 and M-12." in said
    assert "give aims" in said
    assert settled("X9", PAST, ["NEW"]) == "X9"


def test_nobody_named_and_several_named():
    assert "Say whose next course" in asked(None)
    said = asked(None, ["C005", "C006"])
    assert "2 patients (C005 and C006)" in said
    assert "next_courses" in said


def test_a_code_that_is_no_text():
    assert "patient is of type int" in asked(5)


def test_aims_that_name_nobody_are_the_patients():
    rows = pd.DataFrame({"patient": ["NEW", "NEW"], "aim": [1.0, 2.0]})
    assert with_patient(rows, "C005")["patient"].tolist() == ["C005", "C005"]
    mixed = pd.DataFrame({"patient": ["C005", "C006"], "aim": [1.0, 2.0]})
    assert with_patient(mixed, "C005")["aim"].tolist() == [1.0]
    with pytest.raises(InputError, match="No aim is of X; the aims are of C005 and C006"):
        with_patient(mixed, "X")
