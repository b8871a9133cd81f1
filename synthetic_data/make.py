"""Write the invented cohorts of this folder from ``outcomes.simulate``, with fixed seeds.

Run ``python synthetic_data/make.py`` to write them again in place; a test does so in another
folder and compares.
"""

import csv
import datetime
import io
import re
import sys
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
from openpyxl import Workbook

from outcomes.simulate import SimulatedCohort, simulate_cohort, with_bad_rows

NOTICE = (
    "Invented data: made by synthetic_data/make.py with a fixed seed. No real patient, person "
    "or place; for trying things out and for tests, never for a clinical decision."
)
EPOCH = (2024, 1, 1, 0, 0, 0)
"""Creation and change time of all files, so that the same data give the same bytes."""

Sheets = dict[str, list[list[Any]]]


def practice() -> SimulatedCohort:
    """About a year of a practice: 60 patients, two sites, three clinicians, some bad cells."""
    invented = simulate_cohort(
        patients=60, seed=20240611, attachment_effect={"rotation": 0.07, "vertical": 0.05}
    )
    often = {
        "decimal comma": 6,
        "unit in the cell": 3,
        "Unicode minus": 5,
        "number as text": 4,
        "blank achieved": 4,
        "duplicate row": 2,
        "opposite sign": 2,
    }
    return with_bad_rows(_aim_only_where_different(invented), seed=1, each=often)


def series() -> SimulatedCohort:
    """A case series: 12 patients with deep bite or open bite, with targets."""
    return simulate_cohort(
        patients=12,
        seed=20240617,
        malocclusions={"deep bite": 0.5, "open bite": 0.5},
        drop_out=0.02,
        sites=("North",),
        clinicians=("A",),
    )


def bad_rows() -> SimulatedCohort:
    """A small cohort with three bad cells of every kind."""
    return with_bad_rows(simulate_cohort(patients=12, seed=7), seed=7, each=3)


def _aim_only_where_different(invented: SimulatedCohort) -> SimulatedCohort:
    """Leave aim blank where it is what was planned, as people do."""
    rows = invented.movements
    return replace(
        invented, movements=rows.assign(aim=rows["aim"].where(rows["aim"] != rows["planned"]))
    )


def sheets(invented: SimulatedCohort, about: str) -> Sheets:
    """Header and rows of each table, and a sheet ``invented`` that says they are."""
    made: Sheets = {name: _cells(table) for name, table in invented.tables.items()}
    made["invented"] = [[NOTICE], [about]]
    return made


def _cells(table: pd.DataFrame) -> list[list[Any]]:
    rows = table.astype(object).where(table.notna(), None)
    return [list(table.columns), *([_plain(v) for v in row] for row in rows.to_numpy(object))]


def _plain(value: Any) -> Any:
    """A cell as openpyxl and csv take it: no numpy scalars, dates without a time."""
    if isinstance(value, datetime.datetime):  # also a pandas Timestamp
        return value.date()
    return value.item() if hasattr(value, "item") else value


def write_workbook(contents: Sheets, path: Path) -> None:
    """Write a workbook whose bytes depend on its contents only."""
    book = Workbook(write_only=True)
    for name, rows in contents.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    buffer = io.BytesIO()
    book.save(buffer)
    stamp = datetime.datetime(*EPOCH).strftime("%Y-%m-%dT%H:%M:%SZ")
    with zipfile.ZipFile(buffer) as written, zipfile.ZipFile(path, "w") as pinned:
        for entry in written.infolist():
            data = written.read(entry)
            if entry.filename == "docProps/core.xml":
                data = re.sub(rb"\d{4}-\d\d-\d\dT[\d:.]+Z", stamp.encode(), data)
            info = zipfile.ZipInfo(entry.filename, EPOCH)
            info.create_system = 3
            pinned.writestr(info, data, zipfile.ZIP_DEFLATED)


def write_folder(contents: Sheets, folder: Path) -> None:
    """Write each table as a CSV file; the notice goes to invented.md."""
    folder.mkdir(exist_ok=True)
    for name, rows in contents.items():
        if name == "invented":
            text = "\n\n".join(row[0] for row in rows)
            (folder / "invented.md").write_text(f"# Invented cohort\n\n{text}\n", encoding="utf-8")
            continue
        with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
            csv.writer(file, lineterminator="\n").writerows(rows)


def titled(contents: Sheets, table: str) -> Sheets:
    """Put a title row above the header of one table, as merged headings look when read."""
    return {
        name: [["Movements, all courses"], *rows] if name == table else rows
        for name, rows in contents.items()
    }


def write_all(folder: Path) -> None:
    """Write every cohort of this folder into ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    audited = practice()
    truth = audited.truth.rates.merge(audited.truth.spread, on="movement").round(4)
    truth.to_csv(folder / "practice_truth.csv", index=False, lineterminator="\n")
    demo = sheets(
        audited,
        "A practice with two sites (North, South) and three clinicians (A, B, C), 60 patients. "
        "A few cells are badly typed on purpose.",
    )
    write_workbook(demo, folder / "practice.xlsx")
    write_folder(demo, folder / "practice")
    write_workbook(
        sheets(series(), "A case series: 12 patients with deep bite or open bite."),
        folder / "series.xlsx",
    )
    bad = bad_rows()
    contents = sheets(
        bad,
        "A small cohort with every kind of bad cell, a title above the header of movements and "
        "empty rows at its end; bad_rows_expected.csv says what reading does with each.",
    )
    write_workbook(titled(contents, "movements"), folder / "bad_rows.xlsx")
    # The title row moves everything in movements down by one.
    expected = bad.planted.assign(row=bad.planted["row"] + (bad.planted["table"] == "movements"))
    expected.to_csv(folder / "bad_rows_expected.csv", index=False, lineterminator="\n")


if __name__ == "__main__":
    write_all(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
