"""The report on overcorrection and the plan sheet: numbers, cautions, and what is declined."""

import html
import json
import re

import docx
import numpy as np
import pandas as pd
import pytest

import outcomes as oc
from outcomes.domain import names
from outcomes.reports.build.run import open_cohort, run_report
from outcomes.reports.overcorrection import tables, words
from outcomes.reports.overcorrection.results import open_aims, run_calibration
from outcomes.reports.overcorrection.sheet import (
    DEMO,
    foot_of_pages,
    sheet_html,
    write_plan_sheet,
)
from outcomes.words.cautions import IN_SHORT

WARNING = "The treating clinician decides"


@pytest.fixture(scope="module")
def found():
    """The demonstration practice with its aims and a day since when factors are used."""
    return run_calibration(open_cohort(), open_aims(None, None), since="2023-06-01")


def made(patients: int, **options) -> oc.Cohort:
    options = {"movement": "vertical", "teeth_per_patient": 8, **options}
    rows = oc.simulate_rates(patients, seed=4, **options)
    return oc.from_frames(rows[["patient", "tooth", "movement", "course", "planned", "achieved"]])


def all_words(found) -> str:
    return "\n".join(
        line
        for name in words.__all__
        if name != "planned_movements"
        for line in _lines(getattr(words, name), found)
    )


def _lines(function, found) -> list[str]:
    said = function() if function is words.ranges_caption else function(found)
    return [said] if isinstance(said, str) else said


def test_every_number_of_the_summary_is_that_of_the_tables(found):
    text = " ".join(words.summary(found))
    counts = found.factors["verdict"].value_counts()
    assert f"{counts['supported']} are supported" in text
    assert "16 aims read, 16 used, 0 left out." in text
    better = int((found.gains["low"] > 0).sum())
    assert f"({better} of {len(found.gains)} movements" in text
    assert WARNING in text


def test_tables_have_a_line_for_each_line(found):
    for view, frame in (
        (tables.factors, found.factors),
        (tables.tooth_factors, found.tooth_factors),
        (tables.attachments, found.attachment_factors),
        (tables.gains, found.gains),
        (tables.prediction, found.accuracy),
        (tables.courses, found.courses.overall),
        (tables.needed, found.needed_wide),
    ):
        shown = view(frame)
        assert len(shown) == len(frame)
        assert not shown.isna().any(axis=None)
    assert len(tables.plan_rows(found.plan)) == len(found.plan.aims)


def test_attachment_model_moves_the_factor(found):
    row = found.attachment_factors.query("movement == 'rotation' and group == 'incisor'").iloc[0]
    assert row["rate_attachment"] == pytest.approx(row["rate_none"] + row["change"])
    assert row["factor_attachment"] < row["factor_none"]  # invented with an effect above zero


def test_overcorrection_in_the_records_is_said(found):
    movements = found.cohort.movements
    n = ((movements["planned"] != 0) & (movements["aim"] != movements["planned"])).sum()
    assert f"{n:,} of" in words.overplanned(found)[0]
    plain = run_calibration(made(12))
    assert "the plan is the aim" in words.overplanned(plain)[0]


def test_a_bent_rate_is_found_and_plans_are_made_with_it():
    cohort = made(60, rates=0.7, size_effect=-0.08, teeth_per_patient=16)
    aims = oc.read_aims(pd.DataFrame({"tooth": [13, 23], "aim": [0.4, 1.2]}), movement="vertical")
    result = run_calibration(cohort, aims)
    assert result.linearity["bent"].all()
    factor = result.plan.table["direct_planned"] / result.plan.table["aim"]
    assert factor[1] > factor[0]
    assert "changes with the size" in " ".join(words.linear(result))


def test_few_patients_are_declined_everywhere():
    aims = oc.read_aims(pd.DataFrame({"tooth": [31], "aim": [-1.0]}), movement="vertical")
    result = run_calibration(made(4), aims)
    assert set(result.factors["verdict"]) == {"not supported"}
    assert words.planned_movements(result) == []
    text = all_words(result)
    assert "Only 4 patients" in text
    assert "more patients" in text
    page = sheet_html(result.plan)
    assert "no plan" in page
    assert re.search(r"Only \d patients?", page)
    body = re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL)
    assert not re.search(r"lands \d", body)


def test_one_course_no_aims_no_attachments_no_dates_are_said_and_stop_nothing():
    result = run_calibration(made(12), since="2025-01-01")
    assert result.plan is None
    assert result.courses is None
    assert result.loop is None
    text = all_words(result)
    for part in ("No aims were given", "one course only", "Attachments are not recorded", "start"):
        assert part in text


def test_smallest_cohort_gives_words_and_no_factor(small_cohort):
    result = run_calibration(small_cohort, open_aims(None, None))
    assert set(result.plan.aims["verdict"]) == {"not supported"}
    text = all_words(result)
    assert "had this movement planned in this direction" in text
    assert "no rates of vertical" in text
    assert "nan" not in text.lower().replace("finance", "")


def test_a_movement_without_attachments_beside_one_with_both():
    """Crashed: one movement with both, another with none only, a third with too few with one."""
    both = oc.simulate_rates(12, seed=1, movement="vertical", teeth_per_patient=6)
    plain = oc.simulate_rates(12, seed=2, movement="rotation", teeth_per_patient=6)
    few = oc.simulate_rates(12, seed=3, movement="tip", teeth_per_patient=6)
    some = few["patient"].isin(["P001", "P002", "P003", "P004"])
    few["attachment"] = np.where(some, few["attachment"], 0)
    plain["attachment"] = 0
    rows = pd.concat([both, plain, few], ignore_index=True)
    rows["attachment"] = rows["attachment"].map({0: "none", 1: "rectangular"})
    columns = ["patient", "tooth", "movement", "course", "planned", "achieved", "attachment"]
    result = run_calibration(oc.from_frames(rows[columns]))
    assert set(result.attachment_factors["movement"]) == {"vertical"}
    said = " ".join(words.attachment(result))
    assert "Rotation: teeth with and without" in said
    assert "nobody had a tooth with one" in said
    assert "only 4 patients had teeth with one" in said
    alone = run_calibration(oc.from_frames(rows.loc[rows["movement"] == "rotation", columns]))
    assert not len(alone.attachment_factors)
    assert "nothing to compare" in " ".join(words.attachment(alone))


@pytest.fixture(scope="module")
def strict():
    """Limits of the user's own, all of them away from their defaults."""
    rows = oc.simulate_rates(14, seed=4, movement="vertical", teeth_per_patient=8)
    rows["start"] = np.where(rows["patient"] < "P008", "2024-03-01", "2025-03-01")
    courses = rows[["patient", "course", "start"]].drop_duplicates()
    columns = ["patient", "tooth", "movement", "course", "planned", "achieved"]
    cohort = oc.from_frames(rows[columns], courses=courses)
    aims = pd.DataFrame(
        {"tooth": [31, 13, 99], "aim": [-0.8, 0.9, 1], "patient": ["N/1", "B<2", "B<2"]}
    )
    p = float(oc.fit_rate(rows).linearity()["p"])
    return run_calibration(
        cohort,
        oc.read_aims(aims, movement="vertical"),
        since="2025-01-01",
        rules=oc.Rules(level=0.9, linear_p=float(np.nextafter(p, 1))),
        limits=oc.PlanLimits(tolerance={"mm": 1.0}),
    )


def test_the_users_limits_reach_everything(strict):
    assert strict.validations["vertical"].tolerance == 1.0
    assert set(strict.plan.aims["tolerance"]) == {1.0}
    frame = strict.cohort.frame()
    miss = (frame["planned"] - frame["achieved"]).abs()
    early = frame["start"] < "2025-01-01"
    assert strict.loop.periods["within"].iloc[0] == pytest.approx((miss[early] <= 1.0).mean())
    assert strict.linearity["bent"].all()
    for frame in (strict.factors, strict.direction_factors, strict.tooth_factors, strict.gains):
        assert set(frame["level"]) == {0.9}
    for view, frame in (
        (tables.factors, strict.factors),
        (tables.tooth_factors, strict.tooth_factors),
        (tables.gains, strict.gains),
    ):
        assert "90 % interval" in view(frame)
        assert "95 % interval" not in view(frame)
    said = " ".join(words.methods(strict))
    assert "Tolerance 1\u00a0mm." in said
    assert "2017;87(6)" not in said  # that is the source of 0.5 mm and 2 degrees
    text = " ".join([*words.helped(strict), *words.loop(strict)]).replace("\u00a0", " ")
    assert "90 % interval" in text
    assert "95 %" not in text


def test_the_level_of_the_range_in_a_cell(found):
    cell = tables.plan_rows(found.plan)["Expected (80 % range)"].iloc[0]
    row = found.plan.options[found.plan.options["option"] == "best chance"].iloc[0]
    for name in ("expected", "low_80", "high_80"):
        assert f"{row[name]:.2f}".replace("-", "−") in cell
    assert f"{row['low_95']:.2f}".replace("-", "−") not in cell


def test_each_patient_has_a_sheet_with_the_code_on_every_page_and_row(strict, tmp_path):
    written = write_plan_sheet(strict.plan, tmp_path)
    assert [p.name for p in written] == [
        "plan_sheet_N_1.html",
        "plan_sheet_N_1.docx",
        "plan_sheet_B_2.html",
        "plan_sheet_B_2.docx",
    ]
    for page, word, code, other in (
        (*written[:2], "N/1", "B<2"),
        (*written[2:], "B<2", "N/1"),
    ):
        text = re.sub(r"data:image/[^\"]*", "", page.read_text(encoding="utf-8"))
        assert html.escape(other) not in text
        assert f'<p class="foot">Patient {html.escape(code)}. ' in text
        rows = re.findall(r"<tr>(<th scope=\"row\".*?)</tr>", text)
        assert rows
        assert all(html.escape(code) in line for line in rows)
        document = docx.Document(str(word))
        assert document.sections[0].footer.paragraphs[0].text.startswith(f"Patient {code}. ")
        for table in document.tables:
            assert {line.cells[0].text for line in table.rows[1:]} == {code}
    left_out = [p.read_text(encoding="utf-8").count("Tooth 99, row 4") for p in written[::2]]
    assert left_out == [0, 1]
    with pytest.raises(ValueError, match="a sheet is of one patient"):
        sheet_html(strict.plan)
    said = words.plan_notes(strict)
    assert said[0].startswith("N/1, 31, vertical:")


@pytest.mark.parametrize(
    ("movement", "kind", "value", "way"),
    [
        ("torque", ("incisor", "upper"), 5, "labial crown torque, root palatally"),
        ("torque", ("incisor", "lower"), -5, "lingual crown torque, root labially"),
        ("torque", ("molar", "lower"), 5, "buccal crown torque, root lingually"),
        ("tip", ("canine", "upper"), 5, "mesial crown tip, root distally"),
        ("tip", ("canine", "upper"), -5, "distal crown tip, root mesially"),
        ("rotation", ("premolar", "upper"), -5, "mesial surface turning palatally"),
        ("vertical", ("incisor", "lower"), -1, "intrusion"),
        ("buccolingual", ("molar", "upper"), 1, "buccal"),
    ],
)
def test_crown_and_root_are_both_named(movement, kind, value, way):
    """Crown and root of a tooth that turns about its middle go opposite ways (geometry)."""
    assert names.direction(value, movement, *kind) == way


# The plan sheet ----------------------------------------------------------------------------------


def test_sheet_has_the_cautions_above_below_and_in_full(found):
    page = sheet_html(found.plan, past="practice.xlsx", invented=True)
    assert page.count(IN_SHORT) == 2
    assert page.index(IN_SHORT) < page.index("<section>")
    # a table's foot is repeated on every printed page
    assert f'<tfoot><tr><td><p class="foot">{IN_SHORT}' in page
    for caution in found.plan.standing:
        assert caution in html.unescape(page)
    assert DEMO in page


def test_sheet_fetches_nothing_and_describes_its_pictures(found):
    page = sheet_html(found.plan)
    assert not re.search(r"(src|href)=\"(?!data:)", page)
    alts = re.findall(r'alt="([^"]*)"', page)
    assert len(alts) == found.plan.aims["movement"].nunique()
    assert all(len(alt) > 40 for alt in alts)


def test_sheet_numbers_are_those_of_the_plan(found):
    page = sheet_html(found.plan)
    for row in tables.plan_rows(found.plan).itertuples(index=False):
        assert row[3] in page  # safer plan
        assert row[4] in page  # expected, with its range
    for row in tables.alternative_rows(found.plan).itertuples(index=False):
        assert row[3] in page  # aim / rate


def test_sheet_in_word_has_the_cautions_at_the_foot_of_every_page(found, tmp_path):
    page, word = write_plan_sheet(found.plan, tmp_path, past="practice.xlsx", invented=True)
    assert page.exists()
    document = docx.Document(str(word))
    assert document.sections[0].footer.paragraphs[0].text == IN_SHORT
    text = "\n".join(p.text for p in document.paragraphs)
    for caution in (DEMO, *found.plan.standing):
        assert caution in text
    movements = found.plan.aims["movement"].nunique()
    assert len(document.tables) == 2 * movements  # the safer plan, and aim / rate
    assert sum(len(table.rows) - 1 for table in document.tables) == 2 * len(found.plan.aims)
    described = document.element.body.xpath(".//wp:docPr[@descr]")
    assert len(described) == movements


FAULTY = pd.DataFrame(
    {
        "tooth": [31, 41, 32, 33, 34, 99, 43, 44, 45],
        "aim": [-1.0, -1.2, 70.0, 5.5, -0.8, 1.0, "abc", "", 0],
        "attachment": ["beveled", "wedge", "none", "none", "wedge", "", "", "", ""],
    }
)


@pytest.fixture(scope="module")
def faulty():
    """A fit without attachments, and aims of which 4 of 9 cannot be used."""
    past = oc.simulate_rates(40, seed=1, movement="vertical")
    fit = oc.fit_rate(past[past["planned"].abs() < 2.5])
    return oc.prescribe(fit, oc.read_aims(FAULTY, movement="vertical"))


def in_word(plan, folder) -> str:
    document = docx.Document(str(write_plan_sheet(plan, folder)[1]))
    cells = [c.text for t in document.tables for row in t.rows for c in row.cells]
    return "\n".join([*(p.text for p in document.paragraphs), *cells])


def in_page(plan) -> str:
    body = re.sub(r"<style>.*?</style>", "", sheet_html(plan), flags=re.DOTALL)
    return html.unescape(re.sub(r"<[^>]+>", "\n", body))


def test_sheet_says_what_was_left_out_and_why(faulty, tmp_path):
    for text in (in_page(faulty), in_word(faulty, tmp_path)):
        assert "9 aims read, 5 used, 4 left out." in text
        for line in (
            "Tooth 99, row 7: no FDI tooth number.",
            "Tooth 43, row 8: not a number.",
            "Tooth 44, row 9: aim is blank.",
            "Tooth 45, row 10: aim is 0: nothing to plan.",
        ):
            assert line in text
        assert "The column attachment was not used; add --covariate attachment" in text


def test_sheet_carries_the_problems_of_each_row(faulty, tmp_path):
    for text in (in_page(faulty), in_word(faulty, tmp_path)):
        (slip,) = [line for line in text.splitlines() if "larger than 6 mm" in line]
        assert slip.startswith("32: Beyond the records.")
        # an unknown word is listed once in problems, and said of every tooth that has it
        notes = [line for line in text.splitlines() if "no attachment known by name" in line]
        assert {line[:2] for line in notes} == {"41", "34"}
        assert all("Known: none, rectangular, bevelled, ellipsoid" in line for line in notes)


def test_aims_beyond_the_records_get_no_plan(faulty):
    largest = faulty.sources["vertical"].fit.data["planned"].max()
    assert 2 * largest < 5.5  # row 5 is far beyond the past plans, row 4 beyond the schema
    table = faulty.table.set_index("tooth")
    assert table["verdict"][[32, 33]].tolist() == ["beyond the records"] * 2
    numbers = [c for c in table.columns if c.startswith(("direct_", "best_", "as_aimed"))]
    assert table.loc[[32, 33], numbers].isna().all(axis=None)
    assert table.loc[[31, 41, 34], numbers].notna().all(axis=None)
    assert "more than twice the largest past plan" in table["why"][33]
    assert "slip" in table["why"][32]
    text = in_page(faulty)
    assert "no plan: beyond the records" in sheet_html(faulty)
    assert text.count("no plan") >= 4  # in both tables


def test_every_signed_number_of_the_sheet_has_its_direction(found, tmp_path):
    document = docx.Document(str(write_plan_sheet(found.plan, tmp_path)[1]))
    cells = [c.text for t in document.tables for row in t.rows[1:] for c in row.cells]
    tables_html = re.findall(r"<td[^>]*>([^<]*)</td>", sheet_html(found.plan))
    for cell in [*cells, *map(html.unescape, tables_html)]:
        if re.search(r"[°]|mm", cell):
            assert re.search(r"\([a-z, ]+\)$", cell), cell
    ways = {
        "−6.0° (mesial surface turning palatally)",
        "5.0° (labial crown torque, root palatally)",
    }
    assert ways <= set(cells)


def test_a_range_that_crosses_zero_names_both_directions():
    row = pd.Series({"expected": 0.4, "low_80": -0.3, "high_80": 1.1})
    said = tables._expected(row, ("mm", "vertical", "incisor", "lower")).replace("\u00a0", " ")
    assert said == "0.40 mm (extrusion), −0.30 mm (intrusion) to 1.10 mm (extrusion)"


def test_the_safer_plan_is_named_by_the_cap_in_force(found):
    plan = oc.prescribe(
        found.expectations, open_aims(None, None), limits=oc.PlanLimits(over_cap=0.2)
    )
    assert "Safer plan (at most 20 % risk of going too far)" in list(tables.plan_rows(plan))
    for text in (in_page(plan), all_words(found), sheet_html(plan)):
        assert "best chance" not in text.lower().replace("-", " ")


def test_nothing_runs_off_a_narrow_sheet(found):
    page = sheet_html(found.plan)
    assert "nowrap" not in page
    first = re.search(r"<thead><tr>(.*?)</tr>", page).group(1)
    names = re.findall(r"<th[^>]*>([^<]*)</th>", first)
    assert [n.split(" (")[0] for n in names[:5]] == [
        "Tooth", "Aim", "Safer plan", "Expected", "Verdict",
    ]  # fmt: skip


def test_page_foot_is_css_that_prints_the_cautions():
    assert IN_SHORT in foot_of_pages().html
    assert "@page" in foot_of_pages().html


def test_names_of_the_input_are_text_and_never_markup():
    aims = pd.DataFrame({"tooth": [31], "aim": [-1.0], "attachment": ["<b>x</b>"]})
    fit = oc.fit_rate(oc.simulate_rates(12, seed=1, movement="vertical"))
    page = sheet_html(oc.prescribe(fit, aims), past="<script>alert(1)</script>")
    assert "<script>" not in page
    assert "<b>x" not in page


# The report --------------------------------------------------------------------------------------


def test_report_with_aims(tmp_path):
    rows = oc.simulate_rates(12, seed=1, movement="vertical", teeth_per_patient=8)
    past, aims = tmp_path / "past.csv", tmp_path / "aims.csv"
    columns = ["patient", "tooth", "movement", "course", "planned", "achieved"]
    rows[columns].rename(columns={"tooth": "tooth (FDI)"}).to_csv(past, index=False)
    aims.write_text("tooth (FDI),movement,aim\n31,vertical,-1.0\n41,vertical,abc\n")
    options = {"aims": str(aims), "covariates": [], "since": None}
    report = run_report("overcorrection", past, tmp_path / "out", options)
    assert report.warnings == ()
    page = report.page.read_text(encoding="utf-8")
    for text in (WARNING, "Overshooting has a price", "not a number", IN_SHORT.split(":")[0]):
        assert text in page
    for name in ("plan_sheet.html", "plan_sheet.docx", "tables/plan.csv", "tables/factors.csv"):
        assert (report.folder / name).exists()
    assert str(tmp_path) not in page + (report.folder / "report.ipynb").read_text()
    record = json.loads((report.folder / "provenance.json").read_text())
    assert record["options"]["aims"] == "aims.csv"
    assert len(record["options"]["aims_sha256"]) == 64
    plan = pd.read_csv(report.folder / "tables" / "plan.csv")
    assert plan["tooth"].tolist() == [31]
