"""Expected before each course against reached: what is learnt from whom, and closed forms."""

from dataclasses import dataclass, field
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from outcomes.ahead.hindsight import hindsight
from outcomes.errors import CannotAnswer
from outcomes.predictive.expect import expect
from outcomes.predictive.mixture import MixtureOutlook
from outcomes.simulate import simulate_rates

SD = 0.2


@dataclass
class Known:
    """Rates of 0.5 for others and the patient's own ratio where there are own rows; SD 0.2 mm."""

    rows: pd.DataFrame
    own: pd.DataFrame | None = None
    towards: int = 9
    log: list = field(default_factory=list)

    @property
    def patients(self):
        own = [] if self.own is None else list(self.own["patient"])
        return tuple(dict.fromkeys([*self.rows["patient"], *own]))

    def updated(self, rows):
        self.log.append(rows)
        return Known(self.rows, rows, self.towards)

    def support(self, tooth, sign, *, patient=None):
        own = 0 if patient is None else len(self.own)
        here = bool(own) and bool((self.own["tooth"] == tooth).any())
        return SimpleNamespace(direction_patients=self.towards, own_movements=own, own_tooth=here)

    def outlook(self, tooth, sign, largest, *, patient=None, alone=False):
        rate = 0.5
        if patient is not None and not alone:
            rate = self.own["achieved"].sum() / self.own["planned"].sum()
        one = np.ones(1)
        return MixtureOutlook(one, rate * one, 0 * one, np.zeros((1, 2, 2)), SD * one, 1.0, largest)


def rows_of(*rows):
    columns = ["patient", "tooth", "course", "planned", "achieved"]
    table = pd.DataFrame(rows, columns=columns)
    return table.assign(movement="vertical", unit="mm")


OTHERS = [("Q1", 31, 1, -1.0, -0.5), ("Q2", 31, 1, -1.0, -0.5)]
OWN = [
    ("P1", 31, 1, -2.0, -1.2),
    ("P1", 41, 1, 1.0, 0.0),
    ("P1", 31, 2, -1.0, -0.9),
    ("P1", 41, 2, 0.0, 0.1),
    ("P1", 31, 3, -0.5, None),
]


@pytest.fixture(scope="module")
def made():
    engines = []

    def learn(rows, movement):
        assert movement == "vertical"
        engines.append(Known(rows))
        return engines[-1]

    result = hindsight(rows_of(*OTHERS, *OWN), "P1", learn=learn)
    return result, engines


def test_a_course_is_predicted_from_others_and_from_earlier_courses_only(made):
    result, (engine,) = made
    assert set(engine.rows["patient"]) == {"Q1", "Q2"}
    assert [sorted(set(rows["course"])) for rows in engine.log] == [[1], [1, 2]]
    assert all(set(rows["patient"]) == {"P1"} for rows in engine.log)
    table = result.table
    assert table[["course", "tooth"]].to_numpy().tolist() == [[1, 31], [1, 41], [2, 31], [3, 31]]
    assert table["own_movements"].tolist() == [0, 0, 2, 4]  # a planned 0 with a result is a result
    assert table["own_tooth"].tolist() == [False, False, True, True]


def test_numbers_are_those_of_the_normal_distribution_in_the_sign_of_the_plan(made):
    table = made[0].table
    ratio = (-1.2 + 0.0) / (-2.0 + 1.0)  # own rate after the first course
    np.testing.assert_allclose(table["expected"][:3], [-1.0, 0.5, -ratio])
    for level in (50, 80, 95):
        half = norm.ppf(0.5 + level / 200) * SD
        np.testing.assert_allclose(table[f"high_{level}"] - table["expected"], half, rtol=1e-6)
        np.testing.assert_allclose(table["expected"] - table[f"low_{level}"], half, rtol=1e-6)
    # place is the chance of a smaller result in the direction of the plan
    place = norm.cdf([(1.2 - 1.0) / SD, (0.0 - 0.5) / SD, (0.9 - ratio) / SD])
    np.testing.assert_allclose(table["place"][:3], place)
    np.testing.assert_allclose(table["alone_expected"][:3], [-1.0, 0.5, -0.5])


def test_inside_and_summary_count_measured_results_only(made):
    result, _ = made
    # misses of 1, −2.5 and −1.5 SD; 50, 80 and 95 % reach to 0.67, 1.28 and 1.96 SD
    assert result.table["inside_50"].tolist()[:3] == [False, False, False]
    assert result.table["inside_80"].tolist()[:3] == [True, False, False]
    assert result.table["inside_95"].tolist()[:3] == [True, False, True]
    assert result.table["inside_95"].isna().tolist() == [False, False, False, True]
    assert result.summary["results"].tolist() == [3, 3, 3]
    assert result.summary["inside"].tolist() == [0, 1, 2]
    assert any("3 results, 0 within the 50 % range, 1 within" in note for note in result.notes)
    assert any("1 plan without a result: not measured" in note for note in result.notes)


def test_the_edge_of_a_range_is_inside_and_just_past_it_is_not():
    half = norm.ppf(0.9) * SD
    for miss, inside in ((half - 1e-6, True), (half + 1e-6, False)):
        rows = rows_of(*OTHERS, ("P1", 31, 1, -2.0, -1.0 - miss))
        table = hindsight(rows, "P1", learn=lambda rows, _: Known(rows)).table
        assert table["inside_80"].tolist() == [inside]


def test_positions_add_up_over_the_courses(made):
    table = made[0].table.set_index(["tooth", "course"])
    assert table.loc[(31, 2), "start"] == -1.2
    assert table.loc[(31, 2), "end"] == pytest.approx(-2.1)
    assert table.loc[(31, 3), "start"] == pytest.approx(-2.1)
    assert np.isnan(table.loc[(31, 3), "end"])
    assert table.loc[(31, 3), "note"] == "not measured"


def test_where_the_tooth_stood_is_missing_after_a_course_without_a_result():
    rows = rows_of(*OTHERS, ("P1", 31, 1, -1.0, None), ("P1", 31, 2, -1.0, -0.4))
    table = hindsight(rows, "P1", learn=lambda rows, _: Known(rows)).table
    assert table["start"].isna().tolist() == [False, True]
    assert table["expected"].notna().all()
    assert table["own_movements"].tolist() == [0, 0]  # nothing measured yet to learn from


def test_plans_to_come_have_a_prediction_and_no_result():
    coming = pd.DataFrame({"tooth": [31, 42], "movement": "vertical", "planned": [-0.4, -0.6]})
    rows = rows_of(*OTHERS, *OWN[:4])
    result = hindsight(rows, "P1", learn=lambda rows, _: Known(rows), coming=coming)
    new = result.table[result.table["course"] == 3]
    assert new["tooth"].tolist() == [31, 42]
    assert new["achieved"].isna().all()
    assert new["note"].tolist() == ["to come", "to come"]
    assert new["start"].tolist() == pytest.approx([-2.1, 0.0])
    assert result.summary["results"].tolist() == [3, 3, 3]
    assert not any("not measured" in note for note in result.notes)


def test_what_cannot_be_learnt_is_said_and_nothing_is_predicted():
    def learn(rows, movement):
        raise CannotAnswer("Fewer than two past patients.")

    result = hindsight(rows_of(*OTHERS, *OWN), "P1", learn=learn)
    assert result.table["expected"].isna().all()
    assert result.table["inside_80"].isna().all()
    assert any("4 plans" in n or "3 plans without a prediction: Fewer" in n for n in result.notes)
    assert result.summary["share"].isna().all()
    assert repr(result)


def test_a_direction_nobody_was_planned_in_is_said():
    learn = lambda rows, _: Known(rows, towards=0)  # noqa: E731
    table = hindsight(rows_of(*OTHERS, *OWN), "P1", learn=learn).table
    assert table["note"].str.startswith("nobody in the records").all()


def test_codes_and_movements_that_are_not_there_are_refused():
    rows = rows_of(*OTHERS, ("P001", 31, 1, -1.0, -0.5))
    with pytest.raises(CannotAnswer, match="is P001 meant"):
        hindsight(rows, "P1")
    with pytest.raises(CannotAnswer, match=r"P001 has no planned 'tip'\. Planned: vertical"):
        hindsight(rows, "P001", "tip")


def test_a_patient_without_plans_has_a_note_and_no_rows():
    result = hindsight(rows_of(*OTHERS, ("P1", 31, 1, 0.0, 0.1)), "P1")
    assert len(result.table) == 0
    assert result.notes == ("No course of this patient has a plan that is not 0.",)


def test_updating_says_what_learning_anew_says():
    """Learning from all rows at once is the reference; weights of 256 draws stand between."""
    past = simulate_rates(14, seed=3, movement="vertical", rows_per_tooth=2, teeth_per_patient=6)
    table = hindsight(past, "P003").table.query("course == 2")
    known = past[(past["patient"] != "P003") | (past["course"] == 1)]
    anew = expect(known, "vertical")
    for row in table.head(3).itertuples():
        sign = 1 if row.planned > 0 else -1
        outlook = anew.outlook(row.tooth, sign, abs(row.planned), patient="P003")
        size = np.array([abs(row.planned)])
        assert row.expected == pytest.approx(sign * float(outlook.at(size)[0][0]), abs=0.03)
        low, high = sorted(sign * float(end[0]) for end in outlook.range(size, 0.8))
        assert row.high_80 - row.low_80 == pytest.approx(high - low, rel=0.06)
