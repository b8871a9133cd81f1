"""p values of one list adjusted for their number, against statsmodels."""

from unittest.mock import patch

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests

from outcomes.rates.intervals import holm


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=12))
def test_holm_is_that_of_statsmodels_and_never_smaller(p):
    adjusted = holm(p)
    # Called without the collection of garbage that multipletests asks for each time.
    with patch("gc.collect"):
        assert np.allclose(adjusted, multipletests(p, method="holm")[1])
    assert (adjusted >= np.array(p) - 1e-12).all()


def test_missing_p_values_are_not_counted():
    assert np.isnan(holm([np.nan, 0.02])[0])
    assert holm([np.nan, 0.02])[1] == 0.02
    assert len(holm([])) == 0
