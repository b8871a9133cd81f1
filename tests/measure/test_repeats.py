"""Measurement error against published data and against arithmetic by another route."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.errors import CannotAnswer, InputError
from outcomes.measure.readings import measurement_error, smallest_detectable_change

# Peak expiratory flow, l/min, first reading by each of two meters, 17 subjects: Bland & Altman,
# Lancet 1986;1:307-310, table 1 (from memory).
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]

# Six targets, four judges: Shrout & Fleiss, Psychol Bull 1979;86:420-428, table 2.
JUDGES = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]


def repeats(values: np.ndarray | list, *, by: str = "reader", movement: str = "rotation"):
    """values (subjects, readings) as a repeats table, the columns readers or readings."""
    values = np.asarray(values, dtype=float)
    subject, column = np.indices(values.shape).reshape(2, -1)
    return pd.DataFrame(
        {
            "patient": [f"P{s:03d}" for s in subject],
            "tooth": 11,
            "movement": movement,
            "reader": [f"R{c}" for c in column] if by == "reader" else "R0",
            "reading": 1 if by == "reader" else column + 1,
            "value": values.ravel(),
        }
    )


def only(table: pd.DataFrame) -> pd.Series:
    assert len(table) == 1
    return table.iloc[0]


def test_peak_flow_bias_and_limits():
    # Lancet 1986;1:307-310: mean difference -2.1, SD 38.8, limits (2 SD) -79.7 and 75.5; the paper
    # takes large meter minus mini meter, so the mini meter is the first reading here.
    row = only(measurement_error(repeats(np.column_stack([MINI, LARGE])), multiple=2))
    assert row["pairs"] == 17
    assert row["bias"] == pytest.approx(-2.1, abs=0.05)
    assert row["sd_difference"] == pytest.approx(38.8, abs=0.05)
    assert row["loa_low"] == pytest.approx(-79.7, abs=0.1)
    assert row["loa_high"] == pytest.approx(75.5, abs=0.1)


def test_peak_flow_interval_of_limits():
    # The same paper gives -114.3 to -45.1 for the lower limit with SE = SD sqrt(3/n) (from memory);
    # ours takes the exact variance of the limit, a little wider.
    row = only(measurement_error(repeats(np.column_stack([MINI, LARGE])), multiple=2))
    assert row["loa_low_from"] == pytest.approx(-114.3, abs=2)
    assert row["loa_low_to"] == pytest.approx(-45.1, abs=2)
    assert row["bias_low"] == pytest.approx(-22.0, abs=0.2)  # paper: -22.0 to 17.8 (from memory)
    assert row["bias_high"] == pytest.approx(17.8, abs=0.2)


def test_intraclass_correlations_of_shrout_and_fleiss():
    # Psychol Bull 1979;86:420-428, table 4: ICC(2,1) 0.29 and ICC(3,1) 0.71.
    row = only(measurement_error(repeats(JUDGES)))
    assert row["readings"] == 4
    assert row["icc_a1"] == pytest.approx(0.29, abs=0.005)
    assert row["icc_c1"] == pytest.approx(0.71, abs=0.005)


def test_all_six_coefficients_of_the_library_we_rely_on():
    # The same table: 0.17, 0.29, 0.71, 0.44, 0.62, 0.91.
    import pingouin

    long = repeats(JUDGES)
    table = pingouin.intraclass_corr(long, "patient", "reader", "value")
    assert table["ICC"].round(2).tolist() == [0.17, 0.29, 0.71, 0.44, 0.62, 0.91]


def test_coefficients_and_limits_are_not_rounded():
    """ICC of Shrout & Fleiss's table from their mean squares (table 3: 11.2417, 32.4861, 1.0194),
    intervals as pingouin rounds them, and as printed in the manual of another package for the same
    data (from memory): 0.019 to 0.761 and 0.342 to 0.946."""
    import pingouin

    row = only(measurement_error(repeats(JUDGES)))
    subjects, judges, rest = 11.2417, 32.4861, 1.0194
    agreement = (subjects - rest) / (subjects + 3 * rest + 4 * (judges - rest) / 6)
    assert row["icc_a1"] == pytest.approx(agreement, abs=3e-5)
    assert row["icc_c1"] == pytest.approx((subjects - rest) / (subjects + 3 * rest), abs=3e-5)
    limits = row[["icc_a1_low", "icc_a1_high", "icc_c1_low", "icc_c1_high"]].to_numpy(float)
    assert limits == pytest.approx([0.019, 0.761, 0.342, 0.946], abs=6e-4)
    table = pingouin.intraclass_corr(repeats(JUDGES), "patient", "reader", "value")
    rounded = table.set_index("Type")["CI95"]
    both = [*rounded["ICC(A,1)"], *rounded["ICC(C,1)"]]
    assert limits.round(2).tolist() == pytest.approx(both)
    assert (limits != limits.round(2)).all()


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 10_000), st.integers(4, 25), st.integers(2, 4))
def test_limits_are_those_of_the_library_to_its_decimals(seed, subjects, readings):
    import pingouin

    rng = np.random.default_rng(seed)
    made = repeats(rng.normal(0, 2, (subjects, 1)) + rng.normal(0, 1, (subjects, readings)))
    row = only(measurement_error(made))
    table = pingouin.intraclass_corr(made, "patient", "reader", "value").set_index("Type")
    for name, kind in (("icc_a1", "ICC(A,1)"), ("icc_c1", "ICC(C,1)")):
        assert row[name] == pytest.approx(table.loc[kind, "ICC"])
        ours = [row[f"{name}_low"], row[f"{name}_high"]]
        assert ours == pytest.approx(list(table.loc[kind, "CI95"]), abs=0.0051)


def test_limits_of_any_level_are_nested():
    wide = only(measurement_error(repeats(JUDGES)))
    narrow = only(measurement_error(repeats(JUDGES), level=0.8))
    for name in ("icc_a1", "icc_c1"):
        assert wide[f"{name}_low"] < narrow[f"{name}_low"] < wide[name]
        assert wide[name] < narrow[f"{name}_high"] < wide[f"{name}_high"]


@pytest.mark.parametrize(
    ("pairs", "words"), [(2, "2 pairs: too few"), (3, "only 3"), (19, "only 19"), (20, "")]
)
def test_notes_at_their_limits(pairs, words):
    rng = np.random.default_rng(1)
    row = only(measurement_error(repeats(rng.normal(size=(pairs, 2)), by="reading")))
    assert row["note"].startswith(words) if words else row["note"] == ""
    assert np.isnan(row["icc_a1"]) == (pairs < 3)


def test_sem_agrees_with_the_coefficient_of_agreement():
    # ICC(A,1) = subject variance / (subject variance + SEM^2), with the subject variance of the
    # two-way layout: MS subjects 11.2417, MS residual 1.0194 (Shrout & Fleiss, table 3).
    row = only(measurement_error(repeats(JUDGES)))
    subjects = (11.2417 - 1.0194) / 4
    assert subjects / (subjects + row["sem"] ** 2) == pytest.approx(row["icc_a1"], rel=1e-4)
    assert row["smallest_detectable_change"] == pytest.approx(1.96 * row["sem"])
    assert row["smallest_detectable_difference"] == pytest.approx(1.96 * np.sqrt(2) * row["sem"])


def test_what_each_detectable_quantity_answers():
    """By drawing readings with a known error: 95 % of readings of no movement lie within the
    smallest detectable change of nought, 95 % of the differences of two within the other."""
    rng = np.random.default_rng(3)
    subjects, sd = 400, 0.3
    truth = rng.normal(0, 2, (subjects, 1))
    row = only(measurement_error(repeats(truth + rng.normal(0, sd, (subjects, 2)), by="reading")))
    assert row["sem"] == pytest.approx(sd, rel=0.1)
    one, other = rng.normal(0, sd, (2, 100_000))  # readings of teeth that did not move
    change, difference = row["smallest_detectable_change"], row["smallest_detectable_difference"]
    assert np.mean(np.abs(one) < change) == pytest.approx(0.95, abs=0.02)
    assert np.mean(np.abs(one - other) < difference) == pytest.approx(0.95, abs=0.02)
    assert np.mean(np.abs(one) < difference) > 0.985


def test_dahlberg_by_hand():
    # d = 1, -1, 2: sqrt((1 + 1 + 4) / 6) = 1 (Dahlberg 1940).
    row = only(measurement_error(repeats([[0, 1], [3, 2], [1, 3]], by="reading")))
    assert row["dahlberg"] == pytest.approx(1.0)
    assert row["comparison"] == "readings"
    assert row["bias"] == pytest.approx(2 / 3)


values = st.lists(
    st.tuples(*[st.floats(-20, 20).map(lambda v: round(v, 2))] * 2), min_size=3, max_size=12
).filter(
    lambda rows: len({round(b - a, 6) for a, b in rows}) > 1 and len({a + b for a, b in rows}) > 1
)


@settings(deadline=None)
@given(values, st.floats(-5, 5))
def test_a_constant_shift_moves_the_bias_and_not_the_spread(pairs, shift):
    before = only(measurement_error(repeats(pairs, by="reading")))
    moved = np.asarray(pairs) + np.array([0.0, shift])
    after = only(measurement_error(repeats(moved, by="reading")))
    assert after["bias"] == pytest.approx(before["bias"] + shift, abs=1e-9)
    assert after["sd_difference"] == pytest.approx(before["sd_difference"], abs=1e-9)
    assert after["icc_c1"] == pytest.approx(before["icc_c1"], abs=1e-6)


@settings(deadline=None)
@given(values)
def test_exchanging_the_readings_turns_the_bias_round(pairs):
    there = only(measurement_error(repeats(pairs, by="reading")))
    back = only(measurement_error(repeats([(b, a) for a, b in pairs], by="reading")))
    assert back["bias"] == pytest.approx(-there["bias"], abs=1e-9)
    assert back["loa_low"] == pytest.approx(-there["loa_high"], abs=1e-9)
    for name in ("dahlberg", "sem"):
        assert back[name] == pytest.approx(there[name], abs=1e-9)


def test_readings_of_one_reader_come_before_readers():
    one = repeats([[0, 1], [3, 2]], by="reading")
    other = one.assign(reader="R9", value=one["value"] + 5)
    both = pd.concat([one, other])
    assert only(measurement_error(both))["pairs"] == 4
    between = only(measurement_error(both, compare="readers"))
    assert (between["pairs"], between["bias"]) == (2, pytest.approx(5.0))


def test_courses_of_a_tooth_are_different_subjects():
    table = repeats([[0, 1], [3, 2], [1, 3]], by="reading")
    second = table.assign(course=2, value=table["value"] + 10)
    row = only(measurement_error(pd.concat([table.assign(course=1), second])))
    assert (row["pairs"], row["dahlberg"]) == (6, pytest.approx(1.0))


def test_occasion_orders_the_readings():
    table = repeats([[0, 1], [3, 4]], by="reading")
    late_first = table.assign(occasion=[2, 1] * 2)
    assert only(measurement_error(late_first))["bias"] == pytest.approx(-1.0)


def test_an_incomplete_third_reading_does_not_cost_the_pairs():
    table = repeats([[0, 1, 0], [3, 2, 3], [1, 3, 2]], by="reading").drop(index=2)
    row = only(measurement_error(table))
    assert (row["pairs"], row["readings"], row["subjects"]) == (3, 2, 3)


def test_a_movement_without_a_second_reading_says_so():
    once = repeats([[1.0]], by="reading", movement="torque")
    table = measurement_error(pd.concat([repeats([[0, 1], [3, 2]], by="reading"), once]))
    torque = table.set_index("movement").loc["torque"]
    assert torque["note"] == "no second reading: nothing to compare"
    assert np.isnan(torque["dahlberg"])
    assert table["movement"].tolist() == ["torque", "rotation"]  # the order of the schema


def test_one_pair_has_an_error_and_no_interval():
    row = only(measurement_error(repeats([[1.0, 1.4]], by="reading")))
    assert row["dahlberg"] == pytest.approx(0.4 / np.sqrt(2))
    assert np.isnan(row["bias_low"])
    assert np.isnan(row["icc_a1"])
    assert "1 pair" in row["note"]


def test_perfect_repeats():
    row = only(measurement_error(repeats([[1, 1], [2, 2], [4, 4]], by="reading")))
    assert (row["dahlberg"], row["sem"], row["bias_p"]) == (0, 0, 1)
    assert row["icc_a1"] == pytest.approx(1)


def test_nothing_read_twice_is_an_error_with_a_remedy():
    with pytest.raises(CannotAnswer, match="read by two readers or twice"):
        measurement_error(repeats([[1.0], [2.0]], by="reading"))
    with pytest.raises(CannotAnswer, match="compare='readers'"):
        measurement_error(repeats([[1, 2], [2, 3]]), compare="readings")


def test_missing_columns_are_named():
    with pytest.raises(InputError, match="lacks reader, value"):
        measurement_error(repeats([[1, 2]]).drop(columns=["reader", "value"]))


def test_smallest_detectable_change_is_that_of_the_table():
    table = repeats(JUDGES)
    whole = only(measurement_error(table))["smallest_detectable_change"]
    assert smallest_detectable_change(table) == {"rotation": pytest.approx(whole)}
