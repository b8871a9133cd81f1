"""Each limit on both sides: exactly at it, and just past."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import outcomes as oc
from outcomes.overcorrect import cautions
from outcomes.overcorrect.aims import read_aims
from outcomes.overcorrect.factors import bent_sentence, overcorrection
from outcomes.overcorrect.loop import closing_loop
from outcomes.overcorrect.plan import AS_AIMED, BEST, DIRECT, PlanLimits
from outcomes.overcorrect.prescribe import prescribe
from outcomes.overcorrect.rules import Rules, factor_given, judge
from outcomes.overcorrect.validate import validate
from outcomes.rates.fit import fit_rate
from outcomes.simulate import simulate_rates
from outcomes.words.units import NBSP


@pytest.fixture(scope="module")
def past() -> pd.DataFrame:
    return simulate_rates(30, seed=1, movement="vertical", rates=0.6)


@pytest.fixture(scope="module")
def fit(past):
    return fit_rate(past, group=None)


def one_aim(size: float, **columns) -> pd.DataFrame:
    return pd.DataFrame({"tooth": [13], "aim": [size], **columns})


def row(plan, option: str) -> pd.Series:
    return plan.options.set_index("option").loc[option]


# Verdicts ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("patients", "verdict"),
    [(4, "not supported"), (5, "wide"), (9, "wide"), (10, "supported")],
)
def test_patients(patients, verdict):
    assert judge(0.5, 0.02, 30, patients, Rules()).verdict == verdict


@pytest.mark.parametrize(("rate", "used", "held"), [(0.5, 2.0, False), (0.499, 2.0, True)])
def test_the_cap(rate, used, held):
    found = judge(rate, 0.01, 30, 20, Rules())
    assert found.factor == used
    assert ("held at 2" in found.why) == held


# 1/(1 - h) - 1/(1 + h) = 0.5 at h = sqrt(5) - 2, h the half-width as a share of the rate (algebra)
@pytest.mark.parametrize(("times", "verdict"), [(0.9999, "supported"), (1.0001, "wide")])
def test_the_width_of_the_interval(times, verdict):
    se = times * (np.sqrt(5) - 2) * 0.7 / stats.norm.ppf(0.975)
    assert judge(0.7, se, np.inf, 20, Rules()).verdict == verdict


@pytest.mark.parametrize(("times", "given"), [(0.9999, True), (1.0001, False)])
def test_a_rate_whose_interval_ends_at_zero(times, given):
    se = times * 0.3 / stats.t.ppf(0.975, 12)
    found = judge(0.3, se, 12, 20, Rules())
    assert (found.verdict != "not supported") == given
    assert np.isfinite(found.factor) == given


def test_the_one_rule_on_both_sides():
    low, patients = np.array([1e-9, 0.0, 0.1, 0.1]), np.array([5, 5, 4, 5])
    assert factor_given(low, patients, Rules()).tolist() == [True, False, False, True]
    assert not factor_given(0.1, 9, Rules(), tested=False)


def test_one_more_patient_is_wanted_and_two_are():
    said = [judge(0.5, 0.02, 30, n, Rules(), own_movements=4).why for n in (9, 8)]
    assert "1 more patient is wanted" in said[0]
    assert "2 more patients are wanted" in said[1]
    assert "1 past movement of this" in judge(0.5, 0.02, 30, 20, Rules(), own_movements=1).why


def test_p_of_the_linearity_test_exactly_at_the_cut(fit):
    p = float(fit.linearity()["p"])
    assert bent_sentence(fit, Rules(linear_p=p)) == ""
    assert bent_sentence(fit, Rules(linear_p=np.nextafter(p, 1))) != ""


def test_the_level_in_force_is_that_of_the_interval(fit):
    rate = fit.rates.iloc[0]
    for level in (0.8, 0.95):
        made = overcorrection(fit, level=level).iloc[0]
        low, high = stats.t.interval(level, rate["df"], rate["rate"], rate["se"])
        assert (made["low"], made["high"]) == pytest.approx((1 / high, 1 / low))
        assert made["level"] == level


# Plans -------------------------------------------------------------------------------------------


def test_an_aim_twice_the_largest_past_plan_is_the_last_with_a_plan():
    assert cautions.beyond_records("mm", -2.4, 1.2) == ""
    assert "twice the largest" in cautions.beyond_records("mm", -2.41, 1.2)
    assert cautions.beyond_records("degree", 60, 40) == ""
    assert "larger than any movement expected" in cautions.beyond_records("degree", 60.1, 40)
    assert cautions.beyond_records("mm", 3.0, 0.0) == ""  # no past plan: declined elsewhere


def held_at(fit, size: float, aim: float):
    """The plan of an aim that one aligner of a step of ``size`` holds down."""
    limits = PlanLimits(per_aligner={"vertical": size}, aligners=1, over_cap=0.5)
    return prescribe(fit, one_aim(aim), limits=limits)


def test_a_plan_as_large_as_the_largest_past_one_is_not_beyond_it(past, fit):
    largest = past["planned"].max()
    at, over = (held_at(fit, size, 0.9 * largest) for size in (largest, 1.001 * largest))
    assert abs(row(at, BEST)["planned"]) == pytest.approx(largest, rel=1e-6)
    assert "beyond every past plan" not in at.aims["why"].iloc[0]
    assert "larger than any past plan" not in at.aims["cautions"].iloc[0]
    assert "beyond every past plan" in over.aims["why"].iloc[0]
    assert "The safer plan" in over.aims["cautions"].iloc[0]


def test_the_limit_tests_the_safer_plan_and_not_the_aim_alone(past, fit):
    """Twice the largest past plan: just below it a plan, just above none; the aim is well below."""
    few = fit_rate(past[past["planned"].abs() < 1.0], group=None)
    largest = past.loc[past["planned"].between(0, 1, inclusive="neither"), "planned"].max()
    aim = 1.9 * largest
    below, above = (held_at(few, times * largest, aim) for times in (1.999, 2.001))
    assert below.aims["verdict"].iloc[0] != "beyond the records"
    assert above.aims["verdict"].iloc[0] == "beyond the records"
    assert above.aims["why"].iloc[0].startswith("The safer plan is more than twice")
    assert np.isnan(row(above, BEST)["planned"])
    assert np.isnan(row(above, DIRECT)["planned"])
    assert row(above, AS_AIMED)["planned"] == pytest.approx(aim)  # which is not beyond


def test_sentences_name_the_plan_that_they_are_about(past, fit):
    """Between the two plans lies the largest past one: aim / rate is said to be larger, not the
    safer plan, and the verdict is that of the safer plan."""
    largest = past["planned"].max()
    for aim in np.linspace(0.5, 0.7, 41) * largest:
        plan = prescribe(fit, one_aim(aim))
        if row(plan, BEST)["planned"] < largest < row(plan, DIRECT)["planned"]:
            break
    said = plan.aims["cautions"].iloc[0]
    assert "Aim / rate (" in said
    assert "The safer plan (" not in said
    assert "beyond every past plan" not in plan.aims["why"].iloc[0]


def test_an_aim_of_exactly_the_tolerance_is_within_it(fit):
    at, past_it = (prescribe(fit, one_aim(size)).aims["cautions"].iloc[0] for size in (0.5, 0.51))
    assert "within the tolerance" in at
    assert "within the tolerance" not in past_it


def test_aligners_and_days_at_a_whole_number_of_steps(fit):
    limits = PlanLimits(days_per_aligner=10)
    for size, aligners in ((1.0, 4), (1.01, 5)):
        made = row(prescribe(fit, one_aim(size), limits=limits), AS_AIMED)
        assert (made["aligners"], made["days"]) == (aligners, 10 * aligners)
    own = row(prescribe(fit, one_aim(1.0, days=[14]), limits=limits), AS_AIMED)
    assert own["days"] == 4 * 14


def test_a_plan_of_nothing_needs_no_aligner_and_not_minus_none(fit):
    plan = prescribe(fit, one_aim(-0.02), limits=PlanLimits(over_cap=1e-9))
    best = row(plan, BEST)
    assert best["planned"] == pytest.approx(0.0, abs=1e-6)
    assert (f"{best['aligners']:.0f}", f"{best['days']:.0f}") == ("0", "0")


def test_limits_name_movements_or_units_that_are_known():
    assert PlanLimits(tolerance={"mm": 1.0}).near("vertical", "mm") == 1.0
    assert PlanLimits(tolerance={"mm": 1.0}).near("tip", "degree") == 2.0
    assert PlanLimits(per_aligner={"tip": 0.5}).step("tip") == 0.5
    with pytest.raises(ValueError, match=r"names rotaton: use mm, degree or a movement"):
        PlanLimits(tolerance={"rotaton": 3.0})
    with pytest.raises(ValueError, match="must be above 0"):
        PlanLimits(per_aligner={"tip": 0.0})


# Patients ----------------------------------------------------------------------------------------


def test_a_mistyped_code_is_asked_about_and_not_taken_for_a_new_patient(fit):
    asked = pd.DataFrame({"tooth": 13, "aim": 0.8, "patient": ["P5", "p 005", "P005", "Q77"]})
    plan = prescribe(fit, asked)
    assert plan.patients == ["P005", "Q77"]
    out = plan.problems[plan.problems["severity"] == "exclude"]
    assert out["row"].tolist() == [2, 3]
    assert (out["problem"].str.contains("is P005 meant")).all()
    assert out["patient"].tolist() == ["P5", "p 005"]
    near = prescribe(fit, one_aim(0.8, patient=["P0031"])).problems
    assert near["severity"].tolist() == ["check"]
    assert "P003" in near["problem"].iloc[0]
    assert not len(prescribe(fit, one_aim(0.8)).problems)


def test_what_belongs_to_one_patient(fit):
    asked = pd.DataFrame({"tooth": [13, 23, "x"], "aim": 0.8, "patient": ["P005", "Q77", "Q77"]})
    plan = prescribe(fit, asked)
    first, second = (plan.of_patient(name) for name in plan.patients)
    assert (len(first.aims), len(first.options), len(first.problems)) == (1, 3, 0)
    assert second.problems["row"].tolist() == [4]
    with pytest.raises(ValueError, match="No aim is of P1"):
        plan.of_patient("P1")


@pytest.mark.parametrize("twice", ["aim", "tooth", "attachment"])
def test_a_heading_that_stands_twice_is_never_guessed(tmp_path, twice):
    path = tmp_path / "aims.csv"
    text = f"tooth (FDI);movement;aim;attachment;{twice}\n31;vertical;-1;none;32\n"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(oc.CohortError, match=f"several columns could be {twice}"):
        read_aims(path)
    path.write_text(text.replace(f";{twice}\n", ";other\n"), encoding="utf-8")
    assert len(read_aims(path).rows) == 1


# Validation and the loop --------------------------------------------------------------------------


def test_validation_gives_a_factor_where_a_prescription_from_the_others_would():
    """5 patients have plans in one direction: without any of them 4 are left, which is too few."""
    rows = simulate_rates(14, seed=5, movement="vertical", rates=0.6, teeth_per_patient=10)
    few = sorted(rows["patient"].unique())[:5]
    rows = rows[(rows["planned"] < 0) | rows["patient"].isin(few)]
    table = validate(fit_rate(rows, group=None)).predictions
    up = table["planned"] > 0
    assert not table.loc[up, "supported"].any()
    assert table.loc[~up, "supported"].mean() > 0.9
    for patient in (few[0], "P009"):
        others = fit_rate(rows[rows["patient"] != patient], group=None)
        own = table[table["patient"] == patient]
        asked = own[["tooth", "planned"]].rename(columns={"planned": "aim"})
        given = prescribe(others, asked.reset_index(drop=True)).options
        given = given[given["option"] == DIRECT].sort_values("at")["planned"].notna()
        assert (given.to_numpy() >= own["supported"].to_numpy()).all()
        assert given.mean() == pytest.approx(own["supported"].mean(), abs=0.11)


@pytest.mark.parametrize(("patients", "some"), [(5, False), (6, True)])
def test_five_other_patients_are_enough_to_validate(patients, some):
    rows = simulate_rates(
        patients, seed=2, movement="vertical", rates=0.8, patient_sd=0.02, teeth_per_patient=20
    )
    assert bool(validate(fit_rate(rows, group=None)).gain["changed"]) == some


def test_the_level_of_the_gain(fit):
    gain = validate(fit, rules=Rules(level=0.8)).gain
    t = stats.t.ppf(0.9, gain["df"])
    assert gain["high"] - gain["low"] == pytest.approx(2 * t * gain["se"])
    assert f"80{NBSP}% interval" in validate(fit, rules=Rules(level=0.8)).sentence


def dated(patients: int, before: int) -> pd.DataFrame:
    rows = simulate_rates(patients, seed=1, movement="vertical", teeth_per_patient=6)
    number = rows["patient"].str[1:].astype(int)
    start = np.where(number <= before, pd.Timestamp("2024-03-01"), pd.Timestamp("2025-03-01"))
    return rows.assign(start=start, aim=rows["planned"])


@pytest.mark.parametrize(("before", "compared"), [(4, False), (5, True)])
def test_patients_a_side_of_the_loop(before, compared):
    found = closing_loop(dated(before + 20, before), "2025-01-01").change.iloc[0]
    assert np.isfinite(found["reached"]) == np.isfinite(found["shortfall"]) == compared


def test_one_patient_a_side_is_said_in_the_singular():
    assert "only 1 patient before" in closing_loop(dated(21, 1), "2025-01-01").sentences[0]


def test_a_tolerance_of_the_users_reaches_the_loop():
    rows = dated(20, 10)
    wide = closing_loop(rows, "2025-01-01", tolerance={"mm": 1.0}).periods
    narrow = closing_loop(rows, "2025-01-01").periods
    miss = (rows["aim"] - rows["achieved"]).abs()
    early = rows["start"] < "2025-01-01"
    assert wide["within"].iloc[0] == pytest.approx((miss[early] <= 1.0).mean())
    assert narrow["within"].iloc[0] == pytest.approx((miss[early] <= 0.5).mean())


@pytest.mark.parametrize(
    ("low", "high", "less", "said"),
    [
        (
            0.05,
            0.25,
            0.15,
            "0.15 mm smaller on average (95 % interval 0.05 to 0.25 mm, 9 patients)",
        ),
        (-0.05, 0.25, 0.10, "changes by −0.10 mm on average (95 % interval −0.25 to +0.05 mm"),
        (-0.25, 0.05, -0.10, "changes by +0.10 mm on average (95 % interval −0.05 to +0.25 mm"),
        (-0.25, -0.05, -0.15, "0.15 mm larger on average (95 % interval 0.05 to 0.25 mm"),
    ],
)
def test_the_interval_of_a_gain_has_the_sign_of_what_is_said(low, high, less, said):
    """The mean of a sentence lies inside its own interval."""
    from types import SimpleNamespace

    from outcomes.overcorrect.validate import _sentence

    gain = pd.Series(
        {"low": low, "high": high, "less": less, "level": 0.95, "patients": 9, "changed": 3}
    )
    assert said in _sentence(gain, SimpleNamespace(unit="mm")).replace(NBSP, " ")
