"""The plan sheet: prescriptions to print, as a page (HTML) and as a Word file.

Cautions stand at the top, at the foot of every printed page, and in full at the end.
"""

from __future__ import annotations

import base64
import html
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from outcomes.domain.names import heading
from outcomes.errors import InputError
from outcomes.figures.base import alt_text, figure_bytes
from outcomes.figures.overcorrection import landing_ranges
from outcomes.overcorrect.aims import NEW_PATIENT, aims_counted
from outcomes.overcorrect.cautions import safer
from outcomes.overcorrect.plan import Plan
from outcomes.reports.build.show import Shown, say
from outcomes.reports.overcorrection.plan_words import (
    aim_notes,
    aims_left_out,
    attachment_unused,
    limits_said,
    steps_said,
)
from outcomes.reports.overcorrection.results import AIMS_PROBLEMS
from outcomes.reports.overcorrection.tables import alternative_rows, plan_rows, safer_heading
from outcomes.words.cautions import IN_SHORT
from outcomes.words.english import capital, listed, number_of

if TYPE_CHECKING:
    from docx.document import Document

    from outcomes.reports.overcorrection.results import Calibration

__all__ = [
    "DEMO",
    "foot_of_pages",
    "save_plan_sheet",
    "sheet_html",
    "write_plan_sheet",
]

INSTEAD = "The same aims at aim / rate, and as aimed"
LEFT_OUT = "Left out, so that this sheet says nothing of them:"

DEMO = (
    "Invented demonstration data: a practice and a patient that do not exist. Plan nothing from it."
)


@dataclass(frozen=True)
class _Section:
    """One movement: its tables, its figure (PNG and alt text), and a note for each aim."""

    title: str
    table: pd.DataFrame
    main: str
    instead: pd.DataFrame
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
        page = folder / f"{name}.html"
        page.write_text(
            _page(sheet, sections, past=past, invented=invented), encoding="utf-8", newline="\n"
        )
        word = folder / f"{name}.docx"
        _word(sheet, sections, past=past, invented=invented).save(str(word))
        written += [page, word]
    return written


def _sheets(plan: Plan) -> dict[str, Plan]:
    """File name without ending -> the plan of one patient."""
    patients = plan.patients
    if len(patients) < 2:
        return {"plan_sheet": plan}
    found: dict[str, Plan] = {}
    for patient in patients:
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
        found.plan.problems.to_csv(Path(out, AIMS_PROBLEMS), index=False, encoding="utf-8")
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
                table=rows.loc[aims.index],
                main=safer_heading(plan),
                instead=instead.loc[aims.index],
                picture=figure_bytes(figure, "png", 200),
                alt=alt_text(figure),
                notes=_notes(aims, notes.loc[aims.index]),
            )
        )
    return found


def _notes(aims: pd.DataFrame, notes: pd.Series) -> tuple[str, ...]:
    """One line for all teeth with the same reason, problems and cautions."""
    found: dict[str, list[str]] = {}
    for tooth, note in zip(aims["tooth"], notes, strict=True):
        found.setdefault(capital(note), []).append(str(tooth))
    return tuple(f"{listed(teeth)}: {text}" for text, teeth in found.items())


def _intro(plan: Plan, past: str) -> list[str]:
    limits = plan.limits
    units: dict[str, str] = dict(
        plan.aims[["movement", "unit"]].astype(str).itertuples(index=False)
    )
    near = limits_said(limits.near, units)
    lines = [
        f"Learnt from {past}." if past else "",
        f"{capital(safer(limits.over_cap))}: of the plans that keep to that risk of ending further "
        f"than the tolerance ({near}) beyond the aim, the one most likely to land within it. "
        "Aim / rate, in the second table: the plan whose expected result is the aim; it may land "
        "more often, and goes too far more often. Both are held at "
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


def _cautions(invented: bool, plan: Plan) -> list[str]:
    return [*([DEMO] if invented else []), *plan.standing]


# HTML ------------------------------------------------------------------------------------------------

_STYLE = """
:root { --ink: #222; --quiet: #59636b; --line: #c9ced2; }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 62rem; padding: 1.5rem; color: var(--ink);
  font: 0.95rem/1.45 Arial, "Liberation Sans", Helvetica, sans-serif; }
h1 { font-size: 1.6rem; margin: 0 0 .3rem; } h2 { font-size: 1.15rem; margin: 1.4rem 0 .4rem; }
p { margin: .3rem 0; max-width: 52rem; }
.warn { border: 2px solid var(--ink); padding: .5rem .8rem; font-weight: 600; margin: .7rem 0; }
.fill { display: flex; flex-wrap: wrap; gap: 1.5rem; margin: .8rem 0; }
.fill span { flex: 1 1 12rem; border-bottom: 1px solid var(--ink); padding-bottom: .1rem; }
.out { font-weight: 600; } figure { margin: .4rem 0; } figure img { width: 100%; max-width: 46rem; display: block; }
h3 { font-size: .95rem; margin: .9rem 0 .2rem; }
table.plan { border-collapse: collapse; width: 100%; font-size: .82rem; margin: .4rem 0; }
.plan th, .plan td { text-align: right; padding: .25rem .5rem .25rem 0; vertical-align: bottom;
  border-bottom: 1px solid var(--line); }
.plan .text { text-align: left; }
.plan td { font-variant-numeric: tabular-nums; vertical-align: top; }
.plan .main { font-weight: 700; } .plan .text { padding-left: .5rem; }
ul { margin: .3rem 0; padding-left: 1.2rem; } li { margin: .15rem 0; max-width: 58rem; }
table.frame { width: 100%; border-collapse: collapse; } table.frame > * > tr > td { padding: 0; }
.foot { color: var(--quiet); font-size: .78rem; border-top: 1px solid var(--line); padding-top: .3rem; }
@media print {
  @page { size: A4; margin: 12mm 13mm 14mm;
    @bottom-right { content: counter(page) " / " counter(pages); font: 8pt sans-serif; color: #59636b; } }
  body { max-width: none; padding: 0; font-size: 9.2pt; }
  table.plan { font-size: 7.4pt; } .plan th, .plan td { padding: 1.6pt 3.4pt 1.6pt 0; }
  figure img { max-width: 150mm; } h2 { margin-top: 4mm; }
  p, li, .warn { max-width: none; } ul { break-inside: auto; }
  h2, h3, thead, figure { break-after: avoid; } figure, tr.aim, li, .warn { break-inside: avoid; }
  thead { display: table-header-group; } tfoot { display: table-footer-group; }
  .foot { font-size: 8pt; padding-top: 2mm; }
}
"""


def _page(plan: Plan, sections: Sequence[_Section], *, past: str, invented: bool) -> str:
    parts = ["<h1>Plan sheet</h1>"]
    if invented:
        parts.append(f'<p class="warn">{html.escape(DEMO)}</p>')
    parts.append(f'<p class="warn">{html.escape(IN_SHORT)}</p>')
    parts.append(
        f'<div class="fill"><span>Patient (code) <b>{html.escape(_code(plan))}</b></span>'
        "<span>Clinician</span><span>Date</span></div>"
    )
    parts += [f"<p>{html.escape(line)}</p>" for line in _intro(plan, past)]
    left = aims_left_out(plan)
    if left:
        parts.append(f'<p class="out">{LEFT_OUT}</p>{_list(left)}')
    for section in sections:
        parts.append(_section_html(section))
    parts.append("<h2>Cautions</h2>" + _list(_cautions(invented, plan)))
    # a table repeats its foot on every printed page, in every browser
    body = (
        '<table class="frame" role="presentation"><tbody><tr><td>'
        + "".join(parts)
        + f'</td></tr></tbody><tfoot><tr><td><p class="foot">{html.escape(_foot(plan))}</p></td></tr>'
        "</tfoot></table>"
    )
    return (
        '<!doctype html>\n<html lang="en-GB"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>Plan sheet</title><style>{_STYLE}</style></head><body><main>{body}</main></body></html>\n"
    )


def _section_html(section: _Section) -> str:
    data = base64.b64encode(section.picture).decode("ascii")
    return (
        f"<section><h2>{html.escape(section.title)}</h2>"
        f'<figure><img src="data:image/png;base64,{data}" alt="{html.escape(section.alt)}"></figure>'
        f"{_table_html(section.table, section.main)}{_list(section.notes)}"
        f"<h3>{INSTEAD}</h3>{_table_html(section.instead, '')}</section>"
    )


_TEXT = ("Patient", "Tooth", "Verdict")
"""Columns of words."""


def _table_html(table: pd.DataFrame, main: str) -> str:
    kinds = [
        "text" if column in _TEXT else "main" if column == main else "" for column in table.columns
    ]
    css = [f' class="{kind}"' if kind else "" for kind in kinds]
    head = "".join(
        f'<th scope="col"{kind}>{html.escape(name)}</th>'
        for name, kind in zip(table.columns, css, strict=True)
    )
    body = ""
    for row in table.itertuples(index=False, name=None):
        cells = "".join(
            f"<td{kind}>{html.escape(text)}</td>" for text, kind in zip(row, css, strict=True)
        )
        body += f'<tr class="aim">{cells}</tr>'
    return f'<table class="plan"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'


def _list(lines: Sequence[str]) -> str:
    return "<ul>" + "".join(f"<li>{html.escape(line)}</li>" for line in lines) + "</ul>"


# Word ------------------------------------------------------------------------------------------------


def _word(plan: Plan, sections: Sequence[_Section], *, past: str, invented: bool) -> Document:
    from docx import Document as new_document
    from docx.enum.section import WD_ORIENT
    from docx.shared import Mm, Pt

    document = new_document()
    document.core_properties.author = ""
    document.core_properties.title = "Plan sheet"
    page = document.sections[0]
    page.orientation = WD_ORIENT.LANDSCAPE
    page.page_width, page.page_height = Mm(297), Mm(210)
    page.left_margin = page.right_margin = Mm(14)
    page.top_margin, page.bottom_margin = Mm(12), Mm(18)
    page.footer_distance = Mm(7)
    normal: Any = document.styles["Normal"]
    normal.font.name, normal.font.size = "Arial", Pt(9.5)
    normal.paragraph_format.space_after = Pt(3)
    foot = page.footer.paragraphs[0].add_run(_foot(plan))
    foot.font.size = Pt(8)
    document.add_heading("Plan sheet", 0)
    for line in ([DEMO] if invented else []) + [IN_SHORT]:
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
        for line in left:
            document.add_paragraph(line, style="List Bullet")
    for section in sections:
        document.add_heading(section.title, 1)
        picture = document.add_picture(io.BytesIO(section.picture), width=Mm(165))
        properties = picture._inline.docPr
        properties.set("descr", section.alt)
        _word_table(document, section.table, _WIDTHS, section.main)
        for note in section.notes:
            document.add_paragraph(note, style="List Bullet")
        document.add_heading(INSTEAD, 2)
        _word_table(document, section.instead, _INSTEAD_WIDTHS, "")
    document.add_heading("Cautions", 1)
    for line in _cautions(invented, plan):
        document.add_paragraph(line, style="List Bullet")
    return document


_WIDTHS = (14, 42, 48, 68, 30, 20, 20, 26)
_INSTEAD_WIDTHS = (14, 48, 54, 34, 38, 34)
"""Of the columns in Word, mm; that of the patient, where there is one, is taken from the widest."""
_PATIENT_WIDTH = 18


def _word_table(
    document: Document, table: pd.DataFrame, widths: tuple[int, ...], main: str
) -> None:
    from docx.enum.text import WD_ALIGN_PARAGRAPH
    from docx.oxml import OxmlElement
    from docx.shared import Mm, Pt

    if table.columns[0] == "Patient":
        widest = max(widths)
        cut = [w - _PATIENT_WIDTH if w == widest else w for w in widths]
        widths = (_PATIENT_WIDTH, *cut)
    made = document.add_table(rows=1, cols=table.shape[1], style="Light Shading")
    made.autofit = False
    for column, width in zip(made.columns, widths, strict=True):
        column.width = Mm(width)
    lines = [table.columns.tolist(), *table.to_numpy().tolist()]
    for number, line in enumerate(lines):
        row = made.rows[0] if number == 0 else made.add_row()
        keep = OxmlElement("w:cantSplit")
        row._tr.get_or_add_trPr().append(keep)
        if number == 0:
            row._tr.get_or_add_trPr().append(OxmlElement("w:tblHeader"))
        for k, (cell, text) in enumerate(zip(row.cells, line, strict=True)):
            cell.width = Mm(widths[k])
            paragraph = cell.paragraphs[0]
            paragraph.paragraph_format.keep_with_next = number < len(lines) - 1
            paragraph.paragraph_format.space_after = Pt(0)
            if table.columns[k] not in _TEXT:
                paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
            run = paragraph.add_run(str(text))
            run.font.size = Pt(8)
            run.bold = number == 0 or table.columns[k] in ("Tooth", main)
