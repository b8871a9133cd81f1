"""The supplement of a case series: cases, records, errors, comparisons, settings, references."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from outcomes.clinical.paired import SMALL
from outcomes.clinical.unplanned import FEWEST_PATIENTS, LEAST_MEASURED
from outcomes.domain.movements import FEW_PATIENTS
from outcomes.domain.names import class_name, heading, measure_name
from outcomes.reports.build.provenance import versions
from outcomes.reports.files.lines import dicts
from outcomes.reports.series.references import REFERENCES
from outcomes.reports.series.results import RESAMPLES
from outcomes.reports.series.rounding import (
    Rounding,
    between,
    counted_of,
    counted_share,
    mean_sd,
    plain,
)
from outcomes.reports.table import NOT_MEASURED, Cell, PaperTable, Row, row
from outcomes.words.english import capital
from outcomes.words.numbers import p_value
from outcomes.words.units import NBSP

if TYPE_CHECKING:
    from outcomes.reports.series.results import Series

__all__ = ["BITE_TEETH", "bite_way", "supplement_tables"]

UNIT = {"mm": "mm", "degree": "°"}
SOFTWARE = ("python", "outcomes", "numpy", "scipy", "pandas", "statsmodels", "pingouin")

Draft = tuple[str, tuple[str, ...], list[Row], list[str]]


def supplement_tables(series: Series, rounding: Rounding) -> dict[str, PaperTable]:
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
    tables: dict[str, PaperTable] = {}
    for short, (title, columns, rows, notes) in drafts.items():
        if rows:
            place = len(tables) + 1
            tables[short] = PaperTable(
                f"table_s{place}_{short}",
                f"Table S{place}",
                title,
                columns,
                tuple(rows),
                tuple(notes),
            )
    return tables


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
        count = len(own) or cohort.movements.query("patient == @patient")["course"].nunique()
        aligners = own["aligners"].sum() if "aligners" in own and len(own) else float("nan")
        places = rounding.measure("overbite")
        start, end = (
            (bite.loc[patient, "start"], bite.loc[patient, "end"])
            if patient in bite.index
            else (float("nan"), float("nan"))
        )
        rows.append(
            row(
                patient,
                [
                    patient,
                    Cell(capital(kinds.get(patient, "–"))),
                    Cell(str(count), int(count)),
                    plain(aligners, 0),
                    plain(start, places),
                    plain(end, places),
                    Cell(str(len(left)), len(left)),
                    counted_share(int(left["within"].sum()), len(left)),
                ],
            )
        )
    limits = " or ".join(
        f"{v:g}{'°' if u == 'degree' else f'{NBSP}{u}'}" for u, v in series.tolerance.items()
    )
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
    rows = []
    for place, line in enumerate(series.cohort.ledger.to_dict("records")):
        rows.append(
            row(
                f"{line['table']} {line['step']} {place}",
                [
                    capital(str(line["table"])),
                    str(line["step"]),
                    str(line["reason"]),
                    Cell(f"{int(line['rows']):,}", int(line["rows"])),
                    Cell(str(int(line["patients"])), int(line["patients"])),
                ],
            )
        )
    movements = series.cohort.ledger
    movements = movements[movements["table"] == "movements"]
    for step in ("read", "excluded", "analysed"):
        count = int(movements.loc[movements["step"] == step, "rows"].sum())
        rows.append(
            row(f"movements {step}", ["Movements", step, "all", Cell(f"{count:,}", count), ""])
        )
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
                    f"{heading(movement)}, {UNIT.get(unit, unit)}",
                    Cell(str(int(line["pairs"])), int(line["pairs"])),
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
                    Cell("not tested")
                    if pd.isna(line["p_holm"])
                    else Cell(p_value(line["p_holm"]), float(line["p_holm"])),
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
        f"95{NBSP}% interval",
        "p, adjusted",
    )
    return "Differences between kinds of tooth, in percentage points", columns, rows, notes


def course_table(series: Series, rounding: Rounding) -> Draft:
    """Measures from course to course."""
    table = series.before_after.table
    rows = []
    for line in dicts(table[table["period"] != "total"]):
        n = int(line["patients"])
        if not n or (line["measure"] in series.opposed and series.split):
            continue
        rows.append(_course_line(line, "", rounding, n, len(series.patients)))
    if series.before_after_split is not None:
        table = series.before_after_split.table
        table = table[(table["period"] != "total") & table["measure"].isin(series.opposed)]
        for line in dicts(table):
            n = int(line["patients"])
            if n:
                group = str(line[str(series.split)])
                rows.append(_course_line(line, group, rounding, n, len(series.patients)))
    if len({line.cells[1].text for line in rows}) < 2:
        rows = []
    columns = (
        "Measure",
        "Course",
        "Patients",
        "Before",
        "After",
        "Difference",
        f"95{NBSP}% interval",
    )
    notes = ["Means (SD). Patients who went on to a further course are not a random part of all."]
    return "Measures from course to course", columns, rows, notes


def _course_line(line: dict[str, Any], group: str, rounding: Rounding, n: int, all_: int) -> Row:
    places = rounding.measure(line["measure"])
    unit = UNIT.get(line["unit"], line["unit"])
    title = f"{capital(measure_name(line['measure']))}, {unit}{f'; {group}' if group else ''}"
    return row(
        f"{line['measure']} {group} {line['period']}",
        [
            title,
            str(line["period"]).removeprefix("course "),
            Cell(str(n), n),
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
                    f"{heading(movement)}, {UNIT.get(unit, unit)}; {class_name(str(line['tooth_class']))}",
                    counted_of(line["patients"], line["treated"]),
                    Cell(str(n), n) if n == planned else counted_of(n, planned),
                    plain(line["mean"], places) if n else Cell(NOT_MEASURED),
                    between(line["tost_low"], line["tost_high"], places),
                    plain(line["limit"], 1),
                    "–"
                    if pd.isna(line["p_tost"])
                    else Cell(p_value(line["p_tost"]), line["p_tost"]),
                    "–" if pd.isna(equal) else ("yes" if equal else "not shown"),
                    plain(line["largest"], places),
                ],
                patients=int(line["patients"]) if len(series.patients) > 1 else None,
            )
        )
    if rows:
        known = series.unplanned.dropna(subset="p_tost")
        shown = int(known["equivalent"].fillna(False).sum())
        total = int(series.unplanned["movements"].sum())
        unseen = int(series.unplanned["not_measured"].sum())
        blank = [""] * 5
        rows += [
            row("movements", ["All movements", "", Cell(str(total), total), *blank, ""]),
            row("not measured", ["Not measured", "", Cell(str(unseen), unseen), *blank, ""]),
            row(
                "groups",
                [
                    "Groups in which enough was measured for the test",
                    "",
                    Cell(str(len(known)), len(known)),
                    *blank,
                    "",
                ],
            ),
            row(
                "equivalent",
                ["of these, equivalent to zero", "", Cell(str(shown), shown), *blank, ""],
            ),
        ]
    columns = (
        "Movement",
        "Patients",
        "Movements",
        "Mean",
        f"90{NBSP}% interval",
        "Limit ±",
        "p, equivalence",
        "Equivalent to zero",
        "Largest",
    )
    notes = [
        "Mean of a mixed model with patients as clusters. Two one-sided tests against ± the limit; "
        "not adjusted for the number of groups. Not shown is not the same as moved. Patients and "
        "movements: measured, of those treated and of those with a plan of zero; the test needs "
        f"{FEWEST_PATIENTS} patients and {LEAST_MEASURED:.0%} of these movements.".replace(
            "%", f"{NBSP}%"
        ),
    ]
    return "Movements where the plan was zero", columns, rows, notes


BITE_TEETH = {
    "upper_incisor": ("upper incisors", "extrusion", "intrusion"),
    "lower_incisor": ("lower incisors", "extrusion", "intrusion"),
    "from_posterior": ("molars", "intrusion", "extrusion"),
}
"""Teeth of a component, and which way they moved to add to the overbite and to take from it."""


def bite_way(component: str, text: str) -> str:
    """How teeth moved to change the overbite by a printed number.

    Examples
    --------
    >>> bite_way("lower_incisor", "−1.7 (0.2)"), bite_way("from_posterior", "0.4")
    ('intrusion of lower incisors', 'intrusion of molars')
    >>> bite_way("upper_incisor", "0.0"), bite_way("upper_incisor", NOT_MEASURED)
    ('vertical movement of upper incisors', 'vertical movement of upper incisors')
    """
    teeth, more, less = BITE_TEETH[component]
    if not any(figure in "123456789" for figure in text.split(" ")[0]):
        return f"vertical movement of {teeth}"
    return f"{less if text.startswith('−') else more} of {teeth}"


def bite_table(series: Series, rounding: Rounding) -> Draft:
    """What changed the overbite."""
    table = series.bite.average
    by = series.split if series.split in table.columns else None
    places = max(1, rounding.measure("overbite"))
    rows = []
    for line in table.to_dict("records"):
        group = str(line[by]) if by else "all"
        n = int(line["patients"])
        component = str(line["component"])
        mean = mean_sd(line["mean"], line["sd"], places) if n else Cell(NOT_MEASURED)
        if component in BITE_TEETH:
            name = f"From {bite_way(component, mean.text)}"
        else:
            name = {"change": "Change of overbite"}.get(component, "Not explained")
            mean = mean if n else Cell("–")
        rows.append(
            row(
                f"{group} {component}",
                [
                    f"{name}{f'; {group}' if by else ''}",
                    counted_of(n, line["treated"]),
                    mean,
                    between(line["low"], line["high"], places),
                    Cell("–")
                    if not abs(line["range_high"] - line["range_low"]) >= 1e-9
                    else between(line["range_low"], line["range_high"], places),
                ],
                patients=n if len(series.patients) > 1 else None,
            )
        )
    low, high = series.bite.lever_range
    notes = [
        f"1 mm of molar intrusion is taken to give {series.bite.lever:g} mm of overbite (range "
        f"{low:g} to {high:g}) where there is no hinge model. Not explained: error of measurement, "
        "the patient's own lever, growth, tipping. Each line: what it added to the overbite (mm), "
        "a mean over the teeth and patients measured in every course, with patients measured of "
        "those treated; lines of different patients need not add up.",
    ]
    columns = ("Part, mm", "Patients", "Mean (SD)", f"95{NBSP}% interval", "Range over the lever")
    return "What changed the overbite", columns, rows, notes


def settings_table(series: Series) -> Draft:
    """Everything that was chosen, and what it was computed with."""
    low, high = series.bite.lever_range
    lines: list[tuple[str, str, str]] = [
        ("level", "Level of intervals", f"95{NBSP}%"),
        ("equivalence", "Interval that goes with the equivalence test", f"90{NBSP}%"),
        ("alpha", "Level of tests", "0.05"),
        *[
            (f"tolerance {unit}", f"Size that matters, {UNIT[unit]}", f"{value:g}")
            for unit, value in series.tolerance.items()
        ],
        ("wilcoxon", "Signed rank test where patients are fewer than", str(SMALL)),
        ("lever", "Lever, mm of overbite per mm of molar intrusion", f"{series.bite.lever:g}"),
        ("lever range", "Range of the lever", f"{low:g} to {high:g}"),
        ("resamples", "Bootstrap resamples", f"{RESAMPLES:,}"),
        ("seed", "Seed of everything drawn at random", str(series.seed)),
        ("equivalence patients", "Patients that the equivalence test needs", str(FEWEST_PATIENTS)),
        (
            "equivalence share",
            "Share of movements with a plan of zero that it needs measured",
            f"{100 * LEAST_MEASURED:g}{NBSP}%",
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
