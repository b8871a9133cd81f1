"""HTML: tables, pictures with captions, and whole pages from templates that fetch nothing."""

from __future__ import annotations

from html import escape
from pathlib import Path
from typing import Any

from outcomes.figures.base import picture_html
from outcomes.reports.table import Table

SHARED = Path(__file__).resolve().parent / "templates"
"""What pages of every kind include."""


def table(made: Table) -> str:
    """A table in a box of its own, with caption, headings with their scope, and notes under it.

    Columns set to the right have the class ``n``, the one that matters most ``main``; lines whose
    first text is that of the line above, ``again``.
    """
    kinds = [
        " ".join(["n"] * right + ["main"] * made.look(name).bold)
        for name, right in zip(made.columns, made.numeric(), strict=True)
    ]
    head = "".join(
        _cell("th", _text(name), kind, scope="col")
        for name, kind in zip(made.columns, kinds, strict=True)
    )
    body = []
    for line in made.rows:
        texts = [_text(cell.text) for cell in line.cells]
        if line.few:
            mark = '<span class="mark"> †</span>' if "n" in kinds[made.marked] else " †"
            texts[made.marked] += mark
        if line.heading:
            left = "text-align:left"
            cells = _cell("th", texts[0], scope="rowgroup", colspan=len(texts), style=left)
        else:
            # Notebooks make such headings bold and set all cells to the right.
            style = "font-weight:normal" + ("" if "n" in kinds[0] else ";text-align:left")
            cells = _cell("th", texts[0], kinds[0], scope="row", style=style)
            cells += "".join(map(_cell, ["td"] * len(texts[1:]), texts[1:], kinds[1:]))
        body.append(_cell("tr", cells, "again" if line.again else ""))
    shares = [made.look(name).width for name in made.columns]
    columns = "".join(f'<col style="width:{100 * w / sum(shares):.1f}%">' for w in shares if w)
    if not all(shares):  # widths are given for all columns or not at all
        columns = ""
    label = f"<b>{_text(made.label)}.</b> " if made.label else ""
    top = f"<caption>{label}{_text(made.title)}</caption>" if made.label or made.title else ""
    notes = "".join(_cell("p", _text(note), "note") for note in made.notes)
    return (
        f'<div class="table"><table class="data">{top}{columns}<thead><tr>{head}</tr></thead>'
        f"<tbody>{''.join(body)}</tbody></table></div>{notes}"
    )


def _text(text: str) -> str:
    return escape(text, quote=False)


def _cell(tag: str, inner: str, kind: str = "", **attributes: object) -> str:
    given = {**attributes, "class": kind} if kind else attributes
    more = "".join(f' {name}="{value}"' for name, value in given.items())
    return f"<{tag}{more}>{inner}</{tag}>"


def figure(
    picture: bytes, alt: str, *, kind: str = "png", caption: str = "", width: int | None = None
) -> str:
    """A picture inside its page, with alt text and caption; ``width`` in CSS pixels."""
    size = {} if width is None else {"width": width}
    under = f"<figcaption>{_text(caption)}</figcaption>" if caption else ""
    return f"<figure>{picture_html(picture, alt, kind, **size)}{under}</figure>"


def page(template: Path, **values: Any) -> str:
    """Fill a jinja2 template; what is not ``Markup`` is text, and nothing may be left open.

    It may include files that lie beside it, and those of `SHARED`.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    jinja = Environment(
        loader=FileSystemLoader([template.parent, SHARED]),
        autoescape=True,
        undefined=StrictUndefined,
    )
    return jinja.get_template(template.name).render(**values)
