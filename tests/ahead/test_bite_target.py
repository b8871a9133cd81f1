"""From an overbite wanted to plans: against closed forms of normal sums, the hinge, each limit."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from outcomes.ahead.bite_draws import Spread
from outcomes.ahead.bite_lever import Lever
from outcomes.ahead.bite_options import SHARES
from outcomes.ahead.bite_target import bite_target
from outcomes.clinical.hinge import hinge, published_per_mm
from outcomes.cohort.read import from_frames
from outcomes.domain.teeth import tooth_class
from outcomes.errors import CannotAnswer, InputError
from outcomes.overcorrect.landing import Chances
from outcomes.overcorrect.plan import AS_AIMED, BEST, DIRECT, OPTIONS, PlanLimits
from outcomes.overcorrect.rules import Rules

# An adult face, mm from condylion along and below the Frankfort plane (plausible, from memory; not a
# patient).
FACE = {
    "condylion": (0.0, 0.0),
    "lower_molar": (47.0, -42.0),
    "lower_incisor": (75.0, -47.0),
    "menton": (64.0, -93.0),
}
MOLARS = (16, 17, 26, 27)
MANY = 20_000


@dataclass(frozen=True)
class Past:
    cell: str
    patients: int = 20
    movements: int = 60
    class_patients: int = 20
    direction_patients: int = 25
    largest: float = 4.0
    largest_any: float = 5.0
    own_movements: int = 0
    own_tooth: bool = False


@dataclass(frozen=True)
class Normal:
    """Result of a tooth at plan x: x (rate + patient) + residual, the patient shared by all teeth."""

    rate: float = 0.5
    patient: float = 0.1
    residual: float = 0.2
    patients: tuple[str, ...] = ("P001",)
    past: dict[str, Past] = field(default_factory=dict)
    asked: list = field(default_factory=list)

    def support(self, tooth, sign, *, patient=None):
        kind = str(tooth_class(tooth))
        cell = f"{kind} {'extrusion' if sign > 0 else 'intrusion'}"
        return self.past.get(cell, Past(cell))

    def outlook(self, tooth, sign, largest, *, patient=None):
        return NormalOutlook(self, largest)

    def joint(self, rows, *, patient=None, size=4000, seed=1):
        self.asked.append(patient)
        x = rows["planned"].to_numpy(float)
        rng = np.random.default_rng(seed)
        rates = self.rate + self.patient * rng.standard_normal((size, 1))
        return x * rates + self.residual * rng.standard_normal((size, len(x)))


@dataclass(frozen=True)
class NormalOutlook:
    engine: Normal
    largest: float

    def mean(self, plan):
        return self.engine.rate * np.asarray(plan)

    def range(self, plan, level):
        sd = np.hypot(self.engine.patient * plan, self.engine.residual)
        half = norm.ppf(0.5 + level / 2) * sd
        return self.mean(plan) - half, self.mean(plan) + half

    def chances(self, plan, aim, tolerance):
        raise AssertionError("chances are of the overbite, not of a tooth")


assert Chances  # the interface above is that of overcorrect.landing


def cohort_of(vertical, overbite=()):
    """Rows (patient, tooth, planned, achieved) and overbites (patient, after_course, value)."""
    rows = pd.DataFrame(vertical, columns=["patient", "tooth", "planned", "achieved"])
    measures = pd.DataFrame(overbite, columns=["patient", "after_course", "value"])
    return from_frames(
        rows.assign(movement="vertical"),
        measures=measures.assign(measure="overbite", target=2.0) if len(measures) else None,
        notation="fdi",
    )


@pytest.fixture(scope="module")
def cohort():
    return cohort_of(
        [("P001", 11, -1.0, -0.5), ("P002", 31, -1.0, -0.5)],
        [("P001", 0, 5.0), ("P001", 1, 4.0), ("P002", 0, 3.0)],
    )


def asked(cohort, engine=None, only=None, **options):
    given = {"overbite": 4.0, "wanted": 2.0, "unexplained": 0.0, "lever_range": (2.0, 2.0)}
    given["size"] = 1000
    if only is not None:
        given |= {"options": {only: SHARES[only]}, "size": MANY}
    return bite_target(cohort, expectation=engine or Normal(), **{**given, **options})


def row(result, option, plan=AS_AIMED):
    table = result.options.set_index(["option", "plan"])
    return table.loc[(option, plan)]


# ------------------------------------------------------------------ closed forms of normal sums

# weights of the plans' common patient effect and of the residuals of four-tooth means, per unit of
# plan: variance of a sum of normal variables
SUMS = {
    "lower incisors": ((1.0,), (1.0,)),
    "upper and lower incisors": ((1.0, 1.0), (1.0, 1.0)),
    "upper molars": ((2.0,), (2.0,)),
    "upper and lower molars": ((2.0, 2.0), (2.0, 2.0)),
    "incisors and molars": ((1.0, 1.0, 2.0, 2.0), (1.0, 1.0, 2.0, 2.0)),
}


@pytest.mark.parametrize("now", [4.0, -1.0])
@pytest.mark.parametrize("option", SUMS)
def test_chances_and_ranges_are_those_of_the_normal_sum(cohort, option, now):
    result = asked(cohort, only=option, overbite=now, unexplained=0.3)
    found = row(result, option)
    change, engine = 2.0 - now, Normal()
    weights = np.array(SUMS[option][0])
    variance = (change * engine.patient) ** 2 + (weights**2 * engine.residual**2 / 4).sum() + 0.3**2
    mean, sd = now + change * engine.rate, np.sqrt(variance)
    assert found["expected"] == pytest.approx(mean, abs=4 * sd / np.sqrt(MANY))
    within = norm.cdf((2.5 - mean) / sd) - norm.cdf((1.5 - mean) / sd)
    assert found["on_target"] == pytest.approx(within, abs=4 * 0.5 / np.sqrt(MANY))
    past = norm.cdf(np.sign(change) * (mean - 2.0) / sd - 0.5 / sd)
    assert found["beyond"] == pytest.approx(past, abs=0.015)
    assert found[["on_target", "short", "beyond"]].sum() == pytest.approx(1)
    for level in (80, 95):
        half = norm.ppf(0.5 + level / 200) * sd
        ends = found[[f"low_{level}", f"high_{level}"]].to_numpy(float)
        np.testing.assert_allclose(ends, [mean - half, mean + half], atol=0.05 * sd)


def test_aims_open_a_deep_bite_and_close_an_open_one(cohort):
    groups = ["upper_incisor", "lower_incisor", "upper_molar", "lower_molar"]
    deep = row(asked(cohort), "incisors and molars")[groups].to_numpy(float)
    np.testing.assert_allclose(deep, [-0.5, -0.5, 0.25, 0.25])
    gap = row(asked(cohort, overbite=-1.0), "incisors and molars")[groups].to_numpy(float)
    np.testing.assert_allclose(gap, [0.75, 0.75, -0.375, -0.375])
    teeth = asked(cohort).teeth.query("option == 'incisors and molars' and plan == 'as aimed'")
    ways = teeth.groupby("group")["direction"].unique().str[0].to_dict()
    assert ways == {
        "upper_incisor": "intrusion, crown and root towards the gum",
        "lower_incisor": "intrusion, crown and root towards the gum",
        "upper_molar": "extrusion, crown and root away from the gum",
        "lower_molar": "extrusion, crown and root away from the gum",
    }  # fmt: skip
    assert sorted(teeth[teeth["group"] == "upper_molar"]["tooth"]) == list(MOLARS)


def test_kept_groups_have_no_aim_and_no_teeth(cohort):
    result = asked(cohort)
    assert row(result, "lower incisors and molars").isna()["upper_incisor"]
    teeth = result.teeth[result.teeth["option"] == "lower incisors and molars"]
    assert "upper_incisor" not in set(teeth["group"])


def test_the_expected_result_of_aim_over_rate_is_the_overbite_wanted(cohort):
    for option in SUMS:
        found = row(asked(cohort, only=option), option, DIRECT)
        assert found["expected"] == pytest.approx(2.0, abs=0.02)
        assert found[["from_upper_incisor", "from_lower_incisor", "from_posterior"]].sum() == (
            pytest.approx(-2.0, abs=0.02)
        )


@pytest.mark.parametrize("cap", [0.05, 0.20])
def test_the_best_plan_is_that_of_the_closed_form(cohort, cap):
    engine = Normal(patient=0.15)
    result = asked(cohort, engine, "lower incisors", over_cap=cap)
    found = result.teeth
    plan = found.query("option == 'lower incisors' and plan == 'best chance'")["planned"].iloc[0]

    def within(size):
        sd = np.sqrt((size * engine.patient) ** 2 + engine.residual**2 / 4)
        past = (np.array([-0.5, 0.5]) + 2.0 - engine.rate * size) / sd
        return norm.cdf(past[1]) - norm.cdf(past[0]), 1 - norm.cdf(past[1])

    tried = np.minimum(np.arange(0.4, 1.61, 0.1) * 4.0, 4.0)
    top = max(within(size)[0] for size in tried if within(size)[1] <= cap)
    assert within(-plan)[0] == pytest.approx(top, abs=0.015)
    assert within(-plan)[1] <= cap + 0.005
    assert row(result, "lower incisors", BEST)["beyond"] <= cap


def test_where_the_target_is_out_of_reach_the_best_plan_comes_nearest(cohort):
    weak = Normal(rate=0.2, patient=0.01, residual=0.05)  # twice the aim gives 1.2 of 3 mm
    result = asked(cohort, weak, "lower incisors", overbite=5.0)
    best = row(result, "lower incisors", BEST)
    assert best["on_target"] == 0
    assert result.teeth.query("plan == 'best chance'")["planned"].unique() == pytest.approx(-6.0)


# ------------------------------------------------------------------------------ lever and hinge


def test_half_of_the_levers_are_below_it_and_19_in_20_within_the_range():
    levers = 2.0 * Lever(2.0, 1.5, 3.0).draws(np.random.default_rng(1), 400_000)
    low, middle, high = np.quantile(levers, [0.025, 0.5, 0.975])
    np.testing.assert_allclose([low, middle, high], [1.5, 2.0, 3.0], rtol=5e-3)


def test_a_wider_lever_widens_the_range_where_molars_move_only(cohort):
    plain, wide = asked(cohort, size=MANY), asked(cohort, size=MANY, lever_range=(1.5, 3.0))
    width = {
        (name, option): row(result, option)["high_80"] - row(result, option)["low_80"]
        for name, result in (("plain", plain), ("wide", wide))
        for option in ("lower incisors", "upper molars")
    }
    assert width["wide", "lower incisors"] == pytest.approx(width["plain", "lower incisors"])
    assert width["wide", "upper molars"] > 1.1 * width["plain", "upper molars"]
    # 2 mm open by 1 mm of molar extrusion at a rate of 0.5: 0.75 mm at 1.5 to 1, 1.5 mm at 3 to 1
    sd = {k: np.hypot(0.1 * k, k * 0.1) for k in (1.5, 3.0)}
    chance = {k: norm.cdf((2.5 - 4 + 0.5 * k) / sd[k]) - norm.cdf((1.5 - 4 + 0.5 * k) / sd[k])
              for k in sd}  # fmt: skip
    molars = row(wide, "upper molars")
    assert molars["on_target_lever_low"] == pytest.approx(chance[1.5], abs=0.015)
    assert molars["on_target_lever_high"] == pytest.approx(chance[3.0], abs=0.015)


def test_a_published_change_of_overbite_asks_for_one_mm_of_molar_intrusion(cohort):
    # 2.6 mm per mm: Angle Orthod 2018;88(5):538-544, doi:10.2319/102317-714.1
    per_mm = published_per_mm().query("quantity == 'overbite'")["per_mm"].max()
    result = asked(cohort, overbite=-0.6, wanted=2.0, lever=per_mm, lever_range=(per_mm, per_mm))
    assert row(result, "upper molars")["upper_molar"] == pytest.approx(-1.0)


@pytest.mark.parametrize("rise", [-3.0, -0.4, 0.4, 3.0])
def test_the_hinge_goes_both_ways(rise):
    model = hinge(FACE)
    intrusion = float(model.intrusion_for(rise))
    assert model.effects(intrusion)["overbite"] == pytest.approx(rise, abs=1e-12)
    assert float(model.overbite(intrusion)) == pytest.approx(rise, abs=1e-12)
    assert np.sign(intrusion) == np.sign(rise)


def test_a_rise_beyond_the_circle_of_the_incisor_is_refused():
    model = hinge(FACE)
    radius = float(np.hypot(82.4, 30.1))  # from the centre, 7.4 behind and 16.9 below condylion
    model.intrusion_for(radius + 30.1 - 1e-9)
    with pytest.raises(
        CannotAnswer, match=r"rise of 117\.\d+ mm lies beyond the circle of the lower inc"
    ):
        model.intrusion_for(radius + 30.1 + 0.01)


def test_a_patient_with_cephalometry_has_the_lever_of_the_hinge(cohort):
    film = pd.DataFrame(
        [("P001", name, x, y) for name, (x, y) in FACE.items()],
        columns=["patient", "landmark", "x", "y"],
    )
    result = asked(cohort, patient="P001", cephalometry=film, size=MANY)
    model = hinge(FACE)
    assert result.lever.model == model
    assert result.lever.per_mm == pytest.approx(model.lever)
    assert result.lever.low == result.lever.high  # a range of none stays one of none
    ranged = asked(cohort, patient="P001", cephalometry=film, lever_range=(1.5, 3.0)).lever
    assert (ranged.low / ranged.per_mm, ranged.high / ranged.per_mm) == pytest.approx((0.75, 1.5))
    molars = row(result, "upper molars")
    assert molars["upper_molar"] == pytest.approx(-float(model.intrusion_for(-2.0)))
    effects = model.effects(-0.5 * molars["upper_molar"])  # a rate of 0.5
    for name in ("overjet", "lower_face_height", "mandibular_plane"):
        assert molars[name] == pytest.approx(effects[name], abs=0.02)
    assert molars["lower_face_height"] > 0  # extruded molars lengthen the face
    assert row(asked(cohort), "upper molars")[["overjet", "mandibular_plane"]].isna().all()
    assert any("hinge of this face" in note for note in result.notes)


# -------------------------------------------------------- what is kept, and what is not explained


def kept(patients, achieved=0.3):
    stayed = [(f"Q{i:03}", 11, 0.0, achieved + 0.1 * (i % 2)) for i in range(patients)]
    return cohort_of([("P001", 31, -1.0, -0.5), *stayed])


@pytest.mark.parametrize(("patients", "known"), [(4, False), (5, True)])
def test_side_movement_of_kept_teeth_counts_from_five_patients_on(patients, known):
    result = asked(kept(patients), size=MANY)
    of = result.kept.set_index("group").loc["upper_incisor"]
    assert (of["patients"], bool(of["known"])) == (patients, known)
    found = row(result, "lower incisors")
    assert found["from_upper_incisor"] == pytest.approx(0.34 if known else 0.0, abs=0.01)
    said = [n for n in result.notes if "is not known of" in n]
    assert any(("upper incisors" in note) is not known for note in said)


def test_the_patient_says_nothing_of_how_others_stay():
    rows = [("P001", 11, 0.0, 2.0), *[(f"Q{i:03}", 11, 0.0, 0.1) for i in range(5)]]
    result = asked(cohort_of(rows, [("P001", 0, 4.0)]), patient="P001")
    assert result.kept.set_index("group").loc["upper_incisor", "mean"] == pytest.approx(0.1)


def parts_of(patients):
    """Patients in whom all four groups are measured; 0.5 mm of each change is not explained."""
    teeth = (11, 31, 16, 36)
    moved = {11: -0.5, 31: -0.5, 16: 0.0, 36: 0.0}
    rows = [(f"Q{i:03}", t, -1.0, moved[t]) for i in range(patients) for t in teeth]
    bites = [(f"Q{i:03}", k, v) for i in range(patients) for k, v in ((0, 4.0), (1, 2.5))]
    return cohort_of(rows, bites)


@pytest.mark.parametrize(("patients", "known"), [(4, False), (5, True)])
def test_what_teeth_do_not_explain_counts_from_five_patients_on(patients, known):
    past = parts_of(patients)
    result = asked(past, unexplained=None)
    assert result.unexplained == pytest.approx(0.5) if known else np.isnan(result.unexplained)
    assert any("too high" in n and "explain" in n for n in result.notes) is not known
    widths = [
        row(one, "lower incisors")["high_80"] - row(one, "lower incisors")["low_80"]
        for one in (result, asked(past))
    ]
    assert bool(widths[0] > 1.5 * widths[1]) is known


def test_streams_of_teeth_and_of_the_rest_are_not_the_same():
    teeth = Normal(patient=1.0, residual=0.0).joint(pd.DataFrame({"planned": [1.0]}), seed=3)
    empty = pd.DataFrame({"group": [], "patients": [], "mean": [], "sd": [], "known": []})
    rest = Spread.of(empty, Lever(2.0, 1.5, 3.0), 1.0, np.inf, size=4000, seed=3)
    assert abs(np.corrcoef(teeth[:, 0], rest.rest)[0, 1]) < 0.06
    assert abs(np.corrcoef(teeth[:, 0], np.log(rest.lever))[0, 1]) < 0.06


# -------------------------------------------------------------------------------------- verdicts


def of_class(**past):
    return Normal(past={"incisor intrusion": Past("incisor intrusion", **past)})


@pytest.mark.parametrize(("patients", "verdict"), [(9, "wide"), (10, "supported")])
def test_ten_patients_of_the_class_are_enough(cohort, patients, verdict):
    found = row(asked(cohort, of_class(class_patients=patients)), "lower incisors")
    assert found["verdict"] == verdict
    assert ("9 past patients, and 10 are enough" in found["why"]) is (verdict == "wide")


@pytest.mark.parametrize(("patients", "verdict"), [(4, "not supported"), (5, "supported")])
def test_fewer_than_five_patients_in_a_direction_give_no_plan(cohort, patients, verdict):
    result = asked(cohort, of_class(direction_patients=patients))
    found = row(result, "lower incisors")
    assert found["verdict"] == verdict
    assert pd.isna(found["on_target"]) is (verdict == "not supported")
    planned = result.teeth.query("option == 'lower incisors'")["planned"]
    assert planned.isna().all() == (verdict == "not supported")
    assert row(result, "upper molars")["verdict"] == "supported"  # another direction


@pytest.mark.parametrize(("largest", "verdict"), [(2.0, "supported"), (1.99, "wide")])
def test_a_plan_beyond_the_largest_past_one_is_wide(cohort, largest, verdict):
    assert row(asked(cohort, of_class(largest=largest)), "lower incisors")["verdict"] == verdict


@pytest.mark.parametrize(("largest", "beyond"), [(1.0, False), (0.99, True)])
def test_a_plan_of_more_than_twice_the_largest_is_not_made(cohort, largest, beyond):
    result = asked(cohort, of_class(largest=largest))
    found = row(result, "lower incisors")
    assert (found["verdict"] == "beyond the records") is beyond
    assert pd.isna(found["expected"]) is beyond
    # the plan with the best chance is looked for among those within the records
    best = row(result, "lower incisors", BEST)
    assert best["verdict"] == "wide"
    assert pd.notna(best["on_target"])
    sizes = result.teeth.query("option == 'lower incisors' and plan == 'best chance'")["planned"]
    assert (sizes.abs() <= 2 * largest + 1e-9).all()


@pytest.mark.parametrize(("largest_any", "beyond"), [(1.0, False), (0.99, True)])
def test_where_no_tooth_of_the_class_went_this_way_any_tooth_is_the_measure(
    cohort, largest_any, beyond
):
    engine = of_class(class_patients=0, largest=0.0, largest_any=largest_any)
    found = row(asked(cohort, engine), "lower incisors")
    assert (found["verdict"] == "beyond the records") is beyond


def test_a_range_wider_than_the_change_is_wide(cohort):
    # 80 % range of the overbite: 2 x 1.2816 x SD; 1 mm of change, 2 x 0.5 mm of tolerance
    for rest, verdict in ((0.37, "supported"), (0.40, "wide")):
        engine = Normal(patient=0.0, residual=0.01)
        result = asked(cohort, engine, "lower incisors", overbite=3.0, unexplained=rest)
        assert row(result, "lower incisors")["verdict"] == verdict


@pytest.mark.parametrize(("now", "options"), [(2.5, 0), (2.51, 21), (1.5, 0), (1.49, 21)])
def test_nothing_is_planned_within_the_tolerance(cohort, now, options):
    result = asked(cohort, overbite=now)
    assert len(result.options) == options
    assert any("nothing to plan" in note for note in result.notes) is (options == 0)
    assert repr(result)


def test_absent_teeth_are_not_planned_and_a_group_without_teeth_is_not_possible(cohort):
    result = asked(cohort, absent=[31, 41, 42, 36, 37, 46, 47])
    lower = result.teeth.query("option == 'lower incisors' and plan == 'as aimed'")
    assert lower["tooth"].tolist() == [32]
    found = row(result, "upper and lower molars")
    assert (found["verdict"], found["why"]) == ("not possible", "No lower molars are there.")
    assert set(result.options["plan"]) == set(OPTIONS)


# -------------------------------------------------------------------------------- input and words


def test_overbite_and_target_are_those_of_the_last_measure(cohort):
    result = bite_target(cohort, "P001", expectation=Normal(), size=50)
    assert (result.now, result.wanted, result.change) == (4.0, 2.0, -2.0)
    assert not any("measured before" in note for note in result.notes)
    stale = bite_target(cohort, "P002", expectation=Normal(), size=50)
    assert any("last measured before the first course" in note for note in stale.notes)


def test_own_courses_count_only_for_a_patient_of_the_expectation(cohort):
    engine = Normal()
    bite_target(cohort, "P001", expectation=engine, size=50)
    bite_target(cohort, "P002", expectation=engine, size=50, wanted=1.0)
    assert set(engine.asked) == {"P001", None}


@pytest.mark.parametrize(
    ("options", "error", "words"),
    [
        ({"patient": "P1"}, CannotAnswer, "is P001 meant"),
        ({"overbite": None}, CannotAnswer, "No patient is named: give overbite"),
        ({"wanted": None}, CannotAnswer, "give wanted, mm"),
        ({"wanted": float("nan")}, CannotAnswer, "must be numbers"),
        ({"over_cap": 0.0}, CannotAnswer, "between 0 and 1"),
        ({"over_cap": 1.0}, CannotAnswer, "between 0 and 1"),
        ({"tolerance": 0.0}, CannotAnswer, "above 0"),
        ({"unexplained": -0.1}, CannotAnswer, "0 or more"),
        ({"lever_range": (2.1, 3.0)}, CannotAnswer, "range around the lever"),
        ({"absent": [19]}, InputError, "19 is no tooth"),
        ({"options": {}}, InputError, "at least one"),
        ({"options": {"x": {"canine": 1.0}}}, InputError, "no group is called canine"),
        ({"options": {"x": {"upper_molar": 0.0}}}, InputError, "above 0"),
        ({"options": {"x": {"upper_molar": 0.9}}}, InputError, "add up to 0.9"),
    ],
)  # fmt: skip
def test_bad_input_is_refused_with_a_remedy(cohort, options, error, words):
    with pytest.raises(error, match=words):
        asked(cohort, **options)


def test_limits_on_aligners_and_factor_hold_plans_down(cohort):
    held = asked(cohort, limits=PlanLimits(aligners=6), rules=Rules(max_factor=1.5))
    teeth = held.teeth[
        (held.teeth["option"] == "lower incisors") & (held.teeth["plan"] != AS_AIMED)
    ]
    assert teeth["planned"].abs().max() == pytest.approx(1.5)  # 6 aligners of 0.25 mm
    assert row(held, "lower incisors", BEST)["aligners"] == 6
    free = asked(cohort, rules=Rules(max_factor=1.5))
    assert row(free, "lower incisors", DIRECT)["aligners"] == 12  # 1.5 times 2 mm


def test_it_shows_itself_with_signs_cautions_and_the_likeliest_first(cohort):
    result = asked(cohort)
    assert result.best["on_target"].is_monotonic_decreasing
    text = repr(result)
    assert "the bite is to open by 2.0" in text
    assert "intrusion (into the bone" in text
    assert "clinician decides" in text
    page = result._repr_html_()
    assert "<table" in page
    assert "Always:" in page


def test_the_same_seed_gives_the_same_numbers(cohort):
    one, two = (asked(cohort, seed=4).options for _ in range(2))
    pd.testing.assert_frame_equal(one, two)
    assert not one["expected"].equals(asked(cohort, seed=5).options["expected"])
