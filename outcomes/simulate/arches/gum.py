"""The gum: a ridge along the necks with papillae between the teeth, and the palate."""

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator, UnivariateSpline
from scipy.spatial import cKDTree

from outcomes.simulate.arches.layout import ArchCurve, Layout
from outcomes.simulate.arches.smooth import Floats, larger, smaller

COVER = 0.7
"""How far the margin lies above the neck in the middle of a tooth, mm."""
PAPILLA = 2.4
"""How much higher it stands between two teeth, mm."""
FLANK = 0.22
"""How much the ridge widens per mm away from the margin."""
DEEP = 11.0
"""How far the body of the gum goes down from the lowest margin, mm."""


@dataclass(frozen=True, slots=True)
class Gum:
    """Body of the gum of one scan, in the coordinates of the arch."""

    curve: ArchCurve
    tree: cKDTree
    tangents: Floats
    margin: PchipInterpolator
    buccal: PchipInterpolator
    lingual: PchipInterpolator
    papillae: Floats
    waves: Floats
    ends: tuple[float, float]
    floor: float
    palate: "Palate | None"

    @classmethod
    def around(
        cls,
        layout: Layout,
        rng: np.random.Generator,
        *,
        change: float = 0.0,
        palate: "Palate | None" = None,
    ) -> "Gum":
        """The gum of a layout, its margin ``change`` mm higher (swelling) or lower (recession)."""
        teeth = list(layout.teeth.values())
        necks = np.array([p.neck for p in teeth])
        curve = _smooth_curve(necks[:, :2])
        tree = cKDTree(curve.points)
        at = curve.length[tree.query(necks[:, :2])[1]]
        order = np.argsort(at)
        at, teeth = at[order], [teeth[i] for i in order]
        necks = necks[order]
        half = np.array([p.crown.neck for p in teeth])
        local = change * (1.0 + 0.3 * rng.standard_normal(len(at))) if change else np.zeros(len(at))
        height = necks[:, 2] + COVER + local
        between = 0.5 * (at[1:] + at[:-1])
        space = np.diff(at) - np.array([p.crown.half[0] for p in teeth])[1:]
        space -= np.array([p.crown.half[0] for p in teeth])[:-1]
        close = np.clip(1.0 - space / 2.5, 0.0, 1.0)
        papillae = np.column_stack(
            [
                between,
                close * (PAPILLA + 0.5 * (local[1:] + local[:-1]) * 0.3),
                np.full(len(between), 1.25),
            ]
        )
        # in a space the ridge is lower and narrower
        low = 1.8 * (1.0 - close)
        thin = 0.5 + 1.2 * (1.0 - close)
        knots = np.concatenate([at, between])
        rank = np.argsort(knots)
        ends = (at[0] - half[0, 0] - 2.5, at[-1] + half[-1, 0] + 2.5)

        def along(here: Floats, there: Floats) -> PchipInterpolator:
            values = np.concatenate([here, there])[rank]
            inner = knots[rank]
            return PchipInterpolator(
                [ends[0] - 4, *inner, ends[1] + 4],
                [values[0], *values, values[-1]],
                extrapolate=True,
            )

        def mean(values: Floats) -> Floats:
            return np.asarray(0.5 * (values[1:] + values[:-1]))

        wide = half[:, 1] + 0.75
        waves = rng.standard_normal((8, 3)) * 0.5
        waves = np.column_stack([rng.uniform(0.02, 0.07, 8), waves, rng.uniform(0, 6.28, 8)])
        step = np.gradient(curve.points, axis=0)
        return cls(
            curve, tree, step / np.linalg.norm(step, axis=1, keepdims=True),
            along(height, mean(height) - low), along(wide, mean(wide) - thin),
            along(wide, mean(wide) - thin), papillae, waves, ends,
            float(height.min() - DEEP), palate,
        )  # fmt: skip

    def place(self, points: Floats) -> tuple[Floats, Floats]:
        """Length along the arch and distance from it, buccal positive, of points (n, 3)."""
        nearest = self.tree.query(points[:, :2])[1]
        off = points[:, :2] - self.curve.points[nearest]
        tangent = self.tangents[nearest]
        along = self.curve.length[nearest] + (off * tangent).sum(axis=1)
        return along, off[:, 1] * tangent[:, 0] - off[:, 0] * tangent[:, 1]

    def height(self, along: Floats) -> Floats:
        """Height of the margin, z in mm."""
        inner = np.clip(along, self.ends[0] - 3.9, self.ends[1] + 3.9)
        height: Floats = self.margin(inner)
        for at, amount, width in self.papillae:
            near = np.abs(along - at) < 4.0 * width
            height[near] += amount * np.exp(-(((along[near] - at) / width) ** 2) / 2.0)
        return height

    def field(self, points: Floats) -> Floats:
        """Negative inside the gum; points (n, 3) -> (n,)."""
        along, across = self.place(points)
        z = points[:, 2]
        margin = self.height(along)
        inner = np.clip(along, self.ends[0] - 3.9, self.ends[1] + 3.9)
        wide = np.where(across > 0, self.buccal(inner), self.lingual(inner))
        below = np.maximum(margin - z, 0.0)
        ripple = np.cos(points @ self.waves[:, 1:4].T + self.waves[:, 4]) @ self.waves[:, 0]
        side = 0.97 * (np.abs(across) - wide - FLANK * below)
        body = larger(0.9 * (z - margin), side, 1.6) + ripple
        body = larger(body, np.maximum(along - self.ends[1], self.ends[0] - along), 3.0)
        if self.palate is not None:
            body = smaller(body, self.palate.field(points), 3.0)
        return np.maximum(body, self.floor - z)


@dataclass(frozen=True, slots=True)
class Palate:
    """The palate, with its folds: the same in every scan."""

    curve: ArchCurve
    tree: cKDTree
    level: float
    depth: float
    back: float
    phase: Floats

    @classmethod
    def of(cls, layout: Layout, rng: np.random.Generator) -> "Palate":
        necks = np.array([p.neck for p in layout.teeth.values()])
        curve = _smooth_curve(necks[:, :2])
        return cls(
            curve, cKDTree(curve.points), float(necks[:, 2].mean()) - 1.0, rng.uniform(6.0, 9.0),
            float(necks[:, 1].min()) - 3.0, rng.uniform(0.0, 2 * np.pi, 3),
        )  # fmt: skip

    def height(self, xy: Floats, inwards: Floats) -> Floats:
        """z of the palate, ``inwards`` mm from the line of the necks."""
        vault = self.depth * (1.0 - np.exp(-((np.maximum(inwards - 3.5, 0.0) / 7.0) ** 2)))
        x, y = xy[:, 0], xy[:, 1]
        front = 1.0 / (1.0 + np.exp(-(y - self.back - 17.0) / 1.5))
        folds = np.cos(2.0 * y + 0.12 * np.abs(x) ** 1.5 + self.phase[0]) * np.tanh(x * x / 6.0)
        seam = 0.4 * np.exp(-((x / 1.2) ** 2))
        uneven = 0.15 * np.cos(0.35 * x + self.phase[1]) * np.cos(0.3 * y + self.phase[2])
        height: Floats = self.level - vault + 0.4 * front * folds + seam + uneven
        return height

    def field(self, points: Floats) -> Floats:
        """Negative inside."""
        distance, nearest = self.tree.query(points[:, :2])
        step = self.curve.points[np.minimum(nearest + 1, len(self.curve.points) - 1)]
        step = step - self.curve.points[np.maximum(nearest - 1, 0)]
        off = points[:, :2] - self.curve.points[nearest]
        inside = off[:, 1] * step[:, 0] - off[:, 0] * step[:, 1] < 0
        away = np.where(inside, -distance, distance)
        body = 0.75 * (points[:, 2] - self.height(points[:, :2], -away))
        return np.maximum(np.maximum(body, self.back - points[:, 1]), away)


def _smooth_curve(necks: Floats) -> ArchCurve:
    """A curve near the necks, going on straight behind the last of them."""
    order = np.argsort(np.arctan2(necks[:, 0], necks[:, 1] - necks[:, 1].min() + 5.0))
    necks = necks[order]
    chord = np.concatenate([[0.0], np.hypot(*np.diff(necks, axis=0).T).cumsum()])
    degree = min(3, len(necks) - 1)
    splines = [UnivariateSpline(chord, necks[:, i], k=degree, s=0.15 * len(necks)) for i in (0, 1)]
    at = np.arange(0.0, chord[-1], 0.1)
    inner = np.column_stack([spline(at) for spline in splines])
    first = inner[0] - inner[20]
    last = inner[-1] - inner[-21]
    tail = np.arange(0.1, 14.0, 0.1)[:, None]
    return ArchCurve.through(
        np.concatenate(
            [
                inner[0] + tail[::-1] * first / np.linalg.norm(first),
                inner,
                inner[-1] + tail * last / np.linalg.norm(last),
            ]
        )
    )
