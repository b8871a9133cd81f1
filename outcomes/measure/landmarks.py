"""Planned and achieved movements from named points on three models.

Every tooth's points of the same names in the start model and in another fix its motion by least
squares. Both models must lie in one frame: where reference teeth are named, the other model is
first laid on the start by their points; else its coordinates are taken as they are. Which teeth
stood still is an assumption: the sensitivity says what changes when each of them is left out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from outcomes.cohort.problems import any_stop, gather, problem_frame
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.scan_tables import PALATE_TOOTH, STAGES
from outcomes.domain.teeth import FDI_TEETH
from outcomes.errors import CannotAnswer, InputError
from outcomes.measure.axes import arch_frames
from outcomes.measure.measured import REST, ArchPart, Measured, assemble
from outcomes.measure.motion import (
    FloatArray,
    Rigid,
    ToothFrame,
    components,
    fit_rigid,
    largest_change,
)
from outcomes.measure.points import CROWN, read_points
from outcomes.measure.tables_in import CannotMeasure
from outcomes.words.english import listed, number_of

__all__ = ["measure_landmarks"]

FEWEST = 3
"""Points of the same name that a motion needs."""

NEW_FRAME = 15.0
"""mm that teeth lie apart in two models, above which these are taken to have frames of their own."""

LOOSE = 0.5
"""mm of residual above which points cannot be those of one rigid crown: the tooth is refused."""
UNSURE = 0.2
"""mm of residual above which the confidence is low."""

Points = dict[str, FloatArray]
"""Name -> (3,), mm."""


def measure_landmarks(
    source: str | Path | pd.DataFrame,
    *,
    reference: Sequence[int] | Literal["all"] | None = None,
    unit: str = "mm",
    patient: str = "P1",
    course: int = 1,
) -> Measured:
    """Measure movements from named points.

    Parameters
    ----------
    source
        A frame, a text file or a workbook: model (start, planned, achieved), tooth (FDI), point, x,
        y, z; with several patients, courses or arches columns patient, course, arch; with a course
        measured again a column repeat. At least three points of the same names for each tooth
        and model, not on a line. Points named crown (the middle of the biting surface; the mean of
        all points where there is none) place the tooth on the arch; mesial, distal, buccal, lingual
        and neck sharpen its axes.
    reference
        FDI numbers of teeth that are taken as stable, on whose points planned and achieved are laid
        on the start; "all": on all teeth, those that moved most counting least. None: the models
        share one frame already.
    unit
        Of the coordinates: mm, cm, m, inch.
    patient, course
        Where the table has no such column.

    Returns
    -------
    Measured
        ``quality.residual``: root mean square misfit of a tooth's points, mm.

    Raises
    ------
    FileNotFoundError, InputError, CannotMeasure
        If nothing can be measured; lists every problem with its row and remedy.

    Notes
    -----
    The reference point is the mean of the tooth's points in the start model that some other model
    has too. Which way is up follows from the numbers of the teeth: a table whose points are all
    mirrored cannot be told from a right one.

    Examples
    --------
    >>> points = {"mesial": (3.0, 0, 0), "distal": (-3.0, 0, 0), "buccal": (0, 4.0, -1),
    ...           "lingual": (0, -4.0, -1)}
    >>> rows = [(model, 14, name, x + shift, y, z) for model, shift in (("start", 0), ("achieved", 0.8))
    ...         for name, (x, y, z) in points.items()]
    >>> found = measure_landmarks(pd.DataFrame(rows, columns=["model", "tooth", "point", *"xyz"]))
    >>> print(found.movements.loc[0, "movement"], round(found.movements.loc[0, "achieved"], 9))
    mesiodistal 0.8
    """
    table = read_points(source, unit=unit)
    if reference is not None and reference != "all":
        _check_reference(reference)
    parts, sensitivity = [], []
    for (name, number, arch, repeat), rows in table.arches():
        number = number if "course" in table.columns else course
        key = (name or patient, number, arch, repeat)
        part, changes = _arch(rows, key, reference)
        parts.append(part)
        sensitivity += changes
    notes = (_reference_note(reference),)
    measured = assemble(
        parts,
        problems=[table.problems],
        notes=notes,
        sensitivity=pd.DataFrame(sensitivity),
        source=table.name or "frame",
        inputs=[(table.name, table.sha256)] if table.name else [],
        settings={
            "from": "landmarks",
            "unit": unit,
            "reference": reference if reference is None or isinstance(reference, str)
            else [int(t) for t in reference],
        },
    )  # fmt: skip
    if not len(measured.movements) and any_stop([measured.problems]):
        raise CannotMeasure(measured.problems, table.name or "The landmarks table")
    return measured


def _check_reference(reference: Sequence[int]) -> None:
    wrong = [str(t) for t in reference if t not in FDI_TEETH]
    if isinstance(reference, str) or wrong:
        raise InputError(
            f"reference={reference!r}: give FDI numbers of teeth taken as stable, 'all', or None "
            "where the models share one frame."
        )


def _reference_note(reference: Sequence[int] | str | None) -> str:
    if reference is None:
        return (
            "The models were taken to share one frame: planned and achieved were not superimposed "
            "on the start. If a model has a frame of its own, name reference teeth."
        )
    if reference == "all":
        return (
            "Planned and achieved were laid on the start by all teeth, those that moved most "
            "counting least: if most teeth moved alike, that movement is not seen."
        )
    return (
        f"Taken as stable: {listed(str(t) for t in reference)}. If they moved, every other "
        "tooth seems to have moved the other way; the sensitivity says by how much the result "
        "changes when each is left out."
    )


@dataclass(frozen=True)
class _Arch:
    """Points of one arch: model -> tooth -> name -> (3,)."""

    models: dict[str, dict[int, Points]]
    palate: dict[str, Points]


def _gathered(rows: pd.DataFrame) -> _Arch:
    models: dict[str, dict[int, Points]] = {}
    palate: dict[str, Points] = {}
    xyz = rows[["x", "y", "z"]].to_numpy(float)
    for model, tooth, point, place in zip(
        rows["model"], rows["tooth"], rows["point"], xyz, strict=True
    ):
        if tooth == PALATE_TOOTH:
            palate.setdefault(str(model), {})[str(len(palate.get(str(model), {})))] = place
        else:
            models.setdefault(str(model), {}).setdefault(int(tooth), {})[str(point)] = place
    return _Arch(models, palate)


def _arch(
    rows: pd.DataFrame,
    key: tuple[str, int, str, int],
    reference: Sequence[int] | str | None,
) -> tuple[ArchPart, list[dict[str, Any]]]:
    """Motions of the teeth of one arch, and how they depend on the reference."""
    patient, course, arch, repeat = key
    found: list[pd.DataFrame] = []
    where = f"{patient}, course {course}, {arch}"

    def note(problem: str, remedy: str, severity: str, value: object = "") -> None:
        said = f"{where}: {problem}"
        found.append(problem_frame("landmarks", None, "", value, said, remedy, severity))

    models = _gathered(rows).models
    start = models.get("start", {})
    stages = tuple(s for s in STAGES if s in models)
    if not start:
        note("no point of the start model", "Add its points: planned and achieved are changes from it.", "stop")  # fmt: skip
    if not stages:
        note("no point of planned or achieved", "Add the points of one of them.", "stop")
    if not start or not stages:
        return ArchPart(patient, course, arch, {}, {}, [], stages, repeat, gather(found)), []
    frames, unframed = _frames(start, models, note)
    motions: dict[tuple[int, str], Rigid] = {}
    quality: list[dict[str, Any]] = []
    changes: list[dict[str, Any]] = []
    notes: list[str] = []
    for stage in stages:
        laid, said = _laid(start, models[stage], reference, stage, note)
        if said:
            notes.append(f"{where}: {said}")
        every = sorted({*start, *models[stage]})
        for tooth in every:
            row = _tooth(tooth, start, models[stage], laid, stage, frames.get(tooth), unframed)
            if row[0] is not None:
                motions[tooth, stage] = row[0]
            quality.append(row[1])
        if laid is not None:
            given = {t: m for (t, s), m in motions.items() if s == stage}
            changes += _left_out(start, models[stage], reference, stage, given, frames, laid, key)
    used = {tooth for tooth, _ in motions}
    kept = {tooth: frame for tooth, frame in frames.items() if tooth in used}
    part = ArchPart(
        patient, course, arch, motions, kept, quality, stages, repeat, gather(found), tuple(notes)
    )  # fmt: skip
    return part, changes


def _frames(start: Mapping[int, Points], models: Mapping[str, Any], note: Any) -> tuple[dict[int, ToothFrame], str]:  # fmt: skip
    """Axes about the mean of the points that come back in some other model."""
    clicks = {
        t: p[CROWN] if CROWN in p else np.mean(list(p.values()), axis=0) for t, p in start.items()
    }
    centres = {}
    for tooth, points in start.items():
        again = {name for s in STAGES for name in models.get(s, {}).get(tooth, {})}
        common = [place for name, place in points.items() if name in again]
        centres[tooth] = np.mean(common or list(points.values()), axis=0)
    named = {(t, name): place for t, p in start.items() for name, place in p.items()}
    axes = arch_frames(clicks, points=named, centres=centres)
    reasons = []
    for row in axes.problems.itertuples():
        note(str(row.problem), str(row.remedy), str(row.severity), row.value)
        reasons.append(str(row.problem))
    frames = {} if axes.stopped else axes.frames
    return frames, f"no axes: {'; '.join(reasons) or 'see the problems'}"


def _common(before: Points, after: Points) -> tuple[FloatArray, FloatArray]:
    names = sorted(set(before) & set(after))
    return (
        np.array([before[n] for n in names]).reshape(-1, 3),
        np.array([after[n] for n in names]).reshape(-1, 3),
    )


def _stacked(
    start: Mapping[int, Points], other: Mapping[int, Points], teeth: Sequence[int]
) -> tuple[FloatArray, FloatArray]:
    pairs = [_common(start[t], other[t]) for t in teeth if t in start and t in other]
    if not pairs:
        return np.empty((0, 3)), np.empty((0, 3))
    return np.concatenate([a for a, _ in pairs]), np.concatenate([b for _, b in pairs])


def _laid(
    start: Mapping[int, Points],
    other: Mapping[int, Points],
    reference: Sequence[int] | str | None,
    stage: str,
    note: Any,
) -> tuple[Rigid | None, str]:
    """The motion that lays a model on the start, and its fit; None where that cannot be."""
    if reference is None:
        before, after = _stacked(start, other, list(start))
        apart = np.median(np.linalg.norm(after - before, axis=1)) if len(before) else 0.0
        if apart > NEW_FRAME:
            note(
                f"the {stage} model lies {apart:.0f} mm from the start: it has a frame of its own",
                "Name teeth that stood still (reference), or take the coordinates in one frame.",
                "stop",
            )
            return None, ""
        return Rigid.identity(), ""
    teeth = sorted(set(start) & set(other)) if reference == "all" else [int(t) for t in reference]
    absent = [str(t) for t in teeth if t not in start or t not in other]
    here = [t for t in teeth if str(t) not in absent]
    if absent and here:
        note(
            f"reference {listed(absent)} without points in start or {stage}: not used",
            "Add their points, or name other teeth.",
            "check",
        )
    try:
        motion, residual = _superimposed(start, other, here, trimmed=reference == "all")
    except CannotAnswer as error:
        note(
            f"the {stage} model cannot be laid on the start: {error}",
            "Name reference teeth that have points in both models.",
            "stop",
        )
        return None, ""
    fit = f"{number_of(len(here), 'reference tooth', 'reference teeth')} lie {residual:.2f} mm off"
    if residual > UNSURE and reference != "all":
        note(
            f"{fit} on average in the {stage} model: they moved against each other",
            "Name teeth that stood still, and look at the sensitivity.",
            "check",
        )
    return motion, f"in the {stage} model {fit} (root mean square)."


def _superimposed(
    start: Mapping[int, Points], other: Mapping[int, Points], teeth: Sequence[int], *, trimmed: bool
) -> tuple[Rigid, float]:
    """A model on the start by the points of teeth; trimmed: the more they moved, the less."""
    before, after = _stacked(start, other, teeth)
    motion, residual = fit_rigid(after, before)
    if trimmed:
        for _ in range(50):
            off = np.linalg.norm(motion.apply(after) - before, axis=1)
            scale = max(float(np.median(off)), 1e-6)
            motion, residual = fit_rigid(after, before, 1.0 / (1.0 + (off / scale) ** 2))
    return motion, residual


def _tooth(
    tooth: int,
    start: Mapping[int, Points],
    other: Mapping[int, Points],
    laid: Rigid | None,
    stage: str,
    frame: ToothFrame | None,
    unframed: str,
) -> tuple[Rigid | None, dict[str, Any]]:
    """The motion of a tooth where it can be had, and its row of quality."""
    row: dict[str, Any] = {
        "tooth": tooth,
        "stage": stage,
        "residual": np.nan,
        "overlap": np.nan,
        "confidence": "",
        "verdict": "refused",
        "reason": "",
    }

    def refused(reason: str) -> tuple[None, dict[str, Any]]:
        return None, row | {"reason": reason}

    if tooth not in start:
        return refused("no point in the start model")
    if tooth not in other:
        return refused(f"no point in the {stage} model")
    before, after = _common(start[tooth], other[tooth])
    row["overlap"] = len(before) / len(start[tooth])
    if len(before) < FEWEST:
        return refused(
            f"{number_of(len(before), 'point')} of the same name in start and {stage}: "
            f"{FEWEST} are needed"
        )
    if laid is None:
        return refused(f"the {stage} model could not be laid on the start")
    if frame is None:
        return refused(unframed)
    try:
        motion, residual = fit_rigid(before, laid.apply(after))
        moved = components(motion, frame)
    except CannotAnswer as error:
        return refused(str(error))
    row["residual"] = residual
    if residual > LOOSE:
        return refused(
            f"its points fit no rigid motion: they lie {residual:.2f} mm off (root mean square)"
        )
    doubt = _doubt(residual, len(before), moved)
    confidence = "low" if doubt else "high"
    return motion, row | {"verdict": "given", "confidence": confidence, "reason": doubt}


def _doubt(residual: float, n: int, moved: Mapping[str, float]) -> str:
    """Why a motion is less than sure; "" where it is not."""
    far = [name for name, value in moved.items() if abs(value) > MOVEMENTS[name].expected_size]
    if far:
        return (
            f"a {listed(far)} larger than teeth move in a course: look at the names of its points"
        )
    if residual > UNSURE:
        return f"its points lie {residual:.2f} mm off (root mean square)"
    if n == FEWEST:
        return f"{n} points: an error in one of them is hardly seen in the residual"
    return ""


def _left_out(
    start: Mapping[int, Points],
    other: Mapping[int, Points],
    reference: Sequence[int] | str | None,
    stage: str,
    given: Mapping[int, Rigid],
    frames: Mapping[int, ToothFrame],
    laid: Rigid,
    key: tuple[str, int, str, int],
) -> list[dict[str, Any]]:
    """For each reference tooth: the largest change of a movement when it is left out."""
    if reference is None or reference == "all":
        return []
    teeth = [int(t) for t in reference if t in start and t in other]
    rows = []
    for out in teeth:
        row: dict[str, Any] = {
            "patient": key[0],
            "course": key[1],
            "arch": key[2],
            "stage": stage,
            "left_out": out,
            "instead": REST,
        }
        rest = [t for t in teeth if t != out]
        try:
            other_laid, _ = _superimposed(start, other, rest, trimmed=False)
        except CannotAnswer as error:
            rows.append(row | {"note": str(error)})
            continue
        change = laid.inverse().then(other_laid)
        rows.append(row | largest_change(given, frames, change) | {"note": ""})
    return rows
