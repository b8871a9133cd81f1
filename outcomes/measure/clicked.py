"""Clicked crowns and the landmarks file they are kept in.

The file has the columns model, tooth, point, x, y, z. Only its rows of the start scan's crowns are
written anew; all other rows stay as they are typed.
"""

from __future__ import annotations

import csv
import io
import os
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from outcomes.domain.scan_tables import MM_PER_UNIT
from outcomes.domain.teeth import (
    DECIDUOUS_ORDER_LOWER,
    DECIDUOUS_ORDER_UPPER,
    FDI_ORDER_LOWER,
    FDI_ORDER_UPPER,
)
from outcomes.errors import InputError, Unreadable
from outcomes.measure.crowns import OFF_SCAN
from outcomes.measure.meshes import FloatArray, Mesh, read_mesh
from outcomes.measure.points import CROWN
from outcomes.words.english import listed, number_of

__all__ = ["COLUMNS", "ClickedFile", "Clicking", "arch_order", "open_clicking"]

COLUMNS = ("model", "tooth", "point", "x", "y", "z")
START = "start"
DECIMALS = 6

_ORDER = {
    "upper": (FDI_ORDER_UPPER, DECIDUOUS_ORDER_UPPER),
    "lower": (FDI_ORDER_LOWER, DECIDUOUS_ORDER_LOWER),
}


def arch_order(arch: str) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Permanent and deciduous teeth of an arch, from the patient's right to the left.

    Raises
    ------
    InputError
        If there is no such arch.
    """
    if arch not in _ORDER:
        raise InputError(f"arch={arch!r}: say arch='upper' or arch='lower'.")
    return _ORDER[arch]


@dataclass(frozen=True)
class ClickedFile:
    """A landmarks file as it stands: its crowns of the start scan, and its other rows.

    Attributes
    ----------
    path
        It need not be there yet.
    points
        Tooth -> (3,), in the coordinates and unit of the scan.
    others
        Its other rows, cells as typed.
    """

    path: Path
    points: Mapping[int, FloatArray]
    others: tuple[tuple[str, ...], ...] = ()

    @classmethod
    def read(cls, path: Path, arch: str) -> ClickedFile:
        """Read a file to go on with; one that is not there has no points.

        Raises
        ------
        Unreadable
            If it is not a file that clicking wrote or could write, with every row that is wrong.
        """
        if not path.exists():
            return cls(path, {})
        remedy = "Put it right, or name another file with landmarks=."
        try:
            rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"), newline="")))
        except (OSError, UnicodeDecodeError, csv.Error) as error:
            raise Unreadable(f"{path.name} cannot be read as text: {error}", remedy) from None
        rows = [row for row in rows if any(cell.strip() for cell in row)]
        if not rows or tuple(cell.strip().lower() for cell in rows[0]) != COLUMNS:
            raise Unreadable(
                f"{path.name} does not have the columns {', '.join(COLUMNS)} and no others",
                "Clicks cannot be added to it: name another file with landmarks=.",
            )
        points: dict[int, FloatArray] = {}
        others, wrong = [], []
        for number, row in enumerate(rows[1:], 2):
            model, _, point = (cell.strip().lower() for cell in (*row, "", "", "")[:3])
            if len(row) != len(COLUMNS):
                wrong.append(f"row {number} has {number_of(len(row), 'cell')}")
            elif model not in ("", START) or point not in ("", CROWN):
                others.append(tuple(row))
            else:
                problem = _take(row, arch, points)
                wrong += [f"row {number}: {problem}"] if problem else []
        if wrong:
            raise Unreadable(f"{path.name} cannot be continued: {'; '.join(wrong)}", remedy)
        return cls(path, points, tuple(others))

    def text(self, points: Mapping[int, FloatArray], arch: str) -> str:
        """The whole file with these crowns: in the order of the arch, six decimals."""
        order = [tooth for teeth in arch_order(arch) for tooth in teeth]
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(COLUMNS)
        for tooth in sorted(points, key=order.index):
            writer.writerow([START, tooth, CROWN, *(_decimals(v) for v in points[tooth])])
        writer.writerows(self.others)
        return out.getvalue()


def _take(row: list[str], arch: str, points: dict[int, FloatArray]) -> str:
    """Take a row of a crown into the points; what is wrong with it, or ""."""
    try:
        tooth = int(row[1])
        place = np.array([float(cell) for cell in row[3:]])
    except ValueError:
        return "a tooth or coordinate is no number"
    if tooth in points:
        return f"tooth {tooth} is there twice"
    return check_point(tooth, place, arch) or points.update({tooth: place}) or ""


def check_point(tooth: int, place: FloatArray, arch: str) -> str:
    """What is wrong with a click, or ""."""
    if not any(tooth in teeth for teeth in arch_order(arch)):
        return f"tooth {tooth} is not of the {arch} arch"
    if place.shape != (3,) or not np.isfinite(place).all():
        return f"tooth {tooth} has coordinates that are no numbers"
    return ""


def _decimals(value: float) -> str:
    return f"{round(float(value), DECIMALS) + 0.0:.{DECIMALS}f}"


@dataclass(frozen=True)
class Clicking:
    """A scan to be clicked, and the file for the clicks.

    Attributes
    ----------
    scan
        Its file.
    mesh
        In mm.
    arch, unit
        Of the scan's teeth and of its numbers.
    file
        Where clicks are kept, with those that were there.
    """

    scan: Path
    mesh: Mesh
    arch: str
    unit: str
    file: ClickedFile
    _known: list[str | None] = field(repr=False)

    def save(self, clicks: Iterable[Mapping[str, Any]]) -> str:
        """Write clicks (tooth, x, y, z in the unit of the scan), whole or not at all; what was done.

        Raises
        ------
        InputError
            If a click is of no tooth of this arch, twice there, or off the scan, or if somebody else
            has changed the file since; nothing is written.
        """
        path = self.file.path
        if _text_of(path) != self._known[0]:
            raise InputError(
                f"Not saved: {path.name} was changed by something else since it was opened. Open the "
                "scan again to go on from what it holds now."
            )
        points: dict[int, FloatArray] = {}
        wrong = []
        for click in clicks:
            try:
                tooth = int(click["tooth"])
                place = np.array([float(click[axis]) for axis in "xyz"])
            except (KeyError, TypeError, ValueError):
                wrong.append(f"no click: {click!r}")
                continue
            if tooth in points:
                wrong.append(f"tooth {tooth} is there twice")
            else:
                wrong += [problem] if (problem := check_point(tooth, place, self.arch)) else []
            points[tooth] = place
        wrong = wrong or off_scan(self.mesh, points, self.unit)
        if wrong:
            raise InputError(f"Not saved: {'; '.join(wrong)}.")
        text = self.file.text(points, self.arch)
        _replace(path, text)
        self._known[0] = text
        return f"Saved {number_of(len(points), 'tooth', 'teeth')} in {path}"


def off_scan(mesh: Mesh, points: Mapping[int, FloatArray], unit: str) -> list[str]:
    """Points further from the scan than a click can be, in words."""
    if not points:
        return []
    places = np.array(list(points.values())) * MM_PER_UNIT[unit]
    away, _ = cKDTree(mesh.vertices).query(places)
    far = [str(tooth) for tooth, mm in zip(points, away, strict=True) if mm > OFF_SCAN]
    return [f"off the scan by more than {OFF_SCAN:g} mm: {listed(far)}"] if far else []


def open_clicking(
    scan: str | Path, *, arch: str, landmarks: str | Path | None = None, unit: str = "mm"
) -> Clicking:
    """Read a scan and the clicks there are; parameters and errors as of :func:`click_teeth`."""
    arch_order(arch)
    scan = Path(scan)
    mesh = read_mesh(scan, unit=unit)
    path = scan.with_name(f"{scan.stem}_landmarks.csv") if landmarks is None else Path(landmarks)
    if path.suffix.lower() != ".csv":
        raise InputError(f"{path.name}: clicks are kept as CSV; give a name that ends in .csv.")
    if not path.absolute().parent.is_dir():
        raise InputError(f"There is no folder {path.absolute().parent}: make it first.")
    file = ClickedFile.read(path, arch)
    far = off_scan(mesh, file.points, unit)
    if far:
        raise Unreadable(
            f"{path.name} does not belong to {scan.name}: {far[0]}",
            "Name the landmarks file of this scan, or another new one, with landmarks=.",
        )
    return Clicking(scan, mesh, arch, unit, file, [_text_of(path)])


def _text_of(path: Path) -> str | None:
    """What a file holds, None where there is none."""
    return path.read_bytes().decode("utf-8", "replace") if path.exists() else None


def _replace(path: Path, text: str) -> None:
    """Put a text in the place of a file, whole or not at all."""
    handle, name = tempfile.mkstemp(prefix=".outcomes-", dir=path.absolute().parent)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(text)
        mode = path.stat().st_mode & 0o777 if path.exists() else 0o644
        Path(name).chmod(mode)
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
