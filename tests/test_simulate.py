"""Simulated cohorts hold what was put in: checked by moments, without any fitting code."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.domain.limits import TOLERANCE
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.tables import TABLES
from outcomes.domain.teeth import tooth_class
from outcomes.simulate import DEFAULT_RATES, simulate_cohort, simulate_rates, with_bad_rows
from outcomes.simulate.mess import KINDS
from outcomes.simulate.scenario import OVERCORRECTION, WORTH_CONTINUING
from tests.contract import pandera_schema


def pair_moment(residual: pd.Series, planned: pd.Series, keys: list[pd.Series]) -> float:
    """Σ r_i r_j p_i p_j / Σ (p_i p_j)² over pairs i≠j within keys: E = variance of the slope.

    Method of moments for the rate model, independent of any likelihood (own derivation).
    """
    rp, pp = residual * planned, planned**2
    sums = pd.DataFrame({"rp": rp, "rp2": rp**2, "pp": pp, "pp2": pp**2}).groupby(keys).sum()
    return float((sums["rp"] ** 2 - sums["rp2"]).sum() / (sums["pp"] ** 2 - sums["pp2"]).sum())


# simulate_rates ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def many() -> pd.DataFrame:
    return simulate_rates(
        4000,
        seed=3,
        patient_sd=0.12,
        tooth_sd=0.09,
        residual_sd=1.5,
        teeth_per_patient=10,
        rows_per_tooth=2,
        attachment_effect=0.1,
        attachment_share=0.3,
        effects=True,
    )


def expected(rows: pd.DataFrame) -> pd.Series:
    rate = rows["tooth_class"].astype(str).map(DEFAULT_RATES["rotation"])
    return (rate + 0.1 * rows["attachment"]) * rows["planned"]


def test_rates_by_class_are_those_put_in(many):
    plain = many[many["attachment"] == 0]
    top = (plain["achieved"] * plain["planned"]).groupby(plain["tooth_class"], observed=True).sum()
    pooled = top / (plain["planned"] ** 2).groupby(plain["tooth_class"], observed=True).sum()
    for name, rate in DEFAULT_RATES["rotation"].items():
        assert pooled[name] == pytest.approx(rate, abs=0.01)  # SE is about 0.003


def test_spread_by_moments_is_what_was_put_in(many):
    residual = many["achieved"] - expected(many)
    same_tooth = pair_moment(residual, many["planned"], [many["patient"], many["tooth"]])
    assert same_tooth == pytest.approx(0.12**2 + 0.09**2, rel=0.05)
    assert many["patient_effect"].groupby(many["patient"]).first().std() == pytest.approx(
        0.12, rel=0.04
    )
    between = pair_moment(
        residual - many["tooth_effect"] * many["planned"], many["planned"], [many["patient"]]
    )
    assert between == pytest.approx(0.12**2, rel=0.06)
    slope = many["patient_effect"] + many["tooth_effect"]
    assert (residual - slope * many["planned"]).std() == pytest.approx(1.5, rel=0.01)


def test_attachment_and_share(many):
    assert many["attachment"].mean() == pytest.approx(0.3, abs=0.01)
    constant = many.groupby(["patient", "tooth"])["attachment"].nunique()
    assert (constant == 1).all()


def test_tooth_class_is_that_of_the_tooth(many):
    one = many.drop_duplicates("tooth")
    assert one["tooth_class"].tolist() == list(tooth_class(one["tooth"].tolist()))
    assert many["tooth_class"].cat.ordered


def test_same_seed_same_rows_other_seed_other_rows():
    first, again, other = (simulate_rates(5, seed=s) for s in (1, 1, 2))
    pd.testing.assert_frame_equal(first, again)
    assert not np.array_equal(first["achieved"], other["achieved"])


def test_a_generator_can_be_passed_on():
    rng = np.random.default_rng(1)
    first, second = simulate_rates(5, seed=rng), simulate_rates(5, seed=rng)
    assert not np.array_equal(first["achieved"], second["achieved"])
    pd.testing.assert_frame_equal(first, simulate_rates(5, seed=1))


def departures(**options) -> pd.DataFrame:
    rows = simulate_rates(
        2000, seed=5, rates=0.5, patient_sd=0.0, tooth_sd=0.0, residual_sd=1.0, **options
    )
    return rows.assign(
        residual=rows["achieved"] - 0.5 * rows["planned"], size=rows["planned"].abs() / 6.0
    )


def test_residual_spread_can_grow_with_the_plan():
    rows = departures(heteroscedastic=1.0)
    near = rows.loc[rows["size"] < 0.1, "residual"].std()
    far = rows.loc[(rows["size"] - 1).abs() < 0.1, "residual"].std()
    assert near == pytest.approx(1.05, rel=0.05)
    assert far == pytest.approx(2.0, rel=0.05)


def test_wild_outliers():
    rows = departures(outliers=0.05)
    # P(|8 z| > 4) = 0.617, standard normal
    assert (rows["residual"].abs() > 4).mean() == pytest.approx(0.05 * 0.617, rel=0.1)


def test_departure_from_a_straight_line():
    rows = departures(size_effect=-0.1)
    residual = rows["residual"] * np.sign(rows["planned"])
    slope = np.polyfit(rows["size"] ** 2 * 6.0, residual, 1)[0]
    assert slope == pytest.approx(-0.1, abs=0.005)


def test_one_patient_can_hold_half_of_the_rows():
    rows = simulate_rates(12, seed=1, dominant=0.5)
    share = rows["patient"].value_counts(normalize=True)
    assert share["P001"] == pytest.approx(0.5, abs=1e-9)
    assert share.drop("P001").nunique() == 1


def test_skewed_patient_effects_keep_their_sd():
    rows = simulate_rates(20_000, seed=1, teeth_per_patient=1, skew=1.5, effects=True)
    effect = rows["patient_effect"]
    assert effect.std() == pytest.approx(0.10, rel=0.03)
    assert effect.mean() == pytest.approx(0.0, abs=0.003)
    assert effect.skew() == pytest.approx(1.5, abs=0.15)


def test_benchmark_size_has_the_rows_promised():
    rows = simulate_rates(5000, seed=1, teeth_per_patient=28, rows_per_tooth=3)
    assert len(rows) == 420_000
    assert rows["patient"].nunique() == 5000
    assert not rows.duplicated(["patient", "tooth", "course"]).any()


@pytest.mark.parametrize(
    "wrong",
    [
        {"movement": "bodily"},
        {"rates": {"wisdom": 0.4}},
        {"patient_sd": -0.1},
        {"residual_sd": float("nan")},
        {"teeth_per_patient": 29},
        {"patients": 0},
        {"outliers": 1.2},
        {"dominant": 1.0},
        {"dominant": 0.5, "patients": 1},
    ],
)
def test_a_number_outside_its_range_is_an_error(wrong):
    with pytest.raises(ValueError, match=r"must be|use one of|needs at least"):
        simulate_rates(**{"seed": 1, **wrong})


@given(
    patients=st.integers(1, 8),
    teeth=st.integers(1, 28),
    rows=st.integers(1, 3),
    movement=st.sampled_from(sorted(MOVEMENTS)),
    seed=st.integers(0, 2**32),
)
@settings(max_examples=40, deadline=None)
def test_rows_have_the_shape_asked_for(patients, teeth, rows, movement, seed):
    table = simulate_rates(
        patients, seed=seed, movement=movement, teeth_per_patient=teeth, rows_per_tooth=rows
    )
    assert len(table) == patients * teeth * rows
    assert not table.duplicated(["patient", "tooth", "course"]).any()
    assert np.isfinite(table[["planned", "achieved"]]).all().all()
    assert (table.groupby("patient")["tooth"].nunique() == teeth).all()


# simulate_cohort ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def practice():
    return simulate_cohort(
        patients=700,
        seed=11,
        patient_sd=0.12,
        tooth_sd={"mm": 0.10, "degree": 0.08},
        attachment_effect={"rotation": 0.08},
        site_sd=0.0,
    )


@pytest.fixture(scope="module")
def measured(practice):
    rows = practice.movements.dropna(subset="achieved")
    rows = rows[rows["planned"] != 0]
    return rows.assign(tooth_class=np.asarray(tooth_class(rows["tooth"].tolist()), dtype=object))


def test_the_rates_of_first_courses_are_those_put_in(practice, measured):
    first = measured[measured["course"] == 1]
    keys = [first["movement"], first["tooth_class"]]
    top = (first["achieved"] * first["planned"]).groupby(keys).sum()
    pooled = top / (first["planned"] ** 2).groupby(keys).sum()
    truth = practice.truth.rates.set_index(["movement", "tooth_class"])
    error = (pooled - truth["mean_rate"]).abs()
    assert error.max() < 0.05  # SE between 0.005 and 0.013 at 700 patients
    assert error.mean() < 0.012
    without = truth.drop("rotation", level="movement")
    pd.testing.assert_series_equal(without["rate"], without["mean_rate"], check_names=False)
    gain = truth.loc["rotation", "mean_rate"] - truth.loc["rotation", "rate"]
    assert ((gain > 0.01) & (gain < 0.08)).all()


@pytest.mark.parametrize("movement", sorted(MOVEMENTS))
def test_patients_and_teeth_vary_as_much_as_asked(practice, measured, movement):
    rows = measured[(measured["movement"] == movement) & (measured["course"] == 1)]
    rate = rows["tooth_class"].map(
        practice.truth.rates.query("movement == @movement").set_index("tooth_class")["rate"]
    )
    if movement == "rotation":
        rate = rate + 0.08 * (rows["attachment"] != "none")
    residual = rows["achieved"] - rate * rows["planned"]
    patients = pair_moment(residual, rows["planned"], [rows["patient"]])
    assert np.sqrt(patients) == pytest.approx(0.12, abs=0.02)
    spread = practice.truth.spread.set_index("movement").loc[movement]
    slope_variance = spread["patient_sd"] ** 2 + spread["tooth_sd"] ** 2
    left = (residual**2).mean() - slope_variance * (rows["planned"] ** 2).mean()
    assert np.sqrt(left) == pytest.approx(spread["residual_sd"], rel=0.08)


def test_effects_listed_are_the_effects_used(practice, measured):
    effects = practice.truth.patient_effects.rename(columns={"effect": "u"})
    teeth = practice.truth.tooth_effects.rename(columns={"effect": "v"})
    rows = measured.merge(effects, on=["patient", "movement"]).merge(
        teeth, on=["patient", "tooth", "movement"]
    )
    assert len(rows) == len(measured)
    rows = rows.merge(practice.truth.rates, on=["movement", "tooth_class"])
    gain = 0.08 * ((rows["movement"] == "rotation") & (rows["attachment"] != "none"))
    left = rows["achieved"] - (rows["rate"] + gain + rows["u"] + rows["v"]) * rows["planned"]
    spread = practice.truth.spread.set_index("movement")["residual_sd"]
    for movement, values in left.groupby(rows["movement"]):
        assert values.std() == pytest.approx(spread[movement], rel=0.04)
        assert abs(values.mean()) < 4 * spread[movement] / np.sqrt(len(values))
    assert rows["v"].groupby(rows["movement"]).std()["vertical"] == pytest.approx(0.10, rel=0.06)
    assert rows["v"].groupby(rows["movement"]).std()["torque"] == pytest.approx(0.08, rel=0.06)


def test_later_courses_aim_at_what_is_left_and_overcorrect(practice, measured):
    keys = ["patient", "tooth", "movement"]
    before = measured.assign(course=measured["course"] + 1)
    later = measured[measured["course"] > 1].merge(
        before, on=[*keys, "course"], how="left", suffixes=("", "_before")
    )
    assert len(later) > 1000
    left = later["aim_before"] - later["achieved_before"]
    np.testing.assert_allclose(later["aim"], left, atol=1e-9)
    unit = later["movement"].map({m.name: m.unit for m in MOVEMENTS.values()})
    factor = unit.map(OVERCORRECTION)
    half_a_digit = unit.map({"mm": 0.0051, "degree": 0.051})
    assert ((later["planned"] - factor * later["aim"]).abs() <= half_a_digit).all()
    assert (later["aim"].abs() >= unit.map(WORTH_CONTINUING) - 1e-9).all()


def test_without_overcorrection_planned_is_the_aim():
    rows = simulate_cohort(patients=20, seed=2, overcorrect=False).movements
    assert (rows["course"] > 1).any()
    pd.testing.assert_series_equal(rows["planned"], rows["aim"], check_names=False)


def test_who_drops_out_has_no_scan_and_no_later_course():
    invented = simulate_cohort(patients=80, seed=2, drop_out=0.3)
    rows = invented.movements
    by_course = rows["achieved"].isna().groupby([rows["patient"], rows["course"]])
    assert (by_course.all() == by_course.any()).all()
    left = by_course.all()
    assert left.groupby(level="course").mean()[1] == pytest.approx(0.3, abs=0.15)
    last = rows.groupby("patient")["course"].max()
    for patient, course in left[left].index:
        assert last[patient] == course
    ends = invented.courses.set_index(["patient", "course"])["end"].isna()
    pd.testing.assert_series_equal(ends, left.loc[ends.index], check_names=False)


def test_unplanned_movements_come_with_their_side_effects(practice):
    rows = practice.movements[practice.movements["planned"] == 0].dropna(subset="achieved")
    assert (rows["aim"] == 0).all()
    molar = np.asarray(tooth_class(rows["tooth"].tolist()), dtype=object) == "molar"
    drift = rows.loc[molar & (rows["movement"] == "mesiodistal"), "achieved"]
    assert drift.mean() == pytest.approx(0.15, abs=0.03)
    still = rows.loc[rows["movement"] == "buccolingual", "achieved"]
    assert still.mean() == pytest.approx(0.0, abs=0.05)
    none = simulate_cohort(patients=10, seed=1, unplanned=False).movements
    assert (none["planned"] != 0).all()


def test_repeats_have_the_error_put_in(practice):
    keys = ["patient", "tooth", "movement", "course"]
    wide = practice.repeats.pivot_table(index=keys, columns=["reader", "reading"], values="value")
    d = wide["R1"][1] - wide["R1"][2]
    for movement, error in (("rotation", 0.6), ("vertical", 0.08)):
        part = d.xs(movement, level="movement")
        dahlberg = np.sqrt((part**2).mean() / 2)  # Dahlberg 1940
        assert dahlberg == pytest.approx(error, rel=0.4)
    assert (wide["R2"].mean(axis=1) - wide["R1"].mean(axis=1)).mean() > 0
    recorded = practice.movements.set_index(keys)["achieved"].loc[wide.index]
    np.testing.assert_allclose(wide["R1"][1], recorded)


def test_the_error_of_a_reading_by_moments():
    one = simulate_cohort(
        patients=15, seed=1, movements=["rotation"], repeat_sd={"degree": 1.2}, drop_out=0
    )
    wide = one.repeats.pivot_table(
        index=["patient", "tooth"], columns=["reader", "reading"], values="value"
    )
    d = pd.concat([wide[r][1] - wide[r][2] for r in ("R1", "R2")])
    assert np.sqrt((d**2).mean() / 2) == pytest.approx(1.2, rel=0.25)


def test_overbite_follows_incisors_and_molars(practice):
    overbite = practice.measures[practice.measures["measure"] == "overbite"]
    wide = overbite.pivot(index="patient", columns="after_course", values="value")
    change = wide.sub(wide[0], axis=0).drop(columns=0).stack().dropna().rename("seen")
    bite = practice.truth.bite.set_index(["patient", "course"])
    both = bite.join(change.rename_axis(["patient", "course"]))
    assert both["seen"].notna().all()
    error = both["seen"] - both["overbite_change"]
    # Two readings of SD 0.2 and rounding to 0.1 each: sqrt(2 (0.04 + 0.01/12)) = 0.286
    assert error.std() == pytest.approx(0.286, rel=0.1)
    parts = both["upper_incisor"] + both["lower_incisor"] + 2.0 * both["posterior"]
    np.testing.assert_allclose(both["overbite_change"], parts)


def test_the_bite_is_made_of_the_recorded_movements():
    one = simulate_cohort(patients=30, seed=4, drop_out=0, repeat_sd=0.0)
    rows = one.movements[(one.movements["movement"] == "vertical")]
    upper = rows[rows["tooth"].isin([11, 12, 21, 22])].groupby(["patient", "course"])["achieved"]
    by_hand = (upper.sum() / 4).groupby(level="patient").cumsum().rename("by_hand")
    bite = one.truth.bite.set_index(["patient", "course"]).join(by_hand)
    bite["by_hand"] = bite["by_hand"].groupby(level="patient").ffill().fillna(0.0)
    np.testing.assert_allclose(bite["upper_incisor"], bite["by_hand"], atol=0.02)


def test_clinicians_belong_to_one_site(practice):
    assert (practice.patients.groupby("clinician")["site"].nunique() == 1).all()
    assert set(practice.patients["site"]) == {"North", "South"}
    assert set(practice.patients["clinician"]) == {"A", "B", "C"}


def test_sites_can_differ():
    options = {"patients": 300, "seed": 6, "movements": ["buccolingual"], "courses": 1}
    far = simulate_cohort(site_sd=0.3, **options)
    rows = far.movements.dropna(subset="achieved").merge(far.patients, on="patient")
    rows = rows[rows["planned"] != 0]
    pooled = (rows["achieved"] * rows["planned"]).groupby(rows["site"]).sum() / (
        rows["planned"] ** 2
    ).groupby(rows["site"]).sum()
    truth = far.truth.site_effects.set_index("site")["effect"]
    assert abs(truth["North"] - truth["South"]) > 0.1
    assert pooled["North"] - pooled["South"] == pytest.approx(
        truth["North"] - truth["South"], abs=0.04
    )


def test_wear_goes_with_the_patients_rates(practice):
    mean = practice.truth.patient_effects.groupby("patient")["effect"].mean()
    wear = practice.courses.groupby("patient")["wear_hours"].mean()
    assert np.corrcoef(mean.loc[wear.index], wear)[0, 1] > 0.5


@given(
    patients=st.integers(1, 6),
    seed=st.integers(0, 2**32),
    courses=st.integers(1, 4),
    drop_out=st.floats(0, 1),
    movements=st.lists(st.sampled_from(sorted(MOVEMENTS)), min_size=1, unique=True),
    skew=st.floats(-2, 2),
    outliers=st.floats(0, 0.2),
)
@settings(max_examples=40, deadline=None)
def test_any_cohort_keeps_to_the_data_model(**options):
    invented = simulate_cohort(**options)
    for name, table in invented.tables.items():
        for column in TABLES[name].required:
            assert column in table
        assert not table.duplicated([k for k in TABLES[name].key if k in table]).any()
        assert set(table["patient"]) <= set(invented.patients["patient"])
    pandera_schema("patients").validate(invented.patients.astype({"age": float}))
    rows = invented.movements
    if len(rows):
        # The contract is that of a cleaned table: rows not measured yet are not in it.
        plain = rows.dropna(subset="achieved").astype({"planned": float, "aim": float})
        pandera_schema("movements").validate(plain.assign(ipr_mm=np.nan))
    assert set(rows["movement"]) <= set(options["movements"])
    assert rows["course"].max() <= options["courses"] if len(rows) else True


def test_same_seed_same_cohort():
    first, again = (simulate_cohort(patients=8, seed=1) for _ in range(2))
    other = simulate_cohort(patients=8, seed=2)
    for name in first.tables:
        pd.testing.assert_frame_equal(first.tables[name], again.tables[name])
    assert not first.movements.equals(other.movements)


@pytest.mark.parametrize(
    "wrong",
    [
        {"patients": 0},
        {"movements": ["bodily"]},
        {"movements": []},
        {"drop_out": -0.1},
        {"malocclusions": {"class 9": 1.0}},
        {"malocclusions": {"crowding": 0.0}},
        {"tooth_sd": {"parsec": 0.1}},
        {"residual_sd": {"mm": -1.0}},
    ],
)
def test_a_cohort_parameter_outside_its_range_is_an_error(wrong):
    with pytest.raises(ValueError, match=r"must|use one of|at least"):
        simulate_cohort(**{"seed": 1, **wrong})


def test_parts_can_be_left_out():
    bare = simulate_cohort(patients=5, seed=1, repeats=False, measures=False)
    assert bare.repeats.empty
    assert bare.measures.empty
    assert len(bare.movements)


def test_a_simulated_cohort_passes_the_checks():
    invented = simulate_cohort(patients=20, seed=3)
    cohort = invented.cohort()
    assert cohort.invented
    assert cohort.problems.query("severity in ('stop', 'exclude')").empty
    assert len(cohort.movements) == invented.movements["achieved"].notna().sum()


# Bad rows ----------------------------------------------------------------------------------------


def test_every_kind_of_bad_cell_stands_where_it_is_listed():
    invented = simulate_cohort(patients=12, seed=1)
    messy = with_bad_rows(invented, seed=1, each=2)
    assert set(messy.planted["kind"]) == {k.name for k in KINDS} | {"duplicate row", "blank row"}
    for bad in messy.planted.itertuples():
        cell = messy.tables[bad.table][bad.column].iloc[bad.row - 2]
        assert bad.value == ("" if cell is None or cell is np.nan else str(cell)), bad
    cells = messy.planted[["table", "row"]]
    assert not cells.duplicated().any()


def test_only_the_planted_cells_differ():
    invented = simulate_cohort(patients=12, seed=1)
    messy = with_bad_rows(invented, seed=1)
    n = len(invented.movements)
    before, after = invented.movements.astype(object), messy.movements.iloc[:n]
    differs = (before.where(before.notna(), "") != after.where(after.notna(), "")).any(axis=1)
    listed = messy.planted.query("table == 'movements' and row <= @n + 1")["row"] - 2
    assert set(np.flatnonzero(differs)) == set(listed)


def test_wrong_way_rows_go_beyond_the_tolerance():
    messy = with_bad_rows(simulate_cohort(patients=40, seed=1), seed=1, each=5)
    rows = messy.movements.iloc[messy.planted.query("kind == 'opposite sign'")["row"] - 2]
    for row in rows.itertuples():
        unit = MOVEMENTS[row.movement].unit
        assert row.achieved * np.sign(row.planned) < -TOLERANCE[unit]


def test_kinds_can_be_left_out_and_counted():
    invented = simulate_cohort(patients=12, seed=1)
    messy = with_bad_rows(
        invented, seed=1, each={"decimal comma": 3}, leave_out=["Excel error", "blank row"]
    )
    counts = messy.planted["kind"].value_counts()
    assert counts["decimal comma"] == 3
    assert counts["capitals"] == 1
    assert "Excel error" not in counts
    with pytest.raises(ValueError, match="no such kind"):
        with_bad_rows(invented, seed=1, leave_out=["typo"])
    with pytest.raises(ValueError, match="simulate more patients"):
        with_bad_rows(simulate_cohort(patients=1, seed=1), seed=1, each=50)


def test_bad_rows_can_be_asked_for_at_once():
    assert len(simulate_cohort(patients=12, seed=1, bad_rows=True).planted)
