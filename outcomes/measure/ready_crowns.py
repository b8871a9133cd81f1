"""Crowns that another program has cut out: one mesh each, in place of clicks on the start scan.

What is measured is the start scan itself: of each mesh only those vertices of the scan count that
lie on it. Whatever the program filled in (contacts, a closed base, a root) takes no part.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import dijkstra

from outcomes.domain.teeth import arch as arch_of
from outcomes.domain.teeth import describe_notation, parse_teeth
from outcomes.errors import Unreadable
from outcomes.measure.axes import arch_frames
from outcomes.measure.crowns import FROM_MARGIN, Crown, crown_of
from outcomes.measure.extra import need
from outcomes.measure.mesh_files import ENDINGS
from outcomes.measure.meshes import FloatArray, IntArray, Mesh, read_mesh
from outcomes.words.english import listed

__all__ = ["OFF_SCAN", "ON_CROWN", "OnStart", "ReadyCrowns", "crowns_on", "laid_on", "read_crowns"]

#: mm: a vertex of the start scan this near a crown's mesh belongs to that crown.
ON_CROWN = 0.15
#: mm: a crown whose mesh lies further off than this (median) is not of this scan.
OFF_SCAN = 0.5
#: mm from the middle of a crown, seen from above, within which its biting point is looked for: the
#: edge of a front tooth may lie aside of it, the groove of a back tooth lies between its cusps.
FRONT, BACK = 2.0, 0.75
#: mm below the highest vertex there to which the biting surface reaches.
TOP = 0.5
#: Opening of the crowns, as a share of their surface, below which they are closed bodies.
CLOSED = 0.05
#: So many vertices of a crown's mesh say how far it lies from the scan.
ASKED = 2000


class Note(Protocol):
    """Lists a problem: column, value, problem, remedy, severity."""

    def __call__(
        self, column: str, value: object, problem: str, remedy: str, severity: str, /
    ) -> None: ...


@dataclass(frozen=True)
class ReadyCrowns:
    """The crowns of a folder.

    Attributes
    ----------
    meshes
        FDI number -> its crown, mm, coordinates of the start scan.
    lost
        FDI number -> why its crown cannot be used.
    hashes
        Name (folder and file) and SHA-256 of each file that was read.
    """

    meshes: dict[int, Mesh]
    lost: dict[int, str]
    hashes: list[tuple[str, str]]


@dataclass(frozen=True)
class OnStart:
    """Ready crowns on the start scan.

    Attributes
    ----------
    clicks
        FDI number -> (3,), the middle of its biting surface or edge, mm.
    vertices
        FDI number -> the vertices of the start scan that are its crown.
    lost
        FDI number -> why its crown cannot be used, those of the folder included.
    """

    clicks: dict[int, FloatArray]
    vertices: dict[int, IntArray]
    lost: dict[int, str]


def read_crowns(folder: Path, *, arch: str, unit: str, note: Note) -> ReadyCrowns:
    """Read a folder of crowns named by FDI number (``16.stl``, ``16.ply`` or ``16.obj``).

    Parameters
    ----------
    folder
        Where they are; folders in it are not looked into.
    arch
        ``"upper"`` or ``"lower"``: crowns of the other one are left out.
    unit
        Of their coordinates: mm, cm, m or inch.
    note
        Is given everything that is wrong.

    Returns
    -------
    ReadyCrowns
        Nothing is raised: what cannot be read is in ``lost``, with its reason.
    """
    meshes: dict[int, Mesh] = {}
    lost: dict[int, str] = {}
    hashes: list[tuple[str, str]] = []
    for tooth, files in _named(folder, arch, note).items():
        names = listed([f.name for f in files])
        try:
            if len(files) > 1:
                raise Unreadable(f"{names} are all crown {tooth}", "Leave the right one.")
            with files[0].open("rb") as data:
                sha = hashlib.file_digest(data, "sha256").hexdigest()
            hashes.append((f"{folder.name}/{names}", sha))
            meshes[tooth] = read_mesh(files[0], unit=unit, whole_arch=False)
        except Unreadable as error:
            note("teeth", names, error.problem, error.remedy, "exclude")
            lost[tooth] = error.problem
        except OSError:
            lost[tooth] = f"{names} cannot be opened"
            note("teeth", names, lost[tooth], "Look at who may read it.", "exclude")
    for alike in _same_content(hashes):
        teeth = [int(Path(name).stem) for name in alike]
        problem = f"{listed([Path(name).name for name in alike])} are copies of one file"
        note("teeth", listed(map(str, teeth)), problem, "Give each its own crown.", "exclude")
        for tooth in teeth:
            meshes.pop(tooth, None)
            lost[tooth] = problem
    if not meshes:
        remedy = (
            "Put one mesh a crown into it, named by its number as 16.stl, or give a table of "
            "clicked points."
        )
        note("teeth", folder.name, f"no crown of the {arch} arch can be used", remedy, "exclude")
    return ReadyCrowns(meshes, lost, hashes)


def _same_content(hashes: list[tuple[str, str]]) -> list[list[str]]:
    """Names of files that hold the same, those alike together."""
    alike: dict[str, list[str]] = {}
    for name, sha in hashes:
        alike.setdefault(sha, []).append(name)
    return [names for names in alike.values() if len(names) > 1]


def _named(folder: Path, arch: str, note: Note) -> dict[int, list[Path]]:
    """The files of each tooth of the arch, in order of number."""
    try:
        there = sorted(p for p in folder.iterdir() if not p.name.startswith("."))
    except OSError:
        note("teeth", folder.name, "the folder cannot be opened", "Look at who may read it.", "exclude")  # fmt: skip
        return {}
    if not there:
        note("teeth", folder.name, "the folder of crowns is empty", "Put the crowns into it.", "exclude")  # fmt: skip
    found: dict[int, list[Path]] = {}
    ignored, other = [], []
    for file in there:
        numbered = file.is_file() and re.fullmatch("[0-9]{2}", file.stem)
        number = parse_teeth([file.stem], "fdi")[0] if numbered else None
        if number is None or np.isnan(number) or file.suffix.lower() not in ENDINGS:
            ignored.append(file.name)
        elif arch_of(int(number)) != arch:
            other.append(file.name)
        else:
            found.setdefault(int(number), []).append(file)
    if other:
        remedy = "Correct the numbers, or the arch of this scan."
        note("teeth", listed(other), f"crowns of the other arch than {arch}", remedy, "exclude")
    if ignored:
        remedy = (
            f"Nothing, if they are no crowns; name a crown by its number alone, as 16.stl "
            f"({describe_notation('fdi')}; {', '.join(ENDINGS)})."
        )
        note("teeth", listed(ignored), "not read: not named as a crown", remedy, "check")
    return dict(sorted(found.items()))


def laid_on(start: Mesh, ready: ReadyCrowns, note: Note) -> OnStart:
    """Where ready crowns are on the start scan; each that is not there is listed.

    Parameters
    ----------
    start
        The scan they were cut from, or these crowns alone as one mesh.
    ready
        The crowns, in its coordinates.
    note
        Is given everything that is wrong.
    """
    lost = dict(ready.lost)
    for tooth, off in _distances(start, ready.meshes).items():
        if off > OFF_SCAN:
            lost[tooth] = f"its crown mesh lies {off:.1f} mm from the start scan (median)"
            remedy = (
                "It is in other coordinates or another unit than the start scan, or of another "
                "scan: export both from the same place."
            )
            note("teeth", tooth, lost[tooth], remedy, "exclude")
    owner = _owners(start, {t: m for t, m in ready.meshes.items() if t not in lost})
    vertices: dict[int, IntArray] = {}
    for tooth in sorted(set(ready.meshes) - set(lost)):
        mine = np.flatnonzero(owner == tooth)
        if len(mine) < 3 or start.areas[mine].sum() <= 0:
            lost[tooth] = f"no surface of the start scan lies within {ON_CROWN} mm of its crown"
            remedy = "Export the crowns from this scan, each once and unsmoothed."
            note("teeth", tooth, lost[tooth], remedy, "exclude")
        else:
            vertices[tooth] = mine
    away = _away_from_gum(start, vertices, note)
    if away is None:
        lost |= dict.fromkeys(vertices, "which way its crown faces cannot be told")
        return OnStart({}, {}, lost)
    clicks = {tooth: _biting_point(start, tooth, mine, away) for tooth, mine in vertices.items()}
    return OnStart(clicks, vertices, lost)


def _distances(start: Mesh, meshes: Mapping[int, Mesh]) -> dict[int, float]:
    """Tooth -> median distance of its mesh from the scan, mm."""
    if not meshes:
        return {}
    asked = {
        t: m.vertices[:: max(1, -(-len(m.vertices) // ASKED))] for t, m in sorted(meshes.items())
    }
    off = _off(np.concatenate(list(asked.values())), start)
    ends = np.cumsum([len(points) for points in asked.values()])
    parts = np.split(off, ends[:-1])
    return {t: float(np.median(part)) for t, part in zip(asked, parts, strict=True)}


def _owners(start: Mesh, meshes: Mapping[int, Mesh]) -> IntArray:
    """(n,): the tooth whose crown each vertex of the scan lies on, the nearest one; 0 for none."""
    owner = np.zeros(len(start.vertices), np.int64)
    nearest = np.full(len(start.vertices), ON_CROWN)
    for tooth, mesh in meshes.items():
        low, high = mesh.vertices.min(axis=0) - ON_CROWN, mesh.vertices.max(axis=0) + ON_CROWN
        box = np.flatnonzero(((start.vertices >= low) & (start.vertices <= high)).all(axis=1))
        if not len(box):
            continue
        off = _off(start.vertices[box], mesh)
        mine = (off < nearest[box]) | ((off <= ON_CROWN) & (owner[box] == 0))
        owner[box[mine]] = tooth
        nearest[box[mine]] = off[mine]
    return owner


def _off(points: FloatArray, mesh: Mesh) -> FloatArray:
    """Distances of points (n, 3) from a surface, mm."""
    squared = need("igl").point_mesh_squared_distance(
        np.ascontiguousarray(points), mesh.vertices, mesh.faces
    )[0]
    return np.sqrt(np.maximum(np.asarray(squared, float).ravel(), 0.0))


def _away_from_gum(start: Mesh, vertices: Mapping[int, IntArray], note: Note) -> FloatArray | None:
    """Unit vector from the gum to the biting surfaces; None where nothing tells it.

    A crown is open towards the gum: the area vectors of its triangles add up to that of the lid it
    lacks. Which of its sides is outside does not matter.
    """
    lid, surface = np.zeros(3), 0.0
    in_patch = np.zeros(len(start.vertices), bool)
    for mine in vertices.values():
        in_patch[:] = False
        in_patch[mine] = True
        faces = in_patch[start.faces].all(axis=1)
        vectors = start.face_vectors[faces]
        middles = start.vertices[start.faces[faces]].mean(axis=1)
        size = np.linalg.norm(vectors, axis=1)
        if not size.sum() > 0:
            continue
        outward = np.sum(vectors * (middles - np.average(middles, axis=0, weights=size))) >= 0
        lid += vectors.sum(axis=0) * (1.0 if outward else -1.0)
        surface += float(size.sum())
    if surface and np.linalg.norm(lid) > CLOSED * surface:
        return np.asarray(lid / np.linalg.norm(lid), float)
    if not vertices:
        return None
    centres = {t: start.vertices[mine].mean(axis=0) for t, mine in vertices.items()}
    axes = arch_frames(centres)
    if axes.stopped or not np.isfinite(axes.normal).all():
        remedy = "Give the start scan with its gum, or a table of clicked points."
        note("teeth", "", "the crowns do not tell on which side the gum is", remedy, "exclude")
        return None
    remedy = "Give the start scan with its gum, or look at the picture of the arch."
    note(
        "teeth", "", "closed crowns without gum: which way they face was taken from their numbers, "
        "so that a mirrored scan cannot be noticed", remedy, "check",
    )  # fmt: skip
    return axes.normal


def _biting_point(start: Mesh, tooth: int, mine: IntArray, away: FloatArray) -> FloatArray:
    """The vertex in the middle of what is highest near the middle of a crown."""
    points = start.vertices[mine]
    own = points - np.average(points, axis=0, weights=start.areas[mine])
    height = own @ away
    aside = np.linalg.norm(own - np.outer(height, away), axis=1)
    within = FRONT if tooth % 10 <= 3 else BACK
    above = height >= min(0.0, float(height.max()))
    middle = above & (aside <= max(within, float(aside[above].min(initial=np.inf))))
    top = middle & (height >= height[middle].max() - TOP)
    near = np.linalg.norm(points[top] - points[top].mean(axis=0), axis=1)
    return np.asarray(points[top][near.argmin()], float)


def crowns_on(
    mesh: Mesh, vertices: Mapping[int, IntArray]
) -> tuple[dict[int, Crown], dict[int, str]]:
    """Ready crowns as ``find_crowns`` gives those it finds: tooth -> crown, tooth -> reason."""
    owner = np.zeros(len(mesh.vertices), np.int64)
    for tooth, mine in vertices.items():
        owner[mine] = tooth
    edge = np.sort(mesh.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    key, count = np.unique(edge[:, 0] * len(owner) + edge[:, 1], return_counts=True)
    a, b = key // len(owner), key % len(owner)
    ends = (owner[a] != owner[b]) | (count == 1)
    margin = np.unique(np.r_[a[ends], b[ends]])
    length = np.linalg.norm(mesh.vertices[a] - mesh.vertices[b], axis=1)
    graph = sparse.csr_array((np.r_[length, length], (np.r_[a, b], np.r_[b, a])), shape=2 * owner.shape)  # fmt: skip
    depth = np.full(len(owner), np.inf)
    if len(margin):
        depth = dijkstra(graph, indices=margin, min_only=True, limit=2 * FROM_MARGIN)
    crowns: dict[int, Crown] = {}
    refused: dict[int, str] = {}
    for tooth, mine in sorted(vertices.items()):
        crown = crown_of(mesh, tooth, mine, mine[depth[mine] >= FROM_MARGIN])
        if isinstance(crown, Crown):
            crowns[tooth] = crown
        else:
            refused[tooth] = f"too little of the start scan lies on its crown mesh ({crown})"
    return crowns, refused
