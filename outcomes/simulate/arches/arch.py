"""An invented arch: start, plan and outcome with exactly known motions of every crown."""

from collections.abc import Collection, Mapping

import numpy as np
import pandas as pd
from scipy.spatial.transform import Rotation

from outcomes.errors import InputError
from outcomes.simulate.arches import motions
from outcomes.simulate.arches.bodies import Bodies, attachment_on
from outcomes.simulate.arches.crowns import Shape
from outcomes.simulate.arches.gum import Gum, Palate
from outcomes.simulate.arches.layout import Layout, click, in_order, lay_out, named_points
from outcomes.simulate.arches.motions import Axes, draw_movements, motion_matrix
from outcomes.simulate.arches.scanner import scan, with_holes, without_teeth
from outcomes.simulate.arches.simulated import STAGES, SimulatedArch
from outcomes.simulate.arches.smooth import Floats
from outcomes.simulate.arches.surface import Mesh

Movements = Mapping[int, Mapping[str, float]]
FRAMES = ("any", "near", "same")
COARSE = 0.7
"""Resolution at which the centres of crowns are found, mm, so that they depend on no scan."""


def simulate_arch(
    arch: str = "upper",
    *,
    seed: int,
    teeth: Collection[int] | None = None,
    planned: Movements | None = None,
    achieved: Movements | None = None,
    before: Movements | None = None,
    reference: Collection[int] | None = None,
    noise: float = 0.02,
    holes: int = 0,
    gum_change: float = 0.0,
    attachments: Collection[int] = (),
    missing: Collection[int] = (),
    closed: Collection[int] = (),
    extracted: Collection[int] = (),
    unscanned: Mapping[str, Collection[int]] | None = None,
    palate: bool = False,
    resolution: float = 0.6,
    frame: str = "any",
    shape: Shape = "natural",
    solid: bool = False,
) -> SimulatedArch:
    """Three scans of an invented arch whose crowns move exactly as asked.

    Each scan is one connected sheet of crowns and gum, as a scanner sees them, sampled anew: no
    two have vertices in common. The crowns themselves move rigidly.

    Parameters
    ----------
    arch
        ``"upper"`` or ``"lower"``.
    seed
        Same seed, same arch.
    teeth
        FDI numbers; default both second molars and all between.
    planned, achieved
        tooth -> movement -> value, mm or degrees, about the crown's centre, signs as in the
        cohort's movements; what is not named is 0. Default: drawn, up to 1.5 mm and 8 degrees,
        but for the reference; the outcome is then 0.3 to 1 times the plan, and a little beside it.
    before
        Movements made before the start, as another course's ``achieved``: with the same seed the
        crowns are the same, and stand at the start where that course left them.
    reference
        Teeth that stay where movements are drawn, and stand as reference in ``scans.csv``; default
        the molars.
    noise
        SD of the scanner's noise along the normal, mm; half of its variance is smooth along the
        surface.
    holes
        Holes in each scan.
    gum_change
        How far the margin of the gum lies higher (swelling) or lower (recession) in the outcome
        than at the start, mm.
    attachments
        Teeth with an attachment in the plan and the outcome, not at the start.
    missing, closed
        Teeth absent from all scans: their space is there, or closed.
    extracted
        Teeth that are there at the start only.
    unscanned
        Stage -> teeth left out by a partial scan, ``{"achieved": [17]}``.
    palate
        Whether the palate is scanned (upper arch).
    resolution
        Distance between vertices, mm: 0.6 gives about 30,000 triangles, 0.27 about 150,000.
    frame
        Coordinates of each scan: ``"any"`` rotation and place, ``"near"`` each other (up to 15
        degrees and 10 mm), the ``"same"`` for all, that of the arch.
    shape
        ``"natural"`` crowns, or ``"plain"`` ones of another family.
    solid
        Whether the scans are closed bodies instead of open sheets; not with a palate.

    Returns
    -------
    SimulatedArch

    Raises
    ------
    InputError
        If an argument is not among those above.

    Examples
    --------
    >>> made = simulate_arch("lower", seed=1, planned={33: {"vertical": 0.5}}, resolution=1.2)
    >>> made.truth.query("tooth == 33 and movement == 'vertical'")["planned"].tolist()
    [0.5]
    """
    _check(arch, frame, unscanned or {}, noise, resolution, palate, solid)
    rng = np.random.default_rng(seed)
    asked = [t for t in in_order(arch) if t % 10 < 8] if teeth is None else [int(t) for t in teeth]
    gone = {*missing, *closed}
    there = [t for t in in_order(arch) if t in asked and t not in gone]
    wrong = sorted({*asked} - set(in_order(arch)))
    if wrong:
        raise InputError(f"Not of the {arch} arch: {', '.join(map(str, wrong))}.")
    layout = lay_out(arch, there, rng, closed=closed, shape=shape)
    for names, what in ((attachments, "attachments"), (extracted, "extracted")):
        _among(names, there, what)
    _among(
        [*(planned or {}), *(achieved or {}), *(before or {})],
        there,
        "planned, achieved and before",
    )
    still = [t for t in there if t % 10 >= 6] if reference is None else [int(t) for t in reference]
    _among(still, there, "reference")

    roof = Palate.of(layout, rng) if palate else None
    blocks = {t: attachment_on(layout.teeth[t], rng) for t in there if t in set(attachments)}
    noises = rng.spawn(4)
    bodies = {"start": Bodies(layout, Gum.around(layout, noises[0], palate=roof), {})}
    axes = _about_centres(layout, bodies["start"])
    if before:
        layout = layout.moved({t: motion_matrix(before[t], axes[t]) for t in there if t in before})
        bodies["start"] = Bodies(layout, Gum.around(layout, noises[0], palate=roof), {})
        axes = _about_centres(layout, bodies["start"])
    asked_for = _asked(planned, achieved, there, set(still), rng)
    in_arch = {
        stage: {t: motion_matrix(asked_for[stage][t], axes[t]) for t in there}
        for stage in STAGES[1:]
    }
    for stage, own in zip(STAGES[1:], noises[1:3], strict=True):
        left = layout.moved(in_arch[stage])
        left = Layout(
            arch, {t: p for t, p in left.teeth.items() if t not in extracted}, axes, left.gaps
        )
        change = gum_change if stage == "achieved" else 0.0
        kept = {t: block for t, block in blocks.items() if t not in extracted}
        bodies[stage] = Bodies(
            left, Gum.around(left, own, change=change, palate=roof, start=layout), kept
        )
    scans = {}
    for stage, own in zip(STAGES, rng.spawn(3), strict=True):
        made = scan(bodies[stage], own, cell=resolution, noise=noise, closed=solid)
        made = without_teeth(made, bodies[stage], (unscanned or {}).get(stage, ()))
        scans[stage] = with_holes(made, own, holes)
    poses = _poses(frame, noises[3])
    to_start = poses["start"]
    seen = {
        stage: Mesh(motions.placed(poses[stage], s.mesh.vertices), s.mesh.faces)
        for stage, s in scans.items()
    }
    back = motions.inverse(to_start)
    return SimulatedArch(
        arch=arch,
        seed=seed,
        start=seen["start"],
        planned=seen["planned"],
        achieved=seen["achieved"],
        clicks={
            t: motions.placed(to_start, p.out(click(p.crown))) for t, p in layout.teeth.items()
        },
        points={
            (t, name): motions.placed(to_start, p.out(point))
            for t, p in layout.teeth.items()
            for name, point in named_points(p.crown).items()
        },
        palate=motions.placed(to_start, _outline(layout, roof)),
        reference=tuple(still),
        truth=_truth(asked_for, set(extracted)),
        frames={t: a.moved(to_start) for t, a in axes.items()},
        moved={
            stage: {t: to_start @ m @ back for t, m in of_it.items() if t not in extracted}
            for stage, of_it in in_arch.items()
        },
        superimposition={stage: to_start @ motions.inverse(poses[stage]) for stage in STAGES[1:]},
        labels={stage: s.labels for stage, s in scans.items()},
        exact={stage: motions.placed(poses[stage], s.exact) for stage, s in scans.items()},
        crowns={t: p.moved(to_start) for t, p in layout.teeth.items()},
    )


def _check(
    arch: str,
    frame: str,
    unscanned: Mapping[str, Collection[int]],
    noise: float,
    resolution: float,
    palate: bool,
    solid: bool,
) -> None:
    if arch not in ("upper", "lower"):
        raise InputError(f"arch {arch!r} is not known: use 'upper' or 'lower'.")
    if frame not in FRAMES:
        raise InputError(f"frame {frame!r} is not known: use {', '.join(FRAMES)}.")
    unknown = sorted(set(unscanned) - set(STAGES))
    if unknown:
        raise InputError(f"No such scan: {', '.join(unknown)}. Use {', '.join(STAGES)}.")
    if not noise >= 0:
        raise InputError(f"noise is {noise}: use 0 or more, mm.")
    if not 0.1 <= resolution <= 2.0:
        raise InputError(f"resolution is {resolution}: use 0.1 to 2 mm.")
    if palate and arch == "lower":
        raise InputError("A lower arch has no palate: leave palate out.")
    if palate and solid:
        raise InputError("A solid body is made without a palate: leave one of them out.")


def _among(names: Collection[int], there: Collection[int], what: str) -> None:
    wrong = sorted({int(t) for t in names} - set(there))
    if wrong:
        raise InputError(f"{what}: {', '.join(map(str, wrong))} is not among the teeth there.")


def _about_centres(layout: Layout, bodies: Bodies) -> dict[int, Axes]:
    """The axes of each tooth about the centroid of its crown's surface at the start."""
    coarse = scan(bodies, np.random.default_rng(0), cell=COARSE, noise=0.0, random=False)
    found = {}
    for tooth, axes in layout.axes.items():
        of_it = coarse.exact[coarse.labels == tooth]
        middle = of_it.mean(axis=0) if len(of_it) else layout.teeth[tooth].neck
        found[tooth] = Axes(middle, axes.mesial, axes.buccal, axes.occlusal)
    return found


def _asked(
    planned: Movements | None,
    achieved: Movements | None,
    there: list[int],
    still: set[int],
    rng: np.random.Generator,
) -> dict[str, dict[int, dict[str, float]]]:
    """Movements of each stage and tooth, all six."""
    names = (*motions.TRANSLATIONS, *motions.ROTATIONS)
    drawn = draw_movements(rng, there, still)
    rates = rng.uniform(0.3, 1.0, (len(there), 6))
    beside = rng.standard_normal((len(there), 6)) * (0.1, 0.1, 0.1, 0.8, 0.8, 0.8)
    plan = drawn if planned is None else {t: dict(planned.get(t, {})) for t in there}
    if achieved is not None:
        outcome = {t: dict(achieved.get(t, {})) for t in there}
    else:
        outcome = {}
        for tooth, rate, off in zip(there, rates, beside, strict=True):
            moves = any(plan[tooth].values())
            outcome[tooth] = {
                name: round(plan[tooth].get(name, 0.0) * r + o, 3) if moves else 0.0
                for name, r, o in zip(names, rate, off, strict=True)
            }
    for table in (plan, outcome):
        for tooth in there:
            table[tooth] = dict.fromkeys(names, 0.0) | table[tooth]
    return {"planned": plan, "achieved": outcome}


def _poses(frame: str, rng: np.random.Generator) -> dict[str, Floats]:
    """Pose of each scan: from the coordinates of the arch to its own."""
    if frame == "same":
        return {stage: np.eye(4) for stage in STAGES}
    if frame == "any":
        return {stage: motions.random_pose(rng) for stage in STAGES}
    poses = {}
    for stage in STAGES:
        pose = np.eye(4)
        axis = rng.standard_normal(3)
        turn = np.radians(rng.uniform(0.0, 15.0)) * axis / np.linalg.norm(axis)
        pose[:3, :3] = Rotation.from_rotvec(turn).as_matrix()
        pose[:3, 3] = rng.uniform(-10.0, 10.0, 3) / np.sqrt(3.0)
        poses[stage] = pose
    return poses


def _outline(layout: Layout, roof: Palate | None) -> Floats:
    """Points around the part of the palate that lies inside the necks, (k, 3)."""
    if roof is None:
        return np.empty((0, 3))
    necks = np.array([p.neck[:2] for p in layout.teeth.values()])
    middle = np.array([0.0, necks[:, 1].mean()])
    ring = middle + 0.5 * (necks - middle)
    ring[:, 1] = np.maximum(ring[:, 1], roof.back + 3.0)
    inwards = -roof.curve.place(ring)[1]
    return np.column_stack([ring, roof.height(ring, inwards)])


def _truth(
    asked: Mapping[str, Mapping[int, Mapping[str, float]]], extracted: set[int]
) -> pd.DataFrame:
    """What was asked of each tooth; nothing where it is gone."""
    rows = [
        (
            tooth,
            movement,
            *(np.nan if tooth in extracted else asked[s][tooth][movement] for s in STAGES[1:]),
        )
        for tooth, of_it in asked["planned"].items()
        for movement in of_it
    ]
    return pd.DataFrame(rows, columns=["tooth", "movement", *STAGES[1:]])
