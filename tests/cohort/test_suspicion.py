"""What is readable and probably read wrongly is asked about; each limit is held on both sides."""

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.cohort import doubtful_numbers as doubtful
from outcomes.cohort import suspicion
from outcomes.cohort.read import from_frames
from outcomes.domain.limits import HIGH_RATE, LARGEST_LOSS, OUTSIDE_SHARE, SUSPICIOUS_ROWS
from outcomes.errors import CohortError
from outcomes.simulate import simulate_cohort

TEETH = (11, 12, 13, 14, 15, 16, 21, 22, 23, 24, 25, 26, 31, 32, 33, 34, 35, 36, 41, 42, 43, 44)


@pytest.fixture(scope="module")
def sound():
    invented = simulate_cohort(patients=5, seed=3, repeats=False, measures=False)
    rows = invented.movements.drop(columns=["aim", "attachment", "auxiliary"])
    return rows[rows["achieved"].notna()].reset_index(drop=True)


@pytest.fixture(scope="module")
def first(sound):
    return sound[sound["course"] == 1].reset_index(drop=True)


def made(planned, achieved, movement="tip", **others):
    """Movements of as many teeth as numbers, two patients and more."""
    count = len(planned)
    return pd.DataFrame(
        {
            "patient": [f"P{i // len(TEETH)}" for i in range(count)],
            "tooth": [TEETH[i % len(TEETH)] for i in range(count)],
            "movement": movement,
            "planned": np.asarray(planned, dtype=float),
            "achieved": np.asarray(achieved, dtype=float),
            **others,
        }
    )


def asked(rows, **others):
    """Severity, column and problem of each question that reading the rows raises."""
    problems = from_frames(rows, strict=False, **others).problems
    problems = problems[problems["remedy"].str.contains("`outcomes map FILE` asks it")]
    return list(problems[["severity", "column", "problem"]].itertuples(index=False, name=None))


def keys(rows):
    """Key -> severity of what the numbers raise; one course where none is given."""
    rows = rows if "course" in rows else rows.assign(course=1)
    return {found.key: found.severity for found in doubtful.of_numbers(rows)}


def so_far(rows):
    ordered = rows.sort_values("course")
    groups = ordered.groupby(["patient", "tooth", "movement"])["achieved"]
    return (groups.cumsum() - ordered["achieved"]).reindex(rows.index)


# Sound cohorts ------------------------------------------------------------------------------------


def test_a_sound_cohort_is_asked_nothing(sound, first):
    assert asked(sound) == asked(first) == []


def test_deep_bites_that_are_only_intruded_are_asked_nothing():
    deep = simulate_cohort(patients=5, seed=1, malocclusions={"deep bite": 1.0}).movements
    deep = deep[(deep["movement"] == "vertical") & (deep["planned"] < 0)]
    assert asked(deep) == []


def test_many_movements_that_nobody_planned_are_asked_nothing(first):
    noise = np.random.default_rng(1).normal(0, 1.6, 10 * len(first))
    more = pd.concat([first[first["movement"] == "torque"]] * 10, ignore_index=True)
    more = more.assign(planned=0.0, achieved=noise[: len(more)], course=9)
    assert keys(pd.concat([first, more])) == {}


# The traps ----------------------------------------------------------------------------------------


def test_positions_read_as_changes_stop(first):
    """Teeth that start away from where they should be, planned to the ideal."""
    start = -first["planned"]
    spoilt = first.assign(planned=0.0 * start, achieved=first["achieved"] + start)
    spoilt["planned"] += 0.3 * np.random.default_rng(1).choice([-1, 1], len(first))
    with pytest.raises(CohortError, match="changes from the start of the course, or positions"):
        from_frames(spoilt)


def test_a_position_achieved_beside_a_change_planned_stops(first):
    """Achieved = planned + something constant for each tooth."""
    start = first["tooth"] % 10
    assert keys(first.assign(achieved=first["achieved"] + start))["positions"] == "stop"


def test_coordinates_stop_though_achieved_is_planned_all_but_exactly(first):
    far = 40.0 + 10 * (first["tooth"] % 10) * np.where(first["tooth"] < 30, 1, -1)
    spoilt = first.assign(planned=first["planned"] + far, achieved=first["achieved"] + far)
    (found,) = [f for f in doubtful.of_numbers(spoilt) if f.key == "positions"]
    assert found.severity == "stop"
    assert "nearer to it than scans can measure" in found.problem


def test_a_start_column_left_over_stops_in_any_language(first):
    for heading in ("start", "Ausgangswert", "position initiale (mm)", "posición inicial",
                    "posição inicial", "posizione iniziale", "utgångsläge", "T0", "Final"):  # fmt: skip
        ((severity, column, problem),) = asked(first.assign(**{heading: 1.5}))
        assert (severity, column) == ("stop", heading)
        assert "a column of positions" in problem
    assert asked(first.assign(start="2024-01-31")) == []
    assert asked(first.assign(colour=1.5)) == []


def test_a_column_of_what_remains_is_asked_about(first):
    ((severity, column, _),) = asked(first.assign(Rest=first["planned"] - first["achieved"]))
    assert (severity, column) == ("check", "Rest")


@pytest.mark.parametrize(
    ("heading", "down", "up"),
    [
        ("direction", "intrusion", "extrusion"), ("Richtung", "Intrusion", "Extrusion"),
        ("sens", "ingression", "égression"), ("dirección", "intrusión", "extrusión"),
        ("direção", "intrusão", "extrusão"), ("direzione", "intrusione", "estrusione"),
        ("riktning", "intrusion", "extrusion"),
    ],
)  # fmt: skip
def test_sizes_with_a_direction_beside_them_stop_and_signs_that_agree_do_not(heading, down, up):
    planned = np.array([-1.5, -2.0, -1.0, 0.8, -1.2, 0.5, 1.0, -0.7])
    words = np.where(planned < 0, down, up)
    rows = made(planned, 0.5 * planned, "vertical", **{heading: words})
    assert asked(rows) == []
    sizes = rows.assign(planned=np.abs(planned), achieved=0.5 * np.abs(planned))
    severity, column, problem = asked(sizes)[0]
    assert severity == "stop"
    assert column in (heading, f"{heading}_given")
    assert "no planned movement has a minus" in problem


def test_a_direction_against_the_sign_stops_and_unknown_words_are_asked_about():
    planned = np.array([-1.5, 2.0, -1.0, 0.8])
    rows = made(planned, 0.5 * planned, "vertical", direction=["intrusion"] * 4)
    ((severity, _, problem),) = asked(rows)
    assert severity == "stop"
    assert "it contradicts the sign of planned in 2 rows" in problem
    ((severity, _, problem),) = asked(rows.assign(direction=["down", "up", "down", "up"]))
    assert (severity, problem[-31:]) == ("check", "some of its words are not known")
    assert asked(rows.assign(direction=None)) == []


def test_sizes_without_a_direction_stop(first):
    sizes = first.assign(planned=first["planned"].abs(), achieved=first["achieved"].abs())
    assert keys(sizes) == {"signs": "stop"}


def test_later_courses_that_go_on_counting_stop(sound):
    before = so_far(sound)
    spoilt = sound.assign(planned=sound["planned"] + before, achieved=sound["achieved"] + before)
    with pytest.raises(CohortError, match="or of the treatment"):
        from_frames(spoilt)


def test_a_patient_written_once_for_each_block_stops(first):
    first = first.sort_values("patient", kind="stable", ignore_index=True)
    block = first.assign(patient=first["patient"].where(~first["patient"].duplicated()))
    ((severity, column, problem),) = asked(block)
    assert (severity, column) == ("stop", "patient")
    assert problem == f"patient is blank in {len(first) - 5} of {len(first)} rows"


@pytest.mark.parametrize("tooth", ["-1", "1-", "+1", "−1", "8+", "1 -", -1, "–2"])
def test_a_sign_beside_a_tooth_number_is_never_read_over(tooth):
    """Signs that name the quadrant: Haderup, from memory."""
    rows = made([5.0, 4.0, -3.0], [2.0, 1.0, -1.0]).astype({"tooth": object})
    rows["tooth"] = ["1", "9", tooth]
    found = asked(rows, notation="universal")
    assert [(s, c) for s, c, _ in found] == [("stop", "tooth")]
    assert "1 row" in found[0][2]


def test_hyphens_of_other_notations_are_no_signs():
    rows = made([5.0, 4.0], [2.0, 1.0]).astype({"tooth": object})
    assert asked(rows.assign(tooth=["UR-3", "LL-6"]), notation="quadrant") == []
    assert asked(rows.assign(tooth=["1-3", "2-3"])) == []


def test_running_numbers_are_no_teeth():
    rows = made([5, -4, 3, -5, 4, -3, 5, -4.0], [2, -1, 1, -2, 2, -1, 2, -1.0])
    rows["patient"] = list("AAAABBBB")
    counting = rows.assign(tooth=[1, 2, 3, 4, 1, 2, 3, 4])
    ((severity, column, problem),) = asked(counting, notation="universal")
    assert (severity, column) == ("stop", "tooth")
    assert "in every patient" in problem
    down = counting.assign(tooth=range(1, 9))
    assert "down the table" in asked(down, notation="universal")[0][2]
    for teeth in ([1, 2, 3, 5, 1, 2, 3, 4], [2, 3, 4, 5, 1, 2, 3, 4], [3, 4, 5, 6, 7, 8, 9, 10]):
        assert asked(rows.assign(tooth=teeth), notation="universal") == []
    assert asked(counting[:7], notation="universal") == []


# Limits from both sides ---------------------------------------------------------------------------


def of_positions(planned, achieved):
    return keys(made(planned, achieved)).get("positions", "")


SIGNS = np.array([1.0, -1.0] * 10)


@pytest.mark.parametrize(
    ("rate", "severity"),
    [(HIGH_RATE["check"], ""), (HIGH_RATE["check"] + 0.01, "check"),
     (HIGH_RATE["stop"], "check"), (HIGH_RATE["stop"] + 0.01, "stop")],
)  # fmt: skip
def test_the_rate_of_a_whole_cohort(rate, severity):
    planned = SIGNS * 2  # one tolerance of tip: overshoot stays within what measuring can add
    assert of_positions(planned, rate * planned) == severity


@pytest.mark.parametrize(
    ("beyond", "severity"),
    [(OUTSIDE_SHARE["check"] - 0.001, ""), (OUTSIDE_SHARE["check"] + 0.001, "check"),
     (OUTSIDE_SHARE["stop"] - 0.001, "check"), (OUTSIDE_SHARE["stop"] + 0.001, "stop")],
)  # fmt: skip
def test_how_far_achieved_may_lie_outside_the_plan(beyond, severity):
    planned, achieved = 10 * SIGNS, 5 * SIGNS
    achieved[0] = -2 * 0.8 - 200 * beyond  # against its plan, beyond 0.8 of 2 degrees
    assert of_positions(planned, achieved) == severity


def test_what_is_not_planned_may_drift_by_two_tolerances():
    planned = np.array([10.0, -10, 0, 0])
    for achieved, share in ((4.0, 0.0), (-4.0, 0.0), (6.0, 1 / 12)):
        values = np.array([5.0, -5, 0, achieved]) / 2
        assert doubtful.outside_share(planned / 2, values) == pytest.approx(share)


def test_nearer_to_planned_than_scans_can_measure():
    """0.98 of the squares: 1 - 0.14² and 1 - 0.15² beside it."""
    planned = 10 * SIGNS
    wobble = np.resize([1.0, 1.0, -1.0, -1.0], 20)
    for size, severity in ((0.14, "stop"), (0.15, "check")):
        achieved = planned * (1 + size * wobble)
        found = doubtful.explained(planned, achieved)
        assert (found > 0.98) == (severity == "stop")
        assert of_positions(planned, achieved) == severity
    assert of_positions(planned, planned) == ""  # a copied column is listed as such


def test_a_cohort_of_nineteen_rows_says_nothing_of_positions():
    planned = 10 * SIGNS
    assert of_positions(planned[:-1], -planned[:-1]) == ""
    assert of_positions(planned, -planned) == "stop"
    assert SUSPICIOUS_ROWS["cohort"] == len(planned)


def continued(pairs, later):
    planned, achieved = 10 * np.resize([1.0, -1.0, 0.5], pairs), 4 * np.resize([1, -1, 0.5], pairs)
    one = made(planned, achieved, course=1)
    two = made(later * planned, later * achieved + (1 - 0.4) * achieved, course=2)
    two["planned"] += achieved
    return pd.concat([one, two], ignore_index=True)


def test_nine_pairs_of_courses_say_nothing_and_ten_do():
    assert "cumulative" not in keys(continued(9, 0.5))
    assert "cumulative" in keys(continued(10, 0.5))


@pytest.mark.parametrize(
    ("ratio", "severity"), [(0.81, ""), (0.8, ""), (0.79, "check"), (0.6, "check"), (0.59, "stop")]
)
def test_how_much_better_going_on_must_fit(monkeypatch, ratio, severity):
    monkeypatch.setattr(doubtful, "continuing", lambda rows: (10, ratio))
    assert keys(made(SIGNS, 0.5 * SIGNS)).get("cumulative", "") == severity


def test_courses_that_begin_at_zero_fit_better_so(sound):
    pairs, ratio = doubtful.continuing(sound)
    assert pairs > 50
    assert ratio > 1
    assert doubtful.continuing(sound[sound["course"] == 1]) == (0, 1.0)


def test_eight_rows_of_one_sign_are_asked_about_where_both_are_usual():
    planned = np.linspace(1, 2, 8)
    for name, severity in (("vertical", "check"), ("rotation", "check"), ("torque", "")):
        assert keys(made(planned, planned / 2, name)).get("signs", "") == severity
        assert keys(made(planned[:7], planned[:7] / 2, name)) == {}
    intruded = np.append(planned[:7], -1.0)
    assert keys(made(intruded, intruded / 2, "vertical")) == {}
    noisy = np.append(planned[:7] / 2, -0.1)
    assert keys(made(planned, noisy, "vertical")) == {}  # sizes are never below zero


def test_a_cell_copied_down_the_column_is_no_question_of_signs():
    assert keys(made([1.0] * 8, np.linspace(0.4, 0.6, 8), "vertical")) == {}


def test_one_movement_in_twenty_rows_and_two_movements_without_any_minus():
    planned = np.linspace(5, 9, 20)
    torque = made(planned, planned / 2, "torque")
    assert keys(torque) == {"signs": "check"}
    assert keys(torque[:19]) == {}
    half = made(planned, planned / 2, np.repeat(["torque", "tip"], 10))
    assert keys(half) == {"signs": "stop"}
    assert keys(half[1:]) == {}
    uneven = made(planned, planned / 2, np.repeat(["torque", "tip"], [13, 7]))
    assert "signs" not in keys(uneven)


def blanks(count, of, column="patient"):
    rows = made(5 * np.resize([1.0, -1.0], of), 2 * np.resize([1.0, -1.0], of))
    rows[column] = rows[column].astype(object)
    rows.loc[rows.index[-count:], column] = None
    return rows


@pytest.mark.parametrize("column", ["patient", "tooth", "movement"])
def test_more_than_a_fifth_and_three_rows_without_patient_stop(column):
    assert [s for s, c, _ in asked(blanks(4, 15, column)) if c == column] == ["stop"]
    assert asked(blanks(3, 15, column)) == []
    assert asked(blanks(2, 5, column)) == []
    assert [s for s, c, _ in asked(blanks(3, 5, column)) if c == column] == ["stop"]


def test_a_blank_course_below_a_later_one_is_not_taken_for_the_first():
    rows = made(
        [5, -4, 3, -5, 4, -3.0], [2, -1, 1, -2, 2, -1.0], course=[1, None, 2, None, None, None]
    )
    ((severity, column, problem),) = asked(rows)
    assert (severity, column) == ("stop", "course")
    assert "3 rows" in problem
    assert [s for s, _, _ in asked(rows[:5])] == ["check"]
    assert asked(rows[:3]) == []
    other = rows.assign(patient=list("AAABBB"))
    assert asked(other) == []


def test_more_than_a_fifth_of_rows_lost_is_said_first():
    def lost(count, of):
        rows = made(5 * np.resize([1.0, -1.0], of), 2 * np.resize([1.0, -1.0], of)).astype(object)
        rows.loc[rows.index[:count], "planned"] = "much"
        return from_frames(rows).problems

    assert LARGEST_LOSS == 0.2
    assert not lost(2, 10)["problem"].str.contains("left out").any()
    problems = lost(3, 10)
    assert problems["problem"][0] == "3 of 10 rows left out because of problems"
    assert problems["severity"][0] == "check"


def test_rows_that_await_a_scan_and_copies_are_not_lost():
    rows = made([5.0, -4, 3, -5], [2.0, -1, np.nan, np.nan])
    twice = pd.concat([rows, rows[:2]], ignore_index=True)
    assert not from_frames(twice).problems["problem"].str.contains("left out because").any()


def test_a_heading_in_another_language_is_not_read_but_its_meaning_is_told(first):
    german = first.rename(columns={"planned": "Geplant", "patient": "Patientennummer"})
    problems = from_frames(german, strict=False).problems
    stops = problems[problems["severity"] == "stop"].set_index("column")["remedy"]
    assert "'Geplant' means planned: rename it, or have `outcomes map FILE`" in stops["planned"]
    assert "'Patientennummer' means patient" in stops["patient"]


# Answers ------------------------------------------------------------------------------------------


def test_an_answered_question_is_not_asked_again(first):
    start = first.assign(start=1.5)
    assert asked(start, answered={"positions"}) == []
    assert len(asked(start, answered={"signs"})) == 1
    sizes = first.assign(planned=first["planned"].abs(), achieved=first["achieved"].abs())
    assert asked(sizes, answered=["signs"]) == []


def test_every_suspicion_has_a_question_and_a_way_without_a_mapping(first):
    found = doubtful.of_numbers(first.assign(achieved=-first["achieved"]))
    assert found
    for one in found:
        assert one.question.endswith("?")
        assert one.remedy.startswith(one.question)
        assert "; or " in one.remedy


def test_without_movements_there_is_nothing_to_suspect():
    assert suspicion.find({}) == []
    assert suspicion.lost_rows({}) == []


def test_the_keys_are_those_that_are_used():
    source = "".join(Path(m.__file__).read_text("utf-8") for m in (doubtful, suspicion))
    assert set(re.findall(r'ask\(\s*"([a-z ]+)",', source)) | {"lost"} == suspicion.KEYS


@pytest.mark.filterwarnings("error")
def test_numbers_near_the_largest_there_is_are_no_failure():
    rows = pd.DataFrame(
        {
            "patient": [f"P{i}" for i in range(30)],
            "tooth": 43,
            "movement": "tip",
            "planned": [1e308, -1e308] * 15,
            "achieved": [1e308, 2] * 15,
        }
    )
    cohort = from_frames(rows, strict=False)
    assert cohort.problems["problem"].str.contains("larger than").any()


@pytest.mark.parametrize(("units", "asked"), [(["mm", "°", ""], False), (["µm", "rad", ""], True)])
def test_a_column_of_other_units_is_asked_about(units, asked):
    rows = pd.DataFrame(
        {"patient": ["P1", "P1", "P2"], "tooth": [11, 36, 13], "planned": [1.0, 5.0, -3.0],
         "movement": ["vertical", "rotation", "tip"], "achieved": [0.5, 3.0, -2.0], "unit": units}
    )  # fmt: skip
    found = from_frames(rows, strict=False).problems
    said = found[found["problem"].str.contains("something else than mm and degrees in 2 rows")]
    assert (said["severity"] == "stop").tolist() == [True] * asked
