"""Rates, covariates and contrasts against R, and the errors and notes a user meets."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import CannotAnswer, NoOptimum
from outcomes.mixed.fit import fit_mixed
from outcomes.mixed.likelihood import as_observed, evaluate
from outcomes.rates.fit import fit_rate, fit_rates
from outcomes.simulate import simulate_rates

REFERENCE = Path(__file__).parents[1] / "reference"
# lme4, lmerTest, emmeans: see tests/reference/README.md
R = json.loads((REFERENCE / "reference.json").read_text())


@pytest.fixture(scope="module")
def rotation():
    return pd.read_csv(REFERENCE / "rotation_cohort.csv")


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("rotation_rate", {}),
        ("rotation_rate_attachment", {"covariates": "attachment"}),
        ("rotation_rate_patient_only", {"site": False}),
    ],
)
def test_rates_equal_lme4(rotation, name, options):
    fit, expected = fit_rate(rotation, covariance="model", **options), R[name]
    assert fit.nobs == expected["nobs"]
    assert fit.log_likelihood == pytest.approx(expected["loglik"], rel=1e-6)
    table = pd.concat([fit.rates.rename(columns={"rate": "estimate"}), fit.covariates])
    for row, term in zip(table.itertuples(), expected["fixed"], strict=True):
        assert row.estimate == pytest.approx(term["estimate"], rel=1e-6)
        assert row.se == pytest.approx(term["se"], rel=1e-6)
        assert row.df == pytest.approx(term["df_satterthwaite"], rel=1e-3)
    sd = {"unit": "tooth", "patient": "patient", "Residual": "residual"}
    found = fit.variance.set_index("component")["sd"]
    for v in expected["variance"]:
        assert found[sd[v["group"]]] == pytest.approx(v["sdcor"], rel=1e-6)


def test_intervals_equal_emmeans(rotation):
    rates = fit_rate(rotation).rates
    for row, slope in zip(rates.itertuples(), R["rotation_rate"]["slopes"], strict=True):
        assert row.group == slope["tooth_class"]
        assert row.low == pytest.approx(slope["lower.CL"], rel=1e-5)
        assert row.high == pytest.approx(slope["upper.CL"], rel=1e-5)


def test_contrasts_equal_emmeans_with_holm(rotation):
    contrasts = fit_rate(rotation, covariance="model").contrasts()
    for row, c in zip(contrasts.itertuples(), R["rotation_rate"]["contrasts_holm"], strict=True):
        assert f"{row.a} - {row.b}" == c["contrast"]
        assert row.difference == pytest.approx(c["estimate"], rel=1e-5)
        assert row.se == pytest.approx(c["SE"], rel=1e-6)
        assert row.df == pytest.approx(c["df"], rel=1e-3)
        assert row.p_holm == pytest.approx(c["p.value"], rel=1e-2)


def test_patient_effects_equal_lme4(rotation):
    effects = fit_rate(rotation).patient_effects.set_index("patient")["effect"]
    for e in R["rotation_rate"]["ranef_patient"]:
        assert effects[e["patient"]] == pytest.approx(e["planned"], abs=1e-6)


def test_groups_are_counted_and_ordered(rotation):
    fit = fit_rate(rotation)
    assert fit.rates["group"].tolist() == ["incisor", "canine", "premolar", "molar"]
    counts = rotation.groupby("tooth_class")
    for row in fit.rates.itertuples():
        group = counts.get_group(row.group)
        assert (row.patients, row.movements) == (group["patient"].nunique(), len(group))
    assert fit.sites == rotation.groupby(["patient", "tooth"]).ngroups


def test_fitted_values_add_up(rotation):
    shuffled = rotation.sample(frac=1, random_state=1)
    fit = fit_rate(shuffled, covariates="attachment")
    data = fit.data
    assert data.index.equals(shuffled.index)
    np.testing.assert_allclose(data["fitted"] + data["residual"], data["achieved"])
    np.testing.assert_array_equal(data["achieved"], shuffled["achieved"])
    rate = fit.rates.set_index("group")["rate"][data["group"].astype(str)].to_numpy()
    gamma = fit.covariates["estimate"][0] * shuffled["attachment"].to_numpy()
    np.testing.assert_allclose(data["fixed"], (rate + gamma) * data["planned"])
    # the first equation of Henderson: residuals are orthogonal to the fixed effects
    assert (
        abs(
            data.groupby("group", observed=True).apply(lambda g: g["residual"] @ g["planned"])
        ).max()
        < 1e-6
    )


def test_sign_convention_does_not_matter(rotation):
    flipped = rotation.assign(
        planned=rotation["planned"] * np.where(rotation["tooth"] % 2, -1, 1),
        achieved=rotation["achieved"] * np.where(rotation["tooth"] % 2, -1, 1),
    )
    a, b = fit_rate(rotation).rates, fit_rate(flipped).rates
    pd.testing.assert_frame_equal(a, b, rtol=1e-5)


def test_numeric_covariates_are_taken_from_their_patient_mean(rotation):
    fit = fit_rate(rotation, covariates=["age"])
    mean = rotation.groupby("patient")["age"].first().mean()
    assert f"Rates are given at age = {mean:.3g}, its mean." in fit.notes
    moved = fit_rate(rotation.assign(age=rotation["age"] + 1000), covariates=["age"])
    pd.testing.assert_frame_equal(fit.rates, moved.rates, rtol=1e-4)


def test_text_covariates_are_coded_against_none(rotation):
    text = rotation.assign(attachment=rotation["attachment"].map({0: "none", 1: "rectangular"}))
    a, b = fit_rate(rotation, covariates="attachment"), fit_rate(text, covariates="attachment")
    assert b.covariates["covariate"].tolist() == ["attachment: rectangular"]
    assert b.covariates["estimate"][0] == pytest.approx(a.covariates["estimate"][0])
    assert "Rates are given at attachment = none." in b.notes


def test_two_grouping_columns(rotation):
    fit = fit_rate(rotation, group=["arch", "tooth_class"])
    assert fit.rates["group"].tolist()[:2] == ["upper incisor", "upper canine"]
    assert len(fit.rates) == 8
    assert fit.rates["movements"].sum() == len(rotation)


def test_unplanned_and_blank_rows_are_left_out_and_said(rotation):
    frame = rotation.copy()
    frame.loc[:4, "planned"] = 0.0
    frame.loc[5, "achieved"] = np.nan
    fit = fit_rate(frame)
    assert fit.nobs == len(rotation) - 6
    assert any("5 rows with planned = 0 left out" in n for n in fit.notes)
    assert any("1 row left out for want of a value (blank: achieved)" in n for n in fit.notes)


def test_input_is_not_changed(rotation):
    before = rotation.copy(deep=True)
    fit_rate(rotation, group="arch", covariates="age")
    pd.testing.assert_frame_equal(rotation, before)


@pytest.mark.parametrize(
    ("change", "options", "match"),
    [
        (lambda d: d.drop(columns="achieved"), {}, "No column 'achieved'"),
        (lambda d: d[d["patient"] == "P000"], {}, "One patient only"),
        (lambda d: d.assign(planned=0.0), {}, "No row is left"),
        (lambda d: d.head(0), {}, "No row is left"),
        (lambda d: d, {"group": "nonsense"}, "No column 'nonsense'"),
        (lambda d: d, {"covariates": ["attachment", "attachment"]}, "Aliased columns: attachment"),
        (lambda d: d.assign(age=40), {"covariates": "age"}, "Aliased columns: age"),
        (lambda d: d.assign(achieved=d["planned"] / 2), {}, "exact multiple"),
        (
            lambda d: d.assign(movement=np.where(d.index % 2, "tip", "rotation")),
            {},
            "Several movements",
        ),
        (
            lambda d: d.assign(movement="tip"),
            {"movement": "torque"},
            "No rows of movement 'torque'",
        ),
        (lambda d: d.assign(tooth="front"), {"group": "arch"}, "FDI"),
        (lambda d: d, {"level": 95}, "level must lie between 0 and 1"),
    ],
)
def test_errors_name_the_remedy(rotation, change, options, match):
    with pytest.raises(CannotAnswer, match=match):
        fit_rate(change(rotation), **options)


def test_constant_plans_have_a_rate(rotation):
    """Every plan 4 degrees: the rate is then the mean of achieved over 4, patients as clusters."""
    frame = rotation.assign(planned=4.0)
    fit = fit_rate(frame, group=None, site=False)
    ols = frame["achieved"].mean() / 4
    assert fit.rates["rate"][0] == pytest.approx(ols, abs=3 * fit.rates["se"][0])
    assert np.isfinite(fit.rates[["low", "high"]].to_numpy()).all()


def test_few_patients_are_said(rotation):
    fit = fit_rate(rotation[rotation["patient"].isin(["P000", "P001", "P002"])])
    assert any("Only 3 patients" in n for n in fit.notes)
    assert (fit.rates["df"] < 20).all()


def test_one_record_per_tooth_is_said(rotation):
    fit = fit_rate(rotation[rotation["course"] == 1])
    assert any("Every tooth has one record" in n for n in fit.notes)


def test_sentence_grammar(rotation):
    frame = rotation[(rotation["tooth"] % 10 < 6) | (rotation["patient"] == "P007")]
    sentence = fit_rate(frame.assign(movement="rotation")).sentences[-1]
    sentence = sentence.replace("\u00a0", " ")
    assert sentence.startswith("Molar: ")
    assert "1 patient, " in sentence
    assert "of the planned rotation was achieved (95 % interval" in sentence


def test_fit_rates_says_why_a_movement_has_none(rotation):
    frame = rotation.assign(movement="rotation")
    lone = frame.head(2).assign(movement="tip")
    fits = fit_rates(pd.concat([frame, lone]))
    assert list(fits) == ["rotation"]
    assert "One patient only" in fits.failed["tip"]
    assert list(fits.rates.columns[:2]) == ["movement", "group"]
    assert len(fits.rates) == 4


def test_readable_in_terminal_and_notebook(rotation):
    fit = fit_rate(rotation)
    assert "incisor" in repr(fit)
    assert "0.606" in fit._repr_html_()


@pytest.mark.parametrize("seed", range(0, 600, 8))
def test_small_practices_always_get_rates(seed):
    """14 rows, one a tooth, 8 patients or fewer: where the residual variance runs to zero the tooth
    level is left out, and said, instead of an error (seed 584 is such a case)."""
    rng = np.random.default_rng(seed)
    patient = np.sort(rng.integers(0, 8, 14))
    frame = pd.DataFrame(
        {
            "patient": [f"P{i}" for i in patient],
            "tooth": rng.choice([11, 12, 13, 14, 15, 16, 21, 22, 23, 24, 26], 14),
            "planned": np.round(rng.normal(0, 1, 14), 2),
        }
    ).drop_duplicates(["patient", "tooth"])
    rate = 0.6 + 0.1 * rng.normal(size=len(frame))
    frame["achieved"] = np.round(rate * frame["planned"] + 0.1 * rng.normal(size=len(frame)), 2)
    fit = fit_rate(frame[frame["planned"] != 0])
    assert np.isfinite(fit.rates[["rate", "se", "df"]].to_numpy()).all()
    left_out = any("not identified" in note for note in fit.notes)
    assert left_out == (fit.tooth_level == "not identified")
    assert left_out == fit.variance.set_index("component").loc[["tooth", "residual"]].isna().all(
        axis=None
    )
    if seed == 584:
        assert left_out


# ------------------------------------------------- what cannot be told is said, not printed


def _one_record_each(spread, seed=4):
    """24 patients, 6 teeth each, one record a tooth; planned squared has this spread."""
    frame = simulate_rates(24, seed=seed, teeth_per_patient=6, plan_mean=5.0, plan_sd=0.0)
    square = 25 * (1 + spread * np.resize([-1.0, 1.0], len(frame)))
    stretch = np.sqrt(square) / frame["planned"]
    return frame.assign(planned=np.sqrt(square), achieved=frame["achieved"] * stretch)


@pytest.mark.parametrize(("spread", "told"), [(0.0, False), (0.049, False), (0.051, True)])
def test_teeth_are_not_told_from_measurement_by_plans_of_one_size(spread, told):
    fit = fit_rate(_one_record_each(spread), group=None)
    assert any("all plans are of one size" in note for note in fit.notes) != told


@pytest.mark.parametrize("told", [False, True])
def test_what_is_not_identified_is_not_printed(told):
    several = simulate_rates(24, seed=4, teeth_per_patient=6, rows_per_tooth=2)
    fit = fit_rate(several if told else _one_record_each(0.0), group=None)
    table, r2 = fit.variance.set_index("component"), fit.r_squared()
    assert np.isfinite([r2["marginal"], *table.loc["patient"]]).all()
    assert (fit.tooth_level == "fitted") == told
    assert (table.loc[["tooth", "residual"]].notna() == told).all(axis=None)
    assert np.isfinite(r2["conditional"]) == told


def test_rates_do_not_depend_on_an_unidentified_split():
    """With one size of plan the model with and without the tooth level is one and the same."""
    frame = _one_record_each(0.0)
    found, plain = fit_rate(frame, group=None), fit_rate(frame, group=None, site=False)
    assert found.rates["se"].iloc[0] == pytest.approx(plain.rates["se"].iloc[0])
    assert plain.tooth_level == "not asked"


def test_records_without_scatter_are_the_reason_that_is_given():
    exact = simulate_rates(12, seed=2, teeth_per_patient=6, rows_per_tooth=2, residual_sd=0.0)
    fit = fit_rate(exact)
    assert fit.tooth_level == "not identified"
    assert any("without any scatter" in note for note in fit.notes)
    assert not any("so few records" in note for note in fit.notes)
    measured = simulate_rates(12, seed=2, teeth_per_patient=6, rows_per_tooth=2, residual_sd=0.01)
    assert fit_rate(measured).tooth_level == "fitted"


def test_a_number_and_its_text_are_one_level():
    frame = simulate_rates(12, seed=5, teeth_per_patient=6, rows_per_tooth=2)
    plain = frame.assign(series=np.resize([1, 2, 2], len(frame)))
    mixed_types = plain.assign(
        series=[str(v) if i % 2 else int(v) for i, v in enumerate(plain["series"])]
    )
    for how in ({"group": "series"}, {"group": None, "covariates": "series"}):
        found = fit_rate(mixed_types.astype({"series": object}), **how)
        expected = fit_rate(plain.assign(series=plain["series"].astype(str)), **how)
        pd.testing.assert_frame_equal(found.rates, expected.rates)
        pd.testing.assert_frame_equal(found.covariates, expected.covariates)


def test_effects_many_times_the_residual_reach_the_best_optimum():
    """Against a fine grid: the search once stopped up to 1.87 in deviance above the optimum where
    patients or teeth differ many times more than measurements scatter."""
    from outcomes.rates.design import rate_design

    rng = np.random.default_rng(5)
    levels = np.array([0.01, 0.05, 0.2, 1, 4, 15, 60, 250, 1000])
    grid = np.stack([a.ravel() for a in np.meshgrid(levels, levels)], 1)
    tried = 0
    for _ in range(120):
        frame = simulate_rates(
            int(rng.integers(3, 15)),
            seed=rng,
            teeth_per_patient=int(rng.integers(2, 6)),
            rows_per_tooth=int(rng.integers(1, 4)),
            patient_sd=10 ** rng.uniform(-2, 2.5),
            tooth_sd=10 ** rng.uniform(-2, 2.5),
            residual_sd=10 ** rng.uniform(-3, 1),
        )
        design = rate_design(frame, None, group=None, covariates=(), intercept=False)
        blocks = design.blocks()
        try:
            theta = fit_mixed(blocks).theta
        except NoOptimum:
            continue
        tried += 1
        problems = as_observed(blocks)
        around = np.concatenate([grid, theta * np.array([[1.3, 1], [1, 1.3], [0.7, 1], [1, 0.7]])])
        best = evaluate(around, blocks, problems, reml=True).deviance.min()
        assert evaluate(theta[None], blocks, problems, reml=True).deviance[0] <= best + 1e-6
    assert tried > 40


@pytest.mark.parametrize(("canines", "tested"), [(4, False), (5, True)])
def test_kinds_of_few_patients_are_neither_tested_nor_counted(canines, tested):
    """Exactly five patients are enough; with four the difference stands there without a p."""
    frame = simulate_rates(12, seed=3, teeth_per_patient=28)
    few = (frame["tooth_class"] == "canine") & (frame["patient"] > f"P{canines:03d}")
    table = fit_rate(frame[~few]).contrasts()
    of_canines = (table["a"] == "canine") | (table["b"] == "canine")
    assert table["difference"].notna().all()
    assert table.loc[of_canines, "p"].notna().all() == tested
    assert table.loc[of_canines, "p_holm"].notna().all() == tested
    rest = table.loc[~of_canines]
    count = 6 if tested else 3
    assert rest["p_holm"].min() == pytest.approx(min(1, count * rest["p"].min()), rel=0.35)
    if not tested:
        from statsmodels.stats.multitest import multipletests

        expected = multipletests(rest["p"], method="holm")[1]
        np.testing.assert_allclose(rest["p_holm"], expected)
