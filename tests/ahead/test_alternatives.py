"""Attachments side by side: only where the cohort tells them apart, with the warning; or the sentence."""

import numpy as np
import pandas as pd
import pytest

from outcomes.ahead.alternatives import NOT_ALLOTTED, Levels, alternatives_of, levels_of
from outcomes.ahead.records import records_of
from outcomes.ahead.result import ALTERNATIVES
from tests.ahead.invented import Normal, ask


def past(patients=16, effect=0.2, levels=("none", "ellipsoid"), seed=2, given=None) -> pd.DataFrame:
    """Rotations of canines; the second level achieves ``effect`` more of the plan (invented)."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(patients):
        rate = 0.5 + rng.normal(0, 0.05)
        for k, tooth in enumerate((13, 23, 33, 43)):
            at = k % len(levels)
            planned = rng.uniform(5, 20)
            got = (rate + effect * at) * planned + rng.normal(0, 0.5)
            rows.append((f"P{i:02d}", tooth, "rotation", planned, got, levels[at]))
    names = ["patient", "tooth", "movement", "planned", "achieved", given or "attachment"]
    return records_of(pd.DataFrame(rows, columns=names)).measured


class ByLevel:
    """An expectation whose rate depends on the attachment, set by hand."""

    patients = ("P00",)

    def outlook(self, tooth, sign, largest, *, patient=None, attachment):
        assert (tooth, sign) == (13, 1)
        share = {"none": 0.4, "ellipsoid": 0.6}[attachment]
        return Normal(largest, share=share + 0.1 * (patient == "P00"), spread=0.1, sigma=1.0)


ONE = ask(
    aim=8.0, planned=12.0, tooth=13, movement="rotation", unit="degree", tolerance=2.0, most=16.0
)


def told():
    return Levels(past(), "rotation", "attachment", learn=lambda rows: ByLevel())


def table_of(one, patient="NEW"):
    table = alternatives_of([ONE], {"rotation": [one]}, patient)
    assert tuple(table.columns) == ALTERNATIVES
    return table


def test_levels_that_the_cohort_tells_apart_stand_side_by_side():
    table = table_of(told()).set_index("level")
    assert table.index.tolist() == ["ellipsoid", "none"]
    assert table["told"].all()
    # the plan with the best chance of each: nearer to aim / rate where the rate is higher
    assert table.loc["ellipsoid", "planned"] < table.loc["none", "planned"]
    assert table.loc["ellipsoid", "within"] > table.loc["none", "within"]
    for level, share in (("none", 0.4), ("ellipsoid", 0.6)):
        row = table.loc[level]
        assert row["expected"] == pytest.approx(share * row["planned"])
        assert row["low_80"] < row["expected"] < row["high_80"]
        assert row["over"] <= 0.10 + 1e-6
        assert (row["patients"], row["movements"]) == (16, 32)
    assert table.loc["ellipsoid", "note"].endswith(NOT_ALLOTTED)
    assert "+20 percentage points" in table.loc["ellipsoid", "note"]
    assert table.loc["none", "note"] == ""


def test_a_known_patient_is_known_here_too():
    new, own = table_of(told()), table_of(told(), patient="P00")
    assert (own["expected"] / own["planned"]).tolist() == pytest.approx(
        (new["expected"] / new["planned"] + 0.1).tolist()
    )


def test_a_cap_on_going_too_far_holds_for_every_level():
    strict = ask(**{**vars(ONE), "over_cap": 0.01})
    table = alternatives_of([strict], {"rotation": [told()]}, "NEW")
    assert (table["over"] <= 0.01 + 1e-6).all()


def test_levels_that_do_not_differ_get_a_sentence_and_no_number():
    one = Levels(past(effect=0.0), "rotation", "attachment")
    row = table_of(one).iloc[0]
    assert row["note"].startswith(
        "The cohort does not tell attachments apart for rotation: ellipsoid"
    )
    assert row[["level", "planned", "within", "patients"]].isna().all()
    assert not row["told"]


@pytest.mark.parametrize(("patients", "answered"), [(4, False), (5, True)])
def test_a_level_of_few_patients_is_no_level(patients, answered):
    rows = past()
    few = rows["patient"].isin([f"P{i:02d}" for i in range(patients)])
    rows = rows[(rows["attachment"] == "none") | few]
    one = Levels(rows, "rotation", "attachment", learn=lambda part: ByLevel())
    assert bool(one.told) == answered
    if not answered:
        assert "with ellipsoid 4, none 16 (patients)" in one.why


def test_nothing_recorded_is_not_none():
    rows = past().drop(columns="attachment")
    attachment, auxiliary = levels_of(rows, "rotation")
    assert attachment.why == "The cohort records no attachments for rotation."
    assert auxiliary.why == "The cohort records no auxiliaries for rotation."
    blank = past().assign(attachment=None)
    assert levels_of(blank, "rotation")[0].why == "The cohort records no attachments for rotation."


def test_levels_written_as_numbers_are_levels():
    one = Levels(past(levels=(0, 1)), "rotation", "attachment", learn=lambda rows: ByLevel())
    assert one.levels == ["0", "1"]
    assert list(one.told) == ["1"]


def test_with_the_real_expectation():
    one = levels_of(past(), "rotation", ["attachment"])[0]
    rows = table_of(one).set_index("level")
    rates = rows["expected"] / rows["planned"]
    assert rates["ellipsoid"] - rates["none"] == pytest.approx(0.2, abs=0.06)
