"""Figures as journals ask for them: one or two columns wide, in every format, with their words."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from outcomes.figures.base import alt_text, figure_bytes, settle
from outcomes.words.safe import safe_rows

MM = 1 / 25.4
WIDTHS = {"one_column": 85 * MM, "two_column": 175 * MM}
"""Inches: 85 mm and 175 mm (common practice, no source)."""
DPI = (300, 600)


@dataclass(frozen=True)
class Drawn:
    """A figure that was drawn and saved: its name, caption, alt text and files."""

    name: str
    caption: str
    alt: str
    files: tuple[str, ...]


def save_for_print(
    draw: Callable[[float], Any],
    name: str,
    caption: str,
    folder: str | Path,
    *,
    widths: Iterable[str] = tuple(WIDTHS),
    dpi: Iterable[int] = DPI,
) -> Drawn:
    """Save a figure in each width as SVG, PDF with its fonts, and PNG at each resolution.

    Parameters
    ----------
    draw
        From a width in inches to Axes drawn by this package.
    name
        Stem of the files: ``name_one_column_600dpi.png``.
    caption
        Legend of the figure.
    folder
        Where to write.
    widths
        Of ``WIDTHS``.
    dpi
        Resolutions of the PNG files.

    Returns
    -------
    Drawn

    Examples
    --------
    >>> import tempfile
    >>> from outcomes.figures.base import new_axes, set_alt_text
    >>> def draw(width):
    ...     ax = new_axes(width, 2.0)
    ...     set_alt_text(ax, "An empty plot.")
    ...     return ax
    >>> with tempfile.TemporaryDirectory() as place:
    ...     drawn = save_for_print(draw, "empty", "Nothing.", place, widths=["one_column"])
    >>> drawn.files[0], len(drawn.files)
    ('empty_one_column.svg', 4)
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    files: list[str] = []
    alt = ""
    resolutions = tuple(dpi)
    for width in widths:
        axes = draw(WIDTHS[width])
        settle(axes)
        alt = alt_text(axes)
        title = name.replace("_", " ")
        for kind in ("svg", "pdf"):
            file = f"{name}_{width}.{kind}"
            (folder / file).write_bytes(figure_bytes(axes, kind, title=title))
            files.append(file)
        for resolution in resolutions:
            file = f"{name}_{width}_{resolution}dpi.png"
            (folder / file).write_bytes(figure_bytes(axes, "png", resolution, title=title))
            files.append(file)
    return Drawn(name, caption, alt, tuple(files))


def write_contents(drawn: Iterable[Drawn], path: str | Path) -> Path:
    """Captions and alt texts of figures, as CSV: file, caption, alt_text."""
    path = Path(path)
    with path.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle)
        writer.writerow(("file", "caption", "alt_text"))
        for figure in drawn:
            writer.writerows(
                safe_rows([(file, figure.caption, figure.alt) for file in figure.files])
            )
    return path
