"""Crowns, attachments and gum of one scan as one field."""

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from outcomes.simulate.arches.gum import Gum
from outcomes.simulate.arches.layout import Layout, Placed
from outcomes.simulate.arches.smooth import Floats, smaller

FILLET = 0.7
"""Width of the zone in which gum and crown run into each other, mm."""
CONTACT = 0.2
"""The same for two crowns that touch, as a scanner closes the contact."""
CLEAR = 1e-3
"""By how much other bodies must be further away for a vertex to count as the crown's, mm."""


@dataclass(frozen=True, slots=True)
class Attachment:
    """A rounded block on the buccal surface: middle (3,) and half the edges (3,), own coordinates."""

    middle: Floats
    half: Floats

    def field(self, points: Floats) -> Floats:
        """Negative inside."""
        away = np.abs(points - self.middle) - (self.half - 0.25)
        outside = np.linalg.norm(np.maximum(away, 0.0), axis=1)
        result: Floats = outside + np.minimum(away.max(axis=1), 0.0) - 0.25
        return result


def attachment_on(placed: Placed, rng: np.random.Generator) -> Attachment:
    """A block of about 3 by 2 by 1 mm in the middle of the buccal surface."""
    crown = placed.crown
    height = crown.height * rng.uniform(0.42, 0.52)
    depth = float(crown.buccal(np.array([height / crown.height]))[0])
    half = np.array([*rng.permutation([1.5, 1.0]), 1.1]) * rng.uniform(0.9, 1.1, 3)
    across = rng.uniform(-0.15, 0.15) * crown.half[0]
    return Attachment(np.array([across, depth - 0.15, height]), half[[0, 2, 1]])


@dataclass(frozen=True, slots=True)
class Bodies:
    """All that one scan shows, in the coordinates of the arch."""

    layout: Layout
    gum: Gum
    attachments: dict[int, Attachment]

    def of_tooth(self, tooth: int, points: Floats) -> Floats:
        """Field of a crown alone, without attachment; far from it a lower bound of the distance."""
        placed = self.layout.teeth[tooth]
        off = points - placed.out(placed.crown.middle)
        away = np.sqrt(np.einsum("ij,ij->i", off, off))
        value = away - placed.crown.radius + 1.0
        near = away < placed.crown.radius
        value[near] = placed.crown.field(placed.own(points[near]))
        return value

    def of_attachment(self, tooth: int, points: Floats) -> Floats:
        """Field of the attachment of a tooth."""
        placed = self.layout.teeth[tooth]
        return self.attachments[tooth].field(placed.own(points))

    def field(self, points: Floats) -> Floats:
        """Negative inside any of them; points (n, 3) -> (n,)."""
        crowns = np.full(len(points), 20.0)
        for tooth, placed in self.layout.teeth.items():
            middle = placed.out(placed.crown.middle)
            off = points - middle
            near = np.flatnonzero(np.einsum("ij,ij->i", off, off) < placed.crown.radius**2)
            own = placed.own(points[near])
            value = placed.crown.field(own)
            if tooth in self.attachments:
                value = smaller(value, self.attachments[tooth].field(own), 0.15)
            crowns[near] = smaller(crowns[near], value, CONTACT)
        top = self.gum.height.max() + 1.5
        low = points[:, 2] < top
        result = crowns
        result[low] = smaller(crowns[low], self.gum.field(points[low]), FILLET)
        high = ~low & (result == 20.0)
        result[high] = np.minimum(result[high], points[high, 2] - top + 1.0)
        return result

    def labels(self, points: Floats, teeth: Collection[int] | None = None) -> np.ndarray:
        """FDI number where a point of the surface is on one crown alone, 0 elsewhere, (n,).

        Where crown and gum, two crowns, or crown and attachment run into each other the surface is
        none of theirs.
        """
        names = list(self.layout.teeth) if teeth is None else list(teeth)
        values = np.column_stack([self.of_tooth(t, points) for t in names])
        nearest = values.argmin(axis=1)
        rows = np.arange(len(points))
        least = values[rows, nearest]
        values[rows, nearest] = np.inf
        clear = values.min(axis=1) - least > CONTACT + CLEAR
        clear &= self.gum.field(points) - least > FILLET + CLEAR
        for tooth in self.attachments:
            clear &= self.of_attachment(tooth, points) - least > 0.15 + CLEAR
        return np.where(clear, np.array(names)[nearest], 0)
