"""Write a cohort's tables as files that read_cohort reads back."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import pandas as pd

from outcomes.cohort.records import Cohort
from outcomes.cohort.sources import INVENTED
from outcomes.domain.tables import DERIVED, TABLES
from outcomes.words.safe import no_formulas, write_csv


def input_tables(cohort: Cohort) -> dict[str, pd.DataFrame]:
    """Tables of a cohort as one would type them: no derived columns, tooth headed with FDI.

    Examples
    --------
    >>> from outcomes.cohort.read import from_frames
    >>> rows = pd.DataFrame({"patient": ["P1"], "tooth": [13], "movement": ["rotation"],
    ...                      "planned": [12.0], "achieved": [8.5]})
    >>> list(input_tables(from_frames(rows))["movements"])
    ['patient', 'tooth (FDI)', 'movement', 'planned', 'achieved', 'course', 'aim']
    """
    tables = {}
    for name in TABLES:
        table = getattr(cohort, name)
        if name == "movements" or len(table):
            derived = DERIVED if name == "movements" else ("row",)
            table = table.drop(columns=[c for c in derived if c in table])
            tables[name] = table.rename(columns={"tooth": "tooth (FDI)"})
    return tables


def write_cohort(
    cohort: Cohort, path: str | Path, *, form: Literal["csv", "parquet"] = "csv"
) -> Path:
    """Write the analysed rows of a cohort.

    Parameters
    ----------
    cohort
        What to write.
    path
        An ``.xlsx`` file, or a folder (made if need be) for a file for each table.
    form
        Form of the files in a folder.

    Raises
    ------
    FileExistsError
        If the file exists, or the folder holds a file of that name.
    """
    return write_tables(input_tables(cohort), Path(path), form=form)


def write_tables(
    tables: dict[str, pd.DataFrame],
    path: Path,
    *,
    form: Literal["csv", "parquet"] = "csv",
    invented: bool = False,
) -> Path:
    """Write tables as a workbook, as one ``.csv`` (the movements alone) or as a folder of files.

    Parameters
    ----------
    tables
        Table -> its frame, headed as read_cohort knows it.
    path
        An ``.xlsx`` or ``.csv`` file, or a folder (made if need be) for a file for each table.
    form
        Form of the files in a folder.
    invented
        Whether to mark the records as invented; a single ``.csv`` has no place for that.

    Raises
    ------
    FileExistsError
        If the file exists, or the folder holds a file of that name.
    """
    if path.suffix.lower() == ".xlsx":
        require_free(path)
        with pd.ExcelWriter(path, engine="openpyxl", datetime_format="yyyy-mm-dd") as writer:
            for name, table in tables.items():
                table.to_excel(writer, sheet_name=name, index=False)
                no_formulas(writer.sheets[name])
            if invented:
                note = pd.DataFrame({INVENTED_NOTE: []})
                note.to_excel(writer, sheet_name=INVENTED, index=False)
        return path
    if path.suffix.lower() == ".csv":
        require_free(path)
        write_csv(tables["movements"], path)
        return path
    files = {name: path / f"{name}.{form}" for name in tables}
    for file in files.values():
        require_free(file)
    path.mkdir(parents=True, exist_ok=True)
    for name, table in tables.items():
        if form == "csv":
            write_csv(table, files[name])
        else:
            table.to_parquet(files[name], index=False)
    if invented:
        (path / f"{INVENTED}.md").write_text(f"{INVENTED_NOTE}\n", encoding="utf-8")
    return path


INVENTED_NOTE = "These records are invented."


def require_free(path: Path) -> None:
    """Leave a file that exists as it is: FileExistsError."""
    if path.exists():
        raise FileExistsError(f"{path} exists and is left as it is: choose another name.")
