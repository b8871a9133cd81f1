"""The report of measured scans: one page that fetches nothing, and its figures as files."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from html import escape
from pathlib import Path
from typing import Any

import pandas as pd

from outcomes.errors import CannotAnswer, InputError
from outcomes.figures.measured import KINDS
from outcomes.figures.view3d import view_arch
from outcomes.measure.extra import ExtraMissing
from outcomes.measure.measured import Measured
from outcomes.measure.outlines import OUTLINES_FILE, outlines
from outcomes.progress import Step, silent
from outcomes.reports.build.page import TEMPLATES
from outcomes.reports.build.show import Shown, fold, save_table, say, show
from outcomes.reports.files import html
from outcomes.reports.scans import tables, words
from outcomes.reports.scans.results import (
    arches,
    courses,
    error_of_repeats,
    first_readings,
    reasons,
    references,
    smallest_of_repeats,
)
from outcomes.words.english import listed
from outcomes.words.safe import write_csv

__all__ = ["figures_of", "movement_tables", "write_report"]

TITLE = "Movements measured from scans"

TURNED = 2
"""Arches in three dimensions on the page: each takes several megabytes."""

Section = tuple[str, list[Shown]]


def write_report(measured: Measured, folder: str | Path, progress: Step = silent) -> Path:
    """Write report.html, figures/ and outlines.csv into a folder that holds what was measured.

    Parameters
    ----------
    measured
        What was measured; ``Measured.write_files`` writes its tables into the same folder.
    folder
        Where to; to have all of it whole or not at all, give a folder that is moved into place.
    progress
        Called with what is being done, steps done, steps in all.

    Returns
    -------
    Path
        The page.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    drawn, undrawn = figures_of(measured, folder, progress)
    curves = outlines(measured)
    if len(curves):
        write_csv(curves.round(3), folder / OUTLINES_FILE)
    path = folder / "report.html"
    path.write_text(_page(measured, drawn, undrawn), encoding="utf-8", newline="\n")
    return path


def figures_of(
    measured: Measured, folder: str | Path | None = None, progress: Step = silent
) -> tuple[dict[tuple[str, int], list[Shown]], list[str]]:
    """The figures of each course, and of which there is none and why.

    Parameters
    ----------
    measured
        What was measured.
    folder
        Where to keep them too, under figures/; nowhere when None.
    progress
        See `write_report`.
    """
    drawn: dict[tuple[str, int], list[Shown]] = {}
    why: dict[str, list[str]] = {}
    every = courses(measured)
    for step, (patient, course) in enumerate(every):
        progress("Drawing", step, len(every))
        n = _teeth(measured.movements, patient, course)
        for kind, draw in KINDS.items():
            try:
                ax = draw(measured, patient=patient, course=course)
            except (InputError, CannotAnswer, ExtraMissing) as error:
                why.setdefault(f"No {kind}: {error}", []).append(f"{patient}, course {course}")
                continue
            name = f"{kind}_{re.sub(r'[^A-Za-z0-9-]+', '_', patient)}_{course}"
            text = words.caption(kind, patient, course, n, invented=measured.invented)
            drawn.setdefault((patient, course), []).append(show(ax, name, folder, caption=text))
    return drawn, [f"{reason} ({listed(where)})." for reason, where in why.items()]


def _teeth(movements: pd.DataFrame, patient: str, course: int) -> int:
    rows = movements[(movements["patient"] == patient) & (movements["course"] == course)]
    return int(rows["tooth"].nunique())


def _sections(
    measured: Measured, drawn: dict[tuple[str, int], list[Shown]], undrawn: list[str]
) -> Iterator[Section]:
    yield (
        "What was measured",
        [
            say(*words.measured_words(measured)),
            save_table(arches(measured), "", view=tables.arches, caption="Teeth of each arch"),
        ],
    )
    low = reasons(measured, refused=False)
    yield (
        "What was refused",
        [
            say(*words.refused(measured)),
            _table(reasons(measured, refused=True), tables.reasons, "Refused, and why"),
            fold(
                "Measured with low confidence, and why",
                _table(low, tables.reasons, "Measured with low confidence"),
            ),
        ],
    )
    yield (
        "The reference, and how stable it is",
        [
            say(*words.reference(measured)),
            _table(references(measured), tables.references, "What each scan was laid on"),
            say(*words.sensitivity(measured)),
            fold(
                "Every other reference that was tried",
                _table(measured.sensitivity, tables.sensitivity, "With another reference"),
            ),
        ],
    )
    yield (
        "Quality of each tooth",
        [
            say(*words.quality(measured)),
            fold(
                "Every tooth",
                _table(measured.quality, tables.quality, "Residual, overlap and verdict"),
            ),
        ],
    )
    yield (
        "Movements",
        [
            say(*words.no_movements(measured)),
            *movement_tables(measured),
        ],
    )
    yield "Figures", [*_drawn(drawn), say(*undrawn, kind="list")]
    turned = _turned(measured)
    if turned:
        yield "In three dimensions", turned
    error, _ = error_of_repeats(measured)
    yield (
        "Measurement error",
        [say(*words.measurement(measured)), _table(error, tables.error, "Measured again")],
    )
    yield (
        "Problems of the input",
        [
            say(*words.assumed(measured)),
            _table(measured.problems, tables.problems, "What was found, and its remedy"),
        ],
    )
    yield "Cautions", [say(*words.cautions(measured), kind="list")]


def _turned(measured: Measured) -> list[Shown]:
    """The arches of the first course, to be turned; nothing where there are no scans to show."""
    every = [part for part in first_readings(measured) if part.detail is not None]
    first = [p for p in every if (p.patient, p.course) == (every[0].patient, every[0].course)]
    shown = []
    for part in first[:TURNED]:
        try:
            view = view_arch(replace(measured, arches=(part,)))
        except (CannotAnswer, ExtraMissing) as error:
            shown.append(say(f"{part.patient}, course {part.course}, {part.arch} arch: {error}"))
        else:
            shown += [say(view.title, kind="h3"), Shown(view._repr_html_())]
    return [say(*words.turned(len(every), len(first[:TURNED]))), *shown] if shown else []


def movement_tables(measured: Measured) -> list[Shown]:
    """A table of movements for each course."""
    rows = measured.movements
    smallest = smallest_of_repeats(measured)
    ended = "; no digits below the smallest detectable change" if smallest else ""
    return [
        save_table(
            rows[(rows["patient"] == patient) & (rows["course"] == course)].reset_index(drop=True),
            "",
            view=lambda frame: tables.movements(frame, smallest),
            caption=f"{patient}, course {course}: planned / achieved, a dash where not measured{ended}",
        )
        for patient, course in courses(measured)
    ]


def _drawn(drawn: dict[tuple[str, int], list[Shown]]) -> list[Shown]:
    """The first courses open, the others in a fold each."""
    shown: list[Shown] = []
    for k, ((patient, course), figures) in enumerate(drawn.items()):
        title = f"{patient}, course {course}"
        open_ = k < words.TOO_MANY
        shown += [say(title, kind="h3"), *figures] if open_ else [fold(title, *figures)]
    return shown


def _table(frame: pd.DataFrame, view: Any, caption: str) -> Shown:
    return save_table(frame, "", view=view, caption=caption)


def _page(measured: Measured, drawn: dict[tuple[str, int], list[Shown]], undrawn: list[str]) -> str:
    from markupsafe import Markup

    record = measured.provenance()
    body, contents = [], []
    for k, (title, shown) in enumerate(_sections(measured, drawn, undrawn), start=1):
        inner = "".join(_scrolling(piece.html) for piece in shown)
        heading = f'<h2 id="s{k}">{escape(title)}</h2>'
        body.append(f'<section aria-labelledby="s{k}">{heading}{inner}</section>')
        contents.append({"id": f"s{k}", "text": title})
    written = datetime.fromisoformat(record["written"])
    return html.page(
        TEMPLATES / "page.html.j2",
        title=TITLE,
        source=measured.source,
        sha256=dict(measured.inputs).get(measured.source, "not read from a file"),
        invented=measured.invented,
        version=record["versions"]["outcomes"],
        date=f"{written.day} {written:%B %Y}",
        summary=Markup(say(*words.summary(measured)).html),
        contents=contents,
        body=Markup("".join(body)),
    )


def _scrolling(piece: str) -> str:
    """A wide table scrolls in its own box, which the keyboard must be able to reach."""
    return piece.replace(
        '<div class="table">', '<div class="table" tabindex="0" role="region" aria-label="Table">'
    )
