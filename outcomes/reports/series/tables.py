"""The tables of a case series for print: patients, achievement, model, before and after."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from outcomes.domain.names import class_name, heading, measure_name
from outcomes.rates.design import NOT_IDENTIFIED
from outcomes.reports.series.cells import (
    INDENT,
    Cells,
    Draft,
    Line,
    Tables,
    numbered,
    p_cell,
    titled,
    whole,
)
from outcomes.reports.series.results import Series
from outcomes.reports.series.rounding import (
    UNKNOWN,
    Rounding,
    between,
    counted_share,
    mean_sd,
    plain,
)
from outcomes.reports.series.supplement import supplement_tables
from outcomes.reports.table import Cell
from outcomes.words.english import capital, listed
from outcomes.words.numbers import interval_words, level_words, number
from outcomes.words.units import NBSP, unit_mark


def manuscript_tables(series: Series) -> Tables:
    """Every table that the series fills; the numbered ones first, then the supplement.

    Parameters
    ----------
    series
        From `outcomes.reports.series.results.run_series`.

    Returns
    -------
    dict
        patients, achievement, rates, before_after (Tables 1 to 4, those with lines, numbered in
        turn), then the supplement: cases, records, measurement, contrasts, courses, unplanned,
        bite, settings, references.
    """
    rounding = Rounding(series)
    made = {
        "patients": patient_table(series),
        "achievement": achievement_table(series, rounding),
        "rates": rate_table(series, rounding),
        "before_after": before_after_table(series, rounding),
    }
    return numbered(made, one=len(series.patients) == 1) | supplement_tables(series, rounding)


def patient_table(series: Series) -> Draft:
    """Who was treated, and how."""
    people, cohort = series.patients, series.cohort
    n = len(people)
    value = "Value" if n == 1 else f"n = {n}"
    table = cohort.patients
    table = table[table["patient"].isin(people)] if "patient" in table else table
    known = [name for name in table if table[name].notna().any()]
    rows: list[_Fact] = [("patients", "Patients", whole(n), None)]
    if "age" in known:
        rows += _spread("age", "Age, years", table["age"], n)
    for name in ("sex", "growing", "malocclusion", "clinician", "site"):
        if name in known:
            rows += _levels(name, table[name], n)
    frame = cohort.movements
    planned = frame[frame["planned"] != 0]
    rows += [
        *_treatment(series),
        ("teeth", "Teeth with a planned movement", whole(planned["tooth_site"].nunique()), None),
        ("planned", "Planned movements", whole(len(planned)), None),
        ("unplanned", "Movements with a plan of zero", whole(len(frame) - len(planned)), None),
    ]
    lines = [
        Line(key, {"": title, value: cell or ""}, patients, heading=cell is None)
        for key, title, cell, patients in rows
    ]
    notes = ["Numbers of patients (%), unless stated."] if n > 1 else []
    if n > 1 and any("median" in title for _, title, *_ in rows):
        notes.append("Medians with the smallest and the largest value.")
    if "growing" in known:
        notes.append("Growing: as recorded by the clinician.")
    title = "Characteristics of the patient" if n == 1 else "Characteristics of the patients"
    return f"{title} and of treatment", lines, notes


_Fact = tuple[str, str, Cell | None, int | None]
"""A line of the table of patients: name, title, value (None: a heading), patients."""


def _spread(key: str, title: str, values: pd.Series, n: int) -> list[_Fact]:
    """A number of each patient: itself for one, else mean (SD) and median (range)."""
    found = values.dropna().astype(float)
    places = 0 if np.allclose(found, np.round(found)) else 1
    if len(found) == 0:
        return []
    if n == 1:
        return [(key, title, plain(found.iloc[0], places), None)]
    missing = f"; {n - len(found)} not recorded" if len(found) < n else ""
    middle, low, high = (float(v) for v in (found.median(), found.min(), found.max()))
    text = number(middle, places if middle.is_integer() or places else 1)
    cell = Cell(f"{text} ({number(low, places)} to {number(high, places)})", (middle, low, high))
    return [
        (
            f"{key} mean",
            f"{title}, mean (SD){missing}",
            mean_sd(found.mean(), found.std(), 1),
            None,
        ),
        (f"{key} median", f"{title}, median (range){missing}", cell, None),
    ]


def _levels(name: str, values: pd.Series, n: int) -> list[_Fact]:
    """The level of one patient, else how many patients have each, and how many none."""
    counts = values.dropna().astype(str).value_counts(sort=False).sort_index()
    if n == 1:
        text = counts.index[0]
        return [(name, capital(name), Cell(text, text), None)]
    levels = [(f"{name} {level}", capital(str(level)), int(k)) for level, k in counts.items()]
    if missing := n - int(counts.sum()):
        levels.append((f"{name} blank", "Not recorded", missing))
    return [
        (name, capital(name), None, None),
        *((key, f"{INDENT}{title}", counted_share(k, n), k) for key, title, k in levels),
    ]


def _treatment(series: Series) -> list[_Fact]:
    """Courses, aligners, days and wear of each patient."""
    cohort, n = series.cohort, len(series.patients)
    courses = cohort.courses
    courses = courses[courses["patient"].isin(series.patients)] if len(courses) else courses
    if not len(courses):
        per = cohort.movements.groupby("patient")["course"].nunique()
        return _spread("courses", "Courses of aligners", per, n) if len(per) else []
    by = courses.groupby("patient")
    rows = _spread("courses", "Courses of aligners", by["course"].nunique(), n)
    if "aligners" in courses:
        rows += _spread("aligners", "Aligners", by["aligners"].sum(min_count=1), n)
    if {"start", "end"} <= set(courses.columns):
        days = (by["end"].max() - by["start"].min()).dt.days
        rows += _spread("days", "Days from start to last scan", days, n)
    if "wear_hours" in courses:
        rows += _spread("wear", "Wear, hours a day", by["wear_hours"].mean().round(1), n)
    return rows


def achievement_table(series: Series, rounding: Rounding) -> Draft:
    """Planned and achieved, described without a model."""
    rows: list[Line] = []
    one = len(series.patients) == 1
    for movement, part in series.by_class.groupby("movement", sort=False, observed=True):
        unit = _unit_of(series, str(movement))
        places = rounding.movement(str(movement), unit)
        every = series.overall[series.overall["movement"].astype(str) == str(movement)]
        title = titled(heading(str(movement)), unit)
        rows.append(_achieved(f"{movement} all", title, every.iloc[0], places))
        if len(part) > 1:
            rows += [
                _achieved(f"{movement} {kind}", _below(kind), line, places)
                for kind, (_, line) in zip(part["tooth_class"], part.iterrows(), strict=True)
            ]
    notes = [
        "Planned and achieved in the planned direction: below zero is a movement the other way. "
        "Missed by: mean of |planned − achieved|.",
        f"On target: within {_limits(series)} of the plan. Pooled rate: achieved over planned "
        "movement, summed over teeth"
        f"{'' if one else '; the rates of the model are in the next table'}.",
        _rounding_note(rounding),
    ]
    return "Planned and achieved movement, by kind of tooth", rows, notes


def _below(kind: str) -> str:
    """The kind of tooth of a line, below its movement."""
    return f"{INDENT}{capital(class_name(str(kind)))}"


def _achieved(key: str, title: str, line: Any, places: int) -> Line:
    n = int(line["movements"])
    cells: Cells = {
        "Movement": title,
        "Patients": whole(line["patients"]),
        "Movements": whole(n),
        "Planned, mean (SD)": mean_sd(line["planned_mean"], line["planned_sd"], places),
        "Achieved, mean (SD)": mean_sd(line["achieved_mean"], line["achieved_sd"], places),
        "Missed by": plain(line["mean_absolute_error"], places),
        "On target": counted_share(round(float(line["within_tolerance"]) * n), n),
        "Other way": counted_share(round(float(line["wrong_way"]) * n), n),
        "Pooled rate, %": _rate(line["pooled_rate"]),
    }
    return Line(key, cells, int(line["patients"]))


def _rate(share: float) -> Cell:
    return Cell("–") if pd.isna(share) else Cell(number(100 * share, 0), float(share))


def rate_table(series: Series, rounding: Rounding) -> Draft:
    """Rates of the model, and the spread of patients, teeth and the rest."""
    rows: list[Line] = []
    for movement, fit in series.fits.items():
        unit = str(fit.unit or _unit_of(series, movement))
        sd = dict(zip(fit.variance["component"], fit.variance["sd"], strict=True))
        residual = plain(sd["residual"], max(1, rounding.movement(movement, unit)))
        spread: Cells = {
            "SD, patients": plain(100 * sd["patient"], 0),
            "SD, teeth": plain(100 * sd["tooth"], 0) if "tooth" in sd else Cell("–"),
            "SD, residual": Cell(f"{residual.text}{unit_mark(unit)}", residual.value),
        }
        if fit.tooth_level == NOT_IDENTIFIED:
            spread |= {name: Cell(NOT_IDENTIFIED) for name in ("SD, teeth", "SD, residual")}
        key, every = f"{movement} all", fit.rates.iloc[0]
        rows.append(_modelled(key, heading(movement), every, series.level, spread))
        by_class = series.class_fits.get(movement)
        if by_class is not None and len(by_class.rates) > 1:
            rows += [
                _modelled(f"{movement} {line['group']}", _below(line["group"]), line, series.level)
                for _, line in by_class.rates.iterrows()
            ]
    notes = [
        "Rate: share of the plan that was achieved, a slope through the origin; whole per cent, as "
        "the intervals are wider than that. Intervals: t on Satterthwaite degrees of freedom.",
        "SD: between patients and between teeth of a patient (of the rate, in percentage points), "
        "and of a single movement about its fitted value; of the model with one rate for all teeth. "
        "0 means that the estimate lies on its boundary.",
        *[f"No rate for {name}: {reason}" for name, reason in series.fits.failed.items()],
    ]
    return "Achievement rates of the mixed model, by kind of tooth", rows, notes


def _modelled(key: str, title: str, line: Any, level: float, spread: Cells | None = None) -> Line:
    cells: Cells = {
        "Movement": title,
        "Patients": whole(line["patients"]),
        "Movements": whole(line["movements"]),
        "Rate, %": _rate(line["rate"]),
        interval_words(level): between(line["low"], line["high"], 0, 100.0),
    }
    return Line(key, cells | (spread or {}), int(line["patients"]))


def before_after_table(series: Series, rounding: Rounding) -> Draft:
    """Measures before and after, groups apart where they should move opposite ways."""
    rows: list[Line] = []
    level = series.before_after.level
    means = "" if len(series.patients) == 1 else ", mean (SD)"
    for line, group in lines_of(series):
        places = rounding.measure(line["measure"])
        of = int(line["with_target"])
        judged = of > 0 and line["unit"] in series.tolerance
        start, end = (
            Cell(f"{int(line[met])}/{of}", int(line[met])) if judged else Cell("–")
            for met in ("met_at_start", "met")
        )
        cells: Cells = {
            "Measure": titled(capital(measure_name(line["measure"])), line["unit"], group),
            "Patients": whole(line["patients"]),
            f"Start{means}": mean_sd(line["start_mean"], line["start_sd"], places),
            f"End{means}": mean_sd(line["end_mean"], line["end_sd"], places),
            "Difference": plain(line["difference"], places),
            interval_words(level): between(line["low"], line["high"], places),
            "p": p_cell(line["p"]),
            "p, signed rank": p_cell(line["wilcoxon_p"]),
            "d": plain(line["effect_size"], 1),
            "On target, start": start,
            "On target, end": end,
        }
        rows.append(Line(line_key(line, group), cells, int(line["patients"])))
    notes = [
        f"Difference: end minus start, paired, with its {level_words(level)} t interval; signed rank: Wilcoxon; "
        "d: Cohen's d of paired data, difference over the root mean square of both SDs. p values "
        "are not adjusted for the number of measures.",
        f"On target: patients within {_limits(series, measures=True)} of their target. A measure "
        "taken at teeth is the patient's mean over them.",
        "Differences are computed before rounding. Rounded as recorded: no reading of these measures "
        "was repeated.",
        *target_notes(series),
    ]
    if series.split and series.opposed:
        notes.append(
            f"By {series.split} where the target lies above the start in some patients and below it "
            "in others: one mean of both would say little."
        )
    return "Measures at the start and at the last scan", rows, notes


def target_notes(series: Series) -> list[str]:
    """That overbite and open bite, two sides of one thing, are judged against their own targets."""
    lines = [line for line, _ in lines_of(series) if line["with_target"]]
    names = {str(line["measure"]) for line in lines}
    if not {"overbite", "open_bite"} <= names:
        return []
    rows = series.cohort.measures
    said = []
    for name in ("overbite", "open_bite"):
        aims = rows.loc[rows["measure"] == name, "target"].dropna()
        low, high = f"{aims.min():g}", f"{aims.max():g}"
        size = low if low == high else f"{low} to {high}"
        said.append(f"{measure_name(name)} {size}{NBSP}mm".replace("-", "−"))
    return [
        f"The targets differ ({' and '.join(said)}): a patient can be on one and off the other."
    ]


def lines_of(series: Series) -> list[tuple[dict[str, Any], str]]:
    """Lines of the table before and after, with their group ("" for everybody)."""

    def totals(table: pd.DataFrame) -> list[dict[str, Any]]:
        rows: Any = table[(table["period"] == "total") & (table["patients"] > 0)]
        return list(rows.to_dict("records"))

    lines, split = [], series.before_after_split
    for line in totals(series.before_after.table):
        if split is None or line["measure"] not in series.opposed:
            lines.append((line, ""))
            continue
        parts = split.table[split.table["measure"] == line["measure"]]
        lines += [(part, str(part[str(series.split)])) for part in totals(parts)]
    return lines


def line_key(line: Mapping[str, Any], group: str) -> str:
    """The name of the line of a measure and group."""
    return f"{line['measure']} {group or 'all'}"


def _unit_of(series: Series, movement: str) -> str:
    rows = series.cohort.movements
    found = rows.loc[rows["movement"] == movement, "unit"]
    return str(found.iloc[0]) if len(found) else ""


def _limits(series: Series, *, measures: bool = False) -> str:
    rows = series.cohort.measures if measures else series.cohort.movements
    if measures and "target" in rows:
        rows = rows[rows["target"].notna()]
    units = set(rows["unit"].astype(str)) if "unit" in rows else set()
    found = [f"{v:g}{unit_mark(unit)}" for unit, v in series.tolerance.items() if unit in units]
    return listed(found, "or") or "the tolerance"


def _rounding_note(rounding: Rounding) -> str:
    if not rounding.errors:
        places = listed(f"{10.0**-n:g}{unit_mark(unit)}" for unit, n in UNKNOWN.items())
        return f"Rounded to {places}: no reading was repeated, so the error is not known."
    return (
        "Rounded to the place of the measurement error (Dahlberg's error of repeated readings, in "
        "the supplement)."
    )
