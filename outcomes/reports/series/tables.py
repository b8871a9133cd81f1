"""The tables of a case series for print: patients, achievement, model, before and after."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes.domain.names import class_name, heading, measure_name
from outcomes.rates.design import NOT_IDENTIFIED
from outcomes.reports.files.lines import dicts
from outcomes.reports.series.cells import INDENT, Draft, Tables, numbered, p_cell, titled, whole
from outcomes.reports.series.rounding import (
    UNKNOWN,
    Rounding,
    between,
    counted_share,
    mean_sd,
    plain,
)
from outcomes.reports.series.supplement import supplement_tables
from outcomes.reports.table import Cell, Row, row
from outcomes.words.english import capital, listed
from outcomes.words.numbers import interval_words, level_words, number
from outcomes.words.units import NBSP, unit_mark

if TYPE_CHECKING:
    from outcomes.reports.series.results import Series

__all__ = ["Tables", "lines_of", "manuscript_tables", "target_notes"]


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
    return numbered(made) | supplement_tables(series, rounding)


def patient_table(series: Series) -> Draft:
    """Who was treated, and how."""
    people, cohort = series.patients, series.cohort
    n = len(people)
    table = cohort.patients
    table = table[table["patient"].isin(people)] if "patient" in table else table
    rows = [row("patients", ["Patients", whole(n)])]
    if "age" in table and table["age"].notna().any():
        rows += _spread("age", "Age, years", table["age"], n)
    for name in ("sex", "growing", "malocclusion", "clinician", "site"):
        if name in table and table[name].notna().any():
            rows += _levels(name, capital(name), table[name], n)
    frame = cohort.movements
    planned = frame[frame["planned"] != 0]
    rows += [
        *_treatment(series),
        row("teeth", ["Teeth with a planned movement", whole(planned["tooth_site"].nunique())]),
        row("planned", ["Planned movements", whole(len(planned))]),
        row("unplanned", ["Movements with a plan of zero", whole(len(frame) - len(planned))]),
    ]
    notes = ["Numbers of patients (%), unless stated."] if n > 1 else []
    if n > 1 and any("median" in line.cells[0].text for line in rows):
        notes.append("Medians with the smallest and the largest value.")
    if "growing" in table and table["growing"].notna().any():
        notes.append("Growing: as recorded by the clinician.")
    title = "Characteristics of the patient" if n == 1 else "Characteristics of the patients"
    head = "Value" if n == 1 else f"n = {n}"
    return f"{title} and of treatment", ("", head), rows, notes


def _spread(key: str, title: str, values: pd.Series, n: int) -> list[Row]:
    """A number of each patient: itself for one, else mean (SD) and median (range)."""
    found = values.dropna().astype(float)
    places = 0 if np.allclose(found, np.round(found)) else 1
    if len(found) == 0:
        return []
    if n == 1:
        return [row(key, [title, plain(found.iloc[0], places)])]
    missing = f"; {n - len(found)} not recorded" if len(found) < n else ""
    middle = found.median()
    text = (
        f"{number(middle, places if float(middle).is_integer() or places else 1)} "
        f"({number(found.min(), places)} to {number(found.max(), places)})"
    )
    cell = Cell(text, (float(middle), float(found.min()), float(found.max())))
    return [
        row(f"{key} mean", [f"{title}, mean (SD){missing}", mean_sd(found.mean(), found.std(), 1)]),
        row(f"{key} median", [f"{title}, median (range){missing}", cell]),
    ]


def _levels(name: str, title: str, values: pd.Series, n: int) -> list[Row]:
    counts = values.dropna().astype(str).value_counts(sort=False).sort_index()
    if n == 1:
        text = counts.index[0]
        return [row(name, [title, Cell(text, text)])]
    rows = [row(name, [title, ""], heading=True)]
    rows += [
        row(
            f"{name} {level}",
            [f"{INDENT}{capital(str(level))}", counted_share(int(k), n)],
            patients=int(k),
        )
        for level, k in counts.items()
    ]
    missing = n - int(counts.sum())
    if missing:
        cells = (f"{INDENT}Not recorded", counted_share(missing, n))
        rows.append(row(f"{name} blank", cells, patients=missing))
    return rows


def _treatment(series: Series) -> list[Row]:
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
    rows: list[Row] = []
    one = len(series.patients) == 1
    for movement, part in series.by_class.groupby("movement", sort=False, observed=True):
        unit = _unit_of(series, str(movement))
        places = rounding.movement(str(movement), unit)
        every = series.overall[series.overall["movement"].astype(str) == str(movement)].iloc[0]
        title = titled(heading(str(movement)), unit)
        rows.append(_achieved(f"{movement} all", title, every, places, one))
        if len(part) > 1:
            rows += [
                _achieved(
                    f"{movement} {line['tooth_class']}",
                    _kind(line, "tooth_class"),
                    line,
                    places,
                    one,
                )
                for line in dicts(part)
            ]
    limits = _limits(series)
    notes = [
        "Planned and achieved in the planned direction: below zero is a movement the other way. "
        "Missed by: mean of |planned − achieved|.",
        f"On target: within {limits} of the plan. Pooled rate: achieved over planned movement, "
        f"summed over teeth{'' if one else '; the rates of the model are in the next table'}.",
        _rounding_note(rounding),
    ]
    columns = (
        "Movement",
        "Patients",
        "Movements",
        "Planned, mean (SD)",
        "Achieved, mean (SD)",
        "Missed by",
        "On target",
        "Other way",
        "Pooled rate, %",
    )
    return "Planned and achieved movement, by kind of tooth", columns, rows, notes


def _kind(line: dict[str, Any], column: str) -> str:
    """The kind of tooth of a line, below its movement."""
    return f"{INDENT}{capital(class_name(str(line[column])))}"


def _achieved(key: str, title: str, line: Any, places: int, one: bool) -> Row:
    n = int(line["movements"])
    patients = int(line["patients"])
    return row(
        key,
        [
            title,
            whole(patients),
            whole(n),
            mean_sd(line["planned_mean"], line["planned_sd"], places),
            mean_sd(line["achieved_mean"], line["achieved_sd"], places),
            plain(line["mean_absolute_error"], places),
            counted_share(round(float(line["within_tolerance"]) * n), n),
            counted_share(round(float(line["wrong_way"]) * n), n),
            _rate(line["pooled_rate"]),
        ],
        patients=None if one else patients,
    )


def _rate(share: float) -> Cell:
    cell = plain(100 * share if pd.notna(share) else share, 0)
    return Cell(cell.text, None if pd.isna(share) else float(share))


def rate_table(series: Series, rounding: Rounding) -> Draft:
    """Rates of the model, and the spread of patients, teeth and the rest."""
    rows: list[Row] = []
    for movement, fit in series.fits.items():
        unit = str(fit.unit or _unit_of(series, movement))
        sd = dict(zip(fit.variance["component"], fit.variance["sd"], strict=True))
        residual = plain(sd["residual"], max(1, rounding.movement(movement, unit)))
        spread = [
            plain(100 * sd["patient"], 0),
            plain(100 * sd["tooth"], 0) if "tooth" in sd else Cell("–"),
            Cell(f"{residual.text}{unit_mark(unit)}", residual.value),
        ]
        if fit.tooth_level == NOT_IDENTIFIED:
            spread[1:] = [Cell(NOT_IDENTIFIED), Cell(NOT_IDENTIFIED)]
        rows.append(_modelled(f"{movement} all", heading(movement), fit.rates.iloc[0], spread))
        by_class = series.class_fits.get(movement)
        if by_class is not None and len(by_class.rates) > 1:
            rows += [
                _modelled(f"{movement} {line['group']}", _kind(line, "group"), line, [Cell("")] * 3)
                for line in dicts(by_class.rates)
            ]
    notes = [
        "Rate: share of the plan that was achieved, a slope through the origin; whole per cent, as "
        "the intervals are wider than that. Intervals: t on Satterthwaite degrees of freedom.",
        "SD: between patients and between teeth of a patient (of the rate, in percentage points), "
        "and of a single movement about its fitted value; of the model with one rate for all teeth. "
        "0 means that the estimate lies on its boundary.",
        *[f"No rate for {name}: {reason}" for name, reason in series.fits.failed.items()],
    ]
    columns = (
        "Movement",
        "Patients",
        "Movements",
        "Rate, %",
        interval_words(series.level),
        "SD, patients",
        "SD, teeth",
        "SD, residual",
    )
    return "Achievement rates of the mixed model, by kind of tooth", columns, rows, notes


def _modelled(key: str, title: str, line: Any, spread: list[Cell]) -> Row:
    patients = int(line["patients"])
    return row(
        key,
        [
            title,
            whole(patients),
            whole(line["movements"]),
            _rate(line["rate"]),
            between(line["low"], line["high"], 0, 100.0),
            *spread,
        ],
        patients=patients,
    )


def before_after_table(series: Series, rounding: Rounding) -> Draft:
    """Measures before and after, groups apart where they should move opposite ways."""
    rows: list[Row] = []
    one = len(series.patients) == 1
    for line, group in lines_of(series):
        places = rounding.measure(line["measure"])
        n = int(line["patients"])
        title = titled(capital(measure_name(line["measure"])), line["unit"], group)
        with_target = int(line["with_target"])
        judged = with_target > 0 and line["unit"] in series.tolerance
        rows.append(
            row(
                f"{line['measure']} {group or 'all'}",
                [
                    title,
                    whole(n),
                    mean_sd(line["start_mean"], line["start_sd"], places),
                    mean_sd(line["end_mean"], line["end_sd"], places),
                    plain(line["difference"], places),
                    between(line["low"], line["high"], places),
                    p_cell(line["p"]),
                    p_cell(line["wilcoxon_p"]),
                    plain(line["effect_size"], 1),
                    *(
                        Cell(f"{int(line[met])}/{with_target}", int(line[met]))
                        if judged
                        else Cell("–")
                        for met in ("met_at_start", "met")
                    ),
                ],
                patients=None if one else n,
            )
        )
    interval = interval_words(series.before_after.level)
    notes = [
        f"Difference: end minus start, paired, with its {level_words(series.before_after.level)} t interval; signed rank: Wilcoxon; "
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
    columns = (
        "Measure",
        "Patients",
        "Start, mean (SD)",
        "End, mean (SD)",
        "Difference",
        interval,
        "p",
        "p, signed rank",
        "d",
        "On target, start",
        "On target, end",
    )
    if one:
        columns = (*columns[:2], "Start", "End", *columns[4:])
    return "Measures at the start and at the last scan", columns, rows, notes


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
    whole = series.before_after.table
    lines: list[tuple[dict[str, Any], str]] = []
    for line in dicts(whole[whole["period"] == "total"]):
        if not line["patients"]:
            continue
        split = series.before_after_split
        if split is None or line["measure"] not in series.opposed:
            lines.append((line, ""))
            continue
        parts = split.table
        parts = parts[(parts["period"] == "total") & (parts["measure"] == line["measure"])]
        lines += [
            (part, str(part[series.split])) for part in parts.to_dict("records") if part["patients"]
        ]
    return lines


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
