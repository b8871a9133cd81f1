"""Verdicts: each rule, its words, and how many more patients."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from outcomes.overcorrect.rules import VERDICTS, Rules, judge, more_patients_needed
from outcomes.words.units import NBSP


def test_four_patients_are_declined_with_the_number_that_is_needed():
    verdict = judge(0.55, 0.05, 3, 4, Rules())
    assert verdict.verdict == "not supported"
    assert np.isnan(verdict.factor)
    assert "Only 4 patients" in verdict.why
    assert f"{verdict.more_patients} more patients" in verdict.why
    assert verdict.more_patients >= 6


def test_a_rate_indistinguishable_from_zero_is_declined_with_a_number():
    verdict = judge(0.30, 0.20, 11, 12, Rules())
    assert verdict.verdict == "not supported"
    assert verdict.interval.kind == "unbounded"
    assert "cannot be told from zero" in verdict.why
    assert f"{verdict.more_patients:,} more patients" in verdict.why


def test_the_wrong_way_is_declined_and_no_number_is_promised():
    verdict = judge(-0.4, 0.1, 11, 12, Rules())
    assert verdict.verdict == "not supported"
    assert "wrong way" in verdict.why
    assert verdict.more_patients is None


@pytest.mark.parametrize(
    ("arguments", "verdict", "words"),
    [
        ((0.5, 0.02, 12, 14), "supported", "14 patients"),
        ((0.5, 0.02, 7, 8), "wide", "8 patients only; 10 are wanted"),
        ((0.5, 0.10, 12, 14), "wide", "interval of the factor is wide"),
        ((0.4, 0.01, 12, 14), "supported", "held at 2: expect 80 % of the aim"),
    ],
)
def test_verdicts(arguments, verdict, words):
    found = judge(*arguments, Rules())
    assert found.verdict == verdict
    assert words in found.why.replace(NBSP, " ")


def test_cap_and_bend_and_borrowing_are_said():
    assert judge(0.4, 0.01, 12, 14, Rules()).factor == 2.0
    bent = judge(0.5, 0.02, 12, 14, Rules(), bent="Larger plans achieve a smaller share.")
    assert (bent.verdict, "smaller share" in bent.why) == ("wide", True)
    lent = judge(0.5, 0.02, 12, 3, Rules(), borrowed="incisor", class_patients=20)
    assert lent.verdict == "wide"
    assert "leans on those of other incisor teeth" in lent.why


@given(st.floats(-0.5, 1.5), st.floats(0.005, 0.5), st.floats(1.5, 60), st.integers(2, 80))
def test_never_a_factor_without_support(rate, se, df, patients):
    found = judge(rate, se, df, patients, Rules())
    assert found.verdict in VERDICTS
    low = rate - stats.t.ppf(0.975, df) * se
    if patients < 5 or low <= 0:
        assert found.verdict == "not supported"
        assert np.isnan(found.factor)
    else:
        assert 0 < found.factor <= 2.0
    if found.verdict != "supported" and found.more_patients:
        assert "more patient" in found.why


@given(st.floats(0.5, 1.0), st.floats(0.02, 0.3), st.integers(4, 40))
def test_the_number_of_patients_suffices_and_one_fewer_does_not(rate, se, patients):
    rules = Rules()
    df = patients - 1.0
    more = more_patients_needed(rate, se, df, patients, rules)
    assert more is not None

    def width(total: int) -> float:
        share = total / patients
        low, high = stats.t.interval(0.95, df * share, rate, se / np.sqrt(share))
        return np.inf if low <= 0 else rate * (1 / low - 1 / high)

    total = patients + more
    assert total >= rules.enough
    assert width(total) <= rules.widest + 1e-9
    if total > max(rules.enough, patients):
        assert width(total - 1) > rules.widest


def test_rules_that_make_no_sense():
    for bad in ({"fewest": 1}, {"fewest": 12}, {"max_factor": 0.5}, {"level": 1.0}):
        with pytest.raises(ValueError, match=r"must"):
            Rules(**bad)
