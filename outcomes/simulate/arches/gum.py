"""The gum: a ridge along the necks with papillae between the teeth, and the palate."""

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator, UnivariateSpline

from outcomes.simulate.arches.curve import STEP, ArchCurve
from outcomes.simulate.arches.layout import Layout
from outcomes.simulate.arches.smooth import Floats, larger, smaller

COVER = 0.7
"""How far the margin lies above the neck in the middle of a tooth, mm."""
PAPILLA = 2.6
"""How much higher it stands between two teeth, mm."""
FOLLOWS = 0.7
"""Share of a tooth's movement that its gum follows (a choice, no source)."""
FLANK = 0.22
"""How much the ridge widens per mm away from the margin."""
DEEP = 11.0
"""How far the body of the gum goes down from the lowest margin, mm."""


@dataclass(frozen=True, slots=True)
class Gum:
    """Body of the gum of one scan, in the coordinates of the arch.

    ``margin`` (without papillae), ``height`` (with them) and ``wide`` (half the ridge's width at
    the margin) are given at the points of ``curve``.
    """

    curve: ArchCurve
    margin: Floats
    height: Floats
    wide: Floats
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
        start: Layout | None = None,
    ) -> "Gum":
        """The gum of a layout, its margin ``change`` mm higher (swelling) or lower (recession).

        With the layout at the ``start`` given, it follows the teeth from there only in part.
        """
        teeth = list(layout.teeth.values())
        necks = np.array([p.neck for p in teeth])
        if start is not None:
            before = np.array([start.teeth[t].neck for t in layout.teeth])
            necks = before + FOLLOWS * (necks - before)
        curve = _smooth_curve(necks[:, :2])
        at = curve.place(necks)[0]
        order = np.argsort(at)
        at, necks, teeth = at[order], necks[order], [teeth[i] for i in order]
        half = np.array([[p.crown.half[0], p.crown.neck[1]] for p in teeth])
        local = change * (1.0 + 0.3 * rng.standard_normal(len(at)))
        margin = necks[:, 2] + COVER + local
        between = 0.5 * (at[1:] + at[:-1])
        space = np.diff(at) - half[1:, 0] - half[:-1, 0]
        close = np.clip(1.0 - space / 2.5, 0.0, 1.0)
        wide = half[:, 1] + 0.75
        ends = (float(at[0] - half[0, 0] - 2.0), float(at[-1] + half[-1, 0] + 2.0))
        knots = np.concatenate([[ends[0] - 4.0], at, between, [ends[1] + 4.0]])

        def along(values: Floats, lower: Floats) -> Floats:
            """In a space the ridge is lower and narrower."""
            inner = 0.5 * (values[1:] + values[:-1]) - lower
            whole = np.concatenate([values[:1], values, inner, values[-1:]])
            rank = np.argsort(knots)
            spline = PchipInterpolator(knots[rank], whole[rank])
            return np.asarray(spline(np.clip(curve.length, knots.min(), knots.max())))

        low = along(margin, 1.8 * (1.0 - close))
        height = low.copy()
        for middle, share, drift in zip(between, close, local[1:] + local[:-1], strict=True):
            bump = np.exp(-0.5 * ((curve.length - middle) / 1.2) ** 2)
            height += share * (PAPILLA + 0.15 * drift) * bump
        waves = np.column_stack(
            [rng.uniform(0.03, 0.08, 5), 0.5 * rng.standard_normal((5, 3)), rng.uniform(0, 6.3, 5)]
        )
        return cls(
            curve, low, height, along(wide, 0.5 + 1.2 * (1.0 - close)), waves, ends,
            float(margin.min() - DEEP), palate,
        )  # fmt: skip

    def field(self, points: Floats) -> Floats:
        """Negative inside the gum; points (n, 3) -> (n,)."""
        along, across = self.curve.place(points)
        z = points[:, 2]
        margin, wide = self._at(along, self.height, self.wide)
        side = 0.97 * (np.abs(across) - wide - FLANK * np.maximum(margin - z, 0.0))
        body = larger(0.9 * (z - margin), side, 1.6)
        body += np.cos(points @ self.waves[:, 1:4].T + self.waves[:, 4]) @ self.waves[:, 0]
        body = larger(body, np.maximum(along - self.ends[1], self.ends[0] - along), 3.0)
        if self.palate is not None:
            body = smaller(body, self.palate.field(points), 3.0)
        result: Floats = np.maximum(body, self.floor - z)
        return result

    def margin_at(self, along: Floats) -> Floats:
        """Height of the margin without papillae, z in mm."""
        return self._at(along, self.margin)[0]

    def _at(self, along: Floats, *tables: Floats) -> list[Floats]:
        """Tables of the curve's points at lengths along it, linear in between."""
        share = np.clip((along - self.curve.length[0]) / STEP, 0.0, len(self.margin) - 1.001)
        left = share.astype(int)
        share -= left
        return [table[left] * (1.0 - share) + table[left + 1] * share for table in tables]


@dataclass(frozen=True, slots=True)
class Palate:
    """The palate, with its folds: the same in every scan."""

    curve: ArchCurve
    level: float
    depth: float
    back: float
    phase: Floats

    @classmethod
    def of(cls, layout: Layout, rng: np.random.Generator) -> "Palate":
        necks = np.array([p.neck for p in layout.teeth.values()])
        curve = _smooth_curve(necks[:, :2])
        return cls(
            curve, float(necks[:, 2].mean()) - 1.0, rng.uniform(6.0, 9.0),
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
        away = self.curve.place(points)[1]
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
