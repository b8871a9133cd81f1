"""A scan from its biting side, with the numbers of the crowns that were clicked."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection

from outcomes.domain.scan_tables import MM_PER_UNIT
from outcomes.figures.base import COLOURS, SURFACE, canvas, halo, set_alt_text
from outcomes.measure.clicked import arch_order, open_clicking
from outcomes.measure.clicking import seen_from
from outcomes.words.english import listed, number_of

#: Of the light's direction: how much from the viewer, how much from above.
_LIGHT = (1.0, 0.6)


def clicked_teeth(
    scan: str | Path,
    *,
    arch: str,
    landmarks: str | Path | None = None,
    unit: str = "mm",
    ax: Axes | None = None,
) -> Axes:
    """Draw a scan as its clicks are placed on it; what :func:`outcomes.click_teeth` shows, in print.

    Parameters
    ----------
    scan, arch, landmarks, unit
        As of ``click_teeth``.
    ax
        Axes to draw on; new ones by default.

    Returns
    -------
    Axes
        mm; an upper arch with its front teeth above, a lower with them below.
    """
    clicking = open_clicking(scan, arch=arch, landmarks=landmarks, unit=unit)
    mesh = clicking.mesh
    eye, up = seen_from(mesh, arch)
    axes = np.stack([np.cross(up, eye), up])
    middle = (mesh.vertices.min(axis=0) + mesh.vertices.max(axis=0)) / 2
    towards = mesh.face_vectors @ eye > 0
    faces = mesh.faces[towards]
    order = np.argsort(mesh.vertices[faces].mean(axis=1) @ eye)
    light = _LIGHT[0] * eye + _LIGHT[1] * up
    normal = mesh.face_vectors[towards][order]
    lit = normal @ light / (np.linalg.norm(normal, axis=1) * np.linalg.norm(light))
    corners = (mesh.vertices[faces[order]] - middle) @ axes.T
    points = clicking.file.points
    with canvas(ax, 4.6, 4.2) as drawn:
        shade = colormaps[SURFACE](0.35 + 0.6 * np.clip(lit, 0, 1))
        drawn.add_collection(
            PolyCollection(
                list(corners), facecolors=shade, edgecolors=shade, lw=0.2, rasterized=True
            )
        )
        for tooth, place in points.items():
            x, y = axes @ (place * MM_PER_UNIT[unit] - middle)
            drawn.plot(x, y, "o", color=COLOURS[0], ms=3.5)
            drawn.annotate(
                str(tooth), (x, y), (0, 4), textcoords="offset points", ha="center", fontsize=8,
                color=COLOURS[0], path_effects=halo(),
            )  # fmt: skip
        drawn.set_aspect("equal")
        drawn.autoscale_view()
        drawn.set_axis_off()
        every = [tooth for teeth in arch_order(arch) for tooth in teeth if tooth in points]
        clicked = f", with points on {listed(map(str, every))}" if every else ", without points"
        set_alt_text(
            drawn,
            f"{clicking.scan.name}, the scan of an {arch} arch from its biting side{clicked} "
            f"({number_of(len(every), 'tooth', 'teeth')}).".replace("an lower", "a lower"),
        )
    return drawn
