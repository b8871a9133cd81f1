"""An arch in three dimensions: start, plan and outcome, to be turned in a notebook or on a page.

One file that loads nothing, with plotly's own plotly.js inside. Tried on three scans of 136,000
triangles each, thinned to 45,000, in headless Chromium drawing without a graphics card on a shared
machine: the page with plotly has 7.7 MB, 4.8 of them plotly.js, and is drawn after 7 s; it tells the
vertex under the pointer, so that a tooth can say what it did, and lets stage and colour be chosen.
The viewer of trimesh has 4.7 MB, 0.7 of them its script, and is drawn after 3.5 s, but it shows a
scene as it is: no choice of stage or colour, no word on a tooth. Neither asks a network for
anything. k3d was not tried: it is one more library to install.
"""

from __future__ import annotations

import html
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib import colormaps

from outcomes.domain.movements import MOVEMENTS
from outcomes.domain.scan_tables import STAGES
from outcomes.errors import CannotAnswer, InputError, OutputRefused
from outcomes.figures.base import RATES
from outcomes.measure.clicking import packed, plotly_script, seen_from, surface_script, tooth_name
from outcomes.measure.extra import need
from outcomes.measure.measured import ArchPart, Measured
from outcomes.measure.meshes import FloatArray, IntArray, Mesh
from outcomes.measure.motion import Rigid, components
from outcomes.measure.thinned import thinned
from outcomes.words.cautions import cautions
from outcomes.words.numbers import number, signed, size
from outcomes.words.units import unit_mark

if TYPE_CHECKING:
    from outcomes.measure.scanned import ArchMeasured

__all__ = ["View3D", "view_arch"]

TEMPLATES = Path(__file__).resolve().parent / "templates"

#: mm: a point of a later scan this near to a crown, where it went, is of that crown.
OF_CROWN = 0.5
#: What colour can show; the lowest number at the dark end of the scale, mm.
SHOWS = {
    "moved": ("how far each point moved", 0.5),
    "residual": ("what the fit of the crown left over", 0.1),
}
NONE = 255
STAGE_NAMES = {"planned": "plan", "achieved": "outcome"}


@dataclass(frozen=True)
class View3D:
    """A page with an arch to be turned; it shows itself in a notebook.

    Attributes
    ----------
    title
        Of the page.
    page
        The page, HTML that loads nothing.
    alt
        What is shown, in words.
    """

    title: str
    page: str = field(repr=False)
    alt: str = field(repr=False)

    def write(self, path: str | Path) -> Path:
        """Write the page; OutputRefused if something stands there, or the folder is not there."""
        path = Path(path)
        if path.exists() or path.is_symlink():
            raise OutputRefused(f"{path} exists already and is left as it is: choose another name.")
        if not path.absolute().parent.is_dir():
            raise OutputRefused(f"There is no folder {path.absolute().parent}: make it first.")
        path.write_text(self.page, encoding="utf-8")
        return path

    def _repr_html_(self) -> str:
        # a frame of its own: its script and the notebook's cannot meet. (As a data address the page
        # would stay empty: browsers take no such address above 2 MB.)
        return (
            f'<iframe title="{html.escape(self.alt)}" srcdoc="{html.escape(self.page)}" '
            'style="width:100%;height:700px;border:0"></iframe>'
        )


def view_arch(
    measured: Measured | ArchPart, *, arch: str | None = None, title: str | None = None
) -> View3D:
    """An arch to be turned: the start in grey, the plan or the outcome in colour.

    Colour shows how far each point of a crown moved (mm, from the start after superimposition), or
    what the fit of the crown left over (mm). The pointer on a tooth tells its movements, planned
    and achieved, with the signs of the records; refused teeth tell why. Scans are thinned (within
    0.1 mm).

    Parameters
    ----------
    measured
        From ``measure_scans``, or one of its ``arches``.
    arch
        ``"upper"`` or ``"lower"``, where there are several.
    title
        Of the page; default patient, course and arch.

    Returns
    -------
    View3D

    Raises
    ------
    InputError
        If several arches are left, or none.
    CannotAnswer
        If the arch was measured from landmarks, or its scans were not kept or not usable.
    """
    invented = isinstance(measured, Measured) and measured.invented
    part = _one(measured, arch)
    detail = part.detail
    if detail is None:
        raise CannotAnswer(
            "There are no scans of this arch to show: it was measured from landmarks, or its scans "
            "could not be used (see .problems)."
        )
    title = title or f"{part.patient}, course {part.course}, {part.arch} arch"
    payload = _payload(part, detail)
    numbers = "".join(_rows(part))
    heads = "".join(f'<th scope="col">{name}, {m.unit}</th>' for name, m in MOVEMENTS.items())
    shown = [STAGE_NAMES[stage["stage"]] for stage in payload["stages"]]
    alt = f"{title}: the start scan and {' and '.join(shown) or 'no later scan'}, to be turned."
    always = " ".join(cautions("Always")[1:2])
    said = f"{'These scans are invented. ' if invented else ''}{always}"
    page = (TEMPLATES / "view3d.html").read_text(encoding="utf-8").format(
        title=html.escape(title), plotly=plotly_script(), numbers=numbers, heads=heads,
        script=f"{surface_script()}\n{(TEMPLATES / 'view3d.js').read_text(encoding='utf-8')}",
        data=json.dumps(payload).replace("<", "\\u003c"), caution=html.escape(said),
    )  # fmt: skip
    return View3D(title, page, alt)


def _one(measured: Measured | ArchPart, arch: str | None) -> ArchPart:
    if isinstance(measured, ArchPart):
        return measured
    found = [p for p in measured.arches if arch in (None, p.arch)]
    if len(found) != 1:
        named = "; ".join(f"{p.patient}, course {p.course}, {p.arch}" for p in found) or "none"
        raise InputError(
            f"One arch is shown, and {len(found)} are meant ({named}): give one of .arches."
        )
    return found[0]


def _payload(part: ArchPart, detail: ArchMeasured) -> dict[str, Any]:
    start, rows = thinned(detail.start)
    label = np.zeros(len(detail.start.vertices), np.int64)
    for tooth, vertices in detail.crowns.items():
        label[vertices] = tooth
    low, high = start.vertices.min(axis=0), start.vertices.max(axis=0)
    eye, up = seen_from(start, part.arch)
    stages = []
    for stage in STAGES:
        done = detail.stages.get(stage)
        if done is None or done.mesh is None:
            continue
        stages.append(
            {"stage": stage, "name": STAGE_NAMES[stage], **_coloured(part, detail, stage)}
        )
    tops = {name: _top(stages, name) for name in SHOWS}
    for one in stages:
        for name in SHOWS:
            one[name] = packed(_steps(one[name], tops[name]), "<u1")
    words = {str(tooth): _words(part, tooth) for tooth in sorted(detail.crowns)}
    words |= {str(q["tooth"]): _words(part, int(q["tooth"])) for q in part.quality}
    return {
        "start": _surface(start) | {"tooth": packed(label[rows], "<u1")},
        "stages": stages,
        "middle": ((low + high) / 2).tolist(),
        "eye": eye.tolist(),
        "up": up.tolist(),
        "words": words,
        "scale": [[round(255 * c) for c in colormaps[RATES](k / 31)[:3]] for k in range(32)],
        "shows": {name: [text, number(tops[name])] for name, (text, _) in SHOWS.items()},
        "none": NONE,
    }


def _surface(mesh: Mesh) -> dict[str, Any]:
    short = len(mesh.vertices) <= 65_536
    return {
        "vertices": packed(mesh.vertices, "<f4"),
        "faces": packed(mesh.faces, "<u2" if short else "<u4"),
        "short": short,
    }


def _coloured(part: ArchPart, detail: ArchMeasured, stage: str) -> dict[str, Any]:
    """A later scan with, for each vertex, its tooth, how far it moved and what the fit left, mm."""
    mesh = detail.stages[stage].mesh
    assert mesh is not None
    mesh, _ = thinned(mesh)
    n = len(mesh.vertices)
    tooth, moved, residual = np.zeros(n, np.int64), np.full(n, np.nan), np.full(n, np.nan)
    nearest = np.full(n, OF_CROWN)
    for number_, vertices in detail.crowns.items():
        motion = part.motions.get((number_, stage))
        if motion is None:
            continue
        at, away = _near(mesh, detail.start, vertices, motion)
        better = away < nearest[at]
        at, away = at[better], away[better]
        nearest[at], tooth[at], residual[at] = away, number_, away
        back = motion.inverse().apply(mesh.vertices[at])
        moved[at] = np.linalg.norm(mesh.vertices[at] - back, axis=1)
    return {
        **_surface(mesh), "tooth": packed(tooth, "<u1"), "moved": moved, "residual": residual,
    }  # fmt: skip


def _near(
    mesh: Mesh, start: Mesh, vertices: IntArray, motion: Rigid
) -> tuple[IntArray, FloatArray]:
    """Vertices around a crown where it went, and how far each is from its surface, mm."""
    inside = np.zeros(len(start.vertices), bool)
    inside[vertices] = True
    crown = start.part(np.asarray(inside[start.faces].all(axis=1)))
    if not len(crown.faces):
        return np.empty(0, np.int64), np.empty(0)
    points = motion.apply(crown.vertices)
    low, high = points.min(axis=0) - OF_CROWN, points.max(axis=0) + OF_CROWN
    at = np.flatnonzero(((mesh.vertices >= low) & (mesh.vertices <= high)).all(axis=1))
    if not len(at):
        return at, np.empty(0)
    squared = need("igl").point_mesh_squared_distance(
        np.ascontiguousarray(mesh.vertices[at]), np.ascontiguousarray(points), crown.faces
    )[0]
    return at, np.sqrt(np.asarray(squared, float).ravel())


def _top(stages: list[dict[str, Any]], name: str) -> float:
    """The number at the dark end: rounded up to tenths.

    Of movement the largest, so that a tooth that moved alone is not cut short; of what is left
    over what 95 in 100 points stay below, as margins and holes leave much.
    """
    values = [one[name][np.isfinite(one[name])] for one in stages]
    joined = np.concatenate(values) if values else np.empty(0)
    share = 1.0 if name == "moved" else 0.95
    high = float(np.quantile(joined, share)) if len(joined) else 0.0
    return max(SHOWS[name][1], float(np.ceil(high * 10 - 1e-9) / 10))


def _steps(values: FloatArray, top: float) -> IntArray:
    steps = np.clip(np.round(np.nan_to_num(values) / top * (NONE - 1)), 0, NONE - 1)
    return np.where(np.isfinite(values), steps, NONE).astype(np.int64)


def _values(part: ArchPart, tooth: int) -> dict[str, dict[str, float]]:
    """Stage -> movement -> value, of stages in which the tooth was measured."""
    frame = part.frames.get(tooth)
    if frame is None:
        return {}
    return {
        stage: components(part.motions[tooth, stage], frame)
        for stage in STAGES
        if (tooth, stage) in part.motions
    }


def _why(part: ArchPart, tooth: int, stage: str) -> str:
    """Why a tooth has no numbers in a stage."""
    for row in part.quality:
        if row["tooth"] == tooth and row["stage"] == stage and row["verdict"] == "refused":
            return f"refused: {row['reason']}"
    return "not measured"


def _words(part: ArchPart, tooth: int) -> str:
    """What the pointer on a tooth tells; lines as plotly breaks them."""
    values = _values(part, tooth)
    lines = [f"<b>{tooth}</b> {tooth_name(tooth)}"]
    for name in MOVEMENTS if values else ():
        cells = [
            f"{stage} {_cell(name, values.get(stage))}" for stage in STAGES if stage in part.stages
        ]
        lines.append(f"{name}: {', '.join(cells)}")
    for stage in part.stages:
        if stage not in values:
            lines.append(html.escape(f"{stage} {_why(part, tooth, stage)}", quote=False))
    for row in part.quality:
        if row["tooth"] == tooth and row["stage"] in values and np.isfinite(row["residual"]):
            lines.append(
                f"{row['stage']} fit: {size(row['residual'], 'mm')}, {row['confidence']} confidence"
            )
    return "<br>".join(lines)


def _cell(movement: str, values: dict[str, float] | None) -> str:
    if values is None:
        return "–"
    digits = 2 if MOVEMENTS[movement].unit == "mm" else 1
    return f"{signed(values[movement], digits)}{unit_mark(MOVEMENTS[movement].unit)}"


def _rows(part: ArchPart) -> Iterator[str]:
    """The numbers as rows of an HTML table, for those who cannot point."""
    for tooth in sorted({int(q["tooth"]) for q in part.quality} | set(part.frames)):
        values = _values(part, tooth)
        for stage in part.stages:
            if stage in values:
                cells = "".join(f"<td>{_cell(name, values[stage])}</td>" for name in MOVEMENTS)
            else:
                why = html.escape(_why(part, tooth, stage))
                cells = f'<td class="why" colspan="{len(MOVEMENTS)}">{why}</td>'
            yield f'<tr><th scope="row">{tooth}</th><td>{stage}</td>{cells}</tr>\n'
