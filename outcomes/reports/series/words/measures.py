"""Measures before and after in words; never more than an interval supports."""

from __future__ import annotations

from typing import Any

import pandas as pd

from outcomes.domain.names import measure_name
from outcomes.reports.series.cells import Tables
from outcomes.reports.series.results import Series
from outcomes.reports.series.sentences import Sentence, counted, phrase
from outcomes.reports.series.tables import line_key, lines_of, target_notes
from outcomes.reports.series.words.source import Source
from outcomes.words.english import was
from outcomes.words.units import unit_mark

WORSE_WHEN = {
    "recession": 1,
    "probing_depth": 1,
    "crowding": 1,
    "keratinised_tissue": -1,
    "apex_to_plate": -1,
}
"""Measures of which more (1) or less (−1) is worse, whatever the target."""


def measures(s: Source) -> list[Sentence]:
    """A sentence for each measure and group; the table with the first."""
    if "before_after" not in s:
        return []
    first, *rest = (
        measure_sentence(s.series, s.tables, line, group) for line, group in lines_of(s.series)
    )
    label = s.tables["before_after"].label
    return [Sentence(f"{first.text.removesuffix('.')} ({label}).", first.refs), *rest]


def measure_sentence(series: Series, tables: Tables, line: dict[str, Any], group: str) -> Sentence:
    """One measure of one group before and after; never more than its interval supports.

    ``line`` is a row of `BeforeAfter.table`, ``group`` its group of patients; "" for all.
    """
    here = Source(series, tables).line("before_after", line_key(line, group))
    patients = counted(here["Patients"], "patient")
    said: dict[str, Any] = {
        "unit": unit_mark(line["unit"]),
        "name": measure_name(str(line["measure"])),
        "who": f" in {group} cases" if group and not here.one else "",
        "target": _target(here, line),
    }
    if int(line["patients"]) == 1:
        if not here.one:
            said["who"] = f" in one {group} case" if group else " in one patient"
        return here.say(
            "{name} was {start}{unit} at the start and at the last scan{who}{target}."
            if here["start"].text == here["end"].text
            else "{name} went from {start} to {end}{unit}{who}{target}.",
            **said,
            n=here["Patients"],
            kept=here["end"],
        )
    if pd.isna(line["low"]):
        return here.say(
            "{name} went from {start} to {end}{unit}{who} (means of {n}); no interval can be given"
            "{target}.",
            **said,
            n=patients,
        )
    said["numbers"] = here.phrase(
        "difference {Difference}{unit}, {setting level} interval {interval}, p {equals}, {n}",
        unit=said["unit"],
        equals=here.p("before_after", line_key(line, group)),
        n=patients,
    )
    if not shows_change(line):
        return here.say(
            "no change of {name} was shown{who} (from {start} to {end}{unit}; {numbers}){inside}"
            "{target}.",
            **said,
            inside=_inside_tolerance(here, line),
        )
    return here.say(
        "{name} {verb}{who} from {start} to {end}{unit} ({numbers}){worse}{target}.",
        **said,
        verb="rose" if line["difference"] > 0 else "fell",
        worse=_worse(line),
    )


def shows_change(line: dict[str, Any]) -> bool:
    """Whether the interval of a change excludes zero."""
    return bool(pd.notna(line["low"]) and not line["low"] <= 0 <= line["high"])


def _inside_tolerance(s: Source, line: dict[str, Any]) -> Sentence | str:
    limit = s.series.tolerance.get(str(line["unit"]))
    if limit is None or not (-limit < line["low"] and line["high"] < limit):
        return ""
    return phrase(
        "; the interval leaves no room for a mean change of {size} or more",
        size=s.tolerance({str(line["unit"])}),
    )


def _worse(line: dict[str, Any]) -> str:
    """Whether a change that was shown is for the worse."""
    if line["with_target"]:
        further = line["distance"] > line["distance_at_start"]
        return ", further from the target than at the start on average" if further else ""
    sign = WORSE_WHEN.get(str(line["measure"]))
    if sign is None:
        return ""
    return ", which is for the worse" if sign * line["difference"] > 0 else ", for the better"


def _target(here: Source, line: dict[str, Any]) -> Sentence | str:
    if not line["with_target"] or line["unit"] not in here.series.tolerance:
        return ""
    start, end = here["On target, start"], here["On target, end"]
    if line["with_target"] == 1:
        lost = ", though it was at the start" if line["met_at_start"] and not line["met"] else ""
        return Sentence(
            f"; the target was {'met' if line['met'] else 'not met'} at the last scan{lost}", (end,)
        )
    own = ""
    if str(line["measure"]) == "open_bite" and target_notes(here.series):
        own = " (its target is not that of overbite)"
    fewer = ", so fewer at the end" if line["met"] < line["met_at_start"] else ""
    now, before = (cell.text.replace("/", " of ") for cell in (end, start))
    return Sentence(
        f"; {now} patients {was(line['met'])} on target{own} at the last scan, {before} at the "
        f"start{fewer}",
        (start, end),
    )


def worsened(line: dict[str, Any]) -> str:
    """In what way a measure was worse at the end than at the start; nothing where it was not.

    A mean change counts only where its interval excludes zero; fewer patients on target always do.
    """
    found = []
    if line["with_target"] and line["met"] < line["met_at_start"]:
        found.append(
            "on target at the start, not at the end"
            if line["with_target"] == 1
            else "fewer on target at the end than at the start"
        )
    if shows_change(line):
        if line["with_target"]:
            if line["distance"] > line["distance_at_start"]:
                found.append("further from the target on average")
        elif WORSE_WHEN.get(str(line["measure"]), 0) * line["difference"] > 0:
            found.append("worse on average")
    return ", ".join(found)


def short_change(s: Source, line: dict[str, Any], group: str) -> Sentence:
    """A change that was shown, for a poster."""
    change = "{Difference}{unit} ({interval})"
    return _short(s, line, group, change, "; on target {before}\u00a0→\u00a0{now}")


def short_worse(s: Source, line: dict[str, Any], group: str) -> Sentence:
    """A measure that was worse at the end, for a poster."""
    return _short(s, line, group, worsened(line), " ({before}\u00a0→\u00a0{now})")


def _short(s: Source, line: dict[str, Any], group: str, what: str, targets: str) -> Sentence:
    """What became of a measure of a group, and of its targets where there are any."""
    here = s.line("before_after", line_key(line, group))
    before = here["On target, start"]
    return here.say(
        f"{{name}}{{who}}: {what}{targets if before.text != '–' else ''}.",
        name=measure_name(str(line["measure"])),
        who=f", {group}" if group else "",
        unit=unit_mark(line["unit"]),
        before=before,
        now=here["On target, end"],
    )
