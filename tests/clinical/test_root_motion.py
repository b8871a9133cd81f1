"""Apices of measured teeth: carried along by the same rigid motion as the crown."""

import numpy as np
import pandas as pd
import pytest

from outcomes.clinical.root_motion import root_motion
from outcomes.clinical.roots import apex_displacement
from outcomes.errors import CannotAnswer
from outcomes.measure.landmarks import measure_landmarks
from outcomes.measure.motion import fit_rigid
from tests.measure.test_landmarks import LOWER, table, truth


@pytest.fixture(scope="module")
def points():
    return table(LOWER, truth(LOWER), patient="P001")


@pytest.fixture(scope="module")
def measured(points):
    lost = (points["model"] == "achieved") & (points["tooth"] == 42)
    return measure_landmarks(points[~lost])


def test_the_apex_goes_with_the_points_of_its_crown(measured, points):
    found = root_motion(measured)
    assert sorted(found.table["tooth"]) == [31, 32, 41]
    for row in found.table.itertuples():
        of_tooth = points[points["tooth"] == row.tooth]
        before, after = (
            of_tooth.loc[of_tooth["model"] == m, ["x", "y", "z"]].to_numpy(float)
            for m in ("start", "achieved")
        )
        start = np.array([row.apex_start_x, row.apex_start_y, row.apex_start_z])
        end = np.array([row.apex_end_x, row.apex_end_y, row.apex_end_z])
        np.testing.assert_allclose(fit_rigid(before, after)[0].apply(start), end, atol=1e-9)
        assert np.linalg.norm(end - start) == pytest.approx(row.apex_distance)
        assert start[2] < before[:, 2].min()  # a lower tooth: its apex lies below its crown


def test_as_the_movements_alone_say(measured):
    alone = apex_displacement(measured.movements.query("tooth != 42")).table.set_index("tooth")
    with_scan = root_motion(measured).table.set_index("tooth")
    columns = ["arm", "apex_mesial", "apex_buccal", "apex_vertical", "apex_distance"]
    pd.testing.assert_frame_equal(
        with_scan[columns], alone.loc[with_scan.index, columns], check_like=True
    )


def test_a_tooth_that_was_not_measured_is_named(measured):
    found = root_motion(measured)
    assert "P001 42 (course 1)" in " ".join(found.notes)
    assert "neither the root nor the bone was seen" in found.caution
    assert found.caution in repr(found)
    assert found.caution in found._repr_html_()
    assert 42 in set(root_motion(measured, of="planned").table["tooth"])


def test_wrong_questions(measured):
    with pytest.raises(CannotAnswer, match="achieved"):
        root_motion(measured, of="aim")
    with pytest.raises(CannotAnswer, match="No root length"):
        root_motion(measured, teeth=[71])
