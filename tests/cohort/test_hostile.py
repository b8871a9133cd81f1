"""Files made to do harm, or far too large: a clear message, bounded memory, nothing run."""

import io
import os
import re
import struct
import zipfile
import zlib
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from outcomes.cohort import sizes
from outcomes.cohort.books import archive, ods, xls, xlsb, xlsx
from outcomes.cohort.books.pages import read_pages
from outcomes.cohort.read import from_frames, read_cohort
from outcomes.cohort.sources import source_of
from outcomes.errors import CohortError, InputError, Unreadable
from tests.cohort.conftest import HEAD, found

FILES = Path(__file__).parent / "files"
ROW = ["P1", 36, "tip", 5, 2]


def small(**parts):
    """Parts of a small .xlsx, some of them replaced or added."""
    book = openpyxl.Workbook()
    for row in (HEAD.split(","), ROW):
        book.active.append(row)
    buffer = io.BytesIO()
    book.save(buffer)
    with zipfile.ZipFile(buffer) as old:
        content = {name: old.read(name) for name in old.namelist()}
    return content | parts


def packed(parts):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as new:
        for name, content in parts.items():
            new.writestr(name, content)
    return buffer.getvalue()


SHEET = "xl/worksheets/sheet1.xml"


# Size --------------------------------------------------------------------------------------------


def test_a_zip_bomb_is_refused_before_it_is_unpacked(monkeypatch):
    monkeypatch.setenv("OUTCOMES_MAX_UNPACKED_MB", "5")
    bomb = packed(small(**{SHEET: b" " * 50_000_000}))
    assert len(bomb) < 100_000
    unpackers = []
    monkeypatch.setattr(zlib, "decompressobj", lambda *_: unpackers.append(1))
    with pytest.raises(Unreadable, match="51 megabytes once unpacked; at most 5 are read"):
        archive.unpacked(packed({SHEET: b" " * 50_000_000, "a": b"x" * 500_000}))
    assert unpackers == []


def test_a_part_larger_than_it_declares_is_refused():
    bomb = bytearray(packed({"xl/workbook.xml": b" " * 1_000_000}))
    at = bomb.index(b"PK\x01\x02") + 24
    bomb[at : at + 4] = struct.pack("<I", 10)
    with pytest.raises(Unreadable, match="damaged, or larger than it says"):
        archive.unpacked(bytes(bomb))


def test_the_limit_of_what_is_unpacked_is_on_the_sum_of_the_parts(monkeypatch):
    monkeypatch.setenv("OUTCOMES_MAX_UNPACKED_MB", "1")
    half = b" " * 500_000
    assert len(archive.unpacked(packed({"a": half, "b": half}))) == 2
    with pytest.raises(Unreadable, match="2 megabytes once unpacked; at most 1 are read"):
        archive.unpacked(packed({"a": half, "b": half + b" "}))


@pytest.mark.parametrize(
    ("variable", "number", "what"),
    [
        ("OUTCOMES_MAX_ROWS", 4, "rows"),
        ("OUTCOMES_MAX_COLUMNS", 5, "columns"),
        ("OUTCOMES_MAX_CELLS", 20, "cells"),
    ],
)
@pytest.mark.parametrize("quoted", [True, False])
def test_each_limit_holds_exactly_and_can_be_set(csv, monkeypatch, variable, number, what, quoted):
    mark = '"' if quoted else ""
    lines = [f"{mark}P{i}{mark},36,tip,5,{i}" for i in range(3)]
    monkeypatch.setenv(variable, str(number))
    assert len(csv(*lines).movements) == 3
    monkeypatch.setenv(variable, str(number - 1))
    with pytest.raises(CohortError, match=rf"{number} {what}; at most {number - 1} are read"):
        csv(*lines)
    monkeypatch.setenv(variable, "many")
    with pytest.raises(InputError, match=f"{variable} is 'many': set it to a whole number"):
        csv(*lines)


def test_the_limit_of_the_file_is_on_its_size_on_disk(tmp_path, monkeypatch):
    path = tmp_path / "movements.csv"
    path.write_text(HEAD + "\nP1,36,tip,5,2\n")
    with path.open("r+b") as file:
        file.truncate(501_000_000)  # a hole: nothing is written
    with pytest.raises(CohortError, match="501 megabytes; at most 500 are read"):
        read_cohort(path)


def test_five_million_rows_are_counted_and_refused_with_what_to_set():
    line = b"P1,36,tip,5,2\n"
    source = source_of("movements.csv", HEAD.encode() + b"\n" + line * 5_000_000)
    (problem,) = pd.concat(source.found).to_dict("records")
    assert problem["problem"] == "the file has 5,000,001 rows; at most 2,000,000 are read"
    assert "OUTCOMES_MAX_ROWS=6000000" in problem["remedy"]


def test_300_columns_are_read_and_16384_refused():
    frame = pd.DataFrame([ROW], columns=HEAD.split(","))
    extras = pd.DataFrame(1.5, index=frame.index, columns=[f"extra {i}" for i in range(295)])
    wide = pd.concat([frame, extras], axis=1)
    data = wide.to_csv(index=False).encode()
    assert source_of("m.csv", data).sheets["movements"].cells.shape == (2, 300)
    data = ",".join(["x"] * 16_384).encode()
    with pytest.raises(Unreadable, match="16,384 columns; at most 1,000"):
        sizes.hold_table(1, data.count(b",") + 1, "the file")
    assert "16,384 columns" in source_of("m.csv", data).found[0]["problem"][0]


@pytest.mark.parametrize("place", ["XFD1048576", "A1048576", "XFD2"])
def test_a_lone_far_cell_is_refused_before_memory_is_set_aside_for_all_between(place, monkeypatch):
    parts = small()
    far = f'<row r="9"><c r="{place}" t="n"><v>1</v></c></row></sheetData>'.encode()
    parts[SHEET] = parts[SHEET].replace(b"</sheetData>", far)
    if place == "A1048576":
        monkeypatch.setenv("OUTCOMES_MAX_ROWS", "1048575")
    with pytest.raises(Unreadable, match="at most"):
        read_pages(packed(parts))


@pytest.mark.parametrize(("place", "reach"), [("Z7", (7, 26)), ("AA3", (3, 27)), ("B12", (12, 5))])
def test_how_far_the_cells_reach_whatever_row_they_stand_in(place, reach):
    parts = small()
    far = f'<row r="2"><c r="{place}" t="n"><v>1</v></c></row></sheetData>'.encode()
    parts[SHEET] = parts[SHEET].replace(b"</sheetData>", far)
    (marks,) = xlsx.marks(parts).values()
    assert (marks.rows, marks.columns) == reach


@pytest.mark.parametrize(
    ("place", "reach"),
    [
        ("F20000", (20_000, 26)),
        ("A20001", (20_001, 6)),
        ("B0020001", (20_001, 6)),
        ("A30001", (30_001, 6)),
        ("C100000", (100_000, 6)),
        ("AA3", (20_000, 27)),
    ],
)
def test_how_far_the_cells_of_a_long_sheet_reach(place, reach):
    """A long sheet is looked through once only; a single cell beyond its last row is still seen."""
    rows = [
        f'<row r="{n}">{"".join(f"<c r={chr(34)}{c}{n}{chr(34)}/>" for c in "ABCDEF")}</row>'
        for n in range(1, 20_001)
    ]
    rows.insert(7, f'<row r="8"><c r="{place}"/></row>')
    page = f"<worksheet><sheetData>{''.join(rows)}</sheetData></worksheet>".encode()
    marks = xlsx._marks(page)
    assert (marks.rows, marks.columns) == reach


def test_counts_that_no_file_has_room_for_are_refused():
    """Each of these made the fast reader ask for gigabytes, which ends the program."""
    strings = b'<sst uniqueCount="4000000000" count="4000000000"/>'
    with pytest.raises(Unreadable, match="more entries than it has room for"):
        read_pages(packed(small(**{"xl/sharedStrings.xml": strings})))
    binary = archive.unpacked((FILES / "messy.xlsb").read_bytes())
    reach = struct.pack("<IIII", 0, 10, 0, 5)
    huge = binary["xl/worksheets/sheet1.bin"].replace(reach, struct.pack("<IIII", 0, 2**31, 0, 5))
    with pytest.raises(ValueError, match="larger than sheets can be"):
        xlsb.marks(binary | {"xl/worksheets/sheet1.bin": huge})
    old = bytearray((FILES / "messy.xls").read_bytes())
    at = old.index(struct.pack("<HH", 0x0200, 14)) + 8
    old[at : at + 4] = struct.pack("<I", 4_000_000_000)
    with pytest.raises(ValueError, match="larger than sheets can be"):
        xls.marks(bytes(old))
    open_document = archive.unpacked((FILES / "messy.ods").read_bytes())
    open_document["content.xml"] = re.sub(
        rb'(number-rows-repeated)="\d+"', rb'\1="4000000000"', open_document["content.xml"]
    )
    with pytest.raises(ValueError, match="number-rows-repeated of 4,000,000,000"):
        ods.marks(open_document)


@pytest.mark.parametrize("engine", ["openpyxl", "xlsxwriter"])
def test_texts_used_more_often_than_their_part_is_long_are_no_bomb(tmp_path, engine):
    pytest.importorskip(engine)
    path = tmp_path / "movements.xlsx"
    rows = [[f"P{i % 9}", 36, "tip", 5 + i / 100, 2] for i in range(2000)]
    pd.DataFrame(rows, columns=HEAD.split(",")).to_excel(path, index=False, engine=engine)
    parts = archive.unpacked(path.read_bytes())
    strings = parts.get("xl/sharedStrings.xml", b"")
    assert b"4005" in strings or engine == "openpyxl"
    assert len(strings) < 4005
    assert read_cohort(path, strict=False).ledger["rows"].iloc[0] == 2000


def test_repeated_cells_are_counted_before_they_are_written_out():
    parts = archive.unpacked((FILES / "messy.ods").read_bytes())
    first = parts["content.xml"].index(b"<table:table-row")
    parts["content.xml"] = (
        parts["content.xml"][: first + 16]
        + b' table:number-rows-repeated="2000001"'
        + parts["content.xml"][first + 16 :]
    )
    with pytest.raises(Unreadable, match="rows; at most 2,000,000 are read"):
        ods.marks(parts)


# What a workbook may bring along -----------------------------------------------------------------


@pytest.mark.parametrize("name", ["xl/workbook.xml", SHEET, "xl/sharedStrings.xml"])
def test_entities_are_refused(name):
    parts = small()
    bomb = b'<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]>'
    parts[name] = bomb + parts.get(name, b"<sst/>")
    with pytest.raises(Unreadable, match="declares entities"):
        read_pages(packed(parts))
    parts[name] = parts[name].decode().encode("utf-16")
    with pytest.raises(Unreadable, match="not in UTF-8"):
        read_pages(packed(parts))


def test_macros_and_links_to_other_files_never_reach_the_reader(tmp_path):
    parts = small(
        **{
            "xl/vbaProject.bin": b"\xd0\xcf\x11\xe0 a macro",
            "xl/externalLinks/externalLink1.xml": b"<!DOCTYPE x><externalLink/>",
            "xl/embeddings/file.bin": b"x",
        }
    )
    kept = archive.unpacked(packed(parts))
    assert not any(word in name for name in kept for word in ("vba", "external", "embeddings"))
    path = tmp_path / "book.xlsm"
    path.write_bytes(packed(parts))
    assert len(read_cohort(path).movements) == 1


def test_of_a_formula_its_stored_value_is_read_and_nothing_calculated():
    parts = small()
    linked = b"<c r=\"E2\"><f>'[1]other.xlsx'!A1+1/0</f><v>2</v></c>"
    parts[SHEET] = re.sub(rb'<c r="E2".*?</c>', linked, parts[SHEET])
    (page,) = read_pages(packed(parts))
    assert page.cells.iat[1, 4] == 2.0


def test_parts_that_lead_out_of_the_archive_are_only_names():
    relations = small()["xl/_rels/workbook.xml.rels"]
    away = relations.replace(b"/xl/worksheets/sheet1.xml", b"../../../../etc/passwd")
    assert away != relations
    with pytest.raises(Unreadable, match="has no content that can be checked"):
        read_pages(packed(small(**{"xl/_rels/workbook.xml.rels": away})))


def test_two_parts_of_one_name_are_refused():
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as new:
        for name, content in small().items():
            new.writestr(name, content)
        with pytest.warns(UserWarning, match="Duplicate"):
            new.writestr(SHEET, b"<worksheet/>")
    with pytest.raises(Unreadable, match="two parts are called"):
        read_pages(buffer.getvalue())


# Files that are none -----------------------------------------------------------------------------


def test_paths_that_hold_no_records(tmp_path):
    (tmp_path / "folder.csv").mkdir()
    with pytest.raises(CohortError, match="there is no movements table"):
        read_cohort(tmp_path / "folder.csv")
    (tmp_path / "loop.csv").symlink_to(tmp_path / "loop.csv")
    with pytest.raises(FileNotFoundError):
        read_cohort(tmp_path / "loop.csv")
    (tmp_path / "gone.csv").symlink_to(tmp_path / "nothing.csv")
    with pytest.raises(FileNotFoundError):
        read_cohort(tmp_path / "gone.csv")
    os.mkfifo(tmp_path / "pipe.csv")
    with pytest.raises(CohortError, match="neither a file nor a folder"):
        read_cohort(tmp_path / "pipe.csv")


def test_a_file_that_cannot_be_opened_says_what_to_do(tmp_path, monkeypatch):
    path = tmp_path / "movements.csv"
    path.write_text(HEAD)

    def refused(self):
        raise PermissionError

    monkeypatch.setattr(Path, "read_bytes", refused)
    with pytest.raises(CohortError, match=r"cannot be opened\. Close it in other programs"):
        read_cohort(path)


def test_a_file_open_in_another_program_is_read_and_said(tmp_path):
    path = tmp_path / "movements.csv"
    path.write_text(f"{HEAD}\nP1,36,rotation,5,2\n")
    assert read_cohort(path).problems.empty
    (tmp_path / ".~lock.movements.csv#").write_text("")
    assert found(read_cohort(path), None) == [
        ("check", "open in another program: what is not saved there is not read")
    ]
    with pytest.raises(CohortError, match="a lock file, which holds no records"):
        read_cohort(tmp_path / ".~lock.movements.csv#")


def test_a_workbook_in_a_folder_of_tables_is_not_passed_over_in_silence(tmp_path):
    (tmp_path / "movements.csv").write_text(f"{HEAD}\nP1,36,rotation,5,2\n")
    (tmp_path / "patients.xlsx").write_bytes(b"PK")
    problems = read_cohort(tmp_path).problems
    assert problems[["table", "value"]].to_numpy().tolist() == [["patients", "patients.xlsx"]]


# Odd values --------------------------------------------------------------------------------------


def test_numbers_at_the_edge_of_what_is_a_number(csv):
    cohort = csv("P1,36,tip,1e308,2", "P2,36,tip,1e309,2", f"P3,36,tip,{'9' * 400},2")
    assert cohort.movements["planned"].tolist() == [1e308]
    assert [s for s, _ in found(cohort, 2)] == ["check"]
    assert found(cohort, 3)[0] == ("exclude", "not a finite number")
    assert found(cohort, 4)[0][0] == "exclude"


@pytest.mark.parametrize(
    "cell", [[1], {"a": 1}, {1}, (1, 2), complex(1, 2), b"x", 10**400, object()]
)
def test_cells_of_any_type_are_trouble_and_no_crash(cell):
    frame = pd.DataFrame([ROW, ["P2", 36, "tip", 5, 2]], columns=HEAD.split(","), dtype=object)
    frame.at[1, "planned"] = cell
    cohort = from_frames(frame)
    assert cohort.movements["row"].tolist() == [2]
    assert cohort.excluded["row"].tolist() == [3]
