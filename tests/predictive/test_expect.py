"""Expectations of a coming course against lme4, closed forms and dense algebra."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import multivariate_normal, norm, t

from outcomes.domain import teeth
from outcomes.errors import CannotAnswer, InputError
from outcomes.overcorrect.landing import best_plan, plan_for_mean
from outcomes.predictive.expect import expect, expect_all
from outcomes.predictive.mixture import MixtureOutlook
from outcomes.predictive.posterior import Posterior, _Proposal, given_sds
from outcomes.predictive.prior_weight import prior_weight
from outcomes.predictive.priors import Priors
from outcomes.simulate import simulate_rates

REFERENCE = Path(__file__).parents[1] / "reference"
# lme4: see tests/reference/README.md
R = json.loads((REFERENCE / "reference.json").read_text())["rotation_rate"]


@pytest.fixture(scope="module")
def past():
    first = simulate_rates(8, seed=3, movement="vertical", rates=0.55, plan_sd=1.0)
    second = first.groupby("patient").head(6)
    second = second.assign(course=2, planned=second["planned"] * 0.6)
    second["achieved"] = 0.5 * second["planned"] + np.random.default_rng(1).normal(
        0, 0.1, len(second)
    )
    return pd.concat([first.assign(course=1), second], ignore_index=True)


@pytest.fixture(scope="module")
def learnt(past):
    return expect(past)


def at_sds(expectation, **sds):
    """The same past rows, at one set of SDs."""
    names = ("residual", "tooth_course", "tooth", "patient_course", "patient", "between")
    sd = np.array([[sds.get(name, 0.0) for name in names]])
    priors = sds.get("priors", Priors())
    people = list(expectation.people.values())
    _, mean, covariance = given_sds(sd, people, expectation.columns, priors)
    return replace(expectation, posterior=Posterior(np.ones(1), sd, mean, covariance))


def dense(expectation, sd, priors=None):
    """Results, their mean and covariance as one matrix, the coefficients integrated out."""
    xs, ys, vs = [], [], []
    columns = expectation.columns
    for rows in expectation.people.values():
        x = columns.bent(rows.level, rows.plan) * rows.plan[:, None]
        v = np.zeros((len(x), len(x)))
        for i in range(len(x)):
            for j in range(len(x)):
                tooth, course = rows.tooth[i] == rows.tooth[j], rows.course[i] == rows.course[j]
                share = sd["patient"] ** 2 + sd["patient_course"] ** 2 * course
                share += sd["tooth"] ** 2 * tooth + sd["tooth_course"] ** 2 * tooth * course
                v[i, j] = share * rows.plan[i] * rows.plan[j] + sd["residual"] ** 2 * (i == j)
        xs.append(x)
        ys.append(rows.result)
        vs.append(v)
    x, y = np.concatenate(xs), np.concatenate(ys)
    v = np.zeros((len(y), len(y)))
    at = 0
    for part in vs:
        v[at : at + len(part), at : at + len(part)] = part
        at += len(part)
    mean, prior = columns.prior(np.array([sd["between"]]), priors or Priors())
    return x, y, v, mean, prior[0]


SDS = {
    "residual": 0.2,
    "tooth_course": 0.06,
    "tooth": 0.1,
    "patient_course": 0.07,
    "patient": 0.12,
    "between": 0.08,
}


def test_likelihood_equals_that_of_one_dense_normal_distribution(learnt):
    # scipy.stats.multivariate_normal
    found, wanted = [], []
    for factor in (0.5, 1.0, 1.7):
        sd = {name: factor * value for name, value in SDS.items()}
        row = np.array([list(sd.values())])
        people = list(learnt.people.values())
        found.append(given_sds(row, people, learnt.columns, Priors())[0][0])
        x, y, v, mean, prior = dense(learnt, sd)
        wanted.append(multivariate_normal.logpdf(y, x @ mean, v + x @ prior @ x.T))
    np.testing.assert_allclose(np.diff(found), np.diff(wanted), rtol=1e-7)


@pytest.mark.parametrize("tooth", [11, 31, 36])
def test_known_patient_equals_dense_conditional_distribution(learnt, tooth):
    patient = learnt.patients[2]
    x, y, v, mean, prior = dense(learnt, SDS)
    rows = learnt.people[patient]
    before = list(learnt.people)[: list(learnt.people).index(patient)]
    start = sum(len(learnt.people[p].plan) for p in before)
    at = np.arange(start, start + len(rows.plan))
    for plan in (-0.7, -2.0):
        level = learnt.columns.bent(
            learnt.columns.level(np.array([tooth]), np.array([plan]), {}), np.array([plan])
        )
        new = level[0] * plan
        cov = x @ prior @ new
        cov[at] += SDS["patient"] ** 2 * rows.plan * plan
        cov[at] += SDS["tooth"] ** 2 * rows.plan * plan * (rows.tooth == tooth)
        whole = v + x @ prior @ x.T
        own = new @ prior @ new + plan**2 * sum(
            SDS[name] ** 2 for name in ("patient", "patient_course", "tooth", "tooth_course")
        )
        expected = new @ mean + cov @ np.linalg.solve(whole, y - x @ mean)
        variance = own - cov @ np.linalg.solve(whole, cov) + SDS["residual"] ** 2
        outlook = at_sds(learnt, **SDS).outlook(tooth, -1, 3.0, patient=patient)
        m, s, _ = outlook.at(np.array([-plan]))
        assert m[0] == pytest.approx(-expected, rel=1e-9)
        assert s[0] ** 2 == pytest.approx(variance, rel=1e-9)


def test_one_patients_rate_is_shrunk_as_the_closed_form_says():
    # shrinkage of a slope through the origin: u = var_p sum(x r) / (var_e + var_p sum(x^2))
    rows = pd.DataFrame(
        {
            "patient": ["A", "A", "A", "B"],
            "tooth": [31, 32, 41, 31],
            "planned": [-1.0, -2.0, -1.5, -1.0],
            "achieved": [-0.8, -1.7, -1.2, -0.5],
        }
    )
    learnt = expect(rows, "vertical")
    mean = np.zeros((1, learnt.columns.p))
    mean[0, : 4 * 2 * 2] = 0.5  # the rate of all, known for certain
    sd = np.array([[0.2, 0, 0, 0, 0.1, 0]])
    certain = Posterior(np.ones(1), sd, mean, np.zeros((1, learnt.columns.p, learnt.columns.p)))
    known = replace(learnt, posterior=certain)
    x = np.array([-1.0, -2, -1.5])
    residual = np.array([-0.8, -1.7, -1.2]) - 0.5 * x
    u = 0.1**2 * (x @ residual) / (0.2**2 + 0.1**2 * (x @ x))
    rate, spread = known.outlook(42, -1, 3.0, patient="A").rate()
    assert rate == pytest.approx(0.5 + u, rel=1e-12)
    assert spread**2 == pytest.approx(0.1**2 * 0.2**2 / (0.2**2 + 0.1**2 * (x @ x)), rel=1e-9)
    assert known.outlook(42, -1, 3.0).rate() == pytest.approx((0.5, 0.1))


def test_patient_effects_equal_lme4():
    # lme4's model has classes only: its estimates are put in, the patients' effects come out
    rows = pd.read_csv(REFERENCE / "rotation_cohort.csv")
    learnt = expect(rows, "rotation")
    cells = [c for c in ("incisor", "canine", "premolar", "molar") for _ in range(4)]
    rate = {term["term"].split("tooth_class")[1]: term["estimate"] for term in R["fixed"]}
    mean = np.array([[rate[c] for c in cells] + [0.0]])
    sd = {v["group"]: v["sdcor"] for v in R["variance"]}
    at = np.array([[sd["Residual"], 0, sd["unit"], 0, sd["patient"], 0]])
    p = learnt.columns.p
    fixed = replace(learnt, posterior=Posterior(np.ones(1), at, mean, np.zeros((1, p, p))))
    for effect in R["ranef_patient"]:
        hers = set(rows.loc[rows["patient"] == effect["patient"], "tooth"])
        unseen = next(tooth for tooth in (18, 28, 38, 48) if tooth not in hers)
        found = fixed.outlook(unseen, 1, 10.0, patient=effect["patient"]).rate()[0]
        assert found - rate[str(teeth.tooth_class(unseen))] == pytest.approx(
            effect["planned"], abs=1e-6
        )


def test_more_records_are_the_same_whether_learnt_at_once_or_added(past):
    names = list(dict.fromkeys(past["patient"]))
    without = expect(past[past["patient"] != names[0]])
    added = without.updated(past[past["patient"] == names[0]])
    people = list(added.people.values())
    sd = added.posterior.sd[:5]
    _, mean, covariance = given_sds(sd, people, added.columns, Priors())
    np.testing.assert_allclose(added.posterior.mean[:5], mean, atol=1e-9)
    np.testing.assert_allclose(added.posterior.covariance[:5], covariance, atol=1e-9)
    with pytest.raises(InputError, match="learn anew"):
        without.updated(past[past["patient"] == names[1]])


def test_draws_of_the_sds_follow_their_posterior(past):
    # against a plain grid over the patients' SD and the residual one, the others held at nothing
    learnt = expect(past)
    assert learnt.posterior.effective > 100
    means = {
        name: float(learnt.draws()[name] @ learnt.posterior.weight)
        for name in ("residual", "patient", "tooth")
    }
    other = expect(past, seed=77)
    for name, mean in means.items():
        again = float(other.draws()[name] @ other.posterior.weight)
        assert again == pytest.approx(mean, abs=0.012), name


def test_draws_are_of_the_density_that_they_are_weighted_by():
    # a mean over draws of the density of another distribution, over their own, is 1
    root = np.array([[0.3, 0, 0, 0], [0.2, 0.1, 0, 0], [-0.1, 0.05, 0.1, 0], [0, 0.1, 0, 0.2]])
    drawn_from = _Proposal(np.array([-1, 0.1, 0.3, 0.1]), root, np.array([[2.0, 3], [1, 1]]))
    other = _Proposal(np.array([-1.1, 0.2, 0.2, 0.1]), 0.8 * root, np.array([[1.0, 1], [2, 1.5]]))
    log = [
        other.log_density(points) - drawn_from.log_density(points)
        for points in (drawn_from.draw(256, seed) for seed in range(40))
    ]
    assert np.exp(np.concatenate(log)).mean() == pytest.approx(1.0, abs=0.03)


def test_poorer_directions_are_told_apart_and_lean_on_the_others():
    rng = np.random.default_rng(5)
    rows = simulate_rates(30, seed=5, movement="vertical", rates=0.6, plan_sd=1.0)
    up = (rows["planned"] > 0) & (rows["tooth_class"] == "incisor")
    rows.loc[up, "achieved"] -= 0.3 * rows.loc[up, "planned"]
    learnt = expect(rows)
    assert learnt.outlook(11, 1, 2.0).rate()[0] == pytest.approx(0.3, abs=0.06)
    assert learnt.outlook(11, -1, 2.0).rate()[0] == pytest.approx(0.6, abs=0.06)
    few = rows[~up | (rng.random(len(rows)) < 0.03)]
    leaning = expect(few).outlook(11, 1, 2.0).rate()
    assert 0.3 < leaning[0] < 0.6


def test_a_rate_that_falls_with_the_plan_is_followed():
    rows = simulate_rates(40, seed=6, movement="vertical", rates=0.7, plan_sd=1.0)
    rows["achieved"] -= 0.15 * (rows["planned"].abs() - 1) * rows["planned"]
    outlook = expect(rows).outlook(31, -1, 3.0)
    assert outlook.rate(1.0)[0] == pytest.approx(0.7, abs=0.05)
    assert outlook.rate(2.0)[0] == pytest.approx(0.55, abs=0.05)


def test_own_records_sharpen_and_move_the_expectation(past, learnt):
    patient = learnt.patients[0]
    rows = past.copy()
    rows.loc[rows["patient"] == patient, "achieved"] = 0.9 * rows["planned"]
    better = expect(rows)
    known, new = (better.outlook(31, -1, 3.0, patient=p) for p in (patient, None))
    assert known.rate()[0] > new.rate()[0] + 0.1
    assert known.rate()[1] < new.rate()[1]
    alone = better.outlook(31, -1, 3.0, patient=patient, alone=True)
    assert alone.rate() == new.rate()
    assert better.outlook(31, -1, 3.0, patient="nobody").rate() == new.rate()


def test_teeth_of_one_course_are_drawn_together(learnt):
    rows = pd.DataFrame({"tooth": [31, 36, 11], "planned": [-1.5, -1.0, 1.2]})
    drawn = learnt.joint(rows, size=40_000, seed=4)
    for k, row in enumerate(rows.itertuples()):
        sign = np.sign(row.planned)
        m, s, _ = learnt.outlook(row.tooth, int(sign), 2.0).at(np.array([abs(row.planned)]))
        assert drawn[:, k].mean() == pytest.approx(sign * m[0], abs=0.01)
        assert drawn[:, k].std() == pytest.approx(s[0], rel=0.03)
    together = np.corrcoef(drawn.T)
    assert together[0, 1] > 0.05  # the patient and the course are shared
    assert together[0, 2] < -0.02  # in shares of plans of the other sign


def made(tail_df=np.inf):
    return MixtureOutlook(
        weight=np.array([1.0]),
        rates=np.array([0.5]),
        bends=np.zeros(1),
        covariance=np.array([[[0.1**2, 0.0], [0.0, 0.0]]]),
        residual=np.array([0.2]),
        typical=1.0,
        largest=5.0,
        tail_df=tail_df,
    )


def test_chances_and_ranges_are_those_of_the_distribution():
    plan, aim = np.array([2.0]), np.array([1.0])
    sd = np.sqrt(0.1**2 * 4 + 0.2**2)
    normal = made().chances(plan, aim, 0.5)
    assert normal.over[0] == pytest.approx(norm.sf(0.5 / sd), abs=1e-12)
    assert normal.within[0] == pytest.approx(1 - 2 * norm.sf(0.5 / sd), abs=1e-12)
    low, high = made().range(plan, 0.8)
    assert (low[0], high[0]) == pytest.approx((1 - 1.2816 * sd, 1 + 1.2816 * sd), abs=1e-4)
    tailed = made(5.0).chances(plan, aim, 0.5)
    assert tailed.over[0] == pytest.approx(t.sf(0.5 / sd * np.sqrt(5 / 3), 5), abs=1e-5)
    assert made(5.0).at(plan)[1][0] == pytest.approx(sd)


def test_plans_are_made_of_a_mixture():
    aim = np.array([1.0])
    assert plan_for_mean(made(), aim, np.array([3.0]))[0] == pytest.approx(2.0, abs=1e-6)
    plan, _ = best_plan(made(), aim, 0.5, np.array([3.0]), 0.10)
    assert 1.5 < plan[0] < 2.0
    assert made().chances(plan, aim, 0.5).over[0] <= 0.10 + 1e-6


def test_long_tails_are_found_where_they_are():
    rows = simulate_rates(20, seed=8, movement="vertical", rates=0.55, plan_sd=1.0)
    assert expect(rows).posterior.tail_df > 30
    rng = np.random.default_rng(2)
    rows["achieved"] += 0.3 * rng.standard_t(3, len(rows))
    assert expect(rows).posterior.tail_df < 8


def test_support_counts_what_stands_behind_an_answer():
    rows = pd.DataFrame(
        {
            "patient": ["A", "A", "B", "B", "C"],
            "tooth": [31, 41, 31, 33, 11],
            "planned": [-1.0, -2.0, 1.5, -3.0, -0.5],
            "achieved": [-0.5, -1.0, 0.7, -1.4, -0.2],
        }
    )
    found = expect(rows, "vertical").support(32, -1, patient="A")
    assert found.cell == "lower incisor intrusion"
    assert (found.patients, found.movements) == (1, 2)
    assert (found.class_patients, found.direction_patients, found.all_patients) == (2, 3, 3)
    assert (found.largest, found.largest_any) == (2.0, 3.0)
    assert (found.own_movements, found.own_tooth) == (2, False)


def test_covariates_move_the_rate_and_must_be_given():
    rows = simulate_rates(
        30, seed=9, movement="vertical", rates=0.5, attachment_effect=0.2, plan_sd=1.0
    )
    learnt = expect(rows, covariates=("attachment",))
    level = sorted(rows["attachment"].astype(str).unique())
    low, high = (learnt.outlook(31, -1, 2.0, attachment=name).rate()[0] for name in level)
    assert abs(high - low) == pytest.approx(0.2, abs=0.07)
    assert learnt.outlook(31, -1, 2.0, attachment="none").rate()[0] == pytest.approx(low)
    with pytest.raises(CannotAnswer, match="depend on attachment"):
        learnt.outlook(31, -1, 2.0)


def test_what_was_not_planned_or_not_measured_teaches_nothing(past):
    more = past.assign(achieved=np.nan, course=3)
    zero = past.assign(planned=0.0, course=4)
    whole = expect(pd.concat([past, more, zero]))
    assert whole.outlook(31, -1, 2.0).rate() == expect(past).outlook(31, -1, 2.0).rate()


def test_one_patient_is_refused_and_movements_without_records_left_out(past):
    one = past[past["patient"] == past["patient"].iloc[0]]
    with pytest.raises(CannotAnswer, match="two past patients"):
        expect(one)
    both = pd.concat([past, one.assign(movement="rotation")])
    assert list(expect_all(both)) == ["vertical"]


def test_priors_above_zero_only():
    with pytest.raises(InputError, match="tooth must be above 0"):
        Priors(tooth=0.0)


def test_priors_weigh_little_with_many_patients_and_more_with_few():
    def spread(patients):
        rows = simulate_rates(patients, seed=4, movement="vertical", rates=0.55, plan_sd=1.0)
        table = prior_weight(rows, teeth=[(31, -1), (16, 1)], plan=1.5)
        assert table["scale"].tolist() == [0.5, 1.0, 2.0] * 2
        wide = (table["high_80"] - table["low_80"]).groupby(table["tooth"])
        return float((wide.max() / wide.min()).max() - 1)

    assert spread(40) < 0.06 < spread(3)
