"""Crowns shaded by what is left between them and a later scan after each was registered."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import PolyCollection
from matplotlib.colors import Normalize
from matplotlib.patches import Polygon

from outcomes.errors import InputError
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
from outcomes.figures.arches import NAMES, SEEN_FROM
from outcomes.figures.base import FULL_WIDTH, INK, PAPER, QUIET, RATES, halo, set_alt_text, style
from outcomes.measure.outlines import crown_mesh, silhouette
from outcomes.measure.residuals import CrownResiduals, crown_residuals, later_scan
from outcomes.measure.view import every_frame, view_of
from outcomes.words.english import listed
from outcomes.words.numbers import number, size

if TYPE_CHECKING:
    from outcomes.measure.measured import ArchPart, Measured

FULL_SHADE = 0.3
"""mm from which a crown is as dark as it gets: fixed, so that maps can be compared."""


def residual_map(
    measured: Measured,
    patient: str | None = None,
    course: int | None = None,
    *,
    stage: str = "achieved",
    width: float = FULL_WIDTH,
) -> np.ndarray:
    """Crowns of the start scan by their distance to a later scan after their own registration.

    In occlusal view. Under each FDI number is the median distance of the crown in mm. The scale is
    perceptually uniform, light to dark, and the same in every map: what is 0.3 mm or more is
    darkest. A tooth that was refused is hollow.

    Parameters
    ----------
    measured
        From `outcomes.measure_scans`.
    patient, course
        Which, where there are several.
    stage
        ``"achieved"`` or ``"planned"``.
    width
        Inches.

    Returns
    -------
    ndarray of Axes
        One for each arch that has that scan, upper first, then the scale and words where there are.

    Raises
    ------
    InputError
        If there is no such scan.
    """
    parts = [
        part for part in parts_of(measured, patient, course) if later_scan(part, stage) is not None
    ]
    if not parts:
        raise InputError(f"There is no {stage} scan to compare crowns with.")
    found = {part.arch: crown_residuals(part, stage) for part in parts}
    lost = {
        tooth: [stage]
        for part in parts
        for tooth, stages in refused_stages(part).items()
        if stage in stages
    }
    notes = [words] if (words := refused_words(lost)) else []
    with style():
        axes = _panels(parts, found, notes, width)
        set_alt_text(axes[0], _words(parts, found, stage, notes))
    return axes


def _panels(
    parts: list[ArchPart],
    found: dict[str, list[CrownResiduals]],
    notes: list[str],
    width: float,
) -> np.ndarray:
    across = len(parts) if width >= NARROW else 1
    lines = -(-len(parts) // across)
    high = min(0.35 + min(width / across, 4.4) * max(map(_ratio, parts)), 4.4)
    heights = [high] * lines + [0.5] + ([text_height(notes, width)] if notes else [])
    figure = blank_figure(width, sum(heights))
    places = list(
        np.ravel(figure.subfigures(len(heights), 1, height_ratios=heights, squeeze=False))
    )
    axes: list[Axes] = []
    for place in places[:lines]:
        axes += list(np.ravel(place.subplots(1, across, squeeze=False)))
    colours = ScalarMappable(Normalize(0, FULL_SHADE), colormaps[RATES])
    for part, ax in zip(parts, axes, strict=True):
        _draw(part, found[part.arch], colours, width / across, ax)
    axes.append(_scale(colours, places[lines].subplots(), width))
    if notes:
        axes.append(places[-1].subplots())
        write_under(axes[-1], notes, width)
    return np.array(axes, dtype=object)


def _ratio(part: ArchPart) -> float:
    places = view_of(part.arch, every_frame(part)).flat(
        np.array([frame.centre for frame in every_frame(part).values()])
    )
    across, high = np.ptp(places, axis=0) + np.array([24.0, 17.0])
    return min(float(high / across), 1.2)


def _draw(
    part: ArchPart,
    crowns: list[CrownResiduals],
    colours: ScalarMappable,
    inches: float,
    ax: Axes,
) -> None:
    """One arch in a panel so many inches wide."""
    view = view_of(part.arch, every_frame(part))
    shaded = {crown.tooth: crown for crown in crowns}
    drawn, numbers = [], {}
    for tooth, frame in every_frame(part).items():
        mesh = crown_mesh(part, tooth)
        if mesh is None:
            continue
        flat = view.flat(mesh[0])
        if tooth in shaded:
            ax.add_collection(_shades(mesh[0], flat, shaded[tooth], view.occlusal, colours))
        else:
            ax.add_patch(
                Polygon(
                    silhouette(flat, mesh[1]), facecolor=PAPER, edgecolor=INK, lw=0.6,
                    ls=(0, (1, 1.5)),
                )
            )  # fmt: skip
        numbers[tooth] = beside_crown(view, frame, flat, 3.0)
        drawn.append(flat)
    at = np.array(list(numbers.values()))
    scale = points_per_mm(np.concatenate([*drawn, at]), inches)
    at = apart(at, (2.4 * NUMBER / scale, 2.3 * NUMBER / scale))
    for tooth, place in zip(numbers, at, strict=True):
        _number(tooth, shaded.get(tooth), place, ax)
    box = np.array([3.0, 2.4])
    view_panel(ax, np.concatenate([*drawn, at - box, at + box]))
    ax.set_title(f"{part.arch.capitalize()} arch, {SEEN_FROM[part.arch]}")
    sides(ax)
    scale_bar(ax, 10, "10 mm")


def _number(tooth: int, crown: CrownResiduals | None, place: np.ndarray, ax: Axes) -> None:
    at = float(place[0]), float(place[1])
    look: dict[str, Any] = {"ha": "center", "path_effects": halo(1.6), "zorder": 4}
    if crown is None:
        ax.text(*at, f"({tooth})", va="center", fontsize=NUMBER, color=QUIET, **look)
        return
    ax.annotate(str(tooth), at, (0, 0.4), textcoords="offset points", va="bottom", fontsize=NUMBER, color=INK, fontweight="bold", **look)  # fmt: skip
    middle = number(float(np.median(crown.distance)), 2)
    ax.annotate(middle, at, (0, -0.4), textcoords="offset points", va="top", fontsize=NUMBER - 0.5, color=QUIET, **look)  # fmt: skip


def _shades(
    points: np.ndarray,
    flat: np.ndarray,
    crown: CrownResiduals,
    occlusal: np.ndarray,
    colours: ScalarMappable,
) -> PolyCollection:
    """The triangles one sees from above, the deepest first."""
    corners = points[crown.faces]
    depth = corners.mean(axis=1) @ occlusal
    order = np.argsort(depth)
    shades = colours.to_rgba(crown.distance[crown.faces[order]].mean(axis=1))
    return PolyCollection(
        list(flat[crown.faces[order]]), facecolors=shades, edgecolors=shades, lw=0.25,
        rasterized=True, zorder=2,
    )  # fmt: skip


def _scale(colours: ScalarMappable, ax: Axes, width: float) -> Axes:
    """The colour scale, with its unit."""
    low, high = colours.get_clim()
    ax.set_axis_off()
    box = ax.inset_axes((0.06, 0.7, 0.86, 0.28) if width < NARROW else (0.25, 0.7, 0.5, 0.28))
    box.imshow(
        np.linspace(low, high, 256)[None, :], cmap=colours.cmap, norm=Normalize(low, high),
        extent=(low, high, 0, 1), aspect="auto",
    )  # fmt: skip
    box.set_in_layout(False)
    box.set_yticks([])
    box.grid(visible=False)
    ticks = np.linspace(low, high, 4)
    box.set_xticks(ticks, [*(f"{t:.1f}" for t in ticks[:-1]), f"{high:.1f} or more"])
    box.set_xlabel("Distance after the crown's own registration, mm", labelpad=1)
    return ax


def _words(
    parts: list[ArchPart], found: dict[str, list[CrownResiduals]], stage: str, notes: list[str]
) -> str:
    first = parts[0]
    sentences = [
        f"Crowns of {first.patient}, course {first.course}, shaded by their distance to the "
        f"{NAMES[stage]} after each was registered; the patient's right on the left."
    ]
    for arch, crowns in found.items():
        named = {crown.tooth: float(np.median(crown.distance)) for crown in crowns}
        middles = [f"{tooth} {size(named[tooth], 'mm')}" for tooth in in_order(named)]
        sentences.append(
            f"{arch.capitalize()} arch, median of each crown: {listed(middles)}."
            if middles
            else f"No crown of the {arch} arch was registered."
        )
    return " ".join([*sentences, *notes])
