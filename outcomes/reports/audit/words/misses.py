"""What missed, went the other way or was not planned, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from outcomes.domain.limits import FEW_PATIENTS
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.names import class_name, movement_name, tolerance_of
from outcomes.reports.audit.words.summary import target_sentence
from outcomes.reports.common.rows import first_row, lines, shares
from outcomes.words.english import capital, is_, listed, none_, number_of, verb, was
from outcomes.words.numbers import count, interval_words, percent, size, size_range

if TYPE_CHECKING:
    from outcomes.reports.audit.results import Audit


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
        f"{size(row.mean, row.unit)} ({_way(row.movement, row.mean)}; "
        f"{interval_words(audit.level)} {size_range(row.low, row.high, row.unit)}; "
        f"{number_of(row.patients, 'patient')})."
        for row in lines(sure)
    ]
    return sentences if len(sure) else [*sentences, "No average is clearly different from zero."]


def _way(movement: str, value: float) -> str:
    known = MOVEMENTS.get(movement)
    if known is None:
        return movement
    return f"{movement}, {known.positive if value > 0 else known.negative}"


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
    known = table[table["dahlberg"].notna()]
    if not len(known):
        return ["The repeated readings are too few to say."]
    errors, changes, differences = (
        listed(
            size_range(rows[column].min(), rows[column].max(), unit)
            if len(rows) > 1
            else size(rows[column].iloc[0], unit)
            for unit, rows in ((str(u), known[known["unit"] == u]) for u in known["unit"].unique())
        )
        for column in ("dahlberg", "smallest_detectable_change", "smallest_detectable_difference")
    )
    return [
        f"A single reading carries an error of {errors} (Dahlberg, from "
        f"{number_of(known['pairs'].sum(), 'pair')} of readings). A movement smaller than "
        f"{changes}, depending on the movement, may be error of measurement alone; two movements "
        f"that differ by less than {differences} cannot be told apart."
    ]
