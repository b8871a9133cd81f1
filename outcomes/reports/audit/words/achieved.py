"""How much was achieved and how sure that is, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes.domain.limits import FEW_PATIENTS
from outcomes.domain.names import class_name, heading, movement_name
from outcomes.rates.intervals import holm
from outcomes.reports.common import missing, robust
from outcomes.reports.common.rows import STANDS_OUT, first_row, lines
from outcomes.words.english import SAYS_NOTHING, capital, equals, listed, number_of, points_of
from outcomes.words.numbers import (
    bare_percent,
    interval_words,
    percent,
    range_words,
)

if TYPE_CHECKING:
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
    few = audit.overall["patients"].min()
    caution = (
        f" With {number_of(few, 'patient')} the variation between patients is hardly known, and "
        "the interval may be too narrow."
        if few < FEW_PATIENTS
        else ""
    )
    how = (
        "Here the rate is known to within about"
        if len(rates) == 1
        else f"It is widest for {movement_name(widest.movement)}, about ±"
    )
    return f"{first} {how} {bare_percent(half.max())} percentage points.{caution}"


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
    if not sentences:
        return ["No movement was planned in both directions, so directions cannot be compared."]
    return sentences


def _few_directions(rates: pd.DataFrame) -> str:
    """``intrusion rests on 3 patients only``, for each direction that rests on few."""
    few = rates[rates["patients"] < FEW_PATIENTS]
    parts = (
        f"{row.group} rests on {number_of(row.patients, 'patient')} only" for row in lines(few)
    )
    return listed(parts)


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
