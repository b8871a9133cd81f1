"""Properties that hold for any input: nothing disappears, nothing changes on the way."""

import datetime as dt
import tempfile
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.cohort.cells import code_lookup, word_key
from outcomes.cohort.read import from_frames, read_cohort
from outcomes.cohort.write import write_cohort
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.tables import TABLES
from outcomes.domain.teeth import FDI_TEETH
from tests.cohort.conftest import HEAD, adds_up
from tests.contract import pandera_schema

MESS = st.one_of(
    st.none(),
    st.text(max_size=8),
    st.floats(),
    st.integers(-100, 100),
    st.booleans(),
    st.dates(dt.date(1990, 1, 1)),
    st.sampled_from(
        ["#N/A", "1,234", "0,8 mm", "−2", "P1", "P2", "EXAMPLE", "patient", "tooth", "36", "tip",
         "vertical", "intrusion", "mm", "n/a", " "]
    ),
)  # fmt: skip
GOOD = st.tuples(
    st.sampled_from(["P1", "P2", "P3"]),
    st.sampled_from(FDI_TEETH),
    st.sampled_from(list(MOVEMENTS)),
    st.floats(-5, 5).map(lambda x: round(x, 2)),
    st.floats(-5, 5).map(lambda x: round(x, 2)),
)
CELLS = st.lists(st.one_of(GOOD, st.tuples(MESS, MESS, MESS, MESS, MESS)), max_size=12)


@settings(deadline=None)
@given(CELLS, st.sampled_from([None, "fdi", "universal"]))
def test_the_ledger_adds_up_for_any_cells_in_frames(cells, notation):
    frame = pd.DataFrame(cells, columns=HEAD.split(","), dtype=object)
    cohort = from_frames(frame, notation=notation, strict=False)
    assert adds_up(cohort)
    for name in TABLES:
        pandera_schema(name).validate(getattr(cohort, name))


@settings(deadline=None)
@given(st.lists(st.lists(st.text(max_size=6), max_size=7), max_size=8), st.sampled_from(",;\t"))
def test_the_ledger_adds_up_for_any_text_file(rows, separator):
    text = "\n".join([HEAD.replace(",", separator), *(separator.join(row) for row in rows)])
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "movements.csv")
        path.write_bytes(text.encode("utf-8", "replace"))
        assert adds_up(read_cohort(path, strict=False))


@settings(deadline=None, max_examples=25)
@given(CELLS)
def test_the_ledger_adds_up_for_any_workbook(cells):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(HEAD.split(","))
    for row in cells:
        sheet.append([_storable(cell) for cell in row])
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "book.xlsx")
        book.save(path)
        assert adds_up(read_cohort(path, strict=False))


def _storable(cell):
    if isinstance(cell, str):
        return "".join(c for c in cell if c.isprintable())
    return None if isinstance(cell, float) and not np.isfinite(cell) else cell


@st.composite
def clean_cohorts(draw):
    keys = st.tuples(
        st.sampled_from(["P1", "P2", "P 3"]),
        st.sampled_from(FDI_TEETH),
        st.sampled_from([*MOVEMENTS]),
    )
    places = draw(st.lists(keys, min_size=1, max_size=10, unique=True))
    numbers = st.floats(-70, 70, allow_subnormal=False)
    movements = pd.DataFrame(places, columns=["patient", "tooth", "movement"])
    movements["planned"] = [draw(numbers) for _ in places]
    movements["achieved"] = [draw(numbers) for _ in places]
    movements["attachment"] = [draw(st.sampled_from(["none", "bevelled", None])) for _ in places]
    names = sorted(set(movements["patient"]))
    patients = pd.DataFrame(
        {
            "patient": names,
            "age": [draw(st.one_of(st.none(), st.floats(8, 80))) for _ in names],
            "growing": [draw(st.sampled_from(["yes", "no", None])) for _ in names],
        }
    )
    courses = pd.DataFrame(
        {
            "patient": names,
            "course": 1,
            "aligners": [draw(st.one_of(st.none(), st.integers(1, 99))) for _ in names],
            "start": [draw(st.datetimes(dt.datetime(2010, 1, 1)).map(_day)) for _ in names],
        }
    )
    return from_frames(movements, patients, courses)


def _day(moment):
    return pd.Timestamp(min(moment, dt.datetime(2090, 1, 1))).normalize()


@pytest.mark.parametrize("form", ["xlsx", "csv", "parquet"])
@settings(deadline=None, max_examples=25)
@given(cohort=clean_cohorts())
def test_a_clean_cohort_written_and_read_is_the_same(form, cohort):
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder, "cohort" + (".xlsx" if form == "xlsx" else ""))
        write_cohort(cohort, target, **({} if form == "xlsx" else {"form": form}))
        again = read_cohort(target)
        with pytest.raises(FileExistsError):
            write_cohort(cohort, target, **({} if form == "xlsx" else {"form": form}))
    for name in ("movements", "patients", "courses"):
        before, after = getattr(cohort, name), getattr(again, name)
        filled = before.columns[before.notna().any()]
        # A workbook keeps 16 significant digits, one short of what some doubles need.
        exact = {"rtol": 1e-14, "atol": 0} if form == "xlsx" else {"check_exact": True}
        pd.testing.assert_frame_equal(after[filled], before[filled], **exact)


@given(st.sampled_from([c for t in TABLES.values() for c in t.columns if c.codes]), st.data())
def test_every_spelling_of_a_code_is_read_as_it(column, data):
    code = data.draw(st.sampled_from(column.codes))
    word = data.draw(st.sampled_from([code.name, *code.also]))
    spelt = data.draw(st.sampled_from([word.upper(), f"{word} ".replace(" ", "_"), word.title()]))
    assert code_lookup(column.codes)[word_key(spelt)] == code.name
