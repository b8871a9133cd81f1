"""One arch: three scans and a click a tooth become the motion of every crown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from outcomes.measure.axes import Frames, arch_frames
from outcomes.measure.crowns import find_crowns
from outcomes.measure.meshes import FloatArray, IntArray, Mesh
from outcomes.measure.motion import Rigid, ToothFrame
from outcomes.measure.palate import on_palate
from outcomes.measure.ready_crowns import crowns_on
from outcomes.measure.register import Fit, Patch, patch_of, register
from outcomes.measure.superimpose import (
    Superimposition,
    lay_roughly,
    no_reference,
    on_all,
    on_teeth,
    turned_inside_out,
)
from outcomes.measure.verdict import fits_somewhere, in_one_place, judge, noise_of
from outcomes.words.english import listed

Reference = Literal["palate", "all"] | tuple[int, ...]

#: mm around a click whose surface says on which side the gum is.
AROUND = 12.0
#: Share of the crowns in a scan that must fit, for it to show the same teeth.
SAME_TEETH = 0.5
#: Share of the crowns that fit from which no mirror image is looked for.
NEARLY_ALL = 0.8


@dataclass(frozen=True)
class StageMeasured:
    """One later scan on the start scan.

    Attributes
    ----------
    mesh
        The scan in the coordinates of the start scan; None where it could not be laid there.
    superimposition
        How; None likewise.
    fits
        Tooth -> where its crown was found, in the coordinates of the scan as read.
    problem
        Why the whole scan was refused, or "".
    """

    mesh: Mesh | None
    superimposition: Superimposition | None
    fits: Mapping[int, Fit]
    problem: str = ""


@dataclass(frozen=True)
class ArchMeasured:
    """What figures draw from.

    Attributes
    ----------
    arch
        upper or lower.
    start
        The start scan.
    stages
        planned, achieved -> that scan.
    crowns
        Tooth -> its vertices in the start scan.
    patches
        Tooth -> points spread over what was registered, start scan.
    motions
        (tooth, stage) -> its motion in the start scan's coordinates, after superimposition; only of
        teeth that are given.
    quality
        Rows tooth, stage, residual (mm), overlap, confidence, verdict, reason.
    frames
        Tooth -> reference point and axes.
    axes
        What was found on the arch as a whole, with its problems.
    """

    arch: str
    start: Mesh
    stages: Mapping[str, StageMeasured]
    crowns: Mapping[int, IntArray]
    patches: Mapping[int, Patch]
    motions: Mapping[tuple[int, str], Rigid]
    quality: Sequence[Mapping[str, Any]]
    frames: Mapping[int, ToothFrame]
    axes: Frames = field(repr=False)


def measure_arch(
    arch: str,
    start: Mesh,
    later: Mapping[str, Mesh],
    clicks: Mapping[int, FloatArray],
    *,
    points: Mapping[tuple[int, str], FloatArray] | None = None,
    reference: Reference = "all",
    palate: FloatArray | None = None,
    ready: Mapping[int, IntArray] | None = None,
) -> ArchMeasured:
    """Motions of all clicked crowns between scans of one arch.

    Parameters
    ----------
    arch
        upper or lower.
    start
        The scan that was clicked.
    later
        planned, achieved -> a scan in any frame.
    clicks
        FDI number -> (3,), a point on the middle of the biting surface or edge, mm.
    points
        Further points that sharpen the axes (see ``arch_frames``).
    reference
        What is stable: teeth, "palate" or "all".
    palate
        (n, 3): outline of the patch of the palate, start scan.
    ready
        Tooth -> its vertices in the start scan, where crowns are not to be found around the clicks.

    Returns
    -------
    ArchMeasured
        Nothing is raised for a tooth or scan that cannot be used: the reason is in ``quality``.
    """
    start = _outside_out(start, clicks)
    away = _away_from_gum(start, clicks)
    axes = arch_frames(clicks, away_from_gum=away, points=points)
    if axes.stopped:
        why = "; ".join(axes.problems.loc[axes.problems["severity"] == "stop", "problem"])
        return _nothing(arch, start, later, clicks, axes, why)
    crowns, refused = (
        find_crowns(start, clicks, axes.frames) if ready is None else crowns_on(start, ready)
    )
    patches = {t: patch_of(start, c.core, seed=t) for t, c in crowns.items()}
    few = [t for t, p in patches.items() if not len(p.points)]
    for tooth in few:
        refused[tooth] = "no crown was found around its click"
        del patches[tooth]
    centres = {t: crowns[t].centre for t in patches}
    axes = arch_frames(clicks, away_from_gum=away, points=points, centres=centres)
    for tooth in clicks:
        if tooth not in axes.frames:
            refused[tooth] = "its axes cannot be told: see the problems"
    stages, motions, quality = {}, {}, []
    for stage, other in later.items():
        done = _stage(start, other, patches, axes.frames, reference, palate)
        stages[stage] = done
        laid = done.superimposition
        noise = noise_of(done.fits)
        clash = dict(in_one_place(done.fits, patches)) if laid else {}
        for tooth in sorted(clicks):
            row = {"tooth": tooth, "stage": stage, "residual": np.nan, "overlap": np.nan}
            row |= {"confidence": "", "verdict": "refused", "reason": refused.get(tooth, "")}
            quality.append(row)
            if row["reason"] or laid is None:
                row["reason"] = row["reason"] or done.problem
                continue
            fit = done.fits.get(tooth)
            moved = fit.motion.then(laid.motion) if fit else None
            adds = laid.error_at(fit.motion.apply(centres[tooth])) if fit else None
            said = judge(fit, noise, moved, centres[tooth], adds)
            row["overlap"] = said.overlap
            row["residual"] = fit.residual if fit and np.isfinite(fit.residual) else np.nan
            if said.given and tooth in clash:
                row["reason"] = f"it was found where {clash[tooth]} is: it may be missing here"
                continue
            row["reason"] = said.reason
            if said.given and moved is not None:
                row |= {"verdict": "given", "confidence": "high" if said.sure else "low"}
                motions[tooth, stage] = moved
    given = {t for t, _ in motions}
    return ArchMeasured(
        arch, start, stages, {t: crowns[t].vertices for t in patches}, patches, motions, quality,
        {t: f for t, f in axes.frames.items() if t in given}, axes,
    )  # fmt: skip


def _nothing(
    arch: str, start: Mesh, later: Mapping[str, Mesh], clicks: Mapping[int, FloatArray],
    axes: Frames, why: str,
) -> ArchMeasured:  # fmt: skip
    quality = [
        {"tooth": t, "stage": s, "residual": np.nan, "overlap": np.nan, "confidence": "",
         "verdict": "refused", "reason": why}
        for s in later for t in sorted(clicks)
    ]  # fmt: skip
    stages = {s: StageMeasured(None, None, {}, why) for s in later}
    return ArchMeasured(arch, start, stages, {}, {}, {}, quality, {}, axes)


def _away_from_gum(mesh: Mesh, clicks: Mapping[int, FloatArray]) -> FloatArray:
    """From the surface around each click to the click: crown and gum lie below it."""
    away = np.zeros(3)
    for click in clicks.values():
        near = ((mesh.vertices - click) ** 2).sum(axis=1) < AROUND**2
        if near.any():
            away += click - np.average(mesh.vertices[near], axis=0, weights=mesh.areas[near] + 1e-9)
    return away


def _outside_out(mesh: Mesh, clicks: Mapping[int, FloatArray]) -> Mesh:
    """The start scan with its outside where the biting surfaces face."""
    away = _away_from_gum(mesh, clicks)
    votes = 0.0
    for click in clicks.values():
        off = ((mesh.vertices - click) ** 2).sum(axis=1)
        near = off < 1.5**2
        votes += float(np.sum(mesh.normals[near] @ away > 0)) - 0.5 * float(near.sum())
    if votes >= 0:
        return mesh
    return turned_inside_out(mesh)


def _stage(
    start: Mesh,
    other: Mesh,
    patches: Mapping[int, Patch],
    frames: Mapping[int, ToothFrame],
    reference: Reference,
    palate: FloatArray | None,
) -> StageMeasured:
    """Lay a later scan on the start scan, and find every crown in it."""
    if not patches:
        return StageMeasured(None, None, {}, "no crown was found on the start scan")
    crowns = _together(patches)
    other, fits = _found(start, other, crowns, patches, frames)
    if _share_that_fits(fits) < NEARLY_ALL and _is_mirrored(
        start, other, crowns, patches, frames, fits
    ):
        return StageMeasured(None, None, {}, "the scan is a mirror image of the start scan")
    if not _same_teeth(fits):
        why = (
            "the scan does not show the teeth of the start scan: another patient, or the other "
            "arch; or it is too noisy to tell"
        )
        return StageMeasured(None, None, {}, why)
    fits = _again(other, fits, patches, frames)
    good = {t: f for t, f in fits.items() if fits_somewhere(f)}
    for worse, _ in in_one_place(good, patches):
        good.pop(worse, None)
    laid: Superimposition | None
    if reference == "palate":
        whole = on_all(good, patches)
        laid, why = on_palate(start, other, palate, whole)
    elif reference == "all":
        laid, why = on_all(good, patches), "fewer than three crowns fit: nothing to lay it on"
    else:
        laid = on_teeth(good, patches, reference)
        why = f"no tooth of the reference ({listed(map(str, reference))}) was found in it"
    if laid is None:
        return StageMeasured(None, None, fits, why)
    if why := no_reference(laid):
        return StageMeasured(None, None, fits, why)
    mesh = other.moved(laid.motion.rotation, laid.motion.translation)
    return StageMeasured(mesh, laid, fits)


def _together(patches: Mapping[int, Patch]) -> Patch:
    return Patch(
        np.concatenate([p.points[::4] for p in patches.values()]),
        np.concatenate([p.normals[::4] for p in patches.values()]),
    )


def _found(
    start: Mesh, other: Mesh, crowns: Patch, patches: Mapping[int, Patch],
    frames: Mapping[int, ToothFrame],
) -> tuple[Mesh, dict[int, Fit]]:  # fmt: skip
    """The other scan, its outside out, and where the crowns are in it."""
    laid = lay_roughly(start, crowns, other)
    best: dict[int, Fit] = {}
    for guess in laid.motions:
        fits = {
            t: fit
            for t, p in patches.items()
            if (fit := register(p, laid.other, [guess], frames[t].axes())) is not None
        }
        if sum(map(fits_somewhere, fits.values())) > sum(map(fits_somewhere, best.values())):
            best = fits
        if _same_teeth(best):
            break
    return laid.other, best


def _same_teeth(fits: Mapping[int, Fit]) -> bool:
    """Whether most crowns that are in the scan fit as only the same crowns do."""
    there = [f for f in fits.values() if f.overlap_within(0.5) > 0.3]
    fit = sum(map(fits_somewhere, there))
    return fit >= min(2, max(len(fits), 1)) and fit >= SAME_TEETH * len(there)


def _share_that_fits(fits: Mapping[int, Fit]) -> float:
    return sum(map(fits_somewhere, fits.values())) / max(len(fits), 1)


def _is_mirrored(
    start: Mesh, other: Mesh, crowns: Patch, patches: Mapping[int, Patch],
    frames: Mapping[int, ToothFrame], fits: Mapping[int, Fit],
) -> bool:  # fmt: skip
    """Whether more crowns fit the mirror image of a scan."""
    mirrored = Mesh(other.vertices * [-1.0, 1.0, 1.0], other.faces[:, ::-1].copy())
    found = _found(start, mirrored, crowns, patches, frames)[1]
    return _same_teeth(found) and _share_that_fits(found) > _share_that_fits(fits)


def _again(
    other: Mesh, fits: dict[int, Fit], patches: Mapping[int, Patch],
    frames: Mapping[int, ToothFrame],
) -> dict[int, Fit]:  # fmt: skip
    """Look once more, from where the neighbours went, for crowns that fit badly or twice."""
    good = {t: f for t, f in fits.items() if fits_somewhere(f)}
    twice = in_one_place(good, patches)
    for pair in twice:
        for tooth in pair:
            good.pop(tooth, None)
    whole = on_all(good, patches)
    found = dict(fits)
    for tooth in (t for t in patches if t not in good):
        centre = patches[tooth].centre
        near = sorted(good, key=lambda t: float(np.linalg.norm(patches[t].centre - centre)))[:2]
        guesses = [good[t].motion for t in near]
        if whole is not None:
            guesses.insert(0, whole.motion.inverse())
        if guesses:
            fit = register(patches[tooth], other, guesses, frames[tooth].axes())
            if fit is not None and (
                tooth not in fits or any(tooth in p for p in twice) or _better(fit, fits[tooth])
            ):
                found[tooth] = fit
    return found


def _better(fit: Fit, before: Fit) -> bool:
    def cost(f: Fit) -> float:
        return float(np.mean(np.minimum(f.distances, 0.3) ** 2))

    return cost(fit) < cost(before)
