"""What all figures share: the style, new axes, alt text, and saving without dates or chance."""

from __future__ import annotations

import base64
import html
import io
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache, lru_cache
from pathlib import Path
from types import MethodType
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
from cycler import cycler
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine, PlaceHolderLayoutEngine
from matplotlib.patheffects import withStroke

from outcomes.errors import InputError
from outcomes.paths import data_path

FULL_WIDTH = 7.2
"""Width of a full page, inches."""

INK, QUIET, SCALE = "#222222", "#666666", "#777777"
ASIDE, FAINT, GRID = "#999999", "#B8B8B8", "#E6E6E6"
"""Text; secondary text; axes; boxes that stand aside; lines that only guide the eye; grid."""

PAPER, DARKEST = "white", "black"
"""The ground and what is left open; letters on a light shade."""

COLOURS = ("#332288", "#117A8B", "#CC6677", "#C99A1E")
"""Dark to light, so that the order survives grey print; told apart by the colour-blind."""

TINT, BAND = "#EFEDF6", "#E4E1EE"
"""The first colour as the ground of a box, and of what lies within tolerance."""

CHANCES = (PAPER, "#DDD8EE", "#8F83C4")
"""Shades of a map of chances, light enough for lines and letters on it and for grey print."""

RATES = "viridis_r"
"""Shades of rates: perceptually uniform, light to dark, so that it reads the same in grey print."""

SURFACE = "gray"
"""Light and shade of a scan's surface."""

MARKERS = ("o", "s", "^", "D")

GUIDE: dict[str, Any] = {"color": QUIET, "lw": 0.9, "dashes": (4, 2.5)}
"""The line that a result is held against: all of the plan, the target, no difference."""

_RC_COLOURS: dict[Any, Any] = {
    **dict.fromkeys(("text.color", "axes.labelcolor", "xtick.labelcolor", "ytick.labelcolor"), INK),
    **dict.fromkeys(("axes.edgecolor", "xtick.color", "ytick.color"), SCALE),
    **dict.fromkeys(("figure.facecolor", "savefig.facecolor"), PAPER),
    "grid.color": GRID,
    "axes.prop_cycle": cycler(color=COLOURS),
}

_ALT = "_outcomes_alt_text"
_SVG_FONTS = "Arial, 'Liberation Sans', Helvetica, 'DejaVu Sans', sans-serif"


@contextmanager
def style() -> Iterator[None]:
    """Draw in the style of this package; leaves matplotlib's settings as they were.

    Type, sizes and lines are in shared/figures.mplstyle, colours here.

    Examples
    --------
    >>> import matplotlib as mpl
    >>> with style():
    ...     mpl.rcParams["axes.spines.top"]
    False
    """
    path = data_path("shared", "figures.mplstyle")
    with mpl.rc_context(fname=path):
        # A concrete name: text then keeps its font when the figure is drawn after the context.
        mpl.rcParams["font.family"] = _fonts(tuple(mpl.rcParams["font.sans-serif"]))
        mpl.rcParams.update(_RC_COLOURS)
        yield


@cache
def _fonts(wanted: tuple[str, ...]) -> list[str]:
    from matplotlib import font_manager

    present = {font.name for font in font_manager.fontManager.ttflist}
    first = next((name for name in wanted if name in present), "DejaVu Sans")
    return list(dict.fromkeys([first, "DejaVu Sans"]))


def new_axes(
    width: float = FULL_WIDTH, height: float = 4.2, *, rows: int = 1, columns: int = 1
) -> Any:
    """Axes of a new figure of that size in inches: one, or an array where more are asked for.

    The figure is not registered with pyplot, so nothing stays open; in a notebook the Axes shows
    itself, with its alt text, as the value of a cell.
    """
    with style():
        figure = Figure(figsize=(width, height), layout="constrained")
        axes = figure.subplots(rows, columns)
    if isinstance(axes, Axes):
        vars(axes)["_repr_html_"] = MethodType(_as_html, axes)
    return axes


@contextmanager
def canvas(ax: Axes | None, width: float, height: float, *, trim: bool = False) -> Iterator[Axes]:
    """Draw in the style on the Axes given, or on new ones of that size in inches.

    ``trim`` makes a new figure at the end just as high as what was drawn asks for.
    """
    with style():
        drawn = new_axes(width, height) if ax is None else ax
        yield drawn
        if trim and ax is None:
            trim_height(drawn)


def bare_axes(width: float, height: float) -> Axes:
    """Axes that fill a new figure of that size in inches, for drawings without scales."""
    with style():
        figure = Figure(figsize=(width, height), layout=ConstrainedLayoutEngine(h_pad=0, w_pad=0))
        ax = figure.subplots()
    ax.set_axis_off()
    vars(ax)["_repr_html_"] = MethodType(_as_html, ax)
    return ax


def panels(n: int, width: float, height: float, columns: int, **shared: Any) -> np.ndarray:
    """Axes of ``n`` panels, so many in a line, in a new figure; shape (n,).

    Parameters
    ----------
    width, height
        Of the figure, inches.
    **shared
        ``sharex``, ``sharey`` of matplotlib.
    """
    with style():
        figure = Figure(figsize=(width, height), layout="constrained")
    return fill(figure, n, columns, **shared)


def fill(part: Any, n: int, columns: int, **shared: Any) -> np.ndarray:
    """Axes of ``n`` panels, so many in a line, in a figure or a part of one; shape (n,)."""
    with style():
        axes = np.ravel(part.subplots(lines_of(n, columns), columns, squeeze=False, **shared))
    for spare in axes[n:]:
        spare.remove()
    return axes[:n]


def three_in_a_line(ax: Any, n: int, single: float, line: float, more: float) -> np.ndarray:
    """The Axes given, or of a new figure, with those beyond ``n`` left empty; shape (n or more,).

    Parameters
    ----------
    ax
        Axes, or an array of them; None for a new figure.
    single
        Width of a figure of one panel, inches.
    line, more
        Height of a line of panels, and of what stands around them, inches.
    """
    if ax is None:
        columns = min(3, n)
        lines = lines_of(n, columns)
        width = FULL_WIDTH if columns > 1 else single
        ax = new_axes(width, line * lines + more, rows=lines, columns=columns)
    axes = np.ravel(np.asarray(ax, dtype=object))
    for spare in axes[n:]:
        spare.set_axis_off()
    return axes


def lines_of(n: int, columns: int) -> int:
    """How many lines ``n`` panels take."""
    return -(-n // columns)


def look(number: int) -> dict[str, Any]:
    """Colour and mark of the first, second, ... of several groups."""
    return {
        "color": COLOURS[number % len(COLOURS)],
        "marker": MARKERS[number % len(MARKERS)],
    }


def cross_at_zero(ax: Axes, zorder: float) -> None:
    """Faint lines where nothing was planned, and where nothing was achieved."""
    ax.axhline(0, color=FAINT, lw=0.8, zorder=zorder)
    ax.axvline(0, color=FAINT, lw=0.8, zorder=zorder)


def name_rows(names: list[str], ax: Axes, *, top: float, bottom: float, **look: Any) -> None:
    """Name rows at 0, 1, ... from the top; room above the first and below the last, in rows."""
    ax.set_yticks(range(len(names)), names, **look)
    ax.set_ylim(len(names) - 1 + bottom, -top)
    ax.grid(axis="y", visible=False)
    ax.tick_params(axis="y", length=0)


def halo(width: float = 2.4) -> list[Any]:
    """Path effect that keeps letters and lines legible on what lies below; width in points."""
    return [withStroke(linewidth=width, foreground=PAPER)]


def records(frame: pd.DataFrame) -> Iterator[Any]:
    """The rows of a frame, with its columns as attributes."""
    yield from frame.itertuples()


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Room in points that a line of text needs in the style's font."""
    with style():
        family = mpl.rcParams["font.family"][0]
    return size * _width_of_one_point(text, family, bold)


@lru_cache(maxsize=4096)
def _width_of_one_point(text: str, family: str, bold: bool) -> float:
    """Room in points at a type size of one point: outlines scale, so it is measured once."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    font = FontProperties(family=family, weight="bold" if bold else "normal", size=100)
    path = TextPath((0, 0), text.replace("$", r"\$"), prop=font)
    return 1.02 * float(path.get_extents().x1) / 100  # a little air


def trim_height(ax: Axes) -> None:
    """Make a figure of one Axes just high enough for what is drawn on it."""
    figure = _figure(ax)
    figure.draw_without_rendering()
    figure.set_figheight(figure.get_tightbbox().height + 0.08)


def _as_html(ax: Axes) -> str:
    width = round(_figure(ax).get_figwidth() * 100)
    png = figure_bytes(ax, "png", dpi=200)
    return picture_html(png, alt_text(ax), style=f"width:{width}px;max-width:100%")


def picture_html(picture: bytes, alt: str, kind: str = "png", **attributes: object) -> str:
    """A picture inside its page, with the words that stand for it.

    Parameters
    ----------
    picture
        The bytes of the file.
    alt
        Alt text.
    kind
        ``"png"`` or ``"svg+xml"``.
    **attributes
        Others of the element, such as ``width``, CSS pixels.

    Examples
    --------
    >>> picture_html(b"abc", "A < B", width=9)
    '<img src="data:image/png;base64,YWJj" alt="A &lt; B" width="9">'
    """
    data = base64.b64encode(picture).decode("ascii")
    more = "".join(f' {name}="{value}"' for name, value in attributes.items())
    return f'<img src="data:image/{kind};base64,{data}" alt="{html.escape(alt)}"{more}>'


def set_alt_text(ax: Axes, text: str) -> None:
    """Keep the words that stand for the picture with the Axes."""
    vars(ax)[_ALT] = re.sub(r"\s+", " ", text).strip()


def alt_text(drawn: Axes | Figure | Sequence[Axes] | np.ndarray) -> str:
    """The alt text that the figure function wrote from the numbers.

    Parameters
    ----------
    drawn
        Axes, an array of Axes, or a Figure (the alt texts of its Axes, joined).

    Raises
    ------
    InputError
        If no figure function of this package drew on it.
    """
    axes = drawn.axes if isinstance(drawn, Figure) else np.ravel(np.asarray(drawn, dtype=object))
    texts = [vars(ax)[_ALT] for ax in axes if vars(ax).get(_ALT)]
    if not texts:
        raise InputError("No alt text: draw with a function of outcomes.figures first.")
    return " ".join(dict.fromkeys(texts))


def save_figure(
    drawn: Axes | Figure | np.ndarray,
    stem: str | Path,
    formats: Sequence[str] = ("svg", "pdf", "png"),
    dpi: int = 300,
) -> list[Path]:
    """Save a figure; the same figure gives the same bytes, without dates.

    Parameters
    ----------
    drawn
        Axes, array of Axes, or Figure.
    stem
        Path without ending; a file is written for each format.
    formats
        Of ``"svg"`` (with title and description, text kept as text), ``"pdf"`` (fonts embedded),
        ``"png"``.
    dpi
        Dots per inch of PNG, and of crowded points inside SVG and PDF.

    Returns
    -------
    list of Path
    """
    stem = Path(stem)
    stem.parent.mkdir(parents=True, exist_ok=True)
    paths = {kind: stem.with_name(f"{stem.name}.{kind}") for kind in formats}
    for kind, path in paths.items():
        path.write_bytes(figure_bytes(drawn, kind, dpi, title=stem.name.replace("_", " ")))
    return list(paths.values())


def figure_bytes(
    drawn: Axes | Figure | np.ndarray, kind: str, dpi: int = 300, *, title: str = "figure"
) -> bytes:
    """The figure as the content of an SVG, PDF or PNG file, with its alt text inside."""
    figure = _figure(drawn)
    alt = alt_text(drawn)
    metadata: dict[str, dict[str, Any]] = {
        "svg": {"Date": None, "Creator": None, "Type": None, "Format": None},
        "pdf": {"CreationDate": None, "Creator": None, "Producer": None, "Title": title},
        "png": {"Software": None, "Title": title, "Description": alt},
    }
    metadata["pdf"]["Subject"] = alt
    if kind not in metadata:
        raise InputError(f"Cannot save a figure as {kind!r}: choose svg, pdf or png.")
    buffer = io.BytesIO()
    with style():
        settle(figure, within=1e-3)
        figure.savefig(buffer, format=kind, dpi=dpi, metadata=metadata[kind])
    return _accessible(buffer.getvalue(), title, alt) if kind == "svg" else buffer.getvalue()


def settle(drawn: Any, within: float = 1e-9) -> None:
    """Lay a figure out until nothing moves, then leave it so: every save is the same, and quick.

    With axes of equal scales the first layout leaves labels outside; the second has them in.

    Parameters
    ----------
    drawn
        Axes, array of Axes, or Figure.
    within
        Shares of the figure that may still move.
    """
    figure = _figure(drawn)
    engine = figure.get_layout_engine()
    if engine is None or isinstance(engine, PlaceHolderLayoutEngine):
        return
    places = np.empty(0)
    with style():
        for _ in range(8):
            figure.draw_without_rendering()
            before, places = places, np.array([ax.get_position().bounds for ax in figure.axes])
            if before.shape == places.shape and np.allclose(before, places, rtol=0, atol=within):
                break
    figure.set_layout_engine("none")


def _accessible(svg: bytes, title: str, alt: str) -> bytes:
    """Title and description for screen readers, and fonts that other machines have."""
    text = svg.decode("utf-8")
    words = f"<title>{html.escape(title)}</title>\n <desc>{html.escape(alt)}</desc>"
    head = re.compile(r"<svg ([^>]*)>")
    text = head.sub(lambda found: f'<svg role="img" {found[1]}>\n {words}', text, count=1)
    fonts = "|".join(re.escape(name) for name in ("Arial", "Liberation Sans", "DejaVu Sans"))
    text = re.sub(rf"(?:'(?:{fonts})'(?:, )?)+(?:, sans-serif)?", _SVG_FONTS, text)
    return text.encode("utf-8")


def _figure(drawn: Axes | Figure | np.ndarray | Sequence[Axes]) -> Figure:
    if isinstance(drawn, Figure):
        return drawn
    found = np.ravel(np.asarray(drawn, dtype=object))[0].get_figure(root=True)
    assert isinstance(found, Figure)
    return found
