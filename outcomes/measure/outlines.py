"""The outlines of crowns at the start, as planned and as achieved, as flat curves to draw.

A crown of the start scan, carried by the motion that was measured: so an outline shows exactly what
the movements say. A tooth that was refused has that of the start alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import ndimage

from outcomes.domain.scan_tables import STAGES
from outcomes.measure.motion import FloatArray, Rigid
from outcomes.measure.view import every_frame, view_of

if TYPE_CHECKING:
    from outcomes.measure.measured import ArchPart, Measured

__all__ = ["OUTLINES", "OUTLINES_FILE", "VIEWS", "crown_mesh", "outlines", "silhouette"]

OUTLINES = ["patient", "course", "arch", "tooth", "stage", "view", "x", "y"]
OUTLINES_FILE = "outlines.csv"
"""Where a report keeps them, so that other reports can draw them without the scans."""
VIEWS = ("occlusal", "frontal")

STEP = 0.1
"""mm: how finely an outline is drawn."""


def outlines(measured: Measured) -> pd.DataFrame:
    """The outline of every crown in both views.

    Parameters
    ----------
    measured
        From scans: landmarks alone have no crowns.

    Returns
    -------
    DataFrame
        patient, course, arch, tooth, stage (start, planned, achieved), view (occlusal, frontal), x,
        y: mm, rightwards (the patient's left) and upwards as drawn, from the middle of the arch's
        teeth; the points of a closed curve in order. No rows where there are no crowns.
    """
    rows = [
        (part.patient, part.course, part.arch, *row)
        for part in measured.arches
        if part.repeat == 1 and every_frame(part)
        for row in _of_arch(part)
    ]
    return pd.DataFrame(rows, columns=OUTLINES)


def crown_mesh(part: ArchPart, tooth: int) -> tuple[FloatArray, Any] | None:
    """Vertices (n, 3) and faces (m, 3) of a tooth's crown on the start scan; None where unknown."""
    detail = part.detail
    chosen = None if detail is None else detail.crowns.get(tooth)
    if chosen is None or len(chosen) < 3:
        return None
    number = np.full(len(detail.start.vertices), -1)
    number[chosen] = np.arange(len(chosen))
    faces = number[detail.start.faces]
    faces = faces[(faces >= 0).all(axis=1)]
    return (detail.start.vertices[chosen], faces) if len(faces) else None


def _of_arch(part: ArchPart) -> Iterator[tuple[int, str, str, float, float]]:
    view = view_of(part.arch, every_frame(part))
    known = () if part.detail is None else sorted(part.detail.crowns)
    for tooth in known:
        crown = crown_mesh(part, tooth)
        if crown is None:
            continue
        points, faces = crown
        motions = {"start": Rigid.identity()} | {
            stage: part.motions[tooth, stage] for stage in STAGES if (tooth, stage) in part.motions
        }
        for stage, motion in motions.items():
            moved = motion.apply(points)
            for name in VIEWS:
                for x, y in silhouette(view.flat(moved, name), faces):
                    yield tooth, stage, name, float(x), float(y)


def silhouette(points: FloatArray, faces: Any) -> FloatArray:
    """The outer outline of flat triangles.

    Parameters
    ----------
    points
        (n, 2), mm.
    faces
        (m, 3), rows of ``points``.

    Returns
    -------
    ndarray
        (k, 2), mm, in order around; the largest piece where they lie apart.

    Examples
    --------
    >>> square = np.array([[0.0, 0], [4, 0], [4, 4], [0, 4]])
    >>> found = silhouette(square, np.array([[0, 1, 2], [0, 2, 3]]))
    >>> np.round(found.max(axis=0) - found.min(axis=0)).tolist()
    [4.0, 4.0]
    """
    from contourpy import contour_generator

    low = points.min(axis=0) - 5 * STEP
    shape = np.ceil((points.max(axis=0) - low) / STEP).astype(int) + 6
    covered = np.zeros(shape, dtype=bool)
    cells = np.floor((_spread(points, faces) - low) / STEP).astype(int)
    covered[cells[:, 0], cells[:, 1]] = True
    closed = ndimage.binary_fill_holes(ndimage.binary_closing(covered, iterations=2))
    numbered, pieces = ndimage.label(closed)
    if pieces > 1:
        closed = numbered == 1 + int(np.argmax(np.bincount(numbered.ravel())[1:]))
    soft = ndimage.gaussian_filter(closed.astype(float), 1.2)
    lines: list[FloatArray] = list(contour_generator(z=soft.T).lines(0.5))  # type: ignore[arg-type]
    longest = max(lines, key=len)[::2]
    return np.asarray(low + (longest + 0.5) * STEP, dtype=float)


def _spread(points: FloatArray, faces: Any) -> FloatArray:
    """Points over triangles, nearer each other than ``STEP``: (k, 2)."""
    corners = points[faces]
    edges = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    parts = np.clip(np.ceil(edges / (0.8 * STEP)), 1, 200).astype(int)
    parts = np.where(parts <= 4, parts, 4 * np.ceil(parts / 4)).astype(int)
    found = [points]
    for n in np.unique(parts):
        i, j = np.meshgrid(np.arange(n + 1), np.arange(n + 1))
        inside = i + j <= n
        share = np.stack([i[inside], j[inside], (n - i - j)[inside]], axis=1) / n
        found.append((share @ corners[parts == n]).reshape(-1, 2))
    return np.concatenate(found)
