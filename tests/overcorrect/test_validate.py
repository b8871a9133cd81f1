"""Leave-one-patient-out: against refits by hand, coverage, and honest sentences."""

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import CannotAnswer
from outcomes.overcorrect.rules import Rules
from outcomes.overcorrect.validate import ASSUMPTION, validate
from outcomes.rates.fit import fit_rate
from outcomes.simulate import simulate_rates


@pytest.fixture(scope="module")
def rows() -> pd.DataFrame:
    return simulate_rates(16, seed=5, movement="vertical", rates=0.6, teeth_per_patient=10)


def test_predictions_come_from_fits_without_the_patient(rows):
    result = validate(fit_rate(rows)).predictions
    for patient in ("P001", "P009"):
        others = fit_rate(rows[rows["patient"] != patient])
        own = result[result["patient"] == patient]
        expected = others.predict(own[["tooth", "planned"]])
        assert own["predicted"].to_numpy() == pytest.approx(expected["expected"].to_numpy())
        half = (own["high_80"] - own["low_80"]).to_numpy()
        assert half == pytest.approx((expected["high_80"] - expected["low_80"]), rel=0.05)
        factor = 1 / others.rates.set_index("group")["rate"]
        plan = own["aim"] * own["group"].map(factor).clip(upper=2).to_numpy(float)
        given = own["supported"].to_numpy()
        assert given.any()
        assert own["new_plan"][given].to_numpy() == pytest.approx(plan[given].to_numpy())


def test_new_results_follow_the_stated_assumption(rows):
    fit = fit_rate(rows)
    table = validate(fit).predictions
    slope = fit.data["fitted"] / fit.data["planned"]
    expected = table["achieved"] + slope * (table["new_plan"] - table["planned"])
    assert table["new_achieved"].to_numpy() == pytest.approx(expected.to_numpy())


def test_ranges_cover():
    """60 practices of 12 patients: 80 and 95 % ranges hold that share, within 2 points."""
    found = []
    for seed in range(60):
        made = simulate_rates(12, seed=seed, movement="vertical", rates=0.5, teeth_per_patient=8)
        table = validate(fit_rate(made, group=None)).accuracy.iloc[0]
        found.append((table["coverage_80"], table["coverage_95"]))
    assert np.mean(found, axis=0) == pytest.approx([0.80, 0.95], abs=0.02)


def test_low_rates_gain_and_full_rates_do_not():
    low = validate(fit_rate(simulate_rates(20, seed=1, movement="vertical", rates=0.6)))
    assert low.gain["low"] > 0
    assert "smaller on average" in low.sentence
    full = simulate_rates(20, seed=1, movement="vertical", rates=1.0, patient_sd=0.03)
    nothing = validate(fit_rate(full, group=None))
    assert nothing.gain["low"] <= 0
    assert "cannot be said" in nothing.sentence or "do not help" in nothing.sentence


def test_too_few_others_change_nothing():
    result = validate(fit_rate(simulate_rates(5, seed=2, movement="vertical"), group=None))
    assert result.gain["changed"] == 0
    assert (result.predictions["new_plan"] == result.predictions["planned"]).all()
    assert "support no factor" in result.sentence
    assert result.gain["less"] == 0


def test_plans_that_held_overcorrection_already(rows):
    """aim below planned: the shortfall is counted from the aim, the factor applied to the aim."""
    over = rows.assign(aim=rows["planned"] / 1.5)
    fit = fit_rate(over)
    result = validate(fit)
    table = result.shortfall.set_index("plan")
    assert list(table.index) == ["as happened", "no overcorrection", "factors of the others"]
    miss = (over["aim"] - over["achieved"]).abs().mean()
    assert table.loc["as happened", "shortfall"] == pytest.approx(miss)
    slope = fit.data["fitted"] / fit.data["planned"]
    plain = over["achieved"] + slope * (over["aim"] - over["planned"])
    assert table.loc["no overcorrection", "shortfall"] == pytest.approx(
        (over["aim"] - plain).abs().mean()
    )
    assert table.loc["no overcorrection", "shortfall"] > table.loc["as happened", "shortfall"]


def test_a_bent_rate_is_solved_for_its_own_size():
    made = simulate_rates(40, seed=2, movement="vertical", rates=0.7, size_effect=-0.08)
    fit = fit_rate(made, group=None, covariates="plan_size")
    table = validate(fit, rules=Rules(max_factor=4)).predictions
    row = table.iloc[3]
    others = fit_rate(made[made["patient"] != row["patient"]], group=None, covariates="plan_size")
    frame = pd.DataFrame(
        {"tooth": [11], "planned": [row["new_plan"]], "plan_size": [abs(row["new_plan"])]}
    )
    # the centre of plan_size moves a little with the patient left out
    assert others.predict(frame)["expected"].iloc[0] == pytest.approx(row["aim"], rel=1e-6)


def test_the_assumption_and_cautions_are_printed(rows):
    words = repr(validate(fit_rate(rows)))
    assert ASSUMPTION in words
    assert "The treating clinician decides" in words


def test_refusals():
    with pytest.raises(CannotAnswer, match="3 are the fewest"):
        validate(fit_rate(simulate_rates(2, seed=1), group=None))
    unnamed = simulate_rates(6, seed=1).drop(columns="movement")
    with pytest.raises(CannotAnswer, match="tolerance"):
        validate(fit_rate(unnamed, group=None))
