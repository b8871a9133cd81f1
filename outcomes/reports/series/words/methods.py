"""The methods of a case series in words, from what was done."""

from __future__ import annotations

from outcomes.reports.series.cells import Tables
from outcomes.reports.series.results import Series
from outcomes.reports.series.sentences import Paragraph, Sentence, counted, joined, phrase, were
from outcomes.reports.series.words.source import Source

PACKAGES = ("numpy", "scipy", "pandas", "statsmodels", "pingouin")


def methods(series: Series, tables: Tables) -> list[Paragraph]:
    """What was done, in the past tense, for the methods of a paper."""
    source = Source(series, tables)
    return [
        Paragraph("Design and patients", tuple(_design(source))),
        Paragraph("Records and outcomes", tuple(_outcomes(source))),
        Paragraph("Statistical analysis", tuple(_statistics(source))),
    ]


def _design(s: Source) -> list[Sentence]:
    said = s.those(
        "This is a report of {patients}, treated with aligners."
        if s.one
        else "This is a retrospective series of {patients} treated with aligners; nobody was "
        "allocated at random and there was no control group.",
        (
            s.series.cohort.invented,
            "The data are invented for demonstration and are evidence of nothing.",
        ),
    )
    return [*said, _records_sentence(s)]


def _records_sentence(s: Source) -> Sentence:
    left = s.ref("records", "movements excluded", "Rows")
    read = counted(
        s.ref("records", "movements read", "Rows"), "row of movements", "rows of movements"
    )
    if left.text == "0":
        return s.say("Of {read} that were read, none was left out ({label records}).", read=read)
    parts = []
    for place, line in enumerate(s.series.cohort.ledger.to_dict("records")):
        if line["table"] == "movements" and line["step"] == "excluded":
            here = s.line("records", f"movements excluded {place}")
            rows, people = counted(here["Rows"], "row"), counted(here["Patients"], "patient")
            why = str(line["reason"])
            parts.append(phrase("{rows} in {people}: {why}", rows=rows, people=people, why=why))
    return s.say(
        "Of {read} that were read, {left} {were} left out ({why}; {label records}).",
        read=read,
        left="one" if left.text == "1" else left,
        were=were(left),
        why=joined(parts),
        kept=left,
    )


def _outcomes(s: Source) -> list[Sentence]:
    return s.those(
        "For each tooth and course, the movement that was planned was compared with the movement on "
        "the scan at the end of the course, along the same axis and from the same starting position.",
        "A difference of {tolerance} was taken as clinically relevant {cite tolerance}.",
        (
            "unplanned" in s,
            "Teeth that were meant to stay (a plan of zero) were kept apart and entered no rate.",
        ),
        "Measurement error was assessed from repeated readings by Dahlberg's error {cite dahlberg}, "
        "bias and limits of agreement {cite agreement}."
        if "measurement" in s
        else "No reading was repeated, so the measurement error is not known.",
        (
            "before_after" in s,
            "Measures were compared between the start and the last scan after a course.",
        ),
    )


def _statistics(s: Source) -> list[Sentence]:
    described = (
        "With one patient nothing can be said about other patients: no model was fitted and no "
        "interval is given; the movements are described."
        if s.one
        else "No rate model could be fitted; the movements are described."
    )
    said = s.those(
        "For each movement, achieved movement was modelled as rate × planned, without intercept, "
        "with random deviations of the rate for each patient and each tooth within a patient, by "
        "restricted maximum likelihood {cite fit}; intervals are {setting level} t intervals on "
        "Satterthwaite degrees of freedom {cite df}."
        if "rates" in s
        else described,
        (
            kinds_tested(s),
            "Kinds of tooth were compared within each movement by t tests with cluster-robust (CR2) "
            "standard errors, patients as clusters {cite robust}, with p values adjusted by Holm's "
            "method.",
        ),
        (
            "before_after" in s and not s.one,
            "Measures before and after were compared by paired t ({setting level} intervals), with "
            "the signed rank test beside it; patients were the unit, and p values were not adjusted "
            "for the number of measures.",
        ),
        (
            "unplanned" in s and zero_tested(s),
            "Movements with a plan of zero were tested for equivalence to zero within ± {tolerance} "
            "by two one-sided tests {cite equivalence} on the mean of a mixed model with patients as "
            "clusters.",
        ),
        (
            "bite" in s,
            "The change of overbite was taken apart into movement of the upper and lower incisors "
            "and of the molars, with {setting lever}\u00a0mm of overbite per mm of molar intrusion "
            "(range {setting lever range}) {cite lever}.",
        ),
    )
    computed = s.say(
        "Computed with outcomes {setting software outcomes} in Python {setting software python} "
        "({packages}); settings and the hash of the input are in {label settings}.",
        packages=joined(s.phrase(f"{name} {{setting software {name}}}") for name in PACKAGES),
    )
    return [*said, computed]


def kinds_tested(s: Source) -> bool:
    """Whether any two kinds of tooth were compared by a test."""
    return "contrasts" in s and bool(s.series.contrasts["p_holm"].notna().any())


def zero_tested(s: Source) -> bool:
    """Whether movements with a plan of zero were tested for equivalence to zero."""
    return (
        "groups" in s.tables["unplanned"] and s.ref("unplanned", "groups", "Movements").text != "0"
    )
