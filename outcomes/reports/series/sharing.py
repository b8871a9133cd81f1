"""What a document made for sharing leaves unsaid, so that nobody can be recognised in it."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from outcomes.clinical.measures import BeforeAfter
from outcomes.domain.limits import FEW_PATIENTS
from outcomes.reports.series.results import Series
from outcomes.reports.table import Cell, Row, Table

FEWER = f"<\u00a0{FEW_PATIENTS}"
AT_LEAST = f"≥\u00a0{FEW_PATIENTS}"
HIDDEN = (
    f"{FEWER}: fewer than {FEW_PATIENTS} patients; {AT_LEAST} or a dash: withheld, so that such a number "
    "cannot be worked out."
)


def enough(patients: int, whole: int) -> bool:
    """Whether a number of patients may be shown: 5 or more, or the whole series.

    Examples
    --------
    >>> enough(5, 12), enough(4, 12), enough(3, 3)
    (True, False, True)
    """
    return patients >= FEW_PATIENTS or patients == whole


def of_enough(frame: pd.DataFrame, series: Series) -> pd.DataFrame:
    """The rows of a result that rest on enough patients to be shown."""
    whole = len(series.patients)
    return frame[[enough(int(k), whole) for k in frame["patients"]]] if len(frame) else frame


def pairs_to_share(series: Series) -> tuple[BeforeAfter, str | None, list[str]]:
    """Measures before and after that a shared figure may draw, a line for each patient.

    A figure draws what the table beside it may tell: no measure of 1 to 4 patients of more, and
    none split into groups of which one is so small. Given are the result to draw, the column that
    splits it (None: nothing), and the measures, those with a target if there are any.
    """
    split = series.before_after_split
    if split is not None:
        found = _drawable(split, series)
        if any(measure in series.opposed for measure in found):
            return split, series.split, found
    whole = _drawable(series.before_after, series)
    if split is not None:
        # a mean of patients who should gain and who should lose says little
        whole = [measure for measure in whole if measure not in series.opposed]
    return series.before_after, None, whole


def _drawable(result: BeforeAfter, series: Series) -> list[str]:
    table = result.table[(result.table["period"] == "total") & (result.table["patients"] > 0)]
    small = table.drop(of_enough(table, series).index)
    table = table[~table["measure"].isin(small["measure"])]
    aimed = table[table["with_target"] > 0]
    return list(dict.fromkeys((aimed if len(aimed) else table)["measure"].astype(str)))


def kinds_to_share(series: Series) -> bool:
    """Whether figures of single patients may name their malocclusion: no kind has 1 to 4 of more."""
    table = series.cohort.patients
    if "malocclusion" not in table.columns:
        return True
    of = table.dropna(subset="malocclusion").drop_duplicates("patient").set_index("patient")
    kinds = of["malocclusion"].reindex(series.patients).dropna()
    return all(enough(int(k), len(series.patients)) for k in kinds.value_counts())


def hide_small(table: Table) -> Table:
    """A table of two columns with counts by level, small counts hidden.

    Counts of 1 to 4 patients become "< 5". Where the total would still give one away, the smallest
    other level becomes "≥ 5"; where even that would, the levels are left out and their heading has
    a dash. ``HIDDEN`` is added to the footnotes.
    """
    rows: list[Row] = []
    place, changed = 0, False
    while place < len(table.rows):
        line = table.rows[place]
        place += 1
        if not line.heading:
            rows.append(replace(line, few=False))
            continue
        prefix = f"{line.key} "
        levels = [row for row in table.rows[place:] if row.key.startswith(prefix)]
        place += len(levels)
        if not any(level.few for level in levels):
            rows += [line, *levels]
            continue
        changed = True
        shown = _hidden(levels)
        if shown:
            rows += [line, *shown]
        else:
            rows.append(Row(line.key, (line.cells[0], Cell("–"))))
    notes = (*table.footnotes, HIDDEN) if changed else table.footnotes
    return replace(table, rows=tuple(rows), footnotes=notes)


def _hidden(levels: list[Row]) -> list[Row]:
    """Levels with their small counts hidden; nothing where the total would give them away."""
    counts = {level.key: int(level.cells[1].text.split(" ")[0]) for level in levels}
    small = [level.key for level in levels if level.few]
    large = sorted((k for k in counts if k not in small), key=lambda k: counts[k])
    texts = dict.fromkeys(small, FEWER)
    total, n = sum(counts[key] for key in small), len(small)
    if total in (n, (FEW_PATIENTS - 1) * n) or n == 1:  # the others would give it away
        if not large:
            return []
        total += counts[large[0]]
        could_be = [s for s in range(n, (FEW_PATIENTS - 1) * n + 1) if total - s >= FEW_PATIENTS]
        if len(could_be) < 2:
            return []
        texts[large[0]] = AT_LEAST
    return [
        Row(r.key, (r.cells[0], Cell(texts[r.key]) if r.key in texts else r.cells[1]))
        for r in levels
    ]
