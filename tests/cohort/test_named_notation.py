"""A column headed notation says how teeth are numbered, where the heading of the teeth does not."""

import pandas as pd
import pytest

from outcomes.cohort.read import read_cohort
from outcomes.errors import CohortError

ROWS = pd.DataFrame(
    {"patient": ["P1", "P2"], "tooth": [13, 23], "movement": "rotation", "planned": [8.0, 9.0],
     "achieved": [6.0, 5.0]}
)  # fmt: skip


def read(frame, tmp_path):
    path = tmp_path / "cases.csv"
    frame.to_csv(path, index=False)
    return read_cohort(path)


def test_without_it_these_numbers_have_two_readings(tmp_path):
    with pytest.raises(CohortError, match="could be FDI or Universal"):
        read(ROWS, tmp_path)


@pytest.mark.parametrize(("word", "teeth"), [("FDI", [13, 23]), ("universal", [25, 32])])
def test_it_settles_them_and_is_no_column_of_the_records(word, teeth, tmp_path):
    """ADA: 13 is the upper left second premolar, 23 the lower left lateral incisor."""
    cohort = read(ROWS.assign(notation=word), tmp_path)
    assert "notation" not in cohort.movements
    assert cohort.movements["tooth"].tolist() == teeth


@pytest.mark.parametrize("words", [["FDI", "universal"], ["mine", "mine"], ["", ""]])
def test_where_it_says_nothing_for_all_rows_nothing_is_settled(words, tmp_path):
    with pytest.raises(CohortError, match="could be FDI or Universal"):
        read(ROWS.assign(notation=words), tmp_path)


def test_the_heading_of_the_teeth_goes_first(tmp_path):
    frame = ROWS.rename(columns={"tooth": "tooth (FDI)"}).assign(notation="universal")
    assert read(frame, tmp_path).movements["tooth"].tolist() == [13, 23]
