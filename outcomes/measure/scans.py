"""From a table of scans to movements: every arch of every patient, one after another."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from outcomes import progress as progress_
from outcomes.cohort.problems import gather, problem_frame
from outcomes.domain.scan_tables import PALATE_TOOTH
from outcomes.errors import CohortError, InputError, Unreadable
from outcomes.measure.measured import ArchPart, Measured, assemble
from outcomes.measure.meshes import Mesh, read_mesh
from outcomes.measure.points import Clicks, as_clicks, clicks_of
from outcomes.measure.ready_crowns import OnStart, laid_on, read_crowns
from outcomes.measure.scan_table import ScanRow, read_scan_table
from outcomes.measure.scanned import ArchMeasured, StageMeasured, measure_arch
from outcomes.measure.sensitivity import other_references
from outcomes.words.english import listed

#: So many arches keep their meshes for figures; of further ones only the numbers are kept.
MESHES_KEPT = 24

ASSUMED = (
    "Which teeth or which part of the palate stood still is an assumption: movements are relative "
    "to it, and the sensitivity says how they change with another."
)
CROWNS_ONLY = "Scans show crowns: of roots and bone nothing was measured."


def measure_scans(path: str | Path, *, progress: progress_.Step = progress_.silent) -> Measured:
    """Measure planned and achieved movements of teeth from scans.

    Parameters
    ----------
    path
        A table of scans (text file, or a workbook's sheet ``scans``), one row an arch: patient,
        course, arch, start, planned, achieved (STL, PLY or OBJ; paths from the table's folder),
        teeth (a table of clicked points, or a folder with a mesh for each crown of the start scan,
        named by its FDI number as ``16.stl``), reference (``palate``, ``all`` or FDI numbers), unit.
    progress
        Called with what is being done, steps done, and steps in all.

    Returns
    -------
    Measured
        ``movements`` in mm and degrees, signs of the records, for every tooth that was measured;
        ``quality`` with residual (mm), overlap (share of the crown found), confidence and verdict
        of every clicked tooth. A scan that cannot be used refuses its teeth with the reason, and
        the other rows are measured all the same.

    Raises
    ------
    FileNotFoundError
        If there is nothing at ``path``.
    CannotMeasure
        If no row of the table can be used; lists every problem with its row and remedy.
    ExtraMissing
        If the libraries for scans are not installed: the message is the line to type.

    Notes
    -----
    Each crown is found around its click on the start scan, and registered point to plane in the
    other scans. Its reference point is the centroid of its surface on the start scan.
    """
    table = read_scan_table(path)
    parts, sensitivity, inputs = [], [], [(table.name, table.sha256)]
    for i, row in enumerate(table.rows):
        progress(f"measuring {row.label}", i, len(table.rows))
        part, changes, files = _row(row, keep=i < MESHES_KEPT)
        parts.append(part)
        inputs += files
        key = {"patient": row.patient, "course": row.course, "arch": row.arch}
        sensitivity += [key | change for change in changes] if row.repeat == 1 else []
    progress("measured", len(table.rows), len(table.rows))
    return assemble(
        parts,
        problems=[table.problems],
        notes=(ASSUMED, CROWNS_ONLY),
        sensitivity=pd.DataFrame(sensitivity),
        source=table.name,
        inputs=inputs,
        settings={"from": "scans", "references": sorted({_said(r) for r in table.rows})},
        invented=_is_invented(Path(path)),
    )


def _said(row: ScanRow) -> str:
    return row.reference if isinstance(row.reference, str) else " ".join(map(str, row.reference))


def _is_invented(path: Path) -> bool:
    """Whether a file INVENTED lies beside the table, as beside every invented cohort."""
    return any(p.stem.casefold() == "invented" for p in path.absolute().parent.iterdir())


def _row(
    row: ScanRow, *, keep: bool
) -> tuple[ArchPart, list[dict[str, Any]], list[tuple[str, str]]]:
    """What one arch gave, how it depends on the reference, and the files it came from."""
    found: list[pd.DataFrame] = []

    def note(column: str, value: object, problem: str, remedy: str, severity: str) -> None:
        said = f"{row.label}: {problem}"
        found.append(problem_frame("scans", row.row, column, value, said, remedy, severity))

    stages = tuple(row.stages())
    ready, clicks, more = None, None, list[tuple[str, str]]()
    if row.teeth.is_dir():
        ready = read_crowns(row.teeth, arch=row.arch, unit=row.unit, note=note)
        more = ready.hashes
    else:
        clicks, more = _clicks(row, found, note)
    files = [*more, *_hashes(row)]
    meshes: dict[str, Mesh] = {}
    why: dict[str, str] = {}
    for name, file in {"start": row.start, **row.stages()}.items():
        try:
            meshes[name] = read_mesh(file, unit=row.unit)
        except Unreadable as error:
            note(name, file.name, error.problem, error.remedy, "exclude")
            why[name] = error.problem
    lost: dict[int, str] = {}
    on: OnStart | None = None
    if ready is not None:
        lost = ready.lost | (dict.fromkeys(ready.meshes, why["start"]) if "start" in why else {})
        if "start" in meshes:
            on = laid_on(meshes["start"], ready, note)
            clicks, lost = as_clicks(on.clicks) if on.clicks else None, on.lost
    told = [_refused(t, s, lost[t]) for s in stages for t in sorted(lost)]
    if clicks is None or "start" not in meshes:
        reason = why.get("start", "the clicked points cannot be read")
        quality = [
            _refused(t, s, reason) for s in stages for t in (clicks.clicks if clicks else ())
        ]
        quality += told
        return _part(row, quality, found), [], files
    later = {s: meshes[s] for s in stages if s in meshes}
    done = measure_arch(
        row.arch, meshes["start"], later, clicks.clicks, points=clicks.points,
        reference=row.reference, palate=clicks.palate if len(clicks.palate) else None,
        ready=on.vertices if on else None,
    )  # fmt: skip
    quality = [dict(q) for q in done.quality] + told
    quality += [_refused(t, s, why[s]) for s in stages if s in why for t in sorted(clicks.clicks)]
    for problem in done.axes.problems.itertuples():
        note("teeth", problem.value, str(problem.problem), str(problem.remedy), _mild(problem))
    for name, file in {"start": row.start, **row.stages()}.items():
        mesh = done.start if name == "start" else meshes.get(name)
        later_one = done.stages.get(name)
        mesh = later_one.mesh if later_one and later_one.mesh else mesh
        for mended in mesh.notes if mesh else ():
            note(name, file.name, f"{name}: {mended}", "Nothing, if its teeth look right.", "check")
    notes = _notes(row, done, note)
    part = replace(
        _part(row, quality, found), motions=done.motions, frames=done.frames, notes=notes,
        detail=_lighter(done) if keep else None,
    )  # fmt: skip
    return part, other_references(done), files


def _mild(problem: Any) -> str:
    return "exclude" if problem.severity == "stop" else str(problem.severity)


def _notes(row: ScanRow, done: ArchMeasured, note: Any) -> tuple[str, ...]:
    """What is to be said of each superimposition; scans that were refused become problems."""
    said = []
    for stage, what in done.stages.items():
        laid = what.superimposition
        if laid is None:
            remedy = "Look at the file, at the arch named, and at the reference."
            note(stage, "", f"the {stage} scan was not measured: {what.problem}", remedy, "exclude")
            continue
        on = "the palate" if not laid.teeth else listed(map(str, laid.teeth))
        said.append(
            f"{row.label}: the {stage} scan was laid on {on}, which then lies {laid.residual:.2f} mm "
            "off (root mean square)."
        )
        for caution in laid.cautions:
            remedy = "Look at the sensitivity; name another reference if this one moved."
            note("reference", _said(row), f"{stage}: {caution}", remedy, "check")
    return tuple(said)


def _part(row: ScanRow, quality: list[dict[str, Any]], found: list[pd.DataFrame]) -> ArchPart:
    return ArchPart(
        row.patient, row.course, row.arch, {}, {}, quality, tuple(row.stages()), row.repeat,
        gather(found),
    )  # fmt: skip


def _refused(tooth: int, stage: str, reason: str) -> dict[str, Any]:
    return {
        "tooth": tooth, "stage": stage, "residual": np.nan, "overlap": np.nan, "confidence": "",
        "verdict": "refused", "reason": reason,
    }  # fmt: skip


def _clicks(
    row: ScanRow, found: list[pd.DataFrame], note: Any
) -> tuple[Clicks | None, list[tuple[str, str]]]:
    try:
        clicks, table = clicks_of(row.teeth, arch=row.arch, unit=row.unit)
    except CohortError as error:
        found.append(error.problems)
        note("teeth", row.teeth.name, "its points cannot be read", "See the problems listed.", "exclude")  # fmt: skip
        return None, []
    except (InputError, OSError) as error:
        note("teeth", row.teeth.name, str(error), "Name a table of points.", "exclude")
        return None, []
    if len(clicks.problems):
        found.append(clicks.problems)
    if not clicks.clicks:
        note(
            "teeth", row.teeth.name, f"no crown of the {row.arch} arch is clicked",
            f"Give one point a crown; tooth {PALATE_TOOTH} is the palate alone.", "exclude",
        )  # fmt: skip
        return None, [(table.name, table.sha256)]
    return clicks, [(table.name, table.sha256)]


def _hashes(row: ScanRow) -> list[tuple[str, str]]:
    found = []
    for file in (row.start, *row.stages().values()):
        if file.is_file():
            with file.open("rb") as data:
                found.append((file.name, hashlib.file_digest(data, "sha256").hexdigest()))
    return found


def _lighter(done: ArchMeasured) -> ArchMeasured:
    """The same without what was computed along the way."""
    stages = {
        s: StageMeasured(_bare(d.mesh) if d.mesh else None, d.superimposition, d.fits, d.problem)
        for s, d in done.stages.items()
    }
    return replace(done, start=_bare(done.start), stages=stages)


def _bare(mesh: Mesh) -> Mesh:
    return Mesh(mesh.vertices, mesh.faces, mesh.notes)
