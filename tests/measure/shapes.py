"""Arches of simple solids, drawn by distance fields: another maker of scans than `simulate/arches`.

The engine is tried on shapes that its own generator does not make. Two families: "blocks" (tapered
superellipses with cusps) and "balls" (unions of spheres). Every stage is meshed anew from its
field, so that no vertex of one scan is a vertex of another. Invented; sizes of crowns from memory
(Wheeler's Dental Anatomy, Physiology and Occlusion), rounded.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import igl
import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

SIZES = {  # mesiodistal, buccolingual, height of the crown, mm, by position
    "upper": [(8.5, 7, 10), (6.6, 6, 9), (7.6, 8, 9.5), (7.1, 9, 8.2), (6.8, 9, 7.8), (10.2, 11, 7),
              (9.4, 11, 6.5)],
    "lower": [(5.3, 6, 8.5), (5.8, 6.3, 9), (6.9, 7.6, 9.5), (7.1, 7.7, 8.5), (7.2, 8.1, 8),
              (11, 10.4, 7.2), (10.4, 10.2, 6.8)],
}  # fmt: skip


@dataclass
class Drawn:
    """One scan, and how each crown moved since the start: x' = R(x - c) + c + t."""

    vertices: np.ndarray
    faces: np.ndarray
    moved: dict[int, np.ndarray] = field(default_factory=dict)


def _smooth_min(a, b, k):
    h = np.clip(0.5 + 0.5 * (b - a) / k, 0, 1)
    return b + (a - b) * h - k * h * (1 - h)


class Arch:
    """Teeth along a parabola; `frames[tooth]` is (centre, axes as columns: along, out, up)."""

    def __init__(self, arch="upper", *, family="blocks", seed=0, teeth=range(1, 8), missing=()):
        self.arch, self.family = arch, family
        rng = np.random.default_rng(seed)
        self.frames, self.sizes, self.odd, self.clicks = {}, {}, {}, {}
        up = -1.0 if arch == "upper" else 1.0
        width = 25.0 if arch == "upper" else 23.0
        depth = 38.0 if arch == "upper" else 34.0
        xs = np.linspace(0, 2 * width, 4000)
        curve = np.c_[xs, -depth * (xs / width) ** 2]
        arc = np.r_[0, np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1))]
        for side in (0, 1):
            at = 0.0
            for n, (md, bl, height) in enumerate(SIZES[arch], 1):
                s = at + md / 2
                at += md * rng.uniform(0.97, 1.0)
                i = np.searchsorted(arc, s)
                t = (curve[i + 1] - curve[i - 1]) / np.linalg.norm(curve[i + 1] - curve[i - 1])
                along, out = np.r_[t, 0], np.r_[-t[1], t[0], 0]
                centre = np.r_[curve[i], 0]
                if side == 1:  # x > 0 is the patient's right: front +y, up +z
                    mirror = np.array([-1, 1, 1])
                    along, out, centre = along * mirror, out * mirror, centre * mirror
                tooth = ({"upper": 1, "lower": 4}[arch] if side == 0 else
                         {"upper": 2, "lower": 3}[arch]) * 10 + n  # fmt: skip
                if n not in teeth or tooth in missing:
                    continue
                centre = centre + np.array([0, 0, rng.normal(0, 0.2)])
                self.frames[tooth] = centre, np.c_[-along, out, [0, 0, up]]  # along: to mesial
                self.sizes[tooth] = np.array([md, bl, height]) * rng.uniform(0.96, 1.04, 3)
                self.odd[tooth] = rng.uniform(-1, 1, 12)
                self.clicks[tooth] = self.on_surface(tooth)

    def solid(self, tooth, p):
        """Signed distance, roughly, in the tooth's own axes; z = 0 at the neck."""
        a, b, h = self.sizes[tooth] / [2, 2, 1]
        n, o = tooth % 10, self.odd[tooth]
        x, y, z = p.T
        if self.family == "balls":
            spots = [(0, 0, 0.45 * h, 0.98), (0, 0, -0.1 * h, 0.85)]
            if n > 5:
                spots += [
                    (sx * a * 0.4, sy * b * 0.42 + 0.2 * o[1], h * (0.72 + 0.03 * o[2 + sx]), 0.5)
                    for sx in (-1, 1)
                    for sy in (-1, 1)
                ]
            elif n > 3:
                spots += [(0.2 * o[0], 0.45 * b, 0.75 * h, 0.55)]
                spots += [(0.2 * o[1], -0.45 * b, 0.66 * h, 0.5)]
            else:
                spots += [(sx * a * 0.45, 0.15 * o[4 + sx], h * 0.8, 0.48) for sx in (-1, 0, 1)]
            f = None
            for sx, sy, sz, share in spots:
                ra, rb = share * a, share * b * (1 if n > 3 else 0.75 if sz < 0.6 * h else 0.4)
                rc = 0.55 * h if sz < 0.6 * h else h - sz
                q = np.sqrt(((x - sx) / ra) ** 2 + ((y - sy) / rb) ** 2 + ((z - sz) / rc) ** 2)
                g = (q - 1) * min(ra, rb, rc)
                f = g if f is None else _smooth_min(f, g, 0.6)
            return f
        u = np.clip(z / h, -1.5, 1.1)
        belly = 1 - 0.35 * (u - 0.55) ** 2 - 0.12 * (u < 0) * u**2
        thin = 1 - (0.8 * np.clip(u, 0, 1) ** 1.5 if n <= 3 else 0.28 * np.clip(u, 0, 1) ** 2)
        ra, rb = a * belly * (1 - 0.12 * np.clip(-u, 0, 1)), b * belly * thin
        side = (np.abs(x / ra) ** 2.6 + np.abs((y - 0.04 * o[0] * z) / rb) ** 2.4) ** (1 / 2.5) - 1
        side = side * np.minimum(ra, rb)
        if n == 3:
            top = h - 0.45 * np.abs(x - 0.15 * a) + 0.1 * o[1] * x / a
        elif n < 3:
            top = h + 0.15 * o[1] * x / a - 0.1 * (x / a) ** 2
        else:
            top = h - 1.4 + 0.12 * o[2] * x / a
            for i, sx in enumerate((-0.45, 0.45) if n > 5 else (0.05 * o[3],)):
                for j, sy in enumerate((-0.5, 0.5)):
                    high = 1.5 + 0.3 * o[4 + 2 * i + j] - (0.5 if n < 6 and sy < 0 else 0)
                    d2 = ((x - sx * a) / (0.33 * a)) ** 2 + ((y - sy * b) / (0.3 * b)) ** 2
                    top = top + high * np.exp(-d2)
        cap = (z - top) * 0.75
        return -_smooth_min(-side, -cap, 0.5)

    def on_surface(self, tooth, dx=0.0, dy=0.0):
        """The point of the biting surface above (dx, dy) from the middle, in space."""
        z = np.linspace(0.2, 1.3, 800) * self.sizes[tooth][2]
        p = np.c_[np.full_like(z, dx), np.full_like(z, dy), z]
        inside = np.flatnonzero(self.solid(tooth, p) < 0)
        centre, axes = self.frames[tooth]
        return centre + axes @ p[inside[-1] if len(inside) else 300]

    def centre(self, tooth):
        centre, axes = self.frames[tooth]
        return centre + axes @ np.r_[0, 0, 0.5 * self.sizes[tooth][2]]

    def motion(self, tooth, shift=(0, 0, 0), turn=(0, 0, 0)):
        """4x4 of a shift (mm) and rotation vector (degrees) in own axes, about the centre."""
        axes = self.frames[tooth][1]
        axes = axes * [np.linalg.det(axes), 1, 1]
        m, c = np.eye(4), self.centre(tooth)
        m[:3, :3] = Rotation.from_rotvec(axes @ np.radians(turn)).as_matrix()
        m[:3, 3] = c - m[:3, :3] @ c + axes @ np.asarray(shift)
        return m

    def draw(
        self,
        moved=None,
        *,
        step=0.5,
        noise=0.0,
        gum=0.0,
        seed=0,
        attachments=(),
        without=(),
        holes=0,
        palate=False,
    ):
        """Mesh of a stage. `gum` raises the gum by so many mm; attachments stand on the outside."""
        rng, moved = np.random.default_rng(seed), moved or {}
        up = -1.0 if self.arch == "upper" else 1.0
        centres = np.array([f[0] for f in self.frames.values()])
        lo = centres.min(0) - [9, 9, 0] - rng.uniform(0, step, 3)
        hi = centres.max(0) + np.array([9, 9, 0])
        lo[2], hi[2] = (-13.5, 9.5) if up < 0 else (-9.5, 13.5)
        lo[2] -= rng.uniform(0, step)
        grid = [np.arange(a, b, step) for a, b in zip(lo, hi, strict=True)]
        shape = [len(g) for g in grid]
        gx, gy = np.meshgrid(grid[0], grid[1], indexing="ij")
        line = np.array(
            [
                self.frames[t][0]
                for t in sorted(
                    self.frames, key=lambda t: -t % 10 if t // 10 in (1, 4) else 10 + t % 10
                )
            ]
        )
        line = np.concatenate([line[:1] * 2 - line[1:2], line, line[-1:] * 2 - line[-2:-1]])
        fine = np.array([np.interp(np.linspace(0, len(line) - 1, 400), range(len(line)), c)
                         for c in line.T]).T  # fmt: skip
        d, near = cKDTree(fine[:, :2]).query(np.c_[gx.ravel(), gy.ravel()])
        wave = 0.5 * np.cos(near / 400 * 2 * np.pi * 14)
        ridge = 0.2 + gum + wave + rng.normal(0, 0.1)
        z = grid[2] * up
        high = ridge - 0.09 * np.maximum(d - 2, 0) ** 2
        f = np.maximum((z[None, :] - high[:, None]) * 0.7, (d - 7.5)[:, None] + 0.02 * z[None, :])
        if palate:
            vault = -2 - 3 * np.exp(-(((gx - 3) / 9) ** 2 + ((gy + 20) / 7) ** 2)).ravel()
            vault += 0.7 * np.sin(gy.ravel() / 2.2) * np.exp(-((gx.ravel() / 8) ** 2))
            within = np.abs(gx.ravel()) - 18
            f = np.minimum(f, np.maximum((z[None, :] - vault[:, None]) * 0.7, within[:, None]))
        f = np.maximum(f, -9 - z[None, :]).reshape(shape)
        full = np.stack(np.meshgrid(*grid, indexing="ij"), -1)
        for tooth, (centre, axes) in self.frames.items():
            if tooth in without:
                continue
            m = np.asarray(moved.get(tooth, np.eye(4)))
            c = m[:3, :3] @ centre + m[:3, 3]
            box = [slice(*np.searchsorted(g, [a - 10.5, a + 10.5])) for g, a in
                   zip(grid, c, strict=True)]  # fmt: skip
            p = full[tuple(box)].reshape(-1, 3)
            own = ((p - m[:3, 3]) @ m[:3, :3] - centre) @ axes
            g = self.solid(tooth, own)
            if tooth in attachments:
                b, h = self.sizes[tooth][1] / 2, self.sizes[tooth][2]
                q = np.abs(own - [0.4, b * 0.72, 0.45 * h]) - [1.5, 1.2, 0.8]
                g = _smooth_min(g, np.max(q, axis=1), 0.15)
            part = f[tuple(box)]
            f[tuple(box)] = _smooth_min(part, g.reshape(part.shape), 0.25)
        v, faces, _ = igl.marching_cubes(
            np.ascontiguousarray(f.transpose(2, 1, 0).ravel()),
            np.ascontiguousarray(full.transpose(2, 1, 0, 3).reshape(-1, 3)), *shape, 0.0
        )  # fmt: skip
        faces = np.asarray(faces)
        if holes:
            mid = v[faces].mean(1)
            keep = np.ones(len(faces), bool)
            for at in rng.integers(0, len(faces), holes):
                keep &= np.linalg.norm(mid - mid[at], axis=1) > rng.uniform(0.4, 1.2)
            faces = faces[keep]
        v = v + rng.normal(0, noise, v.shape) if noise else np.array(v)
        return Drawn(v, faces, {t: np.asarray(m) for t, m in moved.items()})


def random_motions(arch, seed, *, shift=1.5, turn=8.0, still=()):
    """Motions up to `shift` mm and `turn` degrees in each tooth's own axes; `still` do not move."""
    rng = np.random.default_rng(seed)
    out = {}
    for tooth in arch.frames:
        t, r = rng.uniform(-1, 1, 3), rng.uniform(-1, 1, 3)
        t, r = t / max(1, np.linalg.norm(t)) * shift, r / max(1, np.linalg.norm(r)) * turn
        out[tooth] = np.eye(4) if tooth in still else arch.motion(tooth, t, r)
    return out


def posed(drawn, seed):
    """The scan in a frame of its own, and the 4x4 that brings it back."""
    rng = np.random.default_rng(seed)
    m = np.eye(4)
    m[:3, :3], m[:3, 3] = Rotation.random(rng=rng).as_matrix(), rng.uniform(-60, 60, 3)
    back = np.linalg.inv(m)
    return Drawn(drawn.vertices @ m[:3, :3].T + m[:3, 3], drawn.faces, drawn.moved), back
