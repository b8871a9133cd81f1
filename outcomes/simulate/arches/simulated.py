"""An invented arch in three stages, with its truth."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.errors import InputError
from outcomes.simulate.arches.layout import Placed
from outcomes.simulate.arches.motions import Axes, inverse, placed
from outcomes.simulate.arches.smooth import Floats
from outcomes.simulate.arches.surface import Ints, Mesh
from outcomes.simulate.arches.write import KINDS, Kind, write_mesh

STAGES = ("start", "planned", "achieved")
SCAN_COLUMNS = [
    "patient", "course", "arch", "start", "planned", "achieved", "teeth", "reference", "unit",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class SimulatedArch:
    """Three meshes of an arch, each in its own coordinates, and what was done to each crown.

    Attributes
    ----------
    arch, seed
        As asked for.
    start, planned, achieved
        The meshes: vertices (n, 3) in mm, faces (m, 3).
    clicks
        tooth -> a point on the middle of its biting surface or edge in the start scan, (3,).
    points
        (tooth, name) -> the points ``mesial``, ``distal``, ``buccal``, ``lingual`` of a crown in
        the start scan, (3,).
    palate
        Points that outline the palate in the start scan, (k, 3), in order; none without palate.
    reference
        Teeth that do not move.
    truth
        Frame tooth, movement, planned, achieved: mm and degrees about the crown's centre along the
        axes in ``frames``. A tooth that is not in the later scan has no value there.
    frames
        tooth -> centre and unit axes in the start scan. The axes are those of the arch as drawn:
        occlusal its normal, mesial along its curve, buccal outwards.
    moved
        stage -> tooth -> the crown's rigid motion (4, 4) from the start, in the coordinates of
        the start scan.
    superimposition
        stage -> rigid motion (4, 4) from that scan's coordinates to those of the start scan.
    labels
        stage -> FDI number for each vertex on one crown alone, else 0, (n,).
    exact
        stage -> the vertices without noise, (n, 3): each lies on the surface itself.
    crowns
        tooth -> the crown as it stands in the start scan; ``crowns[11].field(points)`` is near the
        distance from its surface in mm, negative inside.
    """

    arch: str
    seed: int
    start: Mesh
    planned: Mesh
    achieved: Mesh
    clicks: dict[int, Floats]
    points: dict[tuple[int, str], Floats]
    palate: Floats
    reference: tuple[int, ...]
    truth: pd.DataFrame
    frames: dict[int, Axes]
    moved: dict[str, dict[int, Floats]]
    superimposition: dict[str, Floats]
    labels: dict[str, Ints] = field(repr=False)
    exact: dict[str, Floats] = field(repr=False)
    crowns: dict[int, Placed] = field(repr=False)

    @property
    def meshes(self) -> dict[str, Mesh]:
        """stage -> mesh."""
        return {"start": self.start, "planned": self.planned, "achieved": self.achieved}

    def landmarks(
        self, *, points: bool = False, stages: Sequence[str] = ("start",), decimals: int = 4
    ) -> pd.DataFrame:
        """The landmarks table: a click for each tooth, and the palate's outline.

        Parameters
        ----------
        points
            Adds the mesial, distal, buccal and lingual points.
        stages
            Models to give the teeth's points in, each in its scan's own coordinates; a tooth that
            is gone there has none. The palate's outline is given at the start.
        decimals
            To how many decimals of a mm; 17 leaves them as they are.

        Returns
        -------
        DataFrame
            model, tooth, point, x, y, z.

        Raises
        ------
        InputError
            If a stage is none of start, planned, achieved.
        """
        unknown = [stage for stage in stages if stage not in STAGES]
        if unknown:
            raise InputError(f"No such stage: {', '.join(unknown)}. Use {', '.join(STAGES)}.")
        named = [(t, "crown", p) for t, p in self.clicks.items()]
        if points:
            named += [(tooth, name, p) for (tooth, name), p in self.points.items()]
        rows: list[tuple[str, int, str, Floats]] = []
        for stage in stages:
            if stage == "start":
                rows += [(stage, *of_it) for of_it in named]
                continue
            back = inverse(self.superimposition[stage])
            moved = self.moved[stage]
            rows += [
                (stage, t, name, placed(back, placed(moved[t], p)))
                for t, name, p in named
                if t in moved
            ]
        rows += [("start", 0, "palate", p) for p in self.palate]
        return pd.DataFrame(
            [(stage, t, name, *np.round(p, decimals)) for stage, t, name, p in rows],
            columns=["model", "tooth", "point", "x", "y", "z"],
        )

    def write(
        self,
        folder: str | Path,
        *,
        patient: str = "P001",
        course: int = 1,
        kind: Kind = "ply",
        reference: str | None = None,
        points: bool = False,
    ) -> pd.DataFrame:
        """Write the three meshes, the landmarks table and the arch's row of ``scans.csv``.

        An existing ``scans.csv`` gets the row added, so that several arches can share a folder.

        Parameters
        ----------
        folder
            Where to; it is made if it is not there.
        patient, course
            Whose arch it is.
        kind
            ``"ply"``, ``"stl"`` or ``"obj"``.
        reference
            What stays: default the teeth of ``reference``, ``"palate"`` or ``"all"`` if asked.
        points
            Whether the landmarks have more than a click a tooth.

        Returns
        -------
        DataFrame
            All rows of ``scans.csv``.

        Raises
        ------
        InputError
            If ``kind`` is another, or a row of this patient, course and arch is there already.
        """
        if kind not in KINDS:
            raise InputError(f"kind {kind!r} is not known: use {', '.join(KINDS)}.")
        folder = Path(folder)
        table = folder / "scans.csv"
        name = f"{patient}_{course}_{self.arch}"
        row: dict[str, object] = {"patient": patient, "course": course, "arch": self.arch}
        row |= {stage: f"{name}_{stage}.{kind}" for stage in STAGES}
        row["teeth"] = f"{name}_landmarks.csv"
        row["reference"] = reference or " ".join(map(str, self.reference)) or "all"
        row["unit"] = "mm"
        rows = pd.DataFrame([row], columns=SCAN_COLUMNS)
        if table.exists():
            before = pd.read_csv(table)
            keys = ["patient", "course", "arch"]
            if (
                before[keys]
                .astype(str)
                .agg(" ".join, axis=1)
                .isin([" ".join(name.split("_"))])
                .any()
            ):
                raise InputError(f"scans.csv has {patient}, course {course}, {self.arch} already.")
            rows = pd.concat([before, rows], ignore_index=True)
        folder.mkdir(parents=True, exist_ok=True)
        for stage, mesh in self.meshes.items():
            write_mesh(mesh, folder / str(row[stage]))
        self.landmarks(points=points).to_csv(folder / str(row["teeth"]), index=False)
        rows.to_csv(table, index=False)
        return rows
