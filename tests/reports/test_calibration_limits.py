"""Sentences of a calibration at their limits, on results made by hand."""

from types import SimpleNamespace

import made_audit as made
import numpy as np
import pandas as pd
import pytest
from made_audit import contrast, plain

from outcomes.overcorrect import validate
from outcomes.overcorrect.plan import BEST, DIRECT, PlanLimits
from outcomes.overcorrect.rules import Rules
from outcomes.reports.overcorrection import words


def factor(verdict, why="", movement="tip", group="molar"):
    return {"movement": movement, "group": group, "verdict": verdict, "why": why}


FITTED = {"tip": "degree", "vertical": "mm"}


def found(**given):
    usual = {
        "cohort": made.cohort(),
        "factors": pd.DataFrame([factor("supported")]),
        "gains": pd.DataFrame(columns=["movement", "p", "less"]),
        "plan": None,
        "fits": {name: SimpleNamespace(unit=unit) for name, unit in FITTED.items()},
        "direction_fits": {},
        "attachment_fits": SimpleNamespace(failed={}),
        "attachment_factors": pd.DataFrame(),
        "linearity": pd.DataFrame({"movement": ["tip"], "bent": [False], "sentence": ["It bends."]}),
        "overplanned": 0,
        "validations": {},
        "courses": None,
        "loop": None,
        "loop_reason": "No day was given.",
        "teeth": {},
        "tooth_factors": pd.DataFrame({"own_weight": [0.2, 0.6, 0.9]}),
        "rules": Rules(),
        "limits": PlanLimits(),
        "seed": 3,
    }  # fmt: skip
    return SimpleNamespace(**(usual | given))


@pytest.mark.parametrize(
    ("verdicts", "told"),
    [
        (["supported"], "Of 1 factor by movement and kind of tooth, 1 is supported, none is wide and none is not supported."),
        (["supported", "supported", "wide", "not supported", "not supported"],
         "Of 5 factors by movement and kind of tooth, 2 are supported, 1 is wide and 2 are not supported."),
    ],
)  # fmt: skip
def test_verdicts_are_counted(verdicts, told):
    said = words.summary(found(factors=pd.DataFrame([factor(v) for v in verdicts])))
    assert said[0] == told
    assert said[-1].startswith("The treating clinician decides")
    invented = words.summary(found(cohort=made.cohort(invented=True)))
    assert invented[0].startswith("This practice is invented")


@pytest.mark.parametrize(
    ("p", "less", "told"),
    [
        ((0.0499,), (0.2,), "smaller in vertical movement (1 of 1 movements"),
        ((0.05,), (0.2,), "would not clearly have been smaller in any movement (0 of 1 movements"),
        ((0.01,), (-0.2,), "would not clearly have been smaller in any movement (0 of 1 movements"),
        ((0.01,), (0.0,), "would not clearly have been smaller in any movement (0 of 1 movements"),
        ((0.01, 0.02), (0.1, 0.1), "smaller in vertical movement and tip (2 of 2 movements"),
        ((0.026, 0.9), (0.1, 0.1), "would not clearly have been smaller in any movement (0 of 2"),
    ],
)
def test_what_factors_would_have_gained(p, less, told):
    names = ["vertical", "tip"][: len(p)]
    gains = pd.DataFrame({"movement": names, "p": p, "less": less})
    assert told in plain(words.summary(found(gains=gains)))


def test_the_rules_in_force_are_stated():
    text = plain(
        words.verdicts(found(rules=Rules(enough=12, fewest=6, widest=0.4, max_factor=1.8)))
    )
    assert "Supported: 12 or more patients, an interval narrower than 40 % of the factor" in text
    assert "Not supported: fewer than 6 patients" in text
    assert "No factor above 1.8 is given out." in text


def test_reasons_of_all_but_the_supported_and_of_caps():
    table = pd.DataFrame(
        [factor("supported"), factor("wide", "Six patients only.", "vertical"),
         factor("supported", "It is held at 2.")]
    )  # fmt: skip
    assert words.declined(found(factors=table)) == [
        "Vertical movement, molar: wide. Six patients only.",
        "Tip, molar: supported. It is held at 2.",
    ]
    assert words.declined(found()) == ["Every factor is supported, and none reaches the cap."]


def direction_fit(p, a="incisor extrusion", b="incisor intrusion"):
    table = pd.DataFrame([contrast(a, b, 0.124, p)])
    return SimpleNamespace(contrasts=lambda: table)


@pytest.mark.parametrize(("p", "shown"), [(0.0499, True), (0.05, False)])
def test_directions_of_the_same_kind_at_the_cut(p, shown):
    (said,) = words.directions(found(direction_fits={"vertical": direction_fit(p)}))
    if shown:
        assert said.startswith(
            "Vertical movement of incisors: extrusion (crown and root away from the gum) and "
            "intrusion (crown and root towards the gum) differ by 12 percentage points"
        )
    else:
        assert said.endswith("(1 compared; p values adjusted for their number).")
    other = direction_fit(0.001, b="molar intrusion")
    (said,) = words.directions(found(direction_fits={"vertical": other}))
    assert said.startswith("No kind of tooth was moved in both directions")


@pytest.mark.parametrize(("p", "shown"), [(0.0499, True), (0.05, False)])
@pytest.mark.parametrize("sign", [1, -1])
def test_attachments_at_the_cut(p, shown, sign):
    table = pd.DataFrame(
        {"movement": ["tip", "tip"], "group": ["molar", "canine"], "p": p, "change": 0.124 * sign}
    )
    said = words.attachment(found(attachment_factors=table))
    if shown:
        word = "more" if sign > 0 else "less"
        assert said[0].startswith(f"Tip: 12 percentage points {word} of the plan with an")
        assert said[1].startswith("Nobody was given an attachment at random")
    else:
        assert said[0].endswith("(1 compared; p values adjusted for their number).")
    assert words.attachment(found())[0].startswith("Attachments are not recorded")
    few = SimpleNamespace(failed={"vertical": "only 2 patients are without an attachment"})
    left = (
        "Vertical movement: teeth with and without an attachment are not compared, as only 2 "
        "patients are without an attachment."
    )
    said = words.attachment(found(attachment_factors=table, attachment_fits=few))
    assert said[-1] == left
    assert words.attachment(found(attachment_fits=few))[1:] == [left]


def test_a_rate_that_bends_and_overcorrection_in_the_records():
    assert words.linear(found()) == [
        "In no movement does the rate clearly depend on the size of the plan."
    ]
    bent = found().linearity.assign(bent=True)
    assert words.linear(found(linearity=bent))[0] == "Tip: It bends."
    assert "the plan is the aim" in words.overplanned(found())[0]
    rows = made.planned("tip")
    rows.loc[0, "planned"] = 0.0
    text = words.overplanned(found(overplanned=3, cohort=made.cohort(movements=rows)))[0]
    assert text.startswith("In 3 of 11 planned movements the plan differed from the aim")


def test_would_it_have_helped():
    one = {"tip": SimpleNamespace(sentence="It would.")}
    said = words.helped(found(validations=one))
    assert said[0] == "Tip: It would."
    assert len(said) == 2
    two = one | {"vertical": SimpleNamespace(sentence="It would not.")}
    assert "these 2 are not adjusted for their number" in words.helped(found(validations=two))[2]
    assert words.helped(found())[0].startswith("With fewer than three patients")


def test_courses_and_before_and_after():
    assert words.courses(found())[0].startswith("The cohort holds one course only")
    reached = {"reached": [0.55, 0.798], "reached_first": [0.55, 0.8049]}
    overall = pd.DataFrame({"movement": "vertical", "course": [1, 2], **reached})
    courses = SimpleNamespace(overall=overall, notes=["A note."])
    said = words.courses(found(courses=courses))
    assert plain(said[0]) == (
        "Vertical movement: 55 % after one course and 80 % after 2 courses of the aims."
    )
    assert said[1] == "A note."
    assert "0.50 mm and 3.0°" in plain(said[2]) or "2.00 mm" in plain(said[2])
    courses.overall = overall.assign(reached_first=[0.1, 0.8051])
    said = words.courses(found(courses=courses))
    assert plain(said[0]).endswith(
        "of the aims (81 % of the first aims, before some were changed)."
    )
    assert words.loop(found()) == ["No day was given."]
    loop = SimpleNamespace(sentences=["One."], notes=["A note."])
    assert len(words.loop(found(loop=loop))) == 3
    loop.sentences = ["One.", "Two."]
    assert "these 2 comparisons are not adjusted" in words.loop(found(loop=loop))[2]


def plan(*planned, source="aims.csv", attachments=None):
    aims = pd.DataFrame({"tooth": 31, "movement": "tip", "aim": 1.0}, index=range(len(planned)))
    if attachments:
        aims["attachment"] = attachments
    options = pd.DataFrame({"option": BEST, "at": range(len(planned)), "planned": planned})
    aligners = pd.DataFrame({"option": [DIRECT, BEST], "aligners": [1, 12], "days": [7, 1084]})
    return SimpleNamespace(
        aims=aims, options=options, aligners=aligners, source=source,
        sources={"tip": SimpleNamespace(columns=["planned"])},
    )  # fmt: skip


@pytest.mark.parametrize(
    ("planned", "told"),
    [
        ((1.0, 2.0), "All 2 aims have a plan, with what to expect of it."),
        ((1.0, np.nan), "1 aim of 2 has a plan; for the others the records cannot say."),
        ((1.0, 2.0, np.nan), "2 aims of 3 have a plan; for the others the records cannot say."),
        ((np.nan,), "No aims of 1 have a plan; for the others the records cannot say."),
    ],
)
def test_how_many_aims_have_a_plan(planned, told):
    given = found(plan=plan(*planned), limits=PlanLimits(over_cap=0.15))
    said = words.plan(given)
    assert said[0] == told
    assert len(said) == 1 + bool(np.isfinite(planned).any())
    assert words.planned_movements(given) == (["tip"] if len(said) == 2 else [])
    if len(said) == 2:
        text = plain(said[1])
        assert (
            "needs 1 aligner and 7 days for aim / rate and 12 aligners and 1,084 days for" in text
        )
        assert "with at most 15 % risk of going too far" in text
    assert (
        words.plan(found()) == words.plan_notes(found()) == words.planned_movements(found()) == []
    )


@pytest.mark.parametrize(
    ("attachments", "columns", "told"),
    [
        (None, ["planned"], False),
        (["none"], ["planned"], True),
        ([""], ["planned"], False),
        ([None], ["planned"], False),
        (["none"], ["planned", "attachment"], False),
    ],
)
def test_attachments_that_were_not_used_are_said(attachments, columns, told):
    given = plan(1.0, attachments=attachments)
    given.sources["tip"].columns = columns
    assert bool(words.attachment_unused(given)) == told


def test_captions_teeth_and_methods():
    given = found(limits=PlanLimits(over_cap=0.2), teeth={"tip": 1})
    assert "where the cap of 20 % on going too far" in plain(words.chances_caption(given))
    assert "weight of a tooth's own records is 60 %" in plain(words.teeth(given))
    assert words.teeth(found()) == ["No movement has enough records for rates of single teeth."]
    text = plain(words.methods(found(rules=Rules(linear_p=0.02), limits=PlanLimits())))
    assert "depends on the size of the plan (p below 0.02)" in text
    assert "Tolerance 2° and 0.5 mm (Angle Orthod 2017;87(6):809–815" in text
    assert "Largest step of one aligner: 1° and 0.25 mm (common practice, no source)" in text
    own = PlanLimits(tolerance={"tip": 3.0}, per_aligner={"vertical": 0.2})
    said = plain(words.methods(found(limits=own)))
    assert "Tolerance 3° and 0.5 mm. Largest step of one aligner: 1° and 0.2 mm (common" in said
    assert f"{PlanLimits().days_per_aligner:g} days an aligner unless" in text
    assert "seed 3. Input made.csv, SHA-256 " + "0" * 64 in text
    assert any("invented" in c for c in words.cautions(found(cohort=made.cohort(invented=True))))
    assert not any("invented" in c for c in words.cautions(found()))
    assert words.aims_read(found())[0].startswith("No aims were given")


@pytest.mark.parametrize(
    ("less", "low", "high", "told"),
    [
        (0.1, 0.01, 0.19, "would have been 0.10 mm smaller on average (95 % interval 0.01 to 0.19 mm, 9"),
        (-0.1, -0.19, -0.01, "would have been 0.10 mm larger on average (95 % interval 0.01 to 0.19 mm, 9"),
        (0.1, 0.0, 0.2, "changes by −0.10 mm on average (95 % interval −0.20 to 0.00 mm, 9 patients)."),
        (-0.1, -0.22, 0.02, "changes by +0.10 mm on average (95 % interval −0.02 to +0.22 mm, 9 patients)."),
    ],
)  # fmt: skip
def test_the_interval_of_a_gain_holds_its_mean_and_has_its_sign(less, low, high, told):
    gain = {"less": less, "low": low, "high": high, "level": 0.95, "patients": 9, "changed": 5}
    text = validate._sentence(pd.Series(gain), SimpleNamespace(unit="mm")).replace("\u00a0", " ")
    assert told in text
    assert ("cannot be said" in text) == (low <= 0 <= high)
