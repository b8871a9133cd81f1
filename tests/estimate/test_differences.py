"""Differences between levels of a factor: known truth, the right degrees of freedom, Holm."""

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.multitest import multipletests

from outcomes.estimate.differences import differences
from outcomes.estimate.rates import fit_rate
from outcomes.report.words.compared import compared, difference_words
from outcomes.simulate import simulate_rates


@pytest.fixture(scope="module")
def rows():
    """40 patients; growing patients achieve 0.15 more, attached teeth 0.10 more."""
    frame = simulate_rates(40, seed=11, attachment_share=0.4, attachment_effect=0.10)
    number = pd.factorize(frame["patient"])[0]
    growing = number % 2 == 0
    return frame.assign(
        movement="rotation",
        growing=np.where(growing, "yes", "no"),
        clinician=np.array(["A", "B", "C"])[number % 3],
        site="North",
        achieved=frame["achieved"] + 0.15 * growing * frame["planned"],
    )


def test_known_differences_are_found(rows):
    table = differences(rows).table.set_index("factor")
    growing = table.loc["growing"]
    assert growing["low"] < (0.15 if growing["level"] == "yes" else -0.15) < growing["high"]
    attached = table.loc["attachment"]
    assert attached["low"] < 0.10 < attached["high"]
    assert attached["p_holm"] < 0.001


def test_what_varies_between_patients_has_the_degrees_of_freedom_of_patients(rows):
    """40 patients in two groups leave 38 (the t test of two groups of patients, textbook);
    within patients there are many more."""
    table = differences(rows).table.set_index("factor")
    assert table.loc["growing", "df"] == pytest.approx(38, abs=3)
    assert table.loc["attachment", "df"] > 100


def test_one_comparison_is_one_covariate(rows):
    table = differences(rows, ["growing"]).table
    fit = fit_rate(rows, "rotation", covariates="growing")
    assert table["difference"][0] == pytest.approx(fit.covariates["estimate"][0])
    assert table["se"][0] == pytest.approx(fit.covariates["se"][0])


def test_holm_over_the_whole_table(rows):
    table = differences(rows).table
    assert len(table) == 4  # attachment, growing, two clinicians against the third
    np.testing.assert_allclose(table["p_holm"], multipletests(table["p"], method="holm")[1])


def test_what_cannot_be_compared_is_said(rows):
    result = differences(rows)
    assert set(result.not_recorded) == {"auxiliary", "site"}
    tied = rows.assign(clinician=rows["tooth_class"].astype(str))
    assert ("rotation", "clinician") in differences(tied, ["clinician"]).unanswered


def test_words_for_growing_patients(rows):
    table = differences(rows, ["growing"]).table
    words = difference_words(next(table.itertuples()))
    assert words.endswith(
        ("in growing patients than in grown patients", "in grown patients than in growing patients")
    )
    assert "growing or grown patients" in compared(table)


def test_blank_factors_are_counted(rows):
    blank = rows.assign(growing=rows["growing"].where(rows.index % 5 > 0, None))
    table = differences(blank, ["growing"]).table
    assert table["not_recorded"][0] == (blank.index % 5 == 0).sum()
