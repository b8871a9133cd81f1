"""The arch curve: a smooth curve through clicked points, which keeps its form where they are few.

A half ellipse of usual size, walked along by usual crown widths, says where each tooth is expected.
It is laid on the points (turned, shifted, scaled, mirrored or not), then bent towards them as far
as the points ask for it: a regression whose prior is that form, so that three points bend it little
and fourteen as much as they need. Points far off (crowded teeth) weigh little.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from outcomes.domain.teeth import CROWN_WIDTH
from outcomes.domain.teeth import arch as arch_of
from outcomes.domain.teeth import side as side_of
from outcomes.measure.motion import FloatArray

__all__ = ["ArchForm", "expected_places", "lay_on", "size_beside_usual"]

ELLIPSE = {"upper": (29.0, 48.0), "lower": (26.0, 44.0)}
"""Half width and depth of the arch through the middles of the crowns, mm (common practice, no
source); only where the fit starts, as width, depth and form follow the points."""

CLICK = 0.8
"""mm, SD of points about a smooth curve: clicks and the usual unevenness of teeth."""
FAR = 2.0
"""mm, from where a point's pull fades."""
BEND = 0.3
"""SD of the change of width and depth, as a share; of further bends: BEND_MM, mm, in WAVES orders."""
BEND_MM = 8.0
WAVES = 9
SLIDE = 14.0
"""mm that a tooth may stand along the curve from where usual widths expect it."""
_STEP = 0.25


def expected_places(teeth: Sequence[int]) -> FloatArray:
    """Place of each tooth along the arch from the midline, mm, the patient's left positive, (n,)."""
    places = []
    for tooth in teeth:
        widths, position = CROWN_WIDTH[str(arch_of(tooth))], tooth % 10
        distance = sum(widths[: position - 1]) + widths[position - 1] / 2
        places.append(distance if side_of(tooth) == "left" else -distance)
    return np.array(places, dtype=float)


def size_beside_usual(xyz: FloatArray, teeth: Sequence[int]) -> float:
    """Median of the distances between teeth over those of the usual arch; NaN for one tooth.

    Parameters
    ----------
    xyz
        (n, 3), mm.
    teeth
        n FDI numbers of one arch.
    """
    usual = _at(*_usual(str(arch_of(teeth[0]))), expected_places(teeth))
    one, other = np.triu_indices(len(teeth), 1)
    apart = np.abs(usual[one] - usual[other])
    far = apart > 4.0
    if not far.any():
        return float("nan")
    seen = np.linalg.norm(xyz[one] - xyz[other], axis=1)
    return float(np.median(seen[far] / apart[far]))


@dataclass(frozen=True, slots=True, eq=False)
class ArchForm:
    """The curve as laid on points of a plane.

    Attributes
    ----------
    places
        (n,), where along the usual arch each tooth lies, mm, the patient's left positive.
    tangents
        (n, 2), unit vectors along the curve at each tooth, towards the patient's left.
    left, front
        (2,), unit vectors of the whole arch.
    misfit
        mm, median distance of points from where usual widths and form expect them.
    curve
        (m, 2), the curve from end to end.
    """

    places: FloatArray
    tangents: FloatArray
    left: FloatArray
    front: FloatArray
    misfit: float
    curve: FloatArray


def lay_on(points: FloatArray, teeth: Sequence[int], *, mirrored: bool) -> ArchForm:
    """The arch curve through the points of teeth.

    Parameters
    ----------
    points
        (n, 2), mm, n at least 2.
    teeth
        n FDI numbers of one arch.
    mirrored
        Whether the front lies clockwise of the patient's left in the plane's coordinates.

    Returns
    -------
    ArchForm
    """
    arch = str(arch_of(teeth[0]))
    along, usual = _usual(arch)
    expected = expected_places(teeth)
    flat = points[:, 0] + 1j * points[:, 1]
    if mirrored:
        flat = flat.conj()
    here = _at(along, usual, expected)
    turn, shift, misfit = _similar(here, flat)
    # In the coordinates of the usual arch, so that left is +x and front +y.
    lying = (flat - shift) / turn
    size = float(abs(turn))
    bent, slopes, places = _bend(along, usual, lying, expected, size)
    tangents = _at(along, slopes, places) * turn
    tangents = tangents / np.abs(tangents)
    ends = (along >= places.min() - 4.0) & (along <= places.max() + 4.0)
    curve = bent[ends] * turn + shift
    left = turn / abs(turn)

    def plane(values: np.ndarray) -> FloatArray:
        values = np.conj(values) if mirrored else values
        return np.stack([values.real, values.imag], axis=-1)

    return ArchForm(
        places=places,
        tangents=plane(tangents),
        left=plane(np.asarray(left)),
        front=plane(np.asarray(1j * left)),
        misfit=misfit,
        curve=plane(curve),
    )


def _usual(arch: str) -> tuple[FloatArray, np.ndarray]:
    """Places along the usual arch, mm, and where they lie: x left, y front, as complex numbers."""
    half, depth = ELLIPSE[arch]
    angle = np.linspace(-np.pi * 0.62, np.pi * 0.62, 4001)
    curve = half * np.sin(angle) + 1j * depth * np.cos(angle)
    lengths = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(curve)))])
    lengths -= lengths[-1] / 2
    along = np.arange(np.ceil(lengths[0]), lengths[-1], _STEP)
    return along, _at(lengths, curve, along)


def _at(along: FloatArray, values: np.ndarray, places: FloatArray) -> np.ndarray:
    return np.interp(places, along, values.real) + 1j * np.interp(places, along, values.imag)


def _similar(usual: np.ndarray, flat: np.ndarray) -> tuple[complex, complex, float]:
    """Turn and scale, shift of the usual places onto the points, and the median misfit, mm."""
    weight = np.ones(len(flat))
    turn, shift = 1.0 + 0j, 0j
    for _ in range(12):
        share = weight / weight.sum()
        middle, to = share @ usual, share @ flat
        spread = share @ np.abs(usual - middle) ** 2
        turn = complex((share * (usual - middle).conj()) @ (flat - to) / spread)
        if not abs(turn) > 0:
            turn = 1e-9 + 0j
        shift = complex(to - turn * middle)
        off = np.abs(turn * usual + shift - flat)
        scale = max(float(np.median(off)) * 1.5, 1e-9)
        weight = 1.0 / (1.0 + (off / scale) ** 2) if len(flat) > 4 else weight
    return turn, shift, float(np.sqrt(np.mean(np.minimum(off, 2 * scale) ** 2)))


def _bend(
    along: FloatArray, usual: np.ndarray, lying: np.ndarray, expected: FloatArray, size: float
) -> tuple[np.ndarray, np.ndarray, FloatArray]:
    """The curve bent towards the points, its slope, and the place of each point along it."""
    reach = float(np.abs(along).max())
    basis, prior = _basis(along, usual, reach)
    click, far = CLICK / size, FAR / size
    places, weight = expected.copy(), np.ones(len(lying))
    bent = usual
    for _ in range(8):
        rows, prior_rows = _rows(along, basis, places), np.diag(click / prior)
        root = np.sqrt(weight)
        target = lying - _at(along, usual, places)
        design = np.vstack([rows * root[:, None], prior_rows])
        values = np.concatenate([target * root, np.zeros(len(prior))])
        found = np.linalg.lstsq(design.astype(complex), values, rcond=None)[0]
        bent = usual + basis @ found
        near = _nearest(along, bent, lying, expected)
        places = 0.5 * places + 0.5 * near
        off = np.abs(lying - _at(along, bent, near))
        weight = 1.0 / (1.0 + (off / far) ** 2)
    slopes = np.gradient(bent, along)
    return bent, slopes, _nearest(along, bent, lying, expected)


def _basis(along: FloatArray, usual: np.ndarray, reach: float) -> tuple[FloatArray, FloatArray]:
    """Ways to bend (m, k), and the SD expected of each: shift, width, depth, then smooth waves."""
    u = along / reach
    waves = [np.polynomial.legendre.Legendre.basis(k)(u) for k in range(1, WAVES + 1)]
    columns = [np.ones(len(along)), usual.real, usual.imag - usual.imag.mean(), *waves]
    sd = [20.0, BEND, BEND, *(BEND_MM / max(1.0, k / 2) for k in range(1, WAVES + 1))]
    return np.stack(columns, axis=1), np.array(sd)


def _rows(along: FloatArray, basis: FloatArray, places: FloatArray) -> FloatArray:
    return np.stack([np.interp(places, along, column) for column in basis.T], axis=1)


def _nearest(
    along: FloatArray, bent: np.ndarray, lying: np.ndarray, expected: FloatArray
) -> FloatArray:
    """Place of the curve nearest to each point, not further than SLIDE from where it is expected."""
    off = np.abs(lying[:, None] - bent[None, :])
    off[np.abs(along[None, :] - expected[:, None]) > SLIDE] = np.inf
    return along[off.argmin(axis=1)]
