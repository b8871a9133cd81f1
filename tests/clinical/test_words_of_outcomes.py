"""What outcomes count and say, at the limit and just past it."""

import pandas as pd
import pytest

import outcomes as oc
from outcomes.clinical.following import followed

COLUMNS = ["patient", "tooth", "movement", "unit", "course", "aim", "planned", "achieved"]


@pytest.mark.parametrize(("second", "aims"), [(0.85, 1), (0.86, 2)])
def test_a_movement_of_ones_own_has_the_tolerance_of_its_unit(second, aims):
    """A second aim within a tenth of the tolerance (0.5 mm) of what was left is the same aim."""
    rows = pd.DataFrame(
        [
            ("P1", 31, "expansion", "mm", 1, 2.0, 2.0, 1.2),
            ("P1", 31, "expansion", "mm", 2, second, 1.2, 0.7),
        ],
        columns=COLUMNS,
    )
    assert followed(rows)["aims"].tolist() == [1, aims]


def test_aims_that_add_up_to_less_than_one_have_a_share():
    rows = pd.DataFrame(
        [("P1", 31, "vertical", "mm", 1, 0.5, 0.5, 0.2), ("P2", 31, "vertical", "mm", 1, 0.4, 0.4, 0.4)],
        columns=COLUMNS,
    )  # fmt: skip
    overall = oc.courses(rows.drop(columns="unit"), n_boot=0).overall
    assert overall["reached"].tolist() == [pytest.approx(0.6 / 0.9)]  # of 0.9 mm (arithmetic)


def test_cephalometry_without_its_columns_is_refused_by_name():
    from outcomes.clinical.bite import bite_change

    said = "^The cephalometry has no column x, y: give patient, landmark, x, y\\.$"
    with pytest.raises(ValueError, match=said):
        bite_change(
            oc.read_cohort(oc.data_path("synthetic_data", "practice")),
            cephalometry=pd.DataFrame({"patient": ["P001"], "landmark": ["S"]}),
        )


def test_of_which_teeth_how_many_were_measured_is_said():
    series = oc.read_cohort(oc.data_path("synthetic_data", "series.xlsx"))
    part = [n for n in oc.bite_change(series).notes if n.startswith("Vertical movement of ")]
    assert [n.split(": ")[0] for n in part] == [
        "Vertical movement of upper incisors",
        "Vertical movement of lower incisors",
        "Vertical movement of molars of both arches",
    ]
