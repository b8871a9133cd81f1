"""The empty workbook and the codebook come from the schema and stay true to it."""

import openpyxl
import pytest

from outcomes.cohort.codebook import codebook
from outcomes.cohort.problems import EXAMPLE_ROW
from outcomes.cohort.read import read_cohort
from outcomes.cohort.template import write_template
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.table_types import Column
from outcomes.domain.tables import MEASURES, TABLES
from outcomes.domain.teeth import FDI_TEETH
from outcomes.paths import data_path
from tests.cohort.conftest import adds_up


@pytest.fixture(scope="module")
def template(tmp_path_factory):
    return write_template(tmp_path_factory.mktemp("template") / "cohort.xlsx")


@pytest.fixture
def book(template):
    return openpyxl.load_workbook(template)


def test_there_is_a_sheet_for_each_table_and_a_codebook(book):
    assert book.sheetnames == [*TABLES, "codebook", "lists"]
    assert book["lists"].sheet_state == "hidden"
    for name, table in TABLES.items():
        head = [cell.value for cell in book[name][1]]
        assert [h.removesuffix(" (FDI)") for h in head] == [c.name for c in table.columns]
        assert book[name].freeze_panes == "B2"


def test_every_heading_has_a_note_with_unit_and_signs(book):
    for name, table in TABLES.items():
        for cell, column in zip(book[name][1], table.columns, strict=True):
            assert column.description[1:20] in cell.comment.text, column.name
    note = book["movements"]["D1"].comment.text
    assert "vertical (mm): + extrusion, − intrusion" in note
    assert "torque (degrees): + buccal or labial crown torque" in note


def test_coded_columns_have_drop_downs(book):
    def rules(sheet, name):
        column = next(c for c in book[sheet][1] if c.value.startswith(name)).column_letter
        return [
            r for r in book[sheet].data_validations.dataValidation if f"{column}2" in str(r.sqref)
        ]

    (movement,) = rules("movements", "movement")
    assert movement.formula1.strip('"').split(",") == list(MOVEMENTS)
    assert movement.errorStyle in (None, "stop")
    (attachment,) = rules("movements", "attachment")
    assert attachment.errorStyle == "warning"
    (tooth,) = rules("movements", "tooth")
    listed = [c.value for (c,) in book["lists"][tooth.formula1.split("!")[1].replace("$", "")]]
    assert listed == list(FDI_TEETH)
    (measure,) = rules("measures", "measure")
    assert measure.formula1.strip('"').split(",") == list(MEASURES)
    for sheet in book:
        for rule in sheet.data_validations.dataValidation:
            # Longer texts make Excel call the file damaged (its limit, from memory: 255).
            assert len(rule.formula1) <= 255
            assert len(rule.error) <= 225


def test_the_example_rows_are_ignored_and_the_ledger_says_so(template):
    cohort = read_cohort(template, strict=False)
    excluded = cohort.ledger.query("step == 'excluded'")
    assert excluded["reason"].tolist() == [EXAMPLE_ROW] * len(TABLES)
    assert cohort.problems["problem"].tolist() == ["no movement is left to analyse"]
    assert adds_up(cohort)


def test_a_filled_template_is_read(template, tmp_path):
    book = openpyxl.load_workbook(template)
    book["movements"].append(["P1", 13, "rotation", 12, 8.5, 1, 10, "none", "elastics", 0.2])
    book["patients"].append(["P1", "female", 27, "no", "A", "North", "crowding"])
    book["courses"].append(["P1", 1, 24, 7, None, None, 21, None, None])
    book["measures"].append(["P1", 0, "overbite", 4, None, None, 2, 0])
    book["repeats"].append(["P1", 13, "rotation", "A", 1, 8.4, 1, None])
    book.save(tmp_path / "filled.xlsx")
    cohort = read_cohort(tmp_path / "filled.xlsx")
    assert cohort.problems.empty
    assert [len(getattr(cohort, name)) for name in TABLES] == [1] * 5
    assert cohort.movements["tooth"].tolist() == [13]
    assert adds_up(cohort)


def test_an_existing_file_is_never_overwritten(tmp_path):
    path = tmp_path / "mine.xlsx"
    path.write_text("precious")
    with pytest.raises(FileExistsError, match="left as it is"):
        write_template(path)
    assert path.read_text() == "precious"
    with pytest.raises(ValueError, match=r"\.xlsx"):
        write_template(tmp_path / "cohort.csv")


def test_the_codebook_is_current():
    written = data_path("shared", "codebook.md").read_text(encoding="utf-8")
    assert written == codebook(), "run: python -m outcomes.cohort.codebook"


def test_the_codebook_names_every_column_and_code():
    text = codebook()
    for table in TABLES.values():
        for column in table.columns:
            assert f"| {column.name} |" in text
            assert all(code.name in text for code in column.codes)


def test_headings_read_as_a_column_are_read_as_no_other():
    for table in TABLES.values():
        names = [n for c in table.columns for n in (c.name, *c.synonyms)]
        assert len(names) == len(set(names)), table.name


def test_every_example_is_a_value_its_column_allows():
    def fits(column: Column) -> bool:
        allowed = [code.name for code in column.codes]
        return not allowed or column.other_codes or column.example in allowed

    assert all(fits(c) for table in TABLES.values() for c in table.columns)
