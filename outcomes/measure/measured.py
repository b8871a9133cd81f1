"""What was measured: movements as records, the quality of each, the axes, and where it came from.

A tooth that was refused has no row among the movements and a row with the reason in the quality:
what was not measured is absent, never 0.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes import plot_hook
from outcomes.cohort.problems import gather, problem_frame
from outcomes.cohort.read import from_frames
from outcomes.cohort.whole import put_in_place, written_whole
from outcomes.domain.limits import AT_REST
from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.scan_tables import STAGES
from outcomes.errors import CannotAnswer, OutputRefused
from outcomes.measure.motion import FloatArray, Rigid, ToothFrame, components
from outcomes.paths import versions
from outcomes.words.english import number_of
from outcomes.words.safe import write_csv
from outcomes.words.shown import as_html, as_text

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort

__all__ = ["FRAMES", "QUALITY", "ArchPart", "Measured", "assemble"]

MOVEMENT_COLUMNS = ["patient", "course", "tooth", "movement", "planned", "achieved"]
QUALITY = [
    *("patient", "course", "tooth", "stage"),
    *("residual", "overlap", "confidence", "verdict", "reason"),
]
AXES = ("centre", "mesial", "buccal", "occlusal")
FRAMES = ["patient", "course", "arch", "tooth", *(f"{a}_{x}" for a in AXES for x in "xyz")]
#: Whose versions stand in the provenance.
PACKAGES = ("outcomes", "numpy", "scipy", "pandas", "trimesh", "libigl")
#: What a scan is laid on where one tooth of the reference is left out.
REST = "the other teeth of the reference"
REPEATS = ["patient", "course", "tooth", "movement", "reader", "reading", "value"]

DECIMALS = 10
"""Written to files: what is read back is what was computed, not what a scan can tell. What is shown
to people is rounded by the words for numbers."""


@dataclass(frozen=True)
class ArchPart:
    """What one row of scans (or the landmarks of one arch) gave.

    Attributes
    ----------
    patient, course, arch, repeat
        Which.
    motions
        (tooth, stage) -> its motion from the start, after superimposition; only of teeth given.
    frames
        Tooth -> its axes and reference point in the start scan.
    quality
        One mapping a tooth and stage: tooth, stage, residual (mm), overlap (share), confidence,
        verdict, reason.
    stages
        The stages that there were models of.
    problems
        In the columns of ``Cohort.problems``.
    notes
        Sentences on what was assumed.
    detail
        What figures draw from.
    """

    patient: str
    course: int
    arch: str
    motions: Mapping[tuple[int, str], Rigid]
    frames: Mapping[int, ToothFrame]
    quality: Sequence[Mapping[str, Any]]
    stages: tuple[str, ...] = STAGES
    repeat: int = 1
    problems: pd.DataFrame | None = None
    notes: tuple[str, ...] = ()
    detail: Any = None


@dataclass(frozen=True)
class Measured:
    """Movements measured from scans or landmarks.

    Attributes
    ----------
    movements
        patient, course, tooth, movement, planned, achieved: mm and degrees, signs of the records.
        A blank was not measured. Teeth that were refused have no row. A plan that leaves a tooth
        in place (``AT_REST`` of the limits) is 0.
    quality
        patient, course, tooth, stage, residual (mm), overlap (share of the crown that was found),
        confidence, verdict (given, refused), reason.
    frames
        patient, course, arch, tooth, then centre, mesial, buccal, occlusal in the coordinates of
        the start scan, mm: whoever has the motion can compute its components again.
    repeats
        The same courses measured again, as readings; empty where there are none.
    problems
        In the columns of ``Cohort.problems``.
    notes
        Sentences on what was assumed.
    sensitivity
        How the result changes with what is taken as stable; empty where that was not tried.
    source, inputs
        Name of what was read; name and SHA-256 of each file.
    settings
        What was chosen.
    invented
        Whether these are invented records.
    arches
        What each arch gave.
    """

    movements: pd.DataFrame
    quality: pd.DataFrame
    frames: pd.DataFrame
    repeats: pd.DataFrame
    problems: pd.DataFrame
    notes: tuple[str, ...] = ()
    sensitivity: pd.DataFrame = field(default_factory=pd.DataFrame)
    source: str = "frame"
    inputs: tuple[tuple[str, str], ...] = ()
    settings: Mapping[str, Any] = field(default_factory=dict)
    invented: bool = False
    arches: tuple[ArchPart, ...] = field(default=(), repr=False)

    @property
    def cohort(self) -> Cohort:
        """The movements as a cohort, repeats included, through the checks of all records.

        Raises
        ------
        CannotAnswer
            If no tooth was measured.
        CohortError
            If the records cannot be analysed, as when nothing was planned.
        """
        if not len(self.movements):
            raise CannotAnswer("No tooth was measured: see .quality and .problems for the reasons.")
        repeats = self.repeats if len(self.repeats) else None
        # What was measured here are changes, and their signs are those of the records.
        return from_frames(
            self.movements,
            repeats=repeats,
            source=self.source,
            invented=self.invented,
            answered=("positions",),
        )

    def plot(self, kind: str | None = None, **options: Any) -> Any:
        """Draw it; see ``outcomes.figures.measured_arches``."""
        return plot_hook.plot(self, kind, **options)

    def write(self, folder: str | Path, *, overwrite: bool = False) -> Path:
        """Write all tables and their provenance into a folder, whole or not at all.

        Parameters
        ----------
        folder
            Made; it must not exist, or be empty.
        overwrite
            Replace a folder that was written by outcomes.

        Returns
        -------
        Path
            The folder: movements.csv (a cohort; its last column says that teeth are FDI), quality.csv, frames.csv, problems.csv,
            provenance.json; repeats.csv and sensitivity.csv where there are any.

        Raises
        ------
        OutputRefused
            If something else stands there.
        """
        folder = Path(folder).absolute()
        _check_free(folder, overwrite=overwrite)
        if folder.is_dir() and any(folder.iterdir()):
            earlier = folder.with_name(f".{folder.name}-earlier")
            with put_in_place(folder, earlier) as new:
                self.write_files(new)
            shutil.rmtree(earlier)
            return folder
        if folder.is_dir():
            folder.rmdir()
        folder.parent.mkdir(parents=True, exist_ok=True)
        with written_whole(folder) as new:
            self.write_files(new)
        return folder

    def write_files(self, folder: Path) -> None:
        """Write the tables into a folder, made if need be."""
        folder.mkdir(exist_ok=True)
        # Numbers of one upper arch could be Universal ones too: the column says that they are not.
        tables = {
            "movements": self.movements.assign(notation="FDI"),
            "quality": self.quality,
            "frames": self.frames,
            "problems": self.problems,
        }
        more = {"repeats": self.repeats, "sensitivity": self.sensitivity}
        if len(self.repeats):
            more["repeats"] = self.repeats.assign(notation="FDI")
        for name, table in (tables | {n: t for n, t in more.items() if len(t)}).items():
            write_csv(_written(table), folder / f"{name}.csv")
        text = json.dumps(self.provenance(), indent=2, ensure_ascii=False)
        (folder / "provenance.json").write_text(f"{text}\n", encoding="utf-8")

    def provenance(self) -> dict[str, Any]:
        """Inputs with their SHA-256, settings, versions and time; no path of the machine."""
        return {
            "written_by": "outcomes",
            "report": "measure",
            "input": {"file": self.source, "invented": self.invented},
            "files": [{"file": name, "sha256": sha} for name, sha in self.inputs],
            "settings": dict(self.settings),
            "notes": list(self.notes),
            "versions": versions(PACKAGES),
            "written": datetime.now().astimezone().isoformat(timespec="seconds"),
        }

    def counts(self) -> str:
        """How many teeth were measured and refused, in words.

        Examples
        --------
        >>> assemble([]).counts()
        'no teeth measured'
        """
        key = ["patient", "course", "tooth"]
        given = len(self.movements[key].drop_duplicates())
        words = f"{number_of(given, 'tooth', 'teeth')} measured"
        refused = self.quality[self.quality["verdict"] == "refused"]
        if len(refused):
            words += f"; {number_of(len(refused), 'tooth', 'teeth')} refused in a model"
        return words

    def __repr__(self) -> str:
        return as_text(f"Measured from {self.source}: {self.counts()}", *self.notes)

    def _repr_html_(self) -> str:
        head = f"Measured from {self.source}: {self.counts()}"
        return as_html(head, self.movements, self.quality, notes=self.notes)


def assemble(
    parts: Iterable[ArchPart],
    *,
    problems: Sequence[pd.DataFrame] = (),
    notes: Sequence[str] = (),
    sensitivity: pd.DataFrame | None = None,
    source: str = "frame",
    inputs: Iterable[tuple[str, str]] = (),
    settings: Mapping[str, Any] | None = None,
    invented: bool = False,
) -> Measured:
    """Put together what arches gave.

    Parameters
    ----------
    parts
        Those with repeat 1 become movements; all repeats of a course measured more than once become
        readings of its achieved movements.
    problems, notes, sensitivity, source, inputs, settings, invented
        See ``Measured``.

    Returns
    -------
    Measured
    """
    parts = list(parts)
    found = [frame for frame in problems if len(frame)]
    moved: list[pd.DataFrame] = []
    at_rest: list[str] = []
    for part in parts:
        rows, listed, resting = _movements(part)
        moved.append(rows)
        at_rest += resting if part.repeat == 1 else []
        found += listed
        if part.problems is not None and len(part.problems):
            found.append(part.problems)
    first = [rows for part, rows in zip(parts, moved, strict=True) if part.repeat == 1]
    quality = [
        {"patient": p.patient, "course": p.course, **dict(row)} for p in parts for row in p.quality
        if p.repeat == 1
    ]  # fmt: skip
    frames = [_frame_row(p, p.frames[t]) for p in parts if p.repeat == 1 for t in sorted(p.frames)]
    said = dict.fromkeys([*notes, *(note for part in parts for note in part.notes), *at_rest])
    return Measured(
        movements=_stacked(first, MOVEMENT_COLUMNS),
        quality=pd.DataFrame(quality, columns=QUALITY),
        frames=pd.DataFrame(frames, columns=FRAMES),
        repeats=_repeats(parts, moved),
        problems=gather(found),
        notes=tuple(said),
        sensitivity=pd.DataFrame() if sensitivity is None else sensitivity,
        source=source,
        inputs=tuple(dict.fromkeys(inputs)),
        settings=dict(settings or {}),
        invented=invented,
        arches=tuple(parts),
    )


def _movements(part: ArchPart) -> tuple[pd.DataFrame, list[pd.DataFrame], list[str]]:
    """Six rows for each tooth that was measured in some stage; blank where it was not."""
    rows, found, resting = [], [], []
    for tooth in sorted({tooth for tooth, _ in part.motions}):
        if tooth not in part.frames:
            continue
        values: dict[str, dict[str, float]] = {}
        for stage in STAGES:
            if (tooth, stage) not in part.motions:
                continue
            try:
                values[stage] = components(part.motions[tooth, stage], part.frames[tooth])
            except CannotAnswer as error:
                remedy = "Look at the scans and points of this tooth."
                found.append(problem_frame("teeth", None, "tooth", tooth, str(error), remedy, "exclude"))  # fmt: skip
        if not values:
            continue
        if stays(values.get("planned")):
            values["planned"] = dict.fromkeys(MOVEMENTS, 0.0)
            resting.append(tooth)
        for name in MOVEMENTS:
            planned, achieved = (values.get(s, {}).get(name, np.nan) for s in STAGES)
            rows.append((part.patient, part.course, tooth, name, planned, achieved))
    return pd.DataFrame(rows, columns=MOVEMENT_COLUMNS), found, _resting(part, resting)


def stays(planned: Mapping[str, float] | None) -> bool:
    """Whether a plan, mm and degrees by movement, leaves its tooth where it is.

    Examples
    --------
    >>> stays(dict.fromkeys(MOVEMENTS, 0.04)), stays({"vertical": -0.06}), stays(None)
    (True, False, False)
    """
    if planned is None:
        return False
    return all(abs(value) <= AT_REST[MOVEMENTS[name].unit] for name, value in planned.items())


def _resting(part: ArchPart, teeth: Sequence[int]) -> list[str]:
    if not teeth:
        return []
    listed = ", ".join(map(str, teeth))
    return [
        f"{part.patient}, course {part.course}, {part.arch}: the plan leaves {listed} in place (no more "
        f"than {AT_REST['mm']:g} mm and {AT_REST['degree']:g} degrees in any way), so that planned "
        "is 0: how far they drifted is unplanned movement."
    ]


def _frame_row(part: ArchPart, frame: ToothFrame) -> list[Any]:
    vectors: list[FloatArray] = [frame.centre, frame.mesial, frame.buccal, frame.occlusal]
    return [
        part.patient,
        part.course,
        part.arch,
        frame.tooth,
        *(float(v) for vector in vectors for v in vector),
    ]


def _stacked(frames: Sequence[pd.DataFrame], columns: list[str]) -> pd.DataFrame:
    filled = [frame for frame in frames if len(frame)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=columns)


def _repeats(parts: Sequence[ArchPart], moved: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Readings of the achieved movements of arches that were measured more than once."""
    key = [(p.patient, p.course, p.arch) for p in parts]
    again = {k for k, p in zip(key, parts, strict=True) if p.repeat > 1}
    readings = []
    for k, part, rows in zip(key, parts, moved, strict=True):
        if k in again:
            known = rows[rows["achieved"].notna()]
            readings.append(
                known.assign(reader="measuring", reading=part.repeat, value=known["achieved"])[
                    REPEATS
                ]
            )
    return _stacked(readings, REPEATS)


def _written(table: pd.DataFrame) -> pd.DataFrame:
    """Numbers to DECIMALS, without a sign before nought."""
    table = table.copy()
    for name in table.columns:
        if table[name].dtype.kind == "f":
            table[name] = table[name].round(DECIMALS) + 0.0
    return table


def _check_free(folder: Path, *, overwrite: bool) -> None:
    if not folder.exists() and not folder.is_symlink():
        return
    if folder.is_symlink() or not folder.is_dir():
        raise OutputRefused(f"{folder} is not a folder: choose another name.")
    if not any(folder.iterdir()):
        return
    if not overwrite:
        raise OutputRefused(
            f"{folder} exists already: choose another folder, or overwrite it if it was written by "
            "outcomes."
        )
    try:
        record = json.loads((folder / "provenance.json").read_text(encoding="utf-8"))
        ours = isinstance(record, dict) and record.get("written_by") == "outcomes"
    except (OSError, ValueError):
        ours = False
    if not ours:
        raise OutputRefused(
            f"{folder} holds something other than what outcomes wrote, so it is left alone: choose "
            "another folder."
        )
