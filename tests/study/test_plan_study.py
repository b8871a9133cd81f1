"""Study sizes: the closed form against statsmodels and arithmetic, simulation against both."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.power import TTestIndPower

from outcomes.errors import InputError
from outcomes.rates.fit import fit_rate
from outcomes.simulate import simulate_rates
from outcomes.study.asked import Aim, Assumptions
from outcomes.study.plan import plan_study
from outcomes.study.size import closed_form, one_study

BALANCED = {"plan_mean": 6.0, "plan_sd": 0.0}  # every tooth planned alike
FEW = {"simulations": 60, "teeth_per_patient": 8}


def assumed(**changes):
    values = {
        "movement": "rotation",
        "rate": 0.5,
        "patient_sd": 0.10,
        "tooth_sd": 0.08,
        "residual_sd": 1.6,
        "plan_mean": 6.0,
        "plan_sd": 0.0,
        "rows_per_tooth": 1,
        "source": "stated",
    }
    return Assumptions(**{**values, **changes})


def closed(teeth=8, *, width=None, difference=None, compare=None, power=0.8, **changes):
    aim = Aim(width, difference, compare, power, None, 0.95)
    return closed_form(assumed(**changes), aim, teeth)


# ------------------------------------------------------------------------------- closed form


def test_the_design_effect_of_the_textbooks():
    # Kish 1965: 1 + (m - 1) icc; icc 0.05 and 20 in a cluster give 1.95 (arithmetic).
    form = closed(20, width=0.1, patient_sd=math.sqrt(0.05), tooth_sd=math.sqrt(0.95),
                  residual_sd=1e-9)  # fmt: skip
    assert form.icc == pytest.approx(0.05)
    assert form.design_effect == pytest.approx(1.95)
    assert form.variance == pytest.approx(1.95 / 20)


def test_variance_of_one_tooth():
    # 0.08² + (1.6/6)²; with a second course of 0.6 times the plan, 1.6² / (6² + 3.6²) (arithmetic)
    assert assumed().tooth_variance() == pytest.approx(0.0064 + 1.6**2 / 36)
    two = assumed(rows_per_tooth=2).tooth_variance()
    assert two == pytest.approx(0.0064 + 1.6**2 / (36 + 12.96))
    # varying plans of the same mean square tell less, as precision is concave in the square
    assert assumed(plan_mean=0.0, plan_sd=6.0).tooth_variance() > assumed().tooth_variance()


@pytest.mark.parametrize("teeth", [1, 4, 16])
@pytest.mark.parametrize("difference", [0.08, 0.15])
def test_two_groups_of_patients_as_statsmodels_has_them(teeth, difference):
    form = closed(teeth, difference=difference, compare="patients")
    theirs = TTestIndPower().solve_power(
        effect_size=difference / math.sqrt(form.variance), alpha=0.05, power=0.8
    )
    assert form.patients() == math.ceil(theirs)
    assert form.power(math.ceil(theirs)) == pytest.approx(
        TTestIndPower().power(difference / math.sqrt(form.variance), math.ceil(theirs), 0.05),
        abs=1e-6,
    )


def test_the_mean_width_is_that_of_t_intervals_on_patients_means():
    form = closed(8, width=0.1)
    rng = np.random.default_rng(2)
    means = rng.normal(0, math.sqrt(form.variance), (40_000, 10))
    t = 2.2621571628  # 97.5 % of t with 9 df (tables)
    widths = 2 * t * means.std(axis=1, ddof=1) / math.sqrt(10)
    assert form.width(10) == pytest.approx(widths.mean(), rel=0.005)
    sure = closed_form(assumed(), Aim(0.1, None, None, 0.8, 0.9, 0.95), 8)
    assert sure.width(10) == pytest.approx(np.quantile(widths, 0.9), rel=0.01)


@settings(max_examples=40, deadline=None)
@given(
    st.integers(1, 28),
    st.floats(0.02, 0.3),
    st.floats(0.0, 0.3),
    st.sampled_from([None, "patients"]),
)
def test_fewest_patients_do_and_one_less_does_not(teeth, width, patient_sd, compare):
    form = closed(teeth, width=width, compare=compare, patient_sd=patient_sd)
    n = form.patients()
    assert form.width(n) <= width + 1e-6
    assert n == 3 or form.width(n - 1) > width


# -------------------------------------------------------------------------------- simulation


@pytest.mark.parametrize("compare", [None, "patients", "teeth"])
def test_a_simulated_study_is_what_fit_rate_would_make_of_it(compare):
    assumptions = assumed(plan_mean=0.0, plan_sd=6.0)
    aim = Aim(0.1, None, compare, 0.8, None, 0.95)
    estimate, se, df = one_study(assumptions, aim, 6, 10, np.random.default_rng(5))
    rng = np.random.default_rng(5)
    frames = []
    for arm in range(2 if compare == "patients" else 1):
        frame = simulate_rates(
            10, seed=rng, rates=0.5, patient_sd=0.10, tooth_sd=0.08, residual_sd=1.6,
            teeth_per_patient=6, plan_mean=0.0, plan_sd=6.0,
        )  # fmt: skip
        frames.append(frame.assign(arm=arm, patient=frame["patient"] + f"/{arm}"))
    rows = pd.concat(frames, ignore_index=True)
    if compare is None:
        row = fit_rate(rows, group=None).rates.rename(columns={"rate": "estimate"})
    else:
        if compare == "teeth":
            order = np.argsort(rng.random((10, 6)), axis=1)
            rng.random(10)
            rows["arm"] = (order < 3).ravel().astype(int)
        row = fit_rate(rows, group=None, covariates=["arm"]).covariates
    ours = row[["estimate", "se", "df"]].iloc[0].to_numpy(float)
    assert [estimate, se] == pytest.approx(ours[:2], rel=1e-5)
    assert df == pytest.approx(ours[2], rel=1e-3)


@pytest.mark.parametrize("teeth", [2, 8])
def test_balanced_studies_agree_with_the_design_effect_formula(teeth):
    plan = plan_study(
        width=0.2, teeth_per_patient=teeth, patient_sd=0.15, simulations=150, **BALANCED
    )
    row, study = plan.table.iloc[0], plan.studies.iloc[-1]
    assert abs(row["patients"] - row["closed_form_patients"]) <= 1
    assert study["width"] == pytest.approx(study["closed_form_width"], abs=4 * study["error"])
    assert row["coverage"] > 0.9


@pytest.mark.parametrize("compare", ["patients", "teeth"])
def test_balanced_power_agrees_with_the_noncentral_t(compare):
    plan = plan_study(
        difference=0.2, compare=compare, patient_sd=0.12, simulations=150, teeth_per_patient=6,
        **BALANCED,
    )  # fmt: skip
    study = plan.studies.iloc[0]
    assert study["power"] == pytest.approx(study["closed_form_power"], abs=4 * study["error"])
    row = plan.table.iloc[0]
    assert abs(row["patients"] - row["closed_form_patients"]) <= 2
    assert row["patients_total"] == row["patients"] * (2 if compare == "patients" else 1)


def test_elsewhere_the_size_does_what_was_asked_in_studies_made_anew():
    """Plans that vary, few teeth: the formula is too hopeful, the simulation is not."""
    plan = plan_study(width=0.2, teeth_per_patient=2, simulations=200)
    row = plan.table.iloc[0]
    assert row["patients"] > row["closed_form_patients"]
    widths = []
    for seed in range(150):
        rows = simulate_rates(
            int(row["patients"]), seed=seed + 1000, rates=0.5, teeth_per_patient=2
        )
        rates = fit_rate(rows, group=None).rates.iloc[0]
        widths.append(rates["high"] - rates["low"])
    error = np.hypot(np.std(widths) / math.sqrt(150), row["error"])
    # one patient more or less is another 3 % in width
    assert np.mean(widths) == pytest.approx(0.2, abs=4 * error + 0.004)


def test_power_that_is_counted_is_power_that_is_reported():
    plan = plan_study(difference=0.15, teeth_per_patient=4, simulations=100, **BALANCED)
    n = int(plan.table["patients"].iloc[0])
    aim = Aim(None, 0.15, "patients", 0.8, None, 0.95)
    rng = np.random.default_rng(77)
    from scipy.special import stdtrit

    found = 0
    for _ in range(200):
        estimate, se, df = one_study(assumed(), aim, 4, n, rng)
        found += abs(estimate) > stdtrit(df, 0.975) * se
    # 200 studies: SE 2.8 points
    assert found / 200 == pytest.approx(plan.table["power"].iloc[0], abs=0.09)


def test_assurance_needs_more_patients_than_the_mean():
    mean, sure = (
        plan_study(width=0.2, assurance=share, **FEW, **BALANCED).table["patients"].iloc[0]
        for share in (None, 0.9)
    )
    assert sure > mean


def test_a_pilot_gives_its_own_variances():
    rows = simulate_rates(40, seed=4, rates={"incisor": 0.6, "canine": 0.4}, plan_mean=3.0)
    pilot = fit_rate(rows.assign(movement="rotation"))
    plan = plan_study(width=0.3, pilot=pilot, group="canine", **FEW)
    a = plan.assumptions
    sd = pilot.variance.set_index("component")["sd"]
    assert [a.patient_sd, a.tooth_sd, a.residual_sd] == pytest.approx(
        sd[["patient", "tooth", "residual"]].tolist()
    )
    assert a.rate == pilot.rates.set_index("group").loc["canine", "rate"]
    canine = rows[rows["tooth_class"] == "canine"]["planned"]
    assert [a.plan_mean, a.plan_sd] == pytest.approx([canine.mean(), canine.std(ddof=0)])
    assert a.source == "pilot of 40 patients"
    with pytest.raises(InputError, match="say which with group="):
        plan_study(width=0.3, pilot=pilot, **FEW)
    with pytest.raises(InputError, match="no rate of 'milk'"):
        plan_study(width=0.3, pilot=pilot, group="milk", **FEW)


def test_a_small_pilot_is_said_to_be_small():
    rows = simulate_rates(8, seed=4).assign(movement="rotation")
    plan = plan_study(width=0.3, pilot=fit_rate(rows, group=None), **FEW)
    assert any("Variances from 8 patients are uncertain" in note for note in plan.notes)
    unnamed = fit_rate(rows.drop(columns="movement"), group=None)
    with pytest.raises(InputError, match="which movement"):
        plan_study(width=0.3, pilot=unnamed, **FEW)


def test_the_same_seed_gives_the_same_plan():
    one, again, other = (plan_study(width=0.25, seed=seed, **FEW).studies for seed in (3, 3, 4))
    pd.testing.assert_frame_equal(one, again)
    assert not one["width"].equals(other["width"])


def test_drop_out_movements_and_words():
    lines = []
    plan = plan_study(
        width=0.2, teeth_per_patient=[4, 8], simulations=20, drop_out=0.2, rows_per_tooth=2,
        progress=lines.append,
    )  # fmt: skip
    table = plan.table
    assert table["teeth_per_patient"].tolist() == [4, 8]
    assert table["patients"].is_monotonic_decreasing
    for row in table.itertuples():
        assert row.recruit == math.ceil(row.patients / 0.8)
        assert row.movements == row.patients * row.teeth_per_patient * 2
        assert row.design_effect == pytest.approx(1 + (row.teeth_per_patient - 1) * row.icc)
    assert plan.sentences[0].startswith(
        f"{table['patients'].iloc[0]} patients with 4 teeth each are needed to know a rate within "
        "an interval of 20 percentage points (95 %, on average)"
    )
    assert len(lines) == len(plan.studies)
    assert plan.sentences[0] in repr(plan)
    assert plan.sentences[0] in plan._repr_html_()


def test_too_many_patients_is_an_answer():
    plan = plan_study(difference=0.02, most_patients=20, **FEW)
    row = plan.table.iloc[0]
    assert row["patients"] is pd.NA
    assert row["note"] == "more than 20 patients"
    assert row["closed_form_patients"] > 20
    assert plan.sentences[0].startswith("More than 20 patients in each group with 8 teeth each")


def test_the_fewest_patients_considered():
    plan = plan_study(width=2.0, **FEW)
    assert plan.table["patients"].tolist() == [3]


def test_no_variation_between_patients_is_doubted():
    plan = plan_study(width=0.2, patient_sd=0.0, **FEW)
    assert plan.table["design_effect"].tolist() == [1.0]
    assert any("hardly ever true" in note for note in plan.notes)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({}, "one of the two"),
        ({"width": 0.1, "difference": 0.1}, "one of the two"),
        ({"width": -0.1}, "above 0"),
        ({"difference": 0.1, "compare": "arms"}, "'patients' or 'teeth'"),
        ({"width": 0.1, "power": 80}, "power must lie between 0 and 1"),
        ({"width": 0.1, "movement": "sideways"}, "no movement"),
        ({"width": 0.1, "teeth_per_patient": 29}, "1 to 28"),
        ({"width": 0.1, "compare": "teeth", "teeth_per_patient": [1, 4]}, "2 to 28"),
        ({"width": 0.1, "residual_sd": 0.0}, "measurements always err"),
        ({"width": 0.1, "patient_sd": -0.1}, "not negative"),
        ({"width": 0.1, "plan_sd": 0.0}, "nothing would be planned"),
        ({"width": 0.1, "drop_out": 1.0}, "drop_out"),
        ({"width": 0.1, "simulations": 1}, "2 or more"),
    ],
)
def test_what_makes_no_sense_says_what_to_change(options, says):
    with pytest.raises(InputError, match=says):
        plan_study(**options)
