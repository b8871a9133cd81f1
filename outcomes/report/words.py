"""Sentences written from results: plain words first, numbers beside them.

Every function gives plain text. Where something cannot be said, the sentence says that, and why.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from outcomes.paths import data_path
from outcomes.report.provenance import versions
from outcomes.report.tables import (
    NBSP,
    count,
    number,
    p_value,
    percent,
    range_words,
    size,
    size_range,
)

if TYPE_CHECKING:
    from outcomes.cohort.read import Cohort
    from outcomes.report.audit import Audit

NAMES = {
    "mesiodistal": "mesiodistal movement",
    "buccolingual": "buccolingual movement",
    "vertical": "vertical movement",
}
CLASSES = {"incisor": "incisors", "canine": "canines", "premolar": "premolars", "molar": "molars"}
UNITS = {"mm": f"{NBSP}mm", "degree": "°"}


# ---- small helpers ------------------------------------------------------------------------------


def number_of(n: float, noun: str, plural: str | None = None) -> str:
    """A count with its noun in the right number.

    Examples
    --------
    >>> number_of(1, "patient"), number_of(0, "tooth", "teeth")
    ('1 patient', 'no teeth')
    """
    many = plural or f"{noun}s"
    if n == 0:
        return f"no {many}"
    return f"{count(n)} {noun if n == 1 else many}"


def listed(items: Iterable[str], last: str = "and") -> str:
    """Items as an English list.

    Examples
    --------
    >>> listed(["tip", "torque", "rotation"])
    'tip, torque and rotation'
    """
    names = list(items)
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} {last} {names[-1]}"


def capital(text: str) -> str:
    """The text with its first letter as a capital, the rest untouched."""
    return text[:1].upper() + text[1:]


def movement_name(movement: str) -> str:
    """The movement as it stands in a sentence.

    Examples
    --------
    >>> movement_name("vertical")
    'vertical movement'
    """
    return NAMES.get(movement, movement)


def heading(movement: str) -> str:
    """The movement as a heading.

    Examples
    --------
    >>> heading("vertical")
    'Vertical movement'
    """
    return capital(movement_name(movement))


def class_name(name: str) -> str:
    """A tooth class in the plural; anything else as it is."""
    return CLASSES.get(name, name)


def rate_words(row: Any) -> str:
    """A rate with its interval: ``57 % (95 % interval 51 to 63 %)``."""
    return f"{percent(row.rate)} (95{NBSP}% interval {range_words(row.low, row.high)})"


def tolerance_words(audit: Audit, movements: Sequence[str] | None = None) -> str:
    """The tolerance for the units at hand: ``0.5 mm or 2°``."""
    found = audit.planned
    if movements is not None:
        found = found[found["movement"].isin(movements)]
    units = [u for u in audit.tolerance if u in set(found["unit"].astype(str))]
    return listed((f"{audit.tolerance[u]:g}{UNITS[u]}" for u in units), last="or")


# ---- reading ------------------------------------------------------------------------------------


def _ledger_sum(cohort: Cohort, step: str, table: str = "movements") -> int:
    rows = cohort.ledger
    return int(rows.loc[(rows["table"] == table) & (rows["step"] == step), "rows"].sum())


def ledger_words(cohort: Cohort) -> pd.DataFrame:
    """The ledger without its empty lines: table, step, reason, rows, patients."""
    return cohort.ledger[cohort.ledger["rows"] > 0].reset_index(drop=True)


def reading(cohort: Cohort) -> list[str]:
    """What was read, and what was left out."""
    read, left = _ledger_sum(cohort, "read"), _ledger_sum(cohort, "excluded")
    movements = cohort.movements
    planned = movements[movements["planned"] != 0]
    aside = len(movements) - len(planned)
    sentences = [
        f"{capital(number_of(read, 'row'))} of movements {_was(read)} read from {cohort.source}. "
        + (
            "None was left out."
            if left == 0
            else f"{capital(number_of(left, 'row'))} {_was(left)} left out, each for a reason in "
            "the table below; no row disappears without one."
        ),
        f"{capital(number_of(len(planned), 'planned movement'))} of "
        f"{number_of(planned['tooth_site'].nunique(), 'tooth', 'teeth')} in "
        f"{number_of(planned['patient'].nunique(), 'patient')} "
        f"{'enters' if len(planned) == 1 else 'enter'} the rates."
        + (
            f" {capital(number_of(aside, 'movement'))} with a plan of zero "
            f"{_is(aside)} reported apart, as unplanned {'movement' if aside == 1 else 'movements'}."
            if aside
            else ""
        ),
    ]
    if cohort.invented:
        sentences.insert(0, "This practice is invented, for demonstration.")
    return sentences


def _was(n: int) -> str:
    return "was" if n == 1 else "were"


def _is(n: int) -> str:
    return "is" if n == 1 else "are"


def checked(cohort: Cohort) -> list[str]:
    """After a check: can it be analysed, and what deserves a look?"""
    by = cohort.problems["severity"].value_counts()
    stop, left, look = (int(by.get(name, 0)) for name in ("stop", "exclude", "check"))
    if stop:
        return [
            f"{capital(number_of(stop, 'problem'))} {'stops' if stop == 1 else 'stop'} the "
            "analysis. Put right what says 'stop', then check again."
        ]
    sentences = ["The cohort can be analysed."]
    if left:
        sentences.append(
            f"{capital(number_of(left, 'problem'))} {'takes a row' if left == 1 else 'take rows'} "
            "out of the analysis; put right what can be."
        )
    if look:
        sentences.append(
            f"{capital(number_of(look, 'entry', 'entries'))} {_is(look)} kept but "
            f"{'looks' if look == 1 else 'look'} unusual: compare {'it' if look == 1 else 'them'} "
            "with the record."
        )
    return sentences


def problems_found(cohort: Cohort) -> list[str]:
    """Problems in words, with where to find them."""
    if not len(cohort.problems):
        return ["No problems were found in the cohort as it was read."]
    where = "The file problems.csv and the notebook check_your_cohort give each with its remedy."
    return [*checked(cohort)[1:], where]


def problem_words(cohort: Cohort) -> list[str]:
    """Above the list of problems: what the severities mean."""
    if not len(cohort.problems):
        return ["No problems were found."]
    return [
        "'stop': the cohort cannot be analysed until it is put right. 'exclude': that row is left "
        "out, and stands in the ledger. 'check': kept as it is, but unusual enough to compare with "
        "the record. Rows are numbered as the spreadsheet shows them."
    ]


def tables_read(cohort: Cohort) -> list[str]:
    """What each table holds, and what the absent ones would add."""
    absent = {
        "patients": "clinician, site, age and growth cannot be looked at",
        "courses": "aligners, wear and elastics cannot be looked at",
        "measures": "the bite before and after cannot be looked at",
        "repeats": "it is not known how well movements were measured",
    }
    sentences = [f"movements: {number_of(len(cohort.movements), 'row')} kept"]
    for name, without in absent.items():
        rows = len(getattr(cohort, name))
        sentences.append(
            f"{name}: {number_of(rows, 'row')} kept" if rows else f"{name}: none; {without}"
        )
    return [f"{capital(sentence)}." for sentence in sentences]


def plausibility(cohort: Cohort) -> list[str]:
    """Above the plots of plausibility."""
    if not len(cohort.movements):
        return ["No movement is left to draw."]
    look = int((cohort.problems["severity"] == "check").sum())
    return [
        "Most points should lie between the line of nothing achieved and the line of all achieved. "
        "A cloud along the other diagonal is a sign convention turned round; points ten times too "
        "far out are a misplaced decimal or the wrong unit.",
        f"{capital(number_of(look, 'entry', 'entries'))} {_is(look)} listed above as unusual."
        if look
        else "No entry is listed as unusual.",
    ]


# ---- rates --------------------------------------------------------------------------------------


def summary(audit: Audit) -> list[str]:
    """Three to six sentences for the box at the top."""
    planned = audit.planned
    left = _ledger_sum(audit.cohort, "excluded")
    if not len(planned):
        return [
            "No row holds both a planned and an achieved movement, so there is nothing to audit. "
            "The ledger below says what became of each row."
        ]
    first = (
        f"This audit rests on {number_of(len(planned), 'planned movement')} of "
        f"{number_of(planned['tooth_site'].nunique(), 'tooth', 'teeth')} in "
        f"{number_of(planned['patient'].nunique(), 'patient')}"
    )
    first += (
        "; no row was left out."
        if left == 0
        else f"; {number_of(left, 'row')} {_was(left)} left out, with the reasons below."
    )
    return [
        sentence
        for sentence in (
            first,
            _overall_sentence(audit),
            _class_sentence(audit),
            _target_sentence(audit),
            _difference_summary(audit),
            _sure_sentence(audit),
        )
        if sentence
    ]


def _overall_sentence(audit: Audit) -> str:
    rates = audit.fits.rates
    if not len(rates):
        reasons = " ".join(dict.fromkeys(audit.fits.failed.values()))
        return f"No achievement rate can be estimated. {reasons}"
    rates = rates.sort_values("rate")
    low, high = (row for row in (_row(rates, 0), _row(rates, -1)))
    if len(rates) == 1:
        return f"Of the {movement_name(low.movement)} that was planned, {rate_words(low)} was achieved."
    return (
        f"Most was achieved of {movement_name(high.movement)}, {rate_words(high)} of the plan, and "
        f"least of {movement_name(low.movement)}, {rate_words(low)}."
    )


def _row(frame: pd.DataFrame, position: int) -> Any:
    return _lines(frame.iloc[[position]])[0]


def _lines(frame: pd.DataFrame) -> list[Any]:
    return list(frame.itertuples(index=False))


def _class_sentence(audit: Audit) -> str:
    from outcomes.report.audit import FEW

    rates = audit.class_fits.rates
    rates = rates[rates["patients"] >= FEW].sort_values("rate")
    if len(rates) < 3:
        return ""
    low, high = _row(rates, 0), _row(rates, -1)
    return (
        f"By kind of tooth, the lowest rate is {movement_name(low.movement)} of "
        f"{class_name(low.group)}, {rate_words(low)}; the highest is "
        f"{movement_name(high.movement)} of {class_name(high.group)}, {rate_words(high)}."
    )


def _shares(table: pd.DataFrame, column: str) -> tuple[int, int]:
    """Movements with a property, and movements in all, from shares by group."""
    total = int(table["movements"].sum())
    return round(float((table[column] * table["movements"]).sum())), total


def _target_sentence(audit: Audit) -> str:
    hit, total = _shares(audit.overall, "within_tolerance")
    wrong, _ = _shares(audit.overall, "wrong_way")
    of = number_of(total, "planned movement")
    reached = f"{_none(hit)} of {of}" + (f" ({percent(hit / total)})" if hit else "")
    away = f"{_none(wrong, capital_letter=False)}"
    away += f" ({percent(wrong / total)})" if wrong else ""
    return (
        f"{reached} ended within {tolerance_words(audit)} of the plan; {away} went the other way "
        "than planned."
    )


def _none(n: int, capital_letter: bool = True) -> str:
    return ("None" if capital_letter else "none") if n == 0 else count(n)


def _difference_summary(audit: Audit) -> str:
    table = audit.differences.table
    if not len(table):
        return ""
    found = table[table["p_holm"] < 0.05].sort_values("p_holm")
    if not len(found):
        return _compared(table)
    top = [_difference_words(row) for row in _lines(found.head(2))]
    rest = len(found) - len(top)
    more = f", and {number_of(rest, 'other')}" if rest else ""
    return (
        f"{_compared(table).removesuffix('.')}: {'; '.join(top)}{more}. An audit is not a ranking: "
        "patients differ."
    )


def _compared(table: pd.DataFrame) -> str:
    """How many comparisons, and how many stand out."""
    tried = number_of(len(table), "comparison")
    factors = listed(_plural(f) for f in dict.fromkeys(table["factor"]))
    found = int((table["p_holm"] < 0.05).sum())
    if len(table) == 1:
        verb = "stands out" if found else "does not stand out"
        close = "" if found else ". That is not evidence that they are the same"
        return f"The one comparison that could be made, between {factors}, {verb}{close}."
    if not found:
        return (
            f"None of {tried} between {factors} stands out once their number is allowed for. "
            "That is not evidence that they are the same."
        )
    verb = "stands" if found == 1 else "stand"
    return (
        f"Of {tried} between {factors}, {count(found)} {verb} out after allowing for their number."
    )


def _plural(factor: str) -> str:
    return "auxiliaries" if factor == "auxiliary" else f"{factor.replace('_', ' ')}s"


def points_of(share: float) -> str:
    """A difference of shares, unsigned, in percentage points.

    Examples
    --------
    >>> points_of(-0.012), points_of(0.15)
    ('1 percentage point', '15 percentage points')
    """
    n = abs(round(100 * share))
    return f"{n} percentage {'point' if n == 1 else 'points'}"


def _difference_words(row: Any) -> str:
    """``15 percentage points more vertical movement with bevelled attachments than with none``."""
    more = "more" if row.difference > 0 else "less"
    a, b = (_level_words(row.factor, level) for level in (row.level, row.reference))
    if b == f"with no {row.factor}":
        b = "with none"
    return f"{points_of(row.difference)} {more} {movement_name(row.movement)} {a} than {b}"


def _level_words(factor: str, level: str) -> str:
    if factor in ("attachment", "auxiliary"):
        return f"with no {factor}" if level == "none" else f"with {level} {_plural(factor)}"
    return f"{'at' if factor == 'site' else 'for'} {factor} {level}"


def _sure_sentence(audit: Audit) -> str:
    from outcomes.report.audit import FEW

    rates = audit.class_fits.rates
    few = rates[rates["patients"] < FEW]
    if not len(rates) or not len(few):
        return ""
    return (
        f"{capital(number_of(len(few), 'rate'))} of {count(len(rates))} by movement and kind of "
        f"tooth {'rests' if len(few) == 1 else 'rest'} on fewer than {FEW} patients: described, "
        "but too few to lean on."
    )


def movement_rates(audit: Audit) -> list[str]:
    """Above the table of rates by movement."""
    if not len(audit.planned):
        return ["There is no planned movement with an achieved value, so there is no rate."]
    sentences = []
    if len(audit.fits):
        sentences.append(
            "The achievement rate is the share of the plan that arrived, for the average tooth of "
            "the average patient here: at 50 %, a plan of 2 mm gave 1 mm. It is a slope fitted to "
            "all rows, so that a plan close to zero cannot distort it."
        )
        sentences.append(how_sure(audit))
    return [*sentences, *failed(audit.fits.failed)]


def how_sure(audit: Audit) -> str:
    """How wide the intervals are, and why."""
    rates = audit.fits.rates
    half = (rates["high"] - rates["low"]) / 2
    widest = _row(rates.loc[[half.idxmax()]], 0)
    patients = int(audit.planned["patient"].nunique())
    first = (
        f"The interval says how sure this is: another {number_of(patients, 'patient')} of the same "
        "practice would give other numbers, and the true rate lies within 95 of 100 such intervals."
    )
    if len(rates) == 1:
        return (
            f"{first} Here the rate is known to within about "
            f"{number(100 * half.max(), 0)} percentage points."
        )
    return (
        f"{first} It is widest for {movement_name(widest.movement)}, about ± "
        f"{number(100 * half.max(), 0)} percentage points."
    )


def failed(reasons: dict[str, str]) -> list[str]:
    """Why a movement has no rate."""
    return [
        f"No rate for {movement_name(name)}: {reason.removeprefix(f'{name}: ')}"
        for name, reason in reasons.items()
    ]


def class_rates(audit: Audit) -> list[str]:
    """Above the table of rates by kind of tooth: which kinds differ."""
    sentences = []
    for movement, fit in audit.class_fits.items():
        if len(fit.rates) < 2:
            row = _row(fit.rates, 0)
            sentences.append(
                f"{capital(movement_name(movement))}: only {class_name(row.group)} were planned to "
                "move so."
            )
            continue
        table = fit.contrasts()
        apart = table[table["p_holm"] < 0.05]
        if not len(apart):
            sentences.append(
                f"{capital(movement_name(movement))}: no difference between kinds of tooth stands "
                "out."
            )
            continue
        parts = [
            f"{class_name(row.a if row.difference < 0 else row.b)} less than "
            f"{class_name(row.b if row.difference < 0 else row.a)} by "
            f"{points_of(row.difference)}"
            for row in _lines(apart)
        ]
        sentences.append(f"{capital(movement_name(movement))}: {'; '.join(parts)}.")
    return [*sentences, *failed(audit.class_fits.failed)]


def directions(audit: Audit) -> list[str]:
    """Which directions differ within a movement, the larger rate first."""
    sentences = []
    for movement, fit in audit.direction_fits.items():
        if len(fit.rates) != 2:
            continue
        contrast = _row(fit.contrasts(), 0)
        high, low = _lines(fit.rates.sort_values("rate", ascending=False))
        bounds = (contrast.low, contrast.high)
        if contrast.a != high.group:
            bounds = (-contrast.high, -contrast.low)
        interval = range_words(100 * bounds[0], 100 * bounds[1], lambda v: number(v, 0))
        more = points_of(contrast.difference)
        more = f"{more} more" if more[0] != "0" else "no more in one than in the other"
        sentences.append(
            f"{capital(movement_name(movement))}: {high.group} {percent(high.rate)}, {low.group} "
            f"{percent(low.rate)}; {more} (95{NBSP}% interval {interval}; p {_equals(contrast.p)})."
        )
    if not sentences:
        return ["No movement was planned in both directions, so directions cannot be compared."]
    return sentences


def _equals(p: float) -> str:
    text = p_value(p)
    return text if text.startswith("<") else f"= {text}"


# ---- what differs -------------------------------------------------------------------------------


def differences(audit: Audit) -> list[str]:
    """What was compared, what stands out, what could not be asked."""
    table, result = audit.differences.table, audit.differences
    sentences = []
    if len(table):
        sentences.append(
            "Patients were not allocated at random. Clinicians and sites see different patients, "
            "and attachments go where trouble is expected, so a difference here is a question to "
            "look into. An audit is not a ranking."
        )
        sentences.append(_compared(table))
        found = table[table["p_holm"] < 0.05].sort_values("p_holm")
        for row in _lines(found):
            interval = range_words(100 * row.low, 100 * row.high, lambda v: number(v, 0))
            sentences.append(
                f"{capital(_difference_words(row))} (95{NBSP}% interval {interval}; adjusted p "
                f"{_equals(row.p_holm)}; {number_of(row.patients, 'patient')} against "
                f"{count(row.reference_patients)})."
            )
    if result.not_recorded:
        sentences.append(
            f"Not compared, because not recorded or the same everywhere: "
            f"{listed(result.not_recorded)}."
        )
    for factor in dict.fromkeys(factor for _, factor in result.unanswered):
        without = [movement_name(m) for m, name in result.unanswered if name == factor]
        sentences.append(
            f"{capital(_plural(factor))} cannot be compared for {listed(without)}: the cohort "
            "holds too little of it, or the levels are tied up with the kinds of tooth."
        )
    return sentences


def forest_caption(audit: Audit) -> str:
    """Under the forest figure."""
    return (
        f"Achieved share of the plan with 95{NBSP}% intervals, by movement and kind of tooth. "
        f"100{NBSP}% would be all of the plan."
    )


# ---- misses -------------------------------------------------------------------------------------


def wrong_way(audit: Audit) -> list[str]:
    """How much went the other way, overshot, or ended on target."""
    overall = audit.overall
    if not len(overall):
        return ["There is no planned movement to look at."]
    wrong, total = _shares(overall, "wrong_way")
    over, _ = _shares(overall, "overshot")
    sentences = [_target_sentence(audit)]
    if over:
        sentences.append(
            f"{capital(number_of(over, 'movement'))} ({percent(over / total)}) went further than "
            "planned, by any amount."
        )
    if wrong:
        table = audit.by_class[audit.by_class["wrong_way"] > 0].sort_values(
            "wrong_way", ascending=False
        )
        top = _row(table, 0)
        moved = round(top.wrong_way * top.movements)
        sentences.append(
            f"The largest share is in {movement_name(top.movement)} of "
            f"{class_name(str(top.tooth_class))}: {count(moved)} of {count(top.movements)}. Small "
            "plans go the wrong way easily, by measurement error alone; look at the larger ones."
        )
    return sentences


def unplanned(audit: Audit) -> list[str]:
    """Movements that happened where none was planned."""
    table = audit.unplanned
    if not len(table):
        return [
            "No row has a plan of zero with an achieved value, so movements that nobody planned "
            "(side effects, loss of anchorage) cannot be judged. Record a few teeth that were meant "
            "to stay where they were."
        ]
    rows = int(table["movements"].sum())
    beyond, _ = _shares(table, "beyond_tolerance")
    sentences = [
        f"{capital(number_of(rows, 'movement'))} {_was(rows)} not planned but measured; "
        f"{_none(beyond, capital_letter=False)} moved by more than "
        f"{listed((f'{v:g}{UNITS[u]}' for u, v in audit.tolerance.items() if u in set(table['unit'])), last='or')}."
    ]
    sure = table[(table["low"] > 0) | (table["high"] < 0)]
    if len(sure):
        sentences.append(
            "On average these are away from zero (each looked at by itself; with many averages, "
            "one in twenty is so by chance):"
        )
    for row in _lines(sure):
        sentences.append(
            f"{capital(class_name(str(row.tooth_class)))} moved on average by "
            f"{size(row.mean, row.unit)} ({_way(row.movement, row.mean)}; 95{NBSP}% interval "
            f"{size_range(row.low, row.high, row.unit)}; "
            f"{number_of(row.patients, 'patient')})."
        )
    if not len(sure):
        sentences.append("No average is clearly different from zero.")
    return sentences


def _way(movement: str, value: float) -> str:
    from outcomes.cohort.schema import MOVEMENTS

    known = MOVEMENTS.get(movement)
    if known is None:
        return movement
    return f"{movement}, {known.positive if value > 0 else known.negative}"


def tooth_chart(audit: Audit) -> list[str]:
    """Under the heading of the tooth chart."""
    if not len(audit.by_tooth):
        return ["There is no planned movement to draw."]
    few = int((audit.by_tooth["patients"] < 5).sum())
    return [
        "Each tooth in its place, with the share of the plan it achieved. These are single teeth: "
        "small numbers, meant for finding what to look at, not for planning."
        + (
            f" {capital(number_of(few, 'tooth', 'teeth'))} {'rests' if few == 1 else 'rest'} on "
            "fewer than 5 patients (counted once for each movement)."
            if few
            else ""
        )
    ]


def measurement(audit: Audit) -> list[str]:
    """How well movements were measured."""
    table = audit.measurement
    if not len(table):
        return [
            f"{audit.measurement_reason} So it is not known how much of each difference is error "
            "of measurement. Measuring some 20 movements a second time, on another day, answers it."
        ]
    known = table[table["dahlberg"].notna()]
    if not len(known):
        return ["The repeated readings are too few to say."]
    errors, changes = (
        listed(
            size_range(rows[column].min(), rows[column].max(), unit)
            if len(rows) > 1
            else size(rows[column].iloc[0], unit)
            for unit, rows in known.groupby("unit", sort=False)
        )
        for column in ("dahlberg", "smallest_detectable_change")
    )
    return [
        f"A single reading carries an error of {errors} (Dahlberg, from "
        f"{number_of(known['pairs'].sum(), 'pair')} of readings). A change smaller than {changes}, "
        "depending on the movement, may be error of measurement alone."
    ]


# ---- next, and how ------------------------------------------------------------------------------


def next_steps(audit: Audit) -> list[str]:
    """What to look at next, most useful first."""
    return [
        *_low_rates(audit),
        *_wrong_way_step(audit),
        *_records_steps(audit),
        *_missing_steps(audit),
    ] or ["Nothing stands out. Repeat the audit when new cases have finished."]


def _low_rates(audit: Audit) -> list[str]:
    from outcomes.report.audit import FEW

    rates = audit.class_fits.rates
    low = rates[(rates["high"] < 0.6) & (rates["patients"] >= FEW)].sort_values("high").head(3)
    if not len(low):
        return []
    groups = listed(
        f"{movement_name(row.movement)} of {class_name(row.group)} ({percent(row.rate)})"
        for row in _lines(low)
    )
    return [
        f"Look at the plans for {groups}: even the upper end of the interval is below 60{NBSP}%. "
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
    teeth = listed(f"{movement_name(row.movement)} of tooth {row.tooth}" for row in _lines(often))
    return [f"Open the records of {teeth}: a quarter or more went the other way."]


def _records_steps(audit: Audit) -> list[str]:
    cohort, steps = audit.cohort, []
    left = _ledger_sum(cohort, "excluded")
    if left:
        steps.append(
            f"Put right what can be of the {number_of(left, 'row')} left out (problems.csv gives "
            "each row and what to do), and run the audit again."
        )
    look = int((cohort.problems["severity"] == "check").sum())
    if look:
        steps.append(
            f"Compare {number_of(look, 'unusual entry', 'unusual entries')} with the record; "
            f"{'it is' if look == 1 else 'they are'} in the analysis as {'it stands' if look == 1 else 'they stand'}."
        )
    return steps


def _missing_steps(audit: Audit) -> list[str]:
    from outcomes.report.audit import ENOUGH

    steps = []
    rates = audit.class_fits.rates
    few = rates[rates["patients"] < ENOUGH]
    if len(few):
        steps.append(
            f"Go on collecting: {number_of(len(few), 'rate')} by kind of tooth "
            f"{'rests' if len(few) == 1 else 'rest'} on fewer than {ENOUGH} patients."
        )
    missing = [
        f for f in audit.differences.not_recorded if f in ("attachment", "clinician", "site")
    ]
    if missing:
        steps.append(f"Record {listed(missing)}, where there is more than one, to compare them.")
    if not len(audit.measurement):
        steps.append("Measure about 20 movements a second time, so that the error is known.")
    if not len(audit.unplanned):
        steps.append("Record some teeth that were meant to stay, to see side effects.")
    return steps


def cautions(*headings: str) -> list[str]:
    """The cautions of ``shared/cautions.md``, as sentences.

    Parameters
    ----------
    *headings
        Which parts; all when none is named.

    Examples
    --------
    >>> cautions("Always")[0][:32]
    'The treating clinician decides. '
    """
    text = data_path("shared", "cautions.md").read_text(encoding="utf-8")
    parts = re.split(r"^## (.+)$", text, flags=re.MULTILINE)
    chosen = zip(parts[1::2], parts[2::2], strict=True)
    return [
        line.removeprefix("- ").replace("**", "")
        for heading, body in chosen
        if not headings or heading.strip() in headings
        for line in body.splitlines()
        if line.startswith("- ")
    ]


def audit_cautions(cohort: Cohort) -> list[str]:
    """Which parts of the cautions belong to an audit of this cohort."""
    demo = ["The demonstration data"] if cohort.invented else []
    return ["Always", "Reading an audit", *demo]


def methods(audit: Audit) -> list[str]:
    """How it was done, for whoever must judge or repeat it."""
    found = versions()
    cohort = audit.cohort
    used = ", ".join(
        f"{name} {found[name]}" for name in ("numpy", "scipy", "pandas", "statsmodels")
    )
    return [
        "For each movement type, achieved was modelled as rate × planned, without intercept, with "
        "a rate for each group as fixed effect, and random deviations of the rate for each patient "
        "and for each tooth within a patient, fitted by restricted maximum likelihood. Intervals "
        "are 95 % t intervals on Satterthwaite degrees of freedom. Comparisons add the factor to "
        "the model by tooth class; their p values are adjusted by Holm's method over all "
        "comparisons in the table, their intervals are not. Pooled rates are the sum of achieved "
        "movement in the planned direction over the sum of planned movement, with patient-bootstrap "
        f"intervals (1,000 resamples, seed {audit.seed}).",
        "Limits: both changes are measured from the same starting scan, so its error enters both "
        "and raises the rate slightly; clinicians plan more where they expect less, and later "
        "courses hold the teeth that lagged, so the rates describe these plans and not a law of "
        "the tooth. Rows with a plan of zero are no part of any rate. The tolerance (0.5 mm, 2°) is "
        "from Angle Orthod 2017;87(6):809–815, doi:10.2319/022717-147.1.",
        f"Python {found['python']}, outcomes {found['outcomes']}, {used}. Input {cohort.source}, "
        f"SHA-256 {cohort.sha256}.",
    ]
