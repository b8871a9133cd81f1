"""What a notebook shows and keeps: pictures with alt text, tables, sentences.

Each function gives back an object for the notebook to display. When ``out`` is a folder, the
same thing is also written there as files: figures as SVG, PDF and PNG, tables as CSV.
"""

import base64
import csv
import html
import re
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pandas as pd

from outcomes.domain.movements import FEW_PATIENTS

SMALL_NOTE = f"fewer than {FEW_PATIENTS} patients: take out before sharing"

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

    Returns
    -------
    Shown
    """
    from outcomes.figures import alt_text, figure_bytes, save_figure

    alt = alt_text(ax)
    if out is None:
        kind, picture = "png", figure_bytes(ax, "png", _SCREEN_DPI)
    else:
        folder = Path(out, "figures")
        drawing, *_ = save_figure(ax, folder / name)
        kind, picture = "svg+xml", drawing.read_bytes()
        _add_line(folder / "contents.csv", ("figure", "alt_text", "caption"), (name, alt, caption))
        if len(picture) > _SVG_LIMIT:
            kind, picture = "png", figure_bytes(ax, "png", _PNG_DPI)
    data = base64.b64encode(picture).decode("ascii")
    under = f"<figcaption>{html.escape(caption, quote=False)}</figcaption>" if caption else ""
    return Shown(
        f'<figure><img src="data:image/{kind};base64,{data}" alt="{html.escape(alt)}" '
        f'width="{_screen_width(ax)}">{under}</figure>'
    )


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
        writer.writerow(line)


def mark_small(frame: pd.DataFrame) -> pd.DataFrame:
    """The same table with a ``sharing`` column that marks rows of fewer than 5 patients.

    Tables without a ``patients`` column, and tables with no such row, come back as they are.

    Examples
    --------
    >>> mark_small(pd.DataFrame({"patients": [4, 5]}))["sharing"].tolist()
    ['fewer than 5 patients: take out before sharing', '']
    """
    small = _small_rows(frame)
    if not small.any():
        return frame
    return frame.assign(sharing=small.map({True: SMALL_NOTE, False: ""}))


def _small_rows(frame: pd.DataFrame) -> pd.Series:
    if "patients" not in frame:
        return pd.Series(False, index=frame.index)
    patients = pd.to_numeric(frame["patients"])
    return ((patients > 0) & (patients < FEW_PATIENTS)).fillna(False).astype(bool)


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
    Rates group patients incisor 3 † † Fewer than 5 patients: take out bef …
    """
    if not len(frame):
        return Shown("")
    if out is not None:
        folder = Path(out, "tables")
        folder.mkdir(parents=True, exist_ok=True)
        mark_small(frame).to_csv(folder / f"{name}.csv", index=False, encoding="utf-8")
        _add_line(folder / "contents.csv", ("table", "caption"), (name, caption))
    small = _small_rows(frame).tolist()
    return Shown(_table_html(frame if view is None else view(frame), small, caption))


def _table_html(shown: pd.DataFrame, small: list[bool], caption: str) -> str:
    texts = {str(title): [_cell_text(v) for v in shown[title]] for title in shown.columns}
    numeric = {
        title: all(_NUMBER.match(text) for text in column) for title, column in texts.items()
    }
    marked = next((title for title in texts if title.lower() == "patients"), next(iter(texts)))
    head = "".join(_element("th", title, numeric[title], ' scope="col"') for title in texts)
    rows, before = [], ""
    for few, row in zip(small, zip(*texts.values(), strict=True), strict=True):
        cells = [
            _element("td", text, numeric[title], mark="†" if few and title == marked else "")
            for title, text in zip(texts, row, strict=True)
        ]
        # A value that repeats the line above stays for screen readers, but is not drawn.
        again = row[0] == before and len(row) > 1
        rows.append(
            f'<tr class="again">{"".join(cells)}</tr>' if again else f"<tr>{''.join(cells)}</tr>"
        )
        before = row[0]
    top = f"<caption>{html.escape(caption, quote=False)}</caption>" if caption else ""
    note = f'<p class="note">† {SMALL_NOTE.capitalize()}.</p>' if any(small) else ""
    return (
        f'<div class="table"><table class="data">{top}<thead><tr>{head}</tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table></div>{note}"
    )


_NUMBER = re.compile(r"^[<–−+\d][\d\s.,:%°−+<–mto\u202f\u00a0]*$")
"""Numbers, intervals, percentages, lengths: aligned to the right."""


def _element(tag: str, text: str, numeric: bool, more: str = "", mark: str = "") -> str:
    css = ' class="n"' if numeric else ""
    after = f'<span class="mark"> {mark}</span>' if mark else ""
    return f"<{tag}{more}{css}>{html.escape(text, quote=False)}{after}</{tag}>"


def _cell_text(value: Any) -> str:
    if value is None or (not isinstance(value, str) and pd.isna(value)):
        return "–"
    if isinstance(value, float):
        return f"{value:.3g}".replace("-", "−")
    return str(value)


def gather_workbook(tables: Path) -> Path | None:
    """Put every CSV of a ``tables`` folder into one workbook there, a sheet each.

    Returns
    -------
    Path or None
        ``tables.xlsx``; None where the folder holds no tables.
    """
    contents = tables / "contents.csv"
    if not contents.exists():
        return None
    listed = pd.read_csv(contents, keep_default_na=False)
    listed["sheet"] = _sheet_names(listed["table"].tolist())
    path = tables / "tables.xlsx"
    with pd.ExcelWriter(path, engine="openpyxl") as book:
        _write_sheet(book, listed[["sheet", "caption"]], "contents")
        for name, sheet in zip(listed["table"], listed["sheet"], strict=True):
            _write_sheet(book, pd.read_csv(tables / f"{name}.csv"), sheet)
    return path


def _sheet_names(names: list[str]) -> list[str]:
    # A workbook allows 31 characters in the name of a sheet, each name once.
    cut = [name[:31] for name in names]
    if len(set(cut)) == len(cut):
        return cut
    return [f"{name[:27]}_{number}" for number, name in enumerate(names, start=1)]


def _write_sheet(book: pd.ExcelWriter, frame: pd.DataFrame, sheet: str) -> None:
    frame.to_excel(book, sheet_name=sheet, index=False, freeze_panes=(1, 0))
    widths = zip(frame.columns, book.sheets[sheet].columns, strict=True)
    for name, cells in widths:
        longest = max(len(str(name)), *(len(str(cell.value or "")) for cell in cells))
        book.sheets[sheet].column_dimensions[cells[0].column_letter].width = min(longest + 2, 60)
