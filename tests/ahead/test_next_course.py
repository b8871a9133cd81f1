"""The next course as a whole, on a small invented cohort whose every number is known."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

import outcomes as oc
from outcomes.ahead import result
from outcomes.ahead.next_course import next_course, next_courses
from outcomes.cohort.read import from_frames
from outcomes.errors import CohortError, InputError
from outcomes.overcorrect.plan import BEST, PlanLimits
from outcomes.overcorrect.prescribe import prescribe
from outcomes.predictive.expect import expect_all

NAN = float("nan")


def movements() -> pd.DataFrame:
    """14 patients, one course of vertical and rotation; P00 lags and has a second course."""
    rng = np.random.default_rng(3)
    rows = []
    for i in range(14):
        rate = 0.65 + rng.normal(0, 0.05) - 0.35 * (i == 0)
        for tooth in (31, 32, 41, 42):
            planned = -rng.uniform(1.0, 3.0)
            rows.append((tooth, "vertical", 1, planned, rate * planned + rng.normal(0, 0.1)))
        for tooth in (13, 23):
            planned = rng.uniform(8, 20)
            rows.append((tooth, "rotation", 1, planned, rate * planned + rng.normal(0, 1.0)))
        for tooth in (36, 46):
            rows.append((tooth, "vertical", 1, 0.0, 0.15 + rng.normal(0, 0.1)))
        rows[-8:] = [(f"P{i:02d}", *row) for row in rows[-8:]]
    rows += [
        ("P00", 31, "vertical", 2, -1.0, -0.3),
        ("P00", 32, "vertical", 2, -1.0, NAN),
        ("P00", 36, "vertical", 2, 0.0, 0.2),
        ("P00", 46, "vertical", 2, 0.0, NAN),
    ]
    names = ["patient", "tooth", "movement", "course", "planned", "achieved"]
    return pd.DataFrame(rows, columns=names)


@pytest.fixture(scope="module")
def cohort():
    courses = pd.DataFrame(
        {"patient": [f"P{i:02d}" for i in range(14)], "course": 1, "days_per_aligner": 7.0}
    )
    measures = pd.DataFrame(
        {
            "patient": ["P00", "P00"],
            "after_course": [0, 1],
            "measure": "probing_depth",
            "tooth": [31, 31],
            "value": [2.0, 5.0],
        }
    )
    return from_frames(
        movements(), courses=courses, measures=measures, notation="fdi", strict=False
    )


@pytest.fixture(scope="module")
def learnt(cohort):
    return expect_all(cohort)


@pytest.fixture(scope="module")
def known(cohort, learnt):
    return next_course(cohort, "P00", expectations=learnt)


def best_of(course) -> pd.DataFrame:
    return course.plan.options[course.plan.options["option"] == BEST]


TABLES = {
    "so_far": result.SO_FAR,
    "expected": result.EXPECTED,
    "holds": result.HOLDS,
    "stages": result.STAGES,
    "unlikely": result.UNLIKELY,
    "alternatives": result.ALTERNATIVES,
    "arch": result.ARCH,
    "intervals": result.INTERVALS,
    "flags": result.FLAGS,
}


def test_every_table_has_its_columns_whatever_it_holds(cohort, learnt, known):
    new = next_course(
        cohort,
        aims=pd.DataFrame({"tooth": [36], "movement": "vertical", "aim": 0.0}),
        expectations=learnt,
    )
    for course in (known, new):
        for name, columns in TABLES.items():
            assert tuple(getattr(course, name).columns) == columns, name


def test_the_plan_is_that_of_prescribe_for_what_is_left(cohort, learnt, known):
    assert (known.patient, known.known, known.course) == ("P00", True, 3)
    assert known.plan is not None
    left = known.so_far[known.so_far["state"] == result.LEFT]
    asked = left[["tooth", "movement"]].assign(patient="P00", aim=left["left"].round(6))
    again = prescribe(learnt, asked)
    mine, its = (
        plan.options.set_index(["tooth", "movement", "option"])["planned"].sort_index()
        for plan in (known.plan, again)
    )
    pd.testing.assert_series_equal(mine, its)
    # 32: the second course has no result; nothing is planned for it, and nothing is 0
    assert 32 not in set(known.plan.aims["tooth"])
    lost = known.not_known
    assert lost["tooth"].tolist() == [32]
    assert lost["left"].isna().all()
    assert any("32 vertical. Measure first; no plan is made for it." in n for n in known.notes)


def test_a_patient_who_lags_is_expected_to_lag(known):
    own = known.expected.set_index(["tooth", "movement"])
    assert (own["rate"] < own["cohort_rate"] - 0.05).all()
    assert own.loc[(31, "vertical"), "own_tooth"]
    # 4 + 1 measured vertical records of the patient that had a plan
    assert own.loc[(31, "vertical"), "own_movements"] == 5
    assert (
        "5 own results (this very tooth among them) lower the rate"
        in (own.loc[(31, "vertical"), "note"])
    )
    assert ((own["low_80"] < own["rate"]) & (own["rate"] < own["high_80"])).all()


def test_the_stages_start_from_the_plan_with_the_best_chance(known):
    best = best_of(known).set_index("at")
    stages = known.stages.set_index("at")
    assert stages["planned"].to_dict() == pytest.approx(best["planned"].dropna().to_dict())
    assert stages["within_one"].to_dict() == pytest.approx(
        best.loc[stages.index, "within"].to_dict(), abs=1e-6
    )
    assert stages["aligners_one"].to_dict() == best.loc[stages.index, "aligners"].to_dict()
    assert (stages["within_two"] >= stages["within_one"] - 1e-9).all()
    assert known.aligners == known.arch["aligners"].max()


def test_teeth_without_a_plan_are_held_and_their_missing_result_is_missing(known):
    holds = known.holds.set_index("tooth")
    assert set(holds.index) == {36, 46}
    assert (holds["asked"] == "planned 0 in course 2").all()
    assert np.isnan(holds.loc[46, "so_far"])
    first = movements().query("patient == 'P00' and tooth == 36 and course == 1")["achieved"]
    assert holds.loc[36, "so_far"] == pytest.approx(first.iloc[0] + 0.2)


def test_a_flag_goes_before_the_other_cautions_of_its_row(known):
    aims = known.plan.aims.set_index("tooth")
    assert aims.loc[31, "cautions"].startswith(
        "Probing depth of 5.00\u00a0mm after course 1. Settle the periodontal treatment"
    )
    others = aims.drop(index=31)
    assert not others["cautions"].str.contains("Probing").any()
    assert known.flags["flag"].tolist() == ["deep pocket"]


def test_done_has_no_row_in_the_plan(known):
    done = known.done
    planned = set(zip(known.plan.aims["tooth"], known.plan.aims["movement"], strict=True))
    assert not planned & set(zip(done["tooth"], done["movement"], strict=True))
    assert (done["left"].abs() <= done["tolerance"] + 1e-9).all()


def test_aims_of_zero_are_teeth_to_hold(cohort, learnt):
    aims = pd.DataFrame({"tooth": [31, 46], "movement": "vertical", "aim": [-1.0, 0.0]})
    new = next_course(cohort, aims=aims, expectations=learnt)
    assert (new.patient, new.known, new.course) == ("NEW", False, 1)
    assert new.plan.aims["tooth"].tolist() == [31]
    assert new.holds[["tooth", "asked"]].values.tolist() == [[46, "aim 0"]]
    assert new.problems.empty
    assert new.so_far.empty
    # nothing else to plan: a sheet of teeth to hold alone
    alone = next_course(cohort, aims=aims[1:], expectations=learnt)
    assert alone.plan is None
    assert alone.aligners is None
    assert alone.holds["tooth"].tolist() == [46]
    # for plans alone an aim of 0 stays a problem
    with pytest.raises(CohortError, match="nothing to plan"):
        prescribe(learnt, aims[1:])


def test_what_was_left_and_is_not_aimed_at_is_said(cohort, learnt):
    aims = pd.DataFrame({"tooth": [31], "movement": "vertical", "aim": [-1.0]})
    course = next_course(cohort, "P00", aims, expectations=learnt)
    assert course.plan.aims["patient"].tolist() == ["P00"]
    assert any("not among the aims" in note and "13 rotation" in note for note in course.notes)
    assert course.expected["own_movements"].tolist() == [5]


def test_several_patients_share_what_is_learnt(cohort, learnt, known):
    aims = pd.DataFrame(
        {
            "patient": ["P00", "P01", "P01"],
            "tooth": [31, 31, 36],
            "movement": "vertical",
            "aim": [-1.0, -1.0, 0.0],
        }
    )
    with pytest.raises(InputError, match="2 patients"):
        next_course(cohort, aims=aims, expectations=learnt)
    both = next_courses(cohort, aims=aims, expectations=learnt, alternatives=False)
    assert list(both) == ["P00", "P01"]
    assert both["P00"].plan.aims["tooth"].tolist() == [31]
    assert both["P00"].holds.empty
    assert both["P01"].holds["tooth"].tolist() == [36]
    # the same aim of a patient who lags needs a larger plan
    first, second = (best_of(one)["planned"].iloc[0] for one in both.values())
    assert first < second
    again = next_courses(cohort, ["P00"], expectations=learnt)["P00"]
    pd.testing.assert_frame_equal(again.stages, known.stages)


def test_problems_of_one_patient_are_not_those_of_another(cohort, learnt):
    aims = pd.DataFrame(
        {
            "patient": ["P00", "P01", "P01"],
            "tooth": [31, 31, 99],
            "movement": "vertical",
            "aim": [-1.0, -1.0, 1.0],
        }
    )
    both = next_courses(cohort, aims=aims, expectations=learnt, alternatives=False)
    assert both["P00"].problems.empty
    assert both["P01"].problems["value"].astype(str).tolist() == ["99"]


def test_a_patient_whose_every_course_is_not_measured(cohort, learnt):
    rows = movements()
    lost = rows.assign(achieved=rows["achieved"].mask(rows["patient"] == "P13"))
    given = from_frames(lost, notation="fdi", strict=False)
    course = next_course(given, "P13", expectations=learnt)
    assert (course.known, course.course) == (True, 2)
    assert course.plan is None
    assert set(course.so_far["state"]) == {result.NOT_KNOWN}
    assert course.so_far[["left", "reached", "planned_total"]].isna().all(axis=None)
    assert course.holds["so_far"].isna().all()
    assert "Measure first; no plan is made for them." in " ".join(course.notes)


def test_nothing_left_says_so(cohort, learnt):
    limits = PlanLimits(tolerance={"mm": 9.0, "degree": 90.0})
    course = next_course(cohort, "P05", expectations=learnt, limits=limits)
    assert course.plan is None
    assert course.notes == ("Nothing is left to plan: 6 movements within tolerance.",)
    assert len(course.done) == 6


def test_a_frame_does_as_a_cohort_does(cohort, learnt, known):
    course = next_course(movements(), "P00", expectations=learnt)
    pd.testing.assert_frame_equal(course.stages, known.stages)
    assert "Not recorded" in " ".join(course.notes) or course.flags.empty


def test_a_mistyped_code_is_asked_about(cohort, learnt):
    with pytest.raises(InputError, match="is P00 meant"):
        next_course(cohort, "P0", expectations=learnt)
    aims = pd.DataFrame({"patient": ["p00"], "tooth": 31, "movement": "vertical", "aim": -1.0})
    with pytest.raises(InputError, match="is P00 meant"):
        next_course(cohort, aims=aims, expectations=learnt)


def test_wrong_types_are_named(cohort, learnt):
    with pytest.raises(InputError, match="cohort is of type dict"):
        next_course({}, "P00", expectations=learnt)
    with pytest.raises(InputError, match="aims is of type list"):
        next_course(cohort, "P00", [1, 2], expectations=learnt)
    for wrong in ({"limits": {"mm": 0.5}}, {"rules": 3}):
        with pytest.raises(InputError, match=r"are (PlanLimits|Rules)\(...\), not a"):
            next_course(cohort, "P00", expectations=learnt, **wrong)
    with pytest.raises(InputError, match="expectations is of type int"):
        next_course(cohort, "P00", expectations=3)


def test_it_shows_itself_with_its_cautions(known):
    text, page = repr(known), known._repr_html_()
    for shown in (text, page):
        assert "P00, course 3" in shown
        assert "The treating clinician decides." in shown
    assert "nan" not in text.lower().split()


def test_it_is_public_and_complete(cohort, learnt):
    assert oc.next_course is next_course
    assert oc.next_courses is next_courses
    assert oc.NextCourse is result.NextCourse
    assert {f.name for f in dataclasses.fields(oc.NextCourse)} >= set(TABLES)


def test_an_aim_counted_from_the_start_is_asked_about(cohort, learnt):
    first = movements().query("patient == 'P00' and tooth == 41 and movement == 'vertical'")
    aims = first[["tooth", "movement"]].assign(aim=first["planned"])
    course = next_course(cohort, "P00", aims, expectations=learnt, alternatives=False)
    assert course.problems["problem"].str.startswith("the aim is that of an earlier course").any()
    assert course.problems["row"].tolist() == [2]
    assert course.plan.aims["tooth"].tolist() == [41]  # it is kept


def test_teeth_to_hold_that_may_drift_are_flagged(learnt):
    """A tooth that is likely to extrude, beside one that stays; both have a deep pocket."""
    rows = movements()
    still = rows["planned"] == 0
    rows.loc[still & (rows["tooth"] == 36), "achieved"] += 0.6
    measures = pd.DataFrame(
        {
            "patient": "P05",
            "after_course": 1,
            "measure": "probing_depth",
            "tooth": [36, 46],
            "value": 6.0,
        }
    )
    # molars of both sides are one class: 36 and 46 drift alike, and only P05 is measured
    given = from_frames(rows, measures=measures[:1], notation="fdi", strict=False)
    course = next_course(given, "P05", expectations=learnt, alternatives=False)
    holds = course.holds.set_index("tooth")
    assert (holds["beyond_positive"] > 0.10).all()
    assert holds.loc[36, "cautions"].startswith("Probing depth of 6.00")
    assert holds.loc[46, "cautions"] == ""
    flagged = course.flags[course.flags["flag"] == "deep pocket"]
    assert flagged["tooth"].tolist() == [36]
    # where it is likely to stay, nothing is said
    calm = from_frames(movements(), measures=measures[:1], notation="fdi", strict=False)
    course = next_course(calm, "P05", expectations=learnt, alternatives=False)
    assert (course.holds["beyond_positive"] < 0.10).all()
    assert (course.holds["cautions"] == "").all()


def test_aims_of_one_movement_need_no_column_of_it(cohort, learnt):
    only = {"vertical": learnt["vertical"]}
    aims = pd.DataFrame({"tooth": [31, 36], "aim": [-1.0, 0.0]})
    course = next_course(cohort, aims=aims, expectations=only, alternatives=False)
    assert course.plan.aims["movement"].tolist() == ["vertical"]
    assert course.holds["movement"].tolist() == ["vertical"]


def test_numbers_of_an_fdi_cohort_are_fdi_in_its_aims(cohort, learnt, tmp_path):
    """11 and 12 are teeth of two notations; the cohort was read as FDI."""
    path = tmp_path / "aims.csv"
    path.write_text("tooth,movement,aim\n11,vertical,-1.0\n12,vertical,-1.0\n")
    course = next_course(cohort, aims=path, expectations=learnt, alternatives=False)
    assert course.plan.aims["tooth"].tolist() == [11, 12]
