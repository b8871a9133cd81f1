"""Make the workbooks of this folder anew: ``python tests/cohort/files/make.py`` (see README.md)."""

import datetime as dt
import io
import shutil
import struct
import subprocess
import tempfile
import zipfile
from pathlib import Path

import openpyxl

HERE = Path(__file__).parent
HEAD = ["patient", "tooth", "movement", "planned", "achieved", "note"]
ROWS = [
    ["P1", 36, "rotation", 12, 8.5, "all invented"],
    ["P2", 36, "tip", "=1/0", 2],
    ["P3", 36, "tip", 5, "=NA()"],
    ["P4", 36, "tip", 5, "=1+1"],
    ["P5", 36, "tip", True, 2],
    ["P6", 36, "tip", dt.date(2024, 5, 1), 2],
    ["P7", 36, "tip", 5, None],
    ["P8", 37, "tip", 5, 1],
    [None, 36, "tip", 4, 2],
    ["P9", 46, "vertical", "0,5", "\u22120.25"],
]


def source() -> openpyxl.Workbook:
    """The records, with a merged patient (A9:A10), a hidden row (4), column (F) and sheet."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "movements"
    for row in [HEAD, *ROWS]:
        sheet.append(row)
    sheet.merge_cells("A9:A10")
    sheet.row_dimensions[4].hidden = True
    sheet.column_dimensions["F"].hidden = True
    old = book.create_sheet("old")
    old.append(["not to be read"])
    old.sheet_state = "hidden"
    return book


def converted(forms: tuple[str, ...]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "messy.xlsx")
        source().save(path)
        for form in forms:
            command = ["soffice", "--headless", "--convert-to", form, "--outdir", folder + "/out"]
            subprocess.run([*command, str(path)], check=True, capture_output=True)
            shutil.copy(Path(folder, "out", f"messy.{form}"), HERE)


def record(kind: int, content: bytes = b"") -> bytes:
    """A record of .xlsb: type in one or two bytes, length in seven-bit groups ([MS-XLSB] 2.1.4)."""
    head = bytes([kind]) if kind < 128 else bytes([kind & 0x7F | 0x80, kind >> 7])
    length = len(content)
    while True:
        head += bytes([length & 0x7F | (0x80 if length > 127 else 0)])
        length >>= 7
        if not length:
            return head + content


def wide(text: str) -> bytes:
    return struct.pack("<I", len(text)) + text.encode("utf-16-le")


def xlsb_cell(column: int, value: object) -> bytes:
    place = struct.pack("<II", column, 0)
    formula = struct.pack("<HII", 0, 0, 0)
    if value is True:
        return record(4, place + b"\1")
    if value == "=1/0":
        return record(11, place + b"\x07" + formula)
    if value == "=NA()":
        return record(3, place + b"\x2a")
    if value == "=1+1":
        return record(9, place + struct.pack("<d", 2) + formula)
    if isinstance(value, str):
        return record(6, place + wide(value))
    if isinstance(value, dt.date):
        days = (value - dt.date(1899, 12, 30)).days
        return record(5, struct.pack("<II", column, 1) + struct.pack("<d", days))
    return record(5, place + struct.pack("<d", value))


def xlsb_sheet(rows: list[list[object]], *, messy: bool) -> bytes:
    parts = [record(129), record(133), record(137), record(138), record(134)]
    if messy:
        hidden = struct.pack("<IIIIH", 5, 5, 2304, 0, 1)
        parts = [*parts, record(390), record(60, hidden), record(391)]
    parts.append(record(148, struct.pack("<IIII", 0, len(rows) - 1, 0, 5)))
    parts.append(record(145))
    for number, row in enumerate(rows):
        flags = 0x10 if messy and number == 3 else 0
        parts.append(record(0, struct.pack("<IIHBBBI", number, 0, 300, 0, flags, 0, 0)))
        parts += [xlsb_cell(i, value) for i, value in enumerate(row) if value is not None]
    parts.append(record(146))
    if messy:
        parts += [record(177, struct.pack("<I", 1)), record(176, struct.pack("<IIII", 8, 9, 0, 0))]
        parts.append(record(178))
    return b"".join([*parts, record(130)])


def xlsb(path: Path) -> None:
    """No free program writes .xlsb, so its records are put down here as the specification says."""
    names = {"movements": 0, "old": 1}
    sheets = b"".join(
        record(156, struct.pack("<II", state, i) + wide(f"rId{i}") + wide(name))
        for i, (name, state) in enumerate(names.items(), 1)
    )
    book = record(131) + record(143) + sheets + record(144) + record(132)
    # Two formats of cells: general, and number format 14, a date.
    formats = b"".join(
        record(47, struct.pack("<HHHHHBBHH", parent, number, 0, 0, 0, 0, 0, 0, 0))
        for parent, number in ((0, 0), (0, 14))
    )
    styles = record(278) + record(617, struct.pack("<I", 2)) + formats + record(618) + record(279)
    types = (
        '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
        '<Default Extension="bin" ContentType="application/vnd.ms-excel.sheet.binary.macroEnabled'
        '.main"/><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.'
        'relationships+xml"/></Types>'
    )
    kinds = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    package = "http://schemas.openxmlformats.org/package/2006/relationships"

    def relations(*targets: tuple[str, str]) -> str:
        items = "".join(
            f'<Relationship Id="rId{i}" Type="{kinds}/{kind}" Target="{target}"/>'
            for i, (kind, target) in enumerate(targets, 1)
        )
        return f'<Relationships xmlns="{package}">{items}</Relationships>'

    parts = {
        "[Content_Types].xml": types,
        "_rels/.rels": relations(("officeDocument", "xl/workbook.bin")),
        "xl/_rels/workbook.bin.rels": relations(
            ("worksheet", "worksheets/sheet1.bin"),
            ("worksheet", "worksheets/sheet2.bin"),
            ("styles", "styles.bin"),
        ),
        "xl/workbook.bin": book,
        "xl/styles.bin": styles,
        "xl/worksheets/sheet1.bin": xlsb_sheet([HEAD, *ROWS], messy=True),
        "xl/worksheets/sheet2.bin": xlsb_sheet([["not to be read"]], messy=False),
    }
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(zipfile.ZipInfo(name, (2024, 1, 1, 0, 0, 0)), content)
    path.write_bytes(buffer.getvalue())


if __name__ == "__main__":
    converted(("xls", "ods", "xlsx"))
    xlsb(HERE / "messy.xlsb")
