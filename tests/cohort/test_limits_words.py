"""A spelling once read stays read: every word of ``words_read.tsv``, as it was approved.

The list holds what people type (common practice, no source) and what it is read as. Words may be
added to the schema without being added there; none may be lost.
"""

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.cohort import cells, headers
from outcomes.cohort.sources import COMPANIONS, table_called
from outcomes.domain.movements import DIRECTION_WORDS
from outcomes.domain.tables import MEASURES, TABLES
from outcomes.domain.teeth import parse_tooth

with open(Path(__file__).with_name("words_read.tsv"), encoding="utf-8", newline="") as file:
    WORDS = [tuple(row) for row in csv.reader(file, delimiter="\t")]


def read(kind: str, place: str, written: str) -> str:
    if kind == "heading":
        known = headers.match_headings([written], TABLES[place]).known
        return next(iter(known), "")
    if kind == "code":
        table, column = place.split(".")
        codes = TABLES[table].column(column).codes
        return cells.code_lookup(codes).get(cells.word_key(written), "")
    if kind == "unit":
        return cells.unit_written(written)
    if kind == "table":
        return table_called(written)
    if kind == "companion":
        return "yes" if written in COMPANIONS else ""
    if kind == "personal":
        return "yes" if headers.looks_personal(written) else ""
    if kind == "blank":
        numbers = cells.numbers(pd.Series([written], dtype=object))
        return "yes" if numbers.blank.all() else ""
    if kind == "direction":
        return DIRECTION_WORDS.get(written, "")
    if kind == "measure":
        return MEASURES.get(written, "")
    if kind == "units below headings":
        frame = pd.DataFrame({"planned": [written], "achieved": [written]}, dtype=object)
        return "yes" if headers.repeats_headings(frame, ["planned", "achieved"])[0] else ""
    assert kind == "tooth"
    try:
        return str(parse_tooth(written, place))
    except ValueError:
        return ""


KINDS = sorted({kind for kind, *_ in WORDS})


@pytest.mark.parametrize("kind", KINDS)
def test_every_word_is_read_as_before(kind):
    of_kind = [row for row in WORDS if row[0] == kind]
    now = {(place, word): read(kind, place, word) for _, place, word, _ in of_kind}
    assert now == {(place, word): meaning for _, place, word, meaning in of_kind}


def test_the_list_has_words_of_every_kind():
    counts = {kind: sum(row[0] == kind for row in WORDS) for kind in KINDS}
    assert len(KINDS) == 11
    assert min(counts.values()) >= 5
    # ISO 3950 and the ADA's Universal system: 32 permanent and 20 deciduous teeth.
    teeth = [row for row in WORDS if row[:2] == ("tooth", "universal")]
    assert len([row for row in teeth if row[3]]) == 52
    assert np.all([row[3] == "" for row in teeth if row[2] in ("0", "33", "U")])
