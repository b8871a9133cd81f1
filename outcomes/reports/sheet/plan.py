"""The sheet of a plan: its tables, and what stands around them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from outcomes.errors import InputError
from outcomes.figures.landing import landing_ranges
from outcomes.overcorrect.aims import NEW_PATIENT
from outcomes.overcorrect.cautions import safer
from outcomes.overcorrect.plan import AS_AIMED, BEST, LEAST, Plan
from outcomes.reports.common.views import BLANK
from outcomes.reports.sheet import words
from outcomes.reports.sheet.form import (
    Picture,
    Section,
    Sheet,
    file_names,
    page,
    sheet_table,
    write_sheet,
)
from outcomes.reports.sheet.ways import Way, chance
from outcomes.words.english import capital, listed
from outcomes.words.numbers import percent
from outcomes.words.units import NBSP

__all__ = [
    "WAY",
    "WAY_WIDTH",
    "alternative_rows",
    "code_of",
    "left_out_lines",
    "pictures_of",
    "plan_rows",
    "plan_section",
    "sheet_html",
    "write_plan_sheet",
]

WAY = "Which way crown and root go"
"""The heading of the column in which every row of a sheet names its direction."""

WAY_WIDTH = -76.0
"""Of that column, as ``sheet_table`` takes it: the longest direction stands on one line."""

INSTEAD = "The same aims planned otherwise"
LEFT_OUT = "Left out, so that this sheet says nothing of them:"


def write_plan_sheet(
    plan: Plan, folder: str | Path, *, past: str = "", invented: bool = False
) -> list[Path]:
    """Write plan_sheet.html and plan_sheet.docx; for several patients a pair for each.

    With several patients the code follows the name, as plan_sheet_P007.html. The code of the
    patient stands at the head, at the foot of every page and in every row.

    Parameters
    ----------
    plan
        What ``outcomes.prescribe`` returns.
    folder
        Where to write.
    past
        What the rates were learnt from, as "practice.xlsx, 57 patients".
    invented
        Whether the past cases are invented.

    Returns
    -------
    list of Path
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    names = file_names("plan_sheet", plan.patients)
    if len(names) < 2:
        names = dict.fromkeys(plan.patients or [NEW_PATIENT], "plan_sheet")
    written = []
    for patient, name in names.items():
        one = plan.of_patient(patient) if len(names) > 1 else plan
        written += write_sheet(_sheet(one, past, invented), folder, name)
    return written


def sheet_html(plan: Plan, *, past: str = "", invented: bool = False) -> str:
    """The plan sheet of one patient as one page of HTML, nothing fetched from anywhere.

    Raises
    ------
    InputError
        If the plan is of several patients.

    Examples
    --------
    >>> from outcomes import fit_rate, prescribe, simulate_rates
    >>> fit = fit_rate(simulate_rates(20, seed=1, movement="vertical"))
    >>> page = sheet_html(prescribe(fit, pd.DataFrame({"tooth": [31], "aim": [-1.0]})))
    >>> "The treating clinician decides" in page
    True
    """
    if len(plan.patients) > 1:
        raise InputError(
            f"The plan is of {listed(plan.patients)}: a sheet is of one patient. Use "
            "plan.of_patient(code)."
        )
    return page(_sheet(plan, past, invented))


def code_of(plan: Plan) -> str:
    """The code of the one patient of a sheet; "" where the aims name none."""
    (patient,) = plan.patients or [NEW_PATIENT]
    return "" if patient == NEW_PATIENT else patient


def _sheet(plan: Plan, past: str, invented: bool) -> Sheet:
    code = code_of(plan)
    learnt = [f"Learnt from {past}."] if past else []
    sections = [
        plan_section(plan, code=code, before=[" ".join([*learnt, *words.aims_read_words(plan)])]),
        *([Section(LEFT_OUT, listed=left)] if (left := left_out_lines(plan)) else []),
        *pictures_of(plan),
        instead_section(plan, code=code),
    ]
    return Sheet("Plan sheet", code, tuple(sections), plan.standing, invented)


def plan_section(
    plan: Plan, *, code: str, before: list[str], flags: Mapping[int, str] | None = None
) -> Section:
    """The plan as it stands on page one: its table, notes once, and how to read it.

    Parameters
    ----------
    plan
        Of one patient.
    code
        The patient's code; "" for none.
    before
        Sentences above the table.
    flags
        Index of an aim -> words that stand before the numbers of its notes.
    """
    rows = plan_rows(plan).drop(columns="Movement")
    names = words.row_names(plan.aims["tooth"].tolist(), plan.aims["movement"].tolist())
    notes, numbers = words.numbered(zip(names, words.aim_sentences(plan), strict=True))
    flagged = [(flags or {}).get(int(str(at)), "") for at in plan.aims.index]
    rows["Notes"] = [
        "; ".join(part for part in pair if part) or BLANK
        for pair in zip(flagged, numbers, strict=True)
    ]
    main = safer_heading(plan)
    widths = {
        "Tooth": -12, WAY: WAY_WIDTH, "Aim": 18, main: 26, "Expected (80 % range)": 44, "Lands": 13,
        "Too far": 13, "Aligners, days": 18, "Verdict": -22, "Notes": -24,
    }  # fmt: skip
    return Section(
        "",
        before=tuple(before),
        table=sheet_table(rows, widths, main=main, code=code),
        numbered=notes,
        after=tuple(words.how_to_read(plan)),
    )


def instead_section(plan: Plan, *, code: str) -> Section:
    """The same aims at the other plans."""
    rows = alternative_rows(plan).drop(columns="Movement")
    widths = dict.fromkeys(map(str, rows), 22.0) | {"Tooth": -12, WAY: WAY_WIDTH}
    said = [
        f"Aim / rate is the plan whose expected result is the aim; it {words.RISK_OF_DIRECT}.",
        "As aimed is the aim itself, without overcorrection.",
    ]
    if (plan.options["option"] == LEAST).any():
        said.append(
            "Least cost is the plan of least expected cost, at what a mm or degree too far was said "
            "to cost against one too short."
        )
    return Section(
        INSTEAD,
        before=(" ".join(said),),
        table=sheet_table(rows, widths, code=code),
    )


def pictures_of(plan: Plan) -> list[Section]:
    """Where each plan is likely to end: a figure for each movement."""
    drawn = tuple(
        Picture.of(landing_ranges(plan, str(movement)))
        for movement in dict.fromkeys(plan.aims["movement"])
    )
    return [Section("Where each tooth is likely to end", pictures=drawn)] if drawn else []


def left_out_lines(plan: Plan) -> tuple[str, ...]:
    """A line for each aim left out."""
    return tuple(words.aims_left_out(plan))


def plan_rows(plan: Plan) -> pd.DataFrame:
    """One line an aim: the safer plan with what to expect of it, as texts.

    Every row names the way in which crown and root go, and its numbers are told along that way.

    Examples
    --------
    >>> from outcomes.rates.fit import fit_rate
    >>> from outcomes.simulate import simulate_rates
    >>> from outcomes.overcorrect.prescribe import prescribe
    >>> past = fit_rate(simulate_rates(30, seed=1, movement="vertical"))
    >>> plan = prescribe(past, pd.DataFrame({"tooth": [31], "aim": [-1.0]}))
    >>> plan_rows(plan).iloc[0, 2:4].str.replace(NBSP, " ").tolist()
    ['Vertical: intrusion, crown and root towards the gum', '1.00 mm']
    >>> list(plan_rows(plan))[4]
    'Safer plan (at most 10 % risk of going too far)'
    """
    caps = plan.aims["over_cap"].nunique()
    rows = []
    for aim, way, by in _aims(plan):
        row = by[BEST]
        known = pd.notna(row.planned)
        rows.append(
            {
                "Tooth": str(aim.tooth),
                "Movement": aim.movement,
                WAY: way.words,
                "Aim": way.size(float(aim.aim)),
                safer_heading(plan): _planned(row, way),
                "Expected (80 % range)": way.expected(row.expected, row.low_80, row.high_80),
                "Lands": chance(row.within),
                "Too far": _too_far(row.over, aim.over_cap, caps),
                "Aligners, days": f"{row.aligners:.0f},{NBSP}{row.days:.0f}" if known else BLANK,
                "Verdict": str(aim.verdict),
            }
        )
    return _with_patient(pd.DataFrame(rows, index=plan.aims.index), plan)


def alternative_rows(plan: Plan) -> pd.DataFrame:
    """One line an aim: every other plan with its chances, and planning just the aim."""
    others = [name for name in dict.fromkeys(plan.options["option"]) if name != BEST]
    others.sort(key=lambda name: name == AS_AIMED)
    rows = []
    for aim, way, by in _aims(plan):
        row = {
            "Tooth": str(aim.tooth),
            "Movement": aim.movement,
            WAY: way.words,
            "Aim": way.size(float(aim.aim)),
        }
        for name in others:
            named = capital(str(name))
            option = by.get(str(name))  # the plan of least cost is of aims with a cost
            if name != AS_AIMED:
                row[named] = BLANK if option is None else _planned(option, way)
            row[f"{named} lands"] = BLANK if option is None else chance(option.within)
            row[f"{named} too far"] = BLANK if option is None else chance(option.over)
        rows.append(row)
    return _with_patient(pd.DataFrame(rows, index=plan.aims.index), plan)


def _aims(plan: Plan) -> list[tuple[Any, Way, dict[str, Any]]]:
    """Each aim, its direction, and its rows of ``Plan.options`` by the name of the option."""
    options: dict[Any, dict[str, Any]] = {}
    for row in plan.options.rename(columns={"at": "at_"}).itertuples():
        options.setdefault(row.at_, {})[str(row.option)] = row
    return [(aim, Way.of_row(aim, float(aim.aim)), options[at]) for at, aim in plan.aims.iterrows()]


def _planned(row: Any, way: Way) -> str:
    return way.size(row.planned) if pd.notna(row.planned) else "no plan"


def _too_far(over: float, cap: float, caps: int) -> str:
    """The chance of it, and the cap where it differs from aim to aim."""
    said = chance(over)
    return said if caps < 2 or pd.isna(over) else f"{said}, cap {percent(cap)}"


def _with_patient(table: pd.DataFrame, plan: Plan) -> pd.DataFrame:
    """The code of the patient in every row, where the aims name several."""
    codes = plan.aims["patient"].astype(str)
    if codes.nunique() > 1:
        table.insert(0, "Patient", codes.where(codes != NEW_PATIENT, "new").to_numpy())
    return table


def safer_heading(plan: Plan) -> str:
    """The safer plan as a heading, with the cap in force."""
    return capital(safer(plan.limits.over_cap))
