"""Arrows of the movements planned and achieved, from above, and the vertical ones in a strip."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Patch, Polygon

from outcomes.domain.scan_tables import STAGES
from outcomes.figures.arch_panel import (
    NARROW,
    NUMBER,
    apart,
    beside_crown,
    blank_figure,
    in_order,
    parts_of,
    points_per_mm,
    refused_stages,
    refused_words,
    scale_bar,
    sides,
    text_height,
    view_panel,
    write_under,
)
from outcomes.figures.arches import SEEN_FROM
from outcomes.figures.base import (
    BAND,
    COLOURS,
    FAINT,
    FULL_WIDTH,
    INK,
    PAPER,
    QUIET,
    halo,
    records,
    set_alt_text,
    style,
)
from outcomes.measure.outlines import crown_mesh, silhouette
from outcomes.measure.view import ArchView, every_frame, view_of
from outcomes.words.english import listed, number_of
from outcomes.words.numbers import size

if TYPE_CHECKING:
    from outcomes.measure.measured import ArchPart, Measured

LONGEST = 6.5
"""mm of the picture that the longest arrow may take: about the width of a crown."""
TIMES = (1, 2, 3, 5, 10)
"""How many times longer than life arrows are drawn."""
ABOUT_A_CROWN = 3.2
"""mm, radius of the circle that stands for a crown where no crown is known; for drawing alone."""
STAYED = 0.05
"""mm below which there is a dot and no arrow: nobody would see its direction."""
_STRIP = 1.45
"""Inches, the height of the strip of vertical movements."""
COLOUR = {"planned": COLOURS[3], "achieved": COLOURS[0]}


def arch_arrows(
    measured: Measured,
    patient: str | None = None,
    course: int | None = None,
    *,
    width: float = FULL_WIDTH,
) -> np.ndarray:
    """Movements planned and achieved of each tooth of one course, as arrows.

    From above (the upper arch from below) mesiodistal and buccolingual movement together, longer than
    life; beside it vertical movement in mm, extrusion upwards. Broad and pale is the plan, thin and
    dark on it the outcome. A tooth that was refused is hollow, its number in brackets.

    Parameters
    ----------
    measured
        From `outcomes.measure_scans` or `outcomes.measure_landmarks`.
    patient, course
        Which, where there are several.
    width
        Inches.

    Returns
    -------
    ndarray of Axes
        Two for each arch, upper first, then the words under them where there are any.

    Raises
    ------
    InputError
        If nothing was measured, or several courses.
    """
    parts = parts_of(measured, patient, course)
    moved = {part.arch: _moved(measured.movements, part) for part in parts}
    times = _times(pd.concat(list(moved.values())))
    notes = _notes(parts)
    with style():
        axes = _panels(parts, moved, times, notes, width)
        set_alt_text(axes[0], _words(parts, moved, notes))
    return axes


def _moved(movements: pd.DataFrame, part: ArchPart) -> pd.DataFrame:
    """tooth, stage, and its shift: mesiodistal, buccolingual, vertical, mm; none without a value."""
    rows = movements[
        (movements["patient"] == part.patient)
        & (movements["course"] == part.course)
        & movements["tooth"].isin(list(part.frames))
        & movements["movement"].isin(["mesiodistal", "buccolingual", "vertical"])
    ]
    found = [
        rows.pivot(index="tooth", columns="movement", values=stage)
        .reindex(columns=["mesiodistal", "buccolingual", "vertical"])
        .dropna()
        .astype(float)
        .assign(stage=stage)
        .reset_index()
        for stage in STAGES
    ]
    return pd.concat(found, ignore_index=True)


def _times(moved: pd.DataFrame) -> int:
    sizes = np.hypot(moved["mesiodistal"], moved["buccolingual"])
    largest = float(sizes.max()) if len(sizes) else 0.0
    fit = [n for n in TIMES if largest * n <= LONGEST]
    return max(fit, default=1)


def _panels(
    parts: list[ArchPart],
    moved: dict[str, pd.DataFrame],
    times: int,
    notes: list[str],
    width: float,
) -> np.ndarray:
    """Arches beside one another where there is room, each above its strip; one alone beside it."""
    across = len(parts) if width >= NARROW else 1
    alone = len(parts) == 1 and width >= NARROW
    inches = width * 0.56 if alone else width / across
    high = min(0.45 + inches * max(map(_ratio, parts)), 4.4)
    lines = [high] * (len(parts) // across) if alone else [high, _STRIP] * (len(parts) // across)
    heights = [*lines, *([text_height(notes, width)] if notes else [])]
    figure = blank_figure(width, 0.3 + sum(heights))
    places = list(
        np.ravel(figure.subfigures(len(heights), 1, height_ratios=heights, squeeze=False))
    )
    if alone:
        axes = list(places[0].subplots(1, 2, width_ratios=[0.56, 0.44]))
        axes[1].set_box_aspect(0.6)
        axes[1].set_anchor("N")
    else:
        rows = [list(np.ravel(p.subplots(1, across, squeeze=False))) for p in places[: len(lines)]]
        axes = [
            ax for k in range(0, len(rows), 2) for pair in zip(rows[k], rows[k + 1], strict=True)
            for ax in pair
        ]  # fmt: skip
    most = max((float(frame["vertical"].abs().max()) for frame in moved.values() if len(frame)), default=0.0)  # fmt: skip
    for k, part in enumerate(parts):
        _from_above(part, moved[part.arch], times, inches, axes[2 * k])
        _vertical(part, moved[part.arch], most, axes[2 * k + 1])
    figure.legend(
        handles=_legend(parts, moved), loc="outside upper left", ncols=4, handlelength=2.2,
        columnspacing=1.4,
    )  # fmt: skip
    if notes:
        axes.append(places[-1].subplots())
        write_under(axes[-1], notes, width)
    return np.array(axes, dtype=object)


def _ratio(part: ArchPart) -> float:
    view = view_of(part.arch, every_frame(part))
    places = view.flat(np.array([frame.centre for frame in every_frame(part).values()]))
    across, high = np.ptp(places, axis=0) + np.array([22.0, 16.0])
    return min(float(high / across), 1.2)


def _from_above(part: ArchPart, moved: pd.DataFrame, times: int, inches: float, ax: Axes) -> None:
    view = view_of(part.arch, every_frame(part))
    refused = refused_stages(part)
    drawn, numbers = [], {}
    for tooth, frame in every_frame(part).items():
        path = _crown(part, tooth, view)
        look = _look(hollow=tooth in refused)
        centre = view.flat(frame.centre)
        if path is None:
            ax.add_patch(Circle((centre[0], centre[1]), ABOUT_A_CROWN, **look))
            path = centre + ABOUT_A_CROWN * np.array([[-1, -1], [1, 1]])
        else:
            ax.add_patch(Polygon(path, **look))
        drawn.append(path)
        for row in records(moved[moved["tooth"] == tooth]):
            shift = view.direction(row.mesiodistal * frame.mesial + row.buccolingual * frame.buccal)
            _arrow(centre, times * shift, times, row.stage, ax)
            drawn.append((centre + times * shift)[None])
            path = np.concatenate([path, drawn[-1]])
        numbers[tooth] = beside_crown(view, frame, path, 2.2)
    scale = points_per_mm(np.concatenate([*drawn, np.array(list(numbers.values()))]), inches)
    at = apart(np.array(list(numbers.values())), (2.2 * NUMBER / scale, 1.2 * NUMBER / scale))
    for tooth, place in zip(numbers, at, strict=True):
        hollow = tooth in refused
        ax.text(
            float(place[0]), float(place[1]), f"({tooth})" if hollow else str(tooth), ha="center", va="center",
            fontsize=NUMBER, color=QUIET if hollow else INK, zorder=6, path_effects=halo(1.6),
        )  # fmt: skip
    view_panel(ax, np.concatenate([*drawn, at - 1.5, at + 1.5]))
    ax.set_title(f"{part.arch.capitalize()} arch, {SEEN_FROM[part.arch]}")
    sides(ax)
    scale_bar(ax, times, f"1 mm, drawn {times} times" if times > 1 else "1 mm")


def _look(*, hollow: bool) -> dict[str, Any]:
    return {
        "facecolor": PAPER if hollow else BAND, "edgecolor": INK if hollow else FAINT, "lw": 0.6,
        "ls": (0, (1, 1.5)) if hollow else "-", "zorder": 1,
    }  # fmt: skip


def _crown(part: ArchPart, tooth: int, view: ArchView) -> np.ndarray | None:
    crown = crown_mesh(part, tooth)
    return None if crown is None else silhouette(view.flat(crown[0]), crown[1])


def _arrow(start: np.ndarray, along: np.ndarray, times: int, stage: str, ax: Axes) -> None:
    """An arrow in mm of the picture; a dot where the tooth stayed."""
    broad = stage == "planned"
    colour: dict[str, Any] = {"color": COLOUR[stage], "lw": 0, "zorder": 3 if broad else 4}
    length = float(np.linalg.norm(along))
    if length < STAYED * times:
        ax.add_patch(Circle((start[0], start[1]), 0.75 if broad else 0.35, **colour))
        return
    shaft, head, deep = (1.3, 2.7, 1.7) if broad else (0.36, 1.25, 1.2)
    deep = min(deep, 0.6 * length)
    along = along / length
    beside = np.array([-along[1], along[0]])
    corners = [
        (0, shaft / 2), (length - deep, shaft / 2), (length - deep, head / 2), (length, 0),
        (length - deep, -head / 2), (length - deep, -shaft / 2), (0, -shaft / 2),
    ]  # fmt: skip
    path = np.array([start + far * along + wide * beside for far, wide in corners])
    ax.add_patch(Polygon(path, alpha=0.75 if broad else 1.0, **colour))


def _vertical(part: ArchPart, moved: pd.DataFrame, most: float, ax: Axes) -> None:
    """Vertical movement by tooth; ``most``: mm, the largest of the figure."""
    there = in_order(every_frame(part))
    refused = refused_stages(part)
    place = {tooth: k for k, tooth in enumerate(there)}
    for row in records(moved):
        at = place[row.tooth]
        if row.stage == "planned":
            ax.bar(at, row.vertical, width=0.62, color=COLOUR["planned"], alpha=0.75, zorder=2)
        else:
            ax.plot([at, at], [0, row.vertical], color=COLOUR["achieved"], lw=1.1, zorder=3)
            ax.plot(at, row.vertical, "o", ms=3, color=COLOUR["achieved"], zorder=4)
    ax.axhline(0, color=QUIET, lw=0.7, zorder=1)
    reach = 1.15 * max(0.25, most)
    ax.set(xlim=(-0.7, len(there) - 0.3), ylim=(-reach, reach))
    small = NUMBER if len(there) <= 12 else 6
    ax.set_xticks(
        range(len(there)), [f"({t})" if t in refused else str(t) for t in there], fontsize=small,
        rotation=90 if len(there) > 8 else 0,
    )  # fmt: skip
    ax.tick_params(axis="x", length=0)
    ax.grid(axis="x", visible=False)
    ax.set_ylabel("mm")
    ax.set_title("Vertical, extrusion upwards")


def _legend(parts: list[ArchPart], moved: dict[str, pd.DataFrame]) -> list[Any]:
    there = {stage for frame in moved.values() for stage in frame["stage"]}
    handles: list[Any] = []
    if "planned" in there:
        handles.append(Patch(facecolor=COLOUR["planned"], alpha=0.75, label="plan"))
    if "achieved" in there:
        handles.append(Line2D([], [], color=COLOUR["achieved"], lw=1.2, label="outcome"))
    if any(refused_stages(part) for part in parts):
        hollow = Patch(facecolor=PAPER, edgecolor=INK, lw=0.6, ls=(0, (1, 1.5)))
        hollow.set_label("refused")
        handles.append(hollow)
    return handles


def _notes(parts: list[ArchPart]) -> list[str]:
    refused = {t: stages for part in parts for t, stages in refused_stages(part).items()}
    said = [words] if (words := refused_words(refused)) else []
    return [*said, f"A dot: less than {size(STAYED, 'mm')} in the plane."]


def _words(parts: list[ArchPart], moved: dict[str, pd.DataFrame], notes: list[str]) -> str:
    first = parts[0]
    sentences = [
        f"Movements of {first.patient}, course {first.course}, as arrows: broad the plan, thin the "
        "outcome; the patient's right on the left."
    ]
    for arch, frame in moved.items():
        n = frame["tooth"].nunique()
        sentences.append(f"{arch.capitalize()} arch: {number_of(n, 'tooth', 'teeth')} measured.")
        shift = pd.Series(np.hypot(frame["mesiodistal"], frame["buccolingual"]))
        for stage, name in (("planned", "plan"), ("achieved", "outcome")):
            part = frame[frame["stage"] == stage]
            if not len(part):
                sentences.append(f"No {name} was measured.")
                continue
            top = shift[part.index].nlargest(3)
            top = top[top >= STAYED]
            if not len(top):
                sentences.append(f"Less than {size(STAYED, 'mm')} in the plane in the {name}.")
                continue
            teeth: dict[Any, int] = frame["tooth"].to_dict()
            named = [f"{teeth[i]} ({size(v, 'mm')})" for i, v in top.items()]
            sentences.append(f"Furthest in the plane in the {name}: {listed(named)}.")
    return " ".join([*sentences, *notes])
