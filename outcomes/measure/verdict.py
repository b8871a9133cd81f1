"""Whether a registered crown is given, with which confidence, or refused, and why.

The error of each crown is predicted from how its motion changes when one part of it after another
is left out, and from the misfit beside the information of its shape; its limits were set on
invented arches (`benchmarks/README.md`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from outcomes.measure.meshes import FloatArray
from outcomes.measure.motion import Rigid
from outcomes.measure.register import Fit, Patch

#: mm: the most that the surface of one crown differs between two scans of it.
SAME_CROWN = 0.10
#: Share of a crown that must be found: to be given at all, and with confidence.
FOUND, SURELY_FOUND = 0.4, 0.6
#: Predicted error, mm and degrees, above which the confidence is low, and a crown is refused.
UNSURE = (0.15, 1.7)
UNUSABLE = (0.4, 5.0)
#: So many standard errors are predicted.
ERRORS = 3.0
#: mm and degrees: more than teeth move in a course, doubtful and not believed.
FAR = (3.5, 25.0)
TOO_FAR = (6.0, 45.0)
#: Another place that fits nearly as well: its cost beside that of the place taken.
RIVAL = 1.25
#: Share of a crown's points in another crown's place, from which one of the two is wrong.
SHARED = 0.12


@dataclass(frozen=True)
class Verdict:
    """Of one crown in one scan.

    Attributes
    ----------
    given
        Whether its motion may be used.
    sure
        Whether its confidence is high.
    reason
        Why not, in words; "" where it is given with high confidence.
    overlap
        Share of the crown found, 0 to 1.
    error
        Predicted, mm and degrees.
    """

    given: bool
    sure: bool
    reason: str
    overlap: float
    error: tuple[float, float]


def predicted_error(fit: Fit, reference: FloatArray | None = None) -> tuple[float, float]:
    """What the motion may be off by, mm (of the centre) and degrees: three standard errors.

    ``reference`` (6, 6): what the superimposition adds.
    """
    if not np.isfinite(fit.residual):
        return np.inf, np.inf
    noise = np.linalg.inv(fit.information) * max(fit.residual, 0.005) ** 2 * INDEPENDENT
    variance = np.diag(fit.spread + noise + (0 if reference is None else reference))
    mm, radians = np.sqrt(variance[:3].sum()), np.sqrt(variance[3:].sum())
    return ERRORS * float(mm), ERRORS * float(np.degrees(radians))


#: Neighbouring points of a scan err together: so many count as one.
INDEPENDENT = 2.0


def noise_of(fits: Mapping[int, Fit]) -> float:
    """mm: how much the same crown differs between two scans, from the crowns that fit."""
    good = [f.residual for f in fits.values() if fits_somewhere(f)]
    return float(np.median(good)) if good else SAME_CROWN


def fits_somewhere(fit: Fit) -> bool:
    """Whether a crown fits as only the same crown does."""
    return fit.residual < 0.6 * SAME_CROWN and fit.overlap_within(SAME_CROWN) > SURELY_FOUND


def judge(
    fit: Fit | None,
    noise: float,
    moved: Rigid | None,
    centre: FloatArray,
    reference: FloatArray | None = None,
) -> Verdict:
    """The verdict on a crown.

    Parameters
    ----------
    fit
        None where there was no surface.
    noise
        mm, of :func:`noise_of`.
    moved
        Its motion after superimposition.
    centre
        (3,), of the crown in the start scan.
    reference
        (6, 6), what the superimposition adds to the covariance of shift and turn.
    """
    if fit is None:
        return _refused("no surface where the crown should be: it is not in this scan", 0.0)
    band = float(np.clip(4.5 * noise, 0.06, OVERLAP_MOST))
    overlap = fit.overlap_within(band)
    mm, degrees = (0.0, 0.0)
    if moved is not None:
        mm = float(np.linalg.norm(moved.apply(centre) - centre))
        degrees = moved.angle()
    if overlap < FOUND:
        why = f"only {overlap:.0%} of the crown was found in this scan: it is missing, covered or changed"
        return _refused(why, overlap)
    error = predicted_error(fit, reference)
    if fit.residual > min(3.0 * noise + 0.02, SAME_CROWN):
        why = f"what was found has another shape ({fit.residual:.2f} mm off): another tooth or a changed crown"
        return _refused(why, overlap, error)
    if mm > TOO_FAR[0] or degrees > TOO_FAR[1]:
        why = f"it would have moved {mm:.1f} mm and turned {degrees:.0f} degrees: not believed"
        return _refused(why, overlap, error)
    if error[0] > UNUSABLE[0] or error[1] > UNUSABLE[1]:
        why = f"its shape does not fix its place (to {error[0]:.1f} mm and {error[1]:.0f} degrees)"
        return _refused(why, overlap, error)
    doubts = []
    if overlap < SURELY_FOUND:
        doubts.append(f"only {overlap:.0%} of the crown was found")
    if fit.residual > 1.8 * noise + 0.01:
        doubts.append(f"it fits less well than the others ({fit.residual:.2f} mm)")
    if fit.rival < RIVAL:
        doubts.append("another place fits nearly as well")
    if error[0] > UNSURE[0] or error[1] > UNSURE[1]:
        doubts.append(f"it may be off by {error[0]:.2f} mm or {error[1]:.1f} degrees")
    if mm > FAR[0] or degrees > FAR[1]:
        doubts.append(f"it moved far ({mm:.1f} mm, {degrees:.0f} degrees)")
    return Verdict(True, not doubts, "; ".join(doubts), overlap, error)


#: mm: the widest band within which a crown is found.
OVERLAP_MOST = 0.15


def _refused(reason: str, overlap: float, error: tuple[float, float] = (np.inf, np.inf)) -> Verdict:
    return Verdict(False, False, reason, overlap, error)


def in_one_place(fits: Mapping[int, Fit], patches: Mapping[int, Patch]) -> list[tuple[int, int]]:
    """Pairs of crowns that were found in one place: (the worse fit, the better)."""
    teeth = sorted(fits)
    at = {t: fits[t].motion.apply(patches[t].points[::4]) for t in teeth}
    facing = {t: patches[t].normals[::4] @ fits[t].motion.rotation.T for t in teeth}
    trees = {t: cKDTree(at[t]) for t in teeth}
    middle = {t: at[t].mean(axis=0) for t in teeth}
    found = []
    for i, a in enumerate(teeth):
        for b in teeth[i + 1 :]:
            if np.linalg.norm(middle[a] - middle[b]) > 15:
                continue
            shared = []
            for one, other in ((a, b), (b, a)):
                off, near = trees[other].query(at[one], distance_upper_bound=0.5)
                hit = np.flatnonzero(np.isfinite(off))
                same = (facing[one][hit] * facing[other][near[hit]]).sum(axis=1) > 0.5
                shared.append(same.sum() / len(at[one]))
            if max(shared) > SHARED:
                worse = max((a, b), key=lambda t: _misfit(fits[t]))
                found.append((worse, b if worse == a else a))
    return found


def _misfit(fit: Fit) -> float:
    return float(np.mean(np.minimum(fit.distances, 0.3) ** 2))
