"""Sentences of an analysis in depth, at their limits, on results made by hand."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from made_audit import plain

from outcomes.rates.design import NOT_IDENTIFIED
from outcomes.reports.depth import words as depth_words
from outcomes.words.numbers import points


def rates(*lines):
    return pd.DataFrame(lines, columns=["group", "rate", "low", "high"])


def fit(**given):
    usual = {
        "rates": rates(("incisor", 0.6, 0.5, 0.7), ("molar", 0.4, 0.3, 0.5)),
        "movement": "vertical", "unit": "mm", "level": 0.95, "patients": 12, "nobs": 90,
        "sites": 40, "reml": True, "tooth_level": "fitted", "sentences": ["A sentence."], "notes": ["A note."],
        "variance": pd.DataFrame(
            {"component": ["patient", "tooth", "residual"], "sd": [0.1, 0.05, 0.33],
             "share": [0.5, 0.2, 0.3]}
        ),
    }  # fmt: skip
    return SimpleNamespace(**(usual | given))


def depth(**given):
    usual = {
        "fit": fit(),
        "covariate_tests": pd.DataFrame({"covariate": [], "p_holm": []}),
        "covariates": {},
        "contrasts": pd.DataFrame(),
        "linearity": {"sentence": "No bend is shown."},
        "influence": influence((0.3, 0.62)),
        "r_squared": {"marginal": 0.7, "conditional": 0.9},
        "bootstraps": {},
        "teeth": None,
        "skipped": (),
        "invented": False,
        "second_opinion": pd.DataFrame(),
        "second_opinion_reason": "why",
    }
    return SimpleNamespace(**(usual | given))


def influence(*lines):
    made = [(f"P{k:03}", "incisor", rate, change) for k, (change, rate) in enumerate(lines)]
    return pd.DataFrame(made, columns=["patient", "group", "rate", "change_se"])


def test_summary_names_each_rate_its_level_and_who():
    first = plain(depth_words.summary(depth()))
    assert first.startswith(
        "Achieved share of planned vertical movement, with 95 % intervals: incisor 60 % (50 to 70 %) "
        "and molar 40 % (30 to 50 %); from 12 patients and 90 movements."
    )
    assert "No bend is shown." in first
    other = depth(fit=fit(level=0.9, movement=None, patients=1, nobs=1))
    assert "planned movement, with 90 % intervals" in plain(depth_words.summary(other))
    assert "from 1 patient and 1 movement." in plain(depth_words.summary(other))


@pytest.mark.parametrize(("p", "shown"), [(0.0499, True), (0.05, False), (0.2, False)])
def test_covariates_at_the_cut(p, shown):
    table = pd.DataFrame(
        {"covariate": ["age"], "estimate": [-0.0101], "low": [-0.02], "high": [-0.0002]}
    )
    level = table.assign(covariate="attachment: bevelled", estimate=0.073, low=0.01, high=0.136)
    given = depth(
        covariates={"age": SimpleNamespace(covariates=table), "attachment": SimpleNamespace(covariates=level)},
        covariate_tests=pd.DataFrame({"covariate": ["age", "attachment"], "p_holm": [p, 0.001]}),
    )  # fmt: skip
    said = depth_words.covariates(given)
    verb = "changes with" if shown else "is not shown to change with"
    assert plain(said[0]) == (
        f"The rate {verb} age: −1.0 percentage points per unit of age (interval −2.0 to 0.0); "
        f"cluster-robust t test, Holm-adjusted p = {p:.3f}."
    )
    assert "+7.3 percentage points with bevelled (interval +1.0 to +13.6)" in said[1]
    assert "an effect" in said[-1]
    goes = plain(depth_words.summary(given))
    assert ("The rate changes with age and attachment." in goes) == shown
    assert ("The rate changes with attachment." in goes) != shown
    assert depth_words.covariates(depth()) == [
        "No covariate was recorded that differs between rows."
    ]
    assert "No covariate is shown to go with" in plain(depth_words.summary(depth()))


@pytest.mark.parametrize(("p", "shown"), [(0.0499, True), (0.05, False)])
@pytest.mark.parametrize("sign", [1, -1])
def test_contrasts_at_the_cut(p, shown, sign):
    line = {
        "a": "molar", "b": "canine", "difference": 0.152 * sign, "low": -0.3, "high": 0.3, "p_holm": p,
    }  # fmt: skip
    (said,) = depth_words.contrasts(depth(contrasts=pd.DataFrame([line])))
    if shown:
        assert (
            f"The molar achieves 15 percentage points {'more' if sign > 0 else 'less'} of" in said
        )
    else:
        assert f"no difference is shown: {'+' if sign > 0 else '−'}15 percentage points" in said
    assert "interval −30 to +30" in said
    assert f"p = {p:.3f}" in said
    two = depth_words.contrasts(depth(contrasts=pd.DataFrame([line, line])))
    assert two[-1].startswith("2 comparisons were made: the p values are adjusted")


def test_spread_with_and_without_the_tooth_level():
    text = plain(depth_words.variances(depth()))
    assert (
        "Patients differ by 10 percentage points (standard deviation): around a rate of 50 %"
        in text
    )
    assert "lie in the range 40 to 60 %." in text
    assert "Teeth of the same class in the same patient differ by 5 percentage points." in text
    assert "is 0.33 mm a movement" in text
    assert "50 % lies between patients, 20 % lies between teeth of a patient and 30 %" in text
    assert "30 % lies within teeth." in text
    assert "explain 70 % of the variation" in text
    assert "with patient and tooth 90 % (conditional R²)" in text
    alone = fit(variance=fit().variance.drop(1), unit="degree")
    text = plain(depth_words.variances(depth(fit=alone)))
    assert "is 0.33° a movement" in text
    assert "Teeth of the same class" not in text
    assert "between teeth" not in text
    assert "with patient 90 % (conditional R²)" in text
    unknown = fit().variance.drop(1).assign(sd=[0.1, np.nan])
    text = plain(
        depth_words.variances(depth(fit=fit(variance=unknown, tooth_level=NOT_IDENTIFIED)))
    )
    assert "Patients differ by 10 percentage points" in text
    assert "is not identified: these records do not tell the two apart" in text
    assert text.endswith("explain 70 % of the variation in what was achieved (marginal R²).")
    assert "90 %" not in text
    assert "lies" not in text


@pytest.mark.parametrize(
    ("size", "alarm"), [(0.99, False), (-0.99, False), (1.0, True), (-1.01, True)]
)
def test_influence_at_one_standard_error(size, alarm):
    last = depth_words.influence(depth(influence=influence((size, 0.55))))[-1]
    assert ("Look at that patient's records." in last) == alarm
    assert ("No single patient decides a result." in last) != alarm
    assert f"at most {abs(size):.1f} standard errors (P000, incisor: 55 % without)" in plain(last)


def test_a_patient_without_whom_there_is_no_rate():
    said = depth_words.influence(depth(influence=influence((np.nan, np.nan), (0.2, 0.6))))
    assert said[0] == "Without P000 the rate of incisor cannot be estimated."
    assert "(P001, incisor" in said[1]


@pytest.mark.parametrize(("failed", "told"), [(0, ""), (1, "; 1 replicate had no fit")])
def test_bootstraps_against_the_model(failed, told):
    wide = rates(("incisor", 0.6, 0.5, 0.66), ("molar", 0.4, 0.3, 0.52))
    made = SimpleNamespace(rates=wide, n=1000, seed=3, failed=failed)
    first = plain(depth_words.intervals(depth(bootstraps={"patient bootstrap": made}))[0])
    assert first == (
        f"The patient bootstrap (1,000 replicates, seed 3{told}) gives intervals 80 to 110 % as wide "
        "as the model's."
    )


def test_methods_teeth_and_what_is_left():
    said = plain(depth_words.rates(depth()))
    assert "by restricted maximum likelihood, with 95 % t intervals" in said
    assert said.endswith("A sentence. A note.")
    assert "by maximum likelihood" in plain(depth_words.rates(depth(fit=fit(reml=False))))
    table = pd.DataFrame({"tooth": [11, 12], "rate": [0.5, 0.55], "own_rate": [0.45, 0.8]})
    table = table.assign(reading=np.nan, differs=False)
    pooled = SimpleNamespace(rates=table, between_sd=0.08)
    text = plain(depth_words.teeth(depth(teeth=pooled)))
    assert "teeth differ by 8 percentage points" in text
    assert "Pooling moves tooth 12 most: from 80 % on its own to 55 %." in text
    assert "follows results far off" not in text
    pooled.rates = table.assign(differs=True, reading=[0.61, np.nan])
    *_, first, second = (plain(line) for line in depth_words.teeth(depth(teeth=pooled)))
    assert first == (
        "The own rate of tooth 11, 45 %, follows results far off: 61 % where these weigh less."
    )
    assert second == (
        "The own rate of tooth 12, 80 %, follows results far off: half of its results or more."
    )
    assert depth_words.teeth(depth()) == []
    assert depth_words.not_answered(depth()) == ["Every question above could be answered."]
    assert depth_words.not_answered(depth(skipped=("age: why",))) == ["age: why"]
    assert depth_words.linearity(depth(linearity=None)) == []
    assert not any("invented" in line for line in depth_words.cautions(depth()))
    assert any("invented" in line for line in depth_words.cautions(depth(invented=True)))


def test_the_largest_residual_either_way():
    data = pd.DataFrame(
        {"patient": ["P1", "P2"], "tooth": [11, 12], "planned": [2.0, -3.0], "achieved": [1.5, -0.4],
         "residual": [-1.0, 2.0]}
    )  # fmt: skip
    given = fit(data=data, mixed=SimpleNamespace(sigma2=0.25))
    (said,) = depth_words.diagnostics(depth(fit=given))
    assert plain(said).endswith(
        "is that of tooth 12 of P2: −0.4 mm of −3.0 mm planned, 2.0 mm or 4.0 residual standard "
        "deviations off."
    )


@pytest.mark.parametrize(
    ("share", "text"), [(0.0004, "0.0"), (-0.0004, "0.0"), (0.0006, "+0.1"), (-0.0006, "−0.1")]
)
def test_points_with_one_decimal(share, text):
    assert points(share, 1) == text


def test_kinds_of_few_patients_are_said_to_be_untested():
    """A missing p is no "no difference", and is not counted among the comparisons."""
    from types import SimpleNamespace

    table = pd.DataFrame(
        {"a": ["incisor", "incisor", "canine"], "b": ["canine", "molar", "molar"],
         "difference": [0.1, 0.2, 0.1], "low": [0.0, 0.1, -0.1], "high": [0.2, 0.3, 0.3],
         "p_holm": [np.nan, 0.01, 0.4]}
    )  # fmt: skip
    said = depth_words.contrasts(SimpleNamespace(contrasts=table))
    assert said[0].startswith(
        "Between incisor and canine nothing was tested, as one of them has fewer than 5 patients"
    )
    assert "nan" not in " ".join(said)
    assert said[-1].startswith("2 comparisons were made")
    assert not any(
        "were made" in line
        for line in depth_words.contrasts(SimpleNamespace(contrasts=table.iloc[:2]))
    )
