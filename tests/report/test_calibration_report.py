"""The report on overcorrection and the plan sheet: numbers, cautions, and what is declined."""

import json
import re

import docx
import pandas as pd
import pytest

import outcomes as oc
from outcomes.calibrate.cautions import IN_SHORT
from outcomes.report import calibration_tables as tables
from outcomes.report import calibration_words as words
from outcomes.report.calibration import open_aims, run_calibration
from outcomes.report.plan_sheet import DEMO, foot_of_pages, sheet_html, write_plan_sheet
from outcomes.report.run import open_cohort, run_report

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
    assert f"{counts['supported']} supported" in text
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
    assert "plan_size" in result.plan_fits["vertical"].design.covariates
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
    assert "No rate for premolar" in text
    assert "no rates of vertical" in text
    assert "nan" not in text.lower().replace("finance", "")


# The plan sheet ----------------------------------------------------------------------------------


def test_sheet_has_the_cautions_above_below_and_in_full(found):
    page = sheet_html(found.plan, past="practice.xlsx", invented=True)
    assert page.count(IN_SHORT) == 2
    assert page.index(IN_SHORT) < page.index("<section>")
    # a table's foot is repeated on every printed page
    assert f'<tfoot><tr><td><p class="foot">{IN_SHORT}' in page
    for caution in found.plan.standing:
        assert caution.replace("'", "&#x27;") in page
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
        assert row[5 + 2] in page  # best-chance plan
        assert row[10] in page  # expected, with its range


def test_sheet_in_word_has_the_cautions_at_the_foot_of_every_page(found, tmp_path):
    page, word = write_plan_sheet(found.plan, tmp_path, past="practice.xlsx", invented=True)
    assert page.exists()
    document = docx.Document(str(word))
    assert document.sections[0].footer.paragraphs[0].text == IN_SHORT
    text = "\n".join(p.text for p in document.paragraphs)
    for caution in (DEMO, *found.plan.standing):
        assert caution in text
    assert len(document.tables) == found.plan.aims["movement"].nunique()
    assert sum(len(table.rows) - 1 for table in document.tables) == len(found.plan.aims)
    described = document.element.body.xpath(".//wp:docPr[@descr]")
    assert len(described) == len(document.tables)


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
