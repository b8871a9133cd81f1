"""Layouts that nobody foresaw: each reads to the same invented records, or asks, or stops.

What a file cannot tell must be a question without a likely answer; nothing may be lost unsaid.
"""

import math

import pandas as pd
import pytest
from openpyxl import Workbook

from outcomes.cohort.dialogue import Voice, confirmed
from outcomes.cohort.proposal import propose_mapping
from outcomes.cohort.read import read_cohort
from outcomes.errors import CannotAnswer

KEY = ["patient", "tooth", "movement", "course"]
NUMBERS = ["planned", "achieved"]
USUAL = {"plus": "usual"}

#: Invented: three patients, two teeth, three movements, two courses; every second plan is negative.
RECORDS = pd.DataFrame(
    [
        (f"P{p:03d}", tooth, movement, course, s * size * p, round(s * size * p * 0.6 + off, 4))
        for p in (1, 2, 3)
        for tooth, s in ((11, 1), (36, -1))
        for movement, size in (("vertical", 0.5), ("torque", 4.0), ("rotation", 7.0))
        for course, off in ((1, 0.0), (2, 0.1 * s))
    ],
    columns=[*KEY, *NUMBERS],
)
RECORDS.loc[RECORDS["course"] == 2, "planned"] *= 0.5
RECORDS.loc[RECORDS["course"] == 2, "achieved"] *= 0.5
FIRST = RECORDS[RECORDS["course"] == 1]
VERTICAL = RECORDS[RECORDS["movement"] == "vertical"]


def lines(frame, headings=None):
    cells = frame.astype(object).where(frame.notna(), None)
    return [list(headings or frame.columns), *cells.to_numpy().tolist()]


def csv(folder, rows, separator=","):
    file = folder / "cases.csv"
    said = [separator.join("" if c is None else str(c) for c in row) for row in rows]
    file.write_text("\n".join(said) + "\n", encoding="utf-8")
    return file


def book(folder, sheets, merged=()):
    workbook = Workbook()
    workbook.remove(workbook.active)
    for name, rows in sheets.items():
        sheet = workbook.create_sheet(name)
        for row in rows:
            sheet.append(row)
        for block in merged:
            sheet.merge_cells(block)
    workbook.save(folder / "cases.xlsx")
    return folder / "cases.xlsx"


def by_movement(frame, keys=("patient", "tooth")):
    """A row for each tooth, planned and achieved of each movement beside each other."""
    wide = frame.pivot(index=list(keys), columns="movement", values=NUMBERS)
    order = [(number, m) for m in ("vertical", "torque", "rotation") for number in NUMBERS]
    return [[*i, *row] for i, row in zip(wide.index, wide[order].to_numpy().tolist(), strict=True)]


def is_read(file, answers, truth=RECORDS, *, asked=None):
    """The file is read to ``truth``, and exactly these questions are asked on the way."""
    proposal, found = propose_mapping(file), []
    while proposal.open:
        question = proposal.open[0]
        found.append(question.key)
        proposal = proposal.answer({question.key: answers[question.key]})
    assert set(found) == set(answers if asked is None else asked)
    cohort = proposal.read()
    records = cohort.movements.set_index(KEY)[NUMBERS].sort_index().astype(float)
    pd.testing.assert_frame_equal(
        records, truth.set_index(KEY)[NUMBERS].sort_index(), check_index_type=False
    )
    return cohort


# Signs --------------------------------------------------------------------------------------------


def test_which_way_a_plus_is_is_asked_where_no_word_says_it(tmp_path):
    turned = RECORDS.copy()
    turned.loc[turned["movement"] == "vertical", NUMBERS] *= -1
    file = csv(tmp_path, lines(turned))
    with pytest.raises(CannotAnswer, match="plus"):
        propose_mapping(file).accepted()
    (question,) = propose_mapping(file).open
    assert "P001" not in question.why
    assert "would be read as" in question.why
    assert not question.proposed
    one_by_one = {"plus:vertical": "negative", "plus:torque": "positive"}
    is_read(file, {"plus": "other", "plus:rotation": "positive", **one_by_one})


def test_a_sign_that_depends_on_the_arch_cannot_be_read(tmp_path):
    answers = {"plus": "other"} | {
        f"plus:{m}": "neither" for m in ("vertical", "torque", "rotation")
    }
    with pytest.raises(CannotAnswer, match="direction of each record in words"):
        propose_mapping(csv(tmp_path, lines(RECORDS)), answers).accepted()


def test_positions_have_a_direction_too(tmp_path):
    down = RECORDS.assign(start=50.0)
    for name in NUMBERS:
        down[name] = down["start"] - down[name]
    file = csv(tmp_path, lines(down[[*KEY, "start", *NUMBERS]].round(6)))
    each = {f"plus:{m}": "negative" for m in ("vertical", "torque", "rotation")}
    answers = {"values": "positions", "plus": "other", **each}
    is_read(file, answers)


WAYS = {
    ("vertical", True): "Extrusion", ("vertical", False): "Intrusion",
    ("torque", True): "vestibulaire", ("torque", False): "palatin",
    ("rotation", True): "mésio-vestibulaire", ("rotation", False): "mésio-lingual",
}  # fmt: skip


def with_ways(frame):
    ways = [WAYS[m, p > 0] for m, p in zip(frame["movement"], frame["planned"], strict=True)]
    return frame.assign(way=ways)[["patient", "tooth", "movement", "way", "course", *NUMBERS]]


HEADS = ["Patient", "Dent", "Mouvement", "Sens", "Série", "Prévu", "Obtenu"]


def test_words_that_agree_with_the_signs_answer_for_them(tmp_path):
    file = csv(tmp_path, lines(with_ways(RECORDS), HEADS), ";")
    is_read(file, {"sign": "numbers"})


def test_words_that_contradict_every_sign_turn_them_round(tmp_path):
    turned = with_ways(RECORDS)
    turned.loc[turned["movement"] == "vertical", NUMBERS] *= -1
    is_read(csv(tmp_path, lines(turned, HEADS), ";"), {"sign": "numbers"})


@pytest.mark.parametrize(("slips", "asked"), [(6, []), (7, ["plus"])])
def test_words_that_contradict_some_signs_are_slips_up_to_half(tmp_path, slips, asked):
    frame = with_ways(VERTICAL)
    frame.iloc[:slips, -2:] *= -1
    proposal = propose_mapping(csv(tmp_path, lines(frame, HEADS), ";")).answer(sign="numbers")
    assert [q.key for q in proposal.open] == asked
    if not asked:
        assert len(proposal.read().excluded) == slips


def test_plus_and_minus_beside_sizes_are_asked_once_a_movement(tmp_path):
    sizes = RECORDS.assign(x=["+" if p > 0 else "\u2212" for p in RECORDS["planned"]])
    sizes[NUMBERS] = sizes[NUMBERS].abs()
    each = {f"direction:{m}:+": "positive" for m in ("vertical", "torque", "rotation")}
    is_read(csv(tmp_path, lines(sizes)), {"sign": "words", **each})


def test_words_that_depend_on_the_arch_cannot_be_read(tmp_path):
    up = (VERTICAL["planned"] > 0) == (VERTICAL["tooth"] > 30)
    sizes = VERTICAL.assign(direction=up.map({True: "up", False: "down"}))
    sizes[NUMBERS] = sizes[NUMBERS].abs()
    answers = {"sign": "words"}
    with pytest.raises(CannotAnswer, match="'down' has no one meaning"):
        propose_mapping(
            csv(tmp_path, lines(sizes)), {**answers, "direction:vertical:down": "neither"}
        ).accepted()


def test_two_directions_beside_each_other_with_blank_codes(tmp_path):
    heads = ["patient", "tooth", "course", "intrusion planned", "intrusion achieved"]
    heads += ["extrusion planned", "extrusion achieved"]
    rows = [["P001", 11, None, 1, 0.5, 0, 0], ["P001", None, 2, 0, 0, 1, 0.5]]
    answers = {"sign": "words", "fill:tooth": "no", "notation": "fdi"}
    proposal = propose_mapping(csv(tmp_path, [heads, *rows]), answers)
    assert not proposal.open
    assert proposal.read().movements["planned"].tolist() == [-1]


@pytest.mark.parametrize("other", [None, 0])
def test_columns_of_the_two_directions_of_one_movement(tmp_path, other):
    rows = []
    for patient, tooth, _, course, planned, achieved in VERTICAL.itertuples(index=False):
        pair = [abs(planned), abs(achieved)]
        both = [*pair, other, other] if planned < 0 else [other, other, *pair]
        rows.append([patient, tooth, course, *both])
    heads = ["Patient", "Zahn", "Serie"]
    heads += [f"{way} {n}" for way in ("Intrusion", "Extrusion") for n in ("geplant", "erreicht")]
    is_read(csv(tmp_path, [heads, *rows], ";"), {"sign": "words"}, VERTICAL)


# Headings that stand more than once ---------------------------------------------------------------


def test_a_second_table_beside_the_first_is_asked_for_and_read(tmp_path):
    left, right = lines(RECORDS[:20]), lines(RECORDS[20:])
    rows = [[*a, None, *b] for a, b in zip(left, right + [[None] * 6] * 4, strict=True)]
    file = book(tmp_path, {"R": rows})
    is_read(file, {"again:R": "tables", **USUAL})
    own = propose_mapping(file, {"again:R": "own", **USUAL}).read()
    assert len(own.movements) == 20


def test_a_table_for_each_course_beside_the_other(tmp_path):
    keys = ["patient", "tooth", "movement", *NUMBERS]
    of = [lines(RECORDS.loc[RECORDS["course"] == c, keys]) for c in (1, 2)]
    rows = [a + b for a, b in zip(*of, strict=True)]
    top = ["Course 1", None, None, None, None, "Course 2", None, None, None, None]
    is_read(book(tmp_path, {"R": rows}), {"again:R": "courses", **USUAL})
    is_read(book(tmp_path, {"R": [top, *rows]}), {"again:R": "tables", **USUAL})


def test_columns_of_movements_that_come_again_are_the_next_course(tmp_path):
    of = [by_movement(RECORDS[RECORDS["course"] == c]) for c in (1, 2)]
    heads = [f"{m} {n}" for m in ("vertical", "torque", "rotation") for n in NUMBERS]
    rows = [a + b[2:] for a, b in zip(*of, strict=True)]
    file = csv(tmp_path, [["Patient", "Tooth", *heads, *heads], *rows])
    assert not propose_mapping(file).open[0].proposed
    is_read(file, {"again": "courses", **USUAL})


@pytest.mark.parametrize("merged", [True, False])
def test_courses_in_headings(tmp_path, merged):
    wide = RECORDS.pivot(index=KEY[:3], columns="course", values=NUMBERS)
    wide = wide[[(n, c) for c in (1, 2) for n in NUMBERS]]
    rows = [[*i, *r] for i, r in zip(wide.index, wide.to_numpy().tolist(), strict=True)]
    flat = [[*KEY[:3], *[f"{n} course {c}" for c in (1, 2) for n in NUMBERS]]]
    two = [[None, None, None, "Course 1", None, "Course 2", None], [*KEY[:3], *NUMBERS * 2]]
    blocks = ["D1:E1", "F1:G1"]
    file = book(tmp_path, {"R": (two if merged else flat) + rows}, blocks if merged else ())
    is_read(file, USUAL)


def test_merged_headings_end_where_the_merged_cells_end(tmp_path):
    upper = ["", "", "Vertical", None, "Torque", None, "Rotation", None, None, None]
    lower = ["Patient", "Tooth", *NUMBERS * 3, "aim", "clinician"]
    rows = [[*row, None, "A"] for row in by_movement(FIRST)]
    for row in rows:
        row[8] = 9.0
    file = book(tmp_path, {"R": [upper, lower, *rows]}, ["C1:D1", "E1:F1", "G1:H1"])
    cohort = is_read(file, USUAL, FIRST)
    assert (cohort.movements["aim"] == 9.0).all()


@pytest.mark.parametrize("taken", ["achieved", "achieved (2)"])
def test_which_of_two_columns_of_one_heading_counts_is_asked(tmp_path, taken):
    other = RECORDS.assign(again=RECORDS["achieved"] + 0.2)
    file = csv(tmp_path, lines(other, [*KEY, "planned", "achieved", "achieved"]))
    truth = RECORDS if taken == "achieved" else RECORDS.assign(achieved=other["again"])
    is_read(file, {"which:achieved": taken, **USUAL}, truth)


# Titles, sheets, quadrants ------------------------------------------------------------------------


@pytest.mark.parametrize("levels", [1, 2])
def test_titles_tell_patient_and_course(tmp_path, levels):
    rows = []
    for patient, of_patient in RECORDS.groupby("patient"):
        rows += [[f"Patient {patient}"]] if levels == 2 else []
        for course, block in of_patient.groupby("course"):
            above = f"Course {course}" if levels == 2 else f"Patient {patient}, course {course}"
            rows += [[above], *lines(block[["tooth", "movement", *NUMBERS]]), []]
    is_read(book(tmp_path, {"R": rows}), {"patient": "title", **USUAL})


def test_a_value_in_a_sheet_called_planned_is_planned(tmp_path):
    heads = ["Patient", "Zahn", "Bewegung", "Serie", "Wert"]
    sheets = {
        "Geplant": lines(RECORDS[[*KEY, "planned"]], heads),
        "Erreicht": lines(RECORDS[[*KEY, "achieved"]], heads),
    }
    is_read(book(tmp_path, sheets), {"values": "changes", **USUAL})


@pytest.mark.parametrize("names", [{1: 1, 3: 3}, {1: "UR", 3: "LL"}])
def test_a_column_of_quadrants_beside_the_tooth(tmp_path, names):
    teeth = RECORDS.assign(
        quadrant=(RECORDS["tooth"] // 10).map(names), tooth=RECORDS["tooth"] % 10
    )
    rows = lines(teeth[["patient", "quadrant", "tooth", "movement", "course", *NUMBERS]])
    is_read(csv(tmp_path, rows), USUAL)


def test_a_tooth_of_another_quadrant_than_its_row_says_is_left_out(tmp_path):
    teeth = RECORDS.assign(quadrant=RECORDS["tooth"] // 10)
    teeth.loc[0, "quadrant"] = 2
    rows = lines(teeth[["patient", "quadrant", "tooth", "movement", "course", *NUMBERS]])
    cohort = propose_mapping(csv(tmp_path, rows), USUAL).read()
    assert cohort.excluded["row"].tolist() == [2]


def test_fdi_numbers_with_a_comma(tmp_path):
    teeth = RECORDS.assign(tooth=[f"{t // 10},{t % 10}" for t in RECORDS["tooth"]])
    is_read(csv(tmp_path, lines(teeth), ";"), USUAL)


def test_courses_in_words(tmp_path):
    words = RECORDS.assign(course=RECORDS["course"].map({1: "first", 2: "2nd"}))
    is_read(csv(tmp_path, lines(words)), USUAL)


# Numbers ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("unit", "factor"), [("cm", 10.0), ("\u00b5m", 0.001)])
def test_lengths_in_other_units_become_millimetres(tmp_path, unit, factor):
    """1 cm is 10 mm and 1 µm is 0.001 mm (SI Brochure, 9th edition 2019, table 7)."""
    other = VERTICAL.assign(**{n: (VERTICAL[n] / factor).round(9) for n in NUMBERS})
    rows = lines(other, [*KEY, f"planned ({unit})", f"achieved ({unit})"])
    said = {f"which:{n}": f"{n} ({unit})" for n in NUMBERS}
    is_read(csv(tmp_path, rows), {**said, **USUAL}, VERTICAL)


def test_units_in_a_column_of_their_own_hold(tmp_path):
    other = RECORDS.assign(unit=RECORDS["movement"].map({"vertical": "mm"}).fillna("rad"))
    angles = other["unit"] == "rad"
    other.loc[angles, NUMBERS] = (other.loc[angles, NUMBERS] * math.pi / 180).round(12)
    is_read(csv(tmp_path, lines(other)), USUAL)
    wrong = csv(tmp_path, lines(other.assign(unit="mm")))
    found = propose_mapping(wrong, USUAL).read()
    assert set(found.movements["movement"]) == {"vertical"}


@pytest.mark.parametrize("heading", ["achieved", "accuracy %"])
def test_shares_of_the_plan_are_no_changes(tmp_path, heading):
    share = 100 * RECORDS["achieved"] / RECORDS["planned"]
    cells = [f"{s:.9g} %" if heading == "achieved" else round(s, 9) for s in share]
    rows = lines(RECORDS.assign(achieved=cells), [*KEY, "planned", heading])
    asked = {} if heading == "achieved" else {"which:achieved": heading}
    is_read(csv(tmp_path, rows), {**asked, **USUAL})


def test_numbers_that_go_on_counting_are_asked_for_whatever_their_signs(tmp_path):
    made = [
        (f"P{p:03d}", tooth, "vertical", c, round(s * (0.5 + 0.1 * p) * (-1) ** c, 3))
        for p in range(1, 5)
        for tooth, s in ((11, 1), (21, -1), (31, 1), (41, -1))
        for c in (1, 2)
    ]
    frame = pd.DataFrame(made, columns=[*KEY, "planned"])
    frame["achieved"] = (frame["planned"] * 0.6).round(4)
    of = frame.groupby(["patient", "tooth"])["achieved"]
    before = of.shift(fill_value=0.0)
    on = frame.assign(planned=frame["planned"] + before, achieved=frame["achieved"] + before)
    file = csv(tmp_path, lines(on.round(6)))
    assert propose_mapping(file).open[0].proposed == "treatment"
    is_read(file, {"counted_from": "treatment", **USUAL}, frame)


# What is no record, and what has slipped ----------------------------------------------------------


def test_totals_between_records_are_not_filled_down_into_records(tmp_path):
    rows = [list(RECORDS.columns)]
    for patient, block in RECORDS.groupby("patient"):
        rows += lines(block)[1:]
        rows.append([f"Total {patient}", None, None, None, block["planned"].sum(), 1])
    is_read(csv(tmp_path, rows), USUAL)
    rows[2][1] = None
    proposal = propose_mapping(csv(tmp_path, rows), {"fill:tooth": "yes", **USUAL})
    assert len(proposal.read().movements) == len(RECORDS)


def test_decimal_commas_between_commas_are_asked_about(tmp_path):
    cells = RECORDS.astype(object)
    for name in NUMBERS:
        cells[name] = [f"{v:.2f}".replace(".", ",") for v in RECORDS[name]]
    file = csv(tmp_path, lines(cells))
    keys = {q.key for q in propose_mapping(file).open}
    assert {"unheaded:7", "unheaded:8"} <= keys
    slipped = propose_mapping(file, {"unheaded:7": "slipped", "unheaded:8": "slipped"})
    with pytest.raises(CannotAnswer, match="save the file with semicolons"):
        slipped.accepted()


def test_rows_that_are_only_counted_need_no_heading(tmp_path):
    rows = [["", *RECORDS.columns], *([i, *r] for i, r in enumerate(lines(RECORDS)[1:]))]
    assert not any("unheaded" in q.key for q in propose_mapping(csv(tmp_path, rows)).open)


def test_a_table_on_its_side_is_said_to_be_one(tmp_path):
    rows = [list(row) for row in zip(*lines(RECORDS), strict=True)]
    proposal = propose_mapping(csv(tmp_path, rows))
    assert not proposal.open
    with pytest.raises(CannotAnswer, match="transposed"):
        proposal.accepted()


@pytest.mark.parametrize(("lost", "kept"), [(7, True), (8, False)])
def test_a_mapping_that_loses_more_than_a_fifth_is_not_accepted_unseen(tmp_path, lost, kept):
    """A fifth of 36 records is 7.2."""
    other = RECORDS.astype(object)
    other.loc[: lost - 1, "achieved"] = "x"
    said = []
    voice = Voice(said.append, lambda *_: None, lambda _: "", lambda _: True)
    proposal = propose_mapping(csv(tmp_path, lines(other)), USUAL)
    assert (confirmed(proposal, voice, accept=True) is not None) == kept
    assert any("Not accepted unseen" in text for text in said) != kept


def test_the_mapping_of_such_a_file_reads_it_again(tmp_path):
    left, right = lines(RECORDS[:20]), lines(RECORDS[20:])
    rows = [[*a, None, *b] for a, b in zip(left, right + [[None] * 6] * 4, strict=True)]
    file = book(tmp_path, {"R": rows})
    mapping = propose_mapping(file, {"again:R": "tables", **USUAL}).accepted()
    assert len(read_cohort(file, mapping=mapping).movements) == len(RECORDS)
