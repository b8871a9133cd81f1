"""Tables for print in every format at once."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from outcomes.reports.files import html, latex
from outcomes.reports.files.word import write_docx
from outcomes.reports.files.workbook import write_xlsx
from outcomes.reports.table import Table


def write_tables(tables: Iterable[Table], folder: str | Path) -> list[Path]:
    """Every table in every format: one .docx and one .xlsx of all, and files of each."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    every = list(tables)
    paths = [
        write_docx(every, folder / "manuscript_tables.docx"),
        write_xlsx(every, folder / "manuscript_tables.xlsx"),
    ]
    for table in every:
        for ending, text in (
            ("csv", table.csv()),
            ("tex", latex.table(table)),
            ("html", html.table(table) + "\n"),
        ):
            path = folder / f"{table.name}.{ending}"
            path.write_text(text, encoding="utf-8", newline="\n")
            paths.append(path)
        paths.append(write_docx([table], folder / f"{table.name}.docx"))
    return paths
