"""Nothing that is written is a formula when a spreadsheet opens it, and it is read back as it was."""

import csv as csv_files
import io

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from outcomes.cohort.read import from_frames, read_cohort
from outcomes.cohort.write import write_cohort
from outcomes.figures.publication import Drawn, write_contents
from outcomes.reports.build.show import save_table
from outcomes.reports.files.workbook import gather_workbook
from outcomes.reports.table import Table, row
from outcomes.words.safe import as_meant, meant_frame, safe_frame, safe_text, write_csv

#: First characters of OWASP, "CSV Injection" (2024), and what people write that begins alike.
ATTACKS = [
    '=HYPERLINK("http://x.invalid","look")', "=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1+1",
    "\r=1+1", "-cmd|' /C calc'!A0", "'=1+1", "''=1+1", "＝1+1", "-2+3+cmd|' /C calc'!D2",
]  # fmt: skip
HARMLESS = [
    "-0.5\u00a0mm",
    "-0.5",
    "+1",
    "-1.5 mm",
    "-2 to 3",
    "-0.5 (−0.7 to 1.2)",
    "+12 %",
    "-1e5",
    "P1",
    "",
    "'tis",
]


@pytest.mark.parametrize("text", ATTACKS)
def test_what_begins_like_a_formula_is_marked_and_read_back(text):
    assert safe_text(text) == "'" + text
    assert as_meant(safe_text(text)) == text


@pytest.mark.parametrize("text", HARMLESS)
def test_numbers_and_other_texts_stay_as_they_are(text):
    assert safe_text(text) == text == as_meant(text)


@given(st.text(alphabet="'=+-@\t12a ", max_size=8))
@example("-1\t")
@example("+2 \t1")
def test_every_text_comes_back_and_none_begins_like_a_formula(text):
    written = safe_text(text)
    assert as_meant(written) == text
    assert written[:1] not in ("=", "@", "\t")
    if written[:1] in ("+", "-"):
        assert not set(written[1:]) & set("=@a'\t+")


def test_numbers_dates_and_blanks_of_a_frame_stay_numbers_dates_and_blanks():
    frame = pd.DataFrame(
        {
            "n": [-1.5, np.nan],
            "k": [-1, 2],
            "=t": ["=1", None],
            "d": pd.to_datetime(["2024-01-31", None]),
            "c": pd.Categorical(["@a", "b"]),
            "o": pd.Series([-1, "-x"], dtype=object),
        }
    )
    safe = safe_frame(frame)
    assert list(safe) == ["n", "k", "'=t", "d", "c", "o"]
    assert safe["'=t"].tolist()[0] == "'=1"
    assert safe["'=t"].isna().tolist() == [False, True]
    assert [safe["c"].tolist(), safe["o"].tolist()] == [["'@a", "b"], [-1, "'-x"]]
    pd.testing.assert_frame_equal(safe[["n", "k", "d"]], frame[["n", "k", "d"]])
    assert frame["=t"].tolist()[0] == "=1"
    file = io.StringIO()
    write_csv(frame, file)
    back = meant_frame(pd.read_csv(io.StringIO(file.getvalue())))
    assert list(back) == list(frame)
    assert back["o"].tolist() == ["-1", "-x"]


@pytest.mark.parametrize("name", ["cohort.xlsx", "folder"])
def test_a_cohort_with_formulas_for_texts_comes_back_the_same(tmp_path, name):
    texts = [t for t in ATTACKS if "\r" not in t and "\t" not in t]
    frame = pd.DataFrame(
        {
            "patient": texts,
            "tooth": 36,
            "movement": "vertical",
            "planned": -np.arange(1.0, len(texts) + 1) / 4,
            "achieved": -0.25,
            "=note": texts,
        }
    )
    cohort = from_frames(frame)
    assert len(cohort.movements) == len(texts)
    path = write_cohort(cohort, tmp_path / name)
    again = read_cohort(path)
    pd.testing.assert_frame_equal(again.movements, cohort.movements)
    if path.is_dir():
        cells = [c for line in csv_files.reader((path / "movements.csv").open()) for c in line]
        assert not any(c.startswith(("=", "@", "+")) for c in cells)
        assert "-0.25" in cells
    else:
        sheet = openpyxl.load_workbook(path)["movements"]
        kinds = {cell.data_type for line in sheet.iter_rows() for cell in line}
        assert kinds == {"s", "n"}


def test_captions_tables_and_the_workbook_of_tables_hold_no_formula(tmp_path):
    drawn = Drawn("f", '=HYPERLINK("x")', "@alt", ("f.png",))
    write_contents([drawn], tmp_path / "contents.csv")
    assert pd.read_csv(tmp_path / "contents.csv").iloc[0].tolist() == [
        "f.png", "'=HYPERLINK(\"x\")", "'@alt",
    ]  # fmt: skip
    frame = pd.DataFrame({"=group": ["=1+1"], "rate": [-0.5], "patients": [9]})
    save_table(frame, "rates", caption="=caption", out=tmp_path)
    assert "\n=" not in (tmp_path / "tables" / "rates.csv").read_text()
    book = openpyxl.load_workbook(gather_workbook(tmp_path / "tables"))
    cells = [cell for sheet in book for line in sheet.iter_rows() for cell in line]
    assert {"=1+1", "=group", "=caption"} <= {cell.value for cell in cells}
    assert "f" not in {cell.data_type for cell in cells}
    table = Table("t", "Table 1", "T", ("=a", "b"), (row("x", ["=1", "-0.5"]),))
    assert table.csv() == "'=a,b\n'=1,-0.5\n"
