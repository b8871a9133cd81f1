"""Sentences of a case series at their limits, on tables made by hand: which cell, which word."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from made_audit import plain

from outcomes.reports.series.sharing import enough, hide_small
from outcomes.reports.series.supplement import bite_way
from outcomes.reports.series.words import summary as summarised
from outcomes.reports.series.words.measures import (
    measure_sentence,
    short_change,
    short_worse,
    worsened,
)
from outcomes.reports.series.words.results import _kinds, _not_measured, _rates
from outcomes.reports.series.words.source import Source
from outcomes.reports.table import NOT_MEASURED, Cell, Ref, Row, Table, row

SETTINGS = {"level": "95\u00a0%", "few": "5", "tolerance mm": "0.5", "tolerance degree": "2"}


def table(short, columns, lines, label="Table 9"):
    rows = tuple(row(key, [key, *cells]) for key, cells in lines.items())
    return Table(short, label, "", ("Name", *columns), rows)


BEFORE_AFTER = ("Patients", "Start", "End", "Difference", "95 % interval", "p", "On target, start", "On target, end")  # fmt: skip
CELLS = ["7", "4.0", "2.0", "−2.0", "−3.0 to −1.0", "0.031", "1/7", "6/7"]


def tables(key="overbite all", cells=CELLS, **more):
    made = {
        "settings": table("settings", ["Value"], {k: [v] for k, v in SETTINGS.items()}),
        "before_after": table("before_after", BEFORE_AFTER, {key: cells}),
    }
    return made | more


def series(patients=7, **given):
    usual = {
        "patients": [f"P{k:03}" for k in range(patients)],
        "tolerance": {"mm": 0.5, "degree": 2.0},
        "cohort": SimpleNamespace(
            movements=pd.DataFrame({"unit": ["mm", "degree"]}),
            measures=pd.DataFrame({"measure": [], "target": []}),
            invented=False,
        ),
        "split": None,
        "before_after_split": None,
    }
    return SimpleNamespace(**(usual | given))


def line(**given):
    usual = {
        "measure": "overbite", "unit": "mm", "patients": 7, "difference": -2.0, "low": -3.0,
        "high": -1.0, "with_target": 7, "met_at_start": 1, "met": 6, "distance": 0.4,
        "distance_at_start": 2.1,
    }  # fmt: skip
    return {**usual, **given}


def sentence(group="", made=None, of=None, **given):
    key = f"{given.get('measure', 'overbite')} {group or 'all'}"
    return plain(measure_sentence(of or series(), made or tables(key), line(**given), group).text)


# ---- a measure before and after -----------------------------------------------------------------


def test_start_and_end_stand_where_they_belong():
    assert sentence() == (
        "Overbite fell from 4.0 to 2.0 mm (difference −2.0 mm, 95 % interval −3.0 to −1.0, p = 0.031, "
        "7 patients); 6 of 7 patients were on target at the last scan, 1 of 7 at the start."
    )
    assert sentence(difference=2.0, low=1.0, high=3.0).startswith(
        "Overbite rose from 4.0 to 2.0 mm"
    )
    assert " in open bite cases from 4.0" in sentence("open bite")


@pytest.mark.parametrize(
    ("low", "high", "shown"),
    [(-3.0, -0.01, True), (-3.0, 0.0, False), (0.0, 3.0, False), (0.01, 3.0, True)],
)
def test_an_interval_that_touches_zero_shows_no_change(low, high, shown):
    said = sentence(low=low, high=high, difference=(low + high) / 2)
    assert ("No change of overbite was shown (from 4.0 to 2.0 mm; difference" in said) != shown
    assert (" rose " in said or " fell " in said) == shown


@pytest.mark.parametrize(
    ("low", "high", "told"),
    [
        (-0.49, 0.49, True),
        (-0.5, 0.1, False),
        (-0.1, 0.5, False),
    ],
)
def test_room_for_a_change_of_the_tolerance(low, high, told):
    said = sentence(low=low, high=high, difference=0.0)
    assert ("leaves no room for a mean change of 0.5 mm or more" in said) == told
    degrees = sentence(low=4 * low, high=4 * high, difference=0.0, unit="degree")
    assert ("leaves no room for a mean change of 2° or more" in degrees) == told
    assert "room" not in sentence(low=low, high=high, difference=0.0, unit="years", with_target=0)


@pytest.mark.parametrize(
    ("met", "at_start", "told"),
    [
        (1, 2, "6 of 7 patients was on target at the last scan, 1 of 7 at the start, so fewer at"),
        (2, 2, "6 of 7 patients were on target at the last scan, 1 of 7 at the start."),
        (0, 0, "6 of 7 patients were on target at the last scan, 1 of 7 at the start."),
    ],
)
def test_on_target_now_and_before(met, at_start, told):
    assert told in sentence(met=met, met_at_start=at_start)


@pytest.mark.parametrize(
    ("met", "at_start", "told"),
    [
        (1, 0, "; the target was met at the last scan."),
        (0, 0, "; the target was not met at the last scan."),
        (0, 1, "; the target was not met at the last scan, though it was at the start."),
        (1, 1, "; the target was met at the last scan."),
    ],
)
def test_one_target(met, at_start, told):
    assert sentence(met=met, met_at_start=at_start, with_target=1).endswith(told)
    assert "target" not in sentence(with_target=0)


def test_one_patient_with_a_measure():
    one = series(patients=1)
    kept = {"patients": 1, "with_target": 0}
    assert sentence(of=one, **kept) == "Overbite went from 4.0 to 2.0 mm."
    assert sentence(**kept) == "Overbite went from 4.0 to 2.0 mm in one patient."
    assert (
        sentence("open bite", **kept) == "Overbite went from 4.0 to 2.0 mm in one open bite case."
    )
    same = ["7", "4.0", "4.0", *CELLS[3:]]
    assert sentence(made=tables(cells=same), of=one, **kept) == (
        "Overbite was 4.0 mm at the start and at the last scan."
    )


def test_two_patients_without_an_interval():
    said = sentence(low=np.nan, high=np.nan, with_target=0)
    assert (
        said == "Overbite went from 4.0 to 2.0 mm (means of 7 patients); no interval can be given."
    )


@pytest.mark.parametrize(("distance", "told"), [(2.0, False), (2.1, False), (2.2, True)])
def test_further_from_the_target(distance, told):
    said = sentence(distance=distance)
    assert ("further from the target than at the start on average" in said) == told
    assert ("further from the target on average" in worsened(line(distance=distance))) == told
    no_interval = line(distance=distance, low=np.nan, high=np.nan)
    assert worsened(no_interval) == ""
    assert worsened(line(distance=distance, low=-1.0, high=0.0)) == ""


@pytest.mark.parametrize(
    ("measure", "worse_when"),
    [("recession", 1), ("probing_depth", 1), ("crowding", 1), ("keratinised_tissue", -1), ("apex_to_plate", -1)],
)  # fmt: skip
def test_which_change_is_for_the_worse(measure, worse_when):
    for sign in (1, -1):
        given = {"measure": measure, "difference": sign, "low": sign - 0.5, "high": sign + 0.5, "with_target": 0}  # fmt: skip
        worse = sign == worse_when
        assert ("which is for the worse" in sentence(**given)) == worse
        assert (", for the better" in sentence(**given)) != worse
        assert worsened(line(**given)) == ("worse on average" if worse else "")
    assert "for the" not in sentence(with_target=0)
    assert worsened(line(with_target=0)) == ""


@pytest.mark.parametrize(
    ("met", "at_start", "of", "told"),
    [
        (2, 3, 7, "fewer on target at the end than at the start"),
        (3, 3, 7, ""),
        (0, 1, 1, "on target at the start, not at the end"),
    ],
)
def test_fewer_on_target_always_counts(met, at_start, of, told):
    assert worsened(line(met=met, met_at_start=at_start, with_target=of)) == told


def test_short_sentences_go_from_start_to_end():
    source = Source(series(), tables())
    short = plain(short_change(source, line(), "").text)
    assert short == "Overbite: −2.0 mm (−3.0 to −1.0); on target 1/7 → 6/7."
    worse = plain(short_worse(source, line(met=0), "").text)
    assert worse == "Overbite: fewer on target at the end than at the start (1/7 → 6/7)."
    none = Source(series(), tables("overbite deep bite", [*CELLS[:6], "–", "–"]))
    assert plain(short_change(none, line(), "deep bite").text) == (
        "Overbite, deep bite: −2.0 mm (−3.0 to −1.0)."
    )
    assert "→" not in short_worse(none, line(met=0), "deep bite").text


# ---- rates --------------------------------------------------------------------------------------


def rate_tables(*movements):
    lines = {f"{m} all": [str(60 - k), "50 to 70"] for k, m in enumerate(movements)}
    return tables(rates=table("rates", ["Rate, %", "95 % interval"], lines, "Table 3"))


def rate_series(*lines, patients=7, failed=None):
    frame = pd.DataFrame(lines, columns=["movement", "rate", "high", "patients"])
    return series(patients, fits=SimpleNamespace(rates=frame))


def rates_said(*lines, **given):
    made = rate_tables(*(given_line[0] for given_line in lines))
    of = rate_series(*lines, **given)
    return plain(s.text for s in _rates(Source(of, made)))


@pytest.mark.parametrize(
    ("patients", "told"), [(4, True), (5, False)]
)  # fmt: skip
def test_rates_of_few_patients_are_said_to_be(patients, told):
    said = rates_said(("torque", 0.6, 0.7, patients), ("tip", 0.5, 0.6, 9))
    assert ("Rates of fewer than 5 patients are described, but too few to lean on." in said) == told


@pytest.mark.parametrize(
    ("highs", "told"),
    [
        ((0.99, 0.9), "Every interval lies below the full plan."),
        ((1.0, 0.9), "The interval reaches the full plan for torque."),
        ((1.0, 1.2), ""),
        ((0.99,), "The interval lies below the full plan."),
        ((1.0,), ""),
    ],
)
def test_intervals_below_the_full_plan(highs, told):
    lines = [(m, 0.6, high, 9) for m, high in zip(("torque", "tip"), highs, strict=False)]
    said = rates_said(*lines)
    assert told in said
    assert ("full plan" in said) == bool(told)
    assert "60 % of torque (95 % interval 50 to 70)" in said


def summary(of, made, **given):
    return [plain(s.text) for s in summarised(of, made, **given)]


@pytest.mark.parametrize(("patients", "leads"), [(4, False), (5, True)])
def test_a_rate_of_few_patients_does_not_lead_a_poster(patients, leads):
    made = rate_tables("torque", "tip", "rotation")
    del made["before_after"]
    of = rate_series(
        ("torque", 0.9, 1.0, patients), ("tip", 0.5, 0.6, 9), ("rotation", 0.4, 0.6, 9), patients=12
    )
    (said,) = summary(of, made)
    assert ("torque" in said) == leads
    assert said.endswith("down to 58 % (50 to 70) of rotation, with 95 % intervals.")
    (one,) = summary(rate_series(("tip", 0.5, 0.6, 9)), made)
    assert one == "Achieved: 59 % (50 to 70) of tip, with 95 % intervals."
    small = rate_series(("tip", 0.5, 0.6, 4), patients=4)
    assert summary(small, made)[0].startswith("Achieved: 59 %")  # the whole series may be shown


@pytest.mark.parametrize(
    ("p", "shown"), [(0.0499, True), (0.05, False)]
)  # fmt: skip
@pytest.mark.parametrize("sign", [1, -1])
def test_kinds_of_tooth_at_the_cut(p, shown, sign):
    made = tables(
        contrasts=table(
            "contrasts", ["Points", "95 % interval", "p, adjusted"],
            {"tip molar canine": ["15", "2 to 28", "< 0.001"]}, "Table 4",
        )
    )  # fmt: skip
    line_ = {"movement": "tip", "a": "molar", "b": "canine", "difference": 0.15 * sign, "p_holm": p}
    (said,) = _kinds(Source(series(contrasts=pd.DataFrame([line_])), made))
    said = plain(said.text)
    if not shown:
        assert said == "No difference between kinds of tooth was shown after adjustment (Table 4)."
        return
    word = "more" if sign > 0 else "less"
    assert said == (
        f"After adjustment, {word} of the planned tip was achieved in molars than in canines "
        "(difference 15 percentage points, interval 2 to 28, adjusted p < 0.001) (Table 4)."
    )


@pytest.mark.parametrize(
    ("text", "way"),
    [("0.0 (0.4)", "vertical movement"), ("−0.0", "vertical movement"), ("0.1", "more"),
     ("−0.1 (1.0)", "less"), ("–", "vertical movement"), (NOT_MEASURED, "vertical movement")],
)  # fmt: skip
def test_the_way_of_a_printed_number(text, way):
    """Upper incisors that extrude add to the overbite; molars that extrude take from it."""
    upper = {"more": "extrusion", "less": "intrusion"}.get(way, way)
    molars = {"more": "intrusion", "less": "extrusion"}.get(way, way)
    assert bite_way("upper_incisor", text) == f"{upper} of upper incisors"
    assert bite_way("lower_incisor", text) == f"{upper} of lower incisors"
    assert bite_way("from_posterior", text) == f"{molars} of molars"


@pytest.mark.parametrize(
    ("unseen", "told"), [("0", ""), ("1", ", one was not"), ("12", ", 12 were not")]
)
def test_movements_with_a_plan_of_zero_that_were_not_measured(unseen, told):
    said = _not_measured(Ref("Table 1", "not measured", "Movements", unseen))
    assert str(said) == told
    assert bool(getattr(said, "refs", ())) == bool(told)


@pytest.mark.parametrize(("text", "word"), [("< 0.001", "< 0.001"), ("0.050", "= 0.050")])
def test_p_in_a_sentence(text, word):
    made = tables(cells=[*CELLS[:5], text, *CELLS[6:]])
    said = Source(series(), made).p("before_after", "overbite all")
    assert (said.text, said.refs[0].text) == (word, text)


def test_a_table_has_room_for_its_interval_whatever_its_level():
    source = Source(series(), tables())
    assert source.line("before_after", "overbite all")["interval"].column == "95 % interval"
    assert plain(source.tolerance().text) == "0.5 mm or 2°"
    assert plain(source.tolerance({"mm"}).text) == "0.5 mm"


# ---- what may be shared -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("patients", "whole", "shown"), [(5, 12, True), (4, 12, False), (4, 4, True), (1, 1, True)]
)
def test_what_may_be_shown(patients, whole, shown):
    assert enough(patients, whole) == shown


@pytest.mark.parametrize(
    ("patients", "marked"), [(None, False), (0, False), (1, True), (4, True), (5, False)]
)
def test_lines_of_one_to_four_patients_are_marked(patients, marked):
    made = Table("t", "Table 1", "", ("a",), (row("x", ["1"], patients=patients),))
    assert made.rows[0].few == marked
    assert made.texts() == [["1 †"]] if marked else [["1"]]
    assert bool(made.notes) == marked
    assert not marked or made.notes[0].startswith("† Fewer than 5 patients:")


def counts(*levels):
    lines = [Row("sex", (Cell("Sex"), Cell("")), heading=True)]
    lines += [
        row(f"sex {k}", [f"level {k}", f"{n} (10 %)"], patients=n) for k, n in enumerate(levels)
    ]
    return Table("t", "Table 1", "", ("", "n"), tuple(lines))


@pytest.mark.parametrize(
    ("levels", "printed"),
    [
        ((5, 7), ["5 (10 %)", "7 (10 %)"]),
        ((4, 9), ["<\u00a05", "≥\u00a05"]),
        ((4, 3, 9), ["<\u00a05", "<\u00a05", "9 (10 %)"]),
        ((1, 1, 9), ["<\u00a05", "<\u00a05", "≥\u00a05"]),
        ((4, 4, 9), ["<\u00a05", "<\u00a05", "≥\u00a05"]),
        ((4, 1, 5), ["<\u00a05", "<\u00a05", "5 (10 %)"]),
    ],
)
def test_small_counts_cannot_be_worked_out(levels, printed):
    shown = hide_small(counts(*levels))
    assert [r.cells[1].text for r in shown.rows if not r.heading] == printed
    assert bool(shown.footnotes) == (min(levels) < 5)


def test_where_the_total_would_give_a_count_away_the_levels_are_left_out():
    (only,) = hide_small(counts(4)).rows
    assert [cell.text for cell in only.cells] == ["Sex", "–"]
