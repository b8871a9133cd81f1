"""The sheet of a next course: the plan on page one, and all that stands behind it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from outcomes.ahead.bite_options import GROUPS, group_name
from outcomes.ahead.result import LEFT, NOT_KNOWN, NextCourse
from outcomes.figures.fan import prediction_fan
from outcomes.overcorrect.aims import NEW_PATIENT
from outcomes.reports.ahead import tables, words
from outcomes.reports.ahead.results import Ahead
from outcomes.reports.common.rows import lines
from outcomes.reports.sheet import words as plan_words
from outcomes.reports.sheet.form import (
    Picture,
    Section,
    Sheet,
    file_names,
    page,
    sheet_table,
    write_sheet,
)
from outcomes.reports.sheet.plan import (
    LEFT_OUT,
    WAY,
    WAY_WIDTH,
    instead_section,
    left_out_lines,
    pictures_of,
    plan_section,
)
from outcomes.words.english import capital

__all__ = ["next_sheet", "sheet_html", "write_next_sheets"]

Widths = Mapping[str, float]
_WAY, _TOOTH = WAY_WIDTH, -12.0


def write_next_sheets(
    found: Sequence[Ahead], folder: str | Path, *, past: str = "", invented: bool = False
) -> list[Path]:
    """Write a sheet for each patient, as next_course_P007.html and .docx.

    Parameters
    ----------
    found
        What ``run_next`` returns.
    folder
        Where to write.
    past, invented
        What was learnt from, as "practice.xlsx, 57 patients"; whether it is invented.

    Returns
    -------
    list of Path
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    names = file_names("next_course", [one.course.patient for one in found])
    written: list[Path] = []
    for one in found:
        sheet = next_sheet(one, past=past, invented=invented)
        written += write_sheet(sheet, folder, names[one.course.patient])
    return written


def sheet_html(found: Ahead | NextCourse, *, past: str = "", invented: bool = False) -> str:
    """The sheet of one patient as one page of HTML, nothing fetched from anywhere."""
    one = Ahead(found) if isinstance(found, NextCourse) else found
    return page(next_sheet(one, past=past, invented=invented))


def next_sheet(found: Ahead, *, past: str = "", invented: bool = False) -> Sheet:
    """The parts of the sheet of one patient, the plan first."""
    course = found.course
    code = "" if course.patient == NEW_PATIENT else course.patient
    return Sheet(
        title=words.title(course),
        code=code,
        sections=tuple(_sections(found, code, past)),
        cautions=course.standing,
        invented=invented,
    )


def _sections(found: Ahead, code: str, past: str) -> list[Section]:
    course, plan = found.course, found.course.plan
    if plan is not None:  # what is odd about an aim is said beside its row
        plan = replace(plan, problems=course.problems)
    before = words.head(course, past)
    sections = []
    if plan is None or not len(plan.aims):
        sections.append(Section("", before=tuple(before)))
    else:
        if course.problems is not None and len(course.problems):
            before += plan_words.aims_read_words(plan)
        sections.append(plan_section(plan, code=code, before=before, flags=words.flagged(course)))
        left_out = left_out_lines(plan)
        sections += [Section(LEFT_OUT, listed=left_out)] if left_out else []
    sections += _unlikely(course, code)
    sections += _holds(course, code)
    sections += _so_far(course, code)
    sections += _rated(course, code)
    sections += _staged(course, code)
    sections += _arch(course, code)
    sections += _alternatives(course, code)
    sections += _bite(found, code)
    if plan is not None and len(plan.aims):
        sections.append(instead_section(plan, code=code))
        sections += pictures_of(plan)
    sections += _fan(found)
    sections += _done(course, code)
    return sections


def _section(
    title: str,
    frame: pd.DataFrame,
    view: Callable[[pd.DataFrame], pd.DataFrame],
    code: str,
    *,
    widths: Widths,
    before: Sequence[str] = (),
    after: Sequence[str] = (),
    notes: Sequence[Sequence[str]] = (),
    main: str = "",
) -> list[Section]:
    """A section with a table, nothing where it has no row; notes once, by number."""
    if not len(frame):
        return []
    shown = view(frame)
    numbered: tuple[str, ...] = ()
    if len(notes):
        names = plan_words.row_names(frame["tooth"].tolist(), frame["movement"].tolist())
        numbered, numbers = plan_words.numbered(zip(names, notes, strict=True))
        shown["Notes"] = [n or "–" for n in numbers]
    every = {str(name): widths.get(str(name), 17.0) for name in shown.columns}
    table = sheet_table(shown, every, main=main, code=code)
    return [Section(title, tuple(before), table, numbered, tuple(after))]


def _split(*texts: Any) -> list[str]:
    return [one for text in texts if text for one in plan_words.sentences(str(text))]


def _unlikely(course: NextCourse, code: str) -> list[Section]:
    rows = course.unlikely
    return _section(
        "Another try is unlikely to help",
        rows,
        tables.unlikely,
        code,
        widths={"Tooth": _TOOTH, WAY: _WAY, "Notes": -20},
        before=[words.UNLIKELY],
        notes=[[str(row.why), str(row.choices)] for row in lines(rows)],
        main="Gets nearer",
    )


def _holds(course: NextCourse, code: str) -> list[Section]:
    rows = course.holds
    widths = {
        "Tooth": _TOOTH, f"{WAY}, if at all": -70, "Asked by": -26, "Verdict": -22, "Notes": -16,
        "80 % range": 34, "Stays within": 16, "Chance of it": 15, "Went so far": 24,
        "Further that way": 17, "Further the other way": 17,
    }  # fmt: skip
    return _section(
        "Teeth to hold",
        rows,
        tables.holds,
        code,
        widths=widths,
        before=[words.HOLD],
        notes=[_split(row.why, row.neighbours, row.cautions) for row in lines(rows)],
        main="Chance of it",
    )


_SO_FAR = {
    "Tooth": _TOOTH,
    WAY: _WAY,
    "Left": 32,
    "Reached": 20,
    "Courses measured": 15,
    "Not measured": 15,
    "Note": -34,
}


def _so_far(course: NextCourse, code: str) -> list[Section]:
    rows = course.so_far
    rows = rows[rows["state"].isin([LEFT, NOT_KNOWN])]
    return _section(
        "Aimed at, reached, left",
        rows,
        tables.so_far,
        code,
        widths=_SO_FAR,
        before=[words.SO_FAR],
        main="Left",
    )


def _done(course: NextCourse, code: str) -> list[Section]:
    return _section(
        "Within tolerance",
        course.done,
        tables.so_far,
        code,
        widths=_SO_FAR,
        before=[words.DONE],
        main="Left",
    )


def _rated(course: NextCourse, code: str) -> list[Section]:
    widths = {"Tooth": _TOOTH, WAY: _WAY, "Own results used": -34}
    return _section(
        "The rate expected now",
        course.expected,
        tables.expected,
        code,
        widths=widths,
        before=[words.EXPECTED],
        main="Expected now",
    )


def _staged(course: NextCourse, code: str) -> list[Section]:
    rows = course.stages
    return _section(
        "One course more, or two",
        rows,
        tables.stages,
        code,
        widths={"Tooth": _TOOTH, WAY: _WAY, "Notes": -14},
        before=[words.STAGES],
        notes=[_split(row.note) for row in lines(rows)] if rows["note"].astype(bool).any() else (),
    )


def _arch(course: NextCourse, code: str) -> list[Section]:
    rows = course.intervals
    days = rows[(rows["column"] == "days_per_aligner") & rows["value"].notna()]
    sections = _section(
        "All movements of the course, aligner by aligner",
        course.arch,
        tables.arch,
        code,
        widths={"Tooth": _TOOTH, WAY: _WAY, "Note": -60},
        before=[words.ARCH],
    )
    if not len(rows):
        return sections
    shown = tables.intervals(days)
    table = sheet_table(shown, dict.fromkeys(map(str, shown), 24.0) | {"Note": -110.0}, code=code)
    return [
        *sections,
        Section(
            "Days for each aligner, and wear",
            before=(words.INTERVALS,),
            table=table if len(days) else None,
            listed=tuple(words.evidence(course)),
        ),
    ]


def _alternatives(course: NextCourse, code: str) -> list[Section]:
    rows = course.alternatives
    told = rows[rows["level"].notna()]
    silent = tuple(dict.fromkeys(rows.loc[rows["level"].isna(), "note"].astype(str)))
    if not len(rows):
        return []
    title = "With another attachment or auxiliary"
    if not len(told):
        return [Section(title, listed=silent)]
    shown = tables.alternatives(rows)
    widths = dict.fromkeys(map(str, shown.columns), 38.0) | {"Tooth": _TOOTH, WAY: _WAY, "Aim": 18}
    return [
        Section(
            title,
            before=(words.ALTERNATIVES,),
            table=sheet_table(shown, widths, code=code),
            listed=(*words.levels(told), *silent),
        )
    ]


def _bite(found: Ahead, code: str) -> list[Section]:
    if found.bite is None:
        return [Section("Overbite", before=(found.no_bite,))] if found.no_bite else []
    title = "From the overbite wanted to incisors and molars"
    before = words.bite(found.bite)
    if not len(found.bite.options):
        return [Section(title, before=(*before, *found.bite.notes))]
    shown = tables.bite(found.bite)
    widths = dict.fromkeys(map(str, shown.columns), 28.0)
    widths |= dict.fromkeys(map(capital, map(group_name, GROUPS)), -34.0)
    widths |= {"To be moved": -34, "Overbite (80 % range)": 34, "On target": 14, "Too far": 14}
    widths |= {"Aligners": 14, "Verdict": -22}
    return [
        Section(
            title,
            before=tuple(before),
            table=sheet_table(shown, widths, main="On target", code=code),
            listed=(*words.bite_reasons(found.bite), *found.bite.notes),
        )
    ]


def _fan(found: Ahead) -> list[Section]:
    past = found.past
    if past is None:
        return []
    title = "What each course was expected to bring, and what it brought"
    drawn = past.table["expected"].notna() & past.table["start"].notna()
    pictures = (Picture.of(prediction_fan(past)),) if drawn.any() else ()
    return [Section(title, before=tuple(past.notes), pictures=pictures)]
