"""Scans laid on each other: from any pose, and on what stood still."""

from dataclasses import replace

import numpy as np
import pytest

from outcomes.measure.motion import Rigid
from outcomes.measure.register import Fit, Patch
from outcomes.measure.superimpose import KEPT, lay_roughly, on_all, on_teeth
from tests.measure.reference_crowns import crowns, error
from tests.measure.shapes import Drawn, posed


def patches():
    return {t: c.patch for t, c in crowns().items()}


def made(moved):
    """Fits as if each crown had moved so, with no error."""
    return {
        t: Fit(m, 0.02, 1.0, np.eye(6) * 500, np.eye(6) * 1e-6, np.inf, np.zeros(10))
        for t, m in moved.items()
    }


FRAME = Rigid.from_matrix(posed(Drawn(np.zeros((1, 3)), np.zeros((1, 3), int)), 5)[1])


def shifted(mm):
    return Rigid(np.eye(3), np.array([mm, 0.0, 0.0])).then(FRAME)


@pytest.mark.parametrize("seed", [1, 2])
def test_from_any_pose(seed):
    every = crowns()
    one = next(iter(every.values()))
    there, back = posed(Drawn(one.mesh.vertices, one.mesh.faces), seed)
    other = type(one.mesh)(there.vertices, there.faces)
    together = Patch(
        np.concatenate([c.patch.points for c in every.values()]),
        np.concatenate([c.patch.normals for c in every.values()]),
    )
    laid = lay_roughly(one.start, together, other)
    mm, degrees = error(laid.motions[0].then(Rigid.from_matrix(back)), np.eye(4), together.centre)
    assert mm < 2.0
    assert degrees < 6.0


def test_listed_teeth_are_the_reference():
    moved = dict.fromkeys(patches(), FRAME) | {34: shifted(1.0)}
    laid = on_teeth(made(moved), patches(), (36, 46))
    assert error(laid.motion.inverse(), FRAME, np.zeros(3)) == pytest.approx((0, 0), abs=1e-5)
    assert laid.residual == pytest.approx(0, abs=1e-6)
    assert not laid.cautions


@pytest.mark.parametrize(("mm", "said"), [(1.9 * KEPT, False), (2.1 * KEPT, True)])
def test_reference_teeth_that_moved_beside_each_other(mm, said):
    """Two equal teeth share what is between them: each lies half of it off."""
    one = patches()[36]
    laid = on_teeth(made({36: FRAME, 46: shifted(mm)}), {36: one, 46: one}, (36, 46))
    assert ("moved beside each other" in " ".join(laid.cautions)) is said


def test_lost_teeth_of_the_reference_are_named():
    fits = made(dict.fromkeys([t for t in patches() if t != 46], FRAME))
    laid = on_teeth(fits, patches(), (36, 46))
    assert laid.teeth == (36,)
    assert "46 could not be used" in " ".join(laid.cautions)
    assert "one tooth" in " ".join(laid.cautions)
    assert on_teeth(fits, patches(), (46,)) is None


def test_of_all_teeth_those_that_kept_their_places():
    moved = dict.fromkeys(patches(), FRAME)
    moved |= {33: shifted(0.8), 43: shifted(-0.7), 34: shifted(0.5)}
    laid = on_all(made(moved), patches())
    assert set(laid.teeth) == set(patches()) - {33, 43, 34}
    assert error(laid.motion.inverse(), FRAME, np.zeros(3)) == pytest.approx((0, 0), abs=1e-5)
    assert "taken to have stood still" in laid.cautions[0]


def test_where_none_kept_its_place_all_count():
    moved = {t: shifted(0.7 * i) for i, t in enumerate(patches())}
    laid = on_all(made(moved), patches())
    assert set(laid.teeth) == set(patches())
    assert "too few teeth kept their places" in laid.cautions[0]


def test_two_teeth_are_no_arch():
    assert on_all(made({36: FRAME, 46: FRAME}), patches()) is None


def test_what_a_crown_knows_well_counts_more():
    """The joint motion lies where the better informed crown was found, not half between."""
    fits = made({36: FRAME, 46: shifted(0.3), 34: shifted(0.2)})
    fits[36] = replace(fits[36], information=fits[36].information * 1e5)
    laid = on_teeth(fits, patches(), (36, 46, 34))
    mm, degrees = error(laid.motion.inverse(), FRAME, patches()[36].centre)
    assert mm < 0.005
    assert degrees < 0.02
