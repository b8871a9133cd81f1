"""Posters and slides: nothing overlaps, leaves the slide, overflows or is too small to read."""

import shutil
import subprocess
from itertools import combinations

import made_series
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from outcomes.errors import InputError
from outcomes.reports.files.grid import grid_layout
from outcomes.reports.files.slides import add_grid, blank, new_slides
from outcomes.reports.files.text_size import Line, line_height, longest_word, text_height, wrap
from outcomes.reports.series.deck import Block
from outcomes.reports.series.poster_columns import A0, FORMATS, WIDE, fit
from outcomes.reports.series.slides import write_slides
from outcomes.reports.table import Table, row

pptx = pytest.importorskip("pptx")
EMU = 12700
KINDS = ("whole", "one", "bare", "null")


EVERY_POSTER = [(kind, name) for kind in KINDS for name in FORMATS]


@pytest.fixture(scope="module")
def decks(tmp_path_factory):
    place = tmp_path_factory.mktemp("decks")
    return {
        kind: write_slides(*made_series.EVERY[kind](), place / f"{kind}.pptx") for kind in KINDS
    }


def solid(slide):
    """Shapes that hold something; panels and rules lie behind them."""
    return [shape for shape in slide.shapes if not shape.name.startswith("panel")]


def bounds(shape):
    return (
        shape.left / EMU,
        shape.top / EMU,
        (shape.left + shape.width) / EMU,
        (shape.top + shape.height) / EMU,
    )


def check_places(presentation):
    width, height = presentation.slide_width / EMU, presentation.slide_height / EMU
    for slide in presentation.slides:
        for shape in slide.shapes:
            left, top, right, bottom = bounds(shape)
            assert left >= -0.1, shape.name
            assert top >= -0.1, shape.name
            assert right <= width + 0.1, shape.name
            assert bottom <= height + 0.1, shape.name
        for a, b in combinations(solid(slide), 2):
            al, at, ar, ab = bounds(a)
            bl, bt, br, bb = bounds(b)
            apart = ar <= bl + 0.1 or br <= al + 0.1 or ab <= bt + 0.1 or bb <= at + 0.1
            assert apart, f"{a.name} overlaps {b.name}"


def sizes(presentation):
    """Every run of text with its size in points."""
    for slide in presentation.slides:
        for shape in slide.shapes:
            frames = [shape.text_frame] if shape.has_text_frame else []
            if shape.has_table:
                frames += [cell.text_frame for line in shape.table.rows for cell in line.cells]
            for frame in frames:
                for paragraph in frame.paragraphs:
                    for run in paragraph.runs:
                        yield run.font.size.pt, run.text


def check_room(presentation):
    """Every text fits its box and every cell its line, measured anew from what the file holds."""
    for slide in presentation.slides:
        for shape in solid(slide):
            if shape.has_table:
                table = shape.table
                for number, line in enumerate(table.rows):
                    for place, cell in enumerate(line.cells):
                        if cell.is_spanned or not cell.text:
                            continue
                        size = cell.text_frame.paragraphs[0].runs[0].font.size.pt
                        span = range(
                            place, place + (cell.span_width if cell.is_merge_origin else 1)
                        )
                        room = sum(table.columns[k].width for k in span) / EMU
                        room -= (cell.margin_left + cell.margin_right) / EMU
                        bold = bool(cell.text_frame.paragraphs[0].runs[0].font.bold)
                        # A broken word is written with breaks of its lines.
                        text = cell.text.replace("\v", "\n")
                        lines = len(wrap(text, size, room + 0.5, bold=bold))
                        need = lines * line_height(size)
                        need += (cell.margin_top + cell.margin_bottom) / EMU
                        assert need <= line.height / EMU + 0.5, (number, cell.text)
            elif shape.has_text_frame:
                need = 0.0
                for paragraph in shape.text_frame.paragraphs:
                    size = paragraph.runs[0].font.size.pt
                    bullet = paragraph._p.find(".//{*}buChar") is not None
                    room = shape.width / EMU - (0.9 * size if bullet else 0)
                    bold = any(run.font.bold for run in paragraph.runs)
                    text = "".join(run.text for run in paragraph.runs)
                    need += len(wrap(text, size, room, bold=bold)) * line_height(size)
                    need += paragraph.space_after.pt
                assert need <= shape.height / EMU + 1, shape.name


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", FORMATS)
def test_poster_geometry(posters, kind, name):
    presentation = pptx.Presentation(posters[kind, name])
    check_places(presentation)
    check_room(presentation)


@pytest.mark.parametrize("kind", KINDS)
def test_slide_geometry(decks, kind):
    presentation = pptx.Presentation(decks[kind])
    check_places(presentation)
    check_room(presentation)
    assert 6 <= len(presentation.slides) <= 15


def test_formats_are_a0_and_48_by_36_inches(posters):
    a0 = pptx.Presentation(posters["whole", "a0_portrait"])
    assert a0.slide_width / 36000 == pytest.approx(841, abs=0.1)  # mm, ISO 216
    assert a0.slide_height / 36000 == pytest.approx(1189, abs=0.1)
    wide = pptx.Presentation(posters["whole", "48x36_landscape"])
    assert (wide.slide_width / 914400, wide.slide_height / 914400) == (48, 36)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", FORMATS)
def test_nothing_is_too_small_to_read(posters, kind, name):
    presentation = pptx.Presentation(posters[kind, name])
    found = list(sizes(presentation))
    assert found
    assert min(size for size, _ in found) >= 24
    for shape in presentation.slides[0].shapes:
        if shape.name in ("methods body", "limits body", "conclusion body", "cautions body"):
            for paragraph in shape.text_frame.paragraphs:
                assert paragraph.runs[0].font.size.pt >= 28, shape.name


@pytest.mark.parametrize("kind", KINDS)
def test_slides_are_legible(decks, kind):
    assert min(size for size, _ in sizes(pptx.Presentation(decks[kind]))) >= 12


def test_figures_are_sharp_in_print_and_their_type_large(posters):
    from outcomes.reports.series.deck import SMALLEST_IN_FIGURES
    from outcomes.reports.series.poster import FIGURE_SCALE

    pictures = 0
    for wanted in EVERY_POSTER:
        for shape in pptx.Presentation(posters[wanted]).slides[0].shapes:
            if shape.shape_type == 13:  # picture
                dots = shape.image.size[0] / (shape.width / 914400)
                assert dots >= 290, shape.name
                assert shape._element.nvPicPr.cNvPr.get("descr")
                ratio = shape.image.size[0] / shape.image.size[1]
                assert ratio == pytest.approx(shape.width / shape.height, rel=0.01)
                pictures += 1
    assert pictures >= 6
    assert SMALLEST_IN_FIGURES * FIGURE_SCALE >= 24


def test_tables_are_native(posters):
    for kind, name in EVERY_POSTER:
        shapes = pptx.Presentation(posters[kind, name]).slides[0].shapes
        tables = [shape for shape in shapes if shape.has_table]
        assert tables, kind
        assert "patients body" in [shape.name for shape in tables]


def all_text(path):
    return " ".join(text for _, text in sizes(pptx.Presentation(path)))


def test_places_for_the_author_are_marked(posters):
    words = all_text(posters["whole", "a0_portrait"])
    for place in ("[Title", "[Names", "[Affiliations", "[Two or three lines", "[One or two lines"):
        assert place in words
    for slide in pptx.Presentation(posters["whole", "a0_portrait"]).slides:
        for shape in slide.shapes:
            if shape.has_text_frame:
                for paragraph in shape.text_frame.paragraphs:
                    for run in paragraph.runs:
                        if run.text.startswith("["):
                            assert run.font.italic


def test_invented_data_and_cautions_are_on_every_poster_and_deck(posters, decks):
    for kind, name in EVERY_POSTER:
        words = all_text(posters[kind, name])
        assert ("Invented demonstration data" in words) == (kind == "whole")
        assert "The treating clinician decides." in words
        assert "consented" in words or kind == "whole"
    for kind, path in decks.items():
        assert "The treating clinician decides." in all_text(path)
        slides = pptx.Presentation(path).slides
        if kind == "whole":
            for slide in slides:
                words = " ".join(s.text_frame.text for s in slide.shapes if s.has_text_frame)
                assert "Invented demonstration data" in words


def test_what_does_not_fit_is_refused_not_squeezed():
    block = Block("long", "Long", (Line("word " * 4000, 0),))
    with pytest.raises(InputError, match="does not fit"):
        fit([block], A0, 2000)


def test_optional_blocks_give_way_to_what_must_stay():
    long = Block("must", "Must", (Line("word " * 600, 0),))
    more = Block("may", "May", (Line("word " * 600, 0),), worth=1.0)
    columns, _, _ = fit([long, more, long], WIDE, 1900)
    kept = [placed.block.name for column in columns for placed in column]
    assert kept.count("must") == 2
    columns, _, _ = fit([long, more], WIDE, 2500)
    assert "may" in [placed.block.name for column in columns for placed in column]


@settings(deadline=None, max_examples=60)
@given(
    st.text(alphabet="abcdefghij mw", min_size=1, max_size=200),
    st.floats(12, 60),
    st.floats(60, 900),
)
def test_wrapping_keeps_every_word_and_never_runs_wide(text, size, width):
    lines = wrap(text, size, width)
    assert " ".join(lines).split() == text.split()
    for line in lines:
        if " " in line.strip():
            assert text_height([Line(line, size)], width) <= line_height(size) + 1e-6


def made(columns, lines):
    return Table("t", "Table", "", columns, tuple(row(str(k), t) for k, t in enumerate(lines)))


LONG = [["1" * 8, "1" * 16, "1" * 16]]
"""Once refused: "needs 700 pt of 700"; with 24 letters in each it would be 1,290."""


@settings(deadline=None, max_examples=40)
@example(LONG, 700.0)
@example([["a" * 24, "b" * 24, "3" * 24]], 700.0)
@given(
    st.lists(
        st.lists(st.text("abc 123", min_size=1, max_size=24), min_size=3, max_size=3),
        min_size=1,
        max_size=8,
    ),
    st.floats(700, 1200),
)
def test_table_layout_adds_up(lines, width):
    grid = grid_layout(made(("One", "Two words", "Three"), lines), width, 28.0)
    assert sum(grid.widths) == pytest.approx(width)
    assert len(grid.heights) == len(lines) + 1
    assert min(grid.heights) >= line_height(28.0)
    # Nothing runs out of its cell, and nothing is lost: a broken word keeps its letters.
    for number, (texts, before) in enumerate(zip(grid.texts[1:], lines, strict=True), start=1):
        for text, whole, room in zip(texts, before, grid.widths, strict=True):
            assert text.replace("\n", "") == whole
            rows = wrap(text, 28.0, room - 2 * 0.35 * 28.0 + 1e-6)
            assert len(rows) * line_height(28.0) <= grid.heights[number]
            assert max(longest_word(row, 28.0) for row in rows) <= room - 2 * 0.35 * 28.0 + 1e-6
            for word in whole.split():
                assert len(word) > 10 or word in text.split()  # numbers and short words stay whole


def test_words_are_broken_only_where_they_must_be():
    texts = [["mesiobuccal-palatal", "0.62", "(0.50"]]
    wide = grid_layout(made(("Movement", "Rate", "Interval"), texts), 700, 28.0)
    assert not wide.broken
    assert wide.texts[1] == tuple(texts[0])
    tight = grid_layout(made(("Movement", "Rate", "Interval"), texts), 420, 28.0)
    assert tight.broken
    assert tight.texts[1] == ("mesiobuccal-\npalatal", "0.62", "(0.50")  # at its hyphen
    assert tight.heights[1] == pytest.approx(2 * line_height(28.0) + 0.44 * 28.0)


def test_broken_words_are_written_on_lines_of_their_own(tmp_path):
    slides = new_slides(900, 400)
    slide = blank(slides)
    grid = grid_layout(made(("One", "Two words", "Three"), LONG), 560, 28.0)
    assert grid.broken
    add_grid(slide, grid, 20, 20, "table")
    slides.save(str(tmp_path / "table.pptx"))
    written = pptx.Presentation(tmp_path / "table.pptx")
    check_room(written)
    cell = written.slides[0].shapes[0].table.cell(1, 0)
    assert cell.text.split("\v") == grid.texts[1][0].split("\n")
    assert {run.font.size.pt for run in cell.text_frame.paragraphs[0].runs} == {28.0}


def test_a_table_too_wide_is_refused():
    with pytest.raises(ValueError, match="needs"):
        grid_layout(made(("a", "b"), [["w" * 60, "w" * 60]]), 500, 28.0)


@pytest.mark.skipif(
    not (shutil.which("libreoffice") and shutil.which("pdftotext")),
    reason="LibreOffice and pdftotext are needed to render",
)
def test_rendered_poster_holds_every_word_inside_the_page(posters, tmp_path):
    """Rendered by another program: one page, and every text of the file is found on it."""
    path = posters["whole", "a0_portrait"]
    subprocess.run(
        ["libreoffice", "--headless", f"-env:UserInstallation=file://{tmp_path}/office",
         "--convert-to", "pdf", "--outdir", str(tmp_path), str(path)],
        check=True, capture_output=True, timeout=300,
    )  # fmt: skip
    pdf = tmp_path / f"{path.stem}.pdf"
    info = subprocess.run(["pdfinfo", pdf], check=True, capture_output=True, text=True).stdout
    assert "Pages:           1" in info
    words = subprocess.run(
        ["pdftotext", "-bbox", str(pdf), "-"], check=True, capture_output=True, text=True
    ).stdout
    import re

    boxes = re.findall(
        r'xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)">([^<]+)<', words
    )
    assert len(boxes) > 250
    shapes = [s for s in pptx.Presentation(path).slides[0].shapes if not s.name.startswith("panel")]
    frames = [bounds(shape) for shape in shapes]
    for x0, y0, x1, y1, word in boxes:
        x, y = (float(x0) + float(x1)) / 2, (float(y0) + float(y1)) / 2
        inside = any(
            left - 2 <= float(x0) and float(x1) <= right + 2 and top - 2 <= y <= bottom + 2
            for left, top, right, bottom in frames
            if left - 2 <= x <= right + 2
        )
        assert inside, f"{word!r} at {x:.0f}, {y:.0f} lies outside every box"
