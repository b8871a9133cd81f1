"""What the figures of measured arches share: which arches, the panel as one looks at it, its words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from outcomes.domain import teeth
from outcomes.errors import InputError
from outcomes.figures.base import INK, QUIET, style, text_width
from outcomes.measure.view import every_frame
from outcomes.words.english import listed, wrapped

if TYPE_CHECKING:
    from outcomes.measure.measured import ArchPart, Measured
    from outcomes.measure.motion import ToothFrame
    from outcomes.measure.view import ArchView

NARROW = 5.0
"""Inches: below it panels stand below one another."""
NUMBER = 6.5
"""Points, the size of FDI numbers."""

ORDER = {
    place: k
    for k, place in enumerate(
        (
            *teeth.FDI_ORDER_UPPER, *teeth.DECIDUOUS_ORDER_UPPER,
            *teeth.FDI_ORDER_LOWER, *teeth.DECIDUOUS_ORDER_LOWER,
        )
    )
}  # fmt: skip
"""FDI number -> its place from the patient's right."""


def in_order(found: Iterable[int]) -> list[int]:
    """FDI numbers from the patient's right to the left."""
    return sorted(found, key=ORDER.__getitem__)


def one_course(
    frame: pd.DataFrame, patient: str | None, course: int | None
) -> tuple[pd.DataFrame, str, int]:
    """The rows of one patient and course, and which.

    Raises
    ------
    InputError
        If there are none, or several and none is chosen.
    """
    rows = frame
    if patient is not None:
        rows = rows[rows["patient"] == patient]
    if course is not None:
        rows = rows[rows["course"] == course]
    there = frame[["patient", "course"]].drop_duplicates()
    named = listed(f"{p}, course {c}" for p, c in there.itertuples(index=False))
    chosen = rows[["patient", "course"]].drop_duplicates()
    if not len(there):
        raise InputError("No arch was measured, so there is nothing to draw.")
    if not len(chosen):
        raise InputError(f"Nothing of that patient and course: there is {named}.")
    if len(chosen) > 1:
        raise InputError(f"A figure shows one course: say patient= and course=. There are {named}.")
    ((who, which),) = chosen.itertuples(index=False)
    return rows, str(who), int(which)


def parts_of(measured: Measured, patient: str | None, course: int | None) -> list[ArchPart]:
    """The arches of one patient and course, upper first; see ``one_course``."""
    with_axes = [part for part in measured.arches if part.repeat == 1 and every_frame(part)]
    there = pd.DataFrame(
        [(part.patient, part.course) for part in with_axes], columns=["patient", "course"]
    )
    _, who, which = one_course(there, patient, course)
    found = [part for part in with_axes if (part.patient, part.course) == (who, which)]
    return sorted(found, key=lambda part: part.arch != "upper")


def refused_stages(part: ArchPart) -> dict[int, list[str]]:
    """Tooth -> the stages it was refused in."""
    found: dict[int, list[str]] = {}
    for row in part.quality:
        if row["verdict"] == "refused":
            found.setdefault(int(row["tooth"]), []).append(str(row["stage"]))
    return found


def refused_words(refused: dict[int, list[str]]) -> str:
    """``Refused, so not drawn: 15 (plan and outcome), 26 (outcome).``; "" where none is."""
    if not refused:
        return ""
    words = {"planned": "plan", "achieved": "outcome"}
    named = [
        f"{tooth} ({listed(words.get(stage, stage) for stage in refused[tooth])})"
        for tooth in in_order(refused)
    ]
    return f"Refused, so not measured: {', '.join(named)}."


def view_panel(ax: Axes, points: np.ndarray, *, margin: float = 1.5) -> None:
    """Equal scales around points (n, 2), mm, without frame or grid."""
    low, high = points.min(axis=0) - margin, points.max(axis=0) + margin
    ax.set(xlim=(low[0], high[0]), ylim=(low[1], high[1]))
    ax.set_aspect("equal")
    ax.set_anchor("N")
    ax.set_axis_off()


def sides(ax: Axes) -> None:
    """Say which side is which, below a panel."""
    look: dict[str, Any] = {
        "fontsize": NUMBER, "color": QUIET, "va": "top", "xycoords": "axes fraction",
        "textcoords": "offset points", "annotation_clip": False,
    }  # fmt: skip
    ax.annotate("patient's right", (0, 0), (0, -3), ha="left", **look)
    ax.annotate("patient's left", (1, 0), (0, -3), ha="right", **look)


def scale_bar(ax: Axes, length: float, text: str) -> None:
    """A bar of so many mm of the panel in the middle of its foot, with words under it."""
    (left, right), (bottom, _) = ax.get_xlim(), ax.get_ylim()
    middle = (left + right) / 2
    ax.plot(
        [middle - length / 2, middle + length / 2], [bottom, bottom], color=QUIET, lw=1.4,
        clip_on=False, solid_capstyle="butt",
    )  # fmt: skip
    ax.annotate(
        text, (middle, bottom), (0, -3), textcoords="offset points", ha="center", va="top",
        fontsize=NUMBER, color=QUIET, annotation_clip=False,
    )  # fmt: skip


def apart(places: np.ndarray, box: tuple[float, float]) -> np.ndarray:
    """Places of labels, moved until no two boxes of a size overlap.

    Parameters
    ----------
    places
        (n, 2), the middles.
    box
        Width and height of each, in the same unit.

    Examples
    --------
    >>> apart(np.array([[0.0, 0.0], [1.0, 0.0]]), (2.0, 1.0)).tolist()
    [[-0.5, 0.0], [1.5, 0.0]]
    """
    found, size = np.array(places, dtype=float), np.asarray(box, dtype=float)
    for _ in range(200):
        moved = False
        for i in range(len(found)):
            for j in range(i + 1, len(found)):
                between = found[j] - found[i]
                lacking = size - np.abs(between)
                if (lacking <= 1e-9).any():
                    continue
                axis = int(np.argmin(lacking))
                push = lacking[axis] / 2 * (1 if between[axis] >= 0 else -1)
                found[i, axis] -= push
                found[j, axis] += push
                moved = True
        if not moved:
            break
    return found


def beside_crown(view: ArchView, frame: ToothFrame, path: np.ndarray, far: float) -> np.ndarray:
    """The place of a tooth's number: so many mm outside its outline (n, 2), on the buccal side."""
    centre, outwards = view.flat(frame.centre), view.direction(frame.buccal)
    outwards = outwards / max(float(np.linalg.norm(outwards)), 1e-9)
    place: np.ndarray = centre + outwards * (float(((path - centre) @ outwards).max()) + far)
    return place


def points_per_mm(drawn: np.ndarray, inches: float, margin: float = 1.5) -> float:
    """How many points of type a mm of a panel takes that is so many inches wide."""
    return inches * 72 / (float(np.ptp(drawn[:, 0])) + 2 * margin)


def blank_figure(width: float, height: float) -> Figure:
    """A figure of that size in inches, laid out by what is on it."""
    with style():
        return Figure(figsize=(width, height), layout="constrained")


def write_under(ax: Axes, sentences: Sequence[str], width: float) -> None:
    """Sentences in Axes of their own that are nothing but text; width in inches."""
    ax.set_axis_off()
    ax.text(
        0, 1, "\n".join(lines_under(sentences, width)), transform=ax.transAxes, va="top",
        fontsize=7, linespacing=1.35, color=INK, in_layout=False,
    )  # fmt: skip


def lines_under(sentences: Sequence[str], width: float) -> list[str]:
    """Sentences broken into lines that fit a width in inches at 7 points."""
    said = [sentence for sentence in sentences if sentence]
    letter = text_width("abcdefghijklmnopqrstuvwxyz 0123456789", 7) / 37
    fits = max(20, int((width - 0.2) * 72 / letter))
    return [line for sentence in said for line in wrapped(sentence, fits).splitlines()]


def text_height(sentences: Sequence[str], width: float) -> float:
    """Inches that ``write_under`` needs."""
    return 0.14 * len(lines_under(sentences, width)) + 0.12
