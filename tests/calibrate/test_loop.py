"""Before and after: what is compared, intervals, and what it is not."""

import numpy as np
import pandas as pd
import pytest

from outcomes.calibrate.loop import NOT_A_TRIAL, closing_loop
from outcomes.estimate.design import RateError
from outcomes.simulate import simulate_rates


def practice(seed: int = 1, factor: float = 1.8, patients: int = 40) -> pd.DataFrame:
    """Half the patients before 2025 with plan = aim; the others planned factor times the aim."""
    rows = simulate_rates(patients, seed=seed, movement="vertical", rates=0.55)
    after = rows["patient"].str[1:].astype(int) > patients // 2
    rows["start"] = np.where(after, pd.Timestamp("2025-03-01"), pd.Timestamp("2024-03-01"))
    rows["aim"] = np.where(after, rows["planned"] / factor, rows["planned"])
    return rows


def test_periods_by_hand():
    rows = practice()
    table = closing_loop(rows, "2025-01-01").periods.set_index("period")
    part = rows[rows["start"] >= "2025-01-01"]
    miss = (part["aim"] - part["achieved"]).abs()
    assert table.loc["after", "shortfall"] == pytest.approx(miss.mean())
    assert table.loc["after", "within"] == pytest.approx((miss <= 0.5).mean())
    assert table.loc["after", "plan"] == pytest.approx(1.8)
    assert table.loc["after", "aim"] == pytest.approx(part["aim"].abs().mean())
    assert table.loc["before", "plan"] == pytest.approx(1.0)
    assert table.loc[["before", "after"], "patients"].tolist() == [20, 20]


def test_the_day_itself_belongs_to_after():
    table = closing_loop(practice(), "2025-03-01").periods.set_index("period")
    assert table.loc["after", "patients"] == 20


def test_better_is_said_with_its_interval_and_the_caution():
    loop = closing_loop(practice(), "2025-01-01")
    row = loop.change.iloc[0]
    assert row["shortfall_low"] < row["shortfall"] < row["shortfall_high"] < 0
    assert 0 < row["reached_low"] < row["reached"] < row["reached_high"]
    said = loop.sentences[0]
    assert said.index("more of the aim reached") < said.index("aims were") < said.index("shortfall")
    assert "less shortfall" in said
    for text in (repr(loop), loop._repr_html_()):
        assert NOT_A_TRIAL in text
        assert "The treating clinician decides" in text


def test_no_change_is_said_to_be_none():
    """The date means nothing: intervals of 40 practices hold 0 about as often as they should."""
    held = []
    for seed in range(40):
        loop = closing_loop(practice(seed, factor=1.0), "2025-01-01", n_boot=300)
        row = loop.change.iloc[0]
        held.append(
            (row["shortfall_low"] <= 0 <= row["shortfall_high"])
            and row["reached_low"] <= 0 <= row["reached_high"]
        )
    assert np.mean(held) > 0.75


def test_smaller_aims_alone_are_no_less_shortfall():
    """Rate and overcorrection as they were, aims halved: the shortfall falls, the share does not."""
    rows = practice(seed=5, factor=1.0, patients=60)
    after = rows["start"] >= "2025-01-01"
    rows.loc[after, ["planned", "achieved", "aim"]] /= 3
    loop = closing_loop(rows, "2025-01-01")
    row, said = loop.change.iloc[0], loop.sentences[0]
    assert row["shortfall_high"] < 0
    assert row["reached_low"] < 0 < row["reached_high"]
    assert "no clear change of the share" in said
    assert "less shortfall" not in said
    assert "changes with the size of the aims alone" in said


def test_few_patients_a_side_get_welchs_interval():
    """Against scipy's Welch test of the patients' means; percentile limits are too narrow here."""
    from scipy import stats

    rows = practice(patients=12)
    change = closing_loop(rows, "2025-01-01").change.iloc[0]
    assert change["shortfall_by"] == "t"
    miss = (rows["aim"] - rows["achieved"]).abs()
    means = miss.groupby([rows["start"] >= "2025-01-01", rows["patient"]]).mean()
    test = stats.ttest_ind(means.loc[True], means.loc[False], equal_var=False)
    assert (change["shortfall_low"], change["shortfall_high"]) == pytest.approx(
        test.confidence_interval(0.95)
    )
    assert closing_loop(practice(), "2025-01-01").change["shortfall_by"].tolist() == ["bootstrap"]


def test_few_patients_without_a_change_are_rarely_said_to_have_one():
    """5 patients a side, unlike each other, no change: 13 % of percentile intervals missed 0."""
    from outcomes.calibrate.loop import _welch

    rng = np.random.default_rng(4)
    wrong = []
    for _ in range(400):
        own = np.abs(rng.normal(1, 0.3, 10)).repeat(8)
        part = pd.DataFrame(
            {
                "patient": np.repeat(np.arange(10), 8),
                "after": np.repeat([0, 1], 40),
                "aim": own + rng.normal(0, 0.2, 80),
                "achieved": 0.0,
            }
        )
        low, high, _ = _welch(part, 0.95)
        wrong.append(low > 0 or high < 0)
    assert np.mean(wrong) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 400)


def test_too_few_patients_are_no_comparison():
    rows = practice()
    rows.loc[rows["patient"] > "P003", "start"] = pd.Timestamp("2025-03-01")
    loop = closing_loop(rows, "2025-01-01")
    assert loop.change["shortfall"].isna().all()
    assert "only 3 patients before the date" in loop.sentences[0]


def test_undated_courses_and_patients_on_both_sides_are_said():
    rows = practice()
    rows.loc[rows["patient"] == "P005", "start"] = pd.NaT
    first = rows.index[rows["patient"] == "P030"][:3]
    rows.loc[first, "start"] = pd.Timestamp("2024-06-01")
    notes = " ".join(closing_loop(rows, "2025-01-01").notes)
    assert "20 movements of courses without a start" in notes
    assert "1 patient has courses on both sides" in notes


@pytest.mark.parametrize(
    ("rows", "since", "words"),
    [
        (practice().drop(columns="start"), "2025-01-01", "start date"),
        (practice(), "2030-01-01", "on or after 2030-01-01"),
        (practice(), "2000-01-01", "before 2000-01-01"),
    ],
)
def test_refusals(rows, since, words):
    with pytest.raises(RateError, match=words):
        closing_loop(rows, since)
