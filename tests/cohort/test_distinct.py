"""Short ways through a column give what the long ways of pandas give."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.cohort.cells import plain_code, plain_codes
from outcomes.cohort.distinct import distinct, first_rows, places_of_each, spread, spread_all
from outcomes.cohort.doubtful_numbers import _BLOCK, outside_share

WORDS = st.lists(st.sampled_from(["tip", "torque", "rotation", None]), max_size=9)


@given(st.lists(st.one_of(st.integers(-2, 300), st.just(0.5), st.just(np.nan)), max_size=9))
def test_distinct_numbers_lead_back_to_the_column(numbers):
    column = pd.Series(numbers, dtype=float)
    codes, found = distinct(column)
    assert len(set(found)) == len(found)
    assert (codes == -1).tolist() == column.isna().tolist()
    np.testing.assert_array_equal(np.array([*found, np.nan])[codes], column)


@given(WORDS)
def test_the_first_row_of_each_cell_is_found(words):
    column = pd.Series(words, dtype="category")
    assert first_rows(column).tolist() == column.dropna().drop_duplicates().index.tolist()


@given(WORDS)
def test_the_places_of_each_word_are_found_the_first_one_first(words):
    column, where = pd.Series(words, dtype="category"), np.arange(len(words)) % 3 != 1
    found = [(word, at.tolist()) for word, at in places_of_each(column, where)]
    left = column[where].astype(object).dropna()
    assert found == [(word, left.index[left == word].tolist()) for word in left.unique()]


@given(
    st.lists(st.text(st.characters(exclude_categories=("Cc", "Cs", "Z")), max_size=6), max_size=6)
)
def test_codes_read_together_are_the_codes_read_one_by_one(codes):
    assert plain_codes(codes) == [plain_code(code) for code in codes]


def test_a_code_beside_another_is_read_as_it_is_alone():
    assert plain_codes(["P 007", "0", "_", "00", "C_05"]) == ["p7", "0", "", "0", "c5"]


def test_columns_spread_together_are_those_spread_one_by_one():
    columns = {name: ([f"{name}{i}" for i in range(3)], np.array([2, 0, -1, 1])) for name in "abc"}
    for name, column in spread_all(columns).items():
        assert column.equals(spread(*columns[name]))


@pytest.mark.parametrize("rows", [_BLOCK - 1, _BLOCK, 2 * _BLOCK + 1])
def test_a_share_over_many_rows_is_that_of_all_at_once(rows):
    planned = np.where(np.arange(rows) % 3, 2.0, 0.0)
    achieved = np.full(rows, -10.0)
    # The blocks are of equal make, so that three rows tell the share of all but the last few.
    assert outside_share(planned, achieved) == pytest.approx(
        outside_share(planned[:3], achieved[:3]), rel=1e-4
    )
