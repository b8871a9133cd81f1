"""How much was achieved and how sure that is, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from outcomes.report.tables import NBSP, number, percent, range_words
from outcomes.report.words.english import (
    capital,
    class_name,
    equals,
    movement_name,
    number_of,
    points_of,
)
from outcomes.report.words.rows import first_row, lines

if TYPE_CHECKING:
    from outcomes.report.audit import Audit


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
    from outcomes.report.audit import FEW

    rates = audit.fits.rates
    half = (rates["high"] - rates["low"]) / 2
    widest = first_row(rates.loc[[half.idxmax()]], 0)
    patients = int(audit.planned["patient"].nunique())
    first = (
        f"The interval says how sure this is: another {number_of(patients, 'patient')} of the same "
        "practice would give other numbers, and the true rate lies within 95 of 100 such intervals."
    )
    few = audit.overall["patients"].min()
    caution = (
        f" With {number_of(few, 'patient')} the variation between patients is hardly known, and "
        "the interval may be too narrow."
        if few < FEW
        else ""
    )
    if len(rates) == 1:
        return (
            f"{first} Here the rate is known to within about "
            f"{number(100 * half.max(), 0)} percentage points.{caution}"
        )
    return (
        f"{first} It is widest for {movement_name(widest.movement)}, about ± "
        f"{number(100 * half.max(), 0)} percentage points.{caution}"
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
            row = first_row(fit.rates, 0)
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
            for row in lines(apart)
        ]
        sentences.append(f"{capital(movement_name(movement))}: {'; '.join(parts)}.")
    return [*sentences, *failed(audit.class_fits.failed)]


def directions(audit: Audit) -> list[str]:
    """Which directions differ within a movement, the larger rate first."""
    sentences = []
    for movement, fit in audit.direction_fits.items():
        if len(fit.rates) != 2:
            continue
        contrast = first_row(fit.contrasts(), 0)
        high, low = lines(fit.rates.sort_values("rate", ascending=False))
        bounds = (contrast.low, contrast.high)
        if contrast.a != high.group:
            bounds = (-contrast.high, -contrast.low)
        interval = range_words(100 * bounds[0], 100 * bounds[1], lambda v: number(v, 0))
        more = points_of(contrast.difference)
        more = f"{more} more" if more[0] != "0" else "no more in one than in the other"
        sentences.append(
            f"{capital(movement_name(movement))}: {high.group} {percent(high.rate)}, {low.group} "
            f"{percent(low.rate)}; {more} (95{NBSP}% interval {interval}; p {equals(contrast.p)})."
        )
    if not sentences:
        return ["No movement was planned in both directions, so directions cannot be compared."]
    return sentences


def forest_caption(audit: Audit) -> str:
    """Under the forest figure."""
    return (
        f"Achieved share of the plan with 95{NBSP}% intervals, by movement and kind of tooth. "
        f"100{NBSP}% would be all of the plan."
    )
