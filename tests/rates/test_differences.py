"""Differences between levels of a factor: known truth, the right degrees of freedom, Holm."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.multitest import multipletests

from outcomes.rates.differences import differences
from outcomes.rates.fit import fit_rate
from outcomes.reports.audit import tables
from outcomes.reports.audit.words.compared import compared, difference_words
from outcomes.reports.audit.words.compared import differences as in_words
from outcomes.simulate import simulate_rates


@pytest.fixture(scope="module")
def rows():
    """40 patients; growing patients achieve 0.15 more, attached teeth 0.10 more."""
    frame = simulate_rates(40, seed=11, attachment_share=0.4, attachment_effect=0.10)
    number = pd.factorize(frame["patient"])[0]
    growing = number % 2 == 0
    return frame.assign(
        movement="rotation",
        growing=np.where(growing, "yes", "no"),
        clinician=np.array(["A", "B", "C"])[number % 3],
        site="North",
        achieved=frame["achieved"] + 0.15 * growing * frame["planned"],
    )


def test_known_differences_are_found(rows):
    table = differences(rows).table.set_index("factor")
    growing = table.loc["growing"]
    assert growing["low"] < (0.15 if growing["level"] == "yes" else -0.15) < growing["high"]
    attached = table.loc["attachment"]
    assert attached["low"] < 0.10 < attached["high"]
    assert attached["p_holm"] < 0.001


def test_what_varies_between_patients_has_the_degrees_of_freedom_of_patients(rows):
    """40 patients in two groups leave 38 (the t test of two groups of patients, textbook); no
    cluster-robust comparison has more than there are patients, as each is one piece of evidence."""
    table = differences(rows).table.set_index("factor")
    assert table.loc["growing", "df"] == pytest.approx(38, abs=5)
    assert 20 < table.loc["attachment", "df"] < 40


def test_one_comparison_is_one_covariate_beside_the_adjusters(rows):
    table = differences(rows, ["growing"]).table
    by_hand = rows.assign(
        size=rows["planned"].abs(), lower=(rows["tooth"] > 30).astype(float)
    )  # FDI: quadrants 3 and 4 are the lower arch
    fit = fit_rate(by_hand, "rotation", covariates=["growing", "size", "lower"])
    assert table["difference"][0] == pytest.approx(fit.covariates["estimate"][0])
    assert table["se"][0] == pytest.approx(fit.covariates["se"][0])
    assert table["adjusted_for"][0] == "tooth class, size of plan, arch"
    assert table["not_adjusted_for"][0] == "course (the same in every row)"


def test_holm_over_the_whole_table(rows):
    table = differences(rows).table
    assert len(table) == 4  # attachment, growing, two clinicians against the third
    np.testing.assert_allclose(table["p_holm"], multipletests(table["p"], method="holm")[1])


def test_what_cannot_be_compared_is_said(rows):
    result = differences(rows)
    assert set(result.not_recorded) == {"auxiliary", "site"}
    tied = rows.assign(clinician=rows["tooth_class"].astype(str))
    assert ("rotation", "clinician") in differences(tied, ["clinician"]).unanswered


def test_words_for_growing_patients(rows):
    table = differences(rows, ["growing"]).table
    words = difference_words(next(table.itertuples()))
    assert words.endswith(
        ("in growing patients than in grown patients", "in grown patients than in growing patients")
    )
    assert "growing or grown patients" in compared(table)


def test_blank_factors_are_counted(rows):
    blank = rows.assign(growing=rows["growing"].where(rows.index % 5 > 0, None))
    table = differences(blank, ["growing"]).table
    assert table["not_recorded"][0] == (blank.index % 5 == 0).sum()


# What a comparison is adjusted for


def chosen_for(patients: int = 24, seed: int = 3, tied: float = 1.0) -> pd.DataFrame:
    """Rotations: small plans get a pressure point, large ones an attachment; the rate falls by 0.02
    a degree of plan and does not depend on either. ``tied``: share without attachment that have a
    pressure point."""
    rng = np.random.default_rng(seed)
    n = patients * 10
    large = rng.random(n) < 0.5
    planned = np.where(large, rng.uniform(9, 16, n), rng.uniform(4, 9, n))
    patient = np.repeat(np.arange(patients), 10)
    rate = 0.8 - 0.02 * planned + 0.08 * rng.standard_normal(patients)[patient]
    pressed = ~large & (rng.permutation(n) < tied * n)
    return pd.DataFrame(
        {
            "patient": [f"P{p:03}" for p in patient],
            "tooth": np.tile([11, 12, 13, 14, 21, 43, 44, 33, 34, 31], patients),
            "movement": "rotation",
            "course": 1,
            "planned": planned,
            "achieved": rate * planned + 0.5 * rng.standard_normal(n),
            "attachment": np.where(large, "rectangular", "none"),
            "auxiliary": np.where(pressed, "pressure point", "none"),
            "clinician": np.array(["A", "B"])[patient % 2],
        }
    )


def test_the_size_of_the_plan_is_held_equal():
    """Attachments on the larger plans, which achieve less: without the size they look harmful
    (0.02 a degree x about 6 degrees = 0.12), with it there is no difference."""
    frame = chosen_for()
    row = differences(frame, ["attachment"]).table.iloc[0]
    assert row["reference"] == "none"
    assert row["low"] < 0 < row["high"]
    plain = fit_rate(frame, "rotation", covariates="attachment").covariates
    assert plain["high"][0] < -0.05


def test_adjusters_are_dropped_with_the_reason():
    frame = chosen_for().assign(auxiliary="none")
    upper_only = frame[(frame["tooth"] < 30) | (frame["attachment"] == "none")]
    row = differences(upper_only, ["attachment"]).table.iloc[0]
    assert "arch" in row["adjusted_for"]  # attachments in the upper arch, none in both: estimable
    tied = frame.assign(attachment=np.where(frame["tooth"] < 30, "rectangular", "none"))
    row = differences(tied, ["attachment"]).table.iloc[0]
    assert "arch (it cannot be told from attachment" in row["not_adjusted_for"]
    alike = frame.assign(planned=6.0)
    row = differences(alike, ["attachment"]).table.iloc[0]
    assert "size of plan (all plans are of one size)" in row["not_adjusted_for"]
    later = frame.assign(course=np.where(frame["patient"] < "P004", 2, 1))  # 4 patients
    row = differences(later, ["attachment"]).table.iloc[0]
    assert "course (fewer than 5 patients on a side of it)" in row["not_adjusted_for"]
    later = frame.assign(course=np.where(frame["patient"] < "P005", 2, 1))  # 5 patients
    assert "course" in differences(later, ["attachment"]).table.iloc[0]["adjusted_for"]


def test_attachments_and_auxiliaries_are_held_equal_for_each_other():
    both = chosen_for(tied=0.5)
    table = differences(both).table.set_index("factor")
    assert table.loc["attachment", "adjusted_for"].endswith("auxiliary")
    assert table.loc["auxiliary", "adjusted_for"].endswith("attachment")


# Two factors that are one


def test_attachment_against_pressure_point_is_one_comparison():
    frame = chosen_for()
    frame = frame[(frame["patient"] > "P002") | (frame["attachment"] != "none")]
    result = differences(frame)
    table = result.table
    devices = table[table["factor"] != "clinician"]
    assert len(devices) == 1
    row = devices.iloc[0]
    assert (row["level"], row["reference"]) == ("attachment", "pressure point")
    assert row["movements"] == (frame["attachment"] == "rectangular").sum()
    assert row["tied_with"] == "auxiliary pressure point against none (100\u00a0% of the movements)"
    one = differences(frame, ["attachment"]).table.iloc[0]
    assert row["difference"] == pytest.approx(one["difference"])
    both = frame.groupby("patient")["attachment"].nunique().eq(2).sum()
    assert row["patients_with_both"] == both == 21
    assert row["patients"] == 24
    chosen = result.chosen.set_index("choice")
    assert chosen.loc["attachment", "plan_size"] == pytest.approx(
        frame["planned"][frame["attachment"] == "rectangular"].mean()
    )


def test_kinds_of_attachment_against_one_pressure_point_are_one_comparison():
    frame = chosen_for()
    kinds = np.where(np.arange(len(frame)) % 2, "rectangular", "ellipsoid")
    frame["attachment"] = np.where(frame["attachment"] == "none", "none", kinds)
    table = differences(frame, ["attachment", "auxiliary"]).table
    assert table[["level", "reference"]].to_numpy().tolist() == [["attachment", "pressure point"]]


@pytest.mark.parametrize(("share", "tied"), [(0.90, True), (0.89, False)])
def test_from_nine_tenths_on_two_factors_are_one(share, tied):
    frame = chosen_for(patients=40)
    bare = frame.index[frame["attachment"] == "none"][:100]
    with_point = frame.index.isin(bare[: round(100 * share)])
    rest = frame[frame["attachment"] == "rectangular"].index.union(bare)
    frame = frame.assign(auxiliary=np.where(with_point, "pressure point", "none")).loc[rest]
    table = differences(frame, ["attachment", "auxiliary"]).table
    assert (len(table) == 1) is tied
    direct = table[table["factor"] == "attachment or auxiliary"].iloc[0]
    assert ("90\u00a0% of the movements" in direct["tied_with"]) is tied
    assert direct["movements"] == (frame["attachment"] == "rectangular").sum()


def test_a_site_and_its_clinicians_are_one_comparison():
    frame = chosen_for(36).assign(auxiliary="none")
    number = pd.factorize(frame["patient"])[0] % 3
    frame = frame.assign(
        clinician=np.array(["A", "B", "C"])[number],
        site=np.array(["North", "South", "North"])[number],
    )
    table = differences(frame, ["clinician", "site"]).table.set_index("factor")
    assert table.loc["clinician", "level"] == "C"  # both in the North
    assert (
        table.loc["site", "tied_with"] == "clinician B against A, C (100\u00a0% of the movements)"
    )
    alike = frame[frame["clinician"] != "C"]
    table = differences(alike, ["clinician", "site"]).table
    assert table["factor"].tolist() == ["clinician"]
    assert table["tied_with"][0] == "site South against North (100\u00a0% of the movements)"


# Too few


@pytest.mark.parametrize("patients", [4, 5])
def test_fewer_than_five_patients_are_neither_tested_nor_counted(patients):
    frame = chosen_for().assign(auxiliary="none")
    few = frame["patient"] < f"P{patients:03}"
    frame = frame.assign(clinician=np.where(few, "Z", frame["clinician"]))
    table = differences(frame, ["attachment", "clinician"]).table.set_index("level")
    assert table.loc["Z", "patients"] == patients
    assert bool(table.loc["Z", "too_few"]) is (patients < 5)
    tested = table[table["p"].notna()]
    assert len(tested) == (2 if patients < 5 else 3)
    np.testing.assert_allclose(tested["p_holm"], multipletests(tested["p"], method="holm")[1])
    if patients < 5:
        assert table.loc["Z", ["difference", "low", "p", "p_holm"]].isna().all()
        assert "One comparison" not in compared(table)
        assert "None of 2 comparisons" in compared(table)


def test_the_reference_has_enough_patients_too():
    """Many rows of 4 patients are no reference."""
    frame = chosen_for().assign(auxiliary="none")
    many = frame[frame["patient"] < "P004"]
    more = pd.concat([many.assign(tooth=t) for t in (15, 16, 17, 25, 26, 27, 35, 36, 37)])
    frame = pd.concat([frame, more], ignore_index=True)
    frame = frame.assign(clinician=np.where(frame["patient"] < "P004", "Z", frame["clinician"]))
    assert frame["clinician"].value_counts().idxmax() == "Z"
    table = differences(frame, ["clinician"]).table.set_index("level")
    assert table.loc["Z", "too_few"]
    assert table["reference"].nunique() == 1
    assert table["reference"].iloc[0] in ("A", "B")


def test_nothing_to_test_at_all():
    frame = chosen_for(patients=8)
    table = differences(frame, ["clinician"]).table
    assert table["too_few"].tolist() == [True]
    assert compared(table) == "No comparison rests on enough patients to be made."


# Words and tables


def said(result) -> str:
    return " ".join(in_words(SimpleNamespace(differences=result, level=0.95))).replace(
        "\u00a0", " "
    )


def test_words_for_attachments_against_pressure_points():
    frame = chosen_for()
    result = differences(frame)
    words = said(result)
    row = result.table.set_index("factor").loc["attachment or auxiliary"]
    assert "no difference is shown between attachments and pressure points" in words
    assert "not evidence that they are the same" in words
    assert (
        "chosen by the clinician for the case, not allotted (common practice, no source)" in words
    )
    large = frame["planned"][frame["attachment"] == "rectangular"].mean()
    assert f"attachments for {row['movements']} movements of" in words
    assert f"mean plan {large:.1f}°" in words
    assert f"{row['patients_with_both']} patients had both" in words
    assert (
        "For rotation, attachment against pressure point is one comparison with auxiliary "
        "pressure point against none (100 % of the movements): these records cannot tell" in words
    )
    better = frame.assign(
        achieved=frame["achieved"] + 0.3 * frame["planned"] * (frame["attachment"] != "none")
    )
    words = said(differences(better))
    assert "percentage points more rotation with attachments than with pressure points" in words
    few = frame[frame["patient"] < "P004"]
    words = said(differences(few))
    assert "attachments and pressure points cannot be compared: too few patients" in words
    assert "too few, not tested and not counted" in words


def test_table_of_differences_says_too_few_and_what_was_held_equal():
    frame = chosen_for().assign(auxiliary="none")
    few = frame["patient"] < "P004"
    frame = frame.assign(clinician=np.where(few, "Z", frame["clinician"]))
    found = differences(frame, ["attachment", "clinician"]).table
    shown = tables.differences(found)
    line = shown[shown["Level"] == "Z"].iloc[0]
    assert line[["Points", "95 % interval", "p", "p, adjusted"]].tolist() == [
        "too few",
        "–",
        "too few",
        "–",
    ]
    first = shown.iloc[0]
    assert first["Adjusted for"] == "tooth class, size of plan, arch, "[:-2]
    assert first["With both"] == str(found["patients_with_both"][0])
    assert first["The same comparison as"] == "–"
