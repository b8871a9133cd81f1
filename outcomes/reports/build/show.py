"""What a notebook shows and keeps: pictures with alt text, tables, sentences.

Each function gives back an object for the notebook to display. When ``out`` is a folder, the
same thing is also written there as files: figures as SVG, PDF and PNG, tables as CSV.
"""

import csv
import html
import re
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pandas as pd

from outcomes.reports.files.html import figure, table
from outcomes.reports.table import SMALL_NOTE, from_frame, small_rows
from outcomes.words.english import capital
from outcomes.words.safe import safe_rows, write_csv

_PNG_DPI, _SCREEN_DPI = 200, 130
_SVG_LIMIT = 400_000
"""Bytes above which the page shows a PNG instead: thousands of points are slow as drawing."""


class Shown:
    """A piece of HTML that a notebook displays."""

    def __init__(self, html_text: str) -> None:
        self.html = html_text

    def _repr_html_(self) -> str:
        return self.html

    def __repr__(self) -> str:
        text = re.sub(r"<[^>]+>", " ", self.html)
        text = re.sub(r"\s+", " ", html.unescape(text)).strip()
        return text if len(text) < 80 else f"{text[:70].rstrip()} …"


def say(*sentences: str, kind: str = "") -> Shown:
    """Sentences as paragraphs; everything in them is text, never markup.

    Parameters
    ----------
    *sentences
        One paragraph each. Empty ones are left out.
    kind
        ``"summary"`` for the box at the top, ``"note"`` for small print, ``"list"`` for bullet
        points, ``"h3"`` for a heading, ``""`` for body text.

    Examples
    --------
    >>> say("3 < 5.").html
    '<p>3 &lt; 5.</p>'
    """
    kept = [html.escape(sentence, quote=False) for sentence in sentences if sentence]
    if kind == "h3":
        return Shown("".join(f"<{kind}>{text}</{kind}>" for text in kept))
    if kind == "list":
        return Shown("<ul>" + "".join(f"<li>{text}</li>" for text in kept) + "</ul>")
    body = "".join(f"<p>{text}</p>" for text in kept)
    return Shown(f'<div class="{kind}">{body}</div>' if kind else body)


def show(ax: Any, name: str, out: str | Path | None = None, *, caption: str = "") -> Shown:
    """Display a figure with its alt text; keep it as SVG, PDF and PNG when ``out`` is given.

    A page shows the drawing itself (SVG); a notebook that keeps nothing, a small PNG.

    Parameters
    ----------
    ax
        Axes (or an array of them) from a function in `outcomes.figures`, which wrote the alt
        text.
    name
        File name without ending, such as ``"record_flow"``.
    out
        Report folder, or None.
    caption
        One or two sentences under the figure.
    """
    from outcomes.figures import alt_text, figure_bytes, save_figure

    alt = alt_text(ax)
    if re.search(r"patients?\*", alt):
        before = f"{caption.rstrip('.')}. " if caption else ""
        caption = f"{before}* {capital(SMALL_NOTE)}."
    if out is None:
        kind, picture = "png", figure_bytes(ax, "png", _SCREEN_DPI)
    else:
        folder = Path(out, "figures")
        drawing, *_ = save_figure(ax, folder / name)
        kind, picture = "svg+xml", drawing.read_bytes()
        _add_line(folder / "contents.csv", ("figure", "alt_text", "caption"), (name, alt, caption))
        if len(picture) > _SVG_LIMIT:
            kind, picture = "png", figure_bytes(ax, "png", _PNG_DPI)
    return Shown(figure(picture, alt, kind=kind, caption=caption, width=_screen_width(ax)))


def _screen_width(ax: Any) -> int:
    """Width in CSS pixels at which the text of the figure has its natural size."""
    first = next(iter(ax.flat)) if hasattr(ax, "flat") else ax
    return round(96 * first.get_figure(root=True).get_figwidth())


def titled(title: str, shown: Shown) -> Shown:
    """A figure or table under a small heading of its own.

    Examples
    --------
    >>> titled("Torque", say("Half.")).html
    '<div class="titled"><p class="label">Torque</p><p>Half.</p></div>'
    """
    heading = html.escape(title, quote=False)
    return Shown(f'<div class="titled"><p class="label">{heading}</p>{shown.html}</div>')


def side_by_side(*shown: Shown) -> Shown:
    """Figures next to each other where the page is wide enough."""
    return Shown(f'<div class="pair">{"".join(piece.html for piece in shown)}</div>')


def fold(title: str, *shown: Shown) -> Shown:
    """Details that open on a click; in print they are open.

    Nothing at all where there is nothing in it.
    """
    inner = "".join(piece.html for piece in shown)
    if not inner:
        return Shown("")
    heading = html.escape(title, quote=False)
    return Shown(f'<details class="more"><summary>{heading}</summary>{inner}</details>')


def _add_line(path: Path, header: Iterable[str], line: Iterable[str]) -> None:
    new = not path.exists()
    with path.open("a", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle)
        if new:
            writer.writerow(header)
        writer.writerows(safe_rows([line]))


def mark_small(frame: pd.DataFrame) -> pd.DataFrame:
    """The same table with a ``sharing`` column that marks rows of fewer than 5 patients.

    Tables without a ``patients`` column, and tables with no such row, come back as they are.

    Examples
    --------
    >>> mark_small(pd.DataFrame({"patients": [4, 5]}))["sharing"].tolist()
    ['fewer than 5 patients: could identify somebody; take out or merge before sharing', '']
    """
    small = small_rows(frame)
    if not small.any():
        return frame
    return frame.assign(sharing=small.map({True: SMALL_NOTE, False: ""}))


def save_table(
    frame: pd.DataFrame,
    name: str,
    out: str | Path | None = None,
    *,
    caption: str = "",
    view: Callable[[pd.DataFrame], pd.DataFrame] | None = None,
) -> Shown:
    """Display a table in plain words; keep it whole as CSV when ``out`` is given.

    Parameters
    ----------
    frame
        A tidy table. All of it is written to the CSV, under its own column names; rows resting
        on fewer than 5 patients are marked there in a column ``sharing``.
    name
        File name without ending.
    out
        Report folder, or None.
    caption
        One line above the table.
    view
        From the table to what is displayed, row for row: chosen columns with headings and texts,
        such as `outcomes.reports.audit.tables.rates`. The table itself when None.

    Returns
    -------
    Shown
        Nothing for a table without rows, of which no file is kept either. The displayed rows of fewer than 5 patients carry a dagger, explained below the table.

    Examples
    --------
    >>> frame = pd.DataFrame({"group": ["incisor"], "patients": [3]})
    >>> save_table(frame, "rates", caption="Rates")
    Rates group patients incisor 3 † † Fewer than 5 patients: could identi …
    """
    if not len(frame):
        return Shown("")
    if out is not None:
        folder = Path(out, "tables")
        folder.mkdir(parents=True, exist_ok=True)
        write_csv(mark_small(frame), folder / f"{name}.csv")
        _add_line(folder / "contents.csv", ("table", "caption"), (name, caption))
    few = small_rows(frame).tolist()
    shown = frame if view is None else view(frame)
    return Shown(table(from_frame(shown, caption, few=few, repeats=False)))
