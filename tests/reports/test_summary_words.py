"""The box at the top of an audit, tried at its limits on audits made by hand."""

import made_audit as made
import pandas as pd
import pytest
from made_audit import Fits, described, difference, plain, rate

from outcomes.cohort import checks
from outcomes.reports.audit import words
from outcomes.reports.audit.words.summary import tolerance_words


def said(**given):
    return plain(words.summary(made.audit(**given)))


# ---- who leads ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("patients", "leads"), [(4, False), (5, True)])
def test_a_movement_of_few_patients_does_not_lead(patients, leads):
    fits = Fits(
        [
            rate("vertical", rate=0.55),
            rate("buccolingual", patients=patients, rate=0.85, low=0.12, high=1.57),
            rate("torque", rate=0.45, low=0.4, high=0.5),
        ]
    )
    text = said(fits=fits)
    assert ("buccolingual" in text) == leads
    assert ("Of the movements with 5 patients or more, most" in text) != leads
    best = "buccolingual movement, 85 % (95 % interval 12 to 157 %)" if leads else (
        "vertical movement, 55 % (95 % interval 50 to 70 %)"
    )  # fmt: skip
    least = "least of torque, 45 % (95 % interval 40 to 50 %)."
    assert f"ost was achieved of {best} of the plan, and {least}" in text


def test_least_does_not_rest_on_few_patients_either():
    fits = Fits([rate("vertical"), rate("tip", patients=2, rate=0.1), rate("torque", rate=0.5)])
    assert "least of torque, 50 %" in said(fits=fits)


def test_movements_without_a_rate_and_movements_of_few_patients():
    lines = [rate("vertical"), rate("torque", rate=0.5)]
    failed = {"tip": "too few rows."}
    assert "Most was achieved of vertical" in said(fits=Fits(lines))
    assert "Of the movements with a rate, most was" in said(fits=Fits(lines, failed=failed))
    few = [*lines, rate("rotation", patients=4)]
    assert "Of the movements with a rate from 5 patients or more, most was" in said(
        fits=Fits(few, failed=failed)
    )


@pytest.mark.parametrize(
    ("few", "aside"),
    [
        (0, ""),
        (1, " 1 other rate by movement rests on fewer than 5 patients."),
        (2, " 2 other rates by movement rest on fewer than 5 patients."),
    ],
)
def test_one_rate_that_leads(few, aside):
    others = [rate(m, patients=4, rate=0.9) for m in ("tip", "rotation")[:few]]
    text = said(fits=Fits([*others, rate("torque", patients=5)]))
    sentence = "Of the torque that was planned, 60 % (95 % interval 50 to 70 %) was achieved."
    assert f"{sentence}{aside}" in text
    assert ("other rate" in text) == bool(few)


def test_where_all_rest_on_few_patients_none_leads():
    text = said(fits=Fits([rate("torque", patients=4), rate("tip", patients=3)]))
    assert "Every rate by movement rests on fewer than 5 patients, so none is put first" in text
    assert "60 %" not in text
    one = said(fits=Fits([rate("torque", patients=4)]))
    assert "was achieved, in 4 patients only: described, but too few to lean on." in one


def test_no_rate_at_all_gives_each_reason_once():
    text = said(fits=Fits([], failed={"tip": "Too few rows.", "torque": "Too few rows."}))
    assert text.count("No achievement rate can be estimated. Too few rows.") == 1
    assert text.count("Too few rows.") == 1


@pytest.mark.parametrize(("third", "told"), [(4, False), (5, True)])
def test_kinds_of_tooth_are_ranked_from_three_of_enough_patients(third, told):
    lines = [
        rate("torque", "molar", rate=0.4, low=0.3, high=0.5),
        rate("torque", "canine", rate=0.7),
        rate("tip", "incisor", rate=0.5, patients=third),
    ]
    text = said(class_fits=Fits(lines))
    assert ("By kind of tooth, the lowest rate is torque of molars, 40 %" in text) == told
    assert ("the highest is torque of canines, 70 % (95 % interval 50 to 70 %)." in text) == told


@pytest.mark.parametrize(
    ("patients", "words_for_it"),
    [
        ((5, 5, 5), ""),
        ((4, 5, 5), "1 rate of 3 by movement and kind of tooth rests on fewer than 5 patients"),
        ((4, 3, 5), "2 rates of 3 by movement and kind of tooth rest on fewer than 5 patients"),
        ((4, 3, 1), "Every rate by kind of tooth rests on fewer than 5 patients"),
    ],
)
def test_how_many_rates_are_too_few_to_lean_on(patients, words_for_it):
    kinds = ("incisor", "canine", "molar")
    lines = [rate("tip", kind, patients=n) for kind, n in zip(kinds, patients, strict=True)]
    text = said(class_fits=Fits(lines))
    assert words_for_it in text
    assert ("too few to lean on" in text) == bool(words_for_it)


# ---- the other sentences ------------------------------------------------------------------------


def test_what_the_audit_rests_on():
    cohort = made.cohort(movements=made.planned("vertical", patients=1, teeth=1))
    text = said(cohort=cohort)
    assert "rests on 1 planned movement of 1 tooth in 1 patient; no row was left out." in text
    text = said()
    assert "rests on 12 planned movements of 12 teeth in 6 patients; no row" in text


def test_nothing_to_audit_still_says_what_next():
    nothing = made.audit(planned=made.planned("vertical").head(0), by_tooth=pd.DataFrame())
    first, last = words.summary(nothing)
    assert "nothing to audit" in first
    assert last.startswith("What next: ")


@pytest.mark.parametrize(
    ("hit", "wrong", "expected"),
    [
        (0.0, 0.0, "None of 10 planned movements ended within 0.5 mm of the plan; none went"),
        (0.1, 0.2, "1 of 10 planned movements (10 %) ended within 0.5 mm of the plan; 2 (20 %)"),
    ],
)
def test_on_target_and_the_other_way(hit, wrong, expected):
    overall = [described("vertical", movements=10, within_tolerance=hit, wrong_way=wrong)]
    assert expected in said(overall=pd.DataFrame(overall))


def test_tolerance_of_the_units_at_hand():
    both = made.audit(cohort=made.cohort(movements=made.planned("torque", "vertical")))
    assert plain(tolerance_words(both)) == "0.5 mm or 2°"
    both.tolerance = {**both.tolerance, "vertical": 0.25, "torque": 3.0, "tip": 9.0}
    assert plain(tolerance_words(both)) == "0.25 mm or 3°"
    three = made.audit(cohort=made.cohort(movements=made.planned("torque", "tip", "vertical")))
    three.tolerance = both.tolerance
    assert plain(tolerance_words(three)) == "0.25 mm, 3° for torque or 9° for tip"


@pytest.mark.parametrize(
    ("p", "stands_out"), [((0.05, 0.9), 0), ((0.0499, 0.9), 1), ((0.04, 0.03, 0.02, 0.9), 3)]
)
def test_differences_in_the_summary(p, stands_out):
    lines = [
        difference(x, 0.1 * (k + 1), movement=m)
        for k, (x, m) in enumerate(zip(p, ("torque", "tip", "rotation", "vertical"), strict=False))
    ]
    audit = made.audit(differences=made.differences(*lines))
    text = plain(words.summary(audit))
    assert ("percentage points more" in text) == bool(stands_out)
    assert ("An audit is not a ranking" in text) == bool(stands_out)
    if stands_out == 1:
        assert (
            "10 percentage points more torque with rectangular attachments than with none. An"
            in text
        )
    if stands_out == 3:  # the two clearest, the clearest first
        assert (
            "30 percentage points more rotation with rectangular attachments than with none; "
            "20 percentage points more tip with rectangular attachments than with none, and 1 other. "
        ) in text


def test_flagged_values_count_only_where_they_are_in_the_rates():
    large = next(iter(checks.TOO_LARGE.values()))
    inside = {"problem": large, "row": 3}
    lines = [
        ("check", inside),
        ("check", {**inside, "column": "planned"}),
        ("check", {**inside, "column": "course"}),
        ("check", {**inside, "table": "measures"}),
        ("check", {**inside, "row": 999}),
        ("exclude", inside),
        ("check", {**inside, "problem": checks.OPPOSITE}),
    ]
    cohort = made.cohort(problems=made.problems(*lines))
    assert (
        "3 values flagged by the check (2 larger than 6 mm or 60° and 1 opposite in sign to the plan) "
        "enter the rates; see problems.csv."
    ) in said(cohort=cohort)
    cohort = made.cohort(problems=made.problems(lines[-1]))
    assert "1 value flagged by the check (1 opposite in sign to the plan) enters the" in said(
        cohort=cohort
    )
    assert "flagged" not in said(cohort=made.cohort(problems=made.problems(*lines[2:6])))


def test_what_next_is_the_first_of_the_steps_and_the_last_sentence():
    low = Fits([rate("torque", "molar", rate=0.4, low=0.3, high=0.5)])
    audit = made.audit(class_fits=low)
    first = words.next_steps(audit)[0]
    assert first.startswith("Look at the plans for torque of molars")
    assert words.summary(audit)[-1] == f"What next: l{first[1:]}"
    assert words.summary(made.audit())[-1] == (
        "What next: nothing stands out. Repeat the audit when new cases have finished."
    )
