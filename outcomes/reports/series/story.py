"""What a poster and a slide deck say: short sentences, each number from a table cell."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd

from outcomes.domain.limits import FEW_PATIENTS
from outcomes.domain.names import measure_name, movement_name
from outcomes.reports.series.cells import Tables
from outcomes.reports.series.results import Series
from outcomes.reports.series.sentences import Sentence, counted, joined
from outcomes.reports.series.sharing import enough, hide_small
from outcomes.reports.series.tables import lines_of, target_notes
from outcomes.reports.series.words.limitations import limitations
from outcomes.reports.series.words.measures import worsened
from outcomes.reports.series.words.source import Source
from outcomes.reports.series.words.summary import summary
from outcomes.reports.table import Cell, Ref, Row, Table
from outcomes.words.cautions import cautions
from outcomes.words.english import capital
from outcomes.words.units import NBSP, unit_mark

__all__ = ["KeyNumber", "Story", "tell"]


@dataclass(frozen=True)
class KeyNumber:
    """A number to be read from afar, what it is, and how sure it is."""

    number: str
    label: str
    detail: str
    refs: tuple[Ref, ...]


@dataclass(frozen=True)
class Story:
    """Everything the poster and the slides say.

    Attributes
    ----------
    title, authors, affiliations, background, aim, conclusion, contact
        Places for the author, in [square brackets].
    notice
        Shown large: what must not be overlooked (invented data, or consent).
    numbers
        Three or four key numbers.
    methods, findings, limits, cautions
        Sentences.
    patients, measures
        Short tables; None where the series has none.
    software
        One line.
    """

    title: str
    authors: str
    affiliations: str
    background: str
    aim: str
    conclusion: str
    contact: str
    notice: str
    numbers: tuple[KeyNumber, ...]
    methods: tuple[Sentence, ...]
    findings: tuple[Sentence, ...]
    limits: tuple[Sentence, ...]
    cautions: tuple[str, ...]
    patients: Table
    measures: Table | None
    software: Sentence


def tell(series: Series, tables: Tables) -> Story:
    """Take the story of a series from its tables."""
    demo = series.cohort.invented
    source = Source(series, tables)
    return Story(
        title="[Title: the question in one line]",
        authors="[Names of the authors]",
        affiliations="[Affiliations, city]",
        background="[Two or three lines: what is known, what is not, why it matters. Only the author "
        "knows.]",
        aim="[The question this series was collected to answer.]",
        conclusion="[One or two lines: what a colleague should take home. Say no more than the "
        "intervals support.]",
        contact="[E-mail or code for contact]",
        notice="Invented demonstration data: no such patients, evidence of nothing"
        if demo
        else "[Confirm: every patient consented to publication; nothing here identifies anybody]",
        numbers=_key_numbers(source),
        methods=_methods(source),
        findings=tuple(summary(series, tables)),
        limits=limitations(series, tables).sentences[:2],
        cautions=_cautions(),
        patients=_patient_table(tables),
        measures=_measure_table(series, tables),
        software=source.say(
            "Computed with outcomes {setting[software outcomes]}, Python {setting[software python]}, "
            "seed {setting[seed]}. Tolerance: {where}",
            where=source.ref("references", "tolerance", "Reference"),
        ),
    )


def _cautions() -> tuple[str, ...]:
    """First sentence of each caution that always holds."""
    return tuple(line.split(". ")[0].rstrip(".") + "." for line in cautions("Always"))


def _key_numbers(s: Source) -> tuple[KeyNumber, ...]:
    n, planned = s.value("patients", "patients"), s.value("patients", "planned")
    label = (
        f"{'patient' if n.text == '1' else 'patients'}, {planned.text} planned "
        f"{'movement' if planned.text == '1' else 'movements'}"
    )
    first = KeyNumber(n.text, label, "", (n, planned))
    return (first, *_change_numbers(s)[:2], *_rate_numbers(s))[:4]


def _change_numbers(s: Source) -> list[KeyNumber]:
    if "before_after" not in s:
        return []
    found = []
    for line, group in lines_of(s.series):
        if not line["with_target"] or not enough(int(line["patients"]), len(s.series.patients)):
            continue
        key = f"{line['measure']} {group or 'all'}"
        change = s.ref("before_after", key, "Difference")
        name = measure_name(str(line["measure"]))
        who = f", {group}" if group and not s.one else ""
        plus = "+" if line["difference"] > 0 else ""
        detail = _interval(s, "before_after", key)
        found.append(
            KeyNumber(
                f"{plus}{change}{unit_mark(line['unit'])}",
                f"change of {name}{who}",
                detail.text,
                (change, *detail.refs),
            )
        )
    return found


def _interval(s: Source, short: str, key: str) -> Sentence:
    """``95 % interval 50 to 62``; nothing where there is none."""
    interval = s.interval(short, key)
    if interval.text == "–":
        return Sentence("")
    return s.phrase("{setting[level]} interval {interval}", interval=interval)


def _rate_numbers(s: Source) -> list[KeyNumber]:
    short = "rates" if "rates" in s else "achievement"
    if short not in s:
        return []
    rates = s.series.overall
    if short == "rates":
        rates = s.series.fits.rates
        rates = rates[[enough(int(k), len(s.series.patients)) for k in rates["patients"]]]
    rates = rates.sort_values("movements", ascending=False)
    found = []
    for movement in rates["movement"].astype(str):
        key = f"{movement} all"
        rate = s.ref(short, key, "Rate, %" if short == "rates" else "Pooled rate, %")
        detail = _interval(s, short, key) if short == "rates" else Sentence("")
        found.append(
            KeyNumber(
                f"{rate}{NBSP}%",
                f"of planned {movement_name(movement)} achieved",
                detail.text,
                (rate, *detail.refs),
            )
        )
    return found


def _methods(s: Source) -> tuple[Sentence, ...]:
    sentences = [
        s.say(
            "{n} treated with aligners{kind}.",
            n=counted(s.value("patients", "patients"), "patient"),
            kind="" if s.one else ", retrospective, no controls",
        ),
        Sentence(
            "Planned movement of each tooth compared with the scan at the end of each course."
        ),
        s.say("On target: within {size} of the plan.", size=s.tolerance(set(s.series.tolerance))),
    ]
    if "rates" in s:
        sentences.append(
            s.say(
                "Achievement rate: slope of achieved on planned in a mixed model with patients and "
                "teeth as random effects, {setting[level]} intervals."
            )
        )
    if "before_after" in s and not s.one:
        sentences.append(
            Sentence("Measures before and after: paired differences, patients as the unit.")
        )
    left, read = (s.ref("records", f"movements {step}", "Rows") for step in ("excluded", "read"))
    said = "{left} of {read} rows left out: {why}."
    if left.text == "0":
        return (*sentences, s.say("No row of {read} was left out.", read=read))
    return (*sentences, s.say(said, left=left, read=read, why=_reasons(s.series)))


def _reasons(series: Series) -> str:
    ledger = series.cohort.ledger
    rows = ledger[(ledger["table"] == "movements") & (ledger["step"] == "excluded")]
    return str(joined(rows["reason"].astype(str).unique()))


_PATIENT_LINES = (
    "patients",
    "age",
    "age median",
    "sex",
    "growing",
    "malocclusion",
    "courses",
    "courses median",
    "aligners",
    "aligners median",
    "days",
    "days median",
    "wear",
    "wear median",
)


def _patient_table(tables: Tables) -> Table:
    """Table 1 without means (the medians tell), growth by level, clinicians and sites."""
    table = tables["patients"]
    keep = [
        line.key
        for line in table.rows
        if line.key in _PATIENT_LINES or line.key.startswith(("sex ", "malocclusion "))
    ]
    keep = [key for key in keep if key != "growing" or not _is_heading(table, key)]
    notes = tuple(note for note in table.footnotes if note.startswith("Medians"))
    return hide_small(replace(table.chosen(table.columns, keep), footnotes=notes))


def _is_heading(table: Table, key: str) -> bool:
    return any(line.heading for line in table.rows if line.key == key)


def _measure_table(series: Series, tables: Tables, most: int = 8) -> Table | None:
    """Table of measures in five columns, those with a target first; none of few patients."""
    if "before_after" not in tables:
        return None
    table = tables["before_after"]
    start, end = (c for c in table.columns if c.startswith(("Start", "End")))
    interval = next(c for c in table.columns if c.endswith("interval"))
    rows = []
    lines = {f"{line['measure']} {group or 'all'}": line for line, group in lines_of(series)}
    n = len(series.patients)
    shown = [r for r in table.rows if enough(int(lines[r.key]["patients"]), n)]
    if not shown:
        return None
    order = sorted(shown, key=lambda r: table.ref(r.key, "On target, end").text == "–")[:most]
    for line in order:
        on_target = [table.ref(line.key, f"On target, {when}").text for when in ("start", "end")]
        change = table.ref(line.key, "Difference").text
        between = table.ref(line.key, interval).text
        cells = [
            line.cells[0].text,
            table.ref(line.key, start).text,
            table.ref(line.key, end).text,
            change if between == "–" else f"{change} ({between})",
            "–" if "–" in on_target else " → ".join(on_target),
        ]
        rows.append(Row(line.key, tuple(Cell(text) for text in cells)))
    has_interval = any(table.ref(r.key, interval).text != "–" for r in order)
    hidden = [r.cells[0].text.split(",")[0] for r in table.rows if r not in shown]
    notes = ["Differences are computed before rounding. On target: at the start → at the end."]
    if any(r.key.startswith("open_bite") for r in order):
        notes += target_notes(series)
    notes += [
        f"{r.cells[0].text}: {worsened(lines[r.key])}." for r in order if worsened(lines[r.key])
    ]
    if hidden:
        names = capital(", ".join(dict.fromkeys(hidden)).lower())
        notes.append(f"Not shown, fewer than {FEW_PATIENTS} patients: {names}.")
    difference = f"Difference ({interval})" if has_interval else "Difference"
    return Table(
        table.name,
        table.label,
        "Measures at the start and at the last scan",
        ("Measure", start, end, difference, "On target"),
        tuple(rows),
        tuple(notes),
    )


def rate_frame(series: Series) -> pd.DataFrame | None:
    """One rate for each movement, for a short forest plot; none of fewer than 5 of more patients."""
    if not series.fits:
        return None
    rates = series.fits.rates
    rates = rates[[enough(int(k), len(series.patients)) for k in rates["patients"]]].copy()
    if not len(rates):
        return None
    rates["group"] = [capital(movement_name(str(m))) for m in rates["movement"]]
    return rates.drop(columns="movement").sort_values("rate", ascending=False)
