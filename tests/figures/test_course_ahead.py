"""The figure of a coming course draws the numbers of its plan, and names what has none."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import CannotAnswer
from outcomes.figures.base import alt_text
from outcomes.figures.coming import course_ahead
from outcomes.overcorrect.plan import BEST, DIRECT


def course(planned=-3.0):
    """An intrusion of 2 mm expected to bring 1.5 mm, and a rotation without a plan."""
    aims = pd.DataFrame(
        {
            "tooth": [41, 13],
            "movement": ["vertical", "rotation"],
            "unit": ["mm", "degree"],
            "aim": [-2.0, 12.0],
            "tolerance": [0.5, 2.0],
        }
    )
    best = {
        "at": [0, 1],
        "option": BEST,
        "planned": [planned, np.nan],
        "expected": [-1.5, np.nan],
        "low_80": [-2.2, np.nan],
        "high_80": [-0.8, np.nan],
    }
    other = {**best, "option": DIRECT, "planned": [-9.0, 30.0]}
    options = pd.concat([pd.DataFrame(best), pd.DataFrame(other)])
    plan = SimpleNamespace(aims=aims, options=options)
    return SimpleNamespace(patient="P007", course=2, plan=plan)


def test_expected_range_and_tolerance_are_shares_of_the_aim():
    ax = course_ahead(course())
    line = ax.containers[1]
    assert line.lines[0].get_xdata() == pytest.approx([75.0])
    (segment,) = line.lines[2][0].get_segments()
    # from 0.8 to 2.2 of 2 mm, whichever way the tooth goes
    assert segment[:, 0] == pytest.approx([40.0, 110.0])
    (band,) = ax.containers[0].patches
    assert (band.get_x(), band.get_width()) == pytest.approx((75.0, 50.0))
    assert [label.get_text() for label in ax.get_yticklabels()] == ["41 vertical −2.00\u00a0mm"]


def test_an_aim_without_a_plan_is_named_not_drawn():
    ax = course_ahead(course())
    assert "Without a plan: 13 rotation +12.0°" in ax.get_xlabel()
    text = alt_text(ax)
    assert text.startswith("Expected after course 2 of P007: 41 vertical −2.00 mm expected 75 %")
    assert text.endswith("Without a plan: 13 rotation +12.0°.")


def test_nothing_to_draw_says_so():
    with pytest.raises(CannotAnswer, match="No aim of P007 has a plan"):
        course_ahead(course(planned=np.nan))
    with pytest.raises(CannotAnswer, match="No aim of P007 has a plan"):
        course_ahead(SimpleNamespace(patient="P007", course=2, plan=None))
