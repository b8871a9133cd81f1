"""Style, alt text and saving."""

import ast
import copy
import re
import shutil
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib import font_manager
from matplotlib.colors import CSS4_COLORS
from matplotlib.figure import Figure
from PIL import Image

import outcomes.figures as figures
from outcomes.figures.base import COLOURS, figure_bytes, new_axes, style, text_width
from outcomes.paths import data_path

SVG = "{http://www.w3.org/2000/svg}"


def test_every_public_name_is_there():
    for name in figures.__all__:
        assert callable(getattr(figures, name)), name
    with pytest.raises(AttributeError):
        figures.no_such_figure  # noqa: B018


def test_drawing_leaves_the_settings_as_they_were(fit):
    before = copy.deepcopy(dict(mpl.rcParams))
    figures.planned_achieved(fit)
    figures.residuals(fit)
    assert dict(mpl.rcParams) == before


def test_no_figure_stays_open_in_pyplot(fit):
    import matplotlib.pyplot as plt

    before = plt.get_fignums()
    figures.planned_achieved(fit)
    assert plt.get_fignums() == before


def test_saved_files_carry_the_alt_text_and_repeat_byte_for_byte(fit, tmp_path):
    ax = figures.planned_achieved(fit)
    alt = figures.alt_text(ax)
    svg, pdf, png = figures.save_figure(ax, tmp_path / "planned_achieved")
    root = ElementTree.fromstring(svg.read_bytes())
    assert root.get("role") == "img"
    assert root.find(f"{SVG}title").text == "planned achieved"
    assert root.find(f"{SVG}desc").text == alt
    with Image.open(png) as picture:
        assert picture.info["Description"] == alt
        assert picture.info["dpi"] == pytest.approx((300, 300), abs=0.1)
    for first in (svg, pdf, png):
        assert not re.search(rb"20\d\d-\d\d-\d\d|CreationDate", first.read_bytes())
        again = figure_bytes(
            figures.planned_achieved(fit), first.suffix[1:], title="planned achieved"
        )
        assert again == first.read_bytes()


def test_svg_text_is_text_in_fonts_that_others_have(fit):
    svg = figure_bytes(figures.planned_achieved(fit), "svg").decode()
    words = "".join(ElementTree.fromstring(svg).itertext())
    assert "Planned rotation (°)" in words
    assert "incisor 61 %" in words
    assert "Arial, 'Liberation Sans', Helvetica" in svg


@pytest.mark.skipif(not shutil.which("pdffonts"), reason="pdffonts is not installed")
def test_pdf_fonts_are_embedded_as_truetype(fit, tmp_path):
    (pdf,) = figures.save_figure(figures.planned_achieved(fit), tmp_path / "figure", ["pdf"])
    lines = subprocess.run(["pdffonts", pdf], capture_output=True, text=True, check=True).stdout
    fonts = lines.splitlines()[2:]
    assert fonts
    for line in fonts:
        assert "CID TrueType" in line
        assert re.search(r"\byes\s+(yes|no)\s+yes\b", line)


def test_save_figure_needs_a_known_format(fit, tmp_path):
    with pytest.raises(ValueError, match="choose svg, pdf or png"):
        figures.save_figure(figures.planned_achieved(fit), tmp_path / "x", ["gif"])


def test_no_alt_text_is_an_error():
    with pytest.raises(ValueError, match="draw with a function"):
        figures.alt_text(Figure().subplots())


def test_alt_text_of_axes_array_and_figure(fit):
    axes = figures.residuals(fit)
    assert figures.alt_text(axes) == figures.alt_text(axes[0].figure)
    assert figures.alt_text(axes).startswith("Four panels")


def test_a_notebook_shows_the_axes_with_its_alt_text(fit):
    shown = figures.planned_achieved(fit)._repr_html_()
    assert shown.startswith('<img src="data:image/png;base64,')
    assert 'alt="Scatter plot of achieved against planned rotation' in shown


def test_text_width_holds_for_what_is_drawn():
    words = "planned: the cell gives another unit"
    ax = new_axes(7, 2)
    with style():
        drawn = ax.text(0, 0.5, words, fontsize=8)
    ax.figure.draw_without_rendering()
    pixels = drawn.get_window_extent().width
    points = pixels * 72 / ax.figure.dpi
    assert points <= text_width(words, 8) <= 1.1 * points


def test_colours_keep_their_order_in_grey_print():
    # Relative luminance weights of ITU-R BT.709.
    grey = [np.dot(mpl.colors.to_rgb(c), (0.2126, 0.7152, 0.0722)) for c in COLOURS]
    assert grey == sorted(grey)
    assert np.diff(grey).min() > 0.05


def test_the_font_is_one_the_machine_has():
    with style():
        wanted = mpl.rcParams["font.family"]
    present = {font.name for font in font_manager.fontManager.ttflist}
    assert set(wanted) <= present


def colour_words(code: str) -> list[str]:
    """Strings of a module that name a colour or a map of colours."""
    strings = [
        node.value
        for node in ast.walk(ast.parse(code))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    ]
    known = {*CSS4_COLORS, *mpl.colormaps}
    return [s for s in strings if s in known or re.fullmatch(r"#[0-9A-Fa-f]{3,8}|C\d", s)]


@pytest.mark.parametrize(
    "path", sorted(Path(figures.__file__).parent.glob("*.py")), ids=lambda path: path.stem
)
def test_colours_have_one_home(path):
    if path.stem != "base":
        assert colour_words(path.read_text(encoding="utf-8")) == []


def test_colours_are_found_where_they_are():
    code = 'plot(x, color="#332288", mfc="white", cmap="viridis_r", ec="none", label="all")'
    assert colour_words(code) == ["#332288", "white", "viridis_r"]
    assert not re.search(r"(?i)color|cmap", _settings(data_path("shared", "figures.mplstyle")))


def _settings(path: Path) -> str:
    lines = path.read_text(encoding="utf-8").splitlines()
    return "\n".join(line for line in lines if not line.startswith("#"))


def test_seaborn_and_pyplot_leave_the_settings_of_others_alone():
    code = (
        "import matplotlib as mpl; before = dict(mpl.rcParams); import outcomes as oc; "
        "oc.plot(oc.fit_rate(oc.simulate_rates(8, seed=1))); "
        "after = dict(mpl.rcParams); before.pop('backend'); after.pop('backend'); "
        "print(before == after)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "True"
