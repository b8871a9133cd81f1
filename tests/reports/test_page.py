"""report.html: one file that fetches nothing, reads as a report, and renders without complaint."""

import json
import re
import shutil
import subprocess
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import nbformat
import pytest

from outcomes.reports.build.page import page
from outcomes.words.cautions import cautions

CHROMIUM = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
)
VOID = {"meta", "link", "img", "br", "hr", "input"}


class Elements(HTMLParser):
    """Every element with its attributes, and whether tags are closed in order."""

    def __init__(self, text):
        super().__init__()
        self.found, self.open, self.styles = [], [], []
        self.feed(text)
        assert not self.open

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag, f"</{tag}> closes nothing"

    def handle_data(self, data):
        if self.open and self.open[-1] == "style":
            self.styles.append(data)

    def named(self, tag):
        return [attrs for name, attrs in self.found if name == tag]


@pytest.fixture(scope="module")
def text(demo_report):
    return demo_report.page.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def elements(text):
    return Elements(text)


def addresses(elements):
    for tag, attrs in elements.found:
        for name in ("src", "href", "srcset", "data", "action", "poster"):
            if attrs.get(name):
                yield tag, attrs[name]


def test_nothing_is_loaded_from_anywhere(elements):
    for tag, address in addresses(elements):
        assert address.startswith(("#", "data:")), f"<{tag}> points to {address[:80]}"
    assert not elements.named("script")
    assert not elements.named("iframe")
    for style in elements.styles:
        assert not re.search(r"@import|url\((?!data:)", style)


def test_every_picture_has_alt_text_of_its_own(elements):
    alts = [attrs.get("alt", "") for attrs in elements.named("img")]
    assert len(alts) > 10
    assert all(len(alt) > 40 for alt in alts)
    assert len(set(alts)) == len(alts)


def test_it_is_built_for_every_reader(text, elements):
    assert text.startswith("<!doctype html>")
    assert elements.named("html")[0]["lang"] == "en-GB"
    assert re.search(r"<title>[^<]+practice\.xlsx</title>", text)
    assert any(attrs.get("name") == "viewport" for attrs in elements.named("meta"))
    assert any(attrs.get("class") == "skip" for attrs in elements.named("a"))
    assert len(elements.named("main")) == len(elements.named("h1")) == 1
    ids = [attrs["id"] for _, attrs in elements.found if "id" in attrs]
    assert len(ids) == len(set(ids))
    for attrs in elements.named("a"):
        assert attrs["href"].removeprefix("#") in ids
    assert {attrs["scope"] for attrs in elements.named("th")} <= {"col", "row", "rowgroup"}
    levels = [int(tag[1]) for tag, _ in elements.found if re.fullmatch(r"h[1-6]", tag)]
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_it_reads_as_a_report_and_not_as_a_notebook(text, elements):
    summary, contents = text.index('id="summary"'), text.index("<nav")
    assert summary < contents < text.index("<main")
    headings = re.findall(r'<h2 id="s\d+">([^<]+)</h2>', text)
    assert re.findall(r'<a href="#s\d+">([^<]+)</a>', text) == headings
    assert headings[0] == "What was read"
    assert headings[-1] == "How this was done"
    outside = re.sub(r"<details class=\"code\">.*?</details>", "", text, flags=re.DOTALL)
    assert "import " not in outside
    assert "<pre" not in outside
    assert not [attrs for attrs in elements.named("details") if "open" in attrs]


def test_it_says_that_the_practice_is_invented_and_what_to_beware_of(text):
    plain = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", text)).replace("&amp;", "&")
    assert "The practice in this report is invented" in plain
    for caution in cautions("Always", "Reading an audit", "The demonstration data"):
        assert caution in plain


def test_what_a_cohort_says_cannot_become_markup(demo_report):
    notebook = nbformat.v4.new_notebook()
    notebook.cells = [
        nbformat.v4.new_markdown_cell("# T"),
        nbformat.v4.new_markdown_cell("## A & B"),
    ]
    record = json.loads((demo_report.folder / "provenance.json").read_text())
    record["input"]["file"] = '<script>alert("x")</script>.csv'
    made = page(notebook, "T", record)
    assert not Elements(made).named("script")
    assert "A &amp; B" in made


# ---- rendered -----------------------------------------------------------------------------------

PROBE = """<script>addEventListener("load", () => {
  document.querySelectorAll("details").forEach(d => d.open = true);
  parent.postMessage(JSON.stringify({
    wide: document.documentElement.scrollWidth, window: innerWidth,
    broken: [...document.images].filter(i => !i.complete || !i.naturalWidth).length,
    images: document.images.length,
    small: [...document.querySelectorAll("p, li, td, th, summary")]
      .filter(e => e.innerText && parseFloat(getComputedStyle(e).fontSize) < 11).length,
    order: [...document.querySelectorAll("h1, #summary, nav, main")]
      .map(e => e.getBoundingClientRect().top).every((y, i, all) => !i || y >= all[i - 1])
  }), "*");
});</script></body>"""

# A window has a least width, a frame has none: so a phone is a frame.
FRAME = """<!doctype html><title>-</title><script>
addEventListener("message", event => { document.title = "PROBE" + event.data; });
</script><iframe src="page.html" width="{width}" height="900" style="border:0"></iframe>"""


def render(html, folder, *, width=None, more=()):
    """Load a page without a network; give the DOM, console messages and addresses asked for."""
    folder.mkdir(exist_ok=True)
    file, log = folder / "page.html", folder / "net.json"
    file.write_text(html, encoding="utf-8")
    if width is not None:
        file = folder / "frame.html"
        file.write_text(FRAME.replace("{width}", str(width)), encoding="utf-8")
    done = subprocess.run(
        [
            CHROMIUM,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--disable-dev-shm-usage",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--host-resolver-rules=MAP * ~NOTFOUND",
            "--enable-logging=stderr",
            "--v=0",
            f"--user-data-dir={folder / 'profile'}",
            f"--log-net-log={log}",
            "--window-size=1300,1000",
            "--dump-dom",
            *more,
            file.as_uri(),
        ],
        capture_output=True,
        text=True,
        timeout=180,
        check=True,
    )
    console = [line for line in done.stderr.splitlines() if "CONSOLE" in line]
    return done.stdout, console, asked_for(log)


def asked_for(log: Path) -> set[str]:
    """Addresses asked for by the page; requests of the browser itself have no origin."""
    kept = json.loads(log.read_text(encoding="utf-8"))
    start = kept["constants"]["logEventTypes"]["URL_REQUEST_START_JOB"]
    events = [event["params"] for event in kept["events"] if event["type"] == start]
    return {
        params["url"]
        for params in events
        if "url" in params
        and params.get("initiator") != "not an origin"
        and not params["url"].startswith("data:")
    }


needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")


@needs_browser
def test_the_detectors_detect(tmp_path):
    """The test below must be able to fail: a page that does everything wrong."""
    bad = (
        '<!doctype html><body><img src="https://198.51.100.7/pixel.png">'
        '<script>console.error("broken")</script></body>'
    )
    _, console, requests = render(bad, tmp_path / "bad")
    assert any("broken" in line for line in console)
    assert any("198.51.100.7" in address for address in requests)


@needs_browser
@pytest.mark.parametrize("width", [1200, 390])
def test_rendered_page_is_quiet_and_stays_at_home(text, tmp_path, width):
    dom, console, requests = render(text.replace("</body>", PROBE), tmp_path / "p", width=width)
    assert console == []
    assert requests == set()
    probe = json.loads(re.search(r"<title>PROBE(.*?)</title>", dom).group(1))
    assert probe["window"] == width
    assert probe["wide"] <= width, "the page scrolls sideways"
    assert probe["images"] > 10
    assert probe["broken"] == 0
    assert probe["small"] == 0
    if width == 390:
        assert probe["order"]


@needs_browser
def test_it_prints(text, tmp_path):
    pdf = tmp_path / "report.pdf"
    render(text, tmp_path / "p", more=[f"--print-to-pdf={pdf}", "--no-pdf-header-footer"])
    assert pdf.read_bytes().startswith(b"%PDF")
