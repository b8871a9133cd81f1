"""The supplement of a case series: cases, records, errors, comparisons, settings, references."""

from __future__ import annotations

from typing import Any

import pandas as pd

from outcomes.clinical.paired import SMALL
from outcomes.clinical.unplanned import FEWEST_PATIENTS, LEAST_MEASURED
from outcomes.domain.limits import FEW_PATIENTS
from outcomes.domain.names import class_name, heading, measure_name
from outcomes.paths import versions
from outcomes.reports.build.provenance import PACKAGES
from outcomes.reports.common.references import REFERENCES
from outcomes.reports.common.rows import STANDS_OUT
from outcomes.reports.series.cells import (
    Cells,
    Draft,
    Line,
    Tables,
    numbered,
    p_cell,
    titled,
    whole,
)
from outcomes.reports.series.results import RESAMPLES, Series
from outcomes.reports.series.rounding import (
    Rounding,
    between,
    counted_of,
    counted_share,
    mean_sd,
    plain,
)
from outcomes.reports.table import NOT_MEASURED, Cell
from outcomes.words.english import capital, listed
from outcomes.words.numbers import LEVEL, count, interval_words, level_words, percent
from outcomes.words.units import unit_mark, unit_symbol

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
    return numbered(drafts, one=len(series.patients) == 1, mark="S")


def case_table(series: Series, rounding: Rounding) -> Draft:
    """One line for each patient."""
    cohort, places = series.cohort, rounding.measure("overbite")
    kinds = _by_patient(cohort.patients, "malocclusion")
    bite = series.before_after.patients
    bite = bite[(bite["period"] == "total") & (bite["measure"] == "overbite")]
    starts, ends = (_by_patient(bite, when) for when in ("start", "end"))
    rows = []
    for patient in series.patients:
        left = series.remaining[series.remaining["patient"] == patient]
        courses = cohort.courses
        own = courses[courses["patient"] == patient] if len(courses) else courses
        number = len(own) or cohort.movements.query("patient == @patient")["course"].nunique()
        aligners = own["aligners"].sum() if "aligners" in own and len(own) else None
        cells: Cells = {
            "Case": patient,
            "Malocclusion": capital(str(kinds.get(patient, "–"))),
            "Courses": whole(number),
            "Aligners": plain(aligners, 0),
            "Overbite, start (mm)": plain(starts.get(patient), places),
            "Overbite, end (mm)": plain(ends.get(patient), places),
            "Movements": whole(len(left)),
            "On target": counted_share(int(left["within"].sum()), len(left)),
        }
        rows.append(Line(patient, cells))
    limits = listed((f"{v:g}{unit_mark(u)}" for u, v in series.tolerance.items()), "or")
    notes = [
        f"Movements: of a tooth, over all courses. On target: within {limits} of the latest aim at "
        "the last scan.",
        "One line is one person: publish it only with consent.",
    ]
    return "The cases", rows, notes


def _by_patient(table: pd.DataFrame, column: str) -> dict[str, Any]:
    if column not in table.columns:
        return {}
    known = table.dropna(subset=column)
    return dict(zip(known["patient"].astype(str), known[column], strict=True))


def record_table(series: Series) -> Draft:
    """What became of each row that was read."""
    ledger = series.cohort.ledger
    rows = [
        Line(
            f"{line['table']} {line['step']} {place}",
            {
                "Sheet": capital(str(line["table"])),
                "Step": str(line["step"]),
                "Reason": str(line["reason"]),
                "Rows": whole(line["rows"]),
                "Patients": whole(line["patients"]),
            },
        )
        for place, line in enumerate(ledger.to_dict("records"))
    ]
    steps = ledger[ledger["table"] == "movements"].groupby("step")["rows"].sum()
    for step in ("read", "excluded", "analysed"):
        cells: Cells = {"Sheet": "Movements", "Step": step, "Reason": "all"}
        rows.append(Line(f"movements {step}", cells | {"Rows": whole(steps.get(step, 0))}))
    notes = ["Rows read are rows excluded and analysed, in every sheet."]
    return "What became of each row", rows, notes


def measurement_table(series: Series, rounding: Rounding) -> Draft:
    """Error of repeated readings."""
    rows = []
    for place, line in enumerate(series.measurement.to_dict("records")):
        movement, unit = str(line["movement"]), str(line["unit"])
        places = rounding.movement(movement, unit)
        several = place >= series.measurement["movement"].nunique()
        cells: Cells = {
            "Movement": titled(heading(movement), unit),
            "Pairs": whole(line["pairs"]),
            "Dahlberg's error": plain(line["dahlberg"], places),
            "Bias": plain(line["bias"], places),
            "Limits of agreement": between(line["loa_low"], line["loa_high"], places),
            "ICC(A,1)": plain(line["icc_a1"], 2),
            "Smallest detectable change": plain(line["smallest_detectable_change"], places),
        }
        rows.append(Line(f"{movement} {place}" if several else movement, cells))
    notes = [
        "Dahlberg's error: √(Σd²/2n). Limits of agreement: bias ± 1.96 SD of the differences. Smallest "
        "detectable change: 1.96 SEM, as each reading is of a movement, which is a change already."
    ]
    return "Measurement error, from repeated readings", rows, notes


def contrast_table(series: Series) -> Draft:
    """Differences between kinds of tooth."""
    rows = []
    for line in series.contrasts.to_dict("records"):
        movement, a, b = str(line["movement"]), str(line["a"]), str(line["b"])
        cells: Cells = {
            "Movement": heading(movement),
            "Rate of": capital(class_name(a)),
            "minus rate of": class_name(b),
            "Points": plain(100 * line["difference"], 0),
            interval_words(series.level): between(line["low"], line["high"], 0, 100.0),
            "p, adjusted": p_cell(line["p_holm"], "not tested"),
        }
        rows.append(Line(f"{movement} {a} {b}", cells))
    notes = ["p adjusted by Holm's method within each movement; the intervals are not adjusted."]
    if series.contrasts["p_holm"].isna().any():
        notes.append(f"Not tested: fewer than {FEW_PATIENTS} patients have one of the two kinds.")
    return "Differences between kinds of tooth, in percentage points", rows, notes


def course_table(series: Series, rounding: Rounding) -> Draft:
    """Measures from course to course."""
    table, split = series.before_after.table, series.before_after_split
    if split is not None:
        own = split.table[split.table["measure"].isin(series.opposed)]
        table = pd.concat([table[~table["measure"].isin(series.opposed)], own])
    table = table[(table["period"] != "total") & (table["patients"] > 0)]
    rows = []
    for line in table.to_dict("records"):
        group = line.get(str(series.split))
        who = "" if pd.isna(group) else str(group)
        places = rounding.measure(line["measure"])
        cells: Cells = {
            "Measure": titled(capital(measure_name(line["measure"])), line["unit"], who),
            "Course": str(line["period"]).removeprefix("course "),
            "Patients": whole(line["patients"]),
            "Before": mean_sd(line["start_mean"], line["start_sd"], places),
            "After": mean_sd(line["end_mean"], line["end_sd"], places),
            "Difference": plain(line["difference"], places),
            interval_words(series.before_after.level): between(line["low"], line["high"], places),
        }
        key = f"{line['measure']} {who} {line['period']}"
        rows.append(Line(key, cells, int(line["patients"])))
    notes = ["Means (SD). Patients who went on to a further course are not a random part of all."]
    return "Measures from course to course", rows if table["period"].nunique() > 1 else [], notes


def unplanned_table(series: Series, rounding: Rounding) -> Draft:
    """Movements meant not to happen."""
    rows = []
    for line in series.unplanned.to_dict("records"):
        n, planned = int(line["movements"]), int(line["movements"] + line["not_measured"])
        movement, unit = str(line["movement"]), str(line["unit"])
        places = rounding.movement(movement, unit)
        equal = line["equivalent"]
        cells: Cells = {
            "Movement": titled(heading(movement), unit, class_name(str(line["tooth_class"]))),
            "Patients": counted_of(line["patients"], line["treated"]),
            "Movements": whole(n) if n == planned else counted_of(n, planned),
            "Mean": plain(line["mean"], places) if n else Cell(NOT_MEASURED),
            interval_words(EQUIVALENCE): between(line["tost_low"], line["tost_high"], places),
            "Limit ±": plain(line["limit"], 1),
            "p, equivalence": p_cell(line["p_tost"]),
            "Equivalent to zero": "–" if pd.isna(equal) else ("yes" if equal else "not shown"),
            "Largest": plain(line["largest"], places),
        }
        rows.append(Line(f"{movement} {line['tooth_class']}", cells, int(line["patients"])))
    if rows:
        table = series.unplanned
        known = table.dropna(subset="p_tost")
        equal = known["equivalent"].fillna(False).sum()
        rows += [
            Line(key, {"Movement": title, "Movements": whole(n)})
            for key, title, n in (
                ("movements", "All movements", table["movements"].sum()),
                ("not measured", "Not measured", table["not_measured"].sum()),
                ("groups", "Groups in which enough was measured for the test", len(known)),
                ("equivalent", "of these, equivalent to zero", equal),
            )
        ]
    notes = [
        "Mean of a mixed model with patients as clusters. Two one-sided tests against ± the limit; "
        "not adjusted for the number of groups. Not shown is not the same as moved. Patients and "
        "movements: measured, of those treated and of those with a plan of zero; the test needs "
        f"{FEWEST_PATIENTS} patients and {percent(LEAST_MEASURED)} of these movements.",
    ]
    return "Movements where the plan was zero", rows, notes


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
        n, component = int(line["patients"]), str(line["component"])
        mean = mean_sd(line["mean"], line["sd"], places)
        if component in BITE_TEETH:
            mean = mean if n else Cell(NOT_MEASURED)
            name = f"From {bite_way(component, mean.text)}"
        else:
            name = "Change of overbite" if component == "change" else "Not explained"
        ends = (line["range_low"], line["range_high"])
        ranges = abs(ends[1] - ends[0]) >= 1e-9
        cells: Cells = {
            "Part, mm": f"{name}{f'; {group}' if by else ''}",
            "Patients": counted_of(n, line["treated"]),
            "Mean (SD)": mean,
            interval_words(series.bite.level): between(line["low"], line["high"], places),
            "Range over the lever": between(*ends, places) if ranges else Cell("–"),
        }
        rows.append(Line(f"{group} {component}", cells, n))
    low, high = series.bite.lever_range
    notes = [
        f"1 mm of molar intrusion is taken to give {series.bite.lever:g} mm of overbite (range "
        f"{low:g} to {high:g}) where there is no hinge model. Not explained: error of measurement, "
        "the patient's own lever, growth, tipping. Each line: what it added to the overbite (mm), "
        "a mean over the teeth and patients measured in every course, with patients measured of "
        "those treated; lines of different patients need not add up.",
    ]
    return "What changed the overbite", rows, notes


def settings_table(series: Series) -> Draft:
    """Everything that was chosen, and what it was computed with."""
    low, high = series.bite.lever_range
    lines: list[tuple[str, str, str]] = [
        ("level", "Level of intervals", level_words(series.level)),
        ("equivalence", "Interval that goes with the equivalence test", level_words(EQUIVALENCE)),
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
    found = versions(PACKAGES)
    lines += [(f"software {n}", capital(n) if n == "python" else n, found[n]) for n in SOFTWARE]
    lines += [
        ("input", "Input file", series.cohort.source),
        ("sha256", "SHA-256 of the input", series.cohort.sha256),
    ]
    rows = [Line(key, {"Item": title, "Value": Cell(text, text)}) for key, title, text in lines]
    return "Settings and software", rows, []


def reference_table() -> Draft:
    """What the words cite."""
    rows = [
        Line(key, {"No.": Cell(str(place), place), "Reference": text})
        for place, (key, text) in enumerate(REFERENCES.items(), start=1)
    ]
    return "References", rows, []
