"""Cells written as text come out as cells, however they are quoted, cut and separated."""

import csv
import io

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from outcomes.cohort.cells import clean_text
from outcomes.cohort.delimited import SEPARATORS, read_delimited
from outcomes.errors import Unreadable
from tests.cohort.conftest import HEAD

#: What separates and quotes, what breaks lines for some programs and not for others, and texts.
PIECES = [*SEPARATORS, '"', "\n", "\r\n", "\x0b", "\u2028", " ", "P1", "-1.5", "0,8", "ß", "="]
CELL = st.lists(st.sampled_from(PIECES), max_size=4).map("".join)
ROWS = st.lists(st.lists(CELL, max_size=9), max_size=9)
QUOTING = [csv.QUOTE_MINIMAL, csv.QUOTE_ALL, csv.QUOTE_NONNUMERIC, csv.QUOTE_NONE]


def written(rows, separator, quoting=csv.QUOTE_MINIMAL, end="\r\n"):
    file = io.StringIO(newline="")
    csv.writer(file, delimiter=separator, quoting=quoting, lineterminator=end).writerows(rows)
    return file.getvalue().encode()


def tidy(cells):
    """Cells as reading shows them; those at the end that are blank are no different from none."""
    found = [clean_text(cell) for cell in cells]
    while found and not found[-1]:
        found.pop()
    return found


def cells_of(frame):
    return [tidy(row) for row in frame.astype(object).itertuples(index=False, name=None)]


@settings(deadline=None, max_examples=300)
@given(
    ROWS,
    st.integers(0, 3),
    st.sampled_from(SEPARATORS),
    st.sampled_from(QUOTING),
    st.sampled_from(["\n", "\r\n"]),
)
def test_cells_written_by_the_csv_module_are_the_cells_read(rows, above, separator, quoting, end):
    rows = [*rows[:above], HEAD.split(","), *rows[above:]]
    if quoting == csv.QUOTE_NONE:
        try:
            data = written(rows, separator, quoting, end)
        except csv.Error:  # such cells cannot be written without quotation marks
            assume(False)
    else:
        data = written(rows, separator, quoting, end)
    assert cells_of(read_delimited(data, "movements")) == [tidy(row) for row in rows]


@pytest.mark.parametrize(
    "text",
    [
        'patient,tooth,movement,planned,achieved,"note\non two lines",site,aim\nP1,36,tip,5,2,n,S,4\n',
        "a title,of,more,cells,than,the,records,have\n" + HEAD + "\nP1,36,tip,5,2\n",
        HEAD + '\nP1,36,tip,5,2,"more\nand more",and,more,still\n',
        HEAD + ",note\nP1,36,tip,5,2,a\x0bb\u2028c\n",
    ],
)
@pytest.mark.filterwarnings("error")
def test_no_cell_is_lost_where_lines_and_records_are_not_the_same(text):
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert cells_of(read_delimited(text.encode(), "movements")) == [tidy(row) for row in rows]


def test_separators_inside_quotation_marks_are_no_columns():
    text = f'{HEAD},note\nP1,36,tip,5,2,"{"," * 1500}"\n'
    assert read_delimited(text.encode(), "movements").shape == (2, 6)


def test_a_lone_quotation_mark_is_told():
    lines = [HEAD, '"P1,36,tip,5,2', "P2,36,tip,5,2"]
    with pytest.raises(Unreadable, match="one record on each line") as refused:
        read_delimited("\n".join(lines).encode(), "movements")
    assert "lone quotation mark" in refused.value.remedy


@pytest.mark.parametrize(("first", "second"), [(1, 2), (1, 4), (2, 4)])
@pytest.mark.parametrize("cell", range(5))
@pytest.mark.parametrize("at_end", [False, True])
def test_records_between_two_lone_quotation_marks_are_not_lost(first, second, cell, at_end):
    rows = [[f"P{i}", 30 + i, "tip", i / 2, i / 4] for i in range(6)]
    lines = [HEAD]
    for i, row in enumerate(rows):
        words = list(map(str, row))
        if i == first:
            words[cell] = '"' + words[cell]
        if i == second:
            words[cell] = words[cell] + '"' if at_end else '"' + words[cell]
        lines.append(",".join(words))
    with pytest.raises(Unreadable, match=r"EOF|goes over several"):
        read_delimited("\n".join(lines).encode(), "movements")


def test_a_note_over_two_lines_with_many_separators_is_no_record():
    note = "elastics, chain, button, hook, box,\ncanine"
    rows = [[*HEAD.split(","), "note"], ["P1", "36", "tip", "5", "2", note]]
    assert cells_of(read_delimited(written(rows, ","), "movements")) == [tidy(r) for r in rows]
