"""What a plan says, word by word, and what each question about the aims gives: read and found right."""

import numpy as np
import pandas as pd
import pytest

import outcomes as oc
from outcomes.overcorrect import cautions
from outcomes.overcorrect.codes import unknown_patients
from outcomes.overcorrect.prescribe import prescribe
from outcomes.overcorrect.rules import Rules, more_patients_needed
from outcomes.overcorrect.validate import validate
from outcomes.rates.fit import fit_rate
from outcomes.simulate import simulate_rates
from outcomes.words.cautions import IN_SHORT


def test_the_caution_at_the_foot():
    assert IN_SHORT == (
        "Evidence from past cases, not advice: the treating clinician decides. Crowns were "
        "measured, not roots, bone or gum. Check the periodontium and the radiographs; keep to the "
        "limits of each aligner; local rules come first."
    )


@pytest.mark.parametrize(
    ("what", "ends"), [("The aim", "(6 mm): a slip?"), ("The plan", "(6 mm).")]
)
def test_only_an_aim_can_be_a_slip(what, ends):
    said = cautions.beyond_records("mm", 7, 0, what=what, then="So.").replace("\u00a0", " ")
    assert said == f"{what} (7 mm) is larger than any movement expected {ends} So."


@pytest.mark.parametrize(
    ("tooth_class", "said"),
    [
        ("incisor", ["Crown mesially, root distally: the root comes nearer to its neighbour: check the radiographs."]),
        ("molar", []),
    ],
)  # fmt: skip
def test_tip_takes_the_roots_of_front_teeth_to_their_neighbours(tooth_class, said):
    assert cautions.clinical("tip", tooth_class, "upper", 5) == said


def test_unknown_patients_are_asked_about_in_the_order_of_the_file():
    rows = pd.DataFrame({"row": [2, 3, 4], "patient": ["C6", "C5", "A1"]})
    found, unused = unknown_patients(rows, ["C005", "C006", "A001"])
    assert [line["problem"].iloc[0] for line in found] == [
        "no past patient is called C6: is C006 meant?",
        "no past patient is called C5: is C005 meant?",
        "no past patient is called A1: is A001 meant?",
    ]
    assert unused == {0, 1, 2}


def test_a_rate_that_rests_on_one_patient_scales_from_one():
    """The records of one patient are one, not two: 1 and more patients give se / sqrt(share)."""
    alone = more_patients_needed(0.5, 0.15, 5, 1, Rules())
    assert alone == more_patients_needed(0.5, 0.15, 5, 1, Rules(), records=1)
    assert alone != more_patients_needed(0.5, 0.15, 5, 1, Rules(), records=2)


@pytest.fixture(scope="module")
def past() -> pd.DataFrame:
    return simulate_rates(20, seed=1, rates={"incisor": 0.6, "canine": 0.5})


def test_rules_reach_the_factors_of_several_movements(past):
    fit, rules = fit_rate(past), Rules(max_factor=1.2)
    alone = oc.overcorrection(fit, rules=rules)
    several = oc.overcorrection({"rotation": fit}, rules=rules).drop(columns="movement")
    pd.testing.assert_frame_equal(several, alone)
    assert (alone["use"] <= 1.2).all()


def test_a_plan_by_two_columns_counts_the_patients_of_the_pair(past):
    past = past.assign(arch=np.where(past["tooth"] < 30, "upper", "lower"))
    fit = fit_rate(past, group=["tooth_class", "arch"])
    plan = prescribe(fit, pd.DataFrame({"tooth": [11, 41], "aim": [8.0, 8.0]}))
    past = past[(past["planned"] > 0) & (past["tooth_class"] == "incisor")]
    counted = past.groupby("arch")["patient"].nunique()
    assert plan.aims["group"].tolist() == ["incisor upper", "incisor lower"]
    assert plan.aims["patients"].tolist() == [counted["upper"], counted["lower"]]


def test_no_past_plan_in_this_direction_is_said(past):
    rows = past.assign(achieved=past["achieved"] * np.sign(past["planned"])).assign(
        planned=past["planned"].abs()
    )
    plan = prescribe(fit_rate(rows), pd.DataFrame({"tooth": [11], "aim": [-5.0]}))
    assert (
        plan.aims["why"]
        .iloc[0]
        .startswith(
            "No past plan of this kind went in this direction, so that nothing is known of it. "
        )
    )


def test_a_column_the_rates_depend_on_is_asked_for_where_blank(past):
    past = past.assign(wear=np.where(past["patient"].str[-1].isin(list("02468")), 20.0, 16.0))
    fit = fit_rate(past, covariates=["wear"])
    plan = prescribe(
        fit, pd.DataFrame({"tooth": [11, 12], "aim": [5.0, 5.0], "wear": [np.nan, 20.0]})
    )
    assert plan.aims["why"].iloc[0] == "wear is blank, and the rates depend on it: fill it in."
    assert plan.aims["more_patients"].isna().iloc[0]
    assert "blank" not in plan.aims["why"].iloc[1]


def test_a_class_only_one_patient_has_costs_that_patient_no_other_prediction():
    """Left out, the class has no rate: what was planned of other classes is predicted all the same."""
    rows = simulate_rates(12, seed=3, rates={"incisor": 0.6, "canine": 0.5})
    canines = rows["tooth"] % 10 == 3
    rows = rows[~canines | (rows["patient"] == rows["patient"].iloc[0])]
    found = validate(fit_rate(rows)).predictions
    known = found.groupby(["patient", "group"])["predicted"].apply(lambda p: p.notna().all())
    first = rows["patient"].iloc[0]
    assert known[first, "incisor"]
    assert not known[first, "canine"]
    assert known.drop((first, "canine")).all()


def test_several_aims_for_one_tooth_are_called_so(tmp_path):
    file = tmp_path / "aims.csv"
    file.write_text("tooth,movement,aim\n31,tip,4\n31,tip,5\n", encoding="utf-8")
    with pytest.raises(oc.CohortError) as refused:
        oc.read_aims(file, notation="fdi")
    assert "several aims for one tooth and movement, not alike" in str(refused.value)
