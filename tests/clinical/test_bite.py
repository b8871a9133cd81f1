"""What changed the bite: the hinge against rigid motion and published values, the sum of parts."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation

from outcomes.clinical.bite import bite_change
from outcomes.clinical.hinge import hinge, published_per_mm
from outcomes.cohort.read import from_frames
from outcomes.errors import CannotAnswer
from outcomes.simulate import simulate_cohort

# An adult face, mm from condylion along and below the Frankfort plane (plausible, from memory; not a
# patient).
FACE = {
    "condylion": (0.0, 0.0),
    "lower_molar": (47.0, -42.0),
    "lower_incisor": (75.0, -47.0),
    "menton": (64.0, -93.0),
    "pogonion": (72.0, -85.0),
}

faces = st.builds(
    lambda molar, ahead, drop, low: {
        "centre": (0.0, 0.0),
        "lower_molar": (molar, -low),
        "lower_incisor": (molar + ahead, -low - drop),
        "menton": (molar + ahead - 10, -low - drop - 45),
        "pogonion": (molar + ahead - 2, -low - drop - 35),
    },
    st.floats(20, 70),
    st.floats(15, 40),
    st.floats(0, 10),
    st.floats(10, 50),
)


# ------------------------------------------------------------------------------------- hinge


@settings(max_examples=60, deadline=None)
@given(faces, st.floats(-3, 3), st.floats(-20, 20))
def test_the_mandible_moves_rigidly_and_the_molar_meets_again(face, intrusion, slope):
    model = hinge(face, occlusal_plane=slope)
    t = np.radians(slope)
    x, y = face["lower_molar"]
    # on its circle the molar cannot go beyond the radius: that is another test
    assume(abs(x * np.sin(t) + y * np.cos(t) + intrusion) < 0.99 * np.hypot(x, y))
    moved = model.moved(intrusion)
    before = np.array([model.points[name] for name in moved["landmark"]])
    after = moved[["x", "y"]].to_numpy()
    # scipy finds the one rotation about the centre that explains all landmarks, without a residual
    flat = np.zeros((len(before), 1))
    turn, left = Rotation.align_vectors(
        np.hstack([after - model.centre, flat]), np.hstack([before - model.centre, flat])
    )
    assert left < 1e-5
    assert turn.as_rotvec(degrees=True) == pytest.approx([0, 0, model.angle(intrusion)], abs=1e-6)
    # the contact is kept: the molar rises by the intrusion, at right angles to the plane
    assert moved.loc[0, ["dx", "dy"]].to_numpy(float) @ [np.sin(t), np.cos(t)] == pytest.approx(
        intrusion, abs=1e-9
    )


def test_the_angle_is_the_root_that_scipy_finds():
    model = hinge(FACE)
    x, y = np.array(FACE["lower_molar"]) - model.centre

    def gap(turn):
        return x * np.sin(turn) + y * np.cos(turn) - y - 1.5

    assert model.angle(1.5) == pytest.approx(np.degrees(brentq(gap, -0.2, 0.2)))


@settings(max_examples=30, deadline=None)
@given(faces, st.floats(-15, 15))
def test_per_mm_is_the_derivative_of_the_exact_motion(face, slope):
    model = hinge(face, occlusal_plane=slope)
    table = model.per_mm.set_index("quantity")
    step = 1e-5
    for quantity, change in model.effects(step).items():
        numeric = (change - model.effects(-step)[quantity]) / (2 * step)
        assert table.loc[quantity, "per_mm"] == pytest.approx(numeric, rel=1e-5, abs=1e-6)
    assert model.lever == pytest.approx(table.loc["overbite", "per_mm"])
    assert table.loc["mandibular_plane", "per_degree"] == pytest.approx(-1)


def test_a_worked_example():
    # Arms of 30 and 60 mm level with the centre: the edge rises twice as far as the molar, and
    # 1 mm at 30 mm is asin(1/30) = 1.910 degrees.
    face = {"centre": (0, 0), "lower_molar": (30, 0), "lower_incisor": (60, 0)}
    model = hinge(face)
    assert model.lever == pytest.approx(2.0)
    assert model.angle(1.0) == pytest.approx(1.9102, abs=1e-4)
    assert model.effects(1.0)["overbite"] == pytest.approx(2.0)
    assert model.effects(-1.0)["overbite"] == pytest.approx(-2.0)


def test_the_published_centre_lies_behind_and_below_condylion():
    # 7.4 mm behind, 16.9 mm below: Angle Orthod 2018;88(5):538-544, doi:10.2319/102317-714.1
    assert hinge(FACE).centre == pytest.approx((-7.4, -16.9))
    assert hinge(FACE, centre=(1, -2)).centre == (1, -2)
    assert hinge({**FACE, "centre": (3, -4)}).centre == (3, -4)


def test_published_changes_of_an_adult_face():
    # Same paper: overbite +2.6 mm, face height -1.7 mm, pogonion +2.3 mm, plane -2.0 degrees per mm
    # of intrusion. Per degree of rotation this depends on where the landmarks lie, not on where the
    # molars met; an ordinary face about the published centre gives the bite and the chin within
    # 15 %. The face height is less near (0.85 published, 1.25 here): its upper end is not rigid.
    table = hinge(FACE).per_mm.set_index("quantity")
    assert table.loc["overbite", "published_per_mm"] == 2.6
    assert table.loc["lower_face_height", "published_per_mm"] == -1.7
    assert table.loc["pogonion_forwards", "published_per_mm"] == 2.3
    assert table.loc["mandibular_plane", "published_per_mm"] == -2.0
    for name in ("overbite", "pogonion_forwards"):
        ours, theirs = table.loc[name, ["per_degree", "published_per_degree"]]
        assert ours == pytest.approx(theirs, rel=0.15)
    assert table.loc["lower_face_height", "per_degree"] == pytest.approx(-0.85, abs=0.45)
    # Prog Orthod 2018;19:13: overjet about 60 % of the intrusion
    assert table.loc["overjet", "per_mm"] == pytest.approx(-0.6, abs=0.1)
    # A plane that turns 2 degrees per mm means a contact 28.6 mm in front of the centre: the
    # published lever then follows within 15 % as well.
    near = hinge({**FACE, "lower_molar": (-7.4 + np.degrees(1) / 2.0, -42.0)})
    assert near.per_mm.set_index("quantity").loc["mandibular_plane", "per_mm"] == pytest.approx(-2)
    assert near.lever == pytest.approx(2.6, rel=0.15)
    # and the lever that is assumed without a hinge lies between the two
    assert hinge(FACE).lever < 2.0 < near.lever


def test_published_values_come_from_the_shared_file():
    table = published_per_mm()
    assert table["doi"].str.startswith("10.").all()
    assert table.query("quantity == 'lower_face_height'")["per_mm"].tolist() == [-1.7, -1.0]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"lower_molar": None}, "No landmark lower_molar"),
        ({"condylion": None}, "give condylion or centre"),
        ({"lower_molar": (80, -42)}, "x counts forwards"),
        ({"lower_molar": (-47, -42), "lower_incisor": (-75, -47)}, "x counts forwards"),
        ({"menton": (64, 93)}, "menton must lie below"),
        ({"lower_molar": (47, 42), "menton": None, "pogonion": None}, "y counts upwards"),
        ({"lower_incisor": (75, np.nan)}, "two numbers"),
    ],
)
def test_coordinates_that_make_no_hinge(change, says):
    face = {name: value for name, value in {**FACE, **change}.items() if value is not None}
    with pytest.raises(CannotAnswer, match=says):
        hinge(face)


def test_an_intrusion_beyond_the_circle():
    with pytest.raises(CannotAnswer, match="beyond the circle"):
        hinge(FACE).angle(100.0)


# ------------------------------------------------------------------------------- bite change


def case(patient="P001", *, upper=0.8, lower=0.2, molars=-0.5, bite=(-1.0, 2.0), course=1):
    teeth = {
        **dict.fromkeys((11, 12, 21, 22), upper),
        **dict.fromkeys((31, 32, 41, 42), lower),
        **dict.fromkeys((16, 17, 26, 27), molars),
        # meant to stay, measured, and stayed: a zero
        **dict.fromkeys((36, 37, 46, 47), 0.0),
    }
    rows = pd.DataFrame(
        {
            "patient": patient,
            "tooth": list(teeth),
            "movement": "vertical",
            "planned": [v * 1.5 for v in teeth.values()],
            "achieved": list(teeth.values()),
            "course": course,
        }
    )
    measures = pd.DataFrame(
        [(patient, k, "overbite", value) for k, value in enumerate(bite) if value is not None],
        columns=["patient", "after_course", "measure", "value"],
    )
    return rows, measures


def cohort(*cases, patients=None, measures=()):
    rows, bites = zip(*cases, strict=True)
    return from_frames(
        pd.concat(rows, ignore_index=True),
        patients,
        measures=pd.concat([*bites, *measures], ignore_index=True),
        notation="fdi",
    )


def test_one_patient_by_hand():
    result = bite_change(cohort(case()))
    row = result.patients.iloc[0]
    assert row["change"] == pytest.approx(3.0)
    assert row[["upper_incisor", "lower_incisor", "posterior"]].tolist() == pytest.approx(
        [0.8, 0.2, 0.5]
    )
    assert row["from_posterior"] == pytest.approx(1.0)  # 0.5 mm x 2
    assert row["unexplained"] == pytest.approx(1.0)  # 3 - 0.8 - 0.2 - 1
    assert row["unexplained_low"] == pytest.approx(0.5)  # lever 3
    assert row["unexplained_high"] == pytest.approx(1.25)  # lever 1.5
    assert result.average["low"].isna().all()
    assert "One patient: no interval." in result.notes
    average = result.average.set_index("component")
    assert average.loc["from_posterior", ["range_low", "range_high"]].tolist() == pytest.approx(
        [0.75, 1.5]
    )
    repr(result)
    result._repr_html_()


def test_averages_add_up_and_have_the_t_interval_of_pingouin():
    import pingouin as pg

    cases = [
        case(f"P{i:03d}", upper=0.3 * i, molars=-0.2 * i, bite=(0.0, 1.0 + 0.9 * i))
        for i in range(1, 6)
    ]
    result = bite_change(cohort(*cases), level=0.9)
    average = result.average.set_index("component")
    parts = ["upper_incisor", "lower_incisor", "from_posterior", "unexplained"]
    assert average.loc[parts, "mean"].sum() == pytest.approx(average.loc["change", "mean"])
    t = pg.ttest(result.patients["upper_incisor"], 0, confidence=0.9)
    low, high = t.filter(like="CI").iloc[0, 0]  # rounded to 2 decimals
    assert average.loc["upper_incisor", ["low", "high"]].tolist() == pytest.approx(
        [low, high], abs=0.0051
    )


def all_recorded(made):
    """The invented incisors and molars without a record stood still: write these zeros down."""
    rows = made.movements[["patient", "tooth", "movement", "planned", "achieved", "course"]]
    seen = rows[["patient", "course"]].drop_duplicates()
    teeth = [10 * q + n for q in (1, 2, 3, 4) for n in (1, 2, 6, 7)]
    whole = seen.merge(pd.Series(teeth, name="tooth"), how="cross")
    rows = rows[rows["movement"] == "vertical"].merge(whole, how="outer")
    rows[["planned", "achieved"]] = rows[["planned", "achieved"]].fillna(0.0)
    rows["movement"] = "vertical"
    measures = made.measures.drop(columns="row")
    return from_frames(rows, measures=measures, notation="fdi")


def test_the_lever_that_made_the_data_is_found_again():
    for lever in (1.6, 2.0, 2.8):
        made = simulate_cohort(
            patients=60,
            seed=3,
            lever=lever,
            movements=["vertical"],
            malocclusions={"open bite": 1.0},
            residual_sd={"mm": 0.09},
            drop_out=0.0,
        )
        result = bite_change(all_recorded(made.cohort()), lever=lever, lever_range=(1.5, 3.0))
        row = result.comparison.query("quantity == 'overbite'").iloc[0]
        assert row["source"] == "this cohort"
        assert row["low"] < lever < row["high"]
        assert row["high"] - row["low"] < 0.4
        unexplained = result.average.set_index("component").loc["unexplained"]
        assert unexplained["low"] < 0.0 < unexplained["high"]


def test_a_patient_with_coordinates_has_their_own_lever():
    film = pd.DataFrame([("P001", k, x, y) for k, (x, y) in FACE.items()])
    film.columns = ["patient", "landmark", "x", "y"]
    bad = film.assign(patient="P002", x=-film["x"])
    result = bite_change(cohort(case(), case("P002")), pd.concat([film, bad]))
    rows = result.patients.set_index("patient")
    assert rows["lever_source"].to_dict() == {"P001": "hinge", "P002": "assumed"}
    assert rows.loc["P001", "lever"] == pytest.approx(hinge(FACE).lever)
    assert rows.loc["P001", "unexplained_low"] == rows.loc["P001", "unexplained_high"]
    assert any(note.startswith("P002: no hinge.") for note in result.notes)
    table = result.comparison.set_index(["quantity", "source"])["per_mm"]
    assert table["pogonion_forwards", "hinge model, mean"] == pytest.approx(1.2518, abs=1e-4)
    assert table["pogonion_forwards", "Angle Orthod 2018;88(5):538-544"] == 2.3
    # a landmark whose coordinates are blank is not there; the others make the hinge
    part = film.assign(x=film["x"].mask(film["landmark"] == "menton"))
    found = bite_change(cohort(case()), part)
    assert found.patients["lever_source"].tolist() == ["hinge"]
    model = found.comparison.query("source == 'hinge model, mean'")["quantity"]
    assert "pogonion_forwards" in set(model)
    assert "lower_face_height" not in set(model)
    twice = bite_change(cohort(case()), pd.concat([film, film]))
    assert any("given twice" in note for note in twice.notes)


def test_courses_add_up_to_the_last_overbite_and_no_further():
    first, bite = case(bite=(-1.0, 0.5))
    second = case(course=2)[0]
    third = case(course=3, upper=9.0)[0]
    measures = pd.concat([bite, bite.iloc[1:].assign(after_course=2, value=1.5)])
    result = bite_change(cohort((pd.concat([first, second, third]), measures)))
    row = result.patients.iloc[0]
    assert (row["after_course"], row["end"]) == (2, 1.5)
    assert row["upper_incisor"] == pytest.approx(1.6)
    gap = bite_change(cohort((pd.concat([first, third]), measures))).patients.iloc[0]
    assert gap["note"].startswith("no measured movement in course 2; no upper incisors, ")
    assert np.isnan(gap[["upper_incisor", "posterior", "unexplained"]].astype(float)).all()


def test_a_tooth_without_a_record_is_not_a_tooth_that_stayed():
    rows, measures = case()
    one = rows[~rows["tooth"].isin([12, 21, 22])]
    row = bite_change(cohort((one, measures))).patients.iloc[0]
    assert (row["upper_incisor_teeth"], row["upper_incisor"]) == (1, pytest.approx(0.8))
    # the same with the rows there and their results blank
    blank = rows.assign(achieved=rows["achieved"].mask(rows["tooth"].isin([12, 21, 22])))
    assert bite_change(cohort((blank, measures))).patients.iloc[0]["upper_incisor_teeth"] == 1
    # measured, and stayed: it counts
    still = rows.assign(achieved=rows["achieved"].mask(rows["tooth"].isin([12, 21, 22]), 0.0))
    row = bite_change(cohort((still, measures))).patients.iloc[0]
    assert (row["upper_incisor_teeth"], row["upper_incisor"]) == (4, pytest.approx(0.2))


@pytest.mark.parametrize(
    ("teeth", "part", "name"),
    [
        ((11, 12, 21, 22), "upper_incisor", "no upper incisors"),
        ((31, 32, 41, 42), "lower_incisor", "no lower incisors"),
        ((16, 17, 26, 27), "upper_molar", "no upper molars"),
        ((36, 37, 46, 47), "lower_molar", "no lower molars"),
    ],
)
def test_a_part_that_was_not_measured_is_missing_and_so_is_what_rests_on_it(teeth, part, name):
    rows, measures = case()
    row = bite_change(cohort((rows[~rows["tooth"].isin(teeth)], measures))).patients.iloc[0]
    assert np.isnan(row[part])
    assert np.isnan(row["unexplained"])
    assert np.isnan(row["posterior"]) == part.endswith("molar")
    assert row["note"] == f"{name} with a vertical result in the course"
    others = {"upper_incisor": 0.8, "lower_incisor": 0.2, "upper_molar": 0.5, "lower_molar": 0.0}
    for other, value in others.items():
        if other != part:
            assert row[other] == pytest.approx(value)


def test_a_blank_later_course_leaves_the_whole_movement_unknown():
    first, measures = case()
    second = case(course=2)[0]
    second = second.assign(achieved=second["achieved"].mask(second["tooth"].isin([11, 12])))
    measures = pd.concat([measures, measures.iloc[1:].assign(after_course=2, value=2.5)])
    row = bite_change(cohort((pd.concat([first, second]), measures))).patients.iloc[0]
    assert (row["upper_incisor_teeth"], row["upper_incisor"]) == (2, pytest.approx(1.6))
    # and a tooth without a row in the second course is no better known
    second = second[~second["tooth"].isin([11, 12])]
    row = bite_change(cohort((pd.concat([first, second]), measures))).patients.iloc[0]
    assert row["upper_incisor_teeth"] == 2


def three_of_ten(achieved=None):
    """Upper incisors of 3 patients came down by about 1 mm; those of 7 await a result."""
    cases = []
    for i in range(10):
        rows, measures = case(f"P{i + 1:03d}", upper=round(0.9 + 0.1 * i, 1))
        if i >= 3:
            upper = rows["tooth"].isin([11, 12, 21, 22])
            rows = rows.assign(planned=rows["planned"].mask(upper, 0.0))
            rows = rows.assign(achieved=rows["achieved"].mask(upper, achieved))
        cases.append((rows, measures))
    return cases


@pytest.mark.parametrize("as_blank", [True, False])
def test_three_measured_patients_of_ten_are_three(as_blank):
    cases = three_of_ten()
    if not as_blank:
        cases = [(rows.dropna(subset="achieved"), measures) for rows, measures in cases]
    result = bite_change(cohort(*cases))
    row = result.average.set_index("component").loc["upper_incisor"]
    assert row[["patients", "treated", "teeth"]].tolist() == [3, 10, 12]
    assert row["mean"] == pytest.approx(1.0)
    assert row["sd"] == pytest.approx(0.1)
    rest = result.average.set_index("component")["patients"]
    assert rest[["change", "lower_incisor", "unexplained"]].tolist() == [10, 10, 3]
    notes = " ".join(result.notes)
    assert "Vertical movement of upper incisors: measured in 3 of 10 patients treated." in notes
    assert "need not add up" in notes


def test_planned_zeros_that_were_measured_count_as_zeros():
    result = bite_change(cohort(*three_of_ten(achieved=0.0)))
    row = result.average.set_index("component").loc["upper_incisor"]
    assert row[["patients", "treated"]].tolist() == [10, 10]
    assert row["mean"] == pytest.approx(0.3)
    assert "measured in" not in " ".join(result.notes)
    assert "need not add up" not in " ".join(result.notes)


def test_a_part_that_nobody_measured_is_no_zero():
    rows, measures = case()
    rows = rows[~rows["tooth"].isin([31, 32, 41, 42])]
    result = bite_change(cohort((rows, measures), (rows.assign(patient="P002"), measures)))
    row = result.average.set_index("component").loc["lower_incisor"]
    assert row[["patients", "teeth"]].tolist() == [0, 0]
    assert np.isnan(row[["mean", "sd", "low", "range_low"]].astype(float)).all()
    assert "Vertical movement of lower incisors: not measured." in result.notes


dropped = st.sets(st.tuples(st.integers(1, 5), st.integers(0, 15)), max_size=60)


@settings(max_examples=25, deadline=None)
@given(dropped, st.booleans())
def test_records_taken_away_never_pull_a_mean_towards_zero(gone, blank):
    """Every tooth of a group moved alike: whatever is lost, a mean stays or is not measured."""
    cases = []
    for i in range(1, 6):
        rows, measures = case(f"P{i:03d}", upper=0.8, lower=-0.6, molars=-0.5)
        lost = np.isin(np.arange(len(rows)), [place for p, place in gone if p == i])
        rows = rows.assign(achieved=rows["achieved"].mask(lost)) if blank else rows[~lost]
        # all gone: one other record keeps the cohort readable
        cases.append((pd.concat([rows, rows.head(1).assign(tooth=13, achieved=0.1)]), measures))
    result = bite_change(cohort(*cases))
    left = pd.concat([rows for rows, _ in cases]).dropna(subset="achieved")
    average = result.average.set_index("component")
    parts = {
        "upper_incisor": (0.8, (11, 12, 21, 22)),
        "lower_incisor": (-0.6, (31, 32, 41, 42)),
    }
    for part, (value, teeth) in parts.items():
        of = left[left["tooth"].isin(teeth)]
        assert average.loc[part, "patients"] == of["patient"].nunique()
        assert average.loc[part, "teeth"] == len(of)
        mean = average.loc[part, "mean"]
        assert np.isnan(mean) if not len(of) else mean == pytest.approx(value)
    upper, lower = (
        set(left[left["tooth"].isin(t)]["patient"]) for t in ((16, 17, 26, 27), (36, 37, 46, 47))
    )
    assert average.loc["from_posterior", "patients"] == len(upper & lower)
    if upper & lower:
        assert average.loc["from_posterior", "mean"] == pytest.approx(1.0)


def test_everybody_is_in_it_or_listed():
    silent = case("P005")
    rows, measures = zip(
        case("P001"),
        case("P002", bite=(-1.0, None)),
        case("P003", bite=(None, 2.0)),
        case("P004", bite=(None, None)),
        (silent[0].assign(movement="mesiodistal"), silent[1]),
        strict=True,
    )
    result = bite_change(cohort(*zip(rows, measures, strict=True)))
    assert result.patients["patient"].tolist() == ["P001"]
    assert dict(result.missing.to_numpy()) == {
        "P002": "overbite was not measured after any course",
        "P003": "overbite was not measured at the start",
        "P004": "overbite was not measured",
        "P005": "no vertical movement was recorded",
    }
    assert "4 patients are not in it; 'missing' says why." in result.notes


def test_nobody_left_and_no_measures():
    alone = from_frames(case()[0], notation="fdi")
    result = bite_change(alone)
    assert len(result.patients) == len(result.average) == 0
    assert result.missing["reason"].tolist() == ["overbite was not measured"]
    assert "this cohort" in set(result.comparison["source"])
    assert "Nobody has an overbite" in repr(result)
    result._repr_html_()


def test_by_malocclusion():
    cases = [case("P001"), case("P002", bite=(4.0, 2.0)), case("P003", bite=(5.0, 3.5))]
    patients = pd.DataFrame(
        {"patient": ["P001", "P002", "P003"], "malocclusion": ["open bite", "deep bite", None]}
    )
    result = bite_change(cohort(*cases, patients=patients), by="malocclusion")
    change = result.average.query("component == 'change'").set_index("malocclusion")["mean"]
    assert change.to_dict() == pytest.approx(
        {"open bite": 3.0, "deep bite": -2.0, "not recorded": -1.5}
    )
    assert any("rose in some patients and fell in others" in note for note in result.notes)
    with pytest.raises(CannotAnswer, match="no column of the patients table"):
        bite_change(cohort(*cases, patients=patients), by="site")


def test_face_height_and_plane_are_compared_over_the_same_time():
    cases, others = [], []
    for i in range(1, 5):
        cases.append(case(f"P{i:03d}", molars=-0.3 * i))
        values = [("lower_face_height", 70.0, -1.7), ("mandibular_plane", 30.0, -2.0)]
        for name, start, per_mm in values:
            frame = pd.DataFrame({"patient": f"P{i:03d}", "after_course": [0, 1], "measure": name})
            noise = 0.01 * (-1) ** i
            others.append(frame.assign(value=[start, start + per_mm * 0.3 * i + noise]))
    table = bite_change(cohort(*cases, measures=others)).comparison.set_index(
        ["quantity", "source"]
    )
    for name, value in (("lower_face_height", -1.7), ("mandibular_plane", -2.0)):
        row = table.loc[(name, "this cohort")]
        assert row["patients"] == 4
        assert row["per_mm"] == pytest.approx(value, abs=0.02)
        assert row["low"] < value < row["high"]


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"lever": 4.0}, "inside its range"),
        ({"lever_range": (0.0, 3.0)}, "above zero"),
        ({"level": 0}, "level"),
        ({"cephalometry": pd.DataFrame({"patient": ["P001"]})}, "no column landmark, x, y"),
    ],
)
def test_options_that_make_no_sense(options, says):
    with pytest.raises(CannotAnswer, match=says):
        bite_change(cohort(case()), **options)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(*[st.floats(-2, 2).map(lambda v: round(v, 2))] * 3, st.floats(-5, 5)),
        min_size=1,
        max_size=5,
    )
)
def test_the_parts_of_every_patient_add_up(numbers):
    cases = [
        case(f"P{i:03d}", upper=u, lower=w, molars=m, bite=(0.0, round(b, 1)))
        for i, (u, w, m, b) in enumerate(numbers, 1)
    ]
    table = bite_change(cohort(*cases)).patients
    total = table[["upper_incisor", "lower_incisor", "from_posterior", "unexplained"]].sum(axis=1)
    np.testing.assert_allclose(total, table["change"], atol=1e-8)
    assert (table["unexplained_low"] <= table["unexplained"] + 1e-9).all()
    assert (table["unexplained"] <= table["unexplained_high"] + 1e-9).all()
