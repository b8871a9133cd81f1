"""Outlines of an arch's crowns at the start, as planned and as achieved, from above and in front."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Polygon

from outcomes.domain.scan_tables import STAGES
from outcomes.errors import InputError
from outcomes.figures.arch_panel import (
    NARROW,
    NUMBER,
    apart,
    blank_figure,
    in_order,
    one_course,
    points_per_mm,
    scale_bar,
    sides,
    text_height,
    view_panel,
    write_under,
)
from outcomes.figures.base import (
    BAND,
    COLOURS,
    FAINT,
    FULL_WIDTH,
    INK,
    PAPER,
    halo,
    set_alt_text,
    style,
)
from outcomes.measure.measured import Measured
from outcomes.measure.outlines import OUTLINES, VIEWS, outlines
from outcomes.words.english import listed, number_of

if TYPE_CHECKING:
    from matplotlib.figure import SubFigure

LINES: dict[str, dict[str, Any]] = {
    "planned": {"color": COLOURS[1], "lw": 0.9, "ls": (0, (3, 1.4))},
    "achieved": {"color": COLOURS[0], "lw": 0.9, "ls": "-"},
}
"""Told apart by line as well as by colour."""
NAMES = {"start": "start", "planned": "plan", "achieved": "outcome"}
IN_FRONT = 4
"""Teeth up to the first premolar are drawn from the front: they hide those behind them."""
SMALLEST, FIT_IN = 4.8, 4.2
"""Points, the least size of a number on a crown; mm, the narrow crown it should fit in."""
SEEN_FROM = {"upper": "from below", "lower": "from above"}


def arch_outlines(
    measured: Measured | pd.DataFrame,
    patient: str | None = None,
    course: int | None = None,
    *,
    width: float = FULL_WIDTH,
    views: tuple[str, ...] = VIEWS,
) -> np.ndarray:
    """Crowns of one course in three stages: occlusal view, and from the front.

    The patient's right is on the left; the upper arch is seen from below, incisors on top, the lower
    from above, incisors below. A crown of the start scan is carried by the motion that was measured.
    A tooth that was refused shows as at the start, with a broken edge.

    Parameters
    ----------
    measured
        From `outcomes.measure_scans`, or its `outcomes.measure.outlines.outlines`.
    patient, course
        Which, where there are several.
    width
        Inches.
    views
        Of ``"occlusal"`` and ``"frontal"``.

    Returns
    -------
    ndarray of Axes
        A panel for each arch and view, upper first, then the words under them where there are any.

    Raises
    ------
    InputError
        If there are no crowns, as where landmarks were measured, or several courses.
    """
    every = outlines(measured) if isinstance(measured, Measured) else _checked(measured)
    if not len(every):
        raise InputError("There are no crowns to outline: landmarks alone give none; draw arrows.")
    rows, who, which = one_course(every, patient, course)
    with style():
        axes = _panels(rows, width, views)
        set_alt_text(axes[0], _words(rows, who, which))
    return axes


def _checked(frame: pd.DataFrame) -> pd.DataFrame:
    missing = [name for name in OUTLINES if name not in frame.columns]
    if missing:
        raise InputError(f"These are no outlines: no column {', '.join(missing)}.")
    return frame


def _panels(rows: pd.DataFrame, width: float, views: tuple[str, ...]) -> np.ndarray:
    arches = [name for name in ("upper", "lower") if (rows["arch"] == name).any()]
    across = len(views) if width >= NARROW else 1
    if len(views) == 1:
        across = len(arches)
    shown = [(arch, view, _seen(rows, arch, view)) for arch in arches for view in views]
    notes = outline_notes(rows)
    ratios = [_ratio(part) for _, _, part in shown]
    lines = [ratios[k : k + across] for k in range(0, len(shown), across)]
    heights = [0.32 + (width - 0.15 * across) / across * max(line) for line in lines]
    heights = [min(h, 4.2) for h in heights]
    below = [text_height(notes, width)] if notes else []
    figure = blank_figure(width, 0.3 + sum(heights) + sum(below))
    parts: list[SubFigure] = list(
        np.ravel(
            figure.subfigures(
                len(heights) + len(below), 1, height_ratios=[*heights, *below], squeeze=False
            )
        )
    )
    axes: list[Axes] = []
    for part in parts[: len(lines)]:
        axes += list(np.ravel(part.subplots(1, across, squeeze=False)))
    for ax, (arch, view, seen) in zip(axes, shown, strict=True):
        title = _title(arch, view, short=width / across < 3)
        draw_outlines(seen, view, width / across, ax, title=title)
    figure.legend(
        handles=_legend(rows),
        loc="outside upper left",
        ncols=4,
        handlelength=2.2,
        columnspacing=1.4,
    )
    if notes:
        axes.append(parts[-1].subplots())
        write_under(axes[-1], notes, width)
    return np.array(axes, dtype=object)


def _seen(rows: pd.DataFrame, arch: str, view: str) -> pd.DataFrame:
    part = rows[(rows["arch"] == arch) & (rows["view"] == view)]
    if view == "frontal":
        front = part[part["tooth"] % 10 <= IN_FRONT]
        part = front if len(front) else part
    return part


def _ratio(part: pd.DataFrame) -> float:
    """Height of a panel for its width."""
    high, across = (float(np.ptp(part[axis])) + 4.0 for axis in ("y", "x"))
    return min(high / across, 1.3)


def _title(arch: str, view: str, *, short: bool = False) -> str:
    where = SEEN_FROM[arch] if view == "occlusal" else "from the front"
    if short:
        return f"{arch.capitalize()}, {where}"
    return f"{arch.capitalize()} arch, {'occlusal, ' if view == 'occlusal' else ''}{where}"


def draw_outlines(seen: pd.DataFrame, view: str, inches: float, ax: Axes, *, title: str) -> None:
    """One view of one arch in a panel so many inches wide.

    Parameters
    ----------
    seen
        Its rows of `outcomes.measure.outlines.outlines`, of one course and this view.
    """
    arch = str(seen["arch"].iloc[0])
    ax.set_title(title)
    every = seen[["x", "y"]].to_numpy(float)
    starts: dict[int, np.ndarray] = {}
    by_tooth: dict[int, Any] = {int(str(t)): part for t, part in seen.groupby("tooth")}
    for depth, tooth in enumerate(sorted(by_tooth, key=lambda t: (-(t % 10), t))):
        stages = {str(s): part[["x", "y"]] for s, part in by_tooth[tooth].groupby("stage")}
        starts[tooth] = stages["start"].to_numpy(float)
        _draw_crown(stages, 1 + 0.05 * depth if view == "frontal" else 1, ax)
    middles = np.array([(p.min(axis=0) + p.max(axis=0)) / 2 for p in starts.values()])
    scale = points_per_mm(every, inches)
    size = min(NUMBER, max(SMALLEST, FIT_IN * scale / 1.25))
    if view == "frontal":
        # One row beyond the biting edges: where crowns hide each other, no number stands on another.
        beyond = every[:, 1].min() - 1.6 if arch == "upper" else every[:, 1].max() + 1.6
        row = np.column_stack([middles[:, 0], np.zeros(len(middles))])
        middles = apart(row, (1.5 * NUMBER / scale, 1.0)) + np.array([0, beyond])
        every = np.concatenate([every, middles + np.array([0, 1 if beyond > 0 else -1])])
    for tooth, (x, y) in zip(starts, middles, strict=True):
        ax.text(
            x, y, str(tooth), ha="center", va="center", fontsize=size, color=INK, zorder=3,
            path_effects=halo(1.6),
        )  # fmt: skip
    view_panel(ax, every)
    sides(ax)
    scale_bar(ax, 10, "10 mm")


def _draw_crown(stages: dict[str, pd.DataFrame], above: float, ax: Axes) -> None:
    """A crown's outlines; ``above``: the layer, which hides those of less."""
    known = len(stages) > 1
    ax.add_patch(
        Polygon(
            stages["start"].to_numpy(float), facecolor=BAND if known else PAPER,
            edgecolor=FAINT if known else INK, lw=0.6, ls="-" if known else (0, (1, 1.5)),
            zorder=above,
        )
    )  # fmt: skip
    for stage in STAGES:
        if stage in stages:
            path = stages[stage].to_numpy(float)
            ax.add_patch(Polygon(path, fill=False, zorder=above + 0.02, **_edge(stage)))


def _edge(stage: str) -> dict[str, Any]:
    look = dict(LINES[stage])
    return {"edgecolor": look.pop("color"), **look}


def _legend(rows: pd.DataFrame) -> list[Any]:
    there = set(rows["stage"])
    handles: list[Any] = [Patch(facecolor=BAND, edgecolor=FAINT, lw=0.6, label=NAMES["start"])]
    handles += [Line2D([], [], label=NAMES[s], **LINES[s]) for s in STAGES if s in there]
    return handles


def _without(rows: pd.DataFrame) -> dict[int, list[str]]:
    """Tooth -> the stages that others have an outline of and it has not."""
    there = {
        (row.arch, row.stage) for row in rows[["arch", "stage"]].drop_duplicates().itertuples()
    }
    found: dict[int, list[str]] = {}
    for (arch, tooth), part in rows.groupby(["arch", "tooth"]):
        own = set(part["stage"])
        lost = [stage for stage in STAGES if (arch, stage) in there and stage not in own]
        if lost:
            found[int(str(tooth))] = lost
    return found


def outline_notes(rows: pd.DataFrame) -> list[str]:
    """Which teeth, and which stages, have no outline because they were not measured."""
    lost = _without(rows)
    notes = []
    if lost:
        named = [f"{t} ({listed(NAMES[s] for s in lost[t])})" for t in in_order(lost)]
        notes.append(f"Not measured, so not drawn: {', '.join(named)}.")
    absent = [NAMES[stage] for stage in STAGES if stage not in set(rows["stage"])]
    if absent:
        notes.append(f"No tooth was measured in: {listed(absent)}.")
    return notes


def _words(rows: pd.DataFrame, patient: str, course: int) -> str:
    counts = [
        f"{number_of(part['tooth'].nunique(), 'tooth', 'teeth')} of the {arch} arch"
        for arch, part in rows.groupby("arch")
    ]
    there = [NAMES[s] for s in ("start", *STAGES) if (rows["stage"] == s).any()]
    return " ".join(
        [
            f"Outlines of the crowns of {patient}, course {course}: {listed(counts)}, {listed(there)}; "
            "the patient's right on the left.",
            *outline_notes(rows),
        ]
    )
