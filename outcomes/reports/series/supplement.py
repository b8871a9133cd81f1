"""The supplement of a case series: cases, records, errors, comparisons, settings, references."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from outcomes.clinical.paired import SMALL
from outcomes.clinical.unplanned import FEWEST_PATIENTS, LEAST_MEASURED
from outcomes.domain.limits import FEW_PATIENTS
from outcomes.domain.names import class_name, heading, measure_name
from outcomes.reports.build.provenance import versions
from outcomes.reports.common.references import REFERENCES
from outcomes.reports.common.rows import STANDS_OUT
from outcomes.reports.files.lines import dicts
from outcomes.reports.series.bite import bite_table
from outcomes.reports.series.cells import Draft, Tables, numbered, p_cell, titled, whole
from outcomes.reports.series.results import RESAMPLES
from outcomes.reports.series.rounding import (
    Rounding,
    between,
    counted_of,
    counted_share,
    mean_sd,
    plain,
)
from outcomes.reports.table import NOT_MEASURED, Cell, Row, row
from outcomes.words.english import capital, listed
from outcomes.words.numbers import LEVEL, count, interval_words, level_words, percent
from outcomes.words.units import unit_mark, unit_symbol

if TYPE_CHECKING:
    from outcomes.reports.series.results import Series

__all__ = ["supplement_tables"]

EQUIVALENCE = 1 - 2 * (1 - LEVEL)
"""Level of the interval that goes with two one-sided tests at the usual level."""
SOFTWARE = ("python", "outcomes", "numpy", "scipy", "pandas", "statsmodels", "pingouin")


def supplement_tables(series: Series, rounding: Rounding) -> Tables:
    """Tables S1, S2, ...: those with lines, numbered in turn."""
    drafts = {
        "cases": case_table(series, rounding),
        "records": record_table(series),
        "measurement": measurement_table(series, rounding),
        "contrasts": contrast_table(series),
        "courses": course_table(series, rounding),
        "unplanned": unplanned_table(series, rounding),
        "bite": bite_table(series, rounding),
        "settings": settings_table(series),
        "references": reference_table(),
    }
    return numbered(drafts, "S")


def case_table(series: Series, rounding: Rounding) -> Draft:
    """One line for each patient."""
    cohort = series.cohort
    kinds = _by_patient(cohort.patients, "malocclusion")
    bite = series.before_after.patients
    bite = bite[(bite["period"] == "total") & (bite["measure"] == "overbite")]
    bite = bite.set_index("patient")
    rows = []
    for patient in series.patients:
        left = series.remaining[series.remaining["patient"] == patient]
        courses = cohort.courses
        own = courses[courses["patient"] == patient] if len(courses) else courses
        number = len(own) or cohort.movements.query("patient == @patient")["course"].nunique()
        aligners = own["aligners"].sum() if "aligners" in own and len(own) else float("nan")
        places = rounding.measure("overbite")
        start, end = (
            bite[when].get(patient, float("nan")) if when in bite else float("nan")
            for when in ("start", "end")
        )
        rows.append(
            row(
                patient,
                [
                    patient,
                    Cell(capital(kinds.get(patient, "–"))),
                    whole(number),
                    plain(aligners, 0),
                    plain(start, places),
                    plain(end, places),
                    whole(len(left)),
                    counted_share(int(left["within"].sum()), len(left)),
                ],
            )
        )
    limits = listed((f"{v:g}{unit_mark(u)}" for u, v in series.tolerance.items()), "or")
    notes = [
        f"Movements: of a tooth, over all courses. On target: within {limits} of the latest aim at "
        "the last scan.",
        "One line is one person: publish it only with consent.",
    ]
    columns = (
        "Case",
        "Malocclusion",
        "Courses",
        "Aligners",
        "Overbite, start (mm)",
        "Overbite, end (mm)",
        "Movements",
        "On target",
    )
    return "The cases", columns, rows, notes


def _by_patient(table: pd.DataFrame, column: str) -> dict[str, str]:
    if column not in table.columns:
        return {}
    known = table.dropna(subset=column)
    return dict(zip(known["patient"].astype(str), known[column].astype(str), strict=True))


def record_table(series: Series) -> Draft:
    """What became of each row that was read."""
    ledger = series.cohort.ledger
    rows = [
        row(
            f"{line['table']} {line['step']} {place}",
            [
                capital(str(line["table"])),
                str(line["step"]),
                str(line["reason"]),
                whole(line["rows"]),
                whole(line["patients"]),
            ],
        )
        for place, line in enumerate(ledger.to_dict("records"))
    ]
    steps = ledger[ledger["table"] == "movements"].groupby("step")["rows"].sum()
    rows += [
        row(f"movements {step}", ["Movements", step, "all", whole(steps.get(step, 0)), ""])
        for step in ("read", "excluded", "analysed")
    ]
    return (
        "What became of each row",
        ("Sheet", "Step", "Reason", "Rows", "Patients"),
        rows,
        ["Rows read are rows excluded and analysed, in every sheet."],
    )


def measurement_table(series: Series, rounding: Rounding) -> Draft:
    """Error of repeated readings."""
    rows = []
    for place, line in enumerate(series.measurement.to_dict("records")):
        movement, unit = str(line["movement"]), str(line["unit"])
        places = rounding.movement(movement, unit)
        rows.append(
            row(
                movement
                if len(series.measurement["movement"].unique()) > place
                else f"{movement} {place}",
                [
                    titled(heading(movement), unit),
                    whole(line["pairs"]),
                    plain(line["dahlberg"], places),
                    plain(line["bias"], places),
                    between(line["loa_low"], line["loa_high"], places),
                    plain(line["icc_a1"], 2),
                    plain(line["smallest_detectable_change"], places),
                ],
            )
        )
    columns = (
        "Movement",
        "Pairs",
        "Dahlberg's error",
        "Bias",
        "Limits of agreement",
        "ICC(A,1)",
        "Smallest detectable change",
    )
    notes = [
        "Dahlberg's error: √(Σd²/2n). Limits of agreement: bias ± 1.96 SD of the differences. Smallest "
        "detectable change: 1.96 SEM, as each reading is of a movement, which is a change already."
    ]
    return "Measurement error, from repeated readings", columns, rows, notes


def contrast_table(series: Series) -> Draft:
    """Differences between kinds of tooth."""
    rows: list[Row] = []
    for line in series.contrasts.to_dict("records"):
        movement, a, b = str(line["movement"]), str(line["a"]), str(line["b"])
        rows.append(
            row(
                f"{movement} {a} {b}",
                [
                    heading(movement),
                    capital(class_name(a)),
                    class_name(b),
                    plain(100 * line["difference"], 0),
                    between(line["low"], line["high"], 0, 100.0),
                    p_cell(line["p_holm"], "not tested"),
                ],
            )
        )
    notes = ["p adjusted by Holm's method within each movement; the intervals are not adjusted."]
    if series.contrasts["p_holm"].isna().any():
        notes.append(f"Not tested: fewer than {FEW_PATIENTS} patients have one of the two kinds.")
    columns = (
        "Movement",
        "Rate of",
        "minus rate of",
        "Points",
        interval_words(series.level),
        "p, adjusted",
    )
    return "Differences between kinds of tooth, in percentage points", columns, rows, notes


def course_table(series: Series, rounding: Rounding) -> Draft:
    """Measures from course to course."""
    table = series.before_after.table
    apart = table["measure"].isin(series.opposed)
    found = [(line, "") for line in dicts(table[~apart] if series.split else table)]
    if series.before_after_split is not None:
        table = series.before_after_split.table
        apart = table["measure"].isin(series.opposed)
        found += [(line, str(line[str(series.split)])) for line in dicts(table[apart])]
    rows = [
        _course_line(line, group, rounding, int(line["patients"]), len(series.patients))
        for line, group in found
        if line["period"] != "total" and line["patients"]
    ]
    if len({line.cells[1].text for line in rows}) < 2:
        rows = []
    columns = (
        "Measure",
        "Course",
        "Patients",
        "Before",
        "After",
        "Difference",
        interval_words(series.before_after.level),
    )
    notes = ["Means (SD). Patients who went on to a further course are not a random part of all."]
    return "Measures from course to course", columns, rows, notes


def _course_line(line: dict[str, Any], group: str, rounding: Rounding, n: int, all_: int) -> Row:
    places = rounding.measure(line["measure"])
    return row(
        f"{line['measure']} {group} {line['period']}",
        [
            titled(capital(measure_name(line["measure"])), line["unit"], group),
            str(line["period"]).removeprefix("course "),
            whole(n),
            mean_sd(line["start_mean"], line["start_sd"], places),
            mean_sd(line["end_mean"], line["end_sd"], places),
            plain(line["difference"], places),
            between(line["low"], line["high"], places),
        ],
        patients=n if all_ > 1 else None,
    )


def unplanned_table(series: Series, rounding: Rounding) -> Draft:
    """Movements meant not to happen."""
    rows = []
    for line in series.unplanned.to_dict("records"):
        n, planned = int(line["movements"]), int(line["movements"] + line["not_measured"])
        movement, unit = str(line["movement"]), str(line["unit"])
        places = rounding.movement(movement, unit)
        equal = line["equivalent"]
        rows.append(
            row(
                f"{movement} {line['tooth_class']}",
                [
                    titled(heading(movement), unit, class_name(str(line["tooth_class"]))),
                    counted_of(line["patients"], line["treated"]),
                    whole(n) if n == planned else counted_of(n, planned),
                    plain(line["mean"], places) if n else Cell(NOT_MEASURED),
                    between(line["tost_low"], line["tost_high"], places),
                    plain(line["limit"], 1),
                    p_cell(line["p_tost"]),
                    "–" if pd.isna(equal) else ("yes" if equal else "not shown"),
                    plain(line["largest"], places),
                ],
                patients=int(line["patients"]) if len(series.patients) > 1 else None,
            )
        )
    if rows:
        known = series.unplanned.dropna(subset="p_tost")
        rows += [
            row(key, [title, "", whole(n), *[""] * 6])
            for key, title, n in (
                ("movements", "All movements", series.unplanned["movements"].sum()),
                ("not measured", "Not measured", series.unplanned["not_measured"].sum()),
                ("groups", "Groups in which enough was measured for the test", len(known)),
                (
                    "equivalent",
                    "of these, equivalent to zero",
                    known["equivalent"].fillna(False).sum(),
                ),
            )
        ]
    columns = (
        "Movement",
        "Patients",
        "Movements",
        "Mean",
        interval_words(EQUIVALENCE),
        "Limit ±",
        "p, equivalence",
        "Equivalent to zero",
        "Largest",
    )
    notes = [
        "Mean of a mixed model with patients as clusters. Two one-sided tests against ± the limit; "
        "not adjusted for the number of groups. Not shown is not the same as moved. Patients and "
        "movements: measured, of those treated and of those with a plan of zero; the test needs "
        f"{FEWEST_PATIENTS} patients and {percent(LEAST_MEASURED)} of these movements.",
    ]
    return "Movements where the plan was zero", columns, rows, notes


def settings_table(series: Series) -> Draft:
    """Everything that was chosen, and what it was computed with."""
    low, high = series.bite.lever_range
    lines: list[tuple[str, str, str]] = [
        ("level", "Level of intervals", level_words(series.level)),
        (
            "equivalence",
            "Interval that goes with the equivalence test",
            level_words(EQUIVALENCE),
        ),
        ("alpha", "Level of tests", f"{STANDS_OUT:g}"),
        *[
            (f"tolerance {unit}", f"Size that matters, {unit_symbol(unit)}", f"{value:g}")
            for unit, value in series.tolerance.items()
        ],
        ("wilcoxon", "Signed rank test where patients are fewer than", str(SMALL)),
        ("lever", "Lever, mm of overbite per mm of molar intrusion", f"{series.bite.lever:g}"),
        ("lever range", "Range of the lever", f"{low:g} to {high:g}"),
        ("resamples", "Bootstrap resamples", count(RESAMPLES)),
        ("seed", "Seed of everything drawn at random", str(series.seed)),
        ("equivalence patients", "Patients that the equivalence test needs", str(FEWEST_PATIENTS)),
        (
            "equivalence share",
            "Share of movements with a plan of zero that it needs measured",
            level_words(LEAST_MEASURED),
        ),
        ("few", "Patients below which a line is marked", str(FEW_PATIENTS)),
    ]
    found = versions()
    lines += [(f"software {n}", capital(n) if n == "python" else n, found[n]) for n in SOFTWARE]
    lines += [
        ("input", "Input file", series.cohort.source),
        ("sha256", "SHA-256 of the input", series.cohort.sha256),
    ]
    rows = [row(key, [title, Cell(text, text)]) for key, title, text in lines]
    return "Settings and software", ("Item", "Value"), rows, []


def reference_table() -> Draft:
    """What the words cite."""
    rows = [
        row(key, [Cell(str(place), place), text])
        for place, (key, text) in enumerate(REFERENCES.items(), start=1)
    ]
    return "References", ("No.", "Reference"), rows, []
