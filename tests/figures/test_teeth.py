"""Tooth chart: order, numbers, marks."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_rgb
from matplotlib.patches import Rectangle

from outcomes.figures import alt_text, tooth_chart
from outcomes.figures.base import new_axes


def table(**columns) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "tooth": [11, 27, 46],
            "rate": [0.62, 1.12, -0.08],
            "movements": [20, 9, 30],
            "patients": [12, 4, 15],
        }
        | columns
    )


def numbers(ax, row: str) -> list[str]:
    """Tooth numbers of the upper or the lower jaw, from left to right."""
    teeth = [t for t in ax.texts if t.get_text().isdigit() and len(t.get_text()) == 2]
    edge = {t.get_position()[1] for t in teeth}
    y = min(edge) if row == "upper" else max(y for y in edge if _is_row(teeth, y))
    return [
        t.get_text()
        for t in sorted(teeth, key=lambda t: t.get_position()[0])
        if t.get_position()[1] == y
    ]


def _is_row(teeth, y) -> bool:
    return sum(t.get_position()[1] == y for t in teeth) == 16


def cell(ax, tooth: int) -> Rectangle:
    label = next(t for t in ax.texts if t.get_text() == str(tooth) and t.get_fontsize() < 9)
    x, y = label.get_position()
    cells = [p for p in ax.patches if abs(p.get_x() + p.get_width() / 2 - x) < 0.1]
    return min(cells, key=lambda p: abs(p.get_y() + p.get_height() / 2 - y))


def test_order_of_the_teeth_is_that_of_iso_3950():
    # As one looks at the patient: the patient's right first, upper above lower.
    ax = tooth_chart(table())
    assert numbers(ax, "upper") == [str(t) for t in [*range(18, 10, -1), *range(21, 29)]]
    assert numbers(ax, "lower") == [str(t) for t in [*range(48, 40, -1), *range(31, 39)]]
    assert ax.yaxis_inverted()


def test_cells_hold_rate_and_patients(texts):
    words = texts(tooth_chart(table()))
    for expected in ("62", "112", "−8", "12", "4*", "15"):
        assert expected in words


def test_absent_teeth_are_empty():
    ax = tooth_chart(table())
    assert len(ax.patches) == 32
    assert sum(patch.get_fill() for patch in ax.patches) == 3
    assert not cell(ax, 18).get_fill()


def test_few_patients_have_a_dashed_edge(texts):
    ax = tooth_chart(table())
    assert cell(ax, 27).get_linestyle() not in ("-", "solid")
    assert cell(ax, 11).get_linestyle() in ("-", "solid")
    assert any("* fewer than 5" in text for text in texts(ax))
    assert not any("fewer" in text for text in texts(tooth_chart(table(patients=9))))


def test_shade_darkens_with_the_rate_and_print_stands_out():
    rates = np.linspace(0, 1, 16)
    teeth = [*range(18, 10, -1), *range(21, 29)]
    ax = tooth_chart(pd.DataFrame({"tooth": teeth, "rate": rates, "movements": 9, "patients": 9}))
    faces = [cell(ax, tooth).get_facecolor()[:3] for tooth in teeth]

    def luminance(colour) -> float:  # WCAG 2.2, relative luminance
        c = np.asarray(colour)
        c = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
        return float(c @ (0.2126, 0.7152, 0.0722))

    shades = [luminance(face) for face in faces]
    assert shades == sorted(shades, reverse=True)
    printed = [t for t in ax.texts if t.get_fontweight() == "bold"]
    assert len(printed) == 16
    for text, shade in zip(printed, shades, strict=True):
        light, dark = sorted([luminance(to_rgb(text.get_color())), shade], reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5  # WCAG 2.2, contrast level AA


def test_deciduous_rows_only_when_needed():
    assert len(tooth_chart(table()).patches) == 32
    assert len(tooth_chart(table(tooth=[11, 55, 71])).patches) == 52


@pytest.mark.parametrize("width", [3.5, 7.2])
def test_numbers_fit_their_cells(width):
    ax = tooth_chart(table(rate=[-0.88, 1.12, 1.0], patients=[104, 4, 999]), new_axes(width, 2))
    ax.figure.draw_without_rendering()
    for tooth in (11, 27, 46):
        frame = cell(ax, tooth).get_window_extent()
        inside = [
            t.get_window_extent()
            for t in ax.texts
            if frame.contains(*t.get_window_extent().get_points().mean(axis=0))
        ]
        assert len(inside) == 2
        assert all(frame.x0 <= box.x0 and box.x1 <= frame.x1 for box in inside)
        assert not inside[0].shrunk(1, 0.8).overlaps(inside[1].shrunk(1, 0.8))


def test_alt_text_holds_the_numbers():
    words = alt_text(tooth_chart(table(), title="rotation"))
    assert words.startswith("Tooth chart of rotation")
    assert "Lowest −8 % at 46, highest 112 % at 27." in words
    assert "11 62 % (12 patients)" in words


def test_takes_a_fit_by_tooth_or_a_descriptive_table(texts):
    fitted = table().rename(columns={"tooth": "group"}).astype({"group": str})
    described = table().rename(columns={"rate": "pooled_rate"})
    assert (
        texts(tooth_chart(fitted)) == texts(tooth_chart(described)) == texts(tooth_chart(table()))
    )


def test_no_rate_at_all():
    assert "no tooth has a rate" in alt_text(tooth_chart(table(rate=np.nan)))


def test_errors():
    with pytest.raises(ValueError, match="No column patients"):
        tooth_chart(table().drop(columns="patients"))
    with pytest.raises(ValueError, match="No FDI tooth number: 19, 3"):
        tooth_chart(table(tooth=[11, 19, 3]))
    with pytest.raises(ValueError, match="Tooth 11 is listed twice"):
        tooth_chart(table(tooth=[11, 11, 46]))


def second_reading(**columns) -> pd.DataFrame:
    return table(rate=[0.62, 1.65, 0.5], reading=[0.61, 0.59, np.nan], **columns)


def test_a_rate_that_follows_a_slip_is_not_drawn(texts):
    ax = tooth_chart(second_reading(differs=[False, True, True]))
    words = texts(ax)
    assert "165" not in words
    assert {"62", "59", "–", "4*†", "15†"} <= set(words)
    assert "12" in words  # no mark where the readings agree
    under = next(t for t in words if t.startswith("†"))
    assert (
        under
        == "† results far off weigh less; – half of them or more. As fitted: 27 (165 %), 46 (50 %)"
    )
    plain = tooth_chart(table(rate=[0.62, 0.59, 0.5]))
    assert cell(ax, 27).get_facecolor() == cell(plain, 27).get_facecolor()
    assert cell(ax, 46).get_facecolor() == (1, 1, 1, 1)
    said = alt_text(ax)
    assert "27 59 % with results far off weighing less, 165 % as fitted (4 patients*)" in said
    assert "46 no rate with results far off" in said
    assert "highest 62 % at 11" in said


def test_without_a_difference_the_rate_is_drawn_and_nothing_said(texts):
    words = texts(tooth_chart(second_reading(differs=False)))
    assert "165" in words
    assert not any("†" in word for word in words)


@pytest.mark.parametrize("width", [3.5, 7.2])
def test_marks_and_their_line_stay_inside(width):
    teeth = [11, 12, 13, 14, 15]
    frame = pd.DataFrame(
        {"tooth": teeth, "rate": 1.65, "reading": [0.6, 0.6, 0.6, 0.6, np.nan], "differs": True}
    ).assign(movements=30, patients=4)
    ax = tooth_chart(frame, new_axes(width, 2))
    ax.figure.draw_without_rendering()
    line = next(t for t in ax.texts if t.get_text().startswith("†"))
    assert "and 2 more" in line.get_text().replace("\n", " ")
    box, frame = line.get_window_extent(), ax.get_window_extent()
    assert frame.x0 <= box.x0
    assert box.x1 <= frame.x1
    others = [t.get_window_extent() for t in ax.texts if t is not line and t.get_text()]
    assert not any(box.overlaps(other.shrunk(1, 0.8)) for other in others)
