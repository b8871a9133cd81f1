"""Cells as people type them."""

import datetime as dt
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.cohort import cells
from outcomes.cohort.dates import dates


def read(*values) -> cells.Numbers:
    return cells.numbers(pd.Series(list(values), dtype=object))


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("0.8", 0.8), ("0,8", 0.8), (" 0.8 ", 0.8), ("-0.8", -0.8), ("−0.8", -0.8), ("–0,8", -0.8),
        ("- 0.8", -0.8), ("+0.8", 0.8), (".8", 0.8), (",8", 0.8), ("8.", 8.0), ("1e-2", 0.01),
        ("0.8\u00a0", 0.8), ("0,123", 0.123), ("12,5", 12.5), ("1.234", 1.234), ("1234,5", 1234.5),
        ("1,234.5", 1234.5), ("1.234,5", 1234.5), ("1 234,5", 1234.5), ("1\u202f234", 1234.0),
        ("1'234.5", 1234.5), ("1,234,567", 1234567.0), ("1.234.567", 1234567.0), ("007", 7.0),
    ],
)  # fmt: skip
def test_numbers_as_people_write_them(text, value):
    got = read(text)
    assert got.trouble[0] == ""
    assert got.values[0] == value


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("0,8 mm", 0.8, "mm"), ("0.8mm", 0.8, "mm"), ("-12°", -12, "degree"), ("5 deg", 5, "degree"),
        ("5 degrees", 5, "degree"), ("25 years", 25, "years"), ("21 h", 21, "hours"),
    ],
)  # fmt: skip
def test_a_unit_in_the_cell_is_read_apart(text, value, unit):
    got = read(text)
    assert (got.values[0], got.units[0], got.trouble[0]) == (value, unit, "")


@pytest.mark.parametrize(
    ("cell", "trouble"),
    [
        ("1,234", "ambiguous"), ("-12,500 mm", "ambiguous"), ("#DIV/0!", "error"), ("#N/A", "error"),
        ("#REF!", "error"), ("#NAME?", "error"), ("#WERT!", "error"), ("Err:502", "error"),
        (cells.UNCALCULATED, "uncalculated"), ("see notes", "text"), ("1,23,4", "text"),
        ("0 8", "text"), ("(0.8)", "text"), ("1_000", "text"), ("0x10", "text"), ("?", "text"),
        ("80%", "unit"), ("0.3 inch", "unit"), ("0,8 cm", "unit"), ("inf", "infinite"),
        ("-Infinity", "infinite"), (math.inf, "infinite"), ("1-May", "date"), ("01.05.2024", "date"),
        ("2024-05-01", "date"), ("5/1", "date"), ("May-24", "date"), ("12:30", "date"),
        (dt.datetime(2024, 5, 1), "date"), (dt.date(2024, 5, 1), "date"), (dt.time(1, 2), "date"),
        ("TRUE", "text"), ("about 30", "text"), ("≈ 0.8", "text"), ("0.8 ± 0.1", "text"),
    ],
)  # fmt: skip
def test_what_is_no_number_says_why(cell, trouble):
    got = read(cell)
    assert got.trouble[0] == trouble
    assert np.isnan(got.values[0])
    problem, remedy = cells.TROUBLE[trouble]
    assert problem
    assert remedy.endswith(".")


@pytest.mark.parametrize(
    "cell", ["", "  ", None, np.nan, pd.NA, pd.NaT, "NA", "n/a", "-", "–", "nan"]
)
def test_blank_cells_are_blank_not_zero(cell):
    got = read(cell)
    assert got.blank[0]
    assert np.isnan(got.values[0])


def test_thousands_or_decimals_is_settled_by_the_rest_of_the_column_only():
    assert read("1,234", "0,8").values.tolist() == [1.234, 0.8]
    assert read("1.234", "0,8").trouble.tolist() == ["ambiguous", ""]
    assert read("1,234", "0.8").trouble.tolist() == ["ambiguous", ""]
    assert read("1,234", "0.8", "0,8").trouble.tolist() == ["ambiguous", "", ""]
    # A number cell of the spreadsheet says nothing about how people type text.
    assert read("1,234", 0.8).trouble.tolist() == ["ambiguous", ""]


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False)))
def test_every_number_written_by_python_is_read_back_exactly(values):
    # Three decimals and a comma elsewhere would be ambiguous; with points alone nothing is.
    got = read(*[repr(v) for v in values])
    assert got.values.tolist() == values


@given(st.decimals(-60, 60, places=2))
def test_decimal_commas_mean_the_same_as_points(value):
    assert read(str(value).replace(".", ",")).values[0] == float(value)


@given(st.lists(st.text(max_size=12)))
def test_any_text_is_a_number_a_blank_or_trouble(texts):
    got = read(*texts)
    assert ((np.isfinite(got.values)) ^ (got.trouble != "") ^ got.blank).all()
    assert set(got.trouble) <= {"", *cells.TROUBLE}


@pytest.mark.parametrize(
    ("cell", "day"),
    [
        ("2024-01-31", "2024-01-31"), ("31.1.2024", "2024-01-31"), ("31/01/2024", "2024-01-31"),
        ("01/31/2024", "2024-01-31"), (dt.datetime(2024, 1, 31), "2024-01-31"),
        ("4/4/2024", "2024-04-04"), ("2024-01-31T10:00:00", "2024-01-31"),
    ],
)  # fmt: skip
def test_dates(cell, day):
    days, trouble = dates(pd.Series([cell], dtype=object))
    assert trouble[0] == ""
    assert days[0].date().isoformat() == day


def test_a_date_with_two_readings_needs_another_date_to_settle_it():
    def trouble(*column):
        return list(dates(pd.Series(column, dtype=object))[1])

    assert trouble("3/4/2024") == ["day"]
    assert trouble("3/4/2024", "30/4/2023") == ["", ""]
    assert trouble("3/4/2024", "30/4/2023", "4/30/2023") == ["day", "", ""]
    assert trouble("2023-02-30", "soon") == ["not a date", "not a date"]
