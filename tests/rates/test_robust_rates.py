"""The robust second reading: against statsmodels RLM, and with slips of known size."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from outcomes.cohort.read import from_frames
from outcomes.errors import CannotAnswer
from outcomes.rates.fit import fit_rate
from outcomes.rates.pooling import tooth_rates
from outcomes.rates.robust_rates import _Weighing, flagged_rows, robust_rates
from outcomes.reports.audit import tables
from outcomes.reports.audit.results import run_audit
from outcomes.reports.audit.words import second_readings, tooth_chart
from outcomes.reports.common.robust import second_reading
from outcomes.reports.depth import words as depth_words
from outcomes.simulate import simulate_rates


def independent(seed: int = 0, slips: int = 0) -> pd.DataFrame:
    """Rows that share nothing within patients: residuals add to zero in every patient's slope."""
    rng = np.random.default_rng(seed)
    n, each = 60, 4
    planned = rng.uniform(2, 10, n * each)
    noise = 0.8 * rng.standard_t(3, n * each)
    patient = np.repeat(np.arange(n), each)
    own = pd.Series(noise * planned).groupby(patient).transform("sum")
    noise = noise - planned * own / pd.Series(planned**2).groupby(patient).transform("sum")
    achieved = 0.6 * planned + noise.to_numpy()
    achieved[: slips * each : each] += 40  # one in a patient
    return pd.DataFrame(
        {
            "patient": [f"P{p:03}" for p in patient],
            "tooth": np.tile([11, 21, 13, 23], n),
            "planned": planned,
            "achieved": achieved,
        }
    )


def test_with_weights_of_one_it_is_the_fit_itself():
    fit = fit_rate(clean())
    beta, _ = _Weighing(fit.design, fit).solve(np.ones(fit.nobs))
    np.testing.assert_allclose(beta, fit.mixed.beta, rtol=1e-8)


@pytest.mark.parametrize("slips", [0, 3])
def test_on_independent_rows_it_is_the_huber_estimate_of_statsmodels(slips):
    """statsmodels RLM, HuberT, scale by the median absolute deviation."""
    frame = independent(slips=slips)
    fit = fit_rate(frame, group=None, site=False)
    ours = robust_rates(fit)
    rlm = sm.RLM(frame["achieved"], frame[["planned"]], M=sm.robust.norms.HuberT())
    theirs = rlm.fit(conv="weights", tol=1e-12, maxiter=200)
    assert ours.rates["m_estimate"][0] == pytest.approx(theirs.params.iloc[0], rel=1e-6)
    np.testing.assert_allclose(ours.weights, theirs.weights, atol=1e-5)


def clean(**columns) -> pd.DataFrame:
    frame = simulate_rates(20, seed=3, movement="vertical", rates=0.5, teeth_per_patient=8)
    return frame.assign(**columns)


def slip(frame: pd.DataFrame, size: float = 9.4) -> tuple[pd.DataFrame, int]:
    """A plan of 0.4 mm on the first canine with an achieved value of ``size`` mm."""
    at = frame.index[frame["tooth_class"] == "canine"][0]
    planned = frame["planned"].mask(frame.index == at, 0.4)
    return frame.assign(
        planned=planned, achieved=frame["achieved"].mask(frame.index == at, size)
    ), at


def test_without_slips_the_readings_agree():
    reading = robust_rates(fit_rate(clean()))
    assert not reading.differ.size
    assert (reading.rates["without_flagged"] == reading.rates["rate"]).all()
    assert (reading.rates["flagged"] == 0).all()
    half = (reading.rates["high"] - reading.rates["low"]) / 2
    assert ((reading.rates["m_estimate"] - reading.rates["rate"]).abs() < half / 2).all()


def test_one_slip_changes_the_rate_and_not_the_readings():
    whole = fit_rate(clean(), group="tooth")
    frame, at = slip(clean())
    fit = fit_rate(frame, group="tooth")
    tooth = str(frame["tooth"][at])
    reading = robust_rates(fit)
    row = reading.rates.set_index("group").loc[tooth]
    truth = whole.rates.set_index("group").loc[tooth, "rate"]
    assert reading.flagged.tolist() == [at]
    assert row["rate"] > truth + 0.3
    assert row["m_estimate"] == pytest.approx(truth, abs=0.15)
    assert row["without_flagged"] == pytest.approx(truth, abs=0.15)
    assert row["differs"]
    assert row["weigh_little"] >= 1
    assert reading.weights[at] < 0.1


def test_rows_flagged_by_the_check_are_left_out():
    frame = clean().assign(course=1)
    at = frame.index[frame["tooth_class"] == "molar"][0]
    frame = frame.assign(planned=frame["planned"].mask(frame.index == at, -7.0))
    frame = frame.assign(achieved=frame["achieved"].mask(frame.index == at, -3.4))
    turned = frame.index == frame.index[frame["planned"] > 1.5][0]
    frame = frame.assign(achieved=frame["achieved"].mask(turned, -1.2))
    cohort = from_frames(frame.drop(columns=["tooth_class", "attachment"]))
    rows = cohort.frame()
    flagged = rows.index[rows["row"].isin(flagged_rows(cohort))]
    fit = fit_rate(cohort)
    reading = robust_rates(fit, flagged=flagged)
    assert reading.rates["flagged"].sum() == len(flagged) >= 1
    by_hand = fit_rate(rows.drop(index=flagged)).rates
    np.testing.assert_allclose(reading.rates["without_flagged"], by_hand["rate"])
    only_large = flagged_rows(cohort, opposite=False)
    assert rows["row"][rows["planned"] == -7.0].isin(only_large).all()
    other_way = rows["planned"] * rows["achieved"] < -1
    assert other_way.any()  # the check tells movements beyond the tolerance of 0.5 mm
    assert not rows["row"][other_way].isin(only_large).any()
    assert rows["row"][other_way].isin(flagged_rows(cohort)).all()


def test_differs_from_half_an_interval_on():
    """The same reading, held against intervals just wider and just narrower."""
    frame, _ = slip(clean(), size=2.0)
    fit = fit_rate(frame, group=None)
    row = robust_rates(fit).rates.iloc[0]
    gap = max(abs(row["m_estimate"] - row["rate"]), abs(row["without_flagged"] - row["rate"]))
    levels = np.linspace(0.01, 0.99, 50)
    seen = set()
    for level in levels[::6]:
        again = fit_rate(frame, group=None, level=level)
        reading = robust_rates(again).rates.iloc[0]
        other = fit_rate(frame.drop(index=robust_rates(again).flagged), group=None, level=level)
        width = min(r["high"] - r["low"] for r in (reading, other.rates.iloc[0]))
        assert reading["differs"] == (gap > width / 2)
        seen.add(bool(reading["differs"]))
    assert seen == {True, False}


def test_a_tooth_of_which_half_is_far_off_has_no_reading():
    frame, at = slip(clean())
    tooth = frame["tooth"][at]
    same = frame.index[frame["tooth"] == tooth]
    for kept, reading in ((0, False), (1, False), (2, True)):
        part = frame.drop(index=same.difference([at, *same.drop(at)[:kept]]))
        rates = robust_rates(fit_rate(part, group="tooth")).rates.set_index("group")
        assert np.isfinite(rates.loc[str(tooth), "reading"]) is np.bool_(reading)
        assert rates.loc[str(tooth), "differs"]


def test_covariates_keep_their_meaning():
    frame, at = slip(clean(age=np.repeat(np.arange(20) + 12.0, 8)))
    fit = fit_rate(frame, group=None, covariates="age")
    reading = robust_rates(fit).rates.iloc[0]
    other = fit_rate(clean(age=frame["age"]).drop(index=at), group=None, covariates="age")
    assert reading["without_flagged"] == pytest.approx(other.rates["rate"][0], abs=0.005)


def test_unknown_rows_are_refused():
    with pytest.raises(CannotAnswer, match="No such row in the fit: 99999"):
        robust_rates(fit_rate(clean()), flagged=[99999])


def test_single_teeth_carry_the_reading():
    frame, at = slip(clean())
    table = tooth_rates(fit_rate(frame, group="tooth")).rates.set_index("tooth")
    marked = table[table["differs"]]
    assert marked.index.tolist() == [frame["tooth"][at]]
    assert (marked["own_rate"] > marked["reading"] + 0.3).all()
    lines = depth_words.teeth(SimpleNamespace(teeth=tooth_rates(fit_rate(frame, group="tooth"))))
    assert lines[-1].startswith(f"The own rate of tooth {frame['tooth'][at]}, ")


# In a report


@pytest.fixture(scope="module")
def audit():
    frame, _ = slip(clean().assign(course=1))
    return run_audit(from_frames(frame.drop(columns=["tooth_class", "attachment"])))


def test_the_audit_shows_the_reading_beside_the_rate(audit):
    words = " ".join(second_readings(audit)).replace("\u00a0", " ")
    canine = audit.robust.set_index("group").loc["canine"]
    assert canine["differs"]
    assert f"Vertical movement of canines: {100 * canine['rate']:.0f} % (95 % interval" in words
    assert f"{100 * canine['m_estimate']:.0f} % by M-estimate" in words
    assert "a slip is corrected at its source" in words
    shown = tables.robust(audit.robust).set_index("Teeth")
    assert shown.loc["canine", "Differs"] == "yes"
    assert shown.loc["canine", "M-estimate"].startswith(f"{100 * canine['m_estimate']:.0f}")


def test_the_chart_of_the_audit_gets_the_reading(audit):
    rates = audit.tooth_rates("vertical")
    marked = rates[rates["differs"]]
    assert len(marked) == 1
    assert marked["rate"].iloc[0] > marked["reading"].iloc[0] + 0.3
    assert "1 tooth is marked with a dagger" in tooth_chart(audit)[1].replace("One", "1")


def test_agreement_is_said_too():
    table = robust_rates(fit_rate(clean())).rates.assign(movement="vertical")
    words = second_reading(table)
    assert len(words) == 1
    assert words[0].endswith("No reading differs from its rate by more than half an interval.")
    assert second_reading(table.iloc[:0]) == []
