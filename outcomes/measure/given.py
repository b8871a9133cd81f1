"""What a file given to be measured is: a table of scans, or a table of landmarks."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from outcomes.cohort.books.pages import WORKBOOKS
from outcomes.cohort.cells import word_key
from outcomes.cohort.headers import find_headings
from outcomes.cohort.sources import bytes_at, pages_at
from outcomes.domain.scan_tables import LANDMARKS, SCANS
from outcomes.errors import Unreadable
from outcomes.measure.tables_in import sheet_at

__all__ = ["kind_of"]


def kind_of(path: str | Path) -> Literal["scans", "landmarks"]:
    """Whether a file holds scans or landmarks: by its sheet's name, else by its headings.

    What cannot be read at all is taken for scans, whose reading lists what is wrong.
    """
    path = Path(path)
    try:
        if path.suffix.lower() in WORKBOOKS:
            names = {word_key(page.label) for page in pages_at(path)}
            if names & {SCANS.name, *SCANS.synonyms}:
                return "scans"
            if names & {LANDMARKS.name, *LANDMARKS.synonyms}:
                return "landmarks"
        cells = sheet_at(path, bytes_at(path), LANDMARKS)
    except (Unreadable, OSError):
        return "scans"
    axes = set(find_headings(cells, LANDMARKS).known) & {"x", "y", "z"}
    files = set(find_headings(cells, SCANS).known) & {"start", "planned", "achieved"}
    return "landmarks" if len(axes) > len(files) else "scans"
