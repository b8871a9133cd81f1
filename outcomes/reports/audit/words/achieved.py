"""What was achieved and how sure that is, what missed, and where roots went, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes.domain.limits import FEW_PATIENTS
from outcomes.domain.names import class_name, direction, heading, movement_name, tolerance_of
from outcomes.rates.intervals import holm
from outcomes.reports.audit.words.summary import target_sentence
from outcomes.reports.common import missing, robust
from outcomes.reports.common.measured import error_words
from outcomes.reports.common.rows import STANDS_OUT, first_row, lines, shares
from outcomes.words.english import (
    SAYS_NOTHING,
    capital,
    equals,
    is_,
    listed,
    none_,
    number_of,
    points_of,
    verb,
    was,
)
from outcomes.words.numbers import (
    bare_percent,
    count,
    interval_words,
    percent,
    range_words,
    size,
    size_range,
)

if TYPE_CHECKING:
    from outcomes.clinical.roots import ApexDisplacement
    from outcomes.reports.audit.results import Audit


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
    sentences.append(
        "The pooled rate in the table is the sum of what was achieved in the planned direction "
        "over the sum of what was planned, without a model."
    )
    return [*sentences, *failed(audit.fits.failed)]


def how_sure(audit: Audit) -> str:
    """How wide the intervals are, and why."""
    rates = audit.fits.rates
    half = (rates["high"] - rates["low"]) / 2
    unknown = ~(rates[["low", "high"]].abs() <= SAYS_NOTHING).all(axis=1)
    if unknown.any():
        names = listed(dict.fromkeys(movement_name(m) for m in rates.loc[unknown, "movement"]))
        return (
            f"The interval says how sure a rate is. For {names} it is too wide to say anything: "
            "the data here do not settle that rate, and it is written as not known."
        )
    widest = first_row(rates.loc[[half.idxmax()]], 0)
    patients = int(audit.planned["patient"].nunique())
    first = (
        f"The interval says how sure this is: another {number_of(patients, 'patient')} of the same "
        "practice would give other numbers, and the true rate lies within "
        f"{100 * audit.level:g} of 100 such intervals."
    )
    how = (
        "Here the rate is known to within about"
        if len(rates) == 1
        else f"It is widest for {movement_name(widest.movement)}, about ±"
    )
    said = f"{first} {how} {bare_percent(half.max())} percentage points."
    few = audit.overall["patients"].min()
    if few < FEW_PATIENTS:
        said += (
            f" With {number_of(few, 'patient')} the variation between patients is hardly known, and "
            "the interval may be too narrow."
        )
    return said


def failed(reasons: dict[str, str]) -> list[str]:
    """Why a movement has no rate."""
    return [
        f"No rate for {movement_name(name)}: {reason.removeprefix(f'{name}: ')}"
        for name, reason in reasons.items()
    ]


def class_rates(audit: Audit) -> list[str]:
    """Above the table of rates by kind of tooth: which kinds differ; Holm over all movements."""
    sentences = []
    tables = {m: fit.contrasts() for m, fit in audit.class_fits.items() if len(fit.rates) > 1}
    adjusted = holm(p for table in tables.values() for p in table["p"])
    starts = np.cumsum([0, *(len(table) for table in tables.values())])
    of = dict(zip(tables, starts, strict=False))
    for movement, fit in audit.class_fits.items():
        planned = audit.planned.loc[audit.planned["movement"] == movement, "tooth_class"]
        table = tables.get(movement)
        if table is None and planned.nunique() < 2:
            said = f"only {class_name(first_row(fit.rates, 0).group)} were planned to move so"
        elif table is None or table["p"].isna().all():
            said = "kinds of tooth cannot be compared"
        else:
            apart = table[adjusted[of[movement] : of[movement] + len(table)] < STANDS_OUT]
            said = "; ".join(_less(row) for row in lines(apart))
            said = said or "no difference between kinds of tooth stands out"
        sentences.append(f"{heading(movement)}: {said}.")
    made = int((~np.isnan(adjusted)).sum())
    if made > 1:
        sentences.append(
            f"{capital(number_of(made, 'comparison'))} of kinds of tooth were made; their p "
            "values are adjusted for that, over all movements together."
        )
    return sentences + [
        f"{heading(name)}: kinds of tooth cannot be compared. "
        f"{capital(reason.removeprefix(f'{name}: '))}"
        for name, reason in audit.class_fits.failed.items()
    ]


def _less(row: Any) -> str:
    """``molars less than incisors by 20 percentage points``, of two kinds of tooth."""
    low, high = (row.a, row.b) if row.difference < 0 else (row.b, row.a)
    return f"{class_name(low)} less than {class_name(high)} by {points_of(row.difference)}"


def directions(audit: Audit) -> list[str]:
    """Which directions differ within a movement, the larger rate first; Holm over movements.

    Directions are contrasted only where each rests on enough patients.
    """
    both = {m: fit for m, fit in audit.direction_fits.items() if len(fit.rates) == 2}
    fits = {m: fit for m, fit in both.items() if fit.rates["patients"].min() >= FEW_PATIENTS}
    sentences = [
        f"{heading(movement)}: {_few_directions(fit.rates)}, so the directions are not compared."
        for movement, fit in both.items()
        if movement not in fits
    ]
    contrasts = {m: first_row(fit.contrasts(), 0) for m, fit in fits.items()}
    adjusted = holm(contrast.p for contrast in contrasts.values())
    for (movement, fit), p in zip(fits.items(), adjusted, strict=True):
        contrast = contrasts[movement]
        high, low = lines(fit.rates.sort_values("rate", ascending=False))
        bounds = (contrast.low, contrast.high)
        if contrast.a != high.group:
            bounds = (-contrast.high, -contrast.low)
        more = points_of(contrast.difference)
        more = f"{more} more" if more[0] != "0" else "no more in one than in the other"
        sentences.append(
            f"{heading(movement)}: {high.group} {percent(high.rate)}, {low.group} "
            f"{percent(low.rate)}; {more} ({interval_words(audit.level)} "
            f"{range_words(*bounds, bare_percent)}; "
            f"{'adjusted ' if len(fits) > 1 else ''}p {equals(p)})."
        )
    return sentences or [
        "No movement was planned in both directions, so directions cannot be compared."
    ]


def _few_directions(rates: pd.DataFrame) -> str:
    """``intrusion rests on 3 patients only``, for each direction that rests on few."""
    return listed(
        f"{row.group} rests on {number_of(row.patients, 'patient')} only"
        for row in lines(rates[rates["patients"] < FEW_PATIENTS])
    )


def forest_caption(audit: Audit) -> str:
    """Under the forest figure."""
    return (
        f"Achieved share of the plan with {interval_words(audit.level)}s, by movement and kind of "
        f"tooth. {percent(1.0)} would be all of the plan."
    )


def not_in_the_rates(audit: Audit) -> list[str]:
    """Whether later courses stand alone, and what the missing rescans could change."""
    return missing.not_in_the_rates(audit.later_alone, audit.missing)


def second_readings(audit: Audit) -> list[str]:
    """The robust second reading of the rates by movement and by kind of tooth."""
    return robust.second_reading(audit.robust, audit.level)


def wrong_way(audit: Audit) -> list[str]:
    """How much went the other way, overshot, or ended on target."""
    overall = audit.overall
    if not len(overall):
        return ["There is no planned movement to look at."]
    total = int(overall["movements"].sum())
    over, _ = shares(overall, "overshot")
    sentences = [target_sentence(audit)]
    if over:
        sentences.append(
            f"{capital(number_of(over, 'movement'))} ({percent(over / total)}) went further than "
            "planned, by any amount; those a little beyond the plan count as on target too, so 'too "
            "far' and 'on target' overlap."
        )
    table = audit.by_class.query("wrong_way > 0 and patients >= @FEW_PATIENTS")
    if len(table):
        top = first_row(table.sort_values("wrong_way", ascending=False, kind="stable"), 0)
        moved = round(top.wrong_way * top.movements)
        sentences.append(
            f"The largest share that went the other way is in {movement_name(top.movement)} of "
            f"{class_name(str(top.tooth_class))}: {count(moved)} of {count(top.movements)}, among "
            f"kinds of tooth with {FEW_PATIENTS} patients or more. Small "
            "plans go the wrong way easily, by measurement error alone; look at the larger ones."
        )
    return sentences


def unplanned(audit: Audit) -> list[str]:
    """Movements that happened where none was planned."""
    table = audit.unplanned[audit.unplanned["movements"] > 0]
    unseen = int(audit.unplanned["not_measured"].sum())
    if not len(table):
        return [
            "No row has a plan of zero with an achieved value, so movements that nobody planned "
            "(side effects, loss of anchorage) cannot be judged. Record a few teeth that were meant "
            "to stay where they were."
        ]
    rows = int(table["movements"].sum())
    beyond, _ = shares(table, "beyond_tolerance")
    sentences = [
        f"{capital(number_of(rows, 'movement'))} {was(rows)} not planned but measured; "
        f"{none_(beyond, capital_letter=False)} moved by more than "
        f"{tolerance_of(audit.tolerance, dict(table[['movement', 'unit']].astype(str).to_numpy()))}."
    ]
    if unseen:
        sentences.append(
            f"{capital(number_of(unseen, 'movement'))} with a plan of zero {was(unseen)} not measured "
            f"and {is_(unseen)} counted nowhere: not measured is not still."
        )
    sure = table[(table["low"] > 0) | (table["high"] < 0)]
    if len(sure):
        sentences.append(
            "On average these are away from zero (each looked at by itself; with many averages, "
            "one in twenty is so by chance):"
        )
    sentences += [
        f"{capital(class_name(str(row.tooth_class)))} moved on average by "
        f"{size(row.mean, row.unit)} ({_way(row.movement, row.mean, row.tooth_class)}; "
        f"{interval_words(audit.level)} {size_range(row.low, row.high, row.unit)}; "
        f"{number_of(row.patients, 'patient')})."
        for row in lines(sure)
    ]
    return sentences if len(sure) else [*sentences, "No average is clearly different from zero."]


def _way(movement: str, value: float, tooth_class: str = "") -> str:
    way = direction(value, movement, tooth_class)
    return f"{movement}, {way}" if way else movement


def tooth_chart(audit: Audit) -> list[str]:
    """Under the heading of the tooth chart."""
    if not len(audit.by_tooth):
        return ["There is no planned movement to draw."]
    few = int((audit.by_tooth["patients"] < FEW_PATIENTS).sum())
    marked = sum(int(audit.tooth_rates(m)["differs"].sum()) for m in audit.tooth_fits)
    said = [
        "Each tooth in its place, with the share of the plan it achieved. These are single teeth: "
        "small numbers, meant for finding what to look at, not for planning."
    ]
    if few:
        said[0] += (
            f" {capital(number_of(few, 'tooth', 'teeth'))} {verb(few, 'rest')} on "
            f"fewer than {FEW_PATIENTS} patients (counted once for each movement)."
        )
    if marked:
        said.append(
            f"{capital(number_of(marked, 'tooth', 'teeth'))} {is_(marked)} "
            "marked with a dagger (counted once for each movement): the rate as fitted, written "
            "under the chart, follows results far off. The chart shows a reading in which these "
            "weigh less, or a dash where they are half of the results or more."
        )
    return said


def measurement(audit: Audit) -> list[str]:
    """How well movements were measured."""
    table = audit.measurement
    if not len(table):
        return [
            f"{audit.measurement_reason} So it is not known how much of each difference is error "
            "of measurement. Measuring some 20 movements a second time, on another day, answers it."
        ]
    return error_words(table)


def roots(result: ApexDisplacement) -> list[str]:
    """The farthest apex by tooth and patient, what was assumed, and the caution; never without it."""
    lines = []
    table = result.table
    sure = table[table["apex_buccal"].notna() & table["torque_measured"].astype(bool)]
    if len(sure):
        farthest = sure.iloc[int(sure["apex_buccal"].abs().to_numpy().argmax())]
        way = "labially" if farthest["apex_buccal"] > 0 else "lingually"
        of = number_of(len(sure), "lower incisor")
        lines.append(
            f"Of {of} whose torque was measured, the apex that went farthest is "
            f"that of tooth {farthest['tooth']} of {farthest['patient']}: "
            f"{size(abs(farthest['apex_buccal']), 'mm')} {way}, computed from how the crown moved."
        )
    elif len(table):
        lines.append(
            f"Of {number_of(len(table), 'lower incisor')}, torque was measured in none, so how far "
            "an apex went is not known."
        )
    return [*lines, *result.notes, result.caution]
