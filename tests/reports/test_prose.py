"""The words of a case series: every number is in a table, and nothing is claimed too much."""

import re

import made_series
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.cohort.read import from_frames
from outcomes.reports.series import words as prose
from outcomes.reports.series.checklists import CARE, STROBE, checklist_table, items
from outcomes.reports.series.results import run_series
from outcomes.reports.series.sentences import Paragraph, Sentence, numbers_in, say, trace
from outcomes.reports.series.story import tell
from outcomes.reports.series.tables import manuscript_tables
from outcomes.reports.series.words.measures import measure_sentence


def paragraphs(series, tables):
    return [
        *prose.methods(series, tables),
        *prose.results(series, tables),
        prose.limitations(series, tables),
    ]


def text(series, tables):
    return " ".join(p.text for p in paragraphs(series, tables)).replace("\u00a0", " ")


def cells(tables):
    """Every number that is printed in any cell of any table."""
    return {n for t in tables.values() for line in t.texts() for c in line for n in numbers_in(c)}


@pytest.mark.parametrize("kind", made_series.EVERY)
def test_every_number_in_the_words_is_in_a_table(kind):
    series, tables = made_series.EVERY[kind]()
    printed = cells(tables)
    found = trace(paragraphs(series, tables))
    assert len(found) > 10
    for line in found:
        assert line["table"], f"{line['number']!r} is in no cell quoted by: {line['sentence']}"
        assert line["number"] in printed


def test_a_number_is_traced_to_the_cell_that_stands_in_its_place():
    """Not to an equal number in a cell that is quoted before or after it."""
    found = trace(paragraphs(*made_series.whole()))
    zero = [line for line in found if "patients or more" in line["sentence"]]
    assert [line["line"] for line in zero if line["number"] == "5"] == [
        "equivalence patients",  # "in which 5 patients or more ... were measured"
        "vertical incisor",  # "of incisors in 5 of 12 patients"
    ]
    ends = [line["sentence"] for line in found if line["column"] == "On target, end"]
    assert ends
    assert {ends.count(said) for said in ends} == {2}  # both numbers of "2 of 5 patients were ..."


@pytest.mark.parametrize("kind", made_series.EVERY)
def test_quoted_cells_are_those_of_the_tables(kind):
    series, tables = made_series.EVERY[kind]()
    by_label = {table.label: table for table in tables.values()}
    refs = [r for p in paragraphs(series, tables) for s in p.sentences for r in s.refs]
    story = tell(series, tables)
    refs += [r for s in (*story.methods, *story.findings, *story.limits) for r in s.refs]
    refs += [r for n in story.numbers for r in n.refs]
    assert refs
    for ref in refs:
        assert by_label[ref.table].ref(ref.row, ref.column).text == ref.text


@pytest.mark.parametrize("kind", made_series.EVERY)
def test_every_number_of_the_poster_is_in_a_table(kind):
    series, tables = made_series.EVERY[kind]()
    story = tell(series, tables)
    for sentence in (*story.methods, *story.findings, *story.limits, story.software):
        quoted = {n for ref in sentence.refs for n in numbers_in(ref.text)}
        assert set(numbers_in(sentence.text)) <= quoted, sentence.text
    for number in story.numbers:
        quoted = {n for ref in number.refs for n in numbers_in(ref.text)}
        assert set(numbers_in(f"{number.number} {number.label} {number.detail}")) <= quoted


@pytest.mark.parametrize("kind", made_series.EVERY)
def test_tables_that_the_words_name_exist(kind):
    series, tables = made_series.EVERY[kind]()
    named = set(re.findall(r"Table S?\d+", text(series, tables)))
    assert named
    assert named <= {table.label for table in tables.values()}


@pytest.mark.parametrize("kind", made_series.EVERY)
def test_sentences_are_whole(kind):
    series, tables = made_series.EVERY[kind]()
    for paragraph in paragraphs(series, tables):
        assert paragraph.sentences
        for sentence in paragraph.sentences:
            assert sentence.text.endswith(".")
            assert sentence.text[0].isupper() or sentence.text[0].isdigit()
            for wrong in ("  ", " ,", " .", "nan", "None", "{", "}", "()"):
                assert wrong not in sentence.text, sentence.text
            assert not re.search(r"(?<![\d.,])1 (patients|rows|teeth|movements)", sentence.text)


def test_a_missing_cell_is_caught():
    found = trace([Paragraph("Results", (say("It fell by 3.7 mm."),))])
    assert [line["table"] for line in found] == [""]


def test_words_for_one_patient():
    series, tables = made_series.one()
    words = text(series, tables)
    assert "This is a report of one patient" in words
    assert "One patient was treated: aged 23 years, male, with open bite." in words
    for wrong in ("patients were", "interval −", "p =", "p <", "p value", "mean (SD)", "median"):
        assert wrong not in words, wrong
    assert "no interval is given" in words
    assert "This is one patient" in words
    assert "rates" not in tables


def test_words_for_a_series_are_not_those_for_one():
    words = text(*made_series.whole())
    assert "series of 12 patients" in words
    assert "one patient, treated" not in words


def test_exclusions_are_said_with_their_reason_and_none_when_there_are_none():
    left = text(*made_series.whole())
    assert "Of 947 rows of movements that were read, 14 were left out" in left
    assert "14 rows in one patient: not measured yet" in left
    none = text(*made_series.one())
    assert "none was left out" in none
    assert "were left out" not in none


def test_no_change_is_not_called_a_change_nor_its_absence():
    words = text(*made_series.null())
    assert "No change of overbite was shown" in words
    assert "fell" not in words
    assert "rose" not in words
    # the interval lies within ± 0.5 mm, and only then is that said
    assert "leaves no room for a mean change of 0.5 mm or more" in words
    assert not prose.summary(*made_series.null())[0].text.startswith("Overbite")


def test_a_wide_interval_is_not_called_narrow():
    series = run_series(made_series.measured([-2.0, 2.2, -1.5, 1.8, 0.1], target=2.0))
    words = text(series, manuscript_tables(series))
    assert "No change of overbite was shown" in words
    assert "leaves no room" not in words


def test_a_worse_result_is_called_worse():
    words = text(*made_series.worse())
    assert "Overbite rose from 4.0 (0.0) to 5.1 (0.2) mm" in words
    assert "further from the target than at the start" in words
    assert "0 of 7 patients were on target at the last scan" in words
    assert "further from the target" not in text(*made_series.better())


def test_recession_that_grew_is_for_the_worse():
    cohort = made_series.measured([0.4, 0.6, 0.5, 0.7, 0.5], target=None, measure="recession")
    series = run_series(cohort)
    assert "which is for the worse" in text(series, manuscript_tables(series))


def test_without_repeats_the_error_is_not_known():
    assert "The measurement error is not known." in text(*made_series.bare())
    assert "measurement error is not known" not in text(*made_series.whole())


def test_invented_data_are_called_invented():
    assert "invented" in text(*made_series.whole())
    assert "Invented" in tell(*made_series.whole()).notice
    assert "consented" in tell(*made_series.one()).notice


def test_software_and_versions_are_cited():
    from importlib.metadata import version

    words = text(*made_series.whole())
    for package in ("numpy", "scipy", "pandas", "statsmodels", "pingouin"):
        assert f"{package} {version(package)}" in words


def test_differences_between_kinds_only_where_shown():
    series, tables = made_series.whole()
    words = text(series, tables)
    assert not (series.contrasts["p_holm"] < 0.05).any()
    assert "No difference between kinds of tooth was shown after adjustment" in words
    assert words.count("adjusted p") == 0
    rates = {11: 0.9, 13: 0.88, 16: 0.4}  # invented: molars far below the others
    rows = [
        (f"P{k:03d}", tooth, "tip", 8.0, round(8 * rate + 0.1 * ((3 * k + tooth) % 7 - 3), 1))
        for k in range(12)
        for tooth, rate in rates.items()
    ]
    columns = ["patient", "tooth", "movement", "planned", "achieved"]
    series = run_series(from_frames(pd.DataFrame(rows, columns=columns), notation="fdi"))
    words = text(series, manuscript_tables(series))
    shown = series.contrasts[series.contrasts["p_holm"] < 0.05]
    assert 0 < len(shown) < len(series.contrasts)
    assert words.count("adjusted p") == len(shown)


def test_strobe_has_22_items_and_care_13():
    # von Elm et al. 2007: 22 items; Gagnier et al. 2013: 13 items
    assert [i.number for i in items(STROBE, *made_series.whole())] == [str(k) for k in range(1, 23)]
    assert [i.number for i in items(CARE, *made_series.one())] == [str(k) for k in range(1, 14)]
    assert checklist_table(*made_series.whole()).label == "STROBE checklist"
    assert checklist_table(*made_series.one()).label == "CARE checklist"
    for item in (*items(STROBE, *made_series.whole()), *items(CARE, *made_series.one())):
        assert item.covered or item.to_add
    consent = items(CARE, *made_series.one())[-1]
    assert "consent" in consent.to_add


def test_checklist_names_only_tables_that_exist():
    for kind in ("whole", "bare"):
        series, tables = made_series.EVERY[kind]()
        labels = {table.label for table in tables.values()}
        said = " ".join(item.covered for item in items(STROBE, series, tables))
        assert set(re.findall(r"Table S?\d+", said)) <= labels


@settings(max_examples=12, deadline=None)
@given(
    st.lists(st.integers(-40, 40), min_size=2, max_size=7),
    st.sampled_from([None, 2.0]),
)
def test_direction_is_said_only_when_the_interval_excludes_zero(tenths, target):
    cohort = made_series.measured([t / 10 for t in tenths], target=target)
    series = run_series(cohort)
    tables = manuscript_tables(series)
    line = series.before_after.table.set_index("period").loc["total"]
    sentence = measure_sentence(series, tables, {**line.to_dict(), "period": "total"}, "").text
    claims = " rose" in sentence or " fell" in sentence
    excludes = bool(line["low"] > 0 or line["high"] < 0)
    assert claims == excludes
    assert isinstance(say("{x}", x=Sentence("a")), Sentence)


def test_every_cohort_that_can_be_read_gets_words():
    rows = pd.DataFrame(
        {
            "patient": ["P001", "P002"],
            "tooth": 11,
            "movement": "tip",
            "planned": 0.0,
            "achieved": [0.4, -0.2],
        }
    )
    series = run_series(from_frames(rows, notation="fdi"))
    tables = manuscript_tables(series)
    words = text(series, tables)
    assert "No rate model could be fitted" in words
    assert np.isfinite(len(words))


def test_apices_are_named_with_the_caution():
    from outcomes.reports.audit import words

    roots = made_series.whole()[0].roots
    first, *rest = words.roots(roots)
    sure = roots.table[roots.table["torque_measured"]]
    farthest = sure.loc[sure["apex_buccal"].abs().idxmax()]
    assert f"Of {len(sure)} lower incisors whose torque was measured" in first
    assert f"tooth {farthest['tooth']} of {farthest['patient']}" in first
    assert f"{abs(farthest['apex_buccal']):.2f}" in first
    assert rest[-1] == roots.caution


def opened(measured=10, *, planned_zero=True, lower=True):
    """Ten open bites (invented): molars intruded in all, upper incisors measured in some."""
    rows, measures = [], []
    for k in range(10):
        p = f"P{k:03d}"
        for tooth in (11, 21):
            achieved = round(0.1 * (k % 3) - 0.1, 1) if k < measured else None
            rows.append((p, tooth, 0.0 if planned_zero else 1.0, achieved))
        rows += [(p, tooth, -0.8, round(-0.5 - 0.02 * k, 2)) for tooth in (16, 26, 36, 46)]
        if lower:
            rows += [(p, tooth, 0.4, round(0.3 + 0.01 * k, 2)) for tooth in (31, 41)]
        measures += [(p, 0, -1.0), (p, 1, round(1.0 + 0.1 * k, 1))]
    frame = pd.DataFrame(rows, columns=["patient", "tooth", "planned", "achieved"])
    bites = pd.DataFrame(measures, columns=["patient", "after_course", "value"])
    cohort = from_frames(
        frame.assign(movement="vertical"),
        measures=bites.assign(measure="overbite", unit="mm", target=2.0),
        notation="fdi",
    )
    series = run_series(cohort)
    return series, manuscript_tables(series)


def test_incisors_measured_in_three_of_ten_are_said_to_be_three():
    series, tables = opened(measured=3)
    words = text(series, tables)
    assert "mm from vertical movement of upper incisors (measured in 3 of 10 patients)" in words
    assert "need not add up" in words
    bite = tables["bite"]
    assert bite.ref("all upper_incisor", "Patients").text == "3 of 10"
    assert bite.ref("all change", "Patients").text == "10 of 10"
    assert bite.ref("all unexplained", "Patients").text == "3 of 10"


def test_a_part_that_nobody_measured_is_not_given_as_zero():
    series, tables = opened(lower=False)
    words = text(series, tables)
    assert "Vertical movement of lower incisors was not measured, so what is left" in words
    assert "of lower incisors," not in words.split("change of overbite")[1].split("Vertical")[0]
    assert "not explained (" not in words
    assert tables["bite"].ref("all lower_incisor", "Mean (SD)").text == "not measured"
    assert tables["bite"].ref("all unexplained", "Mean (SD)").text == "–"


@pytest.mark.parametrize(
    ("measured", "shown"),
    # at least 5 patients, and 80 % of the movements: 8 of 10 patients, just short with 7
    [(10, True), (8, True), (7, False), (4, False)],
)
def test_equivalence_is_said_with_its_count_where_enough_was_measured(measured, shown):
    series, tables = opened(measured)
    words = text(series, tables)
    said = f"(vertical movement of incisors in {measured} of 10 patients)"
    assert (said in words) == shown
    assert ("were tested for equivalence" in words) == shown
    assert f"{2 * measured} movements with a plan of zero were measured" in words
    if measured < 10:
        assert f", {20 - 2 * measured} were not (" in words
    line = tables["unplanned"].ref("vertical incisor", "Equivalent to zero").text
    assert line == ("yes" if shown else "–")
    assert tables["unplanned"].ref("vertical incisor", "Patients").text == f"{measured} of 10"


def test_lines_of_the_bite_are_named_by_the_way_the_teeth_went():
    titles = [line.cells[0].text for line in made_series.whole()[1]["bite"].rows]
    assert "From intrusion of lower incisors; deep bite" in titles
    assert "From extrusion of upper incisors; open bite" in titles
    assert not any(title.startswith("Extrusion") for title in titles)


def test_apices_of_teeth_without_torque_are_not_named():
    from outcomes.clinical.roots import apex_displacement
    from outcomes.reports.audit import words

    rows = pd.DataFrame(
        {"patient": "P001", "tooth": [31, 41], "movement": "buccolingual", "achieved": [0.5, -0.9]}
    )
    first, *_ = words.roots(apex_displacement(rows))
    assert first.startswith("Of 2 lower incisors, torque was measured in none")
    assert "farthest" not in first
