"""The plan sheet: prescriptions to print, as a page (HTML) and as a Word file.

Cautions stand at the top, at the foot of every printed page, and in full at the end.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from outcomes.domain.names import heading
from outcomes.errors import InputError
from outcomes.figures.base import alt_text, figure_bytes
from outcomes.figures.landing import landing_ranges
from outcomes.overcorrect.aims import NEW_PATIENT, aims_counted
from outcomes.overcorrect.cautions import safer
from outcomes.overcorrect.plan import Plan
from outcomes.reports.build.show import Shown, say
from outcomes.reports.files import html, word
from outcomes.reports.overcorrection.results import AIMS_PROBLEMS
from outcomes.reports.overcorrection.tables import alternative_rows, plan_rows, safer_heading
from outcomes.reports.overcorrection.words import (
    RISK_OF_DIRECT,
    aim_notes,
    aims_left_out,
    attachment_unused,
    limits_said,
    steps_said,
)
from outcomes.reports.table import Look, Table, from_frame
from outcomes.words.cautions import IN_SHORT
from outcomes.words.english import capital, listed, number_of
from outcomes.words.safe import write_csv

if TYPE_CHECKING:
    from docx.document import Document

    from outcomes.reports.overcorrection.results import Calibration

TEMPLATE = Path(__file__).resolve().parent / "templates" / "plan_sheet.html.j2"

INSTEAD = "The same aims at aim / rate, and as aimed"
LEFT_OUT = "Left out, so that this sheet says nothing of them:"

DEMO = (
    "Invented demonstration data: a practice and a patient that do not exist. Plan nothing from it."
)


@dataclass(frozen=True)
class _Section:
    """One movement: its tables, its figure (PNG and alt text), and a note for each aim."""

    title: str
    table: Table
    instead: Table
    picture: bytes
    alt: str
    notes: tuple[str, ...]


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
    written = []
    for name, sheet in _sheets(plan).items():
        sections = _sections(sheet)
        written += [folder / f"{name}.html", folder / f"{name}.docx"]
        page = _page(sheet, sections, past=past, invented=invented)
        written[-2].write_text(page, encoding="utf-8", newline="\n")
        _word(sheet, sections, past=past, invented=invented).save(str(written[-1]))
    return written


def _sheets(plan: Plan) -> dict[str, Plan]:
    """File name without ending -> the plan of one patient."""
    if len(plan.patients) < 2:
        return {"plan_sheet": plan}
    found: dict[str, Plan] = {}
    for patient in plan.patients:
        plain = re.sub(r"[^\w.-]+", "_", patient).strip("._") or "patient"
        name, n = f"plan_sheet_{plain}", 1
        while name.casefold() in {known.casefold() for known in found}:
            n += 1
            name = f"plan_sheet_{plain}_{n}"
        found[name] = plan.of_patient(patient)
    return found


def _code(plan: Plan) -> str:
    """The code of the one patient of a sheet; "" where the aims name none."""
    (patient,) = plan.patients or [NEW_PATIENT]
    return "" if patient == NEW_PATIENT else patient


def save_plan_sheet(found: Calibration, out: str | Path | None) -> Shown:
    """Write the plan sheet of a calibration into the report folder, and say where it is."""
    if found.plan is None or out is None:
        return say("")
    if len(found.plan.problems):
        write_csv(found.plan.problems, Path(out, AIMS_PROBLEMS))
    cohort = found.cohort
    planned = cohort.movements[cohort.movements["planned"] != 0]
    past = (
        f"{cohort.source}: {number_of(planned['patient'].nunique(), 'patient')}, "
        f"{number_of(len(planned), 'planned movement')}"
    )
    names = [p.name for p in write_plan_sheet(found.plan, out, past=past, invented=cohort.invented)]
    which = "sheet to print is" if len(names) < 3 else "sheets to print, one for each patient, are"
    return say(f"The plan {which} {listed(names)} in the report folder.")


def foot_of_pages() -> Shown:
    """The cautions in short at the foot of every printed page of a report."""
    text = IN_SHORT.replace('"', "'")
    return Shown(
        "<style>@media print { @page { @bottom-left { width: 145mm; text-align: left; "
        f'font: 7pt sans-serif; color: #59636b; content: "{text}"; }} }} }}</style>'
    )


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
    return _page(plan, _sections(plan), past=past, invented=invented)


def _sections(plan: Plan) -> list[_Section]:
    rows = plan_rows(plan).drop(columns="Movement")
    instead = alternative_rows(plan).drop(columns="Movement")
    notes = pd.Series(aim_notes(plan), index=plan.aims.index, dtype=object)
    found = []
    for movement in dict.fromkeys(plan.aims["movement"]):
        aims = plan.aims[plan.aims["movement"] == movement]
        figure = landing_ranges(plan, str(movement))
        found.append(
            _Section(
                title=heading(str(movement)),
                table=_table(rows.loc[aims.index], _WIDTHS, safer_heading(plan)),
                instead=_table(instead.loc[aims.index], _INSTEAD_WIDTHS),
                picture=figure_bytes(figure, "png", 200),
                alt=alt_text(figure),
                notes=_notes(aims, notes.loc[aims.index]),
            )
        )
    return found


_WORDS = ("Patient", "Tooth", "Verdict")
"""Columns of words."""
_WIDTHS = (14, 42, 48, 68, 30, 20, 20, 26)
_INSTEAD_WIDTHS = (14, 48, 54, 34, 38, 34)
"""Of the columns in Word, mm; that of the patient, where there is one, is taken from the widest."""
_PATIENT_WIDTH = 18


def _table(frame: pd.DataFrame, widths: tuple[int, ...], main: str = "") -> Table:
    if frame.columns[0] == "Patient":
        widest = max(widths)
        widths = (_PATIENT_WIDTH, *(w - _PATIENT_WIDTH if w == widest else w for w in widths))
    looks = {
        name: Look(right=name not in _WORDS, bold=name == main, width=width)
        for name, width in zip(frame.columns, widths, strict=True)
    }
    return from_frame(frame, looks=looks)


def _notes(aims: pd.DataFrame, notes: pd.Series) -> tuple[str, ...]:
    """One line for all teeth with the same reason, problems and cautions."""
    found: dict[str, list[str]] = {}
    for tooth, note in zip(aims["tooth"], notes, strict=True):
        found.setdefault(capital(note), []).append(str(tooth))
    return tuple(f"{listed(teeth)}: {text}" for text, teeth in found.items())


def _intro(plan: Plan, past: str) -> list[str]:
    limits = plan.limits
    units: dict[str, str] = dict(plan.aims[["movement", "unit"]].astype(str).to_numpy())
    near = limits_said(limits.near, units)
    lines = [
        f"Learnt from {past}." if past else "",
        f"{capital(safer(limits.over_cap))}: of the plans that keep to that risk of ending further "
        f"than the tolerance ({near}) beyond the aim, the one most likely to land within it. "
        "Aim / rate, in the second table: the plan whose expected result is the aim; it "
        f"{RISK_OF_DIRECT}. Both are held at "
        f"{plan.rules.max_factor:g} times the aim. Lands: chance that the next scan shows the tooth "
        "within tolerance. Too far: beyond it.",
        f"Aligners at the largest step of one: {steps_said(limits, units)} (common practice, no "
        "source)."
        if units
        else "",
        f"{plan.source}: {aims_counted(plan.aims, plan.problems)}",
        *attachment_unused(plan),
    ]
    return [line for line in lines if line]


def _foot(plan: Plan) -> str:
    """What stands at the foot of every page."""
    return f"Patient {_code(plan)}. {IN_SHORT}" if _code(plan) else IN_SHORT


def _warned(invented: bool, *cautions: str) -> list[str]:
    return [DEMO, *cautions] if invented else [*cautions]


def _page(plan: Plan, sections: Sequence[_Section], *, past: str, invented: bool) -> str:
    from markupsafe import Markup

    return html.page(
        TEMPLATE,
        code=_code(plan),
        warnings=_warned(invented, IN_SHORT),
        intro=_intro(plan, past),
        left_out_heading=LEFT_OUT,
        left_out=aims_left_out(plan),
        sections=sections,
        picture=lambda section: Markup(html.figure(section.picture, section.alt)),
        table=lambda made: Markup(html.table(made)),
        instead=INSTEAD,
        cautions=_warned(invented, *plan.standing),
        foot=_foot(plan),
    )


def _word(plan: Plan, sections: Sequence[_Section], *, past: str, invented: bool) -> Document:
    from docx.enum.section import WD_ORIENT
    from docx.shared import Mm, Pt

    document = word.new_document("Plan sheet")
    page = document.sections[0]
    page.orientation = WD_ORIENT.LANDSCAPE
    page.page_width, page.page_height = Mm(297), Mm(210)
    page.left_margin = page.right_margin = Mm(14)
    page.top_margin, page.bottom_margin = Mm(12), Mm(18)
    page.footer_distance = Mm(7)
    normal: Any = document.styles["Normal"]
    normal.font.size = Pt(9.5)
    normal.paragraph_format.space_after, normal.paragraph_format.line_spacing = Pt(3), 1.0
    cells: Any = document.styles[word.CELL_STYLE]
    cells.font.size = Pt(8)
    cells.paragraph_format.space_before = cells.paragraph_format.space_after = Pt(0)
    page.footer.paragraphs[0].add_run(_foot(plan)).font.size = Pt(8)

    def listed_below(lines: Iterable[str]) -> None:
        for line in lines:
            document.add_paragraph(line, style="List Bullet")

    document.add_heading("Plan sheet", 0)
    for line in _warned(invented, IN_SHORT):
        document.add_paragraph().add_run(line).bold = True
    document.add_paragraph(
        f"Patient (code) {_code(plan) or '______________'}   Clinician ______________   "
        "Date __________"
    )
    for line in _intro(plan, past):
        document.add_paragraph(line)
    left = aims_left_out(plan)
    if left:
        document.add_paragraph().add_run(LEFT_OUT).bold = True
        listed_below(left)
    for section in sections:
        document.add_heading(section.title, 1)
        word.add_picture(document, section.picture, section.alt, width=Mm(165))
        word.add_table(document, section.table)
        listed_below(section.notes)
        document.add_heading(INSTEAD, 2)
        word.add_table(document, section.instead)
    document.add_heading("Cautions", 1)
    listed_below(_warned(invented, *plan.standing))
    return document
