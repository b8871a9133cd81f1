"""The box at the top of an audit, what to look at next, cautions, and how it was done."""

from __future__ import annotations

from typing import TYPE_CHECKING

from outcomes.cohort.checks import OPPOSITE, TOO_LARGE
from outcomes.domain.limits import ENOUGH_PATIENTS, FEW_PATIENTS, TOLERANCE
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.names import movement_name, tolerance_of
from outcomes.reports.audit.words.compared import compared, difference_words
from outcomes.reports.audit.words.reading import left_out, left_words
from outcomes.reports.common.computed import computed_with
from outcomes.reports.common.opinion import opinion_words
from outcomes.reports.common.references import journal
from outcomes.reports.common.rows import first_row, lines, rate_name, shares, standing_out
from outcomes.words.english import capital, listed, lower_first, none_, number_of, rate_words, verb
from outcomes.words.numbers import count, level_words, percent
from outcomes.words.units import unit_mark

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort
    from outcomes.reports.audit.results import Audit


LOW_RATE = 0.6
"""An interval that ends below this calls for a look at the plans (common practice, no source)."""


def summary(audit: Audit) -> list[str]:
    """Up to eight sentences for the box at the top; rates of few patients never lead it."""
    planned = audit.planned
    if not len(planned):
        return [
            "No row holds both a planned and an achieved movement, so there is nothing to audit. "
            "The ledger below says what became of each row.",
            _next_sentence(audit),
        ]
    sentences = (
        f"This audit rests on {number_of(len(planned), 'planned movement')} of "
        f"{number_of(planned['tooth_site'].nunique(), 'tooth', 'teeth')} in "
        f"{number_of(planned['patient'].nunique(), 'patient')}; {left_words(audit.cohort)}.",
        _overall_sentence(audit),
        _class_sentence(audit),
        target_sentence(audit),
        _difference_summary(audit),
        _sure_sentence(audit),
        _flagged_sentence(audit),
        _next_sentence(audit),
    )
    return [sentence for sentence in sentences if sentence]


def _overall_sentence(audit: Audit) -> str:
    rates = audit.fits.rates
    if not len(rates):
        reasons = " ".join(dict.fromkeys(audit.fits.failed.values()))
        return f"No achievement rate can be estimated. {reasons}"
    leads = rates[rates["patients"] >= FEW_PATIENTS].sort_values("rate")
    if not len(leads) and len(rates) > 1:
        return (
            f"Every rate by movement rests on fewer than {FEW_PATIENTS} patients, so none is put "
            "first here: the table below gives them."
        )
    few = len(rates) - len(leads)
    low, high = (first_row(leads if len(leads) else rates, place) for place in (0, -1))
    achieved = (
        f"Of the {movement_name(low.movement)} that was planned, "
        f"{rate_words(low, audit.level)} was achieved"
    )
    if not len(leads):
        return (
            f"{achieved}, in {number_of(low.patients, 'patient')} only: described, but too few to "
            "lean on."
        )
    if len(leads) == 1:
        aside = (
            f" {capital(number_of(few, 'other rate'))} by movement {verb(few, 'rest')} on fewer "
            f"than {FEW_PATIENTS} patients."
        )
        return f"{achieved}.{aside if few else ''}"
    having = ["a rate"] if audit.fits.failed else []
    having += [f"{FEW_PATIENTS} patients or more"] if few else []
    most = f"Of the movements with {' from '.join(having)}, most" if having else "Most"
    return (
        f"{most} was achieved of {movement_name(high.movement)}, {rate_words(high, audit.level)} "
        f"of the plan, and least of {movement_name(low.movement)}, {rate_words(low, audit.level)}."
    )


def _class_sentence(audit: Audit) -> str:
    rates = audit.class_fits.rates
    rates = rates[rates["patients"] >= FEW_PATIENTS].sort_values("rate")
    if len(rates) < 3:
        return ""
    low, high = first_row(rates, 0), first_row(rates, -1)
    return (
        f"By kind of tooth, the lowest rate is {rate_name(low)}, {rate_words(low, audit.level)}; "
        f"the highest is {rate_name(high)}, {rate_words(high, audit.level)}."
    )


def target_sentence(audit: Audit) -> str:
    hit, total = shares(audit.overall, "within_tolerance")
    wrong, _ = shares(audit.overall, "wrong_way")
    of = number_of(total, "planned movement")
    share = f" ({percent(hit / total)})" if hit else ""
    away = f" ({percent(wrong / total)})" if wrong else ""
    return (
        f"{none_(hit)} of {of}{share} ended within {tolerance_words(audit)} of the plan; "
        f"{none_(wrong, capital_letter=False)}{away} went the other way than planned."
    )


def _difference_summary(audit: Audit) -> str:
    table = audit.differences.table
    if not table["p"].notna().any():
        return ""
    found = standing_out(table)
    if not len(found):
        return compared(table)
    top = [difference_words(row) for row in lines(found.head(2))]
    rest = len(found) - len(top)
    more = f", and {number_of(rest, 'other')}" if rest else ""
    return (
        f"{compared(table).removesuffix('.')}: {'; '.join(top)}{more}. An audit is not a ranking: "
        "patients differ."
    )


def _sure_sentence(audit: Audit) -> str:
    rates = audit.class_fits.rates
    few = rates[rates["patients"] < FEW_PATIENTS]
    if not len(rates) or not len(few):
        return ""
    some = f"{capital(number_of(len(few), 'rate'))} of {count(len(rates))} by movement and kind of tooth"
    every = len(few) == len(rates)
    which = "Every rate by kind of tooth rests" if every else f"{some} {verb(len(few), 'rest')}"
    return f"{which} on fewer than {FEW_PATIENTS} patients: described, but too few to lean on."


def _flagged_sentence(audit: Audit) -> str:
    """How many values behind the rates the check holds to be unlikely."""
    problems = audit.cohort.problems
    problems = problems[
        (problems["table"] == "movements")
        & (problems["severity"] == "check")
        & problems["column"].isin(["planned", "achieved"])
        & problems["row"].isin(audit.planned["row"])
    ]
    large = int(problems["problem"].isin(TOO_LARGE.values()).sum())
    opposite = int((problems["problem"] == OPPOSITE).sum())
    flagged = large + opposite
    if not flagged:
        return ""
    limits = listed((f"{most:g}{unit_mark(u)}" for most, u in TOO_LARGE), last="or")
    kinds = {f"larger than {limits}": large, "opposite in sign to the plan": opposite}
    return (
        f"{capital(number_of(flagged, 'value'))} flagged by the check "
        f"({listed(f'{count(n)} {kind}' for kind, n in kinds.items() if n)}) "
        f"{verb(flagged, 'enter')} the rates; see problems.csv."
    )


def _next_sentence(audit: Audit) -> str:
    """The most useful next step; the section on what next gives them all."""
    return f"What next: {lower_first(next_steps(audit)[0])}"


def tolerance_words(audit: Audit) -> str:
    """The tolerance for the units at hand: ``0.5 mm or 2°``."""
    return tolerance_of(audit.tolerance, _units(audit))


def _units(audit: Audit) -> dict[str, str]:
    """Planned movement -> its unit."""
    return dict(audit.planned[["movement", "unit"]].astype(str).drop_duplicates().to_numpy())


def next_steps(audit: Audit) -> list[str]:
    """What to look at next, most useful first."""
    return [
        *_low_rates(audit),
        *_wrong_way_step(audit),
        *_records_steps(audit),
        *_missing_steps(audit),
    ] or ["Nothing stands out. Repeat the audit when new cases have finished."]


def _low_rates(audit: Audit) -> list[str]:
    rates = audit.class_fits.rates
    low = rates[(rates["high"] < LOW_RATE) & (rates["patients"] >= FEW_PATIENTS)]
    low = low.sort_values("high").head(3)
    groups = listed(f"{rate_name(row)} ({percent(row.rate)})" for row in lines(low))
    said = (
        f"Look at the plans for {groups}: even the upper end of the interval is below "
        f"{percent(LOW_RATE)}. Were attachments, wear and staging as intended?"
    )
    return [said] if groups else []


def _wrong_way_step(audit: Audit) -> list[str]:
    if not len(audit.by_tooth):
        return []
    often = audit.by_tooth.query("wrong_way >= 0.25 and movements >= 4")
    often = often.sort_values(["wrong_way", "movements"], ascending=False).head(3)
    teeth = []
    for row in lines(often):
        few = f"; only {number_of(row.patients, 'patient')}" if row.patients < FEW_PATIENTS else ""
        teeth.append(
            f"{movement_name(row.movement)} of tooth {row.tooth} ({percent(row.wrong_way)} of "
            f"{count(row.movements)}{few})"
        )
    said = f"Open the records of the teeth that most often went the other way: {listed(teeth)}."
    return [said] if teeth else []


def _records_steps(audit: Audit) -> list[str]:
    cohort, steps = audit.cohort, []
    left = left_out(cohort)
    if left.correctable:
        each = "gives it" if left.correctable == 1 else "gives each"
        steps.append(
            f"Put right what can be of the {number_of(left.correctable, 'row')} with a fault "
            f"(problems.csv {each} and what to do), and run the audit again."
        )
    if left.awaiting:
        steps.append(
            f"{capital(number_of(left.awaiting, 'row'))} {verb(left.awaiting, 'await')} a scan: "
            "fill in what was achieved once it is measured."
        )
    look = int((cohort.problems["severity"] == "check").sum())
    if look:
        is_so, stands = ("it is", "it stands") if look == 1 else ("they are", "they stand")
        steps.append(
            f"Compare {number_of(look, 'unusual entry', 'unusual entries')} with the record; "
            f"{is_so} in the analysis as {stands}."
        )
    return steps


def _missing_steps(audit: Audit) -> list[str]:
    steps = []
    rates = audit.class_fits.rates
    few = rates[rates["patients"] < ENOUGH_PATIENTS]
    if len(few):
        steps.append(
            f"Go on collecting: {number_of(len(few), 'rate')} by kind of tooth "
            f"{verb(len(few), 'rest')} on fewer than {ENOUGH_PATIENTS} patients."
        )
    missing = [
        f for f in audit.differences.not_recorded if f in ("attachment", "clinician", "site")
    ]
    if missing:
        steps.append(f"Record {listed(missing)}, where there is more than one, to compare them.")
    if not len(audit.measurement):
        steps.append("Measure about 20 movements a second time, so that the error is known.")
    if not audit.unplanned["movements"].sum():
        steps.append("Record some teeth that were meant to stay, to see side effects.")
    return steps


def audit_cautions(cohort: Cohort) -> list[str]:
    """Which parts of the cautions belong to an audit of this cohort."""
    demo = ["The demonstration data"] if cohort.invented else []
    return ["Always", "Reading an audit", *demo]


def _second_opinion(audit: Audit) -> str:
    of = f" on {movement_name(audit.opinion_of)}" if audit.opinion_of else ""
    return f"A second opinion{of}: " + opinion_words(audit.opinion, audit.opinion_reason)


def _tolerance(audit: Audit) -> str:
    units = _units(audit) or {n: m.unit for n, m in MOVEMENTS.items()}
    said = tolerance_of(audit.tolerance, units, last="and")
    if all(audit.tolerance[name] == TOLERANCE[unit] for name, unit in units.items()):
        return f"The tolerance ({said}) is from {journal('tolerance')}."
    return f"The tolerance ({said}) was chosen for this audit."


def methods(audit: Audit) -> list[str]:
    """How it was done, for whoever must judge or repeat it."""
    return [
        "For each movement type, achieved was modelled as rate × planned, without intercept, with "
        "a rate for each group as fixed effect, and random deviations of the rate for each patient "
        "and for each tooth within a patient, fitted by restricted maximum likelihood. Intervals "
        f"are {level_words(audit.level)} t intervals on Satterthwaite degrees of freedom. "
        "Comparisons add the factor to "
        "the model by tooth class, and hold size of plan, first or later course and arch equal "
        "where the rows allow it (the table says which). Kinds of tooth, and the two directions of "
        "a movement, are compared by their rates. Standard errors and degrees of freedom of all "
        f"comparisons are cluster-robust, patients as clusters (CR2; {journal('robust')}), "
        "so that they hold where the rate of a "
        "patient varies by course, class or direction. p values are adjusted by Holm's method over "
        "each list, intervals are not. Pooled rates are the sum of achieved "
        "movement in the planned direction over the sum of planned movement, with patient-bootstrap "
        f"intervals (1,000 resamples, seed {audit.seed}).",
        "Limits: both changes are measured from the same starting scan, so its error enters both "
        "and raises the rate slightly; clinicians plan more where they expect less, and later "
        "courses hold the teeth that lagged, so the rates describe these plans and not a law of "
        f"the tooth. Rows with a plan of zero are no part of any rate. {_tolerance(audit)}",
        _second_opinion(audit),
        computed_with(audit.cohort, ("numpy", "scipy", "pandas", "statsmodels")),
    ]
