"""What a sheet leaves blank, though it means something: headings, and values written once."""

from __future__ import annotations

import numpy as np

from outcomes.cohort.cells import blank_cells, numbers
from outcomes.cohort.mapping.layout import Layout
from outcomes.cohort.mapping.parts import KEYS, totals_in
from outcomes.cohort.mapping.questions import Asked, Question, key_of


def headings_missing(layout: Layout, asked: Asked) -> bool:
    """Whether headings are missing, so that no other answer would help: then it says what to do."""
    before = len(asked.lacking)
    if layout.turned:
        asked.lacking.append(
            f"{layout.label or 'The table'} stands on its side, its headings in the first column: "
            f"copy it and paste it transposed, so that each record is a row."
        )
    for place, heading in enumerate(layout.rows.headings):
        cells = layout.rows.cells.iloc[:, place]
        values = numbers(cells).values
        filled = np.isfinite(values)
        if heading or 2 * filled.sum() <= len(values) or (np.diff(values[filled]) == 1).all():
            continue  # rows that are only counted need no heading
        answer = asked.ask(
            Question(
                key_of("unheaded", layout.label, str(place + 1)),
                f"Column {place + 1} has no heading, and numbers in {filled.sum()} of "
                f"{len(values)} rows. Is it left out?",
                {
                    "out": "it is no number of a movement: it is left out",
                    "slipped": "cells have slipped, or the heading is missing: stop",
                },
                why="decimal commas between commas give a cell too many; or the heading is missing",
            )
        )
        if answer == "slipped":
            asked.lacking.append(
                f"Column {place + 1} has no heading: give it one; or, where decimal commas have "
                f"split numbers, save the file with semicolons."
            )
    return len(asked.lacking) > before


def fill_down(layout: Layout, columns: dict[str, str], asked: Asked) -> tuple[str, ...]:
    """Columns written once for several rows, where the owner says so."""
    fill = []
    rows = layout.rows
    keys = [h for h, m in columns.items() if m in KEYS]
    live = ~np.all([blank_cells(layout.rows.column(c.heading)) for c in layout.columns], axis=0)
    live &= ~totals_in(rows, keys)
    for heading, meaning in columns.items():
        if meaning not in ("patient", "tooth", "course", "movement", "arch", "side"):
            continue
        blank = blank_cells(layout.rows.column(heading))[live]
        if not blank.any() or blank.all() or blank[0]:
            continue
        answer = asked.ask(
            Question(
                key_of("fill", layout.label, heading),
                f"In {blank.sum()} of {len(blank)} rows {heading!r} is blank. Does a blank mean "
                f"the same as above? The first is row {rows.rows[live][int(np.argmax(blank))]}.",
                {"yes": "a blank repeats the cell above", "no": "a blank is a mistake"},
                "yes" if blank.mean() > 0.2 else "",
                "written once for several rows, or forgotten",
            )
        )
        if answer == "yes":
            fill.append(heading)
    return tuple(fill)
