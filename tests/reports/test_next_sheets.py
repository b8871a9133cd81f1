"""The sheet of a next course: every row says which way, the code and the cautions on every page."""

import html
import json
import re

import docx
import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

import outcomes as oc
from outcomes.cli import app
from outcomes.errors import InputError
from outcomes.predictive.expect import expect_all
from outcomes.reports.ahead import tables, words
from outcomes.reports.ahead.results import Ahead, run_next
from outcomes.reports.ahead.sheet import sheet_html, write_next_sheets
from outcomes.reports.sheet.form import DEMO, file_names
from outcomes.reports.sheet.plan import WAY
from outcomes.reports.sheet.words import numbered, sentences
from outcomes.words.cautions import IN_SHORT

NAN = float("nan")
PLAIN = str.maketrans("\u00a0", " ")


def movements() -> pd.DataFrame:
    """12 patients with vertical and torque; P00 lags, P01 has a second course without results."""
    rng = np.random.default_rng(5)
    rows = []
    for i in range(12):
        rate = 0.65 + rng.normal(0, 0.05) - 0.3 * (i == 0)
        for tooth in (31, 41):
            planned = -rng.uniform(1.5, 3.0)
            rows.append((i, tooth, "vertical", 1, planned, rate * planned + rng.normal(0, 0.1)))
        for tooth, sign in ((11, -1), (42, 1)):
            planned = sign * rng.uniform(6, 14)
            rows.append((i, tooth, "torque", 1, planned, rate * planned + rng.normal(0, 0.8)))
        rows.append((i, 36, "vertical", 1, 0.0, 0.12 + rng.normal(0, 0.1)))
    rows.append((1, 31, "vertical", 2, -1.0, NAN))
    table = pd.DataFrame(
        rows, columns=["patient", "tooth", "movement", "course", "planned", "achieved"]
    )
    return table.assign(patient=[f"P{i:02d}" for i in table["patient"]])


@pytest.fixture(scope="module")
def cohort():
    recession = {"patient": ["P00"], "after_course": [1], "measure": ["recession"], "tooth": [42]}
    return oc.from_frames(movements(), measures=pd.DataFrame({**recession, "value": [2.0]}))


@pytest.fixture(scope="module")
def learnt(cohort):
    return expect_all(cohort)


@pytest.fixture(scope="module")
def found(cohort, learnt):
    """P00 with what is left, P01 with a course that was not measured."""
    return run_next(cohort, ["P00", "P01"], expectations=learnt, looking_back=False)


@pytest.fixture(scope="module")
def written(found, tmp_path_factory):
    return write_next_sheets(found, tmp_path_factory.mktemp("next"), invented=True)


def rows_of(path) -> list[dict[str, str]]:
    document = docx.Document(str(path))
    return [
        dict(zip([c.text for c in t.rows[0].cells], [c.text for c in row.cells], strict=True))
        for t in document.tables
        for row in t.rows[1:]
    ]


def test_each_patient_has_a_page_and_a_word_file(written):
    assert [p.name for p in written] == [
        "next_course_P00.html", "next_course_P00.docx", "next_course_P01.html", "next_course_P01.docx",
    ]  # fmt: skip


def test_the_code_stands_in_every_row_and_on_every_page(written):
    for page, word, code in ((*written[:2], "P00"), (*written[2:], "P01")):
        rows = rows_of(word)
        assert rows
        assert {row["Patient"] for row in rows} == {code}
        foot = docx.Document(str(word)).sections[0].footer.paragraphs[0].text
        assert foot == f"Patient {code}. {IN_SHORT}"
        text = html.unescape(page.read_text(encoding="utf-8"))
        # the foot of a table is repeated on every printed page
        assert f'<tfoot><tr><td><p class="foot">Patient {code}. {IN_SHORT}' in text
        assert ("P01" if code == "P00" else "P00") not in text


def test_every_row_of_a_tooth_says_which_way_crown_and_root_go_and_no_number_has_a_sign(written):
    for word in written[1::2]:
        for row in rows_of(word):
            if "Tooth" not in row:
                continue
            (way,) = (text for name, text in row.items() if name.startswith(WAY))
            if "not known" not in way:
                assert "crown" in way, row
                assert "root" in way, row
            numbers = [t for name, t in row.items() if "mm" in t or "°" in t]
            assert not any(re.search(r"[+−-]\s?\d", text) for text in numbers), row


def test_torque_is_said_by_crown_and_root_in_both_arches(written):
    ways = {(row["Tooth"], row[WAY]) for row in rows_of(written[1]) if WAY in row}
    # upper, negative: crown inwards; lower, positive: crown outwards (the schema's signs)
    assert ("11", "Torque: crown palatally, root labially") in ways
    assert ("42", "Torque: crown labially, root lingually") in ways
    assert ("31", "Vertical: intrusion, crown and root towards the gum") in ways


def test_the_plan_stands_first_with_its_numbers(found, written):
    course = found[0].course
    plan = course.plan.table
    first = docx.Document(str(written[1])).tables[0]
    assert len(first.rows) - 1 == len(plan)
    for line, row in zip(first.rows[1:], plan.itertuples(), strict=True):
        texts = [cell.text.translate(PLAIN) for cell in line.cells]
        assert texts[1] == str(row.tooth)
        digits, mark = (2, " mm") if row.unit == "mm" else (1, "°")
        assert texts[3] == f"{abs(row.aim):.{digits}f}{mark}"
        assert texts[4] == f"{abs(row.best_planned):.{digits}f}{mark}"


def test_notes_stand_once_and_every_number_of_a_note_is_there(found):
    page = html.unescape(sheet_html(found[0]))
    first = page[page.index("<ol>") : page.index("</ol>")]
    notes = re.findall(r"<li>(.*?)</li>", first)
    said = [note.split(": ", 1)[1] for note in notes]
    assert len(said) == len(set(said))
    table = page[page.index('class="data"') : page.index("<ol>")]
    cells = [re.findall(r"<td[^>]*>([^<]*)</td>", line)[-1] for line in table.split("<tr>")[2:]]
    used = {int(n) for cell in cells for n in re.findall(r"\d+", cell)}
    assert used == set(range(1, len(notes) + 1))


def test_recession_is_flagged_beside_its_row_and_no_other(found):
    course = found[0].course
    flags = words.flagged(course)
    teeth = {int(course.plan.aims.loc[at, "tooth"]) for at in flags}
    assert teeth == {42}
    assert set(flags.values()) == {"Recession"}


def test_what_is_not_known_is_said_so(found, written):
    row = next(r for r in rows_of(written[3]) if r["Tooth"] == "31" and "Left" in r)
    first = found[1].course.so_far.set_index("tooth").loc[31]
    then = abs(first["latest_aim"] - first["reached"])
    assert row["Left"].translate(PLAIN) == f"not known; {then:.2f} mm after course 1"
    assert "Nothing is left to plan" not in " ".join(found[1].course.notes)
    assert "1 not known, as a course has no result" in words.states(found[1].course)


def test_cautions_above_below_and_in_full(found):
    page = html.unescape(sheet_html(found[0], invented=True))
    assert page.count(IN_SHORT) == 2
    assert page.index(IN_SHORT) < page.index("<section>")
    assert page.count(DEMO) == 2
    for caution in found[0].course.standing:
        assert caution in page
    assert DEMO not in sheet_html(found[0])


def test_a_tooth_that_drifts_is_told_along_its_way():
    row = {
        "tooth": 36, "movement": "vertical", "unit": "mm", "expected": -0.2, "low_80": -0.6,
        "high_80": 0.1, "tolerance": 0.5, "within": 0.8, "beyond_positive": 0.01,
        "beyond_negative": 0.19, "so_far": 0.3, "asked": "aim 0", "verdict": "wide",
    }  # fmt: skip
    shown = tables.holds(pd.DataFrame([row])).iloc[0].str.translate(PLAIN)
    assert shown[f"{WAY}, if at all"] == "Vertical: intrusion, crown and root towards the gum"
    assert shown["Expected"] == "0.20 mm"
    assert shown["80 % range"] == "0.10 mm the other way to 0.60 mm"
    assert (shown["Further that way"], shown["Further the other way"]) == ("19 %", "1 %")
    assert shown["Went so far"] == "0.30 mm the other way"
    silent = dict.fromkeys(("expected", "low_80", "high_80", "within", "so_far"), NAN)
    shown = tables.holds(pd.DataFrame([row | silent])).iloc[0]
    assert shown[f"{WAY}, if at all"] == "Vertical: not known"
    assert shown["Went so far"] == "not measured"
    assert shown["Chance of it"] == "–"


def test_a_new_patient_has_a_plan_and_no_code(cohort, learnt):
    aims = oc.read_aims(
        pd.DataFrame({"tooth": [31, 36], "movement": "vertical", "aim": [-1.0, 0.0]}), holds=True
    )
    (one,) = run_next(cohort, None, aims, expectations=learnt)
    page = sheet_html(one)
    assert "<h1>Plan for a new patient</h1>" in page
    assert ">Patient</th>" not in page
    assert "Teeth to hold" in page
    assert one.bite is None
    assert one.past is None


def test_a_slip_is_told_before_anything_is_learnt(cohort):
    done = []
    with pytest.raises(InputError, match="is P00 meant"):
        run_next(cohort, ["P0"], progress=lambda *step: done.append(step))
    assert done == []


def test_names_of_files_are_plain_and_each_its_own():
    assert list(file_names("s", ["A/1", "a:1"]).values()) == ["s_A_1", "s_a_1_2"]


def test_what_refers_stays_with_what_it_refers_to():
    text = "Recession of 2 mm. This movement goes there. Ask first. Check the roots."
    assert sentences(text) == [
        "Recession of 2 mm. This movement goes there. Ask first.", "Check the roots.",
    ]  # fmt: skip
    notes, numbers = numbered([("11", ["A.", "B."]), ("21", ["B.", "B."])])
    assert notes == ("11: A.", "11, 21: B.")
    assert numbers == ["1, 2", "2"]


def test_names_are_text_and_never_markup(found):
    one = found[0].course
    page = sheet_html(Ahead(one), past="<script>alert(1)</script>")
    assert "<script>" not in page


# The command -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    path = tmp_path_factory.mktemp("records") / "practice.csv"
    movements().to_csv(path, index=False)
    return path


def outcomes(*arguments):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def test_next_writes_sheets_tables_and_provenance(file, tmp_path):
    out = tmp_path / "next"
    done = outcomes(
        "next", file, "--patient", "P00", "--notation", "fdi", "--no-back", "--over-cost", "42:torque=4",
        "--out", out,
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert "P00, course 2:" in done.output
    assert (out / "next_course_P00.docx").exists()
    plan = pd.read_csv(out / "tables" / "plan.csv")
    assert set(plan["patient"]) == {"P00"}
    page = (out / "next_course_P00.html").read_text(encoding="utf-8")
    assert "Least cost" in page
    record = json.loads((out / "provenance.json").read_text(encoding="utf-8"))
    assert record["report"] == "next_course"
    assert record["options"]["over_cost"] == ["42:torque=4"]
    assert str(file.parent) not in json.dumps(record)
    again = outcomes("next", file, "--patient", "P00", "--notation", "fdi", "--out", out)
    assert again.exit_code == 2
    assert "--overwrite" in again.output


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "Say whose next course"),
        (["--patient", "P0"], "is P00 meant"),
        (["--patient", "P00", "--over-cost", "much"], "write a number"),
        (["--patient", "P00", "--over-cost", "3", "--over-cost", "torque=2"], "one number for all"),
        (["--patient", "P00", "--over-cost", "torqe=2"], "torqe"),
        (["--patient", "P00", "--over-cap", "1.5"], "over-cap"),
    ],
)
def test_wrong_use_is_2_and_writes_nothing(file, tmp_path, arguments, said):
    done = outcomes("next", file, "--notation", "fdi", "--out", tmp_path / "next", *arguments)
    assert done.exit_code == 2
    assert said in done.output
    assert not (tmp_path / "next").exists()


def test_aims_that_cannot_be_used_are_1(file, tmp_path):
    aims = tmp_path / "aims.csv"
    aims.write_text("tooth (FDI),movement,aim\n99,vertical,-1\n31,vertical,much\n")
    done = outcomes("next", file, "--notation", "fdi", "--aims", aims, "--out", tmp_path / "next")
    assert done.exit_code == 1
    assert "aims cannot be used" in done.output.replace("\n", " ")
    assert not (tmp_path / "next").exists()
