"""From an executed notebook to one page of HTML that reads as a report and fetches nothing."""

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outcomes.reports.files import html

if TYPE_CHECKING:
    from bs4 import BeautifulSoup
    from nbformat import NotebookNode

TEMPLATES = Path(__file__).resolve().parent / "templates"


def page(notebook: "NotebookNode", title: str, record: Mapping[str, Any]) -> str:
    """The report as one HTML file: summary first, contents list, code folded away.

    The first output of kind ``summary`` of the executed notebook becomes the box at the top;
    ``record`` is from `outcomes.reports.build.provenance.provenance`. The page has no script and no
    address outside itself.
    """
    from markupsafe import Markup

    soup = _cells(notebook)
    summary = _take_summary(soup)
    contents = _sections(soup)
    _gather_code(soup)
    _scrolling_tables(soup)
    return html.page(
        TEMPLATES / "page.html.j2",
        title=title,
        source=record["input"]["file"],
        sha256=record["input"]["sha256"],
        invented=record["input"]["invented"],
        version=record["versions"]["outcomes"],
        date=_date(record["written"]),
        summary=Markup(summary),
        contents=contents,
        body=Markup(str(soup)),
    )


def _date(written: str) -> str:
    day = datetime.fromisoformat(written)
    return f"{day.day} {day:%B %Y}"


def _cells(notebook: "NotebookNode") -> "BeautifulSoup":
    from bs4 import BeautifulSoup
    from nbconvert.exporters import HTMLExporter

    exporter = HTMLExporter(
        template_name="report",
        extra_template_basedirs=[str(TEMPLATES)],
        exclude_anchor_links=True,
    )
    shown = notebook.copy()
    shown.cells = [
        cell for cell in notebook.cells if "notebook-only" not in cell.metadata.get("tags", [])
    ]
    body, _ = exporter.from_notebook_node(shown)
    return BeautifulSoup(body, "html.parser")


def _take_summary(soup: "BeautifulSoup") -> str:
    box = soup.find(class_="summary")
    return box.extract().decode_contents() if box is not None else ""


def _sections(soup: "BeautifulSoup") -> list[dict[str, str]]:
    """Wrap each second-level heading and what follows it; give back the contents list."""
    from bs4 import Tag

    contents = []
    for title in soup.find_all("h1"):
        title.extract()
    for number, heading in enumerate(soup.find_all("h2"), start=1):
        name = f"s{number}"
        heading["id"] = name
        contents.append({"id": name, "text": heading.get_text(strip=True)})
        section = soup.new_tag("section", attrs={"aria-labelledby": name})
        following = list(heading.next_siblings)
        heading.insert_before(section)
        section.append(heading)
        for node in following:
            if isinstance(node, Tag) and node.name == "h2":
                break
            section.append(node.extract())
    return contents


def _gather_code(soup: "BeautifulSoup") -> None:
    """One fold of code at the end of each section, in place of one for every cell."""
    sections = soup.find_all("section")
    for number, section in enumerate(sections):
        folds = list(section.find_all("details", class_="code"))
        if number == len(sections) - 1:
            # What stands before the first section (reading, computing) goes with the methods.
            every = soup.find_all("details", class_="code")
            folds = [fold for fold in every if not fold.find_parent("section")] + folds
        if not folds:
            continue
        first, *rest = [fold.extract() for fold in folds]
        for fold in rest:
            first.extend(fold.find_all("pre"))
        section.append(first)


def _scrolling_tables(soup: "BeautifulSoup") -> None:
    """A wide table scrolls in its own box, which the keyboard must be able to reach."""
    for table in soup.find_all("table"):
        box = table.parent
        if box is None or "table" not in box.get_attribute_list("class"):
            box = table.wrap(soup.new_tag("div"))
        caption = table.find("caption")
        box["class"] = "table"
        box["tabindex"] = "0"
        box["role"] = "region"
        box["aria-label"] = caption.get_text(strip=True) if caption else "Table"
