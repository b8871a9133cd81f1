"""Plans from an expectation: numbers by hand, verdicts by the spread, each limit on both sides."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.cohort.read import from_frames
from outcomes.errors import CannotAnswer, CohortError, InputError
from outcomes.figures.chances import chance_map
from outcomes.overcorrect.plan import AS_AIMED, BEST, DIRECT, PlanLimits
from outcomes.overcorrect.prescribe import prescribe
from outcomes.overcorrect.rules import Rules
from outcomes.overcorrect.sources import Known, Shown
from outcomes.overcorrect.spread import judge_spread
from outcomes.predictive.expect import expect, expect_all
from outcomes.simulate import simulate_rates
from outcomes.words.units import NBSP
from tests.invented_expectation import Invented, with_counts


def aims(size=-1.0, **columns) -> pd.DataFrame:
    return pd.DataFrame({"tooth": 31, "aim": np.atleast_1d(size)} | columns)


def row(plan, option) -> pd.Series:
    return plan.options.set_index("option").loc[option]


def only(plan) -> pd.Series:
    return plan.aims.iloc[0]


def test_numbers_are_those_of_the_outlook():
    """Normal by construction: aim / rate, its range and its chances by scipy."""
    direct = row(prescribe(Invented(), aims()), DIRECT)
    assert direct["planned"] == pytest.approx(-1 / 0.6)
    normal = stats.norm(-1.0, np.hypot(0.12 / 0.6, 0.15))
    assert (direct["low_80"], direct["high_80"]) == pytest.approx(normal.interval(0.8))
    assert direct["within"] == pytest.approx(normal.cdf(-0.5) - normal.cdf(-1.5))
    assert direct["over"] == pytest.approx(normal.cdf(-1.5))


def test_several_expectations_by_movement():
    both = {"vertical": Invented(), "tip": Invented(movement="tip", unit="degree", share=0.5)}
    plan = prescribe(both, aims([-1.0, 2.0], tooth=[31, 31], movement=["vertical", "tip"]))
    direct = plan.options[plan.options["option"] == DIRECT]["planned"]
    assert direct.tolist() == pytest.approx([-1 / 0.6, 4.0])


def test_a_past_patient_has_the_own_outlook_and_a_new_one_has_not():
    past = Invented(own={"share": 0.8})
    plan = prescribe(past, aims([-1.0, -1.0], tooth=[31, 31], patient=["P001", "new"]))
    direct = plan.options[plan.options["option"] == DIRECT]["planned"]
    assert direct.tolist() == pytest.approx([-1 / 0.8, -1 / 0.6])
    assert "3 past movements" in plan.aims["cautions"].iloc[0]
    assert "past movements of this patient" in plan.aims["why"].iloc[0]
    assert "this patient" not in plan.aims["why"].iloc[1]


def test_the_map_of_chances_is_drawn_of_an_expectation():
    plan = prescribe(Invented(), aims([-1.0, -0.6], tooth=[31, 42]))
    (ax,) = chance_map(plan)
    assert "lower incisor intrusion" in ax.get_title(loc="left")


# The verdict, each limit on both sides -----------------------------------------------------------

SHOWN = Shown(aim=2.0, planned=2.5, low_80=1.4, high_80=2.6, tolerance=0.5, unit="mm")


def known(**changes) -> Known:
    plain = Known("lower incisor intrusion", 0.6, 0.1, np.inf, 12, 40, 20, 3.0, class_patients=14)
    return replace(plain, **changes)


def judged(shown=SHOWN, rules=None, **changes):
    found = judge_spread(known(**changes), rules or Rules(), shown)
    return replace(found, why=found.why.replace(NBSP, " "))


def test_an_answer_within_every_limit_is_supported():
    found = judged()
    assert (found.verdict, found.more_patients) == ("supported", 0)
    assert found.factor == pytest.approx(1 / 0.6)
    assert found.why == (
        "14 patients with such teeth planned in this direction; 80 % range at the safer plan 1.40 to "
        "2.60 mm for an aim of 2.00 mm."
    )


@pytest.mark.parametrize(
    ("records", "verdict", "said"),
    [
        (0, "not supported", "Nobody among the past cases"),
        (1, "not supported", "Only 1 patient had"),
        (4, "not supported", "Only 4 patients had"),
        (5, "wide", "Nobody had such a tooth planned"),
    ],
)
def test_patients_with_any_tooth_in_this_direction(records, verdict, said):
    found = judged(records=records, class_patients=0, patients=0, largest=0.0)
    assert found.verdict == verdict
    assert found.why.startswith(said)
    assert found.more_patients == 10
    assert "10 more patients with such" in found.why


@pytest.mark.parametrize(
    ("sure", "verdict"),
    [(0.9, "supported"), (np.nextafter(0.9, 0), "not supported"), (0.1, "not supported")],
)
def test_the_chance_that_it_moves_the_planned_way_at_all(sure, verdict):
    found = judged(sure=sure)
    assert found.verdict == verdict
    assert np.isnan(found.factor) == (verdict == "not supported")
    assert "went the wrong way" not in found.why
    assert "went the wrong way" in judged(sure=0.0999).why


@pytest.mark.parametrize(
    ("patients", "verdict", "said"),
    [
        (10, "supported", "10 patients with"),
        (9, "wide", "1 more patient with such teeth is wanted"),
        (8, "wide", "2 more patients with such teeth are wanted"),
    ],
)
def test_patients_of_the_class(patients, verdict, said):
    found = judged(class_patients=patients)
    assert (found.verdict, found.more_patients) == (verdict, 10 - patients)
    assert said in found.why


# 80 % range against the larger of the aim and twice the tolerance
@pytest.mark.parametrize(
    ("aim", "tolerance", "width", "verdict"),
    [
        (2.0, 0.5, 2.0, "supported"),
        (2.0, 0.5, 2.001, "wide"),
        (0.7, 0.5, 1.0, "supported"),
        (0.7, 0.5, 1.001, "wide"),
    ],
)
def test_the_width_of_the_range(aim, tolerance, width, verdict):
    shown = replace(SHOWN, aim=aim, tolerance=tolerance, low_80=0.1, high_80=0.1 + width)
    found = judged(shown)
    assert found.verdict == verdict
    assert ("can hardly be foretold" in found.why) == (verdict == "wide")
    if verdict == "wide":  # no number of patients makes teeth alike
        assert found.more_patients is None
        assert judged(shown, Rules(range_of_aim=9)).verdict == "supported"
        assert judged(shown, Rules(range_of_tolerance=9)).verdict == "supported"


@pytest.mark.parametrize(("largest", "verdict"), [(2.5, "supported"), (2.49, "wide")])
def test_the_largest_past_plan_of_the_class(largest, verdict):
    found = judged(largest=largest)
    assert found.verdict == verdict
    assert ("goes beyond every past plan of such teeth" in found.why) == (verdict == "wide")


def test_own_results_can_only_help():
    """A rate below zero of one's own, however unsure, is never a reason for no plan."""
    found = judged(rate=-0.1, se=0.4, alone_se=0.2, own_movements=2)
    assert found.verdict == "supported"
    assert "own results went the wrong way" in found.why
    assert "make the range wider" in found.why
    assert np.isnan(found.factor)
    assert "make the range wider" not in judged(se=0.2, alone_se=0.2, own_movements=2).why
    assert "make the range wider" not in judged(se=0.4, alone_se=0.2, own_movements=0).why


def test_a_known_patient_never_has_less_of_a_plan_than_a_new_one():
    """Own chance of moving the planned way: Φ(0.5), below the least; of the cohort: Φ(6)."""
    past = Invented(own={"share": 0.3, "error": 0.6})
    plan = prescribe(past, aims([-1.0, -1.0], patient=["P001", "new"], course=[1, 2]))
    assert (plan.aims["verdict"] != "not supported").all()
    weak = replace(past, share=0.1, error=0.1, own={"share": 0.6, "error": 0.05})
    plan = prescribe(weak, aims([-1.0, -1.0], patient=["P001", "new"], course=[1, 2]))
    assert plan.aims["verdict"].tolist() == ["supported", "not supported"]  # Φ(12), Φ(1)


@pytest.mark.parametrize(
    "bad", [{"sure": 0.0}, {"sure": 1.0}, {"range_of_aim": 0.0}, {"range_of_tolerance": -1.0}]
)
def test_rules_of_the_spread_that_make_no_sense(bad):
    with pytest.raises(InputError, match="must lie between 0 and 1"):
        Rules(**bad)


# Each option by itself ---------------------------------------------------------------------------


def test_only_the_option_that_lies_beyond_the_records_is_left_out():
    """Largest 1.0, so that 2.0 is the last plan: aim / rate is 2.04, the safer plan is smaller."""
    tight = with_counts(largest=1.0)
    plan = prescribe(tight, aims(-1.224), limits=PlanLimits(over_cap=0.02))
    assert np.isnan(row(plan, DIRECT)["planned"])
    assert -2.0 < row(plan, BEST)["planned"] < -1.0
    assert row(plan, AS_AIMED)["planned"] == -1.224
    assert only(plan)["verdict"] == "wide"  # for the safer plan, beyond the largest by itself
    assert "Aim / rate is more than twice the largest past plan" in only(plan)["cautions"]
    just = prescribe(tight, aims(-1.2), limits=PlanLimits(over_cap=0.02))
    assert row(just, DIRECT)["planned"] == pytest.approx(-2.0)


def test_the_verdict_on_the_safer_plan_is_not_that_of_a_larger_aim_over_rate():
    plan = prescribe(with_counts(largest=1.9), aims(-1.18), limits=PlanLimits(over_cap=0.02))
    assert -row(plan, DIRECT)["planned"] > 1.9 > -row(plan, BEST)["planned"]
    assert only(plan)["verdict"] == "supported"


@pytest.mark.parametrize(("patients", "made"), [(4, True), (5, False)])
def test_a_class_with_few_patients_goes_as_far_as_any_tooth_went(patients, made):
    """Class largest 0.5, any tooth 2.0: a plan of 1.9 only where the class says little."""
    few = with_counts(class_patients=patients, largest=0.5, largest_any=2.0)
    plan = prescribe(few, aims(-1.14))
    assert np.isfinite(row(plan, DIRECT)["planned"]) == made
    assert only(plan)["verdict"] == ("wide" if made else "beyond the records")


def test_beyond_the_largest_plan_of_any_tooth_there_is_none():
    few = with_counts(class_patients=0, largest=0.0, largest_any=1.0)
    at, over = (prescribe(few, aims(size)) for size in (-0.6, -0.6012))
    assert row(at, DIRECT)["planned"] == pytest.approx(-1.0)
    assert np.isnan(row(over, DIRECT)["planned"])
    assert "larger than any past plan in this direction, of any tooth" in only(over)["cautions"]
    assert "rests on other teeth" in only(at)["cautions"]


def test_an_aim_that_looks_like_a_slip_has_no_plan_at_all():
    """6 mm is the largest that the schema expects."""
    far = with_counts(largest=9.0)
    slip, fine = (prescribe(far, aims(size)) for size in (-6.1, -6.0))
    assert only(slip)["verdict"] == "beyond the records"
    assert "a slip?" in only(slip)["why"]
    assert slip.options["planned"].isna().all()
    assert row(fine, AS_AIMED)["planned"] == -6.0


def test_no_plan_has_minus_zero_aligners_or_days():
    plan = prescribe(Invented(), aims(-0.02), limits=PlanLimits(over_cap=1e-9))
    counts = plan.options[["aligners", "days"]].to_numpy()
    assert not np.signbit(counts).any()
    assert not np.signbit(row(plan, BEST)["planned"])


# Past cases, aims and limits as they are given ----------------------------------------------------


@pytest.fixture(scope="module")
def past() -> pd.DataFrame:
    """Rate 0.6 but for the extrusion of incisors: 0.3 (known truth)."""
    rows = simulate_rates(30, seed=4, movement="vertical", rates=0.6, teeth_per_patient=14)
    slow = (rows["tooth_class"] == "incisor") & (rows["planned"] > 0)
    return rows.assign(achieved=rows["achieved"] - 0.3 * rows["planned"] * slow)


def test_directions_have_rates_of_their_own(past):
    """Past cases as a frame: extrusion of incisors is planned twice as large as intrusion."""
    asked = aims([0.4, -0.4, 0.4], tooth=[11, 12, 13], movement="vertical")
    plan = prescribe(past, asked)
    assert plan.aims["rate"].iloc[0] < 0.45  # 0.34 in the records, leaning on other classes
    assert plan.aims["rate"].tolist()[1:] == pytest.approx([0.6, 0.6], abs=0.08)
    assert plan.aims["group"].iloc[0] == "upper incisor extrusion"
    direct = plan.options[plan.options["option"] == DIRECT]["planned"].to_numpy()
    assert direct[0] == pytest.approx(0.8)  # at the cap
    assert -direct[1] == pytest.approx(0.4 / 0.6, abs=0.1)


def test_past_cases_as_a_cohort_a_frame_or_learnt_give_one_plan(past, tmp_path):
    file, asked = tmp_path / "aims.csv", tmp_path / "universal.csv"
    columns = ["patient", "tooth", "movement", "planned", "achieved"]
    cohort = from_frames(past[columns])
    assert cohort.notation == "fdi"
    # 11 to 13 are teeth of both notations: those of an FDI cohort are FDI, unless the file says not
    file.write_text("tooth,movement,aim\n11,vertical,0.4\n13,vertical,0.4\n", encoding="utf-8")
    plan = prescribe(cohort, file)
    assert plan.aims["tooth"].tolist() == [11, 13]
    numbers = plan.options["planned"].to_numpy()
    for other in (past, expect_all(past), expect(past)):
        again = prescribe(other, file, notation="fdi").options["planned"].to_numpy()
        assert again == pytest.approx(numbers, nan_ok=True)
    with pytest.raises(CohortError, match="notation"):
        prescribe(expect_all(past), file)
    asked.write_text("tooth (Universal),aim\n11,0.4\n", encoding="utf-8")
    assert prescribe(cohort, asked).aims["tooth"].tolist() == [23]


@pytest.mark.parametrize("nothing", [None, 3, "cohort.csv", [1], {"vertical": 3}])
def test_what_is_no_past_case(nothing):
    with pytest.raises(InputError, match="A plan is made from past cases, not from"):
        prescribe(nothing, aims())


@pytest.mark.parametrize("nothing", [None, 3, [1]])
def test_what_are_no_aims(nothing):
    with pytest.raises(InputError, match="Aims are a frame"):
        prescribe(Invented(), nothing)


def test_what_are_no_limits_and_no_rules():
    with pytest.raises(InputError, match=r"limits are PlanLimits\(...\), not a dict"):
        prescribe(Invented(), aims(), limits={"over_cap": 0.1})
    with pytest.raises(InputError, match=r"rules are Rules\(...\), not a float"):
        prescribe(Invented(), aims(), rules=2.0)


def test_a_cohort_in_which_nothing_was_planned():
    with pytest.raises(CannotAnswer, match="no movement whose rates are known"):
        prescribe({}, aims())


def test_a_column_that_the_rates_depend_on():
    with_one = Invented(covariates=("attachment",))
    plan = prescribe(with_one, aims([-1.0, -1.0], tooth=[31, 41], attachment=["none", None]))
    assert only(plan)["verdict"] == "supported"
    assert plan.aims["why"].iloc[1].startswith("attachment is blank")
    assert prescribe(with_one, aims()).problems["problem"].str.contains("attachment").all()
