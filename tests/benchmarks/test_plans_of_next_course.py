"""The study asks the engine directly: `next_course` must give the plans that it studies."""

import numpy as np
import pytest

from benchmarks.next_course import strategies as by
from benchmarks.next_course import study
from outcomes.overcorrect.plan import BEST, DIRECT

ahead = pytest.importorskip("outcomes.ahead.next_course")


def test_next_course_gives_the_plans_of_the_study():
    from outcomes.predictive.expect import expect

    frames = []

    def watched(frame, movement, **options):
        frames.append(frame)
        return expect(frame, movement, **options)

    records, _ = study.practice_records(watched, "normal", 8, 0)
    known = records[records["known"] & ~records["declined"]]
    expectations = {"vertical": expect(frames[1], "vertical")}
    compared = 0
    for number in np.unique(known["patient"]):
        own = known[known["patient"] == number]
        course = ahead.next_course(
            frames[1], f"P{8 + number + 1:03d}", expectations=expectations, alternatives=False
        )
        options = course.plan.options
        for name, option in ((by.NEXT_MEAN, DIRECT), (by.NEXT_BEST, BEST)):
            given = options[options["option"] == option].set_index("tooth")["planned"].astype(float)
            mine = own[own["strategy"] == by.STRATEGIES.index(name)]
            assert set(given.index.astype(int)) == set(mine["tooth"].tolist())
            for row in mine:
                planned = given.loc[int(row["tooth"])]
                if np.isnan(planned):  # left out, as it lies beyond the records
                    continue
                assert planned == pytest.approx(row["sign"] * row["plan"], abs=1e-3)
                compared += 1
    assert compared >= 10
