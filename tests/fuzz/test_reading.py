"""A small part of the random inputs, the same every time; README.md says how to read many."""

from collections import Counter

import pandas as pd
import pytest

from outcomes.cohort.read import from_frames
from tests.fuzz import reading


@pytest.mark.parametrize("start", range(0, 200, 40))
def test_random_inputs_are_read_or_refused_and_no_row_is_lost(start):
    kinds = Counter[str]()
    for seed in range(start, start + 40):
        kind, wrong = reading.one(seed)
        assert not wrong, f"input {seed} ({kind}): {wrong}"
        kinds[kind] += 1
    assert len(kinds) >= 4


@pytest.mark.parametrize("seed", [1_006_588, 2_001_383, 3_001_168])
def test_inputs_that_once_went_wrong(seed):
    # The first asked the fast reader for a terabyte, the second lost the texts of a column, and in
    # the third a movement of a zero byte was kept.
    kind, wrong = reading.one(seed)
    assert not wrong, f"{kind}: {wrong}"


def test_a_lost_row_a_lost_code_and_a_lost_reason_are_noticed():
    frame = pd.DataFrame(
        [["P1", 36, "tip", 5, 2], ["007", 36, "tip", 5, None]],
        columns=["patient", "tooth", "movement", "planned", "achieved"],
    )
    cohort = from_frames(frame)
    reading.checked(cohort, reading.Put(2, Counter(["P1", "007"])))
    with pytest.raises(AssertionError, match="3 rows put in, 2 counted"):
        reading.checked(cohort, reading.Put(3))
    with pytest.raises(AssertionError, match="patients put in and found differ"):
        reading.checked(cohort, reading.Put(2, Counter(["P1", "7"])))
    cohort.excluded["reason"] = ""
    with pytest.raises(AssertionError, match="without a reason"):
        reading.checked(cohort, None)


def test_a_lost_cell_and_a_changed_number_are_noticed():
    frame = pd.DataFrame(
        [["P1", "UR3", "tip", 5, 2, "early"], ["P2", "UL3", "tip", "x", None, ""]],
        columns=["patient", "tooth", "movement", "planned", "achieved", "note"],
    )
    cells = {2 + i: list(row.items()) for i, row in enumerate(frame.to_dict("records"))}
    cohort = from_frames(frame, notation="quadrant")
    reading.checked(cohort, reading.Put(2, None, cells))
    cells[2][5] = ("note", "late")
    assert reading.unseen(cohort, cells) == [(2, "note", "late")]
    cells[2][5] = ("", "early")
    cells[2][3] = ("planned", "5.5")
    cells[3][3] = ("planned", "y")
    assert reading.unseen(cohort, cells) == [(2, "planned", "5.5"), (3, "planned", "y")]
