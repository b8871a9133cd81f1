"""Measured from an invented arch's own truth: what figures and reports are tried on."""

from types import SimpleNamespace
from typing import Any

import numpy as np

from outcomes.measure.measured import ArchPart, Measured, assemble
from outcomes.measure.meshes import Mesh
from outcomes.measure.motion import Rigid, ToothFrame
from outcomes.measure.scanned import ArchMeasured, StageMeasured
from outcomes.measure.superimpose import Superimposition
from outcomes.simulate.arches import simulate_arch
from outcomes.simulate.arches.simulated import SimulatedArch


def part_of(
    made: SimulatedArch,
    *,
    patient: str = "P001",
    course: int = 1,
    refused: dict[tuple[int, str], str] | None = None,
    repeat: int = 1,
    crowns: bool = True,
    stages: tuple[str, ...] = ("planned", "achieved"),
    only: tuple[int, ...] = (),
) -> ArchPart:
    """The truth of an invented arch as if it had been measured; ``refused`` with reasons."""
    refused = refused or {}
    frames = {
        t: ToothFrame(t, a.centre, a.mesial, a.buccal, a.occlusal)
        for t, a in made.frames.items()
        if t in (only or made.frames)
    }
    motions = {
        (tooth, stage): Rigid.from_matrix(made.moved[stage][tooth])
        for stage in stages
        for tooth in made.moved[stage]
        if tooth in frames and (tooth, stage) not in refused
    }
    quality = [
        {
            "tooth": tooth, "stage": stage, "residual": 0.02, "overlap": 0.97,
            "confidence": "low" if (tooth, stage) in refused else "high",
            "verdict": "refused" if (tooth, stage) in refused else "given",
            "reason": refused.get((tooth, stage), ""),
        }
        for stage in stages for tooth in frames
    ]  # fmt: skip
    later = {}
    for stage in stages:
        laid, mesh = Rigid.from_matrix(made.superimposition[stage]), made.meshes[stage]
        later[stage] = StageMeasured(
            Mesh(laid.apply(mesh.vertices), mesh.faces),
            Superimposition(laid, made.reference, 0.02, ()),
            {},
        )
    labels = {t: np.flatnonzero(made.labels["start"] == t) for t in frames}
    axes: Any = SimpleNamespace(frames=frames)
    start = Mesh(made.start.vertices, made.start.faces)
    given = {t: f for t, f in frames.items() if t in {tooth for tooth, _ in motions}}
    detail = ArchMeasured(made.arch, start, later, labels, {}, motions, quality, given, axes)
    return ArchPart(
        patient, course, made.arch, motions, given, quality, stages, repeat,
        notes=("The molars are taken to have stood still.",),
        detail=detail if crowns else None,
    )  # fmt: skip


def drawn(*parts: ArchPart, **options: Any) -> Measured:
    """Parts put together as invented records."""
    return assemble(parts, source="scans.csv", invented=True, **options)


def small_arch(arch: str = "upper", seed: int = 1, **options: Any) -> SimulatedArch:
    """An invented arch of few triangles."""
    return simulate_arch(arch, seed=seed, resolution=options.pop("resolution", 1.0), **options)
