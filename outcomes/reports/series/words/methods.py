"""The methods of a case series in words, from what was done."""

from __future__ import annotations

from typing import TYPE_CHECKING

from outcomes.reports.series.cells import Tables
from outcomes.reports.series.sentences import Paragraph, Sentence, counted, joined, phrase, were
from outcomes.reports.series.words.source import Source

if TYPE_CHECKING:
    from outcomes.reports.series.results import Series

__all__ = ["kinds_tested", "methods", "zero_tested"]

PACKAGES = ("numpy", "scipy", "pandas", "statsmodels", "pingouin")


def methods(series: Series, tables: Tables) -> list[Paragraph]:
    """What was done, in the past tense, for the methods of a paper.

    Parameters
    ----------
    series
        From `outcomes.reports.series.results.run_series`.
    tables
        From `outcomes.reports.series.tables.manuscript_tables`.
    """
    source = Source(series, tables)
    return [
        Paragraph("Design and patients", tuple(_design(source))),
        Paragraph("Records and outcomes", tuple(_outcomes(source))),
        Paragraph("Statistical analysis", tuple(_statistics(source))),
    ]


def _design(s: Source) -> list[Sentence]:
    first = s.say(
        "This is a report of {n}, treated with aligners."
        if s.one
        else "This is a retrospective series of {n} treated with aligners; nobody was allocated at "
        "random and there was no control group.",
        n=counted(s.value("patients", "patients"), "patient"),
    )
    invented = Sentence("The data are invented for demonstration and are evidence of nothing.")
    return [first, *([invented] if s.series.cohort.invented else []), _records_sentence(s)]


def _records_sentence(s: Source) -> Sentence:
    left = s.ref("records", "movements excluded", "Rows")
    read = counted(
        s.ref("records", "movements read", "Rows"), "row of movements", "rows of movements"
    )
    if left.text == "0":
        return s.say("Of {read} that were read, none was left out ({label[records]}).", read=read)
    parts = []
    for place, line in enumerate(s.series.cohort.ledger.to_dict("records")):
        if line["table"] != "movements" or line["step"] != "excluded":
            continue
        rows, people = (
            s.ref("records", f"movements excluded {place}", column)
            for column in ("Rows", "Patients")
        )
        parts.append(
            phrase(
                "{rows} in {people}: {why}",
                rows=counted(rows, "row"),
                people=counted(people, "patient"),
                why=str(line["reason"]),
            )
        )
    return s.say(
        "Of {read} that were read, {left} {were} left out ({why}; {label[records]}).",
        read=read,
        left="one" if left.text == "1" else left,
        were=were(left),
        why=joined(parts),
        kept=left,
    )


def _outcomes(s: Source) -> list[Sentence]:
    sentences = [
        Sentence(
            "For each tooth and course, the movement that was planned was compared with the "
            "movement on the scan at the end of the course, along the same axis and from the same "
            "starting position."
        ),
        s.say(
            "A difference of {size} was taken as clinically relevant {cite[tolerance]}.",
            size=s.tolerance(),
        ),
    ]
    if "unplanned" in s:
        sentences.append(
            Sentence(
                "Teeth that were meant to stay (a plan of zero) were kept apart and entered no rate."
            )
        )
    sentences.append(
        s.say(
            "Measurement error was assessed from repeated readings by Dahlberg's error "
            "{cite[dahlberg]}, bias and limits of agreement {cite[agreement]}."
        )
        if "measurement" in s
        else Sentence("No reading was repeated, so the measurement error is not known.")
    )
    if "before_after" in s:
        sentences.append(
            Sentence("Measures were compared between the start and the last scan after a course.")
        )
    return sentences


def _statistics(s: Source) -> list[Sentence]:
    sentences = [_model(s)]
    if kinds_tested(s):
        sentences.append(
            s.say(
                "Kinds of tooth were compared within each movement by t tests with cluster-robust "
                "(CR2) standard errors, patients as clusters {cite[robust]}, with p values adjusted "
                "by Holm's method."
            )
        )
    if "before_after" in s and not s.one:
        sentences.append(
            s.say(
                "Measures before and after were compared by paired t ({setting[level]} intervals), "
                "with the signed rank test beside it; patients were the unit, and p values were not "
                "adjusted for the number of measures."
            )
        )
    if "unplanned" in s and zero_tested(s):
        sentences.append(
            s.say(
                "Movements with a plan of zero were tested for equivalence to zero within ± {size} by "
                "two one-sided tests {cite[equivalence]} on the mean of a mixed model with patients "
                "as clusters.",
                size=s.tolerance(),
            )
        )
    if "bite" in s:
        sentences.append(
            s.say(
                "The change of overbite was taken apart into movement of the upper and lower "
                "incisors and of the molars, with {setting[lever]}\u00a0mm of overbite per mm of "
                "molar intrusion (range {setting[lever range]}) {cite[lever]}."
            )
        )
    packages = [s.phrase(f"{name} {{setting[software {name}]}}") for name in PACKAGES]
    return [
        *sentences,
        s.say(
            "Computed with outcomes {setting[software outcomes]} in Python "
            "{setting[software python]} ({packages}); settings and the hash of the input are in "
            "{label[settings]}.",
            packages=joined(packages),
        ),
    ]


def _model(s: Source) -> Sentence:
    if "rates" in s:
        return s.say(
            "For each movement, achieved movement was modelled as rate × planned, without "
            "intercept, with random deviations of the rate for each patient and each tooth "
            "within a patient, by restricted maximum likelihood {cite[fit]}; intervals are "
            "{setting[level]} t intervals on Satterthwaite degrees of freedom {cite[df]}."
        )
    if s.one:
        return Sentence(
            "With one patient nothing can be said about other patients: no model was fitted "
            "and no interval is given; the movements are described."
        )
    return Sentence("No rate model could be fitted; the movements are described.")


def kinds_tested(s: Source) -> bool:
    """Whether any two kinds of tooth were compared by a test."""
    return "contrasts" in s and bool(s.series.contrasts["p_holm"].notna().any())


def zero_tested(s: Source) -> bool:
    """Whether movements with a plan of zero were tested for equivalence to zero."""
    return (
        "groups" in s.tables["unplanned"] and s.ref("unplanned", "groups", "Movements").text != "0"
    )
