"""Named points on models: a table of them, read and checked; and the clicks of one arch."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import numpy as np
import pandas as pd

from outcomes.cohort.cells import by_unique, word_key
from outcomes.cohort.problems import gather, problem_frame
from outcomes.domain.scan_tables import LANDMARKS, MM_PER_UNIT, PALATE_TOOTH
from outcomes.domain.teeth import arch as arch_of
from outcomes.domain.teeth import describe_notation, parse_teeth
from outcomes.errors import InputError
from outcomes.measure.motion import FloatArray
from outcomes.measure.tables_in import CannotMeasure, Rows, open_table, table_of_frame

__all__ = ["CROWN", "PALATE", "Clicks", "PointTable", "as_clicks", "clicks_of", "read_points"]

CROWN, PALATE = "crown", "palate"

_SAME = {
    "labial": "buccal",
    "facial": "buccal",
    "vestibular": "buccal",
    "palatal": "lingual",
    "cervical": "neck",
    "click": CROWN,
    "occlusal": CROWN,
    "incisal": CROWN,
    "edge": CROWN,
    "": CROWN,
}
"""Other names of the points that have a meaning."""


@dataclass(frozen=True)
class PointTable:
    """Points as read.

    Attributes
    ----------
    frame
        One row a point that can be used: patient ("" where the table names none), course, arch (as
        its teeth say), repeat, model, tooth (0: palate), point, x, y, z (mm), row.
    problems
        In the columns of ``Cohort.problems``.
    name, sha256
        Of the file, "" of a frame.
    columns
        Those of the schema that the table has.
    """

    frame: pd.DataFrame
    problems: pd.DataFrame
    name: str = ""
    sha256: str = ""
    columns: tuple[str, ...] = ()

    def arches(self) -> Iterator[tuple[tuple[str, int, str, int], pd.DataFrame]]:
        """(patient, course, arch, repeat) and its points, in the order of the table."""
        keys = ["patient", "course", "arch", "repeat"]
        for key, part in self.frame.groupby(keys, sort=False):
            patient, course, arch, repeat = cast("tuple[str, int, str, int]", key)
            yield (str(patient), int(course), str(arch), int(repeat)), part


@dataclass(frozen=True)
class Clicks:
    """The points of one arch on one scan, mm, in its coordinates.

    Attributes
    ----------
    clicks
        Tooth -> (3,), the point on the middle of its biting surface or edge.
    points
        (tooth, name) -> (3,), all others.
    palate
        (n, 3), the outline of the palate patch, n 0 where there is none.
    problems
        In the columns of ``Cohort.problems``.
    """

    clicks: dict[int, FloatArray]
    points: dict[tuple[int, str], FloatArray]
    palate: FloatArray
    problems: pd.DataFrame


def read_points(source: str | Path | pd.DataFrame, *, unit: str = "mm") -> PointTable:
    """Read a table of points, with everything that is wrong in it.

    Parameters
    ----------
    source
        A text file, a workbook with a sheet ``landmarks``, or a frame: tooth, x, y, z; model
        (start where blank or absent), point (crown where blank or absent); patient, course, arch
        and repeat where there are several.
    unit
        Of the coordinates: mm, cm, m or inch.

    Raises
    ------
    FileNotFoundError
        If there is nothing at the path.
    CannotMeasure
        If the table cannot be read at all, or has no row that can be used.
    InputError
        If the unit is none of these.
    """
    if unit not in MM_PER_UNIT:
        raise InputError(f"unit={unit!r}: give one of {', '.join(MM_PER_UNIT)}.")
    rows = (
        table_of_frame(source, LANDMARKS)
        if isinstance(source, pd.DataFrame)
        else open_table(source, LANDMARKS)
    )
    frame = _typed(rows, MM_PER_UNIT[unit])
    _duplicates(frame, rows)
    kept = frame[rows.sieve.kept].reset_index(drop=True)
    if not len(kept):
        rows.sieve.stop("", "no row holds a point that can be used", "Correct what is listed here.")
        raise CannotMeasure(rows.problems(), rows.name or "The landmarks table")
    return PointTable(
        kept, rows.problems(), rows.name, rows.sha256, tuple(str(c) for c in rows.cells)
    )


def _typed(rows: Rows, mm: float) -> pd.DataFrame:
    sieve = rows.sieve
    cells = rows.cells
    teeth = parse_teeth(cells["tooth"].to_numpy(object), "fdi")
    words = rows.texts("tooth")
    rows.require_text("tooth")
    palate = np.isin(words, [str(PALATE_TOOTH), "0.0"])
    teeth[palate] = PALATE_TOOTH
    sieve.exclude(
        np.isnan(teeth) & (words != ""),
        "tooth",
        cells["tooth"],
        "no FDI tooth number",
        f"Use {describe_notation('fdi')}; {PALATE_TOOTH} for points of the palate.",
    )
    name = by_unique(pd.Series(rows.texts("point"), dtype=object), _point_name)
    lone = palate & (name != PALATE) & (rows.texts("point") != "")
    sieve.exclude(
        lone,
        "point",
        rows.texts("point"),
        f"a point of tooth {PALATE_TOOTH} that is not named {PALATE}",
        f"Name it {PALATE}, or give the number of its tooth.",
    )
    name[palate] = PALATE
    xyz = {axis: rows.numbers(axis) * mm for axis in "xyz"}
    real = np.where(np.isfinite(teeth), teeth, 11).astype(int)
    real[palate] = 11
    arch = np.asarray(arch_of(real), dtype=object)
    said = rows.codes("arch")
    arch[palate] = np.where(said[palate] == "", "upper", said[palate])
    wrong = (said != "") & (said != arch) & np.isfinite(teeth)
    sieve.exclude(
        wrong,
        "arch",
        words,
        "the tooth is not of the arch in this row",
        "Correct the number of the tooth, or the arch.",
    )
    return pd.DataFrame(
        {
            "patient": rows.require_text("patient"),
            "course": np.nan_to_num(rows.numbers("course"), nan=1).astype(int),
            "arch": arch,
            "repeat": np.nan_to_num(rows.numbers("repeat"), nan=1).astype(int),
            "model": rows.codes("model", blank="start"),
            "tooth": np.where(np.isfinite(teeth), teeth, -1).astype(int),
            "point": name,
            **xyz,
            "row": sieve.rows,
        }
    )


def _point_name(cell: object) -> str:
    key = word_key(str(cell))
    return _SAME.get(key, key)


def _duplicates(frame: pd.DataFrame, rows: Rows) -> None:
    """The same point twice: one of them where they agree, none where they do not."""
    key = list(LANDMARKS.key)
    kept = rows.sieve.kept & (frame["tooth"] != PALATE_TOOTH).to_numpy()
    copies = frame[kept].duplicated([*key, "x", "y", "z"])
    at = np.zeros(len(frame), dtype=bool)
    at[np.flatnonzero(kept)[copies.to_numpy()]] = True
    labels = frame["tooth"].astype(str) + " " + frame["point"].astype(str)
    rows.sieve.check(at, "point", labels.to_numpy(object), "the same point again", "Leave one.")
    rows.sieve.set_aside(at, "the same point again")
    kept = kept & ~at
    clash = frame[kept].duplicated(key, keep=False)
    at = np.zeros(len(frame), dtype=bool)
    at[np.flatnonzero(kept)[clash.to_numpy()]] = True
    rows.sieve.exclude(
        at,
        "point",
        labels.to_numpy(object),
        "this point stands in several rows with different coordinates",
        "Leave the right one, or give them different names.",
    )


def as_clicks(clicks: dict[int, FloatArray]) -> Clicks:
    """Clicked points alone, tooth -> (3,) in mm, with nothing wrong in them."""
    return Clicks(clicks, {}, np.empty((0, 3)), gather([]))


def clicks_of(
    source: str | Path | pd.DataFrame, *, arch: str | None = None, unit: str = "mm"
) -> tuple[Clicks, PointTable]:
    """The clicked points of one start scan.

    Parameters
    ----------
    source
        As in ``read_points``; rows of other models are left.
    arch
        "upper" or "lower": teeth of the other one are left out and listed. None: any.
    unit
        Of the coordinates.

    Returns
    -------
    Clicks, PointTable
        The points, and the table they come from.
    """
    table = read_points(source, unit=unit)
    frame = table.frame[table.frame["model"] == "start"]
    found = [table.problems]

    def note(problem: str, remedy: str, severity: str, row: int | None, value: object) -> None:
        found.append(problem_frame("landmarks", row, "tooth", value, problem, remedy, severity))

    xyz = frame[["x", "y", "z"]].to_numpy(float)
    palate = xyz[(frame["tooth"] == PALATE_TOOTH).to_numpy()]
    clicks: dict[int, FloatArray] = {}
    points: dict[tuple[int, str], FloatArray] = {}
    first: dict[int, int] = {}
    for tooth, point, row, place in zip(
        frame["tooth"], frame["point"], frame["row"], xyz, strict=True
    ):
        if tooth == PALATE_TOOTH:
            continue
        if arch is not None and arch_of(int(tooth)) != arch:
            remedy = "Correct the number, or the arch of this scan."
            note(f"a tooth of the other arch than {arch}", remedy, "exclude", int(row), int(tooth))
            continue
        first.setdefault(int(tooth), int(row))
        if point == CROWN:
            clicks[int(tooth)] = place
        else:
            points[int(tooth), str(point)] = place
    for tooth, row in first.items():
        if tooth not in clicks:
            remedy = f"Add one named {CROWN}, on the middle of the biting surface or edge."
            note(f"no point named {CROWN}", remedy, "exclude", row, tooth)
    if 0 < len(palate) < 3:
        remedy = "Give at least three points around the patch."
        note(f"{len(palate)} points named {PALATE}", remedy, "check", None, PALATE_TOOTH)
    points = {key: place for key, place in points.items() if key[0] in clicks}
    return Clicks(clicks, points, palate, gather(found)), table
