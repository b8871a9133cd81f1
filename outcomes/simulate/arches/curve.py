"""A line along the arch, by its length from the midline."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from outcomes.simulate.arches.smooth import Floats

STEP = 0.1
_RASTER = 0.6


@dataclass(frozen=True, slots=True)
class ArchCurve:
    """Points of a line in the plane of the arch, ``STEP`` mm apart, and their unit tangents.

    ``length`` is 0 at the midline and grows with x in front.
    """

    length: Floats
    points: Floats
    tangents: Floats
    low: Floats = field(repr=False)
    raster: NDArray[np.int64] = field(repr=False)

    @classmethod
    def of_length(cls, half: float, depth: float) -> "ArchCurve":
        """The beta function as arch form (Braun et al., Angle Orthod 1998;68:29-36), from memory.

        ``half`` is its length from the midline to the last tooth's middle, mm; ``depth`` its depth
        over its width.
        """
        turn = np.linspace(-np.pi / 2, np.pi / 2, 4001)
        x = 0.5 * np.sin(turn)
        y = 3.0314 * depth * ((0.5 + x) * (0.5 - x)) ** 0.8
        size = half / (0.5 * np.hypot(np.diff(x), np.diff(y)).sum())
        points = size * np.column_stack([x, y])
        tail = np.arange(STEP, 25.0, STEP)[:, None] * (0.0, -1.0)
        return cls.through(np.concatenate([points[0] + tail[::-1], points, points[-1] + tail]))

    @classmethod
    def through(cls, line: Floats) -> "ArchCurve":
        """A line of dense points (n, 2); its middle is where x is nearest zero in front."""
        length = np.concatenate([[0.0], np.hypot(*np.diff(line, axis=0).T).cumsum()])
        even = np.arange(0.0, length[-1], STEP)
        points = np.column_stack([np.interp(even, length, line[:, i]) for i in (0, 1)])
        front = np.flatnonzero(points[:, 1] > np.median(points[:, 1]))
        middle = front[np.abs(points[front, 0]).argmin()]
        step = np.gradient(points, axis=0)
        low = points.min(axis=0) - 16.0
        count = np.ceil((points.max(axis=0) + 16.0 - low) / _RASTER).astype(int)
        cells = np.stack(np.meshgrid(*map(np.arange, count), indexing="ij"), axis=-1)
        nearest = cKDTree(points).query((low + (cells + 0.5) * _RASTER).reshape(-1, 2))[1]
        return cls(
            even - even[middle], points, step / np.linalg.norm(step, axis=1, keepdims=True),
            low, nearest.reshape(tuple(count)),
        )  # fmt: skip

    def point(self, at: float) -> Floats:
        """(3,), z 0."""
        return np.array([np.interp(at, self.length, self.points[:, i]) for i in (0, 1)] + [0.0])

    def tangent(self, at: float) -> Floats:
        """Unit (3,), towards larger x in front."""
        step = self.point(at + 0.5) - self.point(at - 0.5)
        unit: Floats = step / np.linalg.norm(step)
        return unit

    def place(self, points: Floats) -> tuple[Floats, Floats]:
        """Length along the line and distance from it, buccal positive, of points (n, 2 or 3)."""
        xy = points[:, :2]
        cell = ((xy - self.low) * (1.0 / _RASTER)).astype(int)
        near = self.raster[
            np.clip(cell[:, 0], 0, self.raster.shape[0] - 1),
            np.clip(cell[:, 1], 0, self.raster.shape[1] - 1),
        ]
        last = len(self.points) - 1
        for again in (True, True, False):
            x, y = (xy - self.points[near]).T
            tx, ty = self.tangents[near].T
            along = x * tx + y * ty
            if again:
                near = np.clip(near + np.rint(along / STEP).astype(int), 0, last)
        return self.length[near] + along, y * tx - x * ty
