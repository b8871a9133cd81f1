"""Tables for print: real tables in every format, rounded as well as was measured."""

import csv
import io
import re

import made_series
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.reports.files import html, latex
from outcomes.reports.files.tables import write_tables
from outcomes.reports.files.word import add_table, new_document, write_docx
from outcomes.reports.files.workbook import write_xlsx
from outcomes.reports.series.rounding import Rounding, between, decimals, mean_sd
from outcomes.reports.table import Cell, Look, Table, from_frame, row
from outcomes.words.numbers import number

docx = pytest.importorskip("docx")


@pytest.mark.parametrize(
    ("error", "places"), [(0.08, 2), (0.012, 2), (0.1, 1), (0.62, 1), (1.2, 0), (14.0, 0)]
)
def test_decimals_are_the_place_of_the_first_figure_of_the_error(error, places):
    assert decimals(error) == places


@given(st.floats(0.002, 50))
def test_last_decimal_is_never_ten_times_finer_than_the_error(error):
    assert 10.0 ** -decimals(error) > error / 10 or decimals(error) == 0
    assert 10.0 ** -decimals(error) <= error or decimals(error) == 0


@pytest.mark.parametrize("wrong", [0.0, -1.0, float("nan"), float("inf")])
def test_no_decimals_from_no_error(wrong):
    with pytest.raises(ValueError, match="positive"):
        decimals(wrong)


def test_rounding_follows_the_repeats():
    series, tables = made_series.whole()
    rounding = Rounding(series)
    error = series.measurement.set_index("movement")["dahlberg"]
    for movement in ("vertical", "rotation"):
        places = rounding.movement(movement, "mm")
        assert places == decimals(error[movement])
        printed = tables["achievement"].ref(f"{movement} all", "Missed by").text
        assert len(printed.partition(".")[2]) == places


@given(st.floats(-5, 5, allow_nan=False).filter(bool), st.floats(0.001, 3), st.integers(0, 2))
def test_interval_that_excludes_zero_never_prints_zero(low, width, places):
    high = low + width
    text = between(low, high, places).text
    if low > 1e-3 or high < -1e-3:
        assert not any(float(x) == 0 for x in re.findall(r"\d+\.?\d*", text))


def test_printed_numbers_are_the_raw_ones_rounded():
    for tables in (made_series.whole()[1], made_series.one()[1]):
        checked = 0
        for table in tables.values():
            for line in table.rows:
                for cell in line.cells:
                    if isinstance(cell.value, float) and re.fullmatch(
                        r"−?[\d,]+(\.\d+)?", cell.text
                    ):
                        shown = float(cell.text.replace("−", "-").replace(",", ""))
                        digits = len(cell.text.partition(".")[2])
                        off = min(abs(shown - scale * cell.value) for scale in (1, 100))
                        assert off <= 0.5 * 10**-digits + 1e-9, (table.label, line.key)
                        checked += 1
        assert checked > 20


def test_tables_match_the_results():
    series, tables = made_series.whole()
    line = series.fits.rates.set_index("movement").loc["torque"]
    assert tables["rates"].ref("torque all", "Rate, %").text == f"{100 * line['rate']:.0f}"
    total = series.before_after.table.query("measure == 'crowding' and period == 'total'").iloc[0]
    assert tables["before_after"].ref("crowding all", "Difference").text == number(
        total["difference"], 1
    )
    assert tables["before_after"].ref("crowding all", "On target, end").text == (
        f"{total['met']}/{total['with_target']}"
    )
    read = series.cohort.ledger.query("table == 'movements' and step == 'read'")["rows"].sum()
    assert tables["records"].ref("movements read", "Rows").text == str(read)


def test_records_add_up():
    for make in made_series.EVERY.values():
        _, tables = make()
        rows = [
            int(tables["records"].ref(f"movements {step}", "Rows").text.replace(",", ""))
            for step in ("read", "excluded", "analysed")
        ]
        assert rows[0] == rows[1] + rows[2]


def test_opposed_measures_are_split_and_others_are_not():
    _, tables = made_series.whole()
    keys = [line.key for line in tables["before_after"].rows]
    assert "overbite deep bite" in keys
    assert "overbite all" not in keys
    assert "crowding all" in keys


def test_lines_of_few_patients_are_marked_and_the_mark_is_explained():
    for name, table in made_series.whole()[1].items():
        for line, texts in zip(table.rows, table.texts(), strict=True):
            assert line.few == texts[0].endswith("†")
        assert any(note.startswith("†") for note in table.notes) == any(r.few for r in table.rows)
        if name in ("achievement", "rates"):
            column = table.columns.index("Patients")
            for line in table.rows:
                assert line.few == (int(line.cells[column].text) < 5)


def test_numbered_without_gaps():
    for make in made_series.EVERY.values():
        labels = [table.label for table in make()[1].values()]
        main = [label for label in labels if "S" not in label]
        more = [label for label in labels if "S" in label]
        assert main == [f"Table {k}" for k in range(1, len(main) + 1)]
        assert more == [f"Table S{k}" for k in range(1, len(more) + 1)]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("tables")
    write_tables(made_series.whole()[1].values(), place)
    return place


def test_word_tables_are_tables_with_a_heading_line(folder):
    tables = made_series.whole()[1]
    document = docx.Document(folder / "manuscript_tables.docx")
    assert len(document.tables) == len(tables)
    for made, table in zip(document.tables, tables.values(), strict=True):
        assert [cell.text.replace("\u00a0", " ").strip() for cell in made.rows[0].cells] == [
            c.replace("\u00a0", " ") for c in table.columns
        ]
        assert "w:tblHeader" in made.rows[0]._tr.xml
        assert len(made.rows) == len(table.rows) + 1
        for line, texts, source in zip(made.rows[1:], table.texts(), table.rows, strict=True):
            if not source.heading:
                assert [cell.text.strip("\u00a0 ") for cell in line.cells] == [
                    t.strip("\u00a0 ") for t in texts
                ]
    words = "\n".join(p.text for p in document.paragraphs)
    for table in tables.values():
        assert f"{table.label}. {table.title}" in words
        for note in table.notes:
            assert note in words


def test_every_format_holds_every_text(folder):
    import openpyxl

    book = openpyxl.load_workbook(folder / "manuscript_tables.xlsx")
    for table in made_series.whole()[1].values():
        rows = list(csv.reader(io.StringIO((folder / f"{table.name}.csv").read_text("utf-8"))))
        assert rows[0] == list(table.columns)
        assert rows[1:] == table.texts()
        source = (folder / f"{table.name}.tex").read_text("utf-8")
        page = (folder / f"{table.name}.html").read_text("utf-8")
        sheet = {str(c.value) for line in book[table.label].iter_rows() for c in line if c.value}
        for texts in table.texts():
            for text in filter(None, texts):
                assert latex.text(text) in source
                assert text.replace("<", "&lt;") in page.replace("&amp;", "&")
                assert text in sheet
    raw = list(book["unrounded"].values)
    assert len(raw) > 300
    assert any(isinstance(line[4], float) and line[4] != round(line[4], 3) for line in raw[1:])


def test_latex_has_balanced_lines():
    for table in made_series.whole()[1].values():
        body = latex.table(table).split(r"\midrule")[1].split(r"\bottomrule")[0]
        lines = [line for line in body.strip().splitlines() if "multicolumn" not in line]
        for line in lines:
            assert len(re.findall(r"(?<!\\)&", line)) == len(table.columns) - 1
            assert line.endswith(r"\\")


def test_no_format_leaves_a_formula_or_markup_open(tmp_path):
    import openpyxl

    table = Table(
        "t",
        "Table 1",
        "Odd & <b>",
        ("Name", "n"),
        (row("a", ["=1+1 <script>", Cell("5", 5)]),),
        ("x_y %",),
    )
    assert "<script>" not in html.table(table)
    assert table.csv().startswith("Name,n")
    assert r"x\_y \%" in latex.table(table)
    write_xlsx([table], tmp_path / "t.xlsx")
    cell = openpyxl.load_workbook(tmp_path / "t.xlsx")["Table 1"]["A3"]
    assert (cell.data_type, cell.value) == ("s", "=1+1 <script>")
    write_docx([table], tmp_path / "t.docx")
    assert docx.Document(tmp_path / "t.docx").tables[0].cell(1, 0).text == "=1+1 <script>"


def test_wrong_lines_are_refused():
    with pytest.raises(ValueError, match="another number of cells"):
        Table("t", "Table 1", "", ("a", "b"), (row("x", ["1"]),))
    with pytest.raises(ValueError, match="same key"):
        Table("t", "Table 1", "", ("a",), (row("x", ["1"]), row("x", ["2"])))
    with pytest.raises(KeyError, match="no line"):
        made_series.whole()[1]["rates"].ref("nothing", "Rate, %")


def test_mean_and_sd():
    assert mean_sd(4.0, np.nan, 1).text == "4.0"
    assert mean_sd(np.nan, np.nan, 1).text == "–"


def test_manuscript_holds_words_tables_figures_and_places_for_the_author(tmp_path):
    from outcomes.figures.publication import save_for_print
    from outcomes.reports.series import words as prose
    from outcomes.reports.series.figures import series_figures
    from outcomes.reports.series.manuscript import write_manuscript

    for make in (made_series.whole, made_series.one):
        series, tables = make()
        planned = series_figures(series)[-1]
        drawn = save_for_print(
            planned.draw, planned.name, planned.caption, tmp_path, widths=["two_column"], dpi=[300]
        )
        path = write_manuscript(series, tables, [drawn], tmp_path, tmp_path / "m.docx")
        document = docx.Document(path)
        words = "\n".join(p.text for p in document.paragraphs)
        for paragraph in (*prose.methods(series, tables), *prose.results(series, tables)):
            assert paragraph.text in words
        assert "consent" in words
        assert "[Title" in words
        assert len(document.inline_shapes) == 1
        assert f'descr="{drawn.alt[:20]}' in document.inline_shapes[0]._inline.xml
        assert ("Invented demonstration data" in words) == series.cohort.invented
        # references stand as a list, the checklist as one more table
        assert len(document.tables) == len(tables)


@pytest.mark.parametrize(
    ("sign", "written"),
    [
        # commands of LaTeX itself: Lamport, LaTeX: A Document Preparation System, tables of symbols
        # (from memory)
        ("√", r"$\surd$"),
        ("Σ", r"$\Sigma$"),
        ("∑", r"$\sum$"),
        ("−", "$-$"),
        ("≥", r"$\geq$"),
        ("≤", r"$\leq$"),
        ("±", r"$\pm$"),
        ("×", r"$\times$"),
        ("α", r"$\alpha$"),
        ("λ", r"$\lambda$"),
        ("σ", r"$\sigma$"),
        ("ω", r"$\omega$"),
        ("Ω", r"$\Omega$"),
        ("Α", "A"),
        ("²", r"\textsuperscript{2}"),
        ("[", "{[}"),
    ],
)
def test_signs_that_pdflatex_does_not_know_are_written_out(sign, written):
    assert latex.text(sign) == written


def test_latex_of_every_table_has_only_letters_that_pdflatex_knows():
    """Its default input encoding, UTF-8, knows the letters of Latin-1 (LaTeX News 28, from memory)."""
    found = "".join(
        latex.table(table) for make in made_series.EVERY.values() for table in make()[1].values()
    )
    assert r"$\surd$($\Sigma$d\textsuperscript{2}/2n)" in found  # Dahlberg's error
    assert not {sign for sign in found if not sign.isascii() and not "À" <= sign <= "ÿ"}


def test_html_marks_lines_of_few_patients_where_told_and_sets_columns_as_told():
    frame = pd.DataFrame({"Tooth": ["a", "a"], "Patients": [4, 5], "Verdict": ["1", "2"]})
    shown = from_frame(
        frame, few=[True, False], looks={"Verdict": Look(False, bold=True)}, repeats=False
    )
    page = html.table(shown)
    assert page.count("†") == 2  # the mark and the note
    assert '<td class="n">4<span class="mark"> †</span></td><td class="main">1</td>' in page
    assert '<tr class="again"><th scope="row"' in page
    assert "<caption>" not in page
    assert 'class="again"' not in html.table(from_frame(frame))


def test_a_table_without_caption_has_none_in_word_and_widths_as_told():
    document = new_document("T")
    looks = {"a": Look(width=1), "b": Look(width=3)}
    add_table(document, from_frame(pd.DataFrame({"a": ["x"], "b": ["y"]}), looks=looks))
    assert [p.text for p in document.paragraphs] == [""]
    widths = [column.width for column in document.tables[0].columns]
    assert widths[1] == pytest.approx(3 * widths[0], abs=3 * 635)  # a twip
    assert document.core_properties.author == ""
