"""A source as found becomes, by a mapping, a source with one table of movements as the schema has it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.cohort.mapping.join import join
from outcomes.cohort.mapping.pages import Pages
from outcomes.cohort.mapping.parts import OWN, PLACE, ROW, TROUBLE, Found, Trouble, all_records
from outcomes.cohort.mapping.spec import Mapping
from outcomes.cohort.mapping.values import settle
from outcomes.cohort.sources import Aside, Sheet

LABEL = "movements, as mapped"


def mapped_sheet(pages: Pages, mapping: Mapping) -> tuple[Sheet, tuple[Found, ...]]:
    """The movements of a file as one sheet under the schema's headings.

    Rows keep their numbers where each row of one sheet is one record; else records are counted
    from 2, and ``places`` says where each stands.

    Parameters
    ----------
    pages
        The sheets of the file.
    mapping
        How they are read.
    """
    records = join(all_records(mapping, pages), mapping)
    frame = records.frame
    if not len(frame):
        columns = ["patient", "tooth", "movement", "planned", "achieved"]
        return Sheet(
            "movements", LABEL, pd.DataFrame(columns=range(5)), tuple(columns)
        ), records.found
    frame, found = settle(frame, mapping)
    rows = frame[ROW].to_numpy(int)
    alone = len(set(rows.tolist())) == len(rows) and len(mapping.parts) == 1
    alone &= not any(part.sheet == "*" for part in mapping.parts)
    places = frame[PLACE].to_numpy(object)
    numbered = rows if alone else np.arange(2, len(rows) + 2)
    aside = _aside(frame[TROUBLE].to_numpy(object), numbered)
    cells = frame.drop(columns=[ROW, PLACE, TROUBLE])
    names = [str(name) for name in cells.columns]
    headings = [_heading(name, mapping) for name in names]
    cells.columns = pd.RangeIndex(len(headings))
    cells.index = numbered - 2
    sheet = Sheet(
        "movements",
        LABEL,
        cells,
        tuple(headings),
        known={name: i for i, name in enumerate(names) if not name.startswith(OWN)},
        aside=aside,
        places={} if alone else dict(zip(numbered.tolist(), places.tolist(), strict=True)),
    )
    return sheet, (*records.found, *found)


def _heading(name: str, mapping: Mapping) -> str:
    if name == "tooth" and mapping.notation:
        return f"tooth ({mapping.notation})"
    return name.removeprefix(OWN)


def _aside(troubles: np.ndarray, rows: np.ndarray) -> tuple[Aside, ...]:
    """Records that cannot be used, each reason once with its rows."""
    alike: dict[tuple[str, str, str], tuple[list[int], list[str]]] = {}
    for row, trouble in zip(rows, troubles, strict=True):
        if isinstance(trouble, Trouble):
            of = alike.setdefault((trouble.column, trouble.problem, trouble.remedy), ([], []))
            of[0].append(int(row))
            of[1].append(trouble.value)
    return tuple(
        Aside(column, problem, remedy, tuple(at), tuple(values))
        for (column, problem, remedy), (at, values) in alike.items()
    )
