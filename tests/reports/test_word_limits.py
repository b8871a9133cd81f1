"""Sentences of the audit at their limits, on audits made by hand: what is said at each side of them."""

import inspect
from types import SimpleNamespace

import expected_words
import made_audit as made
import numpy as np
import pandas as pd
import pytest
from everything import SAID
from made_audit import Fits, contrast, described, moved, plain, rate

from outcomes.clinical.achieved import achievement
from outcomes.cohort.problems import EXAMPLE_ROW, HEADINGS_ROW, NOT_MEASURED, STOPPED
from outcomes.domain import names as trade_names
from outcomes.domain.limits import TOLERANCE
from outcomes.reports.audit import words
from outcomes.reports.audit.words import achieved
from outcomes.reports.audit.words.reading import ledger_sum, left_out, left_words
from outcomes.reports.audit.words.summary import target_sentence
from outcomes.reports.common import opinion
from outcomes.reports.common.rows import first_row, lines, shares
from outcomes.words import english

# ---- every word ---------------------------------------------------------------------------------


def test_every_word_is_as_it_was_read_and_found_right():
    """On purpose another? Run expected_words.py and read what changed."""
    kept = expected_words.EXPECTED.read_text(encoding="utf-8").splitlines()
    assert expected_words.every_word().splitlines() == kept


# ---- numbers and names in a sentence ------------------------------------------------------------


@pytest.mark.parametrize(
    ("n", "expected"),
    [(0, "no teeth"), (1, "1 tooth"), (2, "2 teeth"), (1234, "1,234 teeth"), (1.0, "1 tooth")],
)
def test_number_of(n, expected):
    assert english.number_of(n, "tooth", "teeth") == expected
    assert english.number_of(2, "row") == "2 rows"


@pytest.mark.parametrize(
    ("items", "expected"),
    [([], ""), (["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")],
)
def test_listed(items, expected):
    assert english.listed(iter(items)) == expected
    assert english.listed(items, last="or") == expected.replace(" and ", " or ")


@pytest.mark.parametrize(
    ("n", "was", "is_", "none"), [(0, "were", "are", "None"), (1, "was", "is", "1"), (2, "were", "are", "2")]
)  # fmt: skip
def test_verbs(n, was, is_, none):
    assert english.verb(n, "have") == ("has" if n == 1 else "have")
    assert english.verb(n, "rest") == ("rests" if n == 1 else "rest")
    assert (english.was(n), english.is_(n), english.none_(n)) == (was, is_, none)
    assert english.none_(n, capital_letter=False) == none.lower()


def test_names_in_a_sentence():
    names = [
        trade_names.movement_name(m) for m in ("mesiodistal", "buccolingual", "vertical", "torque")
    ]
    assert names[:3] == [f"{m} movement" for m in ("mesiodistal", "buccolingual", "vertical")]
    assert names[3] == "torque"
    assert words.heading("buccolingual") == "Buccolingual movement"
    kinds = ("incisor", "canine", "premolar", "molar", "11")
    assert [trade_names.class_name(k) for k in kinds] == [
        "incisors", "canines", "premolars", "molars", "11",
    ]  # fmt: skip
    assert (english.capital(""), english.capital("of US"), english.capital("a")) == (
        "",
        "Of US",
        "A",
    )


@pytest.mark.parametrize(
    ("share", "expected"),
    [
        (0.0, "0 percentage points"),
        (0.0049, "0 percentage points"),
        (0.0051, "1 percentage point"),
        (-0.01, "1 percentage point"),
        (0.02, "2 percentage points"),
    ],
)
def test_points_of(share, expected):
    assert english.points_of(share) == expected


@pytest.mark.parametrize(
    ("p", "expected"),
    [(0.00099, "< 0.001"), (0.001, "= 0.001"), (0.05, "= 0.050"), (1.0, "= 1.000")],
)
def test_equals(p, expected):
    assert plain(english.equals(p)) == expected


@pytest.mark.parametrize(
    ("low", "high", "known"),
    [
        (-3.0, 3.0, True),
        (-3.01, 0.5, False),
        (0.1, 3.01, False),
        (-4.0, -3.5, False),
        (np.nan, 0.5, False),
        (0.5, np.nan, False),
    ],
)
def test_an_interval_beyond_three_times_the_plan_is_not_known(low, high, known):
    text = plain(english.rate_words(SimpleNamespace(rate=0.5, low=low, high=high)))
    assert text.startswith("50 % (")
    assert ("(interval not known)" in text) != known
    assert ("95 % interval −300 to 300 %" in text) == known


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (0.0, "0.000000001"),
        (1e-9, "0.000000001"),
        (1.1e-9, "0.00000001"),
        (3.2e-8, "0.0000001"),
        (0.09, "0.1"),
        (0.1, "0.1"),
        (0.11, "1"),
        (1.0, "1"),
        (1.1, "10"),
        (42.0, "100"),
    ],
)
def test_a_power_of_ten_is_never_below_the_value(value, expected):
    assert opinion.power_of_ten(value) == expected
    assert float(expected) >= value


def test_the_second_opinion_quotes_both_and_the_largest_difference_of_a_rate():
    table = pd.DataFrame(
        {
            "quantity": ["log-likelihood", "rate incisor", "rate molar", "SD patient"],
            "outcomes": [-10.12345, 0.5, 0.6, 0.1],
            "statsmodels": [-10.12355, 0.5, 0.6, 0.1],
            "difference": [0.0001, 1e-7, -0.002, 0.5],
        }
    )
    text = opinion.opinion_words(table, "")
    assert "reaches a log-likelihood of −10.124 (this package: −10.123)" in text
    assert text.endswith("no rate differs by more than 0.01.")
    assert opinion.opinion_words(table.head(0), "why") == "There is no second opinion: why."


def test_rows_for_words():
    table = pd.DataFrame({"movements": [3, 7], "share": [1 / 3, 2 / 7]}, index=[5, 6])
    assert shares(table, "share") == (3, 10)
    assert [row.movements for row in lines(table)] == [3, 7]
    assert first_row(table, -1).movements == 7


# ---- what was read ------------------------------------------------------------------------------

REASONS = {EXAMPLE_ROW: 1, HEADINGS_ROW: 2, NOT_MEASURED: 3, STOPPED: 4, "tooth not readable": 5}


def test_rows_left_out_are_told_apart_by_what_can_be_done():
    left = left_out(made.cohort(ledger=made.ledger(**REASONS)))
    assert (left.correctable, left.awaiting, left.stopped, left.no_record) == (5, 3, 4, 3)
    assert left.records == 12
    other = made.ledger(**REASONS).assign(table="measures")
    assert left_out(made.cohort(ledger=other)).records == 0
    assert ledger_sum(made.cohort(), "read") == 90
    assert ledger_sum(made.cohort(ledger=other), "read", "measures") == 90


@pytest.mark.parametrize(
    ("reasons", "expected"),
    [
        ({}, "no row was left out"),
        ({EXAMPLE_ROW: 9}, "no row was left out"),
        ({STOPPED: 1}, "1 row was left out: it waits for what stops the analysis"),
        ({STOPPED: 2}, "2 rows were left out: all wait for what stops the analysis"),
        ({NOT_MEASURED: 2}, "2 rows were left out: all await a scan"),
        (
            {"a": 1, NOT_MEASURED: 1, STOPPED: 1},
            "3 rows were left out: 1 can be corrected, 1 awaits a scan, 1 waits for what stops the "
            "analysis",
        ),
        (
            {"a": 2, NOT_MEASURED: 2, STOPPED: 2},
            "6 rows were left out: 2 can be corrected, 2 await a scan, 2 wait for what stops the "
            "analysis",
        ),
    ],
)
def test_rows_left_out_in_words(reasons, expected):
    assert left_words(made.cohort(ledger=made.ledger(**reasons))) == expected


@pytest.mark.parametrize(("headings", "told"), [(0, ""), (1, "1 repeated heading"), (2, "2 repeated headings")])  # fmt: skip
def test_rows_that_are_no_records_are_named(headings, told):
    reasons = {EXAMPLE_ROW: 1} | ({HEADINGS_ROW: headings} if headings else {})
    text = plain(words.reading(made.cohort(ledger=made.ledger(**reasons))))
    assert "90 rows of movements were read from made.csv, among them 1 example row" in text
    assert (f"1 example row and {told} of no patient." in text) == bool(told)
    assert "among them" not in plain(words.reading(made.cohort()))


@pytest.mark.parametrize(
    ("aside", "told"),
    [
        (0, ""),
        (1, "1 movement with a plan of zero is reported apart, as unplanned movement."),
        (2, "2 movements with a plan of zero are reported apart, as unplanned movements."),
    ],
)
def test_what_enters_the_rates(aside, told):
    rows = made.planned("vertical", patients=2, teeth=2)
    rows.loc[: aside - 1, "planned"] = 0.0
    text = plain(words.reading(made.cohort(movements=rows)))
    assert told in text
    assert ("plan of zero" in text) == bool(told)
    left = 4 - aside
    people = 1 if aside == 2 else 2
    assert f"{left} planned movements of {left} teeth in {english.number_of(people, 'patient')} enter the rates." in text  # fmt: skip
    lone = plain(words.reading(made.cohort(movements=rows.tail(1))))
    assert "1 planned movement of 1 tooth in 1 patient enters the rates." in lone


def test_invented_data_and_the_table_of_reasons():
    assert words.reading(made.cohort(invented=True))[0].startswith("This practice is invented")
    assert "invented" not in plain(words.reading(made.cohort()))
    some = made.cohort(ledger=made.ledger(a=1))
    assert "The table below" in plain(words.reading(some, table=True))
    assert "The table below" not in plain(words.reading(some))
    assert "The table below" not in plain(words.reading(made.cohort(), table=True))
    empty = made.ledger(a=0, b=1)
    assert len(words.ledger_words(made.cohort(ledger=empty))) == 2


@pytest.mark.parametrize(
    ("severity", "n", "expected"),
    [
        ("stop", 1, "1 problem stops the analysis. Put right what says 'stop', then check again."),
        ("stop", 2, "2 problems stop the analysis. Put right what says 'stop', then check again."),
        ("exclude", 1, "1 problem takes a row out of the analysis; put right what can be."),
        ("exclude", 2, "2 problems take rows out of the analysis; put right what can be."),
        ("check", 1, "1 entry is kept but looks unusual: compare it with the record."),
        ("check", 2, "2 entries are kept but look unusual: compare them with the record."),
    ],
)
def test_what_a_check_found(severity, n, expected):
    found = made.cohort(problems=made.problems(*[(severity, {})] * n))
    said = words.checked(found)
    assert said[-1] == expected
    assert ("The cohort can be analysed." in said) == (severity != "stop")
    assert words.problems_found(found)[-1].startswith("The file problems.csv")
    assert "'exclude': that row is left out" in plain(words.problem_words(found))


def test_nothing_found_and_what_each_table_adds():
    assert words.checked(made.cohort()) == ["The cohort can be analysed."]
    assert words.problems_found(made.cohort()) == ["No problems were found in the cohort as it was read."]  # fmt: skip
    assert words.problem_words(made.cohort()) == ["No problems were found."]
    tables = {name: pd.DataFrame() for name in ("patients", "courses", "measures", "repeats")}
    said = words.tables_read(made.cohort(**tables | {"courses": pd.DataFrame({"a": [1]})}))
    assert said == [
        "Movements: 12 rows kept.",
        "Patients: none; clinician, site, age and growth cannot be looked at.",
        "Courses: 1 row kept.",
        "Measures: none; the bite before and after cannot be looked at.",
        "Repeats: none; it is not known how well movements were measured.",
    ]


@pytest.mark.parametrize(
    ("n", "expected"),
    [
        (0, "No entry is listed as unusual."),
        (1, "1 entry is listed above as unusual."),
        (2, "2 entries are listed above as unusual."),
    ],
)
def test_plausibility(n, expected):
    found = made.problems(*[("check", {})] * n, ("exclude", {}))
    assert words.plausibility(made.cohort(problems=found))[-1] == expected
    none = made.cohort(movements=made.planned("tip").head(0))
    assert words.plausibility(none) == ["No movement is left to draw."]


# ---- how much was achieved ----------------------------------------------------------------------


def test_rates_are_explained_only_where_there_are_some():
    text = plain(words.movement_rates(made.audit()))
    assert "a plan of 2 mm gave 1 mm" in text
    assert "without a model" in text
    none = words.movement_rates(made.audit(fits=Fits([], failed={"tip": "tip: Too few."})))
    assert len(none) == 2
    assert none[1] == "No rate for tip: Too few."
    empty = made.audit(planned=made.planned("tip").head(0))
    assert words.movement_rates(empty) == [
        "There is no planned movement with an achieved value, so there is no rate."
    ]


@pytest.mark.parametrize(("fewest", "cautious"), [(4, True), (5, False)])
def test_how_sure_one_rate_is(fewest, cautious):
    overall = pd.DataFrame([described("vertical", patients=fewest), described("tip", patients=9)])
    text = plain(achieved.how_sure(made.audit(overall=overall)))
    assert "another 6 patients of the same practice" in text
    assert "lies within 95 of 100 such intervals" in text
    assert "Here the rate is known to within about 10 percentage points." in text
    assert (f"With {fewest} patients the variation between patients is hardly known" in text) == cautious  # fmt: skip


def test_how_sure_several_rates_are():
    fits = Fits([rate("torque"), rate("tip", low=0.2, high=0.9)])
    text = plain(achieved.how_sure(made.audit(fits=fits)))
    assert "It is widest for tip, about ± 35 percentage points." in text


@pytest.mark.parametrize(("high", "known"), [(3.0, True), (3.1, False), (np.nan, False)])
def test_an_interval_that_settles_nothing(high, known):
    fits = Fits([rate("torque"), rate("tip", high=high), rate("tip", "molar", high=high)])
    text = plain(achieved.how_sure(made.audit(fits=fits)))
    assert ("For tip it is too wide to say anything" in text) != known
    assert ("It is widest for" in text) == known


PAIR = [rate("torque", "incisor", rate=0.6), rate("torque", "molar", rate=0.4)]


@pytest.mark.parametrize(("p", "apart"), [(0.0499, True), (0.05, False), (0.06, False)])
@pytest.mark.parametrize("turned", [False, True])
def test_kinds_of_tooth_that_differ(p, apart, turned):
    pair = contrast("incisor", "molar", 0.2, p)
    if turned:
        pair = contrast("molar", "incisor", -0.2, p)
    audit = made.audit(
        class_fits=Fits(PAIR, {"torque": [pair]}),
        cohort=made.cohort(movements=made.planned("torque")),
    )
    said = words.class_rates(audit)
    expected = "Torque: molars less than incisors by 20 percentage points."
    if not apart:
        expected = "Torque: no difference between kinds of tooth stands out."
    assert said == [expected]


def test_kinds_of_tooth_over_all_movements():
    tip = [rate("tip", "incisor"), rate("tip", "molar")]
    contrasts = {
        "torque": [contrast("incisor", "molar", 0.2, 0.04)],  # Holm: 0.08
        "tip": [contrast("incisor", "molar", -0.01, 0.5)],
    }
    said = words.class_rates(made.audit(class_fits=Fits([*PAIR, *tip], contrasts)))
    assert "Torque: no difference between kinds of tooth stands out." in said
    assert said[-1].startswith("2 comparisons of kinds of tooth were made; their p values are")
    contrasts["torque"][0]["p"] = 0.02  # Holm: 0.04
    said = words.class_rates(made.audit(class_fits=Fits([*PAIR, *tip], contrasts)))
    assert said[0] == "Torque: molars less than incisors by 20 percentage points."
    contrasts["tip"][0]["p"] = 0.001
    said = words.class_rates(made.audit(class_fits=Fits([*PAIR, *tip], contrasts)))
    assert said[1] == "Tip: incisors less than molars by 1 percentage point."


def test_kinds_of_tooth_that_cannot_be_compared():
    rows = made.planned("torque")
    one = Fits([rate("torque")], failed={"tip": "tip: too few rows."})
    said = words.class_rates(made.audit(class_fits=one, planned=rows))
    assert said == [
        "Torque: only incisors were planned to move so.",
        "Tip: kinds of tooth cannot be compared. Too few rows.",
    ]
    rows = rows.assign(tooth_class=["incisor", "molar"] * 6)
    said = words.class_rates(made.audit(class_fits=one, planned=rows))
    assert said[0] == "Torque: kinds of tooth cannot be compared."
    unknown = Fits(PAIR, {"torque": [contrast("incisor", "molar", 0.2, np.nan)]})
    said = words.class_rates(made.audit(class_fits=unknown, planned=rows))
    assert said == ["Torque: kinds of tooth cannot be compared."]


def two_ways(movement="torque", p=0.02, fewest=5, difference=0.1, **more):
    rates = [
        rate(movement, "buccal", rate=0.6, patients=9),
        rate(movement, "lingual", rate=0.6 - difference, patients=fewest),
    ]
    return rates, {movement: [contrast("buccal", "lingual", difference, p, **more)]}


def directions(*pairs):
    rates = [line for lines, _ in pairs for line in lines]
    contrasts = {m: table for _, made_ in pairs for m, table in made_.items()}
    return words.directions(made.audit(direction_fits=Fits(rates, contrasts)))


def test_directions_the_larger_first():
    first = plain(directions(two_ways(low=0.02, high=0.18)))
    assert first == (
        "Torque: buccal 60 %, lingual 50 %; 10 percentage points more (95 % interval 2 to 18; p = 0.020)."
    )
    turned = plain(directions(two_ways(difference=-0.1, low=-0.18, high=-0.02)))
    assert turned == (
        "Torque: lingual 70 %, buccal 60 %; 10 percentage points more (95 % interval 2 to 18; p = 0.020)."
    )
    same = plain(directions(two_ways(difference=0.004, low=-0.08, high=0.08)))
    assert "; no more in one than in the other (95 % interval −8 to 8;" in same


def test_directions_allow_for_their_number():
    said = directions(two_ways("torque", 0.02), two_ways("tip", 0.5))
    assert "; adjusted p = 0.040)." in said[0]
    assert "; adjusted p = 0.500)." in said[1]


@pytest.mark.parametrize("fewest", [4, 5])
def test_directions_of_few_patients_are_not_compared(fewest):
    said = directions(two_ways(fewest=fewest))
    expected = "Torque: lingual rests on 4 patients only, so the directions are not compared."
    assert (said == [expected]) == (fewest < 5)
    single = made.audit(direction_fits=Fits([rate("torque", "buccal")]))
    assert words.directions(single) == [
        "No movement was planned in both directions, so directions cannot be compared."
    ]


def test_both_directions_of_few_patients():
    rates = [rate("torque", "buccal", patients=1), rate("torque", "lingual", patients=2)]
    text = plain(words.directions(made.audit(direction_fits=Fits(rates))))
    assert "buccal rests on 1 patient only and lingual rests on 2 patients only, so" in text


# ---- what missed --------------------------------------------------------------------------------


def test_what_went_too_far_and_the_other_way():
    by_class = [
        described("tip", tooth_class="molar", movements=4, wrong_way=0.75, patients=4),
        described("tip", tooth_class="canine", movements=8, wrong_way=0.25, patients=5),
        described("tip", tooth_class="incisor", movements=20, wrong_way=0.1),
    ]
    audit = made.audit(
        overall=pd.DataFrame([described("tip", movements=32, wrong_way=0.2, overshot=1 / 32)]),
        by_class=pd.DataFrame(by_class),
    )
    target, over, worst = (plain(s) for s in words.wrong_way(audit))
    assert target == plain(target_sentence(audit))
    assert over.startswith("1 movement (3 %) went further than planned, by any amount;")
    assert worst.startswith(
        "The largest share that went the other way is in tip of canines: 2 of 8, among kinds of "
        "tooth with 5 patients or more."
    )


def test_nothing_missed():
    assert len(words.wrong_way(made.audit())) == 1
    assert words.wrong_way(made.audit(overall=pd.DataFrame())) == [
        "There is no planned movement to look at."
    ]


@pytest.mark.parametrize(
    ("low", "high", "sure"),
    [(0.0, 0.6, False), (0.01, 0.6, True), (-0.6, 0.0, False), (-0.6, -0.01, True)],
)
def test_unplanned_movement_that_is_away_from_zero(low, high, sure):
    mean = (low + high) / 2
    table = pd.DataFrame([moved(mean=mean, low=low, high=high), moved("tip", movements=1)])
    said = [plain(s) for s in words.unplanned(made.audit(unplanned=table))]
    assert said[0] == (
        "11 movements were not planned but measured; 2 moved by more than 0.5 mm or 2°."
    )
    assert (said[-1] == "No average is clearly different from zero.") != sure
    if sure:
        way = (
            "extrusion, crown and root away from"
            if mean > 0
            else "intrusion, crown and root towards"
        )
        assert f"vertical, {way} the gum; 95 % interval" in said[-1]
        assert said[-1].startswith("Molars moved on average by ")
        assert said[-1].endswith("; 9 patients).")
        assert "one in twenty" in said[1]


def test_unplanned_movement_that_stayed():
    table = pd.DataFrame([moved(movements=1, beyond_tolerance=0.0)])
    said = words.unplanned(made.audit(unplanned=table))
    assert (
        plain(said[0]) == "1 movement was not planned but measured; none moved by more than 0.5 mm."
    )
    assert words.unplanned(made.audit(unplanned=table.head(0)))[0].startswith(
        "No row has a plan of"
    )


def test_the_way_of_a_movement():
    assert achieved._way("vertical", 0.1) != achieved._way("vertical", -0.1)
    assert achieved._way("other", 1.0) == "other"


@pytest.mark.parametrize(
    ("patients", "told"),
    [
        ((5, 6), ""),
        ((4, 5), "1 tooth rests on fewer than 5 patients"),
        ((4, 1), "2 teeth rest on fewer than 5 patients"),
    ],
)
def test_single_teeth_of_few_patients(patients, told):
    table = pd.DataFrame([described("tip", patients=n) for n in patients])
    text = plain(words.tooth_chart(made.audit(by_tooth=table)))
    assert told in text
    assert ("fewer than" in text) == bool(told)
    assert words.tooth_chart(made.audit(by_tooth=table.head(0))) == [
        "There is no planned movement to draw."
    ]


@pytest.mark.parametrize(
    ("absent", "told"),
    [
        (0, ""),
        (1, "1 movement with a plan of zero was not measured and is counted nowhere"),
        (3, "3 movements with a plan of zero were not measured and are counted nowhere"),
    ],
)
def test_unplanned_movement_that_was_not_measured(absent, told):
    empty = moved("tip", movements=0, patients=0, not_measured=absent, beyond_tolerance=np.nan)
    text = plain(words.unplanned(made.audit(unplanned=made.unplanned(moved(), empty))))
    assert text.startswith("10 movements were not planned but measured; 2 moved by more than 0.5")
    assert told in text
    assert ("not measured is not still" in text) == bool(told)
    (none,) = words.unplanned(made.audit(unplanned=made.unplanned(empty)))
    assert none.startswith("No row has a plan of zero with an achieved value")


@pytest.mark.parametrize(
    ("differ", "told"),
    [
        ([False, False], ""),
        ([True, False], "1 tooth is marked with a dagger"),
        ([True, True], "2 teeth are marked with a dagger"),
    ],
)
def test_teeth_marked_with_a_dagger(differ, told):
    fits = {"tip": SimpleNamespace(rates=pd.DataFrame({"differs": differ}))}
    text = plain(words.tooth_chart(made.audit(tooth_fits=fits)))
    assert told in text
    assert ("dagger" in text) == bool(told)


def measured(movement, unit, dahlberg, change, pairs=10):
    return {
        "movement": movement, "unit": unit, "dahlberg": dahlberg, "pairs": pairs,
        "smallest_detectable_change": change, "smallest_detectable_difference": 10 * change,
    }  # fmt: skip


def test_how_well_movements_were_measured():
    table = pd.DataFrame(
        [
            measured("vertical", "mm", 0.08, 0.22),
            measured("mesiodistal", "mm", 0.12, 0.33),
            measured("torque", "degree", 0.6, 1.7, pairs=1),
            measured("tip", "degree", np.nan, np.nan, pairs=1),
        ]
    )
    text = plain(words.measurement(made.audit(measurement=table)))
    assert "an error of 0.08 to 0.12 mm and 0.6° (Dahlberg, from 21 pairs of readings)" in text
    assert "A movement smaller than 0.22 to 0.33 mm and 1.7°, depending" in text
    assert "differ by less than 2.20 to 3.30 mm and 17.0° cannot be told apart" in text
    one = plain(words.measurement(made.audit(measurement=table.iloc[[2]])))
    assert "from 1 pair of readings" in one
    assert words.measurement(made.audit(measurement=table.tail(1))) == [
        "The repeated readings are too few to say."
    ]
    none = made.audit(measurement=table.head(0), measurement_reason="The cohort holds none.")
    assert words.measurement(none)[0].startswith("The cohort holds none. So it is not known")


# ---- what next ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("high", "patients", "told"),
    [(0.6, 5, False), (0.59, 5, True), (0.59, 4, False)],
)
def test_low_rates_are_looked_at(high, patients, told):
    low = Fits([rate("torque", "molar", rate=0.4, low=0.3, high=high, patients=patients)])
    text = plain(words.next_steps(made.audit(class_fits=low)))
    assert ("Look at the plans for torque of molars (40 %): even the upper end" in text) == told
    assert ("below 60 %" in text) == told


def test_the_three_lowest_rates_the_lowest_first():
    kinds = ("incisor", "canine", "premolar", "molar")
    highs = (0.55, 0.3, 0.5, 0.4)
    fits = Fits([rate("tip", k, rate=h - 0.1, high=h) for k, h in zip(kinds, highs, strict=True)])
    text = plain(words.next_steps(made.audit(class_fits=fits)))
    assert "tip of canines (20 %), tip of molars (30 %) and tip of premolars (40 %): even" in text
    assert "incisors" not in text


@pytest.mark.parametrize(
    ("share", "movements", "patients", "told"),
    [
        (0.25, 4, 5, "vertical movement of tooth 31 (25 % of 4)"),
        (0.25, 4, 4, "vertical movement of tooth 31 (25 % of 4; only 4 patients)"),
        (0.25, 4, 1, "vertical movement of tooth 31 (25 % of 4; only 1 patient)"),
        (0.24, 4, 5, ""),
        (0.9, 3, 5, ""),
    ],
)
def test_teeth_that_often_went_the_other_way(share, movements, patients, told):
    line = described("vertical", tooth=31, wrong_way=share, movements=movements, patients=patients)
    text = plain(words.next_steps(made.audit(by_tooth=pd.DataFrame([line]))))
    assert told in text
    assert ("Open the records" in text) == bool(told)


def test_the_three_teeth_most_often_wrong():
    lines_ = [
        described("tip", tooth=tooth, wrong_way=share, movements=n)
        for tooth, share, n in ((11, 0.3, 5), (12, 0.5, 5), (13, 0.5, 9), (14, 0.26, 50))
    ]
    text = plain(words.next_steps(made.audit(by_tooth=pd.DataFrame(lines_))))
    assert (
        "tooth 13 (50 % of 9), tip of tooth 12 (50 % of 5) and tip of tooth 11 (30 % of 5)." in text
    )
    assert "tooth 14" not in text


@pytest.mark.parametrize(
    ("n", "correct", "wait", "look"),
    [
        (
            1,
            "the 1 row with a fault (problems.csv gives it and what to do)",
            "1 row awaits a scan",
            "Compare 1 unusual entry with the record; it is in the analysis as it stands.",
        ),
        (
            2,
            "the 2 rows with a fault (problems.csv gives each and what to do)",
            "2 rows await a scan",
            "Compare 2 unusual entries with the record; they are in the analysis as they stand.",
        ),
    ],
)
def test_steps_for_the_records(n, correct, wait, look):
    cohort = made.cohort(
        ledger=made.ledger(**{"a": n, NOT_MEASURED: n}),
        problems=made.problems(*[("check", {})] * n, ("exclude", {})),
    )
    text = plain(words.next_steps(made.audit(cohort=cohort)))
    for told in (correct, wait, look):
        assert told in text


@pytest.mark.parametrize(
    ("patients", "told"),
    [
        ((10, 10), ""),
        ((9, 10), "Go on collecting: 1 rate by kind of tooth rests on fewer than 10 patients."),
        ((9, 9), "Go on collecting: 2 rates by kind of tooth rest on fewer than 10 patients."),
    ],
)
def test_go_on_collecting_below_ten_patients(patients, told):
    fits = Fits([rate("tip", k, patients=n) for k, n in zip("ab", patients, strict=True)])
    text = plain(words.next_steps(made.audit(class_fits=fits)))
    assert told in text
    assert ("Go on collecting" in text) == bool(told)


def test_what_was_not_recorded():
    audit = made.audit(measurement=pd.DataFrame(), unplanned=made.unplanned())
    audit.differences.not_recorded = ["growing", "clinician", "auxiliary", "site"]
    assert words.next_steps(audit) == [
        "Record clinician and site, where there is more than one, to compare them.",
        "Measure about 20 movements a second time, so that the error is known.",
        "Record some teeth that were meant to stay, to see side effects.",
    ]


def test_steps_come_most_useful_first():
    audit = made.audit(
        class_fits=Fits([rate("tip", "molar", high=0.5, patients=9)]),
        by_tooth=pd.DataFrame([described("tip", wrong_way=0.5)]),
        cohort=made.cohort(
            ledger=made.ledger(**{"a": 1, NOT_MEASURED: 1}), problems=made.problems(("check", {}))
        ),
        unplanned=made.unplanned(),
    )
    starts = (
        "Look at",
        "Open the",
        "Put right",
        "1 row awaits",
        "Compare 1",
        "Go on",
        "Record some",
    )
    for step, start in zip(words.next_steps(audit), starts, strict=True):
        assert step.startswith(start)


# ---- methods ------------------------------------------------------------------------------------


def test_methods_state_the_numbers_that_were_used():
    text = plain(words.methods(made.audit(seed=7)))
    resamples = inspect.signature(achievement).parameters["n_boot"].default
    assert f"patient-bootstrap intervals ({resamples:,} resamples, seed 7)" in text
    assert f"The tolerance ({TOLERANCE['mm']:g} mm) is from Angle Orthod 2017;87(6)" in text
    two = made.audit(cohort=made.cohort(movements=made.planned("torque", "vertical")))
    both = f"({TOLERANCE['mm']:g} mm and {TOLERANCE['degree']:g}°) is from Angle Orthod"
    assert both in plain(words.methods(two))
    two.tolerance = {**two.tolerance, "torque": 3.0}
    assert "(0.5 mm and 3°) was chosen for this audit" in plain(words.methods(two))
    two.tolerance = {**two.tolerance, "torque": 2.0, "tip": 3.0}  # tip is not in this audit
    assert both in plain(words.methods(two))
    assert "Standard errors and degrees of freedom of all comparisons are cluster-robust" in text
    assert "95 % t intervals on Satterthwaite degrees of freedom" in text
    assert "Input made.csv, SHA-256 " + "0" * 64 in text
    assert "A second opinion: There is no second opinion: it was not asked." in text
    asked = made.audit(opinion_of="vertical")
    assert "A second opinion on vertical movement: There is" in plain(words.methods(asked))


def test_cautions_by_heading():
    every, always = words.cautions(), words.cautions("Always")
    assert set(always) < set(every)
    assert not any(line.startswith("- ") or "**" in line for line in every)
    assert words.audit_cautions(made.cohort()) == ["Always", "Reading an audit"]
    assert words.audit_cautions(made.cohort(invented=True))[-1] == "The demonstration data"
    assert any("invented" in line for line in words.cautions("The demonstration data"))
    assert words.cautions("Reading an audit", "Always")[: len(always)] == always
    with pytest.raises(KeyError, match="no section no such heading"):
        words.cautions("no such heading")


def test_sentences_take_the_level_of_the_fits():
    found = expected_words.audit()
    found.level = 0.9
    said = {name: plain(getattr(words, name)(found)) for name in (*SAID, "forest_caption")}
    assert not [name for name, text in said.items() if "95 %" in text]
    levels = ("summary", "directions", "differences", "unplanned", "second_readings", "methods")
    assert all("90 % " in said[name] for name in (*levels, "forest_caption"))
    assert "within 90 of 100 such intervals" in said["movement_rates"]
