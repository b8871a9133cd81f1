"""What reading says of bad input, word by word, beside the cases that bring it out.

The approved texts were read by a person; tests/approved says how to take new ones.
"""

import datetime as dt
import re

import openpyxl
import pandas as pd
import pytest

from outcomes.cohort.read import from_frames, read_cohort
from outcomes.cohort.template import write_template
from outcomes.errors import CohortError, describe
from outcomes.paths import data_path
from tests.approved import as_approved

HEAD = "patient,tooth,movement,planned,achieved"
GOOD = ["P1,36,rotation,12,8.5", "P2,13,tip,5,2"]


def told(cohort) -> list[str]:
    ledger = [" | ".join(map(str, row)) for row in cohort.ledger.itertuples(index=False)]
    lost = cohort.excluded[["table", "row", "reason"]].astype(str)
    return [
        repr(cohort),
        *describe(cohort.problems),
        *ledger,
        *(" | ".join(row) for row in lost.itertuples(index=False)),
    ]


def without_library_words(text: str) -> str:
    """Without what a library says in brackets, which changes with its version."""
    return re.sub(r"(opened|line) \(.*?\)(?=\. (?:Write|Look|Open))", r"\1 (…)", text)


def both(read) -> list[str]:
    """What is said with ``strict`` (the message of the error, if there is one) and without."""
    try:
        read(strict=True)
        message = []
    except CohortError as error:
        message = str(error).splitlines()
    return [*message, *told(read(strict=False))]


def test_the_demo_with_every_kind_of_bad_cell():
    cohort = read_cohort(data_path("synthetic_data", "bad_rows.xlsx"))
    as_approved("cohort_bad_rows", "\n".join([*told(cohort), cohort._repr_html_()]))


MOVEMENTS = {
    "rows that cannot be read": [
        HEAD + ",course,aim,attachment,auxiliary,ipr_mm,unit",
        "P1,36,rotation,12,8.5,1,,none,no,0,",
        "P1,36,rotation,12,8.5,1,,none,no,0,",
        "P1,36,rotation,12,8.5,1,,none,no,0,",
        "P1,37,rotation,12,8.5,1,,,,,",
        "P1,37,rotation,13,8.5,1,,,,,",
        "P2,36,intrusion,1,1,1,,,,,",
        "P2,36,labial,1,1,1,,,,,",
        "P2,36,mesialisation,1,1,1,,,,,",
        "P2,36,torqe,1,1,1,,,,,",
        "P2,36,unheard of,1,1,1,,,,,",
        'P3,36,rotation,"1,234",1,1,,,,,',
        "P3,36,rotation,#DIV/0!,1,1,,,,,",
        "P3,36,rotation,1-May,1,1,,,,,",
        "P3,36,rotation,about 3,1,1,,,,,",
        "P3,36,rotation,12,inf,1,,,,,",
        "P3,36,rotation,12 mm,1,1,,,,,",
        "P3,36,vertical,1°,1,1,,,,,",
        "P3,36,vertical,0.1 cm,1,1,,,,,",
        "P3,99,vertical,1,1,1,,,,,",
        "P3,,vertical,1,1,1,,,,,",
        ",36,tip,1,1,1,,,,,",
        "P4,36,tip,,1,1,,,,,",
        "P4,36,,1,1,1,,,,,",
        "P4,36,tip,1,,1,,,,,",
        "P5,36,tip,5,1,0,,,,,",
        "P5,37,tip,5,1,1.5,,,,,",
        "P5,38,tip,5,1,13,,,,,",
        "P6,36,tip,5,1,1,#REF!,spiral,rope,-1,",
        "P6,37,tip,5,1,1,x,spiral,#N/A,1.6,",
        "P6,38,tip,5,1,1,-3,bevelled,elastics,a lot,mm",
        "P7,36,tip,70,30,1,,,,,degrees",
        "P7,37,vertical,7,-3,1,6.5,,,,mm",
        "Anna Smith,36,tip,5,2,1,,,,,",
        "p 07,36,tip,5,2,1,,,,,",
        "P8,36,vertical,12,8,1,,,,,",
        "P8,36,rotation,0.3,0.2,1,,,,,",
    ],
    "odd columns": [
        "patient,tooth,movement,planned,achieved,,row,side,achieved_2,actual name,birthday,count,day",
        "P1,36,rotation,12,8.5,lost,1,left,8,Anna,1.1.2001,1,2024-01-31",
        "P2,13,tip,5,2,,2,right,2,Ben,2.2.2002,2,#N/A",
        "P3,13,tip,5,2,,2,right,2,Ben,2.2.2002,2,soon",
    ],
    "more cells than headings": [HEAD, *GOOD, "P2,36,vertical,0,8,0,6"],
    "the same number all over": [HEAD, *(f"P{i},36,tip,5,2" for i in range(8))],
    "achieved copied": [HEAD, *(f"P{i},36,tip,{i + 3},{i + 3}" for i in range(8))],
    "millimetres for degrees": [HEAD, *(f"P{i},36,tip,{i / 10},{i / 20}" for i in range(9))],
    "degrees for millimetres": [HEAD, *(f"P{i},36,vertical,{i + 7},1" for i in range(9))],
    "nothing planned": [HEAD, "P1,36,tip,0,1", "P2,36,tip,0,2"],
    "nothing left": [HEAD, "P1,36,tip,5,", "P2,99,tip,5,2"],
    "no such column": ["patient,teeth,kind,planed,achieved", "P1,36,tip,5,2"],
    "no column at all like it": ["patient,tooth,movement,planned,x", "P1,36,tip,5,2"],
    "one column a movement": [
        "patient,tooth,planned tip,planned torque,achieved tip,achieved torque",
        "P1,36,5,4,3,2",
    ],
    "two columns for one": [
        "patient,tooth,movement,plan,programmed,achieved",
        "P1,36,tip,5,5,2",
    ],
    "two notations possible": [HEAD, "P1,13,tip,5,2", "P2,23,tip,5,2"],
    "mixed notations": [HEAD, *(f"P1,{t},tip,5,2" for t in ("36", "46", "8", "UR3", "9"))],
    "mixed notations of many": [
        HEAD,
        *(f"P1,{t},tip,5,2" for t in (36, 37, 38, 41, 42, 43, 44, 45, "UR3", 9)),
    ],
    "a slip in a chart": [HEAD, *(f"P1,{t},tip,5,2" for t in (36, 37, 41, 9))],
    "no records": [HEAD],
    "nothing": [""],
}


@pytest.mark.parametrize("case", MOVEMENTS)
def test_movements(tmp_path, case):
    path = tmp_path / "movements.csv"
    path.write_text("\n".join([*MOVEMENTS[case], ""]), encoding="utf-8")
    said = both(lambda **options: read_cohort(path, **options))
    as_approved(f"cohort_{case.replace(' ', '_')}", "\n".join(said))


def test_a_heading_and_an_option_that_disagree(tmp_path):
    path = tmp_path / "movements.csv"
    path.write_text("patient,tooth (FDI),movement,planned,achieved\nP1,13,tip,5,2\n")
    said = both(lambda **options: read_cohort(path, notation="universal", **options))
    as_approved("cohort_heading_and_option", "\n".join(said))


def test_other_tables():
    movements = pd.DataFrame(
        {
            "patient": ["P1", "P2", "P3", "P3", "P9"],
            "tooth": [36, 13, 11, 11, 21],
            "movement": "tip",
            "planned": [5.0, 6.0, 7.0, 8.0, 9.0],
            "achieved": [2.0, 3.0, 4.0, 5.0, 6.0],
            "course": [1, 1, 1, 2, 2],
        }
    )
    patients = pd.DataFrame(
        {
            "patient": ["P1", "P2", "P3", "P03", "P4", "P4", dt.date(2024, 5, 3), None],
            "sex": ["f", "woman", "?", "m", "m", "m", "x", "f"],
            "age": [4, 91, -1, "old", 30, 31, 20, 20],
            "growing": ["yes", "0", "maybe", "", "no", "no", "no", "no"],
        },
        dtype=object,
    )
    courses = pd.DataFrame(
        {
            "patient": ["P1", "P2", "P3", "P7"],
            "course": [1, 1, 1, 1],
            "aligners": [0, 121, 20.5, 20],
            "days_per_aligner": [0, 32, 7, 7],
            "start": ["2024-05-01", "3/4/2024", "soon", "#N/A"],
            "end": ["2024-04-30", "2024-12-01", "2024-13-01", "2025-01-01"],
            "wear_hours": [7, 25, 22, -1],
        },
        dtype=object,
    )
    measures = pd.DataFrame(
        {
            "patient": ["P1", "P1", "P1", "P1", "P2", "P2", "P2", "P2", "P2"],
            "after_course": [0, 1, -1, 13, 0, 0, 0, 1, 1],
            "measure": [
                "overbite",
                "overbite",
                "overjet",
                "overjet",
                "recession",
                "gummy smile",
                "gummy smile",
                "spacing",
                "spacing",
            ],
            "value": [4.5, "5°", 2, 2, 1, 3, 3, "", "x"],
            "tooth": [None] * 9,
            "unit": ["mm", "mm", "degree", "mm", "mm", "", "mm", "mm", "mm"],
            "target": [2, "#REF!", 2, 2, 2, 2, 2, 2, 2],
            "day": [0, -1, 2.5, 3, 4, 5, 6, 7, 8],
        },
        dtype=object,
    )
    repeats = pd.DataFrame(
        {
            "patient": ["P1", "P1", "P1", "P8"],
            "tooth": [36, 36, 36, 99],
            "movement": ["tip", "tip", "tip", "twist"],
            "reader": ["A", "A", "", "B"],
            "reading": [1, 0, 2, 1],
            "value": [2.0, 2.1, 2.2, None],
            "course": [1, 1, 3, 1],
        },
        dtype=object,
    )
    said = both(
        lambda **options: from_frames(movements, patients, courses, measures, repeats, **options)
    )
    as_approved("cohort_other_tables", "\n".join(said))


def book(path, **sheets):
    made = openpyxl.Workbook()
    made.remove(made.active)
    for name, rows in sheets.items():
        sheet = made.create_sheet(name.replace("_", " "))
        for row in rows:
            sheet.append(row)
    made.save(path)
    return path


FULL = [HEAD.split(","), ["P1", 36, "tip", 5, 2]]


@pytest.mark.parametrize(
    ("name", "sheets"),
    [
        ("another name", {"Cases": FULL, "patients": [["patient", "age"], ["P1", 20]]}),
        ("alone", {"Cases": FULL}),
        ("several", {"Cases": FULL, "More": FULL}),
        ("none", {"patients": [["patient", "age"], ["P1", 20]], "Other": [["a"], [1]]}),
        ("twice", {"movements": FULL, "movement": FULL}),
        ("near", {"movements": FULL, "patient_s": [["patient"], ["P1"]], "Anything": [["x"]]}),
        ("companions", {"movements": FULL, "readme": [["x"]], "notes": [["x"]], "invented": []}),
    ],
)
def test_sheets_of_a_workbook(tmp_path, name, sheets):
    path = book(tmp_path / "cohort.xlsx", **sheets)
    said = both(lambda **options: read_cohort(path, **options))
    as_approved(f"cohort_sheets_{name.replace(' ', '_')}", "\n".join(said))


def test_files_of_a_folder(tmp_path):
    folder = tmp_path / "cohort"
    folder.mkdir()
    text = "\n".join([HEAD, *GOOD, ""])
    (folder / "movements.csv").write_text(text)
    (folder / "movement.txt").write_text(text)
    (folder / "patient.tsv").write_text("patient\tage\nP1\t20\nP2\t30\n")
    (folder / "corses.csv").write_text("patient,course\nP1,1\n")
    (folder / "anything.csv").write_text("a,b\n1,2\n")
    (folder / "readme.txt").write_text("about these records")
    (folder / "picture.png").write_text("no table")
    (folder / ".hidden.csv").write_text(text)
    (folder / "~lock.csv").write_text(text)
    said = both(lambda **options: read_cohort(folder, **options))
    (folder / "movement.txt").unlink()
    (folder / "measures.parquet").write_bytes(b"no parquet")
    said += both(lambda **options: read_cohort(folder, **options))
    (folder / "measures.parquet").unlink()
    said += both(lambda **options: read_cohort(folder, **options))
    as_approved("cohort_files_of_a_folder", without_library_words("\n".join(said)))


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("records.docx", b"x"),
        ("records", b"x"),
        ("lone.csv", b'patient,tooth\nP1,"36\n'),
        ("bytes.csv", b"patient,tooth\nP\x81,36\n"),
        ("records.parquet", b"x"),
    ],
)
def test_files_that_cannot_be_read(tmp_path, name, data):
    path = tmp_path / name
    path.write_bytes(data)
    said = both(lambda **options: read_cohort(path, **options))
    as_approved(f"cohort_file_{name}", without_library_words("\n".join(said)))


def test_the_empty_workbook(tmp_path):
    write_template(tmp_path / "cohort.xlsx")
    saved = openpyxl.load_workbook(tmp_path / "cohort.xlsx")
    lines = []
    for sheet in saved:
        lines.append(
            f"# {sheet.title}, {sheet.sheet_state}, frozen at {sheet.freeze_panes}, "
            f"{sheet.page_setup.orientation} {sheet.page_setup.fitToWidth} "
            f"{sheet.page_setup.fitToHeight} {sheet.sheet_properties.pageSetUpPr.fitToPage}"
        )
        lines += [f"{k}: width {d.width:g}" for k, d in sheet.column_dimensions.items()]
        lines += [f"{k}: height {d.height}" for k, d in sheet.row_dimensions.items() if d.height]
        for rule in sheet.data_validations.dataValidation:
            lines.append(
                f"{rule.sqref}: {rule.type} {rule.operator} {rule.formula1} {rule.formula2} "
                f"{rule.errorStyle} {rule.errorTitle} {rule.error} {rule.allow_blank} "
                f"{rule.showErrorMessage}"
            )
        for row in sheet.iter_rows(max_row=120):
            for cell in row:
                if cell.value is None and cell.number_format == "General":
                    continue
                if cell.value is None and cell.row > 3:
                    continue
                font, at = cell.font, cell.alignment
                lines.append(
                    f"{cell.column_letter}/{cell.row} {cell.value!r} {cell.number_format} "
                    f"{'bold ' if font.bold else ''}{'italic ' if font.italic else ''}"
                    f"{font.color.rgb if font.color else ''} {cell.fill.fgColor.rgb} "
                    f"{at.horizontal} {at.vertical} {at.indent} {at.wrap_text} "
                    f"{cell.border.bottom.style if cell.border.bottom else ''}"
                )
                if cell.comment:
                    lines.append(f"note {cell.comment.author}: {cell.comment.text!r}")
        dates = [c for c in sheet[1] if c.value in ("start", "end")]
        lines += [
            f"{c.column_letter}{r} {sheet.cell(r, c.column).number_format}"
            for c in dates
            for r in (5001, 5002)
        ]
    as_approved("cohort_empty_workbook", "\n".join(lines))
