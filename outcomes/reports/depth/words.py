"""One plain sentence for every number of an analysis in depth."""

from __future__ import annotations

from functools import partial
from typing import Any

from outcomes.domain.limits import FEW_PATIENTS
from outcomes.domain.names import movement_name
from outcomes.rates.design import NOT_IDENTIFIED
from outcomes.reports.common import missing, robust
from outcomes.reports.common.opinion import opinion_words
from outcomes.reports.common.rows import STANDS_OUT, lines
from outcomes.reports.depth.results import Depth
from outcomes.words.cautions import cautions as shared_cautions
from outcomes.words.english import equals, listed, number_of
from outcomes.words.numbers import (
    bare_percent,
    interval_words,
    level_words,
    number,
    percent,
    points,
    range_words,
)
from outcomes.words.units import unit_mark


def summary(depth: Depth) -> list[str]:
    """The box at the top: the rates, what differs, how sure."""
    each = listed(
        f"{r.group} {percent(r.rate)} ({range_words(r.low, r.high)})"
        for r in lines(depth.fit.rates)
    )
    shown = depth.covariate_tests.query("p_holm < @STANDS_OUT")["covariate"]
    goes_with = (
        f"The rate changes with {listed(list(shown))}."
        if len(shown)
        else "No covariate is shown to go with a higher or lower rate."
    )
    return [
        f"Achieved share of planned {movement_name(depth.fit.movement)}, with "
        f"{interval_words(depth.fit.level)}s: {each}; from {number_of(depth.fit.patients, 'patient')} and "
        f"{number_of(depth.fit.nobs, 'movement')}.",
        goes_with,
        *linearity(depth),
        *influence(depth)[-1:],
    ]


def rates(depth: Depth) -> list[str]:
    """What the rates are, and what kind of interval goes with them."""
    fit = depth.fit
    method = "restricted maximum likelihood" if fit.reml else "maximum likelihood"
    return [
        f"{number_of(fit.nobs, 'movement')} of {number_of(fit.sites, 'tooth', 'teeth')} in "
        f"{number_of(fit.patients, 'patient')}. The rates below are slopes of achieved on planned "
        f"through the origin, by {method}, with {level_words(fit.level)} t intervals on "
        "Satterthwaite degrees of freedom.",
        *fit.sentences,
        *fit.notes,
    ]


def contrasts(depth: Depth) -> list[str]:
    """One sentence for each difference between groups."""
    said = []
    for row in lines(depth.contrasts):
        interval = f"{points(row.low)} to {points(row.high)}"
        if row.p_holm != row.p_holm:
            said.append(
                f"Between {row.a} and {row.b} nothing was tested, as one of them has fewer than "
                f"{FEW_PATIENTS} patients: {points(row.difference)} percentage points, interval "
                f"{interval}."
            )
        elif row.p_holm < STANDS_OUT:
            more = "more" if row.difference > 0 else "less"
            said.append(
                f"The {row.a} achieves {bare_percent(abs(row.difference))} percentage points "
                f"{more} of the plan than the {row.b} (interval {interval}; Holm-adjusted "
                f"p {equals(row.p_holm)})."
            )
        else:
            said.append(
                f"Between {row.a} and {row.b} no difference is shown: {points(row.difference)} "
                f"percentage points, interval {interval} (Holm-adjusted p {equals(row.p_holm)})."
            )
    tested = int(depth.contrasts["p_holm"].notna().sum())
    if tested > 1:
        said.append(
            f"{number_of(tested, 'comparison')} were made: the p values are adjusted for that, "
            "the intervals are not."
        )
    return said


def covariates(depth: Depth) -> list[str]:
    """One sentence for each covariate, and the caution on cause."""
    said = []
    exact = partial(points, digits=1)
    tests = depth.covariate_tests.set_index("covariate")
    for name, fit in depth.covariates.items():
        p = float(tests.loc[name, "p_holm"])  # type: ignore[arg-type]
        changes = listed(
            f"{exact(row.estimate)} percentage points {_per(row.covariate, name)} "
            f"(interval {range_words(row.low, row.high, exact)})"
            for row in lines(fit.covariates)
        )
        shown = "changes with" if p < STANDS_OUT else "is not shown to change with"
        said.append(
            f"The rate {shown} {name}: {changes}; cluster-robust t test, "
            f"Holm-adjusted p {equals(p)}."
        )
    if not said:
        return ["No covariate was recorded that differs between rows."]
    return [
        *said,
        "Nobody was allocated at random, so a difference is not an effect: harder teeth may "
        "have been given more help.",
    ]


def _per(covariate: str, name: str) -> str:
    level = covariate.removeprefix(f"{name}: ")
    return f"with {level}" if level != covariate else f"per unit of {name}"


def variances(depth: Depth) -> list[str]:
    """What each variance and R-squared means."""
    sd = depth.fit.variance.set_index("component")
    rate = float(depth.fit.rates["rate"].mean())
    patient = float(sd.loc["patient", "sd"])  # type: ignore[arg-type]
    said = [
        f"Patients differ by {bare_percent(patient)} percentage points (standard deviation): "
        f"around a rate of {percent(rate)}, about two patients in three lie in the range "
        f"{range_words(rate - patient, rate + patient)}."
    ]
    marginal = (
        f"The plan and the tooth class explain {percent(depth.r_squared['marginal'])} of the "
        "variation in what was achieved (marginal R²)"
    )
    if depth.fit.tooth_level == NOT_IDENTIFIED:
        return [
            *said,
            "How much teeth of the same class in the same patient differ, and how much measurements "
            "do, is not identified: these records do not tell the two apart. So there is no share "
            "of either and no conditional R².",
            f"{marginal}.",
        ]
    if "tooth" in sd.index:
        tooth = float(sd.loc["tooth", "sd"])  # type: ignore[arg-type]
        said.append(
            f"Teeth of the same class in the same patient differ by {bare_percent(tooth)} "
            "percentage points."
        )
    residual = float(sd.loc["residual", "sd"])  # type: ignore[arg-type]
    shares = {str(k): percent(v) for k, v in sd["share"].items()}
    lie = listed(f"{share} lies {_where(name)}" for name, share in shares.items())
    known = listed(name for name in shares if name != "residual")
    return [
        *said,
        f"What is left, measurement error included, is "
        f"{number(residual)}{unit_mark(depth.fit.unit)} a movement.",
        f"Of the variation around the rates, {lie}.",
        f"{marginal}; with {known} {percent(depth.r_squared['conditional'])} (conditional R²).",
    ]


def _where(component: str) -> str:
    if component.startswith("patient x "):
        return f"within patients, by {component.removeprefix('patient x ').replace('_', ' ')}"
    return {
        "patient": "between patients",
        "tooth": "between teeth of a patient",
        "residual": "within teeth",
    }[component]


def linearity(depth: Depth) -> list[str]:
    """Whether large plans achieve another share than small ones."""
    return [] if depth.linearity is None else [str(depth.linearity["sentence"])]


def influence(depth: Depth) -> list[str]:
    """The patient whose absence moves a rate most."""
    table = depth.influence
    said = [
        f"Without {row.patient} the rate of {row.group} cannot be estimated."
        for row in lines(table[table["rate"].isna()])
    ]
    worst = table.dropna(subset="rate").iloc[0]
    size = abs(float(worst["change_se"]))
    verdict = (
        "No single patient decides a result." if size < 1 else "Look at that patient's records."
    )
    said.append(
        f"Leaving out one patient moves a rate by at most {number(size, 1)} standard errors "
        f"({worst['patient']}, {worst['group']}: {percent(worst['rate'])} without). {verdict}"
    )
    return said


def intervals(depth: Depth) -> list[str]:
    """How the bootstraps agree with the model's intervals."""
    said = []
    model = (depth.fit.rates["high"] - depth.fit.rates["low"]).to_numpy()
    for name, result in depth.bootstraps.items():
        ratio = ((result.rates["high"] - result.rates["low"]) / model).to_numpy()
        failed = f"; {number_of(result.failed, 'replicate')} had no fit" if result.failed else ""
        said.append(
            f"The {name} ({number_of(result.n, 'replicate')}, seed {result.seed}{failed}) gives "
            f"intervals {range_words(ratio.min(), ratio.max())} as wide as the model's."
        )
    said.append(
        "In simulations the model's intervals keep their level from 8 patients on, while the "
        "percentile bootstrap of patients holds the truth too seldom with 60 patients or fewer "
        "(benchmarks/README.md): where the two differ, the model's are the ones to report."
    )
    return said


def teeth(depth: Depth) -> list[str]:
    """What pooling did to single teeth."""
    if depth.teeth is None:
        return []
    table = depth.teeth.rates
    moved = (table["rate"] - table["own_rate"]).abs()
    most = lines(table)[int(moved.to_numpy().argmax())]
    return [
        f"Within a class, teeth differ by {bare_percent(depth.teeth.between_sd)} percentage "
        "points (standard deviation). Each tooth borrows from its class, the more the fewer its "
        "records.",
        f"Pooling moves tooth {most.tooth} most: from {percent(most.own_rate)} on its own "
        f"to {percent(most.rate)}.",
        *[
            f"The own rate of tooth {row.tooth}, {percent(row.own_rate)}, follows results far off: "
            + (
                f"{percent(row.reading)} where these weigh less."
                if row.reading == row.reading
                else "half of its results or more."
            )
            for row in lines(table[table["differs"]])
        ],
    ]


def not_in_the_rates(depth: Depth) -> list[str]:
    """Later courses alone, and what the missing rescans could change."""
    return missing.not_in_the_rates(depth.later_alone, depth.missing)


def second_readings(depth: Depth) -> list[str]:
    """Whether a few results far off decide a rate."""
    return robust.second_reading(depth.robust, depth.fit.level)


def second_opinion(depth: Depth) -> list[str]:
    """How far an independent program agrees."""
    return [opinion_words(depth.second_opinion, depth.second_opinion_reason)]


def diagnostics(depth: Depth) -> list[str]:
    """The largest residual, by name, and where to look in the figure."""
    data = depth.fit.data
    residual = data["residual"].to_numpy()
    row: Any = data.iloc[int(abs(residual).argmax())]
    sd = depth.fit.mixed.sigma2**0.5
    unit = unit_mark(depth.fit.unit)
    off = abs(float(row["residual"]))
    return [
        f"The movement farthest from what the model expects is that of tooth {row['tooth']} of "
        f"{row['patient']}: {number(row['achieved'], 1)}{unit} of {number(row['planned'], 1)}{unit} "
        f"planned, {number(off, 1)}{unit} or {number(off / sd, 1)} residual standard deviations "
        "off."
    ]


def not_answered(depth: Depth) -> list[str]:
    """What could not be fitted, and why."""
    return list(depth.skipped) or ["Every question above could be answered."]


def cautions(depth: Depth) -> list[str]:
    """The cautions that go with rates; that of invented data where they are."""
    demo = ["The demonstration data"] if depth.invented else []
    return shared_cautions("Always", "Reading an audit", *demo)
