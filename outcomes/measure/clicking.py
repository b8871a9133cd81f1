"""Clicking crowns on a scan: in a notebook, or on a page of its own that needs no kernel.

Both run the same script (``templates/clicking.js``) over plotly's own plotly.js, which is put into
the page or the widget: nothing is fetched from a network. The notebook's widget is an anywidget;
plotly's FigureWidget was not taken because its click comes with the press of the button, so that
turning the scan by a crown would place a point on it.
"""

from __future__ import annotations

import base64
import html
import json
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from outcomes.domain.scan_tables import MM_PER_UNIT
from outcomes.domain.teeth import side, tooth_class
from outcomes.errors import InputError, OutputRefused
from outcomes.measure.clicked import COLUMNS, START, Clicking, arch_order, open_clicking
from outcomes.measure.extra import need
from outcomes.measure.meshes import FloatArray, Mesh
from outcomes.measure.points import CROWN
from outcomes.measure.thinned import thinned

TEMPLATES = Path(__file__).resolve().parent / "templates"


def click_teeth(
    scan: str | Path,
    *,
    arch: str,
    landmarks: str | Path | None = None,
    unit: str = "mm",
    height: int = 560,
) -> Any:
    """Click the crowns of a scan in a notebook; every click is kept in a landmarks CSV at once.

    The number of the next tooth is proposed in the order of the arch; another one is picked from
    the list or typed. A file that is there already is continued; its other rows stay.

    Parameters
    ----------
    scan
        The start scan: ``.stl``, ``.ply`` or ``.obj``.
    arch
        ``"upper"`` or ``"lower"``.
    landmarks
        The CSV; ``NAME_landmarks.csv`` beside the scan when not given.
    unit
        Of the scan's numbers: mm, cm, m or inch. The clicks are in it too.
    height
        Of the picture, CSS pixels.

    Returns
    -------
    anywidget.AnyWidget
        To be shown as the value of a cell. ``.points`` holds the clicks: tooth, x, y, z.

    Raises
    ------
    InputError
        If the arch is none of these, or the folder of the CSV is not there.
    Unreadable
        If the scan or the CSV cannot be read, or the CSV belongs to another scan.
    ExtraMissing
        If a library that scans need is not installed.
    """
    anywidget, traitlets = need("anywidget"), need("traitlets")
    clicking = open_clicking(scan, arch=arch, landmarks=landmarks, unit=unit)

    class ClickTeeth(anywidget.AnyWidget):  # type: ignore[name-defined]
        _esm = _module()
        _css = _template("clicking.css")
        scan = traitlets.Dict().tag(sync=True)
        points = traitlets.List().tag(sync=True)
        saves = traitlets.Int(0).tag(sync=True)
        said = traitlets.Unicode("").tag(sync=True)

        def keep(self, change: Any) -> None:
            try:
                done = clicking.save(self.points)
                self.said = f"{done}, {datetime.now():%H:%M:%S}."
            except (InputError, OSError) as error:
                self.said = str(error)

    payload = _payload(clicking, height, kept=f"Every click is kept in {clicking.file.path}.")
    widget = ClickTeeth(scan=payload, points=payload["points"])
    widget.observe(widget.keep, ["points", "saves"])  # opening a scan writes nothing
    return widget


def click_page(
    scan: str | Path,
    out: str | Path,
    *,
    arch: str,
    landmarks: str | Path | None = None,
    unit: str = "mm",
) -> Path:
    """Write a page on which the crowns of a scan are clicked; it gives the CSV as a download.

    Parameters
    ----------
    scan, arch, unit
        As in :func:`click_teeth`.
    out
        The page, one file that loads nothing; it must not exist.
    landmarks
        A CSV to go on with; it is not changed. None starts anew.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    OutputRefused
        If something stands at ``out``, or its folder is not there.
    InputError, Unreadable, ExtraMissing
        As in :func:`click_teeth`.
    """
    out = Path(out)
    if out.exists() or out.is_symlink():
        raise OutputRefused(f"{out} exists already and is left as it is: choose another name.")
    if not out.absolute().parent.is_dir():
        raise OutputRefused(f"There is no folder {out.absolute().parent}: make it first.")
    fresh = out.with_name(f"{Path(scan).stem}_landmarks.csv") if landmarks is None else landmarks
    if landmarks is None and Path(fresh).exists():
        fresh = out.with_name(f"{Path(scan).stem}_{out.stem}_landmarks.csv")
    clicking = open_clicking(scan, arch=arch, landmarks=fresh, unit=unit)
    out.write_text(_page(clicking), encoding="utf-8")
    return out


def _page(clicking: Clicking) -> str:
    name = clicking.file.path.name
    kept = f"Nothing is kept until you press Save: {name} then goes to your downloads."
    payload = _payload(clicking, 600, kept=kept)
    # no text of a file can end the script it stands in
    data = json.dumps(payload).replace("<", "\\u003c")
    title = html.escape(f"Click the teeth of {clicking.scan.name}")
    return _template("clicking.html").format(
        title=title, css=_template("clicking.css"), plotly=plotly_script(),
        script=_script(), data=data,
    )  # fmt: skip


def _module() -> str:
    """The script as an ECMAScript module, plotly.js inside it and nothing left in the window."""
    return (
        "const Plotly = (function () { const define = undefined, module = { exports: {} }, "
        f"exports = module.exports;\n{need('plotly.offline').get_plotlyjs()}\n"
        "return module.exports; }).call(globalThis);\n"
        f"{_script()}\n{_template('clicking_widget.js')}"
    )


def _script() -> str:
    return f"{surface_script()}\n{_template('clicking.js')}"


def surface_script() -> str:
    """What pages with a scan share."""
    return _template("surface.js")


def plotly_script() -> str:
    """plotly.js as the content of a script element, which nothing in it ends."""
    return need("plotly.offline").get_plotlyjs().replace("</script", "<\\/script")


@cache
def _template(name: str) -> str:
    return (TEMPLATES / name).read_text(encoding="utf-8")


def _payload(clicking: Clicking, height: int, *, kept: str) -> dict[str, Any]:
    """What the script needs, as JSON can hold it: coordinates in the unit of the scan."""
    mm = MM_PER_UNIT[clicking.unit]
    shown, _ = thinned(clicking.mesh)
    vertices = shown.vertices / mm
    permanent, deciduous = arch_order(clicking.arch)
    eye, up = seen_from(shown, clicking.arch)
    return {
        "vertices": packed(vertices, "<f8"),
        "faces": packed(shown.faces, "<u4"),
        "middle": ((vertices.min(axis=0) + vertices.max(axis=0)) / 2).tolist(),
        "mm": mm,
        "unit": clicking.unit,
        "arch": clicking.arch,
        "permanent": list(permanent),
        "deciduous": list(deciduous),
        "names": {str(t): tooth_name(t) for t in (*permanent, *deciduous)},
        "first": [t for t in permanent if t % 10 < 8],
        "eye": eye.tolist(),
        "up": up.tolist(),
        "height": height,
        "scan": clicking.scan.name,
        "file": clicking.file.path.name,
        "kept": kept,
        "columns": list(COLUMNS),
        "model": START,
        "point": CROWN,
        "others": clicking.file.text({}, clicking.arch).partition("\n")[2],
        "points": [
            {"tooth": tooth, "x": float(x), "y": float(y), "z": float(z)}
            for tooth, (x, y, z) in clicking.file.points.items()
        ],
    }


def packed(values: Any, kind: str) -> str:
    """An array as base64, little-endian."""
    return base64.b64encode(np.ascontiguousarray(values, dtype=kind).tobytes()).decode("ascii")


def seen_from(mesh: Mesh, arch: str) -> tuple[FloatArray, FloatArray]:
    """Unit vectors from the scan to the eye and upwards, so that the biting surfaces are seen.

    An open scan is seen from where it was taken: the sum of its triangles' vectors points there. A
    closed one has no such side: then its flattest direction is taken, and the view can be turned
    round. The front teeth, where the arch is closed, are above in an upper arch and below in a lower.
    """
    centred = mesh.vertices - mesh.vertices.mean(axis=0)
    _, axes = np.linalg.eigh(centred.T @ centred)
    eye = mesh.face_vectors.sum(axis=0)
    size = float(np.linalg.norm(eye))
    if size < 0.05 * float(np.linalg.norm(mesh.face_vectors, axis=1).sum()):
        eye, size = axes[:, 0], 1.0
    eye = eye / size
    across = axes[:, 2] - eye * (axes[:, 2] @ eye)
    across = across / np.linalg.norm(across)
    up = np.cross(eye, across)
    wide, high = np.abs(centred @ across), centred @ up
    if ((wide - wide.mean()) @ high > 0) == (arch == "upper"):
        up = -up
    return eye, up


_KIND = {1: "central incisor", 2: "lateral incisor", 3: "canine"}
_ORDINAL = ("first", "second", "third")


def tooth_name(tooth: int) -> str:
    """A tooth in words.

    Examples
    --------
    >>> tooth_name(17), tooth_name(31), tooth_name(65)
    ('upper right second molar', 'lower left central incisor', 'upper left second deciduous molar')
    """
    quadrant, place = divmod(tooth, 10)
    arch = "upper" if quadrant in (1, 2, 5, 6) else "lower"
    deciduous = quadrant >= 5
    if place <= 3:
        kind = ("deciduous " if deciduous else "") + _KIND[place]
    else:
        number = place - (6 if tooth_class(tooth) == "molar" and not deciduous else 4)
        kind = f"{_ORDINAL[number]} {'deciduous ' if deciduous else ''}{tooth_class(tooth)}"
    return f"{arch} {side(tooth)} {kind}"
