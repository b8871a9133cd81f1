"""`outcomes map` as its owner uses it: questions in the terminal, a file kept, a file taken."""

import json
import shutil

import pytest
from typer.testing import CliRunner

from outcomes.cli import app
from outcomes.cohort.mapping.file import read_mapping
from outcomes.paths import data_path

FOLDER = data_path("synthetic_data", "layouts")


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name in ("directions.csv", "positions.csv", "german.csv"):
        shutil.copy(FOLDER / name, tmp_path / name)
    return tmp_path


PLUS = ("--answer", "plus=usual")


def outcomes(*arguments, typed=""):
    return CliRunner().invoke(app, [str(a) for a in arguments], input=typed)


def test_questions_are_asked_records_read_back_and_the_answers_kept(here):
    done = outcomes("map", "positions.csv", typed="7\n2\n1\ny\n")
    assert done.exit_code == 0, done.output
    assert "Are planned and achieved changes, or positions?" in done.output
    assert "Type a number from 1 to 2." in done.output
    read_back = (
        "row 2: P001, tooth 11, course 1: planned 0.16 mm (intrusion, crown and root towards the "
        "gum), got 0.07 mm the same way"
    )
    assert read_back in " ".join(done.output.split())
    assert read_mapping("positions.map.toml").values == "positions"
    checked = outcomes("check", "positions.csv", "--mapping", "positions.map.toml")
    assert checked.exit_code == 0
    assert "The cohort can be analysed." in checked.output
    assert outcomes("check", "positions.csv").exit_code == 1


def test_nothing_is_kept_when_the_owner_says_no(here):
    done = outcomes("map", "positions.csv", typed="1\n1\n1\nn\n")
    assert done.exit_code == 1
    assert not list(here.glob("*.toml"))


def test_accept_keeps_only_what_is_not_doubtful(here):
    asked = outcomes("map", "german.csv", "--accept")
    assert asked.exit_code == 1
    assert "Which way is a plus in this file?" in asked.output
    assert outcomes("map", "german.csv", "--accept", *PLUS).exit_code == 0
    refused = outcomes("map", "directions.csv", "--accept")
    assert refused.exit_code == 1
    assert "Doubtful" in refused.output
    assert [p.name for p in here.glob("*.toml")] == ["german.map.toml"]
    answered = outcomes("map", "directions.csv", "--accept", "--answer", "sign=words")
    assert answered.exit_code == 0


def test_an_earlier_mapping_is_replaced_only_when_told(here):
    outcomes("map", "german.csv", "--accept", *PLUS)
    again = outcomes("map", "german.csv", "--accept", *PLUS)
    assert again.exit_code == 2
    assert "--overwrite" in again.output
    assert outcomes("map", "german.csv", "--accept", *PLUS, "--overwrite").exit_code == 0
    assert outcomes("map", "german.csv", "--accept", "--out", "no/such.toml").exit_code == 2


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("map", "directions.csv", "--answer", "sign"), "KEY=VALUE"),
        (("map", "directions.csv", "--answer", "sign=perhaps"), "is not one of"),
        (("check", "--mapping", "bad.toml"), "needs the input"),
        (("check", "german.csv", "--mapping", "bad.toml"), "not TOML"),
        (("audit", "german.csv", "--mapping", "bad.toml"), "not TOML"),
        (("audit", "--mapping", "bad.toml"), "needs the input"),
    ],
)
def test_wrong_use_is_said(here, arguments, says):
    (here / "bad.toml").write_text("version = [1")
    done = outcomes(*arguments)
    assert done.exit_code == 2
    assert says in done.output


def test_an_answer_that_nothing_asked_for_is_said(here):
    done = outcomes("map", "german.csv", "--accept", *PLUS, "--answer", "values=positions")
    assert "no such question" in done.output


def test_the_mapping_stands_in_the_provenance_of_a_report(here):
    from outcomes.reports.build.provenance import file_sha256
    from outcomes.reports.build.run import run_report

    outcomes("map", "directions.csv", "--accept", "--answer", "sign=words")
    mapping = here / "directions.map.toml"
    run_report(
        "check_your_cohort", here / "directions.csv", here / "report", {"mapping": str(mapping)}
    )
    record = json.loads((here / "report" / "provenance.json").read_text(encoding="utf-8"))
    assert record["options"]["mapping"] == mapping.name
    assert record["options"]["mapping_sha256"] == file_sha256(mapping)
    assert str(here) not in (here / "report" / "report.html").read_text(encoding="utf-8")
