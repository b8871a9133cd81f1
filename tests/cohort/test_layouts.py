"""One invented cohort in twenty layouts: each reads to the same records through a mapping.

The layouts are made by synthetic_data/layouts/make.py; answers.json has what their owner answers.
"""

import hashlib
import importlib.util
import json
import zipfile

import pandas as pd
import pytest

from outcomes.cohort.mapping.file import mapping_hash, read_mapping, write_mapping
from outcomes.cohort.mapping.opened import mapping_beside
from outcomes.cohort.proposal import propose_mapping
from outcomes.cohort.read import read_cohort
from outcomes.errors import CannotAnswer, CohortError
from outcomes.paths import data_path

FOLDER = data_path("synthetic_data", "layouts")
ANSWERS = json.loads((FOLDER / "answers.json").read_text(encoding="utf-8"))
KEY = ["patient", "tooth", "movement", "course"]
DERIVED = ["tooth_class", "arch", "side", "direction", "unit", "tooth_site"]


def records(cohort):
    rows = cohort.movements.set_index(KEY).sort_index()
    return rows[["planned", "achieved", "aim", *DERIVED]]


@pytest.fixture(scope="module")
def truth():
    return records(read_cohort(FOLDER / "truth" / "movements.csv"))


def test_there_are_at_least_sixteen_layouts():
    assert len(ANSWERS) >= 16
    assert set(ANSWERS) <= {path.name for path in FOLDER.iterdir()}


@pytest.mark.parametrize("name", ANSWERS)
def test_every_layout_reads_to_the_same_cohort(name, truth, tmp_path):
    proposal = propose_mapping(FOLDER / name)
    assert {question.key for question in proposal.open} <= set(ANSWERS[name])
    answered = proposal.answer(ANSWERS[name])
    assert not answered.open
    assert not answered.draft.unused
    file = write_mapping(answered.accepted(), tmp_path / "kept.map.toml")
    cohort = read_cohort(FOLDER / name, mapping=file)
    assert not (cohort.problems["severity"] == "exclude").any()
    pd.testing.assert_frame_equal(records(cohort), truth)
    assert cohort.invented
    assert cohort.mapping == answered.accepted() == read_mapping(file)
    assert mapping_hash(cohort.mapping)[:12] in repr(cohort)


@pytest.mark.parametrize("name", [name for name, answers in ANSWERS.items() if answers])
def test_what_is_doubtful_is_asked_not_taken(name):
    with pytest.raises(CannotAnswer, match="Still to be answered"):
        propose_mapping(FOLDER / name).accepted()


@pytest.mark.parametrize("name", ["positions.csv", "directions.csv", "going_on.csv"])
def test_the_wrong_answer_gives_other_records(name, truth):
    other = {"values": "changes", "sign": "numbers", "counted_from": "course"}
    proposal = propose_mapping(FOLDER / name)
    while proposal.open:
        question = proposal.open[0]
        answer = other.get(question.key, next(iter(question.options)))
        proposal = proposal.answer({question.key: answer})
    assert not records(proposal.read()).equals(truth)


def test_reading_and_mapping_leave_the_file_as_it_is(tmp_path):
    file = tmp_path / "cases.csv"
    file.write_bytes((FOLDER / "german.csv").read_bytes())
    before = hashlib.sha256(file.read_bytes()).digest()
    proposal = propose_mapping(file, ANSWERS["german.csv"])
    write_mapping(proposal.accepted(), mapping_beside(file))
    read_cohort(file, mapping=mapping_beside(file))
    assert hashlib.sha256(file.read_bytes()).digest() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["cases.csv", "cases.map.toml"]


def test_a_file_with_a_mapping_beside_it_is_not_read_without(tmp_path):
    file = tmp_path / "cases.csv"
    file.write_bytes((FOLDER / "truth" / "movements.csv").read_bytes())
    assert len(read_cohort(file).movements)
    usual = propose_mapping(file, {"plus": "usual"})
    write_mapping(usual.accepted(), mapping_beside(file))
    with pytest.raises(CohortError, match="stands beside it"):
        read_cohort(file)


def test_the_layouts_are_made_again_byte_for_byte(tmp_path):
    spec = importlib.util.spec_from_file_location("make_layouts", FOLDER / "make.py")
    make = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(make)
    make.write_all(tmp_path)
    made = sorted(p.relative_to(tmp_path) for p in tmp_path.rglob("*") if p.is_file())
    stored = {p.relative_to(FOLDER) for p in FOLDER.rglob("*") if p.is_file()}
    assert {p for p in stored if "__pycache__" not in p.parts} == {
        *made, (FOLDER / "make.py").relative_to(FOLDER), (FOLDER / "README.md").relative_to(FOLDER)
    }  # fmt: skip
    for name in made:
        if name.suffix == ".xlsx":  # compressed bytes may differ between versions of zlib
            with zipfile.ZipFile(tmp_path / name) as a, zipfile.ZipFile(FOLDER / name) as b:
                assert a.namelist() == b.namelist()
                assert all(a.read(part) == b.read(part) for part in a.namelist()), str(name)
        else:
            assert (tmp_path / name).read_bytes() == (FOLDER / name).read_bytes(), str(name)
