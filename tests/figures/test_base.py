"""Style, alt text and saving."""

import copy
import re
import shutil
import subprocess
from xml.etree import ElementTree

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib import font_manager
from matplotlib.figure import Figure
from PIL import Image

import outcomes.figures as figures
from outcomes.figures.base import COLOURS, figure_bytes, new_axes, style, text_width

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
