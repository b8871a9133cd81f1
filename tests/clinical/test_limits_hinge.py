"""The hinge exactly at the limits of what it takes, and what it says beyond them."""

import numpy as np
import pandas as pd
import pytest

from outcomes.clinical.hinge import hinge, published_per_mm
from outcomes.errors import CannotAnswer
from outcomes.paths import data_path

FACE = {"centre": (0.0, 0.0), "lower_molar": (40.0, -30.0), "lower_incisor": (70.0, -40.0)}


def test_the_molar_may_rise_to_the_top_of_its_circle_and_no_further():
    model = hinge(FACE)
    # radius 50 (3-4-5 triangle), 30 below the centre: the top is 80 above, the bottom 20 below
    turn = np.degrees(np.arcsin(0.6))
    assert model.angle(80.0) == pytest.approx(90 + turn)
    assert model.angle(-20.0) == pytest.approx(turn - 90)
    for beyond in (80.001, -20.001):
        with pytest.raises(CannotAnswer) as error:
            model.angle(beyond)
        assert str(error.value) == (
            f"An intrusion of {beyond:g} mm lies beyond the circle of the lower molar, 50.0 mm "
            "about the centre: check the coordinates."
        )
    assert model.angle(0.0) == 0.0


FRONT = (
    "The lower molar must lie in front of the centre of rotation, and the lower incisor in front of "
    "the molar: x counts forwards. Turn the sign of x if the face looks left."
)
ABOVE = "y counts upwards. Turn the sign of y if it was read off an image."


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"lower_molar": (0.0, -30.0)}, FRONT),
        ({"lower_molar": (0.001, -30.0)}, None),
        ({"lower_molar": (70.0, -30.0)}, FRONT),
        ({"lower_molar": (69.999, -30.0)}, None),
        ({"lower_molar": (40.0, 0.0)}, None),
        (
            {"lower_molar": (40.0, 0.001)},
            f"The molar must lie below the centre of rotation: {ABOVE}",
        ),
        ({"menton": (60.0, -40.0)}, f"menton must lie below the lower incisor: {ABOVE}"),
        ({"menton": (60.0, -40.001)}, None),
        ({"pogonion": (60.0, -39.0)}, f"pogonion must lie below the lower incisor: {ABOVE}"),
        (
            {"pogonion": (60.0, -39.0), "menton": (60.0, -39.0)},
            f"menton and pogonion must lie below the lower incisor: {ABOVE}",
        ),
        ({"lower_incisor": (70.0, np.nan)}, "lower_incisor is (70.0, nan): give two numbers, x and y in mm."),
        ({"menton": (60.0,)}, "menton is (60.0,): give two numbers, x and y in mm."),
    ],
)  # fmt: skip
def test_coordinates_at_the_limits(change, says):
    if says is None:
        hinge(FACE | change)
        return
    with pytest.raises(CannotAnswer) as error:
        hinge(FACE | change)
    assert str(error.value) == says


def test_landmarks_that_are_missing_are_named():
    with pytest.raises(CannotAnswer) as error:
        hinge({"centre": (0, 0)})
    assert str(error.value) == "No landmark lower_molar, lower_incisor: give its x and y in mm."
    face = {name: at for name, at in FACE.items() if name != "centre"}
    with pytest.raises(CannotAnswer) as error:
        hinge(face)
    assert str(error.value) == "No centre of rotation: give condylion or centre."


def test_which_centre_is_taken():
    face = FACE | {"condylion": (1.0, 2.0)}
    assert hinge(face).centre == (0.0, 0.0)
    assert hinge(face, centre=(-1.0, 3.0)).centre == (-1.0, 3.0)
    del face["centre"]
    # Angle Orthod 2018;88(5):538-544: 7.4 mm behind and 16.9 mm below condylion
    assert hinge(face).centre == pytest.approx((1.0 - 7.4, 2.0 - 16.9))


def test_each_landmark_is_optional_by_itself():
    both = {"menton": (60.0, -90.0), "pogonion": (68.0, -80.0)}
    base = {"overbite", "overjet", "mandibular_plane"}
    for names, more in (
        ((), set()),
        (("menton",), {"lower_face_height"}),
        (("pogonion",), {"pogonion_forwards"}),
        (("menton", "pogonion"), {"lower_face_height", "pogonion_forwards"}),
    ):
        model = hinge(FACE | {name: both[name] for name in names})
        assert set(model.effects(1.0)) == base | more
        assert set(model.per_mm["quantity"]) == base | more


def test_units_and_signs_of_the_derivatives():
    model = hinge(FACE | {"menton": (60.0, -90.0), "pogonion": (68.0, -80.0)})
    table = model.per_mm.set_index("quantity")
    assert table["unit"].to_dict() == {
        "overbite": "mm",
        "overjet": "mm",
        "lower_face_height": "mm",
        "pogonion_forwards": "mm",
        "mandibular_plane": "degree",
    }
    # By hand: closing by d (radians) lifts a landmark by d times how far it lies in front of the
    # centre and carries it forwards by d times how far it lies below; the molar rises by 40 d.
    per_mm = {
        "overbite": 70 / 40,
        "overjet": -40 / 40,
        "lower_face_height": -60 / 40,
        "pogonion_forwards": 80 / 40,
        "mandibular_plane": -np.degrees(1) / 40,
    }
    assert table["per_mm"].to_dict() == pytest.approx(per_mm)
    turn = {name: value * 40 * np.radians(1) for name, value in per_mm.items()}
    assert table["per_degree"].to_dict() == pytest.approx(turn)
    assert model.lever == pytest.approx(1.75)


def test_published_values_are_those_of_the_shared_file():
    shared = pd.read_csv(data_path("shared", "published_values.csv")).set_index("id")["value"]
    expected = [
        ("overbite", "mm", "lever_overbite_2018a", 1),
        ("overbite", "mm", "lever_overbite_2018b", 1),
        ("overjet", "mm", "lever_overjet_2018b", 1),
        ("lower_face_height", "mm", "lever_face_2018a", 1),
        ("lower_face_height", "mm", "lever_menton_2018b", -1),
        ("pogonion_forwards", "mm", "lever_pogonion_2018a", 1),
        ("mandibular_plane", "degree", "lever_plane_2018a", 1),
    ]
    table = published_per_mm()
    assert table["quantity"].tolist() == [q for q, *_ in expected]
    assert table["unit"].tolist() == [u for _, u, *_ in expected]
    assert table["per_mm"].tolist() == [sign * float(shared[i]) for *_, i, sign in expected]
    # Per degree only where the study gives the plane's turn too: closing is a negative one.
    plane = float(shared["lever_plane_2018a"])
    source = table.loc[table["quantity"] == "mandibular_plane", "source"].iloc[0]
    same = table["source"] == source
    assert table.loc[same, "per_degree"].tolist() == pytest.approx(
        (-table.loc[same, "per_mm"] / plane).tolist()
    )
    assert table.loc[~same, "per_degree"].isna().all()
    assert table.columns.tolist() == ["quantity", "unit", "per_mm", "per_degree", "source", "doi"]


def test_the_first_published_value_of_a_quantity_stands_beside_the_model():
    table = hinge(FACE).per_mm.set_index("quantity")
    published = published_per_mm().drop_duplicates("quantity").set_index("quantity")
    assert table.loc["overbite", "published_per_mm"] == published.loc["overbite", "per_mm"] == 2.6
    assert (table["doi"] == published["doi"].reindex(table.index)).all()
    assert "published_per_degree" in table
