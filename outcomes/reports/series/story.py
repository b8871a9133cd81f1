"""What a poster and a slide deck say: short sentences, each number from a table cell."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd

from outcomes.domain.limits import FEW_PATIENTS
from outcomes.domain.names import measure_name, movement_name
from outcomes.reports.series.cells import Tables
from outcomes.reports.series.results import Series
from outcomes.reports.series.sentences import Sentence, joined
from outcomes.reports.series.sharing import enough, hide_small, of_enough
from outcomes.reports.series.tables import line_key, lines_of, target_notes
from outcomes.reports.series.words.limitations import limitations
from outcomes.reports.series.words.measures import worsened
from outcomes.reports.series.words.source import Source
from outcomes.reports.series.words.summary import summary
from outcomes.reports.table import Ref, Table, row
from outcomes.words.cautions import cautions
from outcomes.words.english import capital
from outcomes.words.units import NBSP, unit_mark


@dataclass(frozen=True)
class KeyNumber:
    """A number to be read from afar, what it is, and how sure it is."""

    number: str
    label: str
    detail: str
    refs: tuple[Ref, ...]


@dataclass(frozen=True, kw_only=True)
class Story:
    """Everything the poster and the slides say; places for the author in [square brackets].

    Attributes
    ----------
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

    title: str = "[Title: the question in one line]"
    authors: str = "[Names of the authors]"
    affiliations: str = "[Affiliations, city]"
    background: str = (
        "[Two or three lines: what is known, what is not, why it matters. Only the author knows.]"
    )
    aim: str = "[The question this series was collected to answer.]"
    conclusion: str = (
        "[One or two lines: what a colleague should take home. Say no more than the intervals "
        "support.]"
    )
    contact: str = "[E-mail or code for contact]"
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
    source = Source(series, tables)
    return Story(
        notice="Invented demonstration data: no such patients, evidence of nothing"
        if series.cohort.invented
        else "[Confirm: every patient consented to publication; nothing here identifies anybody]",
        numbers=_key_numbers(source),
        methods=_methods(source),
        findings=tuple(summary(series, tables)),
        limits=limitations(series, tables).sentences[:2],
        # the first sentence of each
        cautions=tuple(f"{line.split('. ')[0].rstrip('.')}." for line in cautions("Always")),
        patients=_patient_table(tables["patients"]),
        measures=_measure_table(source),
        software=source.say(
            "Computed with outcomes {setting software outcomes}, Python {setting software python}, "
            "seed {setting seed}. Tolerance: {where}",
            where=source.ref("references", "tolerance", "Reference"),
        ),
    )


def _key_numbers(s: Source) -> tuple[KeyNumber, ...]:
    n, planned = s.value("patients", "patients"), s.value("patients", "planned")
    label = (
        f"{'patient' if n.text == '1' else 'patients'}, {planned.text} planned "
        f"{'movement' if planned.text == '1' else 'movements'}"
    )
    first = KeyNumber(n.text, label, "", (n, planned))
    return (first, *_change_numbers(s)[:2], *_rate_numbers(s))[:4]


def _change_numbers(s: Source) -> list[KeyNumber]:
    found = []
    for line, group in lines_of(s.series) if "before_after" in s else []:
        if not line["with_target"] or not enough(int(line["patients"]), len(s.series.patients)):
            continue
        here = s.line("before_after", line_key(line, group))
        who = f", {group}" if group and not s.one else ""
        found.append(
            _key_number(
                f"{'+' if line['difference'] > 0 else ''}{{}}{unit_mark(line['unit'])}",
                here["Difference"],
                f"change of {measure_name(str(line['measure']))}{who}",
                here,
            )
        )
    return found


def _key_number(form: str, ref: Ref, label: str, here: Source) -> KeyNumber:
    """A number with ``95 % interval 50 to 62`` where its line has one."""
    detail = Sentence("")
    if "interval" in here.cells and here["interval"].text != "–":
        detail = here.phrase("{setting level} interval {interval}")
    return KeyNumber(form.format(ref), label, detail.text, (ref, *detail.refs))


def _rate_numbers(s: Source) -> list[KeyNumber]:
    if "rates" in s:
        short, column, rates = "rates", "Rate, %", of_enough(s.series.fits.rates, s.series)
    elif "achievement" in s:
        short, column, rates = "achievement", "Pooled rate, %", s.series.overall
    else:
        return []
    found = []
    for movement in rates.sort_values("movements", ascending=False)["movement"].astype(str):
        here = s.line(short, f"{movement} all")
        label = f"of planned {movement_name(movement)} achieved"
        found.append(_key_number(f"{{}}{NBSP}%", here[column], label, here))
    return found


def _methods(s: Source) -> tuple[Sentence, ...]:
    left, read = (s.ref("records", f"movements {step}", "Rows") for step in ("excluded", "read"))
    ledger = s.series.cohort.ledger
    out = ledger[(ledger["table"] == "movements") & (ledger["step"] == "excluded")]
    why = joined(out["reason"].astype(str).unique())
    return (
        *s.those(
            "{patients} treated with aligners."
            if s.one
            else "{patients} treated with aligners, retrospective, no controls.",
            "Planned movement of each tooth compared with the scan at the end of each course.",
        ),
        s.say("On target: within {size} of the plan.", size=s.tolerance(set(s.series.tolerance))),
        *s.those(
            (
                "rates" in s,
                "Achievement rate: slope of achieved on planned in a mixed model with patients and "
                "teeth as random effects, {setting level} intervals.",
            ),
            (
                "before_after" in s and not s.one,
                "Measures before and after: paired differences, patients as the unit.",
            ),
        ),
        s.say("No row of {read} was left out.", read=read)
        if left.text == "0"
        else s.say("{left} of {read} rows left out: {why}.", left=left, read=read, why=why),
    )


_SPREAD = ("age", "courses", "aligners", "days", "wear")
_PATIENT_LINES = {"patients", "sex", "malocclusion", "growing"} | {
    f"{key}{what}" for key in _SPREAD for what in ("", " median")
}


def _patient_table(table: Table) -> Table:
    """Table 1 without means (the medians tell), growth by level, clinicians and sites."""
    rows = tuple(
        line
        for line in table.rows
        if (line.key in _PATIENT_LINES and not (line.key == "growing" and line.heading))
        or line.key.startswith(("sex ", "malocclusion "))
    )
    notes = tuple(note for note in table.footnotes if note.startswith("Medians"))
    return hide_small(replace(table, rows=rows, footnotes=notes))


def _measure_table(s: Source, most: int = 8) -> Table | None:
    """Table of measures in five columns, those with a target first; none of few patients."""
    if "before_after" not in s:
        return None
    table = s.tables["before_after"]
    start, end = (c for c in table.columns if c.startswith(("Start", "End")))
    interval = next(c for c in table.columns if c.endswith("interval"))
    lines = {line_key(line, group): line for line, group in lines_of(s.series)}
    n = len(s.series.patients)
    shown = [r for r in table.rows if enough(int(lines[r.key]["patients"]), n)]
    if not shown:
        return None
    order = sorted(shown, key=lambda r: table.ref(r.key, "On target, end").text == "–")[:most]
    rows, notes = [], []
    for line in order:
        texts = {name: ref.text for name, ref in s.line("before_after", line.key).cells.items()}
        between, met = texts["interval"], [texts[f"On target, {when}"] for when in ("start", "end")]
        cells = [
            texts["Measure"],
            texts["start"],
            texts["end"],
            texts["Difference"] + ("" if between == "–" else f" ({between})"),
            "–" if "–" in met else " → ".join(met),
        ]
        rows.append(row(line.key, cells))
        if worse := worsened(lines[line.key]):
            notes.append(f"{texts['Measure']}: {worse}.")
    has_interval = any(table.ref(r.key, interval).text != "–" for r in order)
    if any(r.key.startswith("open_bite") for r in order):
        notes = [*target_notes(s.series), *notes]
    if hidden := [r.cells[0].text.split(",")[0] for r in table.rows if r not in shown]:
        names = capital(", ".join(dict.fromkeys(hidden)).lower())
        notes.append(f"Not shown, fewer than {FEW_PATIENTS} patients: {names}.")
    difference = f"Difference ({interval})" if has_interval else "Difference"
    first = "Differences are computed before rounding. On target: at the start → at the end."
    return replace(
        table,
        columns=("Measure", start, end, difference, "On target"),
        rows=tuple(rows),
        footnotes=(first, *notes),
    )


def rate_frame(series: Series) -> pd.DataFrame | None:
    """One rate for each movement, for a short forest plot; none of fewer than 5 of more patients."""
    rates = of_enough(series.fits.rates, series) if series.fits else pd.DataFrame()
    if not len(rates):
        return None
    rates = rates.assign(group=[capital(movement_name(str(m))) for m in rates["movement"]])
    return rates.drop(columns="movement").sort_values("rate", ascending=False)
