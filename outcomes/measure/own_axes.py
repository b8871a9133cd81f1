"""Axes that a tooth's own points give, and what they share with those of the arch.

Points are named ``mesial`` with ``distal``, ``buccal`` with ``lingual``, and ``neck``, the middle of
the tooth at the gum. From the number of a tooth it is known in which order its axes turn.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from outcomes.cohort.problems import problem_frame
from outcomes.domain.teeth import arch as arch_of
from outcomes.domain.teeth import side as side_of
from outcomes.measure.motion import FloatArray

__all__ = ["Axes", "handed", "own_axes", "sharpened", "tooth_problem", "unit"]

TABLE = "teeth"
"""Table under which problems of clicked points are listed."""

SHARPEN = 50.0
"""Degrees from the curve up to which a tooth's own points turn its axes."""
EXCHANGED = 120.0
"""Degrees from the curve beyond which two points are taken as exchanged."""

Axes = tuple[FloatArray, FloatArray, FloatArray]


def tooth_problem(problem: str, remedy: str, severity: str, value: object = "") -> pd.DataFrame:
    """A problem of the teeth, in the columns of ``Cohort.problems``."""
    return problem_frame(TABLE, None, "tooth" if value else "", value, problem, remedy, severity)


def unit(vector: FloatArray | None) -> FloatArray | None:
    """The vector at length 1; None where it has no direction."""
    if vector is None:
        return None
    vector = np.asarray(vector, dtype=float)
    length = float(np.linalg.norm(vector))
    return vector / length if np.isfinite(length) and length > 0 else None


def handed(tooth: int) -> float:
    """+1 where mesial, buccal, occlusal are right-handed (upper right, lower left), else -1."""
    return 1.0 if (arch_of(tooth) == "upper") == (side_of(tooth) == "right") else -1.0


def sharpened(
    tooth: int,
    click: FloatArray,
    axes: Axes,
    points: Mapping[tuple[int, str], FloatArray],
    found: list[pd.DataFrame],
) -> Axes | None:
    """A tooth's axes: those of the arch, turned to its own points where they are given.

    None where these points contradict each other or the arch.
    """
    mesial, buccal, occlusal = axes
    neck = points.get((tooth, "neck"))
    if neck is not None:
        long_axis = unit(np.asarray(click, dtype=float) - np.asarray(neck, dtype=float))
        if long_axis is None or _degrees(long_axis, occlusal) > SHARPEN:
            found.append(
                tooth_problem(
                    "its neck does not lie on the gum's side of its crown",
                    "Place neck in the middle of the tooth at the gum.",
                    "check",
                    tooth,
                )
            )
        else:
            occlusal = long_axis
    flat = np.eye(3) - np.outer(occlusal, occlusal)
    mesial = flat @ mesial
    mesial = mesial / np.linalg.norm(mesial)
    buccal = handed(tooth) * np.cross(occlusal, mesial)
    turn = _own_turn(tooth, points, (mesial, buccal), found)
    if turn is None:
        return None
    return (
        np.cos(turn) * mesial + np.sin(turn) * buccal,
        np.cos(turn) * buccal - np.sin(turn) * mesial,
        occlusal,
    )


def _own_turn(
    tooth: int,
    points: Mapping[tuple[int, str], FloatArray],
    axes: tuple[FloatArray, FloatArray],
    found: list[pd.DataFrame],
) -> float | None:
    """Radians from the arch's axes to those of a tooth's own points, from mesial towards buccal.

    Two pairs of points are taken together, each with the square of its length. None where a pair is
    exchanged.
    """
    pull = 0j
    for (to, back), quarter in ((("mesial", "distal"), 1.0), (("buccal", "lingual"), -1j)):
        if (tooth, to) not in points or (tooth, back) not in points:
            continue
        line = np.asarray(points[tooth, to], float) - np.asarray(points[tooth, back], float)
        seen = complex(line @ axes[0], line @ axes[1]) * quarter
        off = float(np.degrees(np.abs(np.angle(seen))))
        if off > EXCHANGED:
            found.append(
                tooth_problem(
                    f"its points {to} and {back} seem exchanged",
                    "Exchange them, or correct the number of the tooth.",
                    "exclude",
                    tooth,
                )
            )
            return None
        elif off > SHARPEN:
            found.append(
                tooth_problem(
                    f"its points {to} and {back} lie {off:.0f} degrees from the arch: the axes "
                    "follow the arch",
                    "Check these points, if the tooth is not rotated so far.",
                    "check",
                    tooth,
                )
            )
        else:
            pull += seen * abs(seen)
    return float(np.angle(pull)) if pull else 0.0


def _degrees(a: FloatArray, b: FloatArray) -> float:
    return float(np.degrees(np.arccos(np.clip(a @ b, -1.0, 1.0))))


def own_axes(
    tooth: int,
    click: FloatArray,
    points: Mapping[tuple[int, str], FloatArray],
    away: FloatArray | None,
) -> Axes | None:
    """Mesial, buccal, occlusal of a tooth from its own points; None where they do not suffice.

    With mesial, distal, buccal and lingual the occlusal axis follows, as a crown's right and left
    are known from its number; with one pair, the gum's side must be known.
    """

    def line(to: str, back: str) -> FloatArray | None:
        if (tooth, to) not in points or (tooth, back) not in points:
            return None
        return np.asarray(points[tooth, to], float) - np.asarray(points[tooth, back], float)

    mesial, buccal = line("mesial", "distal"), line("buccal", "lingual")
    long_axis = away
    if (tooth, "neck") in points:
        long_axis = unit(np.asarray(click, float) - np.asarray(points[tooth, "neck"], float))
    if mesial is not None and buccal is not None:
        occlusal = unit(handed(tooth) * np.cross(mesial, buccal))
        if occlusal is None or (long_axis is not None and occlusal @ long_axis < 0.5):
            return None
    elif long_axis is not None and (mesial is not None or buccal is not None):
        occlusal = long_axis
    else:
        return None
    flat = np.eye(3) - np.outer(occlusal, occlusal)
    pull = np.zeros(3)
    if mesial is not None:
        pull += flat @ mesial * np.linalg.norm(mesial)
    if buccal is not None:
        pull += handed(tooth) * np.cross(buccal, occlusal) * np.linalg.norm(buccal)
    along = unit(flat @ pull)
    if along is None:
        return None
    return along, handed(tooth) * np.cross(occlusal, along), occlusal
