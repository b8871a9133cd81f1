"""The results of a case series in words, from what was found.

Every number is quoted from a table cell. What an interval does not support is not said: a change
whose interval holds zero was "not shown", and no movement is called absent without a test.
"""

from __future__ import annotations

from typing import Any

from outcomes.domain.limits import FEW_PATIENTS
from outcomes.domain.names import class_name, movement_name
from outcomes.reports.common.rows import standing_out
from outcomes.reports.series.cells import Tables
from outcomes.reports.series.results import Series
from outcomes.reports.series.sentences import Paragraph, Sentence, counted, joined, phrase, were
from outcomes.reports.series.words.bite import bite, of_patients
from outcomes.reports.series.words.measures import measures
from outcomes.reports.series.words.methods import kinds_tested, zero_tested
from outcomes.reports.series.words.source import RATE, Source
from outcomes.words.units import unit_mark


def results(series: Series, tables: Tables) -> list[Paragraph]:
    """What was found, for the results of a paper; sections without anything are left out."""
    source = Source(series, tables)
    sections = [
        ("Patients and treatment", _patients(source)),
        ("Achieved movement", [*_rates(source), *_described(source), *_kinds(source)]),
        ("Before and after", measures(source)),
        ("Movements that were not planned", _unplanned(source)),
        ("What changed the overbite", bite(source)),
        ("Measurement error", _error(source)),
    ]
    return [Paragraph(title, tuple(sentences)) for title, sentences in sections if sentences]


def _patients(s: Source) -> list[Sentence]:
    planned = s.value("patients", "planned")
    return [
        _one_patient(s) if s.one else _many_patients(s),
        s.say(
            "{planned} of {teeth} {were} analysed{courses}.",
            planned=counted(planned, "planned movement"),
            teeth=counted(s.value("patients", "teeth"), "tooth", "teeth"),
            were=were(planned),
            courses=_courses(s),
        ),
    ]


def _one_patient(s: Source) -> Sentence:
    known = {"age": "aged {age} years", "sex": "{sex}", "malocclusion": "with {malocclusion}"}
    facts = {key: s.value("patients", key) for key in known if key in s.tables["patients"]}
    said = ", ".join(known[key] for key in facts)
    return s.say(
        f"One patient was treated{': ' if facts else ''}{said}.",
        **facts,
        n=s.value("patients", "patients"),
    )


def _many_patients(s: Source) -> Sentence:
    table = s.tables["patients"]
    facts = []
    if "age median" in table:
        facts.append(phrase("median age {x} years", x=s.value("patients", "age median")))
    facts += [
        phrase("{x} with {kind}", x=s.value("patients", line.key), kind=_level(line.key))
        for line in table.rows
        if line.key.startswith("malocclusion ") and not line.heading
    ]
    return s.say(
        "The series holds {patients}{facts} ({label patients}).",
        facts=phrase(", {x}", x=joined(facts)) if facts else "",
    )


def _level(key: str) -> str:
    return "malocclusion not recorded" if key.endswith(" blank") else key.split(" ", 1)[1]


def _courses(s: Source) -> Sentence | str:
    table = s.tables["patients"]
    if "courses median" in table:
        middle = s.value("patients", "courses median")
        return phrase(" in a median of {x} courses of aligners for each patient", x=middle)
    if "courses" not in table:
        return ""
    n = s.value("patients", "courses")
    return phrase(" in {x}", x=counted(n, "course of aligners", "courses of aligners"))


def _rates(s: Source) -> list[Sentence]:
    if "rates" not in s:
        return []
    rates = s.series.fits.rates.sort_values("rate", ascending=False)
    names = rates["movement"].astype(str)
    parts = [
        s.line("rates", f"{movement} all").phrase(
            f"{RATE} of {movement_name(movement)} ({{setting level}} interval {{interval}})"
        )
        for movement in names
    ]
    said = "Of the planned movement, the model gives as achieved {parts} ({label rates})."
    sentences = [s.say(said, parts=joined(parts))]
    full = names[rates["high"] >= 1]
    if not len(full):
        which = "Every interval lies" if len(rates) > 1 else "The interval lies"
        sentences.append(Sentence(f"{which} below the full plan."))
    elif len(full) < len(rates):
        reach = joined(map(movement_name, full))
        sentences.append(s.say("The interval reaches the full plan for {names}.", names=reach))
    if (rates["patients"] < FEW_PATIENTS).any():
        few = "Rates of fewer than {setting few} patients are described, but too few to lean on."
        sentences.append(s.say(few))
    return sentences


def _described(s: Source) -> list[Sentence]:
    if "achievement" not in s:
        return []
    parts = [
        s.line("achievement", f"{movement} all").phrase(
            f"{{On target}} of {{Movements}} for {movement_name(movement)}"
        )
        for movement in s.series.overall["movement"].astype(str)
    ]
    said = "Within {tolerance} of the plan ended {parts} ({label achievement})."
    sentences = [s.say(said, parts=joined(parts))]
    if "rates" not in s:
        said = "Added up over teeth, {parts} was achieved; other patients may differ by any amount."
        sentences.append(s.say(said, parts=joined(s.pooled())))
    return sentences


def _kinds(s: Source) -> list[Sentence]:
    if "contrasts" not in s:
        return []
    found = standing_out(s.series.contrasts)
    if not kinds_tested(s):
        said = "Kinds of tooth were not compared by a test, as too few patients had two of them"
    elif not len(found):
        said = "No difference between kinds of tooth was shown after adjustment"
    else:
        said = "After adjustment, {parts}"
    parts = joined(_contrast(s, line) for line in found.to_dict("records"))
    return [s.say(f"{said} ({{label contrasts}}).", parts=parts)]


def _contrast(s: Source, line: dict[Any, Any]) -> Sentence:
    key = f"{line['movement']} {line['a']} {line['b']}"
    return s.line("contrasts", key).phrase(
        "{less} of the planned {name} was achieved in {a} than in {b} (difference {Points} "
        "percentage points, interval {interval}, adjusted p {equals})",
        name=movement_name(str(line["movement"])),
        a=class_name(str(line["a"])),
        b=class_name(str(line["b"])),
        less="less" if line["difference"] < 0 else "more",
        equals=s.p("contrasts", key, "p, adjusted"),
    )


def _unplanned(s: Source) -> list[Sentence]:
    if "unplanned" not in s:
        return []
    total = s.ref("unplanned", "movements", "Movements")
    sentences = [
        s.say(
            "{n} with a plan of zero {were} measured{others} ({label unplanned}).",
            n=counted(total, "movement"),
            were=were(total),
            others=_not_measured(s.ref("unplanned", "not measured", "Movements")),
        )
    ]
    if zero_tested(s):
        equal = s.ref("unplanned", "equivalent", "Movements")
        groups = s.ref("unplanned", "groups", "Movements")
        of = "of movement and kind of tooth"
        sentences.append(
            s.say(
                "Of {groups} in which {setting equivalence patients} patients or more and "
                "{setting equivalence share} of these movements or more were measured, the mean was "
                "shown to lie within ± {tolerance} in {equal}{which}; elsewhere that was not shown, "
                "which is not the same as a movement.",
                groups=counted(groups, f"group {of}", f"groups {of}"),
                equal={"0": "none", "1": "one"}.get(equal.text, equal),
                kept=equal,
                which=_equivalent(s),
            )
        )
    return sentences


def _not_measured(unseen: Any) -> Sentence | str:
    if unseen.text == "0":
        return ""
    words = "one was" if unseen.text == "1" else f"{unseen.text} were"
    return Sentence(f", {words} not", (unseen,))


def _equivalent(s: Source) -> Sentence | str:
    """Which groups were shown to lie within the limits, and in how many of the patients."""
    table = s.series.unplanned
    shown = table.loc[table["equivalent"].fillna(False), ["movement", "tooth_class"]].astype(str)
    parts = [
        phrase(
            f"{movement_name(movement)} of {class_name(teeth)} in {{who}}",
            who=of_patients(s.ref("unplanned", f"{movement} {teeth}", "Patients")),
        )
        for movement, teeth in shown.itertuples(index=False)
    ]
    return phrase(" ({parts})", parts=joined(parts)) if parts else ""


def _error(s: Source) -> list[Sentence]:
    if "measurement" not in s:
        return []
    parts = []
    for line in s.tables["measurement"].rows:
        unit = unit_mark("degree" if line.cells[0].text.endswith("°") else "mm")
        words = f"{{Dahlberg's error}}{unit} for {movement_name(line.key.split(' ')[0])}"
        parts.append(s.line("measurement", line.key).phrase(words))
    return [s.say("Dahlberg's error was {parts} ({label measurement}).", parts=joined(parts))]
