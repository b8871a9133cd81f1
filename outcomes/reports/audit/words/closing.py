"""What to look at next, cautions, and how it was done."""

from __future__ import annotations

from typing import TYPE_CHECKING

from outcomes.domain.limits import ENOUGH_PATIENTS, FEW_PATIENTS, TOLERANCE
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.names import movement_name, tolerance_of
from outcomes.reports.audit.words.reading import left_out
from outcomes.reports.common.computed import computed_with
from outcomes.reports.common.opinion import opinion_words
from outcomes.reports.common.references import journal
from outcomes.reports.common.rows import lines, rate_name
from outcomes.words.english import capital, listed, number_of, verb
from outcomes.words.numbers import count, level_words, percent

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort
    from outcomes.reports.audit.results import Audit


LOW_RATE = 0.6
"""An interval that ends below this calls for a look at the plans (common practice, no source)."""


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
    if not len(low):
        return []
    groups = listed(f"{rate_name(row)} ({percent(row.rate)})" for row in lines(low))
    return [
        f"Look at the plans for {groups}: even the upper end of the interval is below "
        f"{percent(LOW_RATE)}. "
        "Were attachments, wear and staging as intended?"
    ]


def _wrong_way_step(audit: Audit) -> list[str]:
    table = audit.by_tooth
    if not len(table):
        return []
    often = table[(table["wrong_way"] >= 0.25) & (table["movements"] >= 4)]
    often = often.sort_values(["wrong_way", "movements"], ascending=False).head(3)
    if not len(often):
        return []
    teeth = listed(
        f"{movement_name(row.movement)} of tooth {row.tooth} ({percent(row.wrong_way)} of "
        f"{count(row.movements)}{_few_words(row.patients)})"
        for row in lines(often)
    )
    return [f"Open the records of the teeth that most often went the other way: {teeth}."]


def _few_words(patients: int) -> str:
    """A mark for a group too small to lean on."""
    return f"; only {number_of(patients, 'patient')}" if patients < FEW_PATIENTS else ""


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
        steps.append(
            f"Compare {number_of(look, 'unusual entry', 'unusual entries')} with the record; "
            f"{'it is' if look == 1 else 'they are'} in the analysis as {'it stands' if look == 1 else 'they stand'}."
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
    planned = audit.planned[["movement", "unit"]].astype(str).drop_duplicates()
    units = dict(planned.itertuples(index=False)) or {n: m.unit for n, m in MOVEMENTS.items()}
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
