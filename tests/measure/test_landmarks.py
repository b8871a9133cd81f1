"""Movements from named points: exact without noise, told where they cannot be had."""

import numpy as np
import pandas as pd
import pytest

import outcomes as oc
from outcomes.domain.movements import MOVEMENTS
from outcomes.errors import CohortError, InputError
from outcomes.measure.axes import arch_frames
from outcomes.measure.landmarks import measure_landmarks
from outcomes.measure.motion import ToothFrame, motion_of
from tests.measure.drawn import directions, place, scanner, tooth_points

UPPER = [*range(17, 10, -1), *range(21, 28)]
LOWER = [*range(47, 40, -1), *range(31, 38)]
NAMES = ("edge", "mesial", "distal", "buccal", "lingual")
STILL = (17, 16, 26, 27)


def truth(teeth, seed=1):
    """Six movements of each tooth, planned and achieved; the teeth of STILL do not move."""
    random = np.random.default_rng(seed)
    rows = {}
    for tooth in teeth:
        size = 0.0 if tooth in STILL else 1.0
        planned = np.concatenate([random.normal(0, 0.7, 3), random.normal(0, 4, 3)])
        rows[tooth] = size * np.stack([planned, planned * random.uniform(0.3, 0.9, 6)])
    return rows


def drawn_frame(tooth, points):
    """Frame of the drawn tooth as anatomy gives it, about the mean of its points."""
    centre = np.mean([points[n] for n in NAMES], axis=0)
    return ToothFrame(tooth, centre, *directions(tooth))


def table(teeth, moves, poses=None, **columns):
    """Points of the three models; each model in its own pose."""
    poses = poses or {}
    rows = []
    for tooth in teeth:
        points = {n: tooth_points(tooth)[n] for n in NAMES}
        frame = drawn_frame(tooth, points)
        for model, values in (
            ("start", np.zeros(6)), ("planned", moves[tooth][0]), ("achieved", moves[tooth][1])
        ):  # fmt: skip
            motion = motion_of(dict(zip(MOVEMENTS, values, strict=True)), frame)
            pose = poses.get(model, lambda p: p)
            for name in NAMES:
                label = "crown" if name == "edge" else name
                rows.append((model, tooth, label, *pose(motion.apply(points[name]))))
    return pd.DataFrame(rows, columns=["model", "tooth", "point", "x", "y", "z"]).assign(**columns)


def wide(measured, stage):
    return measured.movements.pivot(index="tooth", columns="movement", values=stage)[
        list(MOVEMENTS)
    ]


@pytest.fixture(scope="module")
def upper():
    return truth(UPPER), table(UPPER, truth(UPPER))


def worst(measured, moves):
    off = 0.0
    for at, stage in enumerate(("planned", "achieved")):
        found = wide(measured, stage)
        for tooth, values in moves.items():
            off = max(off, np.abs(found.loc[tooth].to_numpy() - values[at]).max())
    return off


def test_exact_without_noise_in_the_teeths_own_axes(upper):
    """All four surfaces are named, so that the axes are those drawn, and so are the components."""
    moves, frame = upper
    measured = measure_landmarks(frame)
    assert worst(measured, moves) < 0.35  # the plane of the arch leans a little from the drawn one
    axes = measured.frames.set_index("tooth")
    again = arch_frames({t: place(t) for t in UPPER})
    assert len(measured.movements) == 14 * 6
    assert (
        again.normal @ axes.loc[11, ["occlusal_x", "occlusal_y", "occlusal_z"]].to_numpy(float)
        > 0.999
    )


def test_exact_to_a_millionth_of_a_micron_about_the_axes_written(upper):
    """Motions are drawn about the axes of frames.csv, then measured: to 1e-9."""
    _, start = upper
    first = measure_landmarks(start)
    moves = truth(UPPER, seed=5)
    rows = []
    axes = first.frames.set_index("tooth")
    for tooth, points in start[start["model"] == "start"].groupby("tooth"):
        vectors = axes.loc[tooth].iloc[3:].to_numpy(float).reshape(4, 3)
        frame = ToothFrame(tooth, *vectors)
        xyz = points[["x", "y", "z"]].to_numpy()
        for at, model in ((None, "start"), (0, "planned"), (1, "achieved")):
            parts = {} if at is None else dict(zip(MOVEMENTS, moves[tooth][at], strict=True))
            after = motion_of(parts, frame).apply(xyz)
            rows.append(points.assign(model=model, x=after[:, 0], y=after[:, 1], z=after[:, 2]))
    poses = {"planned": scanner(3), "achieved": scanner(4), "start": scanner(5)}
    in_one_frame = pd.concat(rows)
    assert worst(measure_landmarks(in_one_frame), moves) < 1e-9
    elsewhere = in_one_frame.copy()
    for model, pose in poses.items():
        at = (elsewhere["model"] == model).to_numpy()
        elsewhere.loc[at, ["x", "y", "z"]] = pose(
            elsewhere.loc[at, ["x", "y", "z"]].to_numpy(copy=True)
        )
    measured = measure_landmarks(elsewhere, reference=STILL)
    assert worst(measured, moves) < 1e-9
    assert (measured.quality["residual"] < 1e-9).all()
    assert (measured.quality["verdict"] == "given").all()
    assert (measured.quality["confidence"] == "high").all()


def test_models_with_frames_of_their_own_need_reference_teeth(upper):
    _, frame = upper
    moved = frame.copy()
    at = (moved["model"] == "achieved").to_numpy()
    moved.loc[at, "x"] += 40
    measured = measure_landmarks(moved)
    assert "frame of its own" in " ".join(measured.problems["problem"])
    assert measured.movements["achieved"].isna().all()
    assert measured.movements["planned"].notna().all()
    assert worst_of(measured, "achieved") == {"refused"}


def worst_of(measured, stage):
    return set(measured.quality.loc[measured.quality["stage"] == stage, "verdict"])


def test_a_reference_tooth_that_moved_is_seen_in_the_sensitivity(upper):
    moves = {t: v.copy() for t, v in upper[0].items()}
    moves[16][1] = [1.0, 0, 0, 0, 0, 0]
    measured = measure_landmarks(table(UPPER, moves), reference=STILL)
    rows = measured.sensitivity[measured.sensitivity["stage"] == "achieved"].set_index("left_out")
    assert rows["largest_mm"].idxmax() == 16
    assert rows.loc[16, "largest_mm"] > 0.2
    assert set(measured.sensitivity["left_out"]) == set(STILL)
    assert "moved against each other" in " ".join(measured.problems["problem"])
    assert "Taken as stable: 17, 16, 26 and 27" in " ".join(measured.notes)


def test_all_teeth_as_reference_follow_those_that_stood_still(upper):
    moves = {t: v * (t in (11, 12, 21)) for t, v in upper[0].items()}
    poses = {"achieved": scanner(1), "planned": scanner(2)}
    measured = measure_landmarks(table(UPPER, moves, poses), reference="all")
    still = measure_landmarks(table(UPPER, moves))
    pd.testing.assert_frame_equal(measured.movements, still.movements, atol=1e-3, rtol=0)


def test_noise_gives_a_residual_of_its_size(upper):
    _, frame = upper
    noisy = frame.copy()
    noisy[["x", "y", "z"]] += np.random.default_rng(0).normal(0, 0.05, (len(frame), 3))
    measured = measure_landmarks(noisy, reference=STILL)
    # Of 5 points, 15 numbers less 6 of the motion, of two models: 0.05 sqrt(2) sqrt(9/15) sqrt(3).
    assert measured.quality["residual"].mean() == pytest.approx(0.095, rel=0.15)


def test_what_cannot_be_measured_is_refused_with_its_reason(upper):
    moves, frame = upper
    keep = np.ones(len(frame), dtype=bool)
    model, tooth, point = frame["model"], frame["tooth"], frame["point"]
    keep &= ~((model == "achieved") & (tooth == 14))  # extracted
    keep &= ~((model == "planned") & (tooth == 13) & ~point.isin(["crown", "mesial"]))
    broken = frame[keep].copy()
    shaken = (broken["model"] == "achieved") & (broken["tooth"] == 22)
    broken.loc[shaken, "x"] += np.array([1.5, -1.5, 1.5, -1.5, 0])
    measured = measure_landmarks(broken)
    quality = measured.quality.set_index(["tooth", "stage"])
    assert quality.loc[(14, "achieved"), "reason"] == "no point in the achieved model"
    assert "2 points of the same name" in quality.loc[(13, "planned"), "reason"]
    assert "fit no rigid motion" in quality.loc[(22, "achieved"), "reason"]
    found = measured.movements.set_index(["tooth", "movement"])
    assert np.isnan(found.loc[(14, "tip"), "achieved"])
    assert found.loc[(14, "tip"), "planned"] == pytest.approx(moves[14][0][3], abs=0.4)
    assert measured.movements.loc[measured.movements["tooth"] == 14, "achieved"].isna().all()


def test_several_patients_arches_and_courses(upper):
    _, frame = upper
    lower = table(LOWER, truth(LOWER))
    both = pd.concat([
        frame.assign(patient="P002", course=1), lower.assign(patient="P002", course=1),
        frame.assign(patient="P003", course=2),
    ])  # fmt: skip
    measured = measure_landmarks(both)
    assert measured.movements.groupby(["patient", "course"]).size().to_dict() == {
        ("P002", 1): 28 * 6, ("P003", 2): 14 * 6,
    }  # fmt: skip
    assert set(measured.frames["arch"]) == {"upper", "lower"}
    assert measured.cohort.movements["patient"].nunique() == 2


def test_a_course_measured_again_goes_to_the_measurement_error(upper):
    _, frame = upper
    random = np.random.default_rng(3)
    again = frame.assign(repeat=2)
    again[["x", "y", "z"]] += random.normal(0, 0.05, (len(frame), 3))
    measured = measure_landmarks(pd.concat([frame.assign(repeat=1), again]))
    assert len(measured.movements) == 14 * 6
    assert set(measured.repeats["reading"]) == {1, 2}
    error = oc.measurement_error(measured.cohort)
    assert (error["pairs"] == 14).all()
    assert error.set_index("movement").loc["mesiodistal", "sem"] < 0.1
    plans = oc.achievement(measured.cohort, by=["movement"])
    assert len(plans) == 6


def test_every_problem_of_the_table_is_listed_with_its_row(tmp_path):
    path = tmp_path / "points.csv"
    path.write_text(
        "model,tooth,point,x,y,z\n"
        "start,99,mesial,1,2,3\n"
        "before the war,11,mesial,1,2,3\n"
        "start,11,mesial,one,2,3\n"
        "start,11,distal,1,,3\n"
        "start,0,cusp,1,2,3\n"
        "start,11,buccal,1,2,3\n"
        "start,11,buccal,1,2,4\n"
    )
    with pytest.raises(CohortError) as caught:
        measure_landmarks(path)
    problems = caught.value.problems
    rows = problems.set_index("row")["problem"]
    assert "no FDI tooth number" in rows[2]
    assert "no model of that name" in rows[3]
    assert "not a number" in rows[4]
    assert "y is blank" in rows[5]
    assert "not named palate" in rows[6]
    assert "different coordinates" in rows[7]
    assert "different coordinates" in rows[8]
    assert (problems["remedy"].str.len() > 5).all()


def test_decimal_commas_and_other_spellings(tmp_path, upper):
    _, frame = upper
    text = frame.to_csv(index=False, sep=";", decimal=",").replace("buccal", "Labial")
    text = text.replace("achieved", "Outcome").replace("planned", "Plan")
    (tmp_path / "points.csv").write_text(text)
    pd.testing.assert_frame_equal(
        measure_landmarks(tmp_path / "points.csv").movements, measure_landmarks(frame).movements
    )


@pytest.mark.parametrize(("unit", "mm"), [("cm", 10.0), ("inch", 25.4), ("m", 1000.0)])
def test_units(upper, unit, mm):
    _, frame = upper
    small = frame.assign(**{a: frame[a] / mm for a in "xyz"})
    pd.testing.assert_frame_equal(
        measure_landmarks(small, unit=unit).movements, measure_landmarks(frame).movements
    )
    with pytest.raises(CohortError, match="unit"):
        measure_landmarks(small)


def test_wrong_arguments(upper):
    with pytest.raises(InputError, match="FDI numbers"):
        measure_landmarks(upper[1], reference=[16, 99])
    with pytest.raises(InputError, match="unit"):
        measure_landmarks(upper[1], unit="furlong")
    with pytest.raises(FileNotFoundError):
        measure_landmarks("nowhere.csv")
    with pytest.raises(CohortError, match="no column z"):
        measure_landmarks(upper[1].drop(columns="z"))


def test_one_model_alone_is_refused(upper):
    frame = upper[1]
    with pytest.raises(CohortError, match="planned or achieved"):
        measure_landmarks(frame[frame["model"] == "start"])
    with pytest.raises(CohortError, match="start model"):
        measure_landmarks(frame[frame["model"] != "start"])


def test_names_of_points_exchanged_make_no_confident_number(upper):
    """Mesial and distal, buccal and lingual exchanged in the outcome: a turn of half a circle."""
    frame = upper[1].copy()
    at = (frame["model"] == "achieved") & (frame["tooth"] == 14)
    other = {"mesial": "distal", "distal": "mesial", "buccal": "lingual", "lingual": "buccal"}
    frame.loc[at, "point"] = frame.loc[at, "point"].map(lambda n: other.get(n, n))
    quality = measure_landmarks(frame).quality.set_index(["tooth", "stage"])
    row = quality.loc[(14, "achieved")]
    assert row["verdict"] == "refused" or row["confidence"] == "low"
