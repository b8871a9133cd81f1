"""The box at the top of an audit: what was found, how sure it is, and what next."""

from __future__ import annotations

from typing import TYPE_CHECKING

from outcomes.cohort.checks import OPPOSITE, TOO_LARGE
from outcomes.domain.limits import FEW_PATIENTS
from outcomes.domain.names import movement_name, tolerance_of
from outcomes.reports.audit.words.closing import next_steps
from outcomes.reports.audit.words.compared import compared, difference_words
from outcomes.reports.audit.words.reading import left_words
from outcomes.reports.common.rows import first_row, lines, rate_name, shares, standing_out
from outcomes.words.english import capital, listed, lower_first, none_, number_of, rate_words, verb
from outcomes.words.numbers import count, percent
from outcomes.words.units import unit_mark

if TYPE_CHECKING:
    from outcomes.reports.audit.results import Audit


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
    reached = f"{none_(hit)} of {of}" + (f" ({percent(hit / total)})" if hit else "")
    away = none_(wrong, capital_letter=False)
    away += f" ({percent(wrong / total)})" if wrong else ""
    return (
        f"{reached} ended within {tolerance_words(audit)} of the plan; {away} went the other way "
        "than planned."
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
    which = (
        "Every rate by kind of tooth rests"
        if len(few) == len(rates)
        else f"{capital(number_of(len(few), 'rate'))} of {count(len(rates))} by movement and kind of "
        f"tooth {verb(len(few), 'rest')}"
    )
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
    kinds = [
        f"{count(large)} larger than {limits}" if large else "",
        f"{count(opposite)} opposite in sign to the plan" if opposite else "",
    ]
    return (
        f"{capital(number_of(flagged, 'value'))} flagged by the check "
        f"({listed(kind for kind in kinds if kind)}) {verb(flagged, 'enter')} the "
        "rates; see problems.csv."
    )


def _next_sentence(audit: Audit) -> str:
    """The most useful next step; the section on what next gives them all."""
    return f"What next: {lower_first(next_steps(audit)[0])}"


def tolerance_words(audit: Audit) -> str:
    """The tolerance for the units at hand: ``0.5 mm or 2°``."""
    present = audit.planned[["movement", "unit"]].astype(str).drop_duplicates()
    return tolerance_of(audit.tolerance, dict(present.itertuples(index=False)))
