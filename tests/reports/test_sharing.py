"""Documents made for sharing: small counts hidden, worsening said, targets told apart."""

import re

import made_series
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.cohort.read import from_frames
from outcomes.figures.before_after import before_after_panels
from outcomes.reports.series import words as prose
from outcomes.reports.series.deck import Block
from outcomes.reports.series.documents import written_words
from outcomes.reports.series.poster_columns import A0, FORMATS, WIDE, fit
from outcomes.reports.series.results import run_series
from outcomes.reports.series.rounding import counted_share
from outcomes.reports.series.sharing import HIDDEN, hide_small, kinds_to_share, pairs_to_share
from outcomes.reports.series.story import tell
from outcomes.reports.table import Cell, Table, row

pptx = pytest.importorskip("pptx")
BEFORE_ROUNDING = "Differences are computed before rounding."


def counts_table(counts):
    total = sum(counts)
    rows = [row("patients", ["Patients", Cell(str(total))]), row("sex", ["Sex", ""], heading=True)]
    rows += [
        row(f"sex {place}", [f"level {place}", counted_share(k, total)], patients=k)
        for place, k in enumerate(counts)
    ]
    return Table("t", "Table 1", "T", ("", "n"), tuple(rows))


def possible(texts, total):
    """Every way to fill the hidden counts that agrees with the total; independent of the code."""
    ways = [()]
    for text in texts:
        if text.startswith("<"):
            choices = range(1, 5)
        elif text.startswith("≥"):
            choices = range(5, total + 1)
        else:
            choices = [int(text.split(" ")[0])]
        ways = [(*way, k) for way in ways for k in choices]
    return [way for way in ways if sum(way) == total]


@settings(deadline=None, max_examples=150)
@given(st.lists(st.integers(1, 12), min_size=1, max_size=3))
def test_hidden_counts_cannot_be_worked_out_from_the_total(counts):
    table = hide_small(counts_table(counts))
    lines = dict(zip([r.key for r in table.rows], table.texts(), strict=True))
    texts = [text[1] for key, text in lines.items() if key.startswith("sex ")]
    assert not any("†" in cell for text in table.texts() for cell in text)
    if min(counts) >= 5:
        assert table == counts_table(counts)
        return
    assert HIDDEN in table.notes
    if not texts:
        assert lines["sex"][1] == "–"
        return
    ways = possible(texts, sum(counts))
    assert tuple(counts) in ways
    for place, k in enumerate(counts):
        if k < 5:
            assert texts[place].startswith("<")
            assert len({way[place] for way in ways}) > 1


def test_story_tables_hold_no_small_group_and_no_dagger():
    for kind in ("whole", "small"):
        series, tables = made_series.EVERY[kind]()
        story = tell(series, tables)
        for table in (story.patients, story.measures):
            words = " ".join([*table.notes, *(c for text in table.texts() for c in text)])
            assert "†" not in words
            assert "before sharing" not in words
    story = tell(*made_series.whole())
    assert story.patients.ref("sex male", "n = 12").text == "<\u00a05"
    assert story.patients.ref("sex female", "n = 12").text == "≥\u00a05"  # 12 − 8 would tell
    assert not any(r.key.startswith("recession") for r in story.measures.rows)  # 4 patients
    assert "Not shown, fewer than 5 patients: Recession" in " ".join(story.measures.notes)


def drawn_groups(axes):
    legend = axes[0].get_figure(root=True).legends
    return [text.get_text() for text in legend[0].get_texts()] if legend else []


def splitted(deep, opened, recession=()):
    """Overbite of deep and open bites, recession of some of them (invented)."""
    kinds = {
        f"P{k:03d}": "deep bite" if k <= deep else "open bite" for k in range(1, deep + opened + 1)
    }
    rows = pd.DataFrame({"patient": list(kinds), "tooth": 11, "movement": "tip", "planned": 6.0})
    rows = rows.assign(achieved=[4.0 + 0.1 * k for k in range(len(kinds))])
    values = [
        (
            p,
            k,
            "overbite",
            None,
            (4.0 if kind == "deep bite" else -1.0) * (1 - k) + 2.0 * k + 0.1 * n,
            2.0,
        )
        for n, (p, kind) in enumerate(kinds.items())
        for k in (0, 1)
    ]
    values += [(p, k, "recession", 31, 0.5 + 0.2 * k, 0.5) for p in recession for k in (0, 1)]
    columns = ["patient", "after_course", "measure", "tooth", "value", "target"]
    measures = pd.DataFrame(values, columns=columns).assign(unit="mm")
    patients = pd.DataFrame({"patient": list(kinds), "malocclusion": list(kinds.values())})
    return run_series(from_frames(rows, patients, measures=measures, notation="fdi"))


@pytest.mark.parametrize(("deep", "names"), [(4, False), (5, True)])
def test_a_shared_figure_draws_no_group_that_the_table_withholds(deep, names):
    series = splitted(deep, 7)
    result, split, measures = pairs_to_share(series)
    assert kinds_to_share(series) == names
    if names:
        assert (split, measures) == ("malocclusion", ["overbite"])
    else:
        # nor all of them in one: some should gain, others lose
        assert (split, measures) == (None, [])
    assert result is (series.before_after_split if names else series.before_after)


@pytest.mark.parametrize(("some", "drawn"), [(4, ["overbite"]), (5, ["overbite", "recession"])])
def test_a_measure_of_few_patients_is_not_drawn_for_sharing(some, drawn):
    cohort = made_series.measured([-1.9, -1.7, -2.2, -1.8, -1.6, -2.0, -1.5], target=2.0)
    few = made_series.measured([0.2] * some, target=0.5, measure="recession").measures
    measures = pd.concat([cohort.measures, few], ignore_index=True).drop(columns="row")
    rows = cohort.movements.drop(columns=made_series.DERIVED)
    series = run_series(from_frames(rows, measures=measures, notation="fdi"))
    assert pairs_to_share(series)[2] == drawn


def test_the_legend_counts_the_patients_that_are_drawn():
    series = splitted(5, 7, recession=["P010", "P011", "P012"])
    result = series.before_after_split
    axes = before_after_panels(result, ["recession", "overbite"], split="malocclusion")
    assert drawn_groups(axes) == ["deep bite (n = 5)", "open bite (n = 7)"]
    assert "n = 3" in " ".join(text.get_text() for text in axes[0].texts)
    # a group of which nobody is drawn has no place in the legend
    axes = before_after_panels(result, ["recession"], split="malocclusion")
    assert drawn_groups(axes) == ["open bite (n = 3*)"]


def test_the_poster_and_the_slides_draw_what_may_be_shared(monkeypatch, tmp_path):
    """Recession of 4 patients is not in them, neither in the table nor in the figure."""
    from outcomes.reports.series import poster

    series, _ = made_series.whole()
    _, split, measures = pairs_to_share(series)
    assert split == "malocclusion"
    assert "recession" not in measures
    found = {block.name: block for block in poster.blocks(series, tell(*made_series.whole()), A0)}
    alt = found["before_after"].picture.alt
    for name in poster._two_measures(*pairs_to_share(series)[::2]):
        assert name in alt
    assert "recession" not in alt


def test_differences_are_said_to_be_computed_before_rounding():
    for kind in ("whole", "one", "null"):
        series, tables = made_series.EVERY[kind]()
        assert BEFORE_ROUNDING in " ".join(tables["before_after"].notes)
        assert BEFORE_ROUNDING in " ".join(tell(series, tables).measures.notes)


def test_targets_of_overbite_and_open_bite_are_told_apart():
    series, tables = made_series.whole()
    story = tell(series, tables)
    aims = series.cohort.measures.groupby("measure")["target"].first()
    said = f"overbite {aims['overbite']:g}\u00a0mm and open bite {aims['open_bite']:g}\u00a0mm"
    for table in (story.measures, tables["before_after"]):
        assert said in " ".join(table.notes)
    assert not any(str(f).startswith("Open bite") for f in story.findings)
    assert "(its target is not that of overbite)" in " ".join(
        p.text for p in prose.results(series, tables)
    )
    assert "targets differ" not in " ".join(tell(*made_series.null()).measures.notes)


def test_on_target_is_shown_at_start_and_end_and_a_worsening_said():
    series, tables = made_series.whole()
    story = tell(series, tables)
    whole = tables["before_after"]
    for line in story.measures.rows:
        start, end = (whole.ref(line.key, f"On target, {when}").text for when in ("start", "end"))
        shown = story.measures.ref(line.key, "On target").text
        assert shown == ("–" if start == "–" else f"{start} → {end}")
    overjet = story.measures.ref("overjet open bite", "On target").text
    assert overjet == "3/7 → 1/7"
    assert "Overjet, open bite: fewer on target at the end" in " ".join(map(str, story.findings))
    assert "fewer on target at the end" in " ".join(story.measures.notes)
    worse = tell(*made_series.worse())
    assert "further from the target on average" in " ".join(map(str, worse.findings))
    assert "further" not in " ".join(map(str, tell(*made_series.better()).findings))


def test_one_was_and_several_were_on_target():
    words = " ".join(p.text for p in prose.results(*made_series.whole()))
    assert re.search(r"\b1 of 5 patients was on target", words)
    assert re.search(r"\b2 of 5 patients were on target", words)
    assert not re.search(r"\b1 of \d+ patients were", words)


def test_signs_of_the_parts_of_the_bite_go_with_their_words():
    words = " ".join(p.text for p in prose.results(*made_series.whole()))
    found = re.findall(
        r"(−?[\d.]+)(?: \([\d.]+\))? mm from (extrusion|intrusion|vertical movement) of (\w+)",
        words,
    )
    assert len(found) == 5  # molars of both arches were not measured in the deep bites
    assert "Vertical movement of molars of both arches was not measured in deep bite cases" in words
    for number, way, tooth in found:
        value = float(number.replace("−", "-"))
        # Deepened by extrusion of incisors and by intrusion of molars (geometry of the bite).
        deeper = "intrusion" if tooth == "molars" else "extrusion"
        assert (way == "vertical movement") == (value == 0)
        assert value == 0 or (way == deeper) == (value > 0)


@pytest.mark.parametrize("kind", ["whole", "one", "bare"])
@pytest.mark.parametrize("name", FORMATS)
def test_a_place_for_clinical_pictures_is_marked(kind, name, posters):
    path = posters[kind, name]
    shapes = {s.name: s for s in pptx.Presentation(path).slides[0].shapes}
    assert shapes["room for pictures"].text_frame.text == "[clinical pictures, with consent]"
    assert shapes["panel room for pictures"].height / 12700 >= 299.9
    assert shapes["panel room for pictures"].line.dash_style is not None
    assert "clinical pictures" not in pptx.Presentation(path).core_properties.comments


def test_the_place_for_pictures_goes_last_and_its_absence_is_listed(tmp_path):
    must = Block("must", "Must", room=700.0)
    may = Block("may", "May", room=400.0, worth=3.0)
    room = Block("pictures", "Clinical pictures", room=400.0, worth=12.0)
    columns, _, _ = fit([must, may, room, must, must], WIDE, 1400)
    names = [placed.block.name for column in columns for placed in column]
    assert "pictures" in names
    slides = pptx.Presentation()
    slides.core_properties.comments = "did not fit: clinical pictures"
    slides.save(tmp_path / "poster.pptx")
    said = written_words([tmp_path / "manuscript.docx", tmp_path / "poster.pptx"])
    assert said == "Written: manuscript.docx, poster.pptx (did not fit: clinical pictures)."


def test_what_did_not_fit_is_in_the_comments_of_the_poster(posters):
    presentation = pptx.Presentation(posters["whole", A0.name])
    there = {s.name for s in presentation.slides[0].shapes}
    said = presentation.core_properties.comments
    assert ("every case" in said) == ("cases heading" not in there)
    assert ("patients" in said.replace("every", "")) == ("patients heading" not in there)
