"""Flow of records: every reason and number is there, and inside its box."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.figures import alt_text, record_flow
from outcomes.figures.base import new_axes, style

REASONS = {
    "not measured yet": 1258,
    "planned: the cell gives another unit; this number is in degrees": 2,
    "tooth: 19 is no FDI tooth number": 1,
}


def boxes(ax, name):
    return [patch for patch in ax.patches if patch.get_label() == name]


def overflowing(ax) -> list[str]:
    """Texts that do not lie wholly inside one box."""
    with style():
        ax.figure.draw_without_rendering()
        boxes = {t.get_text(): t.get_window_extent() for t in ax.texts if t.get_text()}
    frames = [patch.get_window_extent() for patch in ax.patches]
    outside = []
    for text, box in boxes.items():
        if not any(
            frame.x0 <= box.x0 and box.x1 <= frame.x1 and frame.y0 <= box.y0 and box.y1 <= frame.y1
            for frame in frames
        ):
            outside.append(text)
    return outside


def test_every_number_and_reason(ledger, texts):
    ax = record_flow(ledger(REASONS))
    words = " ".join(texts(ax))
    assert "Read 1,306 rows of 9 patients" in words
    assert "Excluded: 1,261 rows" in words
    for reason, n in REASONS.items():
        assert f"{n:,} {reason}" in words
    assert "40 rows of 8 patients" in words
    assert "5 rows of 4 patients*" in words  # fewer than five patients are marked
    assert [len(boxes(ax, name)) for name in ("read", "excluded", "analysed")] == [1, 1, 2]


def test_boxes_stand_in_the_order_of_the_flow(ledger):
    ax = record_flow(ledger(REASONS))
    (read,), (excluded,) = boxes(ax, "read"), boxes(ax, "excluded")
    left, right = boxes(ax, "analysed")
    assert read.get_y() + read.get_height() < excluded.get_y()
    assert excluded.get_y() + excluded.get_height() < left.get_y() == right.get_y()
    assert left.get_x() + left.get_width() < right.get_x()
    assert ax.yaxis_inverted()


reason = st.text(
    st.characters(categories=["L", "N"], include_characters=" :;,.", max_codepoint=0x17F)
)
reasons = st.dictionaries(
    reason.map(str.strip).filter(lambda text: 0 < len(text) < 120),
    st.integers(1, 99999),
    max_size=14,
)


@settings(max_examples=25, deadline=None)
@given(excluded=reasons)
def test_no_text_overflows_its_box(ledger, excluded):
    assert not overflowing(record_flow(ledger(excluded)))


@pytest.mark.parametrize("width", [2.6, 3.5, 7.2])
def test_on_given_axes_the_type_shrinks_until_all_fits(ledger, width):
    many = {f"{reason}, kind {i}": n for i in range(4) for reason, n in REASONS.items()}
    ax = record_flow(ledger(many), ax=new_axes(width, 4.2))
    assert not overflowing(ax)
    frame = ax.get_window_extent()
    for patch in ax.patches:
        box = patch.get_window_extent()
        assert frame.x0 - 1 <= box.x0
        assert box.x1 <= frame.x1 + 1
        assert frame.y0 - 1 <= box.y0
        assert box.y1 <= frame.y1 + 1


def test_axes_too_small_is_an_error_with_a_remedy(ledger):
    with pytest.raises(ValueError, match="Make the figure higher"):
        record_flow(ledger(REASONS), ax=new_axes(3.5, 0.8))


def test_nothing_excluded(ledger, texts):
    assert "Excluded: 0 rows" in texts(record_flow(ledger({})))


def test_alt_text_holds_the_numbers(ledger):
    words = alt_text(record_flow(ledger(REASONS)))
    assert words.startswith("Flow of records, movements: 1,306 rows of 9 patients read; 1,261 rows")
    assert "1,258 not measured yet" in words
    assert "40 rows of 8 patients (planned movement: enters the rates)" in words


def test_unknown_table(ledger):
    with pytest.raises(ValueError, match="it has movements"):
        record_flow(ledger({}), table="wardrobes")
