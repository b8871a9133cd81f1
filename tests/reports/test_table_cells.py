"""What is printed in each cell of the tables of an audit, and at which level its intervals are."""

import made_audit as made
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from outcomes.cohort.read import from_frames
from outcomes.domain import names
from outcomes.reports.audit import tables
from outcomes.reports.audit.results import run_audit
from outcomes.words import english, numbers, units


def shown(table):
    """Headings and the texts of the first line, with plain spaces."""
    assert all(isinstance(text, str) for text in table.iloc[0])
    return {
        title.replace("\u00a0", " "): text.replace("\u00a0", " ")
        for title, text in table.iloc[0].items()
    }


# ---- single numbers -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (0.0, 2, "0.00"),
        (-0.004, 2, "0.00"),
        (-0.006, 2, "−0.01"),
        (1234.5, 1, "1,234.5"),
        (-12.0, 0, "−12"),
    ],
)
def test_numbers(value, digits, text):
    assert numbers.number(value, digits) == text
    assert numbers.number(1 / 3) == "0.33"


@pytest.mark.parametrize(
    ("p", "text"), [(0.0, "< 0.001"), (0.00099, "< 0.001"), (0.001, "0.001"), (0.0496, "0.050")]
)
def test_p_values_are_never_zero(p, text):
    assert numbers.p_value(p).replace("\u00a0", " ") == text


@pytest.mark.parametrize(
    ("share", "text"),
    [(0.0, "0"), (0.004, "0"), (-0.004, "0"), (0.006, "+1"), (-0.006, "−1"), (0.5, "+50")],
)
def test_points(share, text):
    assert numbers.points(share) == text


def test_intervals_and_sizes():
    assert numbers.range_words(0.4, 0.7) == "40 to 70\u00a0%"
    assert numbers.range_words(-0.1, 0.05, numbers.number) == "−0.10 to 0.05"
    for bad in ((np.nan, 1.0), (1.0, np.nan)):
        assert numbers.range_words(*bad) == "–"
        assert numbers.size_range(*bad, "mm") == "–"
        assert numbers.size_range(*bad, "degree") == "–"
    assert numbers.size(0.456, "mm") == "0.46\u00a0mm"
    assert numbers.size(4.56, "degree") == "4.6°"
    assert numbers.size_range(0.456, 1, "mm") == "0.46 to 1.00\u00a0mm"
    assert numbers.size_range(-0.46, 1.04, "degree") == "−0.5 to 1.0°"
    assert numbers.percent(0.1234, 1) == "12.3\u00a0%"
    assert (numbers.count(1234.0), numbers.count(0)) == ("1,234", "0")


# ---- whole lines --------------------------------------------------------------------------------

RATES = {
    "movement": "tip", "group": "canine", "patients": 9, "movements": 1200, "rate": 0.604,
    "se": 0.0521, "df": 8.06, "low": 0.496, "high": 0.712,
}  # fmt: skip


@pytest.mark.parametrize(
    ("df", "text"), [(8.06, "8.1"), (29.94, "29.9"), (30.0, "30"), (412.3, "412")]
)
def test_rates(df, text):
    expected = {
        "Movement": "tip", "Teeth": "canine", "Patients": "9", "Movements": "1,200",
        "Achieved": "60 %", "95 % interval": "50 to 71 %", "Std. error": "5.2 %", "df": text,
    }  # fmt: skip
    found = shown(tables.rates(pd.DataFrame([{**RATES, "df": df}])))
    assert list(found.items()) == list(expected.items())
    by_way = shown(tables.direction_rates(pd.DataFrame([{**RATES, "group": "buccal"}])))
    assert by_way["Direction"] == "buccal"
    assert "Teeth" not in by_way


def test_rates_that_are_not_there_are_dashes():
    line = {**RATES, "rate": np.nan, "se": None, "df": np.nan, "low": np.nan}
    found = shown(tables.rates(pd.DataFrame([line])))
    assert [found[c] for c in ("Achieved", "95 % interval", "Std. error", "df")] == ["–"] * 4


def test_rates_by_movement():
    line = {
        **RATES, "pooled_rate": 0.58, "within_tolerance": 0.41, "wrong_way": 0.07,
    }  # fmt: skip
    assert list(shown(tables.movement_rates(pd.DataFrame([line]))).items()) == [
        ("Movement", "tip"), ("Patients", "9"), ("Movements", "1,200"), ("Achieved", "60 %"),
        ("95 % interval", "50 to 71 %"), ("Pooled rate", "58 %"), ("On target", "41 %"),
        ("Other way", "7 %"),
    ]  # fmt: skip


def test_targets():
    line = {
        "movement": "tip", "tooth_class": "molar", "patients": 4, "movements": 30,
        "planned_mean": 4.125, "achieved_mean": -2.5, "mean_absolute_error": 1.75,
        "within_tolerance": 0.41, "overshot": 0.12, "wrong_way": 0.07,
    }  # fmt: skip
    assert list(shown(tables.targets(pd.DataFrame([line]))).items()) == [
        ("Movement", "tip"), ("Teeth", "molar"), ("Patients", "4"), ("Movements", "30"),
        ("Planned, mean", "4.12"), ("Achieved, mean", "−2.50"), ("Missed by, mean", "1.75"),
        ("On target", "41 %"), ("Too far", "12 %"), ("Other way", "7 %"),
    ]  # fmt: skip


def test_differences_and_contrasts():
    line = {
        "movement": "tip", "factor": "site", "level": "South", "reference": "North", "patients": 14,
        "movements": 30, "reference_patients": 9, "patients_with_both": 2, "not_recorded": 3,
        "adjusted_for": "size of plan, arch", "not_adjusted_for": "later course (one only)",
        "tied_with": "clinician B against A", "too_few": False, "difference": -0.152, "low": -0.301, "high": 0.004, "p": 0.0523,
        "p_holm": 0.0004, "a": "molar", "b": "canine", "df": 12.6,
    }  # fmt: skip
    frame = pd.DataFrame([line])
    assert list(shown(tables.differences(frame)).items()) == [
        ("Movement", "tip"), ("Factor", "site"), ("Level", "South"), ("Against", "North"),
        ("Patients", "14"), ("Movements", "30"), ("Patients, other side", "9"), ("With both", "2"),
        ("Points", "−15"), ("95 % interval", "−30 to 0"), ("p", "0.052"), ("p, adjusted", "< 0.001"),
        ("Adjusted for", "size of plan, arch"), ("Not adjusted for", "later course (one only)"),
        ("The same comparison as", "clinician B against A"),
    ]  # fmt: skip
    bare = dict.fromkeys(("adjusted_for", "not_adjusted_for", "tied_with"), "")
    unknown = dict.fromkeys(("difference", "low", "high", "p", "p_holm"), np.nan)
    few = {"patients": 4, "too_few": True}
    found = shown(tables.differences(pd.DataFrame([{**line, **bare, **unknown, **few}])))
    assert (found["Patients"], found["Points"], found["p"]) == ("4", "too few", "too few")
    dashes = ("95 % interval", "p, adjusted", "Adjusted for", "Not adjusted for", "The same comparison as")  # fmt: skip
    assert [found[name] for name in dashes] == ["–"] * 5
    assert list(shown(tables.contrasts(frame)).items()) == [
        ("Rate of", "molar"), ("Minus rate of", "canine"), ("Points", "−15"),
        ("95 % interval", "−30 to 0"), ("df", "13"), ("p", "0.052"), ("p, adjusted", "< 0.001"),
    ]  # fmt: skip


def test_unplanned():
    line = {
        "movement": "tip", "tooth_class": "molar", "unit": "degree", "patients": 4,
        "movements": 30, "not_measured": 3, "mean": 0.52, "low": -0.1, "high": 1.14, "largest": -3.25,
        "beyond_tolerance": 0.1,
    }  # fmt: skip
    expected = {
        "Movement": "tip", "Teeth": "molar", "Patients": "4", "Movements": "30", "Not measured": "3",
        "Mean": "0.5°",
        "95 % interval": "−0.1 to 1.1°", "Largest": "−3.2°", "Beyond tolerance": "10 %",
    }  # fmt: skip
    assert list(shown(tables.unplanned(pd.DataFrame([line]))).items()) == list(expected.items())
    length = shown(tables.unplanned(pd.DataFrame([{**line, "unit": "mm"}])))
    assert (length["Mean"], length["95 % interval"]) == ("0.52 mm", "−0.10 to 1.14 mm")
    unknown = dict.fromkeys(("mean", "low", "high", "largest", "beyond_tolerance"), np.nan)
    none = {**line, **unknown, "patients": 0, "movements": 0}
    found = shown(tables.unplanned(pd.DataFrame([none])))
    assert (found["Movements"], found["Not measured"]) == ("0", "3")
    assert (found["Mean"], found["Largest"]) == ("not measured", "not measured")
    assert (found["95 % interval"], found["Beyond tolerance"]) == ("–", "–")


def test_measurement():
    line = {
        "movement": "vertical", "unit": "mm", "pairs": 20, "dahlberg": 0.083, "bias": -0.02,
        "loa_low": -0.25, "loa_high": 0.21, "icc_a1": 0.972, "smallest_detectable_change": 0.163,
        "smallest_detectable_difference": 0.231,
    }  # fmt: skip
    expected = {
        "Movement": "vertical", "Pairs": "20", "Dahlberg": "0.08 mm", "Bias": "−0.02 mm",
        "Limits of agreement": "−0.25 to 0.21 mm", "ICC(A,1)": "0.97",
        "Smallest detectable change": "0.16 mm", "Smallest detectable difference": "0.23 mm",
    }  # fmt: skip
    assert list(shown(tables.measurement(pd.DataFrame([line]))).items()) == list(expected.items())
    none = dict.fromkeys(("dahlberg", "bias", "icc_a1", "smallest_detectable_change"), np.nan)
    found = shown(tables.measurement(pd.DataFrame([{**line, **none}])))
    assert [found[c] for c in ("Dahlberg", "Bias", "ICC(A,1)")] == ["–"] * 3


def test_models_ledger_problems_and_roots():
    line = {
        "movement": "tip", "unit": "degree", "patients": 9, "teeth": 30, "movements": 60,
        "sd_patient": 0.104, "sd_tooth": 0.052, "sd_residual": 1.06, "log_likelihood": -1234.567,
    }  # fmt: skip
    assert list(shown(tables.models(pd.DataFrame([line]))).items()) == [
        ("Movement", "tip"), ("Patients", "9"), ("Teeth", "30"), ("Rows", "60"),
        ("SD of rate, patients", "10.4 %"), ("SD of rate, teeth", "5.2 %"), ("Residual SD", "1.1°"),
        ("Log-likelihood", "−1,234.57"),
    ]  # fmt: skip
    # teeth with one row each: their spread and that of measuring cannot be told apart
    for absent in (None, np.nan):
        unknown = {**line, "sd_tooth": absent, "sd_residual": np.nan}
        found = shown(tables.models(pd.DataFrame([unknown])))
        assert found["SD of rate, teeth"] == found["Residual SD"] == "not identified"
        found = shown(tables.models(pd.DataFrame([{**line, "sd_tooth": absent}])))
        assert (found["SD of rate, teeth"], found["Residual SD"]) == ("–", "1.1°")
    assert list(shown(tables.ledger(made.ledger(late=3).tail(1))).items()) == [
        ("Table", "movements"), ("Step", "excluded"), ("Reason", "late"), ("Rows", "3"),
        ("Patients", "5"),
    ]  # fmt: skip
    assert list(tables.problems(made.problems(("check", {})))) == [
        "Table", "Row", "Column", "Problem", "Severity",
    ]  # fmt: skip
    root = {
        "tooth": 31, "patients": 3, "without_torque": 2, "mean": 0.5, "sd": np.nan, "most_labial": 1.0,
        "most_lingual": -1.5, "largest_distance": 1.6,
    }  # fmt: skip
    assert list(shown(tables.roots(pd.DataFrame([root]))).items()) == [
        ("Tooth", "31"), ("Patients, torque measured", "3"), ("Not measured", "2"), ("Mean (mm)", "0.50"), ("SD (mm)", "–"),
        ("Most labial", "1.00"), ("Most lingual", "−1.50"), ("Longest way", "1.60"),
    ]  # fmt: skip


# ---- the level of every printed interval --------------------------------------------------------


@pytest.fixture(scope="module")
def audit():
    rng = np.random.default_rng(5)
    rows = [
        (f"P{p:03}", tooth, movement, planned, round(rng.normal(0.6, 0.1) * planned + noise, 2),
         "none" if (p + tooth) % 3 else "rectangular")
        for p in range(9)
        for tooth in (11, 13, 16)
        for movement, size in (("torque", 6.0), ("tip", 8.0))
        for planned, noise in ((size * (-1) ** (p + tooth), rng.normal(0, 0.5)),
                               (0.0, rng.normal(0.4, 0.3)))
    ]  # fmt: skip
    frame = pd.DataFrame(
        rows, columns=["patient", "tooth", "movement", "planned", "achieved", "attachment"]
    )
    frame["course"] = np.where(frame["planned"] == 0, 2, 1)
    return run_audit(from_frames(frame))


def test_every_printed_interval_is_a_95_percent_t_interval(audit):
    """estimate ± t(0.975, df) · SE, quantiles of Student's t by scipy."""
    rates = [
        *(fits.rates for fits in (audit.fits, audit.class_fits, audit.direction_fits, audit.tooth_fits)),
        audit.rate_table,
    ]  # fmt: skip
    for table in rates:
        assert len(table)
        half = stats.t.ppf(0.975, table["df"]) * table["se"]
        assert np.allclose(table["rate"] - half, table["low"])
        assert np.allclose(table["rate"] + half, table["high"])
    contrasts = [fit.contrasts() for fit in audit.class_fits.values()]
    contrasts += [fit.contrasts() for fit in audit.direction_fits.values()]
    for table in contrasts:
        half = stats.t.ppf(0.975, table["df"]) * table["se"]
        assert np.allclose(table["difference"] - half, table["low"])
        assert np.allclose(table["difference"] + half, table["high"])
    found = audit.differences.table.dropna(subset=["low"])
    assert len(found)
    half = stats.t.ppf(0.975, found["df"]) * found["se"]
    assert np.allclose(found["difference"] - half, found["low"])
    assert np.allclose(found["difference"] + half, found["high"])
    still = audit.unplanned.dropna(subset=["low"])
    assert len(still)
    assert np.allclose(still["mean"] - still["low"], still["high"] - still["mean"])
    for fits in (audit.fits, audit.class_fits, audit.direction_fits, audit.tooth_fits):
        assert {fit.level for fit in fits.values()} == {0.95}


# ---- words of numbers, units and names ----------------------------------------------------------


@pytest.mark.parametrize(
    ("share", "text"),
    [(0.616, "62"), (-0.004, "0"), (0.0, "0"), (-0.006, "−1"), (-0.104, "−10"), (1.5, "150")],
)
def test_bare_percent(share, text):
    assert numbers.bare_percent(share) == text


@given(st.floats(-5, 5))
def test_bare_percent_is_percent_without_its_sign(share):
    assert numbers.bare_percent(share) == numbers.percent(share).removesuffix("\u00a0%")


def test_small_words():
    assert [english.counted(n, "patient") for n in (0, 1, 2, 1200)] == [
        "0 patients", "1 patient", "2 patients", "1,200 patients",
    ]  # fmt: skip
    assert [english.listed(list(x)) for x in ("a", "ab", "abc")] == [
        "a",
        "a and b",
        "a, b and c",
    ]
    assert [units.unit_symbol(u) for u in ("mm", "degree", None, "x")] == ["mm", "°", "", ""]
    for name in ("mesiodistal", "buccolingual", "vertical"):
        assert names.movement_name(name) == f"{name} movement"
    assert names.movement_name("tip") == "tip"
    assert names.movement_name("") == "movement"
    assert names.sign_words("vertical") == ("intrusion", "extrusion")
    assert names.sign_words("other") == names.sign_words(None) == ("", "")
    assert english.wrapped("one two three", 7) == "one two\nthree"
    assert english.wrapped("longword a", 4) == "longword\na"
    assert english.wrapped("", 4) == ""
