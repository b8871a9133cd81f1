"""Flags from measures: beside the rows they concern, each limit on both sides."""

import numpy as np
import pandas as pd
import pytest

from outcomes.ahead.flags import flags_of, missing_said, row_cautions
from outcomes.ahead.result import FLAGS
from outcomes.domain.teeth import arch, tooth_class


def aims(*rows):
    """tooth, movement, aim."""
    table = pd.DataFrame(rows, columns=["tooth", "movement", "aim"])
    return table.assign(
        tooth_class=[tooth_class(t) for t in table["tooth"]],
        arch=[arch(t) for t in table["tooth"]],
    )


def measured(*rows, patient="P001"):
    """measure, tooth, value, after_course."""
    names = ["measure", "tooth", "value", "after_course"]
    return pd.DataFrame(rows, columns=names).assign(patient=patient)


def flagged(measures, asked, planned=None):
    plans = asked["aim"] if planned is None else pd.Series(planned, index=asked.index)
    table = flags_of(measures, "P001", asked, plans)
    assert tuple(table.columns) == FLAGS
    return table, row_cautions(table, asked)


TORQUE = aims((41, "torque", -5.0))


def names(table):
    return [name for name in table["flag"] if name != "not measured"]


@pytest.mark.parametrize(
    ("measure", "at", "past", "flag", "asked"),
    [
        ("recession", 1.0, 0.9, "recession", TORQUE),
        ("keratinised_tissue", 1.9, 2.0, "narrow keratinised tissue", TORQUE),
        ("probing_depth", 4.0, 3.9, "deep pocket", aims((41, "rotation", 5.0))),
        ("gingival_display", 3.0, 2.9, "gummy smile", aims((11, "vertical", 1.0))),
    ],
)
def test_each_limit_on_both_sides(measure, at, past, flag, asked):
    tooth = None if measure == "gingival_display" else 41
    table, said = flagged(measured((measure, tooth, at, 1)), asked)
    assert names(table) == [flag]
    assert len(said[0]) == 1
    table, said = flagged(measured((measure, tooth, past, 1)), asked)
    assert names(table) == []
    assert said == {}


def test_thin_bone_is_what_the_plan_leaves_of_it():
    asked = aims((41, "buccolingual", 0.5))
    # the crown goes 0.5 mm outwards as a whole, and the apex with it: 1.5 leaves 1.0
    table, said = flagged(measured(("apex_to_plate", 41, 1.5, 1)), asked)
    assert names(table) == ["thin bone"]
    assert said[0][0].startswith(
        "Apex 1.50\u00a0mm from the outer plate after course 1. By handbook lengths the plan takes it "
        "0.50\u00a0mm nearer."
    )
    assert names(flagged(measured(("apex_to_plate", 41, 1.51, 1)), asked)[0]) == []
    # the plan counts, not the aim; without a plan the aim
    assert names(flagged(measured(("apex_to_plate", 41, 1.51, 1)), asked, [0.6])[0]) == [
        "thin bone"
    ]
    nothing = flagged(measured(("apex_to_plate", 41, 1.5, 1)), asked, [np.nan])[0]
    assert names(nothing) == ["thin bone"]


def test_torque_takes_the_apex_the_other_way_than_the_crown():
    # half a crown of 9.0 and a root of 12.5 mm (Wheeler, from memory): 17 sin 5 degrees = 1.48 mm
    near, far = (measured(("apex_to_plate", 41, v, 1)) for v in (2.47, 2.49))
    assert names(flagged(near, TORQUE)[0]) == ["thin bone"]
    assert names(flagged(far, TORQUE)[0]) == []
    # crown labially, root lingually: away from the outer plate
    assert names(flagged(near, aims((41, "torque", 5.0)))[0]) == []


def test_a_caution_stands_beside_the_rows_it_concerns_alone():
    asked = aims((41, "torque", -5.0), (41, "vertical", -1.0), (31, "torque", -5.0))
    measures = measured(("recession", 41, 2.0, 1), ("recession", 31, 0.0, 1))
    _, said = flagged(measures, asked)
    assert list(said) == [0]
    text = said[0][0]
    assert text.startswith("Recession of 2.00\u00a0mm after course 1.")
    assert "lingual" in text
    assert "root labially" in text
    assert "costs more here" in text


def test_the_latest_measure_counts_and_only_the_patients():
    earlier = measured(("recession", 41, 2.0, 0), ("recession", 41, 0.4, 1))
    assert names(flagged(earlier, TORQUE)[0]) == []
    blank = measured(("recession", 41, 2.0, 0), ("recession", 41, np.nan, 1))
    table, said = flagged(blank, TORQUE)
    assert names(table) == ["recession"]
    assert "Recession of 2.00\u00a0mm at the start." in said[0][0]
    assert names(flagged(measured(("recession", 41, 2.0, 0), patient="P002"), TORQUE)[0]) == []


def test_what_was_not_measured_is_said_and_is_no_zero():
    asked = aims((41, "torque", -5.0), (31, "vertical", -1.0), (11, "vertical", 1.0))
    table, said = flagged(pd.DataFrame(), asked)
    assert table["flag"].tolist() == ["not measured"] * 3
    assert said == {}
    assert missing_said(table) == (
        "Not recorded, and to be looked at before these plans are used: recession at 41; bone in "
        "front of the apex at 41; gum shown on smiling."
    )
    assert missing_said(table[:0]) == ""


def test_intrusion_of_upper_incisors_shows_no_more_gum():
    measures = measured(("gingival_display", None, 5.0, 0))
    for asked in (
        aims((11, "vertical", -1.0)),
        aims((31, "vertical", 1.0)),
        aims((16, "vertical", 1.0)),
    ):
        table, said = flagged(measures, asked)
        assert names(table) == []
        assert said == {}
