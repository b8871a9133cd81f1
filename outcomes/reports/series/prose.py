"""Methods and results of a case series in words, from what was done and found.

Every number is quoted from a table cell. What an interval does not support is not said: a change
whose interval holds zero was "not shown", and no movement is called absent without a test.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from outcomes.domain.movements import FEW_PATIENTS
from outcomes.domain.names import class_name, measure_name, movement_name
from outcomes.reports.series.sentences import Paragraph, Sentence, counted, joined, say
from outcomes.reports.series.sharing import enough
from outcomes.reports.series.supplement import BITE_TEETH, bite_way
from outcomes.reports.series.tables import Tables, lines_of, target_notes
from outcomes.reports.table import NOT_MEASURED
from outcomes.words.english import capital

if TYPE_CHECKING:
    from outcomes.reports.series.results import Series

__all__ = ["limitations", "measure_sentence", "methods", "results", "summary", "worsened"]

WORSE_WHEN = {
    "recession": 1,
    "probing_depth": 1,
    "crowding": 1,
    "keratinised_tissue": -1,
    "apex_to_plate": -1,
}
"""Measures of which more (1) or less (−1) is worse, whatever the target."""


class _Source:
    """Short ways to the cells of the tables of one series."""

    def __init__(self, series: Series, tables: Tables) -> None:
        self.series, self.tables = series, tables
        self.one = len(series.patients) == 1

    def __contains__(self, short: str) -> bool:
        return short in self.tables

    def ref(self, short: str, key: str, column: str) -> Any:
        return self.tables[short].ref(key, column)

    def value(self, short: str, key: str) -> Any:
        """A cell of a table of two columns."""
        table = self.tables[short]
        return table.ref(key, table.columns[1])

    def setting(self, key: str) -> Any:
        return self.value("settings", key)

    def cite(self, *names: str) -> Sentence:
        numbers = [self.ref("references", name, "No.") for name in names]
        return Sentence(f"[{', '.join(map(str, numbers))}]", tuple(numbers))

    def label(self, short: str) -> str:
        return self.tables[short].label

    def interval_column(self, short: str) -> str:
        return next(c for c in self.tables[short].columns if c.endswith("interval"))

    def tolerance(self, units: set[str] | None = None) -> Sentence:
        """``0.5 mm or 2°``, of the units at hand."""
        used = units if units is not None else set(self.series.cohort.movements["unit"])
        parts = []
        for unit, mark in (("mm", "\u00a0mm"), ("degree", "°")):
            if unit in used and unit in self.series.tolerance:
                cell = self.setting(f"tolerance {unit}")
                parts.append(Sentence(f"{cell}{mark}", (cell,)))
        return joined(parts, "or")


def methods(series: Series, tables: Tables) -> list[Paragraph]:
    """What was done, in the past tense, for the methods of a paper.

    Parameters
    ----------
    series
        From `outcomes.reports.series.results.run_series`.
    tables
        From `outcomes.reports.series.tables.manuscript_tables`.
    """
    source = _Source(series, tables)
    return [
        Paragraph("Design and patients", tuple(_design(source))),
        Paragraph("Records and outcomes", tuple(_outcomes(source))),
        Paragraph("Statistical analysis", tuple(_statistics(source))),
    ]


def _design(s: _Source) -> list[Sentence]:
    n = s.value("patients", "patients")
    if s.one:
        first = say("This is a report of {n}, treated with aligners.", n=counted(n, "patient"))
    else:
        first = say(
            "This is a retrospective series of {n} treated with aligners; nobody was allocated at "
            "random and there was no control group.",
            n=counted(n, "patient"),
        )
    sentences = [first]
    if s.series.cohort.invented:
        sentences.append(
            Sentence("The data are invented for demonstration and are evidence of nothing.")
        )
    sentences.append(_records_sentence(s))
    return sentences


def _records_sentence(s: _Source) -> Sentence:
    read = s.ref("records", "movements read", "Rows")
    left = s.ref("records", "movements excluded", "Rows")
    if left.text == "0":
        return say(
            "Of {read} that were read, none was left out ({table}).",
            read=counted(read, "row of movements", "rows of movements"),
            table=s.label("records"),
        )
    ledger = s.series.cohort.ledger
    parts = []
    for place, line in enumerate(ledger.to_dict("records")):
        if line["table"] != "movements" or line["step"] != "excluded":
            continue
        key = f"movements excluded {place}"
        rows, people = (s.ref("records", key, column) for column in ("Rows", "Patients"))
        parts.append(
            say(
                "{rows} in {people}: {why}",
                rows=counted(rows, "row"),
                people=counted(people, "patient"),
                why=str(line["reason"]),
            )
        )
    return say(
        "Of {read} that were read, {left} {were} left out ({why}; {table}).",
        read=counted(read, "row of movements", "rows of movements"),
        left="one" if left.text == "1" else left,
        were="was" if left.text == "1" else "were",
        why=joined([Sentence(p.text[:1].lower() + p.text[1:], p.refs) for p in parts]),
        table=s.label("records"),
        kept=left,
    )


def _outcomes(s: _Source) -> list[Sentence]:
    sentences = [
        Sentence(
            "For each tooth and course, the movement that was planned was compared with the "
            "movement on the scan at the end of the course, along the same axis and from the same "
            "starting position."
        ),
        say(
            "A difference of {size} was taken as clinically relevant {cite}.",
            size=s.tolerance(),
            cite=s.cite("tolerance"),
        ),
    ]
    if "unplanned" in s:
        sentences.append(
            Sentence(
                "Teeth that were meant to stay (a plan of zero) were kept apart and entered no rate."
            )
        )
    if "measurement" in s:
        sentences.append(
            say(
                "Measurement error was assessed from repeated readings by Dahlberg's error {one}, "
                "bias and limits of agreement {two}.",
                one=s.cite("dahlberg"),
                two=s.cite("agreement"),
            )
        )
    else:
        sentences.append(
            Sentence("No reading was repeated, so the measurement error is not known.")
        )
    if "before_after" in s:
        sentences.append(
            Sentence("Measures were compared between the start and the last scan after a course.")
        )
    return sentences


def _statistics(s: _Source) -> list[Sentence]:
    sentences = []
    level = s.setting("level")
    if "rates" in s:
        sentences.append(
            say(
                "For each movement, achieved movement was modelled as rate × planned, without "
                "intercept, with random deviations of the rate for each patient and each tooth "
                "within a patient, by restricted maximum likelihood {fit}; intervals are {level} t "
                "intervals on Satterthwaite degrees of freedom {df}.",
                fit=s.cite("fit"),
                level=level,
                df=s.cite("df"),
            )
        )
    elif s.one:
        sentences.append(
            Sentence(
                "With one patient nothing can be said about other patients: no model was fitted "
                "and no interval is given; the movements are described."
            )
        )
    else:
        sentences.append(Sentence("No rate model could be fitted; the movements are described."))
    if _kinds_tested(s):
        sentences.append(
            say(
                "Kinds of tooth were compared within each movement by t tests with cluster-robust "
                "(CR2) standard errors, patients as clusters {robust}, with p values adjusted by "
                "Holm's method.",
                robust=s.cite("robust"),
            )
        )
    if "before_after" in s and not s.one:
        sentences.append(
            say(
                "Measures before and after were compared by paired t ({level} intervals), with the "
                "signed rank test beside it; patients were the unit, and p values were not adjusted "
                "for the number of measures.",
                level=level,
            )
        )
    if "unplanned" in s and _tested(s):
        sentences.append(
            say(
                "Movements with a plan of zero were tested for equivalence to zero within ± {size} by "
                "two one-sided tests {cite} on the mean of a mixed model with patients as clusters.",
                size=s.tolerance(),
                cite=s.cite("equivalence"),
            )
        )
    if "bite" in s:
        low_high = s.setting("lever range")
        sentences.append(
            say(
                "The change of overbite was taken apart into movement of the upper and lower "
                "incisors and of the molars, with {lever} of overbite per mm of molar intrusion "
                "(range {range}) {cite}.",
                lever=say("{x}\u00a0mm", x=s.setting("lever")),
                range=low_high,
                cite=s.cite("lever"),
            )
        )
    sentences.append(_software(s))
    return sentences


def _tested(s: _Source) -> bool:
    return (
        "groups" in s.tables["unplanned"] and s.ref("unplanned", "groups", "Movements").text != "0"
    )


def _software(s: _Source) -> Sentence:
    packages = [
        say("{name} {version}", name=name, version=s.setting(f"software {name}"))
        for name in ("numpy", "scipy", "pandas", "statsmodels", "pingouin")
    ]
    lower = [Sentence(p.text[:1].lower() + p.text[1:], p.refs) for p in packages]
    return say(
        "Computed with outcomes {own} in Python {python} ({packages}); settings and the hash of the "
        "input are in {table}.",
        own=s.setting("software outcomes"),
        python=s.setting("software python"),
        packages=joined(lower),
        table=s.label("settings"),
    )


def results(series: Series, tables: Tables) -> list[Paragraph]:
    """What was found, for the results of a paper; sections without anything are left out."""
    source = _Source(series, tables)
    sections = [
        ("Patients and treatment", _patients(source)),
        ("Achieved movement", [*_rates(source), *_described(source), *_kinds(source)]),
        ("Before and after", _measures(source)),
        ("Movements that were not planned", _unplanned(source)),
        ("What changed the overbite", _bite(source)),
        ("Measurement error", _error(source)),
    ]
    return [Paragraph(title, tuple(sentences)) for title, sentences in sections if sentences]


def _patients(s: _Source) -> list[Sentence]:
    table = s.tables["patients"]
    n = s.value("patients", "patients")
    sentences = []
    if s.one:
        facts = []
        for key, words in (("age", "aged {x} years"), ("sex", "{x}"), ("malocclusion", "with {x}")):
            if key in table:
                cell = s.value("patients", key)
                facts.append(Sentence(words.format(x=cell.text), (cell,)))
        if facts:
            sentences.append(say("One patient was treated: {facts}.", facts=joined(facts, ", ")))
            text = sentences[0].text.replace(" ,  ", ", ")
            sentences = [Sentence(text, (*sentences[0].refs, n))]
        else:
            sentences.append(say("One patient was treated.", n=n))
    else:
        facts = []
        if "age median" in table:
            facts.append(say("median age {x} years", x=s.value("patients", "age median")))
        if "malocclusion" in table:
            facts += [
                say("{x} with {kind}", x=s.value("patients", line.key), kind=_level(line.key))
                for line in table.rows
                if line.key.startswith("malocclusion ") and not line.heading
            ]
        lower = [Sentence(f.text[:1].lower() + f.text[1:], f.refs) for f in facts]
        sentences.append(
            say(
                "The series holds {n}{facts} ({table}).",
                n=counted(n, "patient"),
                facts=say(", {x}", x=joined(lower)) if lower else "",
                table=table.label,
            )
        )
    teeth, planned = s.value("patients", "teeth"), s.value("patients", "planned")
    courses = next((k for k in ("courses median", "courses") if k in table), None)
    tail: Sentence | str = ""
    if courses:
        cell = s.value("patients", courses)
        if courses == "courses":
            tail = say(" in {x}", x=counted(cell, "course of aligners", "courses of aligners"))
            tail = Sentence(f" {tail.text.strip()}", tail.refs)
        else:
            tail = Sentence(
                f" in a median of {cell.text} courses of aligners for each patient", (cell,)
            )
    sentences.append(
        say(
            "{planned} of {teeth} {were} analysed{tail}.",
            planned=counted(planned, "planned movement"),
            teeth=counted(teeth, "tooth", "teeth"),
            were="was" if planned.text == "1" else "were",
            tail=tail,
        )
    )
    return sentences


def _level(key: str) -> str:
    return "malocclusion not recorded" if key.endswith(" blank") else key.split(" ", 1)[1]


def _rates(s: _Source) -> list[Sentence]:
    if "rates" not in s:
        return []
    rates = s.series.fits.rates.sort_values("rate", ascending=False)
    column = s.interval_column("rates")
    parts = []
    for line in rates.to_dict("records"):
        key = f"{line['movement']} all"
        parts.append(
            say(
                "{rate}\u00a0% of {name} ({level} interval {interval})",
                rate=s.ref("rates", key, "Rate, %"),
                name=movement_name(str(line["movement"])),
                level=s.setting("level"),
                interval=s.ref("rates", key, column),
            )
        )
    sentences = [
        say(
            "Of the planned movement, the model gives as achieved {parts} ({table}).",
            parts=joined(parts),
            table=s.label("rates"),
        )
    ]
    short = rates[rates["high"] < 1]
    if len(short) == len(rates):
        sentences.append(
            Sentence(
                "Every interval lies below the full plan."
                if len(rates) > 1
                else "The interval lies below the full plan."
            )
        )
    elif len(short):
        full = [movement_name(str(m)) for m in rates.loc[rates["high"] >= 1, "movement"]]
        names = joined(full)
        sentences.append(say("The interval reaches the full plan for {names}.", names=names))
    few = rates[rates["patients"] < FEW_PATIENTS]
    if len(few):
        sentences.append(
            say(
                "Rates of fewer than {few} patients are described, but too few to lean on.",
                few=s.setting("few"),
            )
        )
    return sentences


def _described(s: _Source) -> list[Sentence]:
    if "achievement" not in s:
        return []
    parts = []
    for movement in s.series.overall["movement"].astype(str):
        key = f"{movement} all"
        parts.append(
            say(
                "{hit} of {n} for {name}",
                hit=s.ref("achievement", key, "On target"),
                n=s.ref("achievement", key, "Movements"),
                name=movement_name(movement),
            )
        )
    sentences = [
        say(
            "Within {size} of the plan ended {parts} ({table}).",
            size=s.tolerance(),
            parts=joined(parts),
            table=s.label("achievement"),
        )
    ]
    if "rates" not in s:
        pooled = [
            say(
                "{rate}\u00a0% of {name}",
                rate=s.ref("achievement", f"{m} all", "Pooled rate, %"),
                name=movement_name(m),
            )
            for m in s.series.overall["movement"].astype(str)
        ]
        sentences.append(
            say(
                "Added up over teeth, {parts} was achieved; other patients may differ by any amount.",
                parts=joined(pooled),
            )
        )
    return sentences


def _kinds_tested(s: _Source) -> bool:
    return "contrasts" in s and bool(s.series.contrasts["p_holm"].notna().any())


def _kinds(s: _Source) -> list[Sentence]:
    if "contrasts" not in s:
        return []
    table = s.series.contrasts
    if not _kinds_tested(s):
        return [
            say(
                "Kinds of tooth were not compared by a test, as too few patients had two of them "
                "({table}).",
                table=s.label("contrasts"),
            )
        ]
    found = table[table["p_holm"] < 0.05].sort_values("p_holm")
    if not len(found):
        return [
            say(
                "No difference between kinds of tooth was shown after adjustment ({table}).",
                table=s.label("contrasts"),
            )
        ]
    column = s.interval_column("contrasts")
    parts = []
    for line in found.to_dict("records"):
        key = f"{line['movement']} {line['a']} {line['b']}"
        parts.append(
            say(
                "{less} of the planned {name} was achieved in {a} than in {b} (difference {x} "
                "percentage points, interval {low}, adjusted p {p})",
                name=movement_name(str(line["movement"])),
                a=class_name(str(line["a"])),
                b=class_name(str(line["b"])),
                less="less" if line["difference"] < 0 else "more",
                x=s.ref("contrasts", key, "Points"),
                low=s.ref("contrasts", key, column),
                p=_p(s.ref("contrasts", key, "p, adjusted")),
            )
        )
    return [
        say(
            "After adjustment, {parts} ({table}).",
            parts=joined([Sentence(p.text[:1].lower() + p.text[1:], p.refs) for p in parts]),
            table=s.label("contrasts"),
        )
    ]


def _p(ref: Any) -> Sentence:
    return Sentence(ref.text if ref.text.startswith("<") else f"= {ref.text}", (ref,))


def _measures(s: _Source) -> list[Sentence]:
    if "before_after" not in s:
        return []
    sentences = [
        measure_sentence(s.series, s.tables, line, group) for line, group in lines_of(s.series)
    ]
    sentences[0] = Sentence(
        sentences[0].text.removesuffix(".") + f" ({s.label('before_after')}).", sentences[0].refs
    )
    return sentences


def measure_sentence(series: Series, tables: Tables, line: dict[str, Any], group: str) -> Sentence:
    """One measure of one group before and after; never more than its interval supports.

    Parameters
    ----------
    series, tables
        As for ``results``.
    line
        A row of `BeforeAfter.table`.
    group
        The group of patients; "" for all.
    """
    s = _Source(series, tables)
    key = f"{line['measure']} {group or 'all'}"
    start, end = (c for c in tables["before_after"].columns if c.startswith(("Start", "End")))
    unit = {"mm": "\u00a0mm", "degree": "°"}.get(str(line["unit"]), "")

    def cell(column: str) -> Any:
        return s.ref("before_after", key, column)

    n = cell("Patients")
    name = measure_name(str(line["measure"]))
    who = f" in {group} cases" if group and not s.one else ""
    both = {"start": cell(start), "end": cell(end), "unit": unit, "name": name, "who": who}
    target = _target_phrase(s, line, cell)
    if int(line["patients"]) == 1:
        where = "" if s.one else f" in one {group} case" if group else " in one patient"
        both["who"] = ""
        same = both["start"].text == both["end"].text
        return say(
            "{name} was {start}{unit} at the start and at the last scan{who}{where}{target}."
            if same
            else "{name} went from {start} to {end}{unit}{who}{where}{target}.",
            **both,
            where=where,
            target=target,
            n=n,
        )
    if pd.isna(line["low"]):
        return say(
            "{name} went from {start} to {end}{unit}{who} (means of {n}); no interval can be given"
            "{target}.",
            **both,
            n=counted(n, "patient"),
            target=target,
        )
    column = s.interval_column("before_after")
    numbers = say(
        "difference {d}{unit}, {level} interval {interval}, p {p}, {n}",
        d=cell("Difference"),
        unit=unit,
        level=s.setting("level"),
        interval=cell(column),
        p=_p(cell("p")),
        n=counted(n, "patient"),
    )
    numbers = Sentence(numbers.text[:1].lower() + numbers.text[1:], numbers.refs)
    if line["low"] <= 0 <= line["high"]:
        inside = _inside_tolerance(s, line)
        return say(
            "no change of {name} was shown{who} (from {start} to {end}{unit}; {numbers}){inside}"
            "{target}.",
            **both,
            numbers=numbers,
            inside=inside,
            target=target,
        )
    return say(
        "{name} {verb}{who} from {start} to {end}{unit} ({numbers}){worse}{target}.",
        **both,
        verb="rose" if line["difference"] > 0 else "fell",
        numbers=numbers,
        worse=_worse(line),
        target=target,
    )


def _inside_tolerance(s: _Source, line: dict[str, Any]) -> Sentence | str:
    limit = s.series.tolerance.get(str(line["unit"]))
    if limit is None or not (-limit < line["low"] and line["high"] < limit):
        return ""
    size = s.tolerance({str(line["unit"])})
    return Sentence(
        f"; the interval leaves no room for a mean change of {size.text} or more", size.refs
    )


def _worse(line: dict[str, Any]) -> str:
    """Whether a change that was shown is for the worse."""
    if line["with_target"]:
        if line["distance"] > line["distance_at_start"]:
            return ", further from the target than at the start on average"
        return ""
    sign = WORSE_WHEN.get(str(line["measure"]))
    if sign is None:
        return ""
    return ", which is for the worse" if sign * line["difference"] > 0 else ", for the better"


def _target_phrase(s: _Source, line: dict[str, Any], cell: Any) -> Sentence | str:
    if not line["with_target"] or line["unit"] not in s.series.tolerance:
        return ""
    start, end = cell("On target, start"), cell("On target, end")
    if line["with_target"] == 1:
        lost = ", though it was at the start" if line["met_at_start"] and not line["met"] else ""
        return Sentence(
            f"; the target was {'met' if line['met'] else 'not met'} at the last scan{lost}", (end,)
        )
    own = ""
    if str(line["measure"]) == "open_bite" and target_notes(s.series):
        own = " (its target is not that of overbite)"
    fewer = ", so fewer at the end" if line["met"] < line["met_at_start"] else ""
    were = "was" if line["met"] == 1 else "were"
    return Sentence(
        f"; {end.text.replace('/', ' of ')} patients {were} on target{own} at the last scan, "
        f"{start.text.replace('/', ' of ')} at the start{fewer}",
        (start, end),
    )


def _unplanned(s: _Source) -> list[Sentence]:
    if "unplanned" not in s:
        return []
    total = s.ref("unplanned", "movements", "Movements")
    unseen = s.ref("unplanned", "not measured", "Movements")
    sentences = [
        say(
            "{n} with a plan of zero {were} measured{others} ({table}).",
            n=counted(total, "movement"),
            were="was" if total.text == "1" else "were",
            others=_not_measured(unseen),
            table=s.label("unplanned"),
        )
    ]
    if _tested(s):
        groups = s.ref("unplanned", "groups", "Movements")
        equal = s.ref("unplanned", "equivalent", "Movements")
        sentences.append(
            say(
                "Of {groups} in which {few} patients or more and {share} of these movements or more "
                "were measured, the mean was shown to lie within ± {size} in {equal}{which}; "
                "elsewhere that was not shown, which is not the same as a movement.",
                groups=counted(
                    groups,
                    "group of movement and kind of tooth",
                    "groups of movement and kind of tooth",
                ),
                size=s.tolerance(),
                equal="none" if equal.text == "0" else "one" if equal.text == "1" else equal,
                kept=equal,
                which=_equivalent(s),
                few=s.setting("equivalence patients"),
                share=s.setting("equivalence share"),
            )
        )
    return sentences


def _not_measured(unseen: Any) -> Sentence | str:
    if unseen.text == "0":
        return ""
    words = "one was" if unseen.text == "1" else f"{unseen.text} were"
    return Sentence(f", {words} not", (unseen,))


def _equivalent(s: _Source) -> Sentence | str:
    """Which groups were shown to lie within the limits, and in how many of the patients."""
    table = s.series.unplanned
    parts = []
    for line in table[table["equivalent"].fillna(False)].to_dict("records"):
        movement, teeth = str(line["movement"]), str(line["tooth_class"])
        who = s.ref("unplanned", f"{movement} {teeth}", "Patients")
        parts.append(
            Sentence(f"{movement_name(movement)} of {class_name(teeth)} in {_of(who)}", (who,))
        )
    if not parts:
        return ""
    words = joined(parts)
    return Sentence(f" ({words.text})", words.refs)


def _of(count: Any) -> str:
    """``3 of 10 patients``."""
    return f"{count} patient{'' if str(count).endswith(' of 1') else 's'}"


_PARTS = ("upper_incisor", "lower_incisor", "from_posterior")


def _bite(s: _Source) -> list[Sentence]:
    if "bite" not in s:
        return []
    keys = [line.key for line in s.tables["bite"].rows if line.key.endswith(" change")]
    sentences: list[Sentence] = []
    for key in keys:
        sentences += _bite_of(s, key.removesuffix(" change"))
    sentences.append(
        Sentence(
            "The part of the molars rests on the assumed lever; apart from it, the parts are means of "
            "what was measured."
        )
    )
    return sentences


def _bite_of(s: _Source, group: str) -> list[Sentence]:
    """The change of overbite of a group, part by part, and the parts that were not measured."""

    def part(component: str, column: str = "Mean (SD)") -> Any:
        return s.ref("bite", f"{group} {component}", column)

    who = "" if group == "all" else f" in {group} cases"
    counts = {name: part(name, "Patients") for name in ("change", *_PARTS, "unexplained")}
    single = s.one or counts["change"].text.startswith("1 of ")
    measured = [name for name in _PARTS if part(name).text != NOT_MEASURED]
    absent = [name for name in _PARTS if name not in measured]
    same = len({counts[name].text for name in ("change", *measured)}) == 1

    def phrase(name: str) -> Sentence:
        value = part(name)
        text = f"{value} mm from {bite_way(name, value.text)}"
        if same or s.one:
            return Sentence(text, (value,))
        return Sentence(f"{text} (measured in {_of(counts[name])})", (value, counts[name]))

    found = [phrase(name) for name in measured]
    if part("unexplained").text != "–":
        rest = part("unexplained")
        found.append(Sentence(f"{rest} mm not explained", (rest,)))
    change = part("change")
    sentences = [
        say(
            "{how} change of overbite{who} was {change} mm{n}{parts} ({table}).",
            how="the" if single else "the mean (SD)",
            who=who,
            change=change,
            n="" if s.one else Sentence(f" ({_of(counts['change'])})", (counts["change"],)),
            parts=Sentence(f": {joined(found).text}", joined(found).refs) if found else "",
            table=s.label("bite"),
        )
    ]
    if absent:
        names = joined([BITE_TEETH[name][0] for name in absent]).text
        names = names.replace("molars", "molars of both arches")
        sentences.append(
            Sentence(
                f"Vertical movement of {names} was not measured{who}, so what is left unexplained is "
                "not known."
            )
        )
    elif part("unexplained").text == "–":
        sentences.append(
            Sentence(
                f"All parts were measured in nobody{who}, so what is left unexplained is not known."
            )
        )
    if not same and len(found) > 1:
        sentences.append(
            Sentence("These are means of different patients, so they need not add up.")
        )
    return sentences


def _error(s: _Source) -> list[Sentence]:
    if "measurement" not in s:
        return []
    parts = []
    for line in s.tables["measurement"].rows:
        movement = line.key.split(" ")[0]
        unit = "°" if line.cells[0].text.endswith("°") else "\u00a0mm"
        cell = s.ref("measurement", line.key, "Dahlberg's error")
        parts.append(Sentence(f"{cell.text}{unit} for {movement_name(movement)}", (cell,)))
    return [
        say(
            "Dahlberg's error was {parts} ({table}).",
            parts=joined(parts),
            table=s.label("measurement"),
        )
    ]


def limitations(series: Series, tables: Tables) -> Paragraph:
    """What the data cannot say, for the discussion."""
    s = _Source(series, tables)
    sentences = []
    if s.one:
        sentences.append(
            Sentence("This is one patient: what happened here need not happen in another.")
        )
    else:
        n = s.value("patients", "patients")
        sentences.append(
            say(
                "The series is of {n} and has no control group, so that changes cannot be put down "
                "to treatment alone.",
                n=counted(n, "patient"),
            )
        )
    sentences += [
        Sentence(
            "Scans show crowns: not roots, not bone, and the gum only approximately, so that a crown "
            "that arrived says nothing about where its root has gone."
        ),
        Sentence(
            "Planned and achieved movement start from the same scan, so its error enters both; later "
            "courses hold the teeth that lagged, and rates describe these plans, not a law of the "
            "tooth."
        ),
    ]
    if "growing yes" in tables["patients"] or _grows(series):
        sentences.append(Sentence("Some of the change may be growth."))
    if "measurement" not in s:
        sentences.append(Sentence("The measurement error is not known."))
    if s.series.cohort.invented:
        sentences.append(Sentence("The data are invented: these results are evidence of nothing."))
    return Paragraph("Limitations", tuple(sentences))


def _grows(series: Series) -> bool:
    table = series.cohort.patients
    return "growing" in table.columns and bool((table["growing"].astype(str) == "yes").any())


def summary(series: Series, tables: Tables, most: int = 4) -> list[Sentence]:
    """The findings in a few sentences, for a poster or the box at the top."""
    s = _Source(series, tables)
    found: list[Sentence] = []
    n = len(series.patients)
    if "before_after" in tables:
        every = [pair for pair in lines_of(series) if enough(int(pair[0]["patients"]), n)]
        worse = [_short_worse(s, line, group) for line, group in every if worsened(line)]
        judged = {str(line["measure"]) for line, _ in every if line["with_target"]}
        lines = [
            (line, group)
            for line, group in every
            if line["with_target"]
            and pd.notna(line["low"])
            and not line["low"] <= 0 <= line["high"]
            and not worsened(line)
            # The same finding as overbite, against a target of its own.
            and not (line["measure"] == "open_bite" and "overbite" in judged)
        ]
        room = max(1, most - 1 - len(worse))
        found += [_short_change(s, line, group) for line, group in lines[:room]] + worse
        most = max(most, len(found) + 1)
    rates = series.fits.rates if "rates" in tables else pd.DataFrame()
    if len(rates):
        rates = rates[[enough(int(k), n) for k in rates["patients"]]]
    if len(rates):
        rates = rates.sort_values("rate")
        ends = [rates.iloc[-1]] if len(rates) == 1 else [rates.iloc[-1], rates.iloc[0]]
        column = s.interval_column("rates")
        parts = [
            say(
                "{rate}\u00a0% ({interval}) of {name}",
                rate=s.ref("rates", f"{line['movement']} all", "Rate, %"),
                interval=s.ref("rates", f"{line['movement']} all", column),
                name=movement_name(str(line["movement"])),
            )
            for line in ends
        ]
        words = (
            "Achieved: {parts}, with {level} intervals."
            if len(ends) == 1
            else "Achieved of the plan: from {parts}, with {level} intervals."
        )
        found.append(say(words, parts=joined(parts, "down to"), level=s.setting("level")))
    elif "achievement" in tables:
        pooled = [
            say(
                "{rate}\u00a0% of {name}",
                rate=s.ref("achievement", f"{m} all", "Pooled rate, %"),
                name=movement_name(m),
            )
            for m in series.overall["movement"].astype(str)
        ]
        found.append(say("Achieved, summed over teeth: {parts}.", parts=joined(pooled)))
    return found[:most]


def _short_change(s: _Source, line: dict[str, Any], group: str) -> Sentence:
    key = f"{line['measure']} {group or 'all'}"
    unit = {"mm": "\u00a0mm", "degree": "°"}.get(str(line["unit"]), "")
    column = s.interval_column("before_after")
    name = capital(measure_name(str(line["measure"])))
    before = s.ref("before_after", key, "On target, start")
    return say(
        "{name}{who}: {d}{unit} ({interval}); on target {before}\u00a0→\u00a0{met}."
        if before.text != "–"
        else "{name}{who}: {d}{unit} ({interval}).",
        name=name,
        who=f", {group}" if group else "",
        d=s.ref("before_after", key, "Difference"),
        unit=unit,
        interval=s.ref("before_after", key, column),
        before=before,
        met=s.ref("before_after", key, "On target, end"),
    )


def worsened(line: dict[str, Any]) -> str:
    """In what way a measure was worse at the end than at the start; nothing where it was not.

    Parameters
    ----------
    line
        A row of `BeforeAfter.table`. A mean change counts only where its interval excludes zero;
        fewer patients on target always count.
    """
    found = []
    if line["with_target"] and line["met"] < line["met_at_start"]:
        found.append(
            "on target at the start, not at the end"
            if line["with_target"] == 1
            else "fewer on target at the end than at the start"
        )
    if pd.notna(line["low"]) and not line["low"] <= 0 <= line["high"]:
        if line["with_target"]:
            if line["distance"] > line["distance_at_start"]:
                found.append("further from the target on average")
        elif WORSE_WHEN.get(str(line["measure"]), 0) * line["difference"] > 0:
            found.append("worse on average")
    return ", ".join(found)


def _short_worse(s: _Source, line: dict[str, Any], group: str) -> Sentence:
    key = f"{line['measure']} {group or 'all'}"
    before, met = (s.ref("before_after", key, f"On target, {when}") for when in ("start", "end"))
    return say(
        "{name}{who}: {how} ({before}\u00a0→\u00a0{met})."
        if before.text != "–"
        else "{name}{who}: {how}.",
        name=capital(measure_name(str(line["measure"]))),
        who=f", {group}" if group else "",
        how=worsened(line),
        before=before,
        met=met,
    )
